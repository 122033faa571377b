/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "reel/db.h"

#define COLUMNS                                                                                    \
    "path, source, folder, number, bytes, mtime_us, sha256, width, height, orientation, "          \
    "captured_us, serial, state, fault"

void rw_still_row_clear(rw_still_row *row)
{
    g_free(row->path);
    g_free(row->source);
    g_free(row->serial);
    g_free(row->fault);
    *row = (rw_still_row){0};
}

static void bind_row(sqlite3_stmt *s, const rw_still_row *row)
{
    rw_db_bind_text(s, 1, row->path);
    rw_db_bind_text(s, 2, row->source);
    sqlite3_bind_int(s, 3, row->folder);
    sqlite3_bind_int(s, 4, row->number);
    sqlite3_bind_int64(s, 5, row->bytes);
    sqlite3_bind_int64(s, 6, row->mtime_us);
    rw_db_bind_text(s, 7, row->sha256);
    sqlite3_bind_int(s, 8, row->width);
    sqlite3_bind_int(s, 9, row->height);
    sqlite3_bind_int(s, 10, row->orientation);
    if (row->captured_us == INT64_MIN)
        sqlite3_bind_null(s, 11);
    else
        sqlite3_bind_int64(s, 11, row->captured_us);
    rw_db_bind_text(s, 12, row->serial);
    sqlite3_bind_int(s, 13, (int)row->state);
    rw_db_bind_text(s, 14, row->fault);
}

/* Columns as COLUMNS, then id. */
static void read_row(sqlite3_stmt *s, void *to)
{
    rw_still_row *row = to;
    *row = (rw_still_row){0};
    row->path = rw_db_text(s, 0);
    row->source = rw_db_text(s, 1);
    row->folder = sqlite3_column_int(s, 2);
    row->number = sqlite3_column_int(s, 3);
    row->bytes = sqlite3_column_int64(s, 4);
    row->mtime_us = sqlite3_column_int64(s, 5);
    const char *sha = (const char *)sqlite3_column_text(s, 6);
    g_strlcpy(row->sha256, sha ? sha : "", sizeof row->sha256);
    row->width = sqlite3_column_int(s, 7);
    row->height = sqlite3_column_int(s, 8);
    row->orientation = sqlite3_column_int(s, 9);
    row->captured_us =
        sqlite3_column_type(s, 10) == SQLITE_NULL ? INT64_MIN : sqlite3_column_int64(s, 10);
    row->serial = rw_db_text(s, 11);
    row->state = (rw_still_state)sqlite3_column_int(s, 12);
    row->fault = rw_db_text(s, 13);
    row->id = sqlite3_column_int64(s, 14);
}

bool rw_reel_put_still(rw_reel *reel, rw_still_row *row, GError **error)
{
    const char *sql =
        row->id == 0
            ? "INSERT INTO still (" COLUMNS
              ") VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)"
            : "UPDATE still SET (" COLUMNS
              ") = (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14) WHERE id=?15";
    sqlite3_stmt *s = rw_db_prepare(reel, sql, error);
    if (!s)
        return false;
    bind_row(s, row);
    if (row->id != 0)
        sqlite3_bind_int64(s, 15, row->id);
    if (!rw_db_run(reel, s, error))
        return false;
    if (row->id == 0)
        row->id = sqlite3_last_insert_rowid(reel->db);
    return true;
}

static bool read_one(rw_reel *reel, sqlite3_stmt *s, rw_still_row *row, GError **error)
{
    bool found = rw_db_step(reel, s, error) == SQLITE_ROW;
    if (found)
        read_row(s, row);
    sqlite3_reset(s);
    return found;
}

bool rw_reel_get_still(rw_reel *reel, int64_t id, rw_still_row *row, GError **error)
{
    g_autoptr(GError) inner = NULL;
    sqlite3_stmt *s = rw_db_prepare(reel, "SELECT " COLUMNS ", id FROM still WHERE id=?1", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, id);
    if (read_one(reel, s, row, &inner))
        return true;
    if (!inner)
        g_set_error(&inner, RW_ERROR, RW_ERROR_NOT_FOUND, "%s has no still number %d.", reel->path,
                    (int)id);
    g_propagate_error(error, g_steal_pointer(&inner));
    return false;
}

bool rw_reel_find_still(rw_reel *reel, const char *path, rw_still_row *row, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel, "SELECT " COLUMNS ", id FROM still WHERE path=?1", error);
    if (!s)
        return false;
    rw_db_bind_text(s, 1, path);
    return read_one(reel, s, row, error);
}

GArray *rw_reel_stills(rw_reel *reel, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel, "SELECT " COLUMNS ", id FROM still ORDER BY id", error);
    return rw_db_rows(reel, s, sizeof(rw_still_row), read_row, (GDestroyNotify)rw_still_row_clear,
                      error);
}

/* ---- measurements ---- */

static sqlite3_stmt *prepare_put_measure(rw_reel *reel, int64_t still, const char *measure,
                                         int version, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "INSERT OR REPLACE INTO measurement VALUES (?1, ?2, ?3, ?4)", error);
    if (!s)
        return NULL;
    sqlite3_bind_int64(s, 1, still);
    rw_db_bind_text(s, 2, measure);
    sqlite3_bind_int(s, 3, version);
    return s;
}

bool rw_reel_put_measure(rw_reel *reel, int64_t still, const char *measure, int version,
                         double value, GError **error)
{
    /* SQLite keeps NaN as NULL; "measured, no answer" is stored as an empty text instead. */
    sqlite3_stmt *s = prepare_put_measure(reel, still, measure, version, error);
    if (!s)
        return false;
    if (isnan(value))
        rw_db_bind_text(s, 4, "");
    else
        sqlite3_bind_double(s, 4, value);
    return rw_db_run(reel, s, error);
}

bool rw_reel_put_measure_blob(rw_reel *reel, int64_t still, const char *measure, int version,
                              const void *data, size_t bytes, GError **error)
{
    sqlite3_stmt *s = prepare_put_measure(reel, still, measure, version, error);
    if (!s)
        return false;
    sqlite3_bind_blob64(s, 4, bytes ? data : "", bytes, SQLITE_TRANSIENT);
    return rw_db_run(reel, s, error);
}

static sqlite3_stmt *find_measure(rw_reel *reel, int64_t still, const char *measure, int version,
                                  GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel,
                                    "SELECT value FROM measurement WHERE still=?1 AND measure=?2 "
                                    "AND (?3=0 OR version=?3)",
                                    error);
    if (!s)
        return NULL;
    sqlite3_bind_int64(s, 1, still);
    rw_db_bind_text(s, 2, measure);
    sqlite3_bind_int(s, 3, version);
    if (rw_db_step(reel, s, error) == SQLITE_ROW)
        return s;
    sqlite3_reset(s);
    return NULL;
}

static double column_number(sqlite3_stmt *s, int column)
{
    int type = sqlite3_column_type(s, column);
    return type == SQLITE_FLOAT || type == SQLITE_INTEGER ? sqlite3_column_double(s, column) : NAN;
}

double rw_reel_get_measure(rw_reel *reel, int64_t still, const char *measure, int version,
                           GError **error)
{
    sqlite3_stmt *s = find_measure(reel, still, measure, version, error);
    if (!s)
        return NAN;
    double value = column_number(s, 0);
    sqlite3_reset(s);
    return value;
}

GBytes *rw_reel_get_measure_blob(rw_reel *reel, int64_t still, const char *measure, int version,
                                 GError **error)
{
    sqlite3_stmt *s = find_measure(reel, still, measure, version, error);
    if (!s)
        return NULL;
    GBytes *bytes = NULL;
    if (sqlite3_column_type(s, 0) == SQLITE_BLOB) {
        const void *data = sqlite3_column_blob(s, 0);
        bytes = g_bytes_new(data, (gsize)sqlite3_column_bytes(s, 0));
    }
    sqlite3_reset(s);
    return bytes;
}

bool rw_reel_measure_series(rw_reel *reel, const char *measure, int version, int64_t first,
                            int64_t last, double *values, GError **error)
{
    for (int64_t i = 0; i <= last - first; i++)
        values[i] = NAN;
    sqlite3_stmt *s = rw_db_prepare(reel,
                                    "SELECT n, value FROM frame JOIN measurement USING (still) "
                                    "WHERE n BETWEEN ?1 AND ?2 AND measure=?3 "
                                    "AND (?4=0 OR version=?4)",
                                    error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, first);
    sqlite3_bind_int64(s, 2, last);
    rw_db_bind_text(s, 3, measure);
    sqlite3_bind_int(s, 4, version);
    int code;
    while ((code = rw_db_step(reel, s, error)) == SQLITE_ROW)
        values[sqlite3_column_int64(s, 0) - first] = column_number(s, 1);
    if (code != SQLITE_DONE)
        return false;
    sqlite3_reset(s);
    return true;
}

bool rw_reel_delete_measure(rw_reel *reel, int64_t still, const char *measure, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "DELETE FROM measurement WHERE still=?1 AND measure=?2", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, still);
    rw_db_bind_text(s, 2, measure);
    return rw_db_run(reel, s, error);
}
