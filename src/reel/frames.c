/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reel/db.h"

int64_t rw_reel_frame_count(rw_reel *reel, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel, "SELECT COALESCE(MAX(n) + 1, 0) FROM frame", error);
    return rw_db_number(reel, s, error);
}

int64_t rw_reel_film_before(rw_reel *reel, int64_t n, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "SELECT COUNT(*) FROM frame WHERE n < ?1 AND doubled_of < 0", error);
    if (s)
        sqlite3_bind_int64(s, 1, n);
    return rw_db_number(reel, s, error);
}

static void read_frame(sqlite3_stmt *s, void *row)
{
    *(rw_frame_row *)row = (rw_frame_row){sqlite3_column_int64(s, 0), sqlite3_column_int64(s, 1),
                                          sqlite3_column_int64(s, 2), sqlite3_column_int64(s, 3)};
}

GArray *rw_reel_frames(rw_reel *reel, int64_t first, int64_t last, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel,
                                    "SELECT n, still, doubled_of, replaced FROM frame "
                                    "WHERE n BETWEEN ?1 AND ?2 ORDER BY n",
                                    error);
    if (s) {
        sqlite3_bind_int64(s, 1, first);
        sqlite3_bind_int64(s, 2, last);
    }
    return rw_db_rows(reel, s, sizeof(rw_frame_row), read_frame, NULL, error);
}

bool rw_reel_get_frame(rw_reel *reel, int64_t n, rw_frame_row *row, GError **error)
{
    GArray *rows = rw_reel_frames(reel, n, n, error);
    if (!rows)
        return false;
    bool found = rows->len == 1;
    if (found)
        *row = g_array_index(rows, rw_frame_row, 0);
    else
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s has no frame %" G_GINT64_FORMAT ".",
                    reel->path, n);
    g_array_unref(rows);
    return found;
}

bool rw_reel_put_frame(rw_reel *reel, const rw_frame_row *row, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "INSERT OR REPLACE INTO frame VALUES (?1, ?2, ?3, ?4)", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, row->n);
    sqlite3_bind_int64(s, 2, row->still);
    sqlite3_bind_int64(s, 3, row->doubled_of);
    sqlite3_bind_int64(s, 4, row->replaced);
    return rw_db_run(reel, s, error);
}

bool rw_reel_set_frames(rw_reel *reel, const rw_frame_row *rows, size_t count, GError **error)
{
    if (!rw_db_savepoint(reel, error))
        return false;
    bool ok = rw_db_exec(reel, "DELETE FROM frame", error);
    for (size_t i = 0; ok && i < count; i++)
        ok = rw_reel_put_frame(reel, &rows[i], error);
    return rw_db_release(reel, ok, error);
}

/* ---- geometry ---- */

bool rw_reel_put_geometry(rw_reel *reel, const rw_geometry_row *row, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel, "INSERT OR REPLACE INTO geometry VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, row->n);
    for (int i = 0; i < 6; i++)
        sqlite3_bind_double(s, 2 + i, row->film_to_still.m[i / 3][i % 3]);
    rw_db_bind_text(s, 8, row->method);
    sqlite3_bind_double(s, 9, row->confidence);
    return rw_db_run(reel, s, error);
}

void rw_db_geometry(sqlite3_stmt *s, rw_geometry_row *row)
{
    *row = (rw_geometry_row){.n = sqlite3_column_int64(s, 0)};
    for (int i = 0; i < 6; i++)
        row->film_to_still.m[i / 3][i % 3] = sqlite3_column_double(s, 1 + i);
    const char *method = (const char *)sqlite3_column_text(s, 7);
    g_strlcpy(row->method, method ? method : "none", sizeof row->method);
    row->confidence = sqlite3_column_double(s, 8);
}

bool rw_reel_get_geometry(rw_reel *reel, int64_t n, rw_geometry_row *row, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel, "SELECT * FROM geometry WHERE n=?1", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, n);
    bool found = rw_db_step(reel, s, error) == SQLITE_ROW;
    if (found)
        rw_db_geometry(s, row);
    sqlite3_reset(s);
    return found;
}

bool rw_reel_clear_geometry(rw_reel *reel, GError **error)
{
    return rw_db_exec(reel, "DELETE FROM geometry", error);
}

/* ---- scenes ---- */

static void read_scene(sqlite3_stmt *s, void *row)
{
    rw_scene_row *scene = row;
    *scene = (rw_scene_row){.id = sqlite3_column_int64(s, 0),
                            .first = sqlite3_column_int64(s, 1),
                            .last = sqlite3_column_int64(s, 2)};
    const char *cue = (const char *)sqlite3_column_text(s, 3);
    g_strlcpy(scene->cue, cue ? cue : "", sizeof scene->cue);
}

GArray *rw_reel_scenes(rw_reel *reel, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "SELECT id, first, last, cue FROM scene ORDER BY first, id", error);
    return rw_db_rows(reel, s, sizeof(rw_scene_row), read_scene, NULL, error);
}

static bool put_scene(rw_reel *reel, const rw_scene_row *row, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel, "INSERT INTO scene VALUES (?1, ?2, ?3, ?4)", error);
    if (!s)
        return false;
    if (row->id)
        sqlite3_bind_int64(s, 1, row->id);
    sqlite3_bind_int64(s, 2, row->first);
    sqlite3_bind_int64(s, 3, row->last);
    rw_db_bind_text(s, 4, row->cue);
    return rw_db_run(reel, s, error);
}

bool rw_reel_set_scenes(rw_reel *reel, const rw_scene_row *rows, size_t count, GError **error)
{
    if (!rw_db_savepoint(reel, error))
        return false;
    bool ok = rw_db_exec(reel, "DELETE FROM scene", error);
    for (size_t i = 0; ok && i < count; i++)
        ok = put_scene(reel, &rows[i], error);
    return rw_db_release(reel, ok, error);
}
