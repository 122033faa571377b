/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <unistd.h>

#include <reelwright/survey.h>

#include "cli/cli.h"

typedef struct screen {
    bool json, terminal, drawn;
    int64_t told_us; /* when the last plain line of progress was printed */
} screen;

static void clear_line(screen *s)
{
    if (s->drawn)
        g_print("\r\033[K");
    s->drawn = false;
}

static char *quoted(const char *text)
{
    GString *out = g_string_new("\"");
    for (const char *p = text; *p; p++) {
        unsigned char c = (unsigned char)*p;
        if (c == '"' || c == '\\')
            g_string_append_printf(out, "\\%c", c);
        else if (c < 0x20)
            g_string_append_printf(out, "\\u%04x", c);
        else
            g_string_append_c(out, *p);
    }
    g_string_append_c(out, '"');
    return g_string_free(out, FALSE);
}

static void print_json(const rw_watch_event *e)
{
    static const char *const types[] = {"still", "warning", "refused"};
    g_autofree char *path = e->path ? quoted(e->path) : g_strdup("null");
    g_print("{\"type\":\"%s\",\"n\":%" G_GINT64_FORMAT ",\"still\":%s", types[e->type], e->n, path);
    if (e->type == RW_WATCH_WARNING) {
        g_autofree char *advice = quoted(e->advice);
        g_print(",\"kind\":\"%s\",\"first\":%" G_GINT64_FORMAT
                ",\"confidence\":%.3f,\"advice\":%s,\"evidence\":{%s}",
                e->kind, e->first, e->confidence, advice, e->detail ? e->detail : "");
    } else if (e->type == RW_WATCH_REFUSED) {
        g_autofree char *why = quoted(e->detail);
        g_print(",\"why\":%s", why);
    }
    g_print(",\"footage_m\":%.4f,\"stills_per_s\":%.2f", e->footage_mm / 1000, e->stills_per_s);
    if (isnan(e->seconds_left))
        g_print(",\"seconds_left\":null");
    else
        g_print(",\"seconds_left\":%.0f", e->seconds_left);
    g_print(",\"free_bytes\":%" G_GINT64_FORMAT ",\"stills_left\":%" G_GINT64_FORMAT "}\n",
            e->free_bytes, e->stills_left);
}

static void print_progress(screen *s, const rw_watch_event *e)
{
    int64_t now = g_get_monotonic_time();
    if (!s->terminal && e->n > 0 && now - s->told_us < 10 * G_USEC_PER_SEC)
        return;
    s->told_us = now;
    if (s->terminal)
        g_print("\r");
    double feet = e->footage_mm / 304.8;
    g_print("%" G_GINT64_FORMAT " stills, %.2f m (%.0f ft %.0f in) of film", e->n + 1,
            e->footage_mm / 1000, floor(feet), floor((feet - floor(feet)) * 12));
    if (e->stills_per_s > 0)
        g_print(", %.1f a second", e->stills_per_s);
    if (!isnan(e->seconds_left)) {
        int64_t left = (int64_t)(e->seconds_left + 0.5);
        g_print(", %" G_GINT64_FORMAT ":%02" G_GINT64_FORMAT ":%02" G_GINT64_FORMAT " left",
                left / 3600, left / 60 % 60, left % 60);
    }
    if (e->stills_left >= 0)
        g_print(", room for %" G_GINT64_FORMAT " more", e->stills_left);
    g_print("%s", s->terminal ? "\033[K" : "\n");
    s->drawn = s->terminal;
}

static void on_event(const rw_watch_event *e, void *user)
{
    screen *s = user;
    if (s->json) {
        print_json(e);
    } else if (e->type == RW_WATCH_STILL) {
        print_progress(s, e);
    } else {
        clear_line(s);
        if (s->terminal)
            g_print("\a");
        if (e->type == RW_WATCH_REFUSED) {
            g_print("REFUSED  %s: %s\n", e->path, e->detail);
        } else {
            g_autofree char *name = e->path ? g_path_get_basename(e->path) : NULL;
            g_print("WARNING  %s from still %" G_GINT64_FORMAT "%s%s%s: %s\n", e->kind,
                    e->first + 1, name ? " (" : "", name ? name : "", name ? ")" : "", e->advice);
        }
    }
    fflush(stdout);
}

static int run(const rw_command *self, int argc, char **argv)
{
    g_autofree char *gauge = NULL;
    double feet = 0, metres = 0, idle = 0;
    int threads = 0;
    gboolean json = FALSE;
    const GOptionEntry entries[] = {
        {"gauge", 'g', 0, G_OPTION_ARG_STRING, &gauge, "super8 (default) or regular8", "G"},
        {"reel-feet", 0, 0, G_OPTION_ARG_DOUBLE, &feet, "Length of the film, for the time left",
         "N"},
        {"reel-metres", 0, 0, G_OPTION_ARG_DOUBLE, &metres, "The same in metres", "N"},
        {"idle", 0, 0, G_OPTION_ARG_DOUBLE, &idle, "End when nothing came for so long", "SECONDS"},
        {"threads", 't', 0, G_OPTION_ARG_INT, &threads, "Workers (default: one for each core)",
         "N"},
        {"json", 0, 0, G_OPTION_ARG_NONE, &json, "One JSON object a line", NULL},
        G_OPTION_ENTRY_NULL};
    int exit_code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 1, 1, &exit_code))
        return exit_code;
    const rw_gauge *g = rw_gauge_find(gauge ? gauge : "super8");
    if (!g)
        return rw_cli_usage(self, "There is no gauge \"%s\".", gauge);
    if (!(feet >= 0 && metres >= 0 && idle >= 0) || threads < 0 || threads > 256)
        return rw_cli_usage(self, "Lengths, times and numbers of threads are not negative.");
    screen s = {.json = json, .terminal = !json && isatty(STDOUT_FILENO)};
    rw_watch_options options = {.gauge = g,
                                .reel_mm = metres > 0 ? metres * 1000 : feet * 304.8,
                                .idle_s = idle,
                                .threads = threads,
                                .cancel = rw_cli_cancelled(),
                                .event = on_event,
                                .user = &s};
    g_autoptr(GError) error = NULL;
    bool ok = rw_watch_run(argv[1], &options, &error);
    if (s.drawn)
        g_print("\n");
    return ok ? 0 : rw_cli_fail(error);
}

const rw_command rw_cmd_watch = {
    .name = "watch",
    .summary = "Follow a transfer while it runs and warn at once",
    .arguments = "DIR",
    .details = "DIR is the folder that the camera or the card reader writes to; folders made in it "
               "later\nare followed, too. Ends with Ctrl-C.",
    .run = run,
};
