/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <unistd.h>

#include "base/progress.h"

struct rw_progress {
    char *what, *units;
    int64_t total, done, first;
    bool started, terminal, drawn;
    bool lines; /* for a program that reads along */
    int64_t start_us, shown_us;
};

rw_progress *rw_progress_new(const char *what, const char *units, int64_t total)
{
    rw_progress *p = g_new0(rw_progress, 1);
    p->what = g_strdup(what);
    p->units = g_strdup(units);
    p->total = total;
    p->terminal = isatty(STDERR_FILENO) != 0;
    p->lines = g_strcmp0(g_getenv("REELWRIGHT_PROGRESS"), "lines") == 0;
    p->start_us = p->shown_us = g_get_monotonic_time();
    return p;
}

void rw_progress_format_time(char out[RW_TIME_TEXT], double seconds)
{
    int64_t s = (int64_t)(seconds + 0.5);
    if (s >= 3600)
        g_snprintf(out, RW_TIME_TEXT, "%" G_GINT64_FORMAT " h %02" G_GINT64_FORMAT " min", s / 3600,
                   s / 60 % 60);
    else
        g_snprintf(out, RW_TIME_TEXT, "%" G_GINT64_FORMAT ":%02" G_GINT64_FORMAT, s / 60, s % 60);
}

static void show(rw_progress *p, bool last)
{
    if (p->lines) {
        fprintf(stderr, "progress: %s %" G_GINT64_FORMAT " %" G_GINT64_FORMAT " %s\n", p->what,
                p->done, p->total, p->units);
        fflush(stderr);
        return;
    }
    double elapsed = (double)(g_get_monotonic_time() - p->start_us) * 1e-6;
    double rate = elapsed > 0 ? (double)(p->done - p->first) / elapsed : 0;
    char time[RW_TIME_TEXT];
    rw_progress_format_time(time,
                            last || rate <= 0 ? elapsed : (double)(p->total - p->done) / rate);
    const char *end = p->terminal && !last ? "" : "\n";
    fprintf(stderr,
            "%s%s: %" G_GINT64_FORMAT " of %" G_GINT64_FORMAT " %s, %.1f a second, %s%s%s%s",
            p->terminal ? "\r" : "", p->what, p->done, p->total, p->units, rate,
            last ? "took " : "", time, last ? "" : " left", p->terminal ? "\033[K" : "");
    fputs(end, stderr);
    fflush(stderr);
    p->drawn = p->terminal && !last;
}

void rw_progress_step(rw_progress *p, int64_t done)
{
    if (!p->started) { /* what was done before this run does not count in the rate */
        p->started = true;
        p->first = MAX(done - 1, 0);
    }
    p->done = done;
    int64_t now = g_get_monotonic_time();
    if (now - p->shown_us < (p->terminal || p->lines ? 250000 : 10000000))
        return;
    p->shown_us = now;
    show(p, false);
}

void rw_progress_interrupt(rw_progress *p)
{
    if (p->drawn)
        fputs("\r\033[K", stderr);
    p->drawn = false;
}

void rw_progress_free(rw_progress **progress)
{
    rw_progress *p = *progress;
    if (!p)
        return;
    show(p, true);
    g_free(p->what);
    g_free(p->units);
    g_clear_pointer(progress, g_free);
}

/* ---- reading along ---- */

void rw_progress_line_clear(rw_progress_line *line)
{
    g_free(line->what);
    g_free(line->units);
    *line = (rw_progress_line){0};
}

bool rw_progress_read(const char *line, rw_progress_line *to)
{
    if (!g_str_has_prefix(line, "progress: "))
        return false;
    g_auto(GStrv) words = g_strsplit(line, " ", 5);
    if (g_strv_length(words) < 5)
        return false;
    rw_progress_line_clear(to);
    *to = (rw_progress_line){.what = g_strdup(words[1]),
                             .units = g_strdup(words[4]),
                             .done = g_ascii_strtoll(words[2], NULL, 10),
                             .total = g_ascii_strtoll(words[3], NULL, 10)};
    return true;
}
