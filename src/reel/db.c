/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reel/db.h"

void rw_db_set_error(rw_reel *reel, GError **error)
{
    int code = sqlite3_errcode(reel->db);
    rw_error_code mapped = RW_ERROR_FAILED;
    const char *advice = "";
    if (code == SQLITE_FULL) {
        mapped = RW_ERROR_NO_SPACE;
        advice = " Make room on that disk and run the same command again.";
    } else if (code == SQLITE_BUSY || code == SQLITE_LOCKED) {
        mapped = RW_ERROR_CONFLICT;
        advice = " Another program is writing to this reel; wait for it and try again.";
    } else if (code == SQLITE_NOTADB || code == SQLITE_CORRUPT) {
        mapped = RW_ERROR_DAMAGED;
        advice = " The stills are untouched; put a copy of reel.db back or take them in anew.";
    } else if (code == SQLITE_READONLY || code == SQLITE_CANTOPEN || code == SQLITE_IOERR ||
               code == SQLITE_PERM) {
        mapped = RW_ERROR_IO;
    }
    g_set_error(error, RW_ERROR, (gint)mapped, "%s/reel.db: %s.%s", reel->path,
                sqlite3_errmsg(reel->db), advice);
}

sqlite3_stmt *rw_db_prepare(rw_reel *reel, const char *sql, GError **error)
{
    sqlite3_stmt *statement = g_hash_table_lookup(reel->statements, sql);
    if (statement) {
        sqlite3_reset(statement);
        sqlite3_clear_bindings(statement);
        return statement;
    }
    if (sqlite3_prepare_v3(reel->db, sql, -1, SQLITE_PREPARE_PERSISTENT, &statement, NULL) !=
        SQLITE_OK) {
        rw_db_set_error(reel, error);
        return NULL;
    }
    g_hash_table_insert(reel->statements, (gpointer)sql, statement);
    return statement;
}

int rw_db_step(rw_reel *reel, sqlite3_stmt *statement, GError **error)
{
    int code = sqlite3_step(statement);
    if (code == SQLITE_ROW || code == SQLITE_DONE)
        return code;
    rw_db_set_error(reel, error);
    sqlite3_reset(statement);
    return SQLITE_ERROR;
}

bool rw_db_run(rw_reel *reel, sqlite3_stmt *statement, GError **error)
{
    int code;
    while ((code = rw_db_step(reel, statement, error)) == SQLITE_ROW)
        ;
    if (code != SQLITE_DONE)
        return false;
    sqlite3_reset(statement);
    return true;
}

GArray *rw_db_rows(rw_reel *reel, sqlite3_stmt *statement, guint size, rw_db_reader *read,
                   GDestroyNotify clear, GError **error)
{
    if (!statement)
        return NULL;
    GArray *rows = g_array_new(FALSE, TRUE, size);
    if (clear)
        g_array_set_clear_func(rows, clear);
    int code;
    while ((code = rw_db_step(reel, statement, error)) == SQLITE_ROW) {
        g_array_set_size(rows, rows->len + 1);
        read(statement, rows->data + (size_t)(rows->len - 1) * size);
    }
    if (code == SQLITE_DONE)
        sqlite3_reset(statement);
    else
        g_clear_pointer(&rows, g_array_unref);
    return rows;
}

int64_t rw_db_number(rw_reel *reel, sqlite3_stmt *statement, GError **error)
{
    if (!statement || rw_db_step(reel, statement, error) != SQLITE_ROW)
        return -1;
    int64_t value = sqlite3_column_int64(statement, 0);
    sqlite3_reset(statement);
    return value;
}

bool rw_db_exec(rw_reel *reel, const char *sql, GError **error)
{
    if (sqlite3_exec(reel->db, sql, NULL, NULL, NULL) == SQLITE_OK)
        return true;
    rw_db_set_error(reel, error);
    return false;
}

void rw_db_bind_text(sqlite3_stmt *statement, int index, const char *text)
{
    if (text)
        sqlite3_bind_text(statement, index, text, -1, SQLITE_TRANSIENT);
    else
        sqlite3_bind_null(statement, index);
}

char *rw_db_text(sqlite3_stmt *statement, int column)
{
    return g_strdup((const char *)sqlite3_column_text(statement, column));
}

bool rw_db_savepoint(rw_reel *reel, GError **error)
{
    return rw_db_exec(reel, "SAVEPOINT rw", error);
}

bool rw_db_release(rw_reel *reel, bool ok, GError **error)
{
    if (ok && rw_db_exec(reel, "RELEASE rw", error))
        return true;
    rw_db_exec(reel, "ROLLBACK TO rw", NULL);
    rw_db_exec(reel, "RELEASE rw", NULL);
    return false;
}
