/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <reelwright/look.h>
#include <reelwright/stage.h>

#include "colour/cdl.h"
#include "colour/lut.h"

enum { NUMBERS = 10 };

static const char *const keys[NUMBERS] = {
    "slope-red",   "slope-green", "slope-blue",  "offset-red", "offset-green",
    "offset-blue", "power-red",   "power-green", "power-blue", "cdl-saturation"};

/* The number of a correction that keys[i] names. */
static double *number_of(rw_cdl *cdl, int i)
{
    return i < 3   ? &cdl->slope[i]
           : i < 6 ? &cdl->offset[i - 3]
           : i < 9 ? &cdl->power[i - 6]
                   : &cdl->saturation;
}

static void add_row(GArray *rows, const char *scope, const char *key, const char *value)
{
    rw_choice_row row = {g_strdup(scope), g_strconcat("colour.", key, NULL), g_strdup(value)};
    g_array_append_val(rows, row);
}

static GArray *rows_new(void)
{
    GArray *rows = g_array_new(FALSE, FALSE, sizeof(rw_choice_row));
    g_array_set_clear_func(rows, (GDestroyNotify)rw_choice_row_clear);
    return rows;
}

static bool store(rw_reel *reel, GArray *rows, GError **error)
{
    bool ok = rw_reel_change_choices(reel, (const rw_choice_row *)(const void *)rows->data,
                                     rows->len, NULL, error);
    g_array_unref(rows);
    return ok;
}

/* ---- corrections ---- */

/* All ten, also those that are neutral: what holds for the scene is then what the file says,
 * whatever the reel has. */
static bool add_correction(GArray *rows, const char *scope, rw_cdl *cdl, const char *name,
                           GError **error)
{
    const rw_stage *stage = rw_stage_find("colour");
    for (int i = 0; i < NUMBERS; i++) {
        const rw_param *row = rw_param_find(stage->params, keys[i]);
        double v = *number_of(cdl, i);
        if (!(v >= row->min && v <= row->max)) {
            g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                        "%s: %s is %g; a correction here goes from %g to %g.", name, row->label, v,
                        row->min, row->max);
            return false;
        }
        char text[G_ASCII_DTOSTR_BUF_SIZE];
        add_row(rows, scope, keys[i], g_ascii_dtostr(text, sizeof text, v));
    }
    return true;
}

static char *scope_of_id(const char *id, const GArray *scenes)
{
    if (g_str_equal(id, "reel"))
        return g_strdup("reel");
    gint64 number;
    if (!g_str_has_prefix(id, "scene ") ||
        !g_ascii_string_to_signed(id + strlen("scene "), 10, 1, scenes->len, &number, NULL))
        return NULL;
    return g_strdup_printf("scene:%" G_GINT64_FORMAT,
                           g_array_index(scenes, rw_scene_row, number - 1).id);
}

static bool not_there(const char *name, const char *what, GError **error)
{
    g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s holds no correction %s.", name, what);
    return false;
}

static bool collect(rw_reel *reel, GArray *list, const char *scope, const char *name,
                    const char *id, GArray *rows, GError **error)
{
    g_autoptr(GArray) scenes = scope ? NULL : rw_reel_scenes(reel, error);
    if (!scope && !scenes)
        return false;
    for (guint i = 0; i < list->len; i++) {
        rw_cdl *cdl = &g_array_index(list, rw_cdl, i);
        if (scope) {
            if (id && !g_str_equal(cdl->id, id))
                continue;
            return add_correction(rows, scope, cdl, name, error);
        }
        g_autofree char *own = scope_of_id(cdl->id, scenes);
        if (own && !add_correction(rows, own, cdl, name, error))
            return false;
    }
    return rows->len > 0 ||
           not_there(name, scope ? id : "with an id of this reel: reel, scene 1 ...", error);
}

static bool take_corrections(rw_reel *reel, const char *scope, const char *name, const void *data,
                             size_t bytes, const char *id, GError **error)
{
    g_autoptr(GArray) list = rw_cdl_parse(data, bytes, name, error);
    if (!list)
        return false;
    GArray *rows = rows_new();
    if (collect(reel, list, scope, name, id, rows, error))
        return store(reel, rows, error);
    g_array_unref(rows);
    return false;
}

/* ---- tables ---- */

static bool take_table(rw_reel *reel, const char *scope, const char *name, const void *data,
                       size_t bytes, GError **error)
{
    rw_lut *lut = rw_lut_parse_cube(data, bytes, name, error);
    if (!lut)
        return false;
    rw_lut_free(&lut);
    g_autofree char *text = rw_reel_keep_look(reel, name, data, bytes, error);
    if (!text)
        return false;
    GArray *rows = rows_new();
    add_row(rows, scope ? scope : "reel", "cube", text);
    return store(reel, rows, error);
}

bool rw_look_take(rw_reel *reel, const char *scope, const char *name, const void *data,
                  size_t bytes, const char *id, GError **error)
{
    g_autofree char *lower = g_ascii_strdown(name, -1);
    if (g_str_has_suffix(lower, ".cube"))
        return take_table(reel, scope, name, data, bytes, error);
    if (g_str_has_suffix(lower, ".cdl") || g_str_has_suffix(lower, ".ccc") ||
        g_str_has_suffix(lower, ".cc"))
        return take_corrections(reel, scope, name, data, bytes, id, error);
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                "%s is no look: that is a .cdl, .cc, .ccc or .cube file.", name);
    return false;
}

/* ---- giving ---- */

/* Puts into cdl what this scope chose itself; true when that is anything. */
static bool read_own(rw_reel *reel, const char *scope, rw_cdl *cdl, bool *failed, GError **error)
{
    bool any = false;
    for (int i = 0; i < NUMBERS && !*failed; i++) {
        g_autofree char *key = g_strconcat("colour.", keys[i], NULL);
        GError *inner = NULL;
        g_autofree char *text = rw_reel_get_choice(reel, scope, key, &inner);
        if (inner) {
            g_propagate_error(error, inner);
            *failed = true;
        } else if (text) {
            *number_of(cdl, i) = g_ascii_strtod(text, NULL);
            any = true;
        }
    }
    return any;
}

char *rw_look_give(rw_reel *reel, GError **error)
{
    g_autoptr(GArray) scenes = rw_reel_scenes(reel, error);
    if (!scenes)
        return NULL;
    g_autoptr(GArray) list = g_array_new(FALSE, FALSE, sizeof(rw_cdl));
    bool failed = false;
    rw_cdl whole = rw_cdl_identity();
    g_strlcpy(whole.id, "reel", sizeof whole.id);
    read_own(reel, "reel", &whole, &failed, error);
    g_array_append_val(list, whole);
    for (guint i = 0; i < scenes->len && !failed; i++) {
        rw_cdl own = whole;
        g_snprintf(own.id, sizeof own.id, "scene %u", i + 1);
        g_autofree char *scope =
            g_strdup_printf("scene:%" G_GINT64_FORMAT, g_array_index(scenes, rw_scene_row, i).id);
        if (read_own(reel, scope, &own, &failed, error))
            g_array_append_val(list, own);
    }
    return failed ? NULL : rw_cdl_format((const rw_cdl *)(const void *)list->data, list->len);
}
