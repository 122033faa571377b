/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reelwright finish: from a surveyed reel to a movie. All that is decided stands in finish.h; this
 * file reads options, shows progress and says what was made.
 */
#include <reelwright/deliver.h>
#include <reelwright/finish.h>

#include "cli/cli.h"
#include "cli/tell.h"

/* The words of the command line; NULL where an option is absent. */
typedef struct words {
    char *output, *size, *cadence, *codec, *sound, *trace, *mask, *only, *skip, *missing, *way_up;
    char **set;
    gint64 from, to, memory;
    int quality, threads;
    gboolean mirror;
} words;

static void words_clear(words *w)
{
    char *each[] = {w->output, w->size, w->cadence, w->codec,   w->sound, w->trace,
                    w->mask,   w->only, w->skip,    w->missing, w->way_up};
    for (size_t i = 0; i < G_N_ELEMENTS(each); i++)
        g_free(each[i]);
    g_strfreev(w->set);
}

static int index_of(const char *const *list, const char *word)
{
    for (int i = 0; list[i]; i++)
        if (g_str_equal(list[i], word))
            return i;
    return -1;
}

static bool read_choices(const words *w, rw_finish_options *o, GError **error)
{
    static const char *const missing[] = {"hold", "blend", NULL};
    static const char *const way_up[] = {"normal", "turned", NULL};
    int m = w->missing ? index_of(missing, w->missing) : 0;
    int u = w->way_up ? index_of(way_up, w->way_up) : 0;
    if (m < 0 || u < 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "--%s takes %s.", m < 0 ? "missing" : "way-up",
                    m < 0 ? "hold or blend" : "normal or turned");
        return false;
    }
    if (w->missing)
        o->missing = m ? RW_FINISH_BLEND : RW_FINISH_HOLD;
    if (w->way_up)
        o->way_up = u ? -1 : 1;
    if (w->mirror)
        o->mirror = 1;
    return true;
}

static bool read_numbers(const words *w, rw_finish_options *o, GError **error)
{
    const char *fault = NULL;
    if (w->from < -1 || w->to < -1 || (w->to >= 0 && w->from > w->to))
        fault = "--from and --to are film frames, counted from 0, the first not after the last.";
    else if (w->threads < 0 || w->threads > 1024)
        fault = "--threads takes a number from 1 to 1024.";
    else if (w->quality < -1)
        fault = "--quality takes a number of the codec's scale.";
    else if (w->memory < 0 || w->memory > (INT64_C(1) << 24))
        fault = "--memory takes a number of MiB.";
    if (fault) {
        g_set_error_literal(error, RW_ERROR, RW_ERROR_USAGE, fault);
        return false;
    }
    o->from = w->from;
    o->to = w->to;
    o->threads = w->threads;
    o->quality = w->quality;
    o->memory = (size_t)w->memory << 20;
    return true;
}

static char **split(const char *list)
{
    return list ? g_strsplit(list, ",", -1) : NULL;
}

static void say_report(const char *output, const rw_finish_report *r)
{
    g_autofree char *rate = rw_rational_format(r->rate);
    g_print("%s: %" G_GINT64_FORMAT " frames of %dx%d at %s a second", output ? output : "null",
            r->written, r->width, r->height, rate);
    if (r->held > 0)
        g_print(", %" G_GINT64_FORMAT " of them in place of one that is missing or unreadable",
                r->held);
    g_print("\n");
}

static bool make_movie(const char *path, rw_finish_options *o, GError **error)
{
    rw_finish_report report;
    rw_reel *reel = rw_reel_open(path, error);
    bool ok = reel && rw_tell_movie(reel, o, "finish", &report, error);
    if (ok)
        say_report(o->output, &report);
    rw_reel_close(&reel);
    return ok;
}

static int run_finish(const char *reel, const words *w)
{
    g_autoptr(GError) error = NULL;
    g_auto(GStrv) only = split(w->only);
    g_auto(GStrv) skip = split(w->skip);
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.output = w->output;
    o.codec = w->codec;
    o.sound = w->sound;
    o.trace = w->trace;
    o.mask = w->mask;
    o.only = (const char *const *)only;
    o.skip = (const char *const *)skip;
    o.settings = (const char *const *)w->set;
    if (w->size)
        o.size = w->size;
    if (w->cadence)
        o.cadence = w->cadence;
    bool ok =
        read_numbers(w, &o, &error) && read_choices(w, &o, &error) && make_movie(reel, &o, &error);
    return ok ? 0 : rw_cli_fail(error);
}

static int run(const rw_command *self, int argc, char **argv)
{
    words w = {.from = -1, .to = -1, .quality = -1};
    const GOptionEntry entries[] = {
        {"output", 'o', 0, G_OPTION_ARG_FILENAME, &w.output, "The movie to make", "FILE"},
        {"size", 0, 0, G_OPTION_ARG_STRING, &w.size,
         "hd (1440x1080, default), uhd (2880x2160), native or WxH", "SIZE"},
        {"cadence", 0, 0, G_OPTION_ARG_STRING, &w.cadence,
         "native (default), 24, 25, 29.97, 30, 50, 59.94 or 60 frames a second", "RATE"},
        {"codec", 0, 0, G_OPTION_ARG_STRING, &w.codec,
         "h264, h265, prores, ffv1, null or framemd5 (default: by FILE's extension)", "CODEC"},
        {"quality", 0, 0, G_OPTION_ARG_INT, &w.quality,
         "h264: 1 best to 51, default 17; h265: 0 to 51, default 18", "N"},
        {"only", 0, 0, G_OPTION_ARG_STRING, &w.only, "Run these stages and no others", "STAGE,..."},
        {"skip", 0, 0, G_OPTION_ARG_STRING, &w.skip, "Leave these stages out", "STAGE,..."},
        {"set", 0, 0, G_OPTION_ARG_STRING_ARRAY, &w.set,
         "Set a stage's parameter for this run; may be repeated", "STAGE.KEY=VALUE"},
        {"from", 0, 0, G_OPTION_ARG_INT64, &w.from, "First film frame (default: the reel's)", "N"},
        {"to", 0, 0, G_OPTION_ARG_INT64, &w.to, "Last film frame (default: the reel's)", "N"},
        {"missing", 0, 0, G_OPTION_ARG_STRING, &w.missing,
         "What fills a missing frame: hold (default) or blend", "HOW"},
        {"way-up", 0, 0, G_OPTION_ARG_STRING, &w.way_up,
         "normal: down the still is down; turned: up is (default: as surveyed)", "HOW"},
        {"mirror", 0, 0, G_OPTION_ARG_NONE, &w.mirror, "Mirror the picture left to right", NULL},
        {"sound", 0, 0, G_OPTION_ARG_FILENAME, &w.sound, "A sound file to go with it", "FILE"},
        {"trace", 0, 0, G_OPTION_ARG_FILENAME, &w.trace,
         "Write what was done to each frame, one JSON object a line", "FILE"},
        {"mask", 0, 0, G_OPTION_ARG_FILENAME, &w.mask,
         "A second movie: red where dirt was repaired, green scratches, blue hairs", "FILE"},
        {"threads", 0, 0, G_OPTION_ARG_INT, &w.threads, "Workers (default: one per core)", "N"},
        {"memory", 0, 0, G_OPTION_ARG_INT64, &w.memory,
         "MiB for pictures (default: half of what is free)", "N"},
        G_OPTION_ENTRY_NULL};
    int code;
    if (rw_cli_parse(self, entries, &argc, &argv, 1, 1, &code))
        code = run_finish(argv[1], &w);
    words_clear(&w);
    return code;
}

const rw_command rw_cmd_finish = {
    .name = "finish",
    .summary = "Make a movie from a surveyed reel",
    .arguments = "REEL",
    .details =
        "The movie appears whole or not at all. Stages are register, steady, flicker, blemish,\n"
        "grain, colour and sharpen. Any frame is the same alone as in a whole run.\n",
    .run = run,
};
