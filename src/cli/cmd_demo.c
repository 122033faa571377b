/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/demo.h>

#include "base/cpu.h"
#include "base/progress.h"
#include "cli/cli.h"

typedef struct demo_words {
    char *gauge, *pixels, *truth_pixels, *fps, *framing, *side;
    char **footage, **set, **off;
    gint64 frames, seed, first_frame;
    double reduce, px_per_mm;
    int step, turn, quality, orientation, threads;
    gboolean mirrored, weave, no_movies, terms, markdown;
} demo_words;

static bool read_size(const char *text, int *width, int *height, GError **error)
{
    char *end;
    gint64 w = g_ascii_strtoll(text, &end, 10), h = 0;
    bool ok = end != text && *end == 'x';
    if (ok) {
        const char *second = end + 1;
        h = g_ascii_strtoll(second, &end, 10);
        ok = end != second && *end == '\0';
    }
    if (!ok || w < 1 || h < 1 || w > 100000 || h > 100000) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "\"%s\" is not a size; write 1500x1000.",
                    text);
        return false;
    }
    *width = (int)w;
    *height = (int)h;
    return true;
}

static bool read_framing(const char *text, rw_demo_framing *framing, GError **error)
{
    static const char *const names[] = {"perforation", "gate", "picture"};
    for (size_t i = 0; i < G_N_ELEMENTS(names); i++)
        if (g_str_equal(text, names[i])) {
            *framing = (rw_demo_framing)i;
            return true;
        }
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                "The framing is perforation, gate or picture, not \"%s\".", text);
    return false;
}

/* The side on which the perforations lie in a still whose film runs up or down is the turn in
 * other words. */
static bool read_side(const char *side, bool turn_given, rw_demo_options *o, GError **error)
{
    bool left = g_str_equal(side, "left");
    int turn = left == !o->mirrored ? 0 : 180;
    if (!left && !g_str_equal(side, "right")) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "The side is left or right, not \"%s\".",
                    side);
        return false;
    }
    if (turn_given && turn != o->turn) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "--side %s means --turn %d%s; give one of the two.", side, turn,
                    o->mirrored ? " when mirrored" : "");
        return false;
    }
    o->turn = turn;
    return true;
}

static bool read_words(const demo_words *w, rw_demo_options *o, GError **error)
{
    o->frames = w->frames;
    o->seed = (uint64_t)w->seed;
    o->footage = g_strdupv(w->footage);
    o->first_frame = w->first_frame;
    o->footage_reduce = w->reduce;
    o->footage_step = w->step;
    o->px_per_mm = w->px_per_mm;
    o->turn = w->turn < 0 ? 0 : w->turn;
    o->mirrored = w->mirrored;
    o->quality = w->quality;
    o->orientation = w->orientation;
    o->truth_camera_weave = w->weave;
    o->truth_movies = !w->no_movies;
    if ((w->pixels && !read_size(w->pixels, &o->width, &o->height, error)) ||
        (w->truth_pixels &&
         !read_size(w->truth_pixels, &o->truth_width, &o->truth_height, error)) ||
        (w->fps && !rw_rational_parse(w->fps, &o->fps, error)) ||
        (w->framing && !read_framing(w->framing, &o->framing, error)) ||
        (w->side && !read_side(w->side, w->turn >= 0, o, error)))
        return false;
    for (char **s = w->set; s && *s; s++)
        if (!rw_demo_options_set(o, *s, error))
            return false;
    for (char **s = w->off; s && *s; s++)
        if (!rw_demo_options_off(o, *s, error))
            return false;
    return true;
}

/* Nothing is shown before the first frame is done: a refusal stands alone. */
typedef struct shown {
    rw_progress *progress;
    int64_t total;
} shown;

static void show_progress(int64_t done, void *user)
{
    shown *s = user;
    if (!s->progress)
        s->progress = rw_progress_new("demo", "film frames", s->total);
    rw_progress_step(s->progress, done);
}

static bool make(const demo_words *w, const char *folder, GError **error)
{
    const rw_gauge *gauge = rw_gauge_find(w->gauge ? w->gauge : "super8");
    if (!gauge) {
        g_autoptr(GString) names = g_string_new(NULL);
        for (const rw_gauge *const *g = rw_gauge_all(); *g; g++)
            g_string_append_printf(names, "%s%s", names->len ? ", " : "", (*g)->name);
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "There is no gauge \"%s\"; there are %s.",
                    w->gauge, names->str);
        return false;
    }
    rw_demo_options *options = rw_demo_options_new(gauge);
    rw_demo *demo = read_words(w, options, error) ? rw_demo_new(options, error) : NULL;
    bool ok = demo != NULL;
    if (ok) {
        shown s = {.total = options->frames};
        ok = rw_demo_write(demo, folder, w->threads > 0 ? w->threads : rw_cpu_count(),
                           rw_cli_cancelled(), show_progress, &s, error);
        if (s.progress)
            rw_progress_free(&s.progress);
    }
    if (ok)
        g_print("%s: %" G_GINT64_FORMAT " stills of %" G_GINT64_FORMAT
                " film frames in card, the truth in truth.\n",
                folder, rw_demo_count_stills(demo), options->frames);
    rw_demo_free(&demo);
    rw_demo_options_free(&options);
    return ok;
}

static void free_words(demo_words *w)
{
    g_free(w->gauge);
    g_free(w->pixels);
    g_free(w->truth_pixels);
    g_free(w->fps);
    g_free(w->framing);
    g_free(w->side);
    g_strfreev(w->footage);
    g_strfreev(w->set);
    g_strfreev(w->off);
}

static int run(const rw_command *self, int argc, char **argv)
{
    demo_words w = {.frames = 96,
                    .seed = 1,
                    .reduce = 1,
                    .step = 1,
                    .turn = -1,
                    .quality = 92,
                    .orientation = 1};
    const GOptionEntry entries[] = {
        {"gauge", 0, 0, G_OPTION_ARG_STRING, &w.gauge, "super8 (default) or regular8", "G"},
        {"frames", 0, 0, G_OPTION_ARG_INT64, &w.frames, "Frames on the film (96)", "N"},
        {"seed", 0, 0, G_OPTION_ARG_INT64, &w.seed, "Another seed, another reel (1)", "S"},
        {"footage", 0, 0, G_OPTION_ARG_FILENAME_ARRAY, &w.footage,
         "A movie to put on the film; again for more, each gets an equal share", "FILE"},
        {"first-frame", 0, 0, G_OPTION_ARG_INT64, &w.first_frame, "Of the footage (0)", "N"},
        {"footage-reduce", 0, 0, G_OPTION_ARG_DOUBLE, &w.reduce,
         "Reduce the footage by this factor first (1)", "R"},
        {"footage-step", 0, 0, G_OPTION_ARG_INT, &w.step, "Take every Nth frame of it (1)", "N"},
        {"fps", 0, 0, G_OPTION_ARG_STRING, &w.fps, "Speed of the film (the gauge's usual one)",
         "F"},
        {"pixels", 0, 0, G_OPTION_ARG_STRING, &w.pixels, "Size of the stills (1500x1000)", "WxH"},
        {"px-per-mm", 0, 0, G_OPTION_ARG_DOUBLE, &w.px_per_mm,
         "Scale; default: a field of 7.2 x 4.8 mm", "S"},
        {"framing", 0, 0, G_OPTION_ARG_STRING, &w.framing,
         "perforation (default), gate (its edges only) or picture (fills the still)", "WHAT"},
        {"side", 0, 0, G_OPTION_ARG_STRING, &w.side, "Perforations left or right in the still",
         "SIDE"},
        {"turn", 0, 0, G_OPTION_ARG_INT, &w.turn,
         "Turn the upright picture clockwise by 0, 90, 180 or 270", "DEGREES"},
        {"mirrored", 0, 0, G_OPTION_ARG_NONE, &w.mirrored, "Photographed through the back", NULL},
        {"quality", 0, 0, G_OPTION_ARG_INT, &w.quality, "JPEG quality (92)", "Q"},
        {"orientation", 0, 0, G_OPTION_ARG_INT, &w.orientation, "Exif Orientation (1)", "1-8"},
        {"truth-size", 0, 0, G_OPTION_ARG_STRING, &w.truth_pixels,
         "Size of the truth movies (1440x1080)", "WxH"},
        {"truth-weave", 0, 0, G_OPTION_ARG_NONE, &w.weave,
         "Also the clean movie with the original camera's weave", NULL},
        {"no-movies", 0, 0, G_OPTION_ARG_NONE, &w.no_movies, "Only truth.json, for long reels",
         NULL},
        {"set", 0, 0, G_OPTION_ARG_STRING_ARRAY, &w.set,
         "A number of the model, such as missing.at=40; again for more", "TERM.PARAMETER=VALUE"},
        {"no", 0, 0, G_OPTION_ARG_STRING_ARRAY, &w.off,
         "Switch off a term, or \"faults\", or \"all\"; again for more", "TERM"},
        {"help-terms", 0, 0, G_OPTION_ARG_NONE, &w.terms, "List terms and parameters", NULL},
        {"markdown", 0, G_OPTION_FLAG_HIDDEN, G_OPTION_ARG_NONE, &w.markdown, NULL, NULL},
        {"threads", 0, 0, G_OPTION_ARG_INT, &w.threads, "Workers (as many as cores)", "N"},
        G_OPTION_ENTRY_NULL};
    int code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 0, 1, &code)) {
        free_words(&w);
        return code;
    }
    g_autoptr(GError) error = NULL;
    if (w.terms) {
        g_autofree char *help = rw_demo_terms_help(w.markdown);
        g_print("%s", help);
        code = 0;
    } else if (argc < 2) {
        code = rw_cli_usage(self, "Give %s.", self->arguments);
    } else {
        code = make(&w, argv[1], &error) ? 0 : rw_cli_fail(error);
    }
    free_words(&w);
    return code;
}

extern const rw_command rw_cmd_demo;
const rw_command rw_cmd_demo = {
    "demo", "Make a camera card of a made-up reel, with its ground truth", "DIR",
    "The card goes to DIR/card, the truth to DIR/truth. Same options, same bytes.\n", run};
