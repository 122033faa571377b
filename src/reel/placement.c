/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "reel/db.h"

#define KEY "registration"

char *rw_placement_format(rw_affine place)
{
    GString *text = g_string_new(NULL);
    char digits[G_ASCII_DTOSTR_BUF_SIZE];
    for (int i = 0; i < 6; i++)
        g_string_append_printf(text, "%s%s", i ? " " : "",
                               g_ascii_dtostr(digits, sizeof digits, place.m[i / 3][i % 3]));
    return g_string_free(text, FALSE);
}

bool rw_placement_parse(const char *text, rw_affine *place)
{
    rw_affine read;
    for (int i = 0; i < 6; i++) {
        char *end = NULL;
        double value = g_ascii_strtod(text, &end);
        if (end == text || !isfinite(value) || fabs(value) > 1e6 || *end != (i < 5 ? ' ' : '\0'))
            return false;
        read.m[i / 3][i % 3] = value;
        text = end + 1;
    }
    if (fabs(rw_affine_determinant(read)) < 1e-6)
        return false;
    *place = read;
    return true;
}

static bool read_choice(const rw_reel *reel, const char *text, int64_t n, rw_geometry_row *row,
                        GError **error)
{
    *row = (rw_geometry_row){.n = n, .method = "person", .confidence = 1};
    if (rw_placement_parse(text, &row->film_to_still))
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                "The registration that was chosen for frame %" G_GINT64_FORMAT
                " of %s cannot be read: \"%s\". Take it back on the bench.",
                n, reel->path, text);
    return false;
}

bool rw_reel_get_placement(rw_reel *reel, int64_t n, rw_geometry_row *row, GError **error)
{
    g_autoptr(GError) inner = NULL;
    g_autofree char *scope = g_strdup_printf("frame:%" G_GINT64_FORMAT, n);
    g_autofree char *text = rw_reel_get_choice(reel, scope, KEY, &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    return text ? read_choice(reel, text, n, row, error)
                : rw_reel_get_geometry(reel, n, row, error);
}

/* As surveyed. */
static bool fill_surveyed(rw_reel *reel, int64_t first, int64_t last, GArray *rows, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "SELECT * FROM geometry WHERE n BETWEEN ?1 AND ?2", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, first);
    sqlite3_bind_int64(s, 2, last);
    int code;
    while ((code = rw_db_step(reel, s, error)) == SQLITE_ROW) {
        int64_t n = sqlite3_column_int64(s, 0);
        rw_db_geometry(s, &g_array_index(rows, rw_geometry_row, n - first));
    }
    if (code != SQLITE_DONE)
        return false;
    sqlite3_reset(s);
    return true;
}

/* As a person said: few, so all are looked at. */
static bool fill_chosen(rw_reel *reel, int64_t first, int64_t last, GArray *rows, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel, "SELECT scope, value FROM choice WHERE key='" KEY "' AND scope LIKE 'frame:%'",
        error);
    if (!s)
        return false;
    int code;
    bool ok = true;
    while (ok && (code = rw_db_step(reel, s, error)) == SQLITE_ROW) {
        g_autofree char *scope = rw_db_text(s, 0);
        g_autofree char *text = rw_db_text(s, 1);
        char *end;
        int64_t n = g_ascii_strtoll(scope + strlen("frame:"), &end, 10);
        if (*end == '\0' && n >= first && n <= last)
            ok =
                read_choice(reel, text, n, &g_array_index(rows, rw_geometry_row, n - first), error);
    }
    sqlite3_reset(s);
    return ok && code == SQLITE_DONE;
}

GArray *rw_reel_placements(rw_reel *reel, int64_t first, int64_t last, GError **error)
{
    g_return_val_if_fail(first >= 0 && first <= last, NULL);
    guint count = (guint)(last - first + 1);
    GArray *rows = g_array_sized_new(FALSE, TRUE, sizeof(rw_geometry_row), count);
    g_array_set_size(rows, count);
    for (guint i = 0; i < count; i++)
        g_array_index(rows, rw_geometry_row, i).n = first + i;
    if (!fill_surveyed(reel, first, last, rows, error) ||
        !fill_chosen(reel, first, last, rows, error))
        g_clear_pointer(&rows, g_array_unref);
    return rows;
}
