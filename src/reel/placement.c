/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

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

bool rw_reel_get_placement(rw_reel *reel, int64_t n, rw_geometry_row *row, GError **error)
{
    g_autoptr(GError) inner = NULL;
    g_autofree char *scope = g_strdup_printf("frame:%" G_GINT64_FORMAT, n);
    g_autofree char *text = rw_reel_get_choice(reel, scope, KEY, &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    if (!text)
        return rw_reel_get_geometry(reel, n, row, error);
    *row = (rw_geometry_row){.n = n, .method = "person", .confidence = 1};
    if (rw_placement_parse(text, &row->film_to_still))
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                "The registration that was chosen for frame %" G_GINT64_FORMAT
                " of %s cannot be read: \"%s\". Take it back on the bench.",
                n, reel->path, text);
    return false;
}
