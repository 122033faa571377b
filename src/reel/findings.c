/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reel/db.h"

void rw_finding_row_clear(rw_finding_row *row)
{
    g_free(row->kind);
    g_free(row->severity);
    g_free(row->evidence);
    g_free(row->advice);
    g_free(row->state);
    g_free(row->note);
    *row = (rw_finding_row){0};
}

static void read_finding(sqlite3_stmt *s, void *row)
{
    *(rw_finding_row *)row = (rw_finding_row){.id = sqlite3_column_int64(s, 0),
                                              .kind = rw_db_text(s, 1),
                                              .first = sqlite3_column_int64(s, 2),
                                              .last = sqlite3_column_int64(s, 3),
                                              .still = sqlite3_column_int64(s, 4),
                                              .severity = rw_db_text(s, 5),
                                              .confidence = sqlite3_column_double(s, 6),
                                              .evidence = rw_db_text(s, 7),
                                              .advice = rw_db_text(s, 8),
                                              .state = rw_db_text(s, 9),
                                              .note = rw_db_text(s, 10)};
}

GArray *rw_reel_findings(rw_reel *reel, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel,
        "SELECT id, kind, first, last, still, severity, confidence, evidence, advice, state, note "
        "FROM finding ORDER BY CASE severity WHEN 'redo' THEN 0 WHEN 'look' THEN 1 ELSE 2 END, "
        "confidence DESC, first, id",
        error);
    return rw_db_rows(reel, s, sizeof(rw_finding_row), read_finding,
                      (GDestroyNotify)rw_finding_row_clear, error);
}

static bool put_finding(rw_reel *reel, const rw_finding_row *row, int64_t id, const char *state,
                        const char *note, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel, "INSERT INTO finding VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)", error);
    if (!s)
        return false;
    if (id)
        sqlite3_bind_int64(s, 1, id);
    rw_db_bind_text(s, 2, row->kind);
    sqlite3_bind_int64(s, 3, row->first);
    sqlite3_bind_int64(s, 4, row->last);
    sqlite3_bind_int64(s, 5, row->still);
    rw_db_bind_text(s, 6, row->severity);
    sqlite3_bind_double(s, 7, row->confidence);
    rw_db_bind_text(s, 8, row->evidence ? row->evidence : "{}");
    rw_db_bind_text(s, 9, row->advice ? row->advice : "");
    rw_db_bind_text(s, 10, state ? state : "open");
    rw_db_bind_text(s, 11, note);
    return rw_db_run(reel, s, error);
}

static bool is_judged(const rw_finding_row *row)
{
    return row->note || (row->state && !g_str_equal(row->state, "open"));
}

/* The first unused old finding of the same kind on the same still; -1 none. */
static int match_old(GArray *old, const bool *used, const rw_finding_row *row)
{
    for (guint i = 0; i < old->len; i++) {
        const rw_finding_row *o = &g_array_index(old, rw_finding_row, i);
        if (!used[i] && o->still == row->still && g_str_equal(o->kind, row->kind))
            return (int)i;
    }
    return -1;
}

static bool replace_findings(rw_reel *reel, GArray *old, const rw_finding_row *rows, size_t count,
                             GError **error)
{
    if (!rw_db_exec(reel, "DELETE FROM finding", error))
        return false;
    g_autofree bool *used = g_new0(bool, old->len + 1);
    g_autofree int *match = g_new(int, count + 1);
    for (size_t i = 0; i < count; i++) {
        match[i] = match_old(old, used, &rows[i]);
        if (match[i] >= 0)
            used[match[i]] = true;
    }
    /* Those with a fixed id first, so that a new one cannot be given it. */
    for (guint i = 0; i < old->len; i++) {
        const rw_finding_row *o = &g_array_index(old, rw_finding_row, i);
        if (!used[i] && is_judged(o) && !put_finding(reel, o, o->id, o->state, o->note, error))
            return false;
    }
    for (int pass = 0; pass < 2; pass++)
        for (size_t i = 0; i < count; i++) {
            if ((match[i] >= 0) != (pass == 0))
                continue;
            const rw_finding_row *o =
                match[i] >= 0 ? &g_array_index(old, rw_finding_row, (guint)match[i]) : NULL;
            if (!put_finding(reel, &rows[i], o ? o->id : 0, o ? o->state : NULL, o ? o->note : NULL,
                             error))
                return false;
        }
    return true;
}

bool rw_reel_set_findings(rw_reel *reel, const rw_finding_row *rows, size_t count, GError **error)
{
    GArray *old = rw_reel_findings(reel, error);
    if (!old)
        return false;
    bool ok = rw_db_savepoint(reel, error) &&
              rw_db_release(reel, replace_findings(reel, old, rows, count, error), error);
    g_array_unref(old);
    return ok;
}

bool rw_reel_judge_finding(rw_reel *reel, int64_t id, const char *state, const char *note,
                           GError **error)
{
    if (!g_str_equal(state, "open") && !g_str_equal(state, "confirmed") &&
        !g_str_equal(state, "dismissed")) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "A finding is open, confirmed or dismissed, not \"%s\".", state);
        return false;
    }
    sqlite3_stmt *s =
        rw_db_prepare(reel, "UPDATE finding SET state=?2, note=?3 WHERE id=?1", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, id);
    rw_db_bind_text(s, 2, state);
    rw_db_bind_text(s, 3, note && *note ? note : NULL);
    if (!rw_db_run(reel, s, error))
        return false;
    if (sqlite3_changes(reel->db) == 1)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s has no finding number %d.", reel->path,
                (int)id);
    return false;
}
