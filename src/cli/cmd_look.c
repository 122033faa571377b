/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include <reelwright/colour.h>
#include <reelwright/finish.h>
#include <reelwright/look.h>
#include <reelwright/stage.h>

#include "cli/cli.h"

typedef struct options {
    char *take, *give, *id, *curve, *from;
    char **set, **reset;
    int scene;
    gboolean list;
} options;

static char *scope_of(rw_reel *reel, int scene, GError **error)
{
    if (scene <= 0)
        return g_strdup("reel");
    g_autoptr(GArray) rows = rw_reel_scenes(reel, error);
    if (!rows)
        return NULL;
    if ((guint)scene > rows->len) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s has %u scenes; there is no scene %d.",
                    rw_reel_path(reel), rows->len, scene);
        return NULL;
    }
    return g_strdup_printf("scene:%" G_GINT64_FORMAT,
                           g_array_index(rows, rw_scene_row, scene - 1).id);
}

static bool take(rw_reel *reel, const char *scope, const options *o, GError **error)
{
    char *data;
    gsize bytes;
    g_autoptr(GError) inner = NULL;
    if (!g_file_get_contents(o->take, &data, &bytes, &inner)) {
        g_set_error(error, RW_ERROR, RW_ERROR_IO, "%s.", inner->message);
        return false;
    }
    /* a collection finds its own places unless a scene or a correction of it is named */
    g_autofree char *lower = g_ascii_strdown(o->take, -1);
    bool spread = o->scene == 0 && !o->id && g_str_has_suffix(lower, ".ccc");
    bool ok = rw_look_take(reel, spread ? NULL : scope, o->take, data, bytes, o->id, error);
    g_free(data);
    return ok;
}

/* The stage that a choice belongs to, and its key there: "exposure" is light and colour's,
 * "steady.mode" steadying's. */
static const rw_stage *stage_of(const char *name, const char **key)
{
    const char *dot = strchr(name, '.');
    g_autofree char *word = dot ? g_strndup(name, (gsize)(dot - name)) : g_strdup("colour");
    const rw_stage *stage = rw_stage_find(word);
    *key = dot ? dot + 1 : name;
    return stage && rw_param_find(stage->params, *key) ? stage : NULL;
}

static bool add_change(GArray *rows, const char *scope, const char *name, const char *value,
                       GError **error)
{
    const char *key;
    const rw_stage *stage = stage_of(name, &key);
    if (!stage) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "There is no choice \"%s\"; --list shows them all.", name);
        return false;
    }
    g_autofree void *scratch = g_malloc0(stage->params_size);
    if (value && rw_param_find(stage->params, key)->kind == RW_PARAM_TEXT &&
        g_str_equal(key, "cube") && *value) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "A table is taken in with --take FILE.cube.");
        return false;
    }
    if (value && !rw_params_set(stage->params, scratch, key, value, error))
        return false;
    rw_choice_row change = {g_strdup(scope), g_strconcat(stage->name, ".", key, NULL),
                            g_strdup(value)};
    g_array_append_val(rows, change);
    return true;
}

static bool change(rw_reel *reel, const char *scope, const options *o, GError **error)
{
    g_autoptr(GArray) rows = g_array_new(FALSE, FALSE, sizeof(rw_choice_row));
    g_array_set_clear_func(rows, (GDestroyNotify)rw_choice_row_clear);
    for (char **s = o->set; s && *s; s++) {
        const char *equal = strchr(*s, '=');
        g_autofree char *key = equal ? g_strndup(*s, (gsize)(equal - *s)) : g_strdup(*s);
        if (!equal) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "\"%s\" is no choice; write KEY=VALUE.",
                        *s);
            return false;
        }
        if (!add_change(rows, scope, key, equal + 1, error))
            return false;
    }
    for (char **s = o->reset; s && *s; s++)
        if (!add_change(rows, scope, *s, NULL, error))
            return false;
    return rows->len == 0 ||
           rw_reel_change_choices(reel, (const rw_choice_row *)(const void *)rows->data, rows->len,
                                  NULL, error);
}

/* A table that another reel keeps is kept with this one, too. */
static bool keep_table(rw_reel *reel, rw_reel *other, const char *text, GError **error)
{
    g_autoptr(GBytes) table = rw_reel_read_look(other, text, error);
    if (!table)
        return false;
    gsize bytes;
    const void *data = g_bytes_get_data(table, &bytes);
    g_autofree char *same = rw_reel_keep_look(reel, "table.cube", data, bytes, error);
    return same != NULL;
}

/* The reel's choices of light and colour of another reel, all of them and nothing else. */
static bool copy(rw_reel *reel, const char *scope, const char *from, GError **error)
{
    rw_reel *other = rw_reel_open(from, error);
    if (!other)
        return false;
    g_autoptr(GArray) rows = g_array_new(FALSE, FALSE, sizeof(rw_choice_row));
    g_array_set_clear_func(rows, (GDestroyNotify)rw_choice_row_clear);
    bool ok = true;
    for (const rw_param *p = rw_stage_find("colour")->params; ok && p->key; p++) {
        g_autofree char *key = g_strconcat("colour.", p->key, NULL);
        g_autoptr(GError) inner = NULL;
        rw_choice_row row = {g_strdup(scope), NULL, rw_reel_get_choice(other, "reel", key, &inner)};
        row.key = g_steal_pointer(&key);
        g_array_append_val(rows, row);
        ok = !inner && (!row.value || !g_str_equal(p->key, "cube") ||
                        keep_table(reel, other, row.value, &inner));
        if (inner)
            g_propagate_error(error, g_steal_pointer(&inner));
    }
    ok = ok && rw_reel_change_choices(reel, (const rw_choice_row *)(const void *)rows->data,
                                      rows->len, NULL, error);
    rw_reel_close(&other);
    return ok;
}

/* What the stills' numbers mean: a choice of the reel. */
static bool choose_curve(rw_reel *reel, const char *curve, GError **error)
{
    g_autofree char *text = g_strdup(curve);
    if (g_str_has_suffix(curve, ".cube")) {
        char *data;
        gsize bytes;
        g_autoptr(GError) inner = NULL;
        if (!g_file_get_contents(curve, &data, &bytes, &inner)) {
            g_set_error(error, RW_ERROR, RW_ERROR_IO, "%s.", inner->message);
            return false;
        }
        g_free(text);
        text = rw_reel_keep_look(reel, curve, data, bytes, error);
        g_free(data);
        if (!text)
            return false;
    } else if (*curve) {
        float table[256];
        if (!rw_curve_read(curve, 8, table, error))
            return false;
    }
    rw_choice_row row = {(char *)"reel", (char *)"curve", *text ? text : NULL};
    if (!rw_reel_change_choices(reel, &row, 1, NULL, error))
        return false;
    g_autoptr(GBytes) told =
        rw_reel_get_fact(reel, "survey", RW_SURVEY_FACTS_VERSION, "", "colour", NULL);
    if (told)
        g_printerr("Lamp and dyes were told by another curve: run \"reelwright survey %s\" once "
                   "more; nothing is measured again.\n",
                   rw_reel_path(reel));
    return true;
}

static bool list_stage(rw_reel *reel, const char *scope, const rw_stage *stage, GError **error)
{
    bool colour = g_str_equal(stage->name, "colour");
    g_autofree void *params = g_malloc0(stage->params_size);
    rw_params_defaults(stage->params, params);
    for (const rw_param *row = stage->params; row && row->key; row++) {
        g_autoptr(GError) inner = NULL;
        g_autofree char *key = g_strconcat(stage->name, ".", row->key, NULL);
        g_autofree char *own = rw_reel_get_choice(reel, scope, key, &inner);
        g_autofree char *whole =
            own || inner ? NULL : rw_reel_get_choice(reel, "reel", key, &inner);
        g_autofree char *usual = rw_params_get(stage->params, params, row->key);
        const char *value = own ? own : whole ? whole : usual;
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
        g_print("%-16s %-12s %s\n", colour ? row->key : key, *value ? value : "-", row->help);
    }
    return true;
}

/* What steadying makes of a scene with the choices that hold. */
static bool tell_steadying(rw_reel *reel, const char *scope, GError **error)
{
    rw_steady_scene steady;
    int64_t id = g_ascii_strtoll(strchr(scope, ':') + 1, NULL, 10);
    if (!rw_finish_steadying(reel, id, &steady, error))
        return false;
    g_print("steadying        %s\n", steady.reason);
    return true;
}

/* Light and colour first, without the stage's name, then all else that runs unless it is left out.
 */
static bool list(rw_reel *reel, const char *scope, GError **error)
{
    bool ok = list_stage(reel, scope, rw_stage_find("colour"), error);
    for (const rw_stage *const *s = rw_stages(); ok && *s; s++)
        if ((*s)->by_default && !g_str_equal((*s)->name, "colour"))
            ok = list_stage(reel, scope, *s, error);
    return ok && (g_str_equal(scope, "reel") || tell_steadying(reel, scope, error));
}

static bool work(rw_reel *reel, const options *o, GError **error)
{
    g_autofree char *scope = scope_of(reel, o->scene, error);
    if (!scope || (o->from && !copy(reel, scope, o->from, error)) ||
        (o->take && !take(reel, scope, o, error)) || !change(reel, scope, o, error) ||
        (o->curve && !choose_curve(reel, o->curve, error)))
        return false;
    if (o->give) {
        g_autofree char *xml = rw_look_give(reel, error);
        g_autoptr(GError) inner = NULL;
        if (!xml)
            return false;
        if (!g_file_set_contents(o->give, xml, -1, &inner)) {
            g_set_error(error, RW_ERROR, RW_ERROR_IO, "%s.", inner->message);
            return false;
        }
    }
    bool nothing = !o->from && !o->take && !o->give && !o->curve && !o->set && !o->reset;
    return !(o->list || nothing) || list(reel, scope, error);
}

static int run(const rw_command *self, int argc, char **argv)
{
    options o = {0};
    const GOptionEntry entries[] = {
        {"scene", 0, 0, G_OPTION_ARG_INT, &o.scene,
         "Of scene N, counted from 1 (default: the reel)", "N"},
        {"set", 0, 0, G_OPTION_ARG_STRING_ARRAY, &o.set, "Choose; may be repeated", "KEY=VALUE"},
        {"reset", 0, 0, G_OPTION_ARG_STRING_ARRAY, &o.reset, "Take a choice back; may be repeated",
         "KEY"},
        {"from", 0, 0, G_OPTION_ARG_FILENAME, &o.from,
         "Take all choices of light and colour of another reel", "REEL"},
        {"take", 0, 0, G_OPTION_ARG_FILENAME, &o.take,
         "Take in a correction (.cdl, .cc, .ccc) or a lookup table (.cube)", "FILE"},
        {"id", 0, 0, G_OPTION_ARG_STRING, &o.id, "Which correction of the file", "ID"},
        {"give", 0, 0, G_OPTION_ARG_FILENAME, &o.give,
         "Write the corrections of the reel and its scenes", "FILE.ccc"},
        {"curve", 0, 0, G_OPTION_ARG_STRING, &o.curve,
         "What the stills' numbers mean: a name, \"log a b c d e f cut\" or FILE.cube; "
         "\"\": as the file says",
         "CURVE"},
        {"list", 0, 0, G_OPTION_ARG_NONE, &o.list, "Show what holds", NULL},
        G_OPTION_ENTRY_NULL};
    int exit_code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 1, 1, &exit_code))
        return exit_code;
    g_autoptr(GError) error = NULL;
    rw_reel *reel = rw_reel_open(argv[1], &error);
    bool ok = reel && work(reel, &o, &error);
    rw_reel_close(&reel);
    g_free(o.take);
    g_free(o.give);
    g_free(o.id);
    g_free(o.curve);
    g_free(o.from);
    g_strfreev(o.set);
    g_strfreev(o.reset);
    return ok ? 0 : rw_cli_fail(error);
}

const rw_command rw_cmd_look = {
    .name = "look",
    .summary = "How a reel or a scene is to look: choices, looks in and out",
    .arguments = "REEL",
    .details = "Every call is one step that the bench can undo.",
    .run = run,
};
