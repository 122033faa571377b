/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reel/db.h"

char *rw_reel_get_choice(rw_reel *reel, const char *scope, const char *key, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "SELECT value FROM choice WHERE scope=?1 AND key=?2", error);
    if (!s)
        return NULL;
    rw_db_bind_text(s, 1, scope);
    rw_db_bind_text(s, 2, key);
    char *value = rw_db_step(reel, s, error) == SQLITE_ROW ? rw_db_text(s, 0) : NULL;
    sqlite3_reset(s);
    return value;
}

static bool keep_history(rw_reel *reel, const char *scope, const char *key, const char *value,
                         GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel,
                      "INSERT INTO choice_history (at, scope, key, old, new) VALUES (?1, ?2, ?3, "
                      "(SELECT value FROM choice WHERE scope=?2 AND key=?3), ?4)",
                      error);
    if (!s)
        return false;
    g_autoptr(GDateTime) now = g_date_time_new_now_utc();
    g_autofree char *at = g_date_time_format_iso8601(now);
    rw_db_bind_text(s, 1, at);
    rw_db_bind_text(s, 2, scope);
    rw_db_bind_text(s, 3, key);
    rw_db_bind_text(s, 4, value);
    return rw_db_run(reel, s, error);
}

static bool store_choice(rw_reel *reel, const char *scope, const char *key, const char *value,
                         GError **error)
{
    sqlite3_stmt *s =
        value ? rw_db_prepare(reel, "INSERT OR REPLACE INTO choice VALUES (?1, ?2, ?3)", error)
              : rw_db_prepare(reel, "DELETE FROM choice WHERE scope=?1 AND key=?2", error);
    if (!s)
        return false;
    rw_db_bind_text(s, 1, scope);
    rw_db_bind_text(s, 2, key);
    if (value)
        rw_db_bind_text(s, 3, value);
    return rw_db_run(reel, s, error);
}

bool rw_reel_put_choice(rw_reel *reel, const char *scope, const char *key, const char *value,
                        GError **error)
{
    if (!rw_db_savepoint(reel, error))
        return false;
    bool ok = keep_history(reel, scope, key, value, error) &&
              store_choice(reel, scope, key, value, error);
    return rw_db_release(reel, ok, error);
}

/* ---- facts ---- */

GBytes *rw_reel_get_fact(rw_reel *reel, const char *stage, int version, const char *params_hash,
                         const char *key, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel, "SELECT value FROM fact WHERE stage=?1 AND version=?2 AND params=?3 AND key=?4",
        error);
    if (!s)
        return NULL;
    rw_db_bind_text(s, 1, stage);
    sqlite3_bind_int(s, 2, version);
    rw_db_bind_text(s, 3, params_hash);
    rw_db_bind_text(s, 4, key);
    GBytes *bytes = NULL;
    if (rw_db_step(reel, s, error) == SQLITE_ROW) {
        const void *data = sqlite3_column_blob(s, 0);
        bytes = g_bytes_new(data, (gsize)sqlite3_column_bytes(s, 0));
    }
    sqlite3_reset(s);
    return bytes;
}

bool rw_reel_put_fact(rw_reel *reel, const char *stage, int version, const char *params_hash,
                      const char *key, const void *data, size_t bytes, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "INSERT OR REPLACE INTO fact VALUES (?1, ?2, ?3, ?4, ?5)", error);
    if (!s)
        return false;
    rw_db_bind_text(s, 1, stage);
    sqlite3_bind_int(s, 2, version);
    rw_db_bind_text(s, 3, params_hash);
    rw_db_bind_text(s, 4, key);
    sqlite3_bind_blob64(s, 5, bytes ? data : "", bytes, SQLITE_TRANSIENT);
    return rw_db_run(reel, s, error);
}
