/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/version.h>

#include "base/fs.h"
#include "reel/db.h"

bool rw_reel_log_event(rw_reel *reel, const char *event, const char *detail, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel, "INSERT INTO journal (at, program, event, detail) VALUES (?1, ?2, ?3, ?4)", error);
    if (!s)
        return false;
    g_autoptr(GDateTime) now = g_date_time_new_now_utc();
    g_autofree char *at = g_date_time_format_iso8601(now);
    g_autofree char *program = g_strdup_printf("reelwright %s", rw_version());
    rw_db_bind_text(s, 1, at);
    rw_db_bind_text(s, 2, program);
    rw_db_bind_text(s, 3, event);
    rw_db_bind_text(s, 4, detail);
    return rw_db_run(reel, s, error);
}

static void read_event(sqlite3_stmt *s, void *row)
{
    *(rw_journal_row *)row = (rw_journal_row){sqlite3_column_int64(s, 0), rw_db_text(s, 1),
                                              rw_db_text(s, 2), rw_db_text(s, 3), rw_db_text(s, 4)};
}

static void clear_event(gpointer data)
{
    rw_journal_row *row = data;
    g_free(row->at);
    g_free(row->program);
    g_free(row->event);
    g_free(row->detail);
}

GArray *rw_reel_journal(rw_reel *reel, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel, "SELECT id, at, program, event, detail FROM journal ORDER BY id", error);
    return rw_db_rows(reel, s, sizeof(rw_journal_row), read_event, clear_event, error);
}

bool rw_reel_snapshot(rw_reel *reel, const char *path, GError **error)
{
    rw_whole_file *file = rw_whole_file_open(path, error);
    if (!file)
        return false;
    sqlite3_stmt *s = rw_db_prepare(reel, "VACUUM INTO ?1", error);
    if (s)
        rw_db_bind_text(s, 1, rw_whole_file_temp(file));
    if (s && rw_db_run(reel, s, error))
        return rw_whole_file_commit(&file, error);
    rw_whole_file_abandon(&file);
    return false;
}
