/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include <reelwright/reel.h>
#include <reelwright/stage.h>
#include <reelwright/survey.h>

#include "bench/catalogue.h"
#include "bench/guard.h"

/* ---- what finish asks beside the stages ---- */

typedef struct film_choices {
    int way_up, missing;
    bool mirror;
    char curve[RW_PARAM_TEXT_BYTES];
} film_choices;

typedef struct crop_choices {
    double x, y, scale;
} crop_choices;

static const char *const ways[] = {"-1", "1", NULL};
static const char *const fills[] = {"hold", "blend", NULL};

static const rw_param film_rows[] = {
    RW_PARAM_WORD_ROW(film_choices, way_up, "Way up", ways, 2, 1,
                      "Which way down is in the picture: along the film as the stills show it, or "
                      "against it."),
    RW_PARAM_SWITCH_ROW(film_choices, mirror, "Mirrored", false,
                        "Left and right change places; for film that lay with its back to the "
                        "camera."),
    RW_PARAM_WORD_ROW(
        film_choices, missing, "Missing frames", fills, 2, 0,
        "What stands in for a frame that no still shows: the one before it once more, "
        "or a blend of its neighbours. Either keeps sound in step."),
    RW_PARAM_TEXT_ROW(film_choices, curve, "Camera curve",
                      "What the stills' numbers mean when the file does not say: srgb, bt709, hlg, "
                      "linear, or log and the seven numbers a b c d e f cut of a published curve."),
    RW_PARAM_END};

static const rw_param crop_rows[] = {
    RW_PARAM_NUMBER_ROW(crop_choices, scale, "Field", "", 0.1, 4, 1,
                        "How much of the film shows: 1 is what a projector shows, less is closer, "
                        "more lets the frame's edges and the perforations in."),
    RW_PARAM_NUMBER_ROW(crop_choices, x, "Across", "mm", -20, 20, 0,
                        "Moves the field across the film, to the right in the picture."),
    RW_PARAM_NUMBER_ROW(crop_choices, y, "Along", "mm", -20, 20, 0,
                        "Moves the field along the film, downwards in the picture."),
    RW_PARAM_END};

typedef struct group {
    const char *name, *title, *help;
    const char *prefix; /* of the keys */
    const rw_param *rows;
    bool scenes;  /* may differ from scene to scene */
    bool preview; /* shows in the picture */
} group;

static const group own_groups[] = {
    {"film", "Film", "How the film lies and runs.", "", film_rows, false, true},
    {"crop", "Field of view", "Which part of the film the movie shows.", "crop.", crop_rows, true,
     true}};

/* ---- writing ---- */

static void write_row(rw_doc *json, const char *prefix, const rw_param *row)
{
    static const char *const kinds[] = {"number", "whole", "switch", "word", "text"};
    g_autofree char *key = g_strconcat(prefix, row->key, NULL);
    rw_doc_open(json, NULL, '{');
    rw_doc_text(json, "key", key);
    rw_doc_text(json, "label", row->label);
    rw_doc_text(json, "unit", row->unit);
    rw_doc_text(json, "kind", kinds[row->kind]);
    rw_doc_number(json, "min", row->min);
    rw_doc_number(json, "max", row->max);
    rw_doc_number(json, "initial", row->initial);
    rw_doc_text(json, "help", row->help);
    if (row->part)
        rw_doc_text(json, "part", row->part);
    if (row->words) {
        rw_doc_open(json, "words", '[');
        for (const char *const *word = row->words; *word; word++)
            rw_doc_text(json, NULL, *word);
        rw_doc_close(json);
    }
    rw_doc_close(json);
}

static void write_group(rw_doc *json, const group *g, bool by_default)
{
    rw_doc_open(json, NULL, '{');
    rw_doc_text(json, "name", g->name);
    rw_doc_text(json, "title", g->title);
    rw_doc_text(json, "help", g->help);
    rw_doc_flag(json, "scenes", g->scenes);
    rw_doc_flag(json, "preview", g->preview);
    rw_doc_flag(json, "usual", by_default);
    rw_doc_open(json, "params", '[');
    for (const rw_param *row = g->rows; row && row->key; row++)
        write_row(json, g->prefix, row);
    rw_doc_close(json);
    rw_doc_close(json);
}

static void write_survey(rw_doc *json)
{
    rw_doc_open(json, NULL, '{');
    rw_doc_text(json, "name", "survey");
    rw_doc_text(json, "title", "What counts as a doubt");
    rw_doc_text(json, "help", "Limits of the survey; they count from the next survey on.");
    rw_doc_flag(json, "scenes", false);
    rw_doc_flag(json, "preview", false);
    rw_doc_flag(json, "usual", true);
    rw_doc_open(json, "params", '[');
    for (const rw_survey_setting *s = rw_survey_settings(); s->key; s++) {
        /* keys are words for people, too: "survey.focus.notice" */
        g_autofree char *label = g_strdelimit(g_strdup(s->key + strlen("survey.")), ".", ' ');
        label[0] = g_ascii_toupper(label[0]);
        const rw_param row = {s->key,          label,    g_str_equal(s->unit, "1") ? "" : s->unit,
                              RW_PARAM_NUMBER, s->least, s->most,
                              s->usual,        0,        NULL,
                              s->help,         NULL};
        write_row(json, "", &row);
    }
    rw_doc_close(json);
    rw_doc_close(json);
}

static group group_of_stage(const rw_stage *stage, char **prefix)
{
    *prefix = g_strconcat(stage->name, ".", NULL);
    return (group){stage->name, stage->title, stage->help, *prefix, stage->params, true, true};
}

void rw_catalogue_write(rw_doc *json, const char *key)
{
    rw_doc_open(json, key, '[');
    for (size_t i = 0; i < G_N_ELEMENTS(own_groups); i++)
        write_group(json, &own_groups[i], true);
    for (const rw_stage *const *stage = rw_stages(); *stage; stage++) {
        if (!(*stage)->by_default) /* only a command line can ask for it */
            continue;
        g_autofree char *prefix = NULL;
        group g = group_of_stage(*stage, &prefix);
        write_group(json, &g, true);
    }
    write_survey(json);
    rw_doc_close(json);
}

/* ---- checking ---- */

/* The row, and whether scenes may differ in it. */
static const rw_param *find_row(const char *key, bool *scenes)
{
    for (size_t i = 0; i < G_N_ELEMENTS(own_groups); i++) {
        const group *g = &own_groups[i];
        const rw_param *row = g_str_has_prefix(key, g->prefix)
                                  ? rw_param_find(g->rows, key + strlen(g->prefix))
                                  : NULL;
        *scenes = g->scenes;
        if (row)
            return row;
    }
    const char *dot = strchr(key, '.');
    g_autofree char *name = dot ? g_strndup(key, (gsize)(dot - key)) : NULL;
    const rw_stage *stage = name ? rw_stage_find(name) : NULL;
    *scenes = true;
    return stage ? rw_param_find(stage->params, dot + 1) : NULL;
}

static bool check_row(const rw_param *row, const char *value, GError **error)
{
    union {
        double number;
        int whole;
        bool flag;
        char text[RW_PARAM_TEXT_BYTES];
    } place = {0};
    rw_param alone[2] = {*row, RW_PARAM_END};
    alone[0].offset = 0;
    return rw_params_set(alone, &place, row->key, value, error);
}

static bool check_survey(const char *key, const char *value, bool *known, GError **error)
{
    for (const rw_survey_setting *s = rw_survey_settings(); s->key; s++) {
        if (!g_str_equal(s->key, key))
            continue;
        *known = true;
        const rw_param row = {s->key,   s->key, s->unit, RW_PARAM_NUMBER, s->least, s->most,
                              s->usual, 0,      NULL,    s->help,         NULL};
        return !value || check_row(&row, value, error);
    }
    return true;
}

static bool is_numbered(const char *scope, const char *prefix)
{
    int64_t number;
    return g_str_has_prefix(scope, prefix) && rw_guard_number(scope + strlen(prefix), &number);
}

static bool wrong_place(const char *scope, const char *key, GError **error)
{
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "There is no choice \"%s\" for \"%s\".", key,
                scope);
    return false;
}

bool rw_catalogue_check(const char *scope, const char *key, const char *value, GError **error)
{
    bool reel = g_str_equal(scope, "reel"), known = false, scenes = false;
    if (is_numbered(scope, "frame:")) {
        rw_affine place;
        if (g_str_equal(key, RW_SPOT_WORDS)) {
            g_autoptr(GArray) words = value ? rw_spot_words_parse(value) : NULL;
            if (words || !value)
                return true;
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "Of spots it is said: \"X Y leave\" or \"X Y repair\", X and Y in mm.");
            return false;
        }
        if (!g_str_equal(key, "registration") || (value && !rw_placement_parse(value, &place)))
            return wrong_place(scope, key, error);
        return true;
    }
    if (!reel && !is_numbered(scope, "scene:"))
        return wrong_place(scope, key, error);
    if (reel && g_str_equal(key, "fps")) {
        rw_rational fps;
        return !value || rw_rational_parse(value, &fps, error);
    }
    if (!check_survey(key, value, &known, error))
        return false;
    const rw_param *row = known ? NULL : find_row(key, &scenes);
    if ((!known && !row) || (!reel && !scenes))
        return wrong_place(scope, key, error);
    return !row || !value || check_row(row, value, error);
}
