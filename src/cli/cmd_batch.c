/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reelwright batch: every reel of a shelf, step by step. The commands that a person would type do
 * the work, as processes of their own: a fault in one ends one step of one reel, and what a stopped
 * one has done is kept. What is to be done stands in batch_steps.h; this file runs and tells.
 */
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include <reelwright/deliver.h>

#include "base/child.h"
#include "base/cpu.h"
#include "base/progress.h"
#include "cli/batch_steps.h"
#include "cli/cli.h"
#include "cli/tell.h"

typedef enum outcome { WAITING, RUNNING, DONE, KEPT, FAILED, STOPPED } outcome;

static const char *const outcome_words[] = {"waiting", "running", "done",
                                            "kept",    "failed",  "stopped"};

/* One reel; its worker and the teller share it under the batch's lock. */
typedef struct reel_work {
    const char *name;
    outcome state[RW_BATCH_STEPS];
    double seconds[RW_BATCH_STEPS];
    char *message; /* of the step that failed */
    int64_t redo;  /* findings that ask for new stills; -1 unknown */
    /* of the step that runs: */
    GSubprocess *process;
    rw_progress_line progress;
    int64_t part_us; /* when this count began */
} reel_work;

typedef struct batch {
    rw_batch_plan plan;
    rw_batch_step until;
    char *program;
    GMutex lock;
    reel_work *reels;
    int count, next, open; /* open: workers at work */
    bool json, terminal, drawn, stopped;
} batch;

/* ---- telling ---- */

/* With the lock held, as all that follows here. */
static void clear_line(batch *b)
{
    if (b->drawn)
        fputs("\r\033[K", stderr);
    b->drawn = false;
}

static void tell_step(batch *b, const reel_work *w, rw_batch_step step)
{
    char time[RW_TIME_TEXT];
    rw_progress_format_time(time, w->seconds[step]);
    clear_line(b);
    FILE *to = b->json ? stderr : stdout;
    fprintf(to, "%s: %s %s", w->name, rw_batch_step_name(step), outcome_words[w->state[step]]);
    if (w->state[step] == DONE)
        fprintf(to, ", %s", time);
    if (step == RW_BATCH_SURVEY && w->redo > 0)
        fprintf(to, "; %" G_GINT64_FORMAT " of its findings ask for new stills", w->redo);
    if (w->state[step] == FAILED)
        fprintf(to, ": %s", w->message);
    fputc('\n', to);
    fflush(to);
}

static int running_step(const reel_work *w)
{
    for (int i = 0; i < RW_BATCH_STEPS; i++)
        if (w->state[i] == RUNNING)
            return i;
    return -1;
}

/* "regatta: finish, 512 of 3600 frames, 12.3 a second, 4:10 left" */
static void add_status(GString *text, const reel_work *w, int step)
{
    double elapsed = (double)(g_get_monotonic_time() - w->part_us) * 1e-6;
    double rate = elapsed > 0 ? (double)w->progress.done / elapsed : 0;
    char time[RW_TIME_TEXT];
    g_string_append_printf(text, "%s%s: %s", text->len ? "; " : "", w->name,
                           rw_batch_step_name((rw_batch_step)step));
    if (w->progress.total <= 0 || rate <= 0)
        return;
    rw_progress_format_time(time, (double)(w->progress.total - w->progress.done) / rate);
    g_string_append_printf(
        text, ", %" G_GINT64_FORMAT " of %" G_GINT64_FORMAT " %s, %.1f a second, %s left",
        w->progress.done, w->progress.total, w->progress.units, rate, time);
}

static void tell_status(batch *b)
{
    g_autoptr(GString) text = g_string_new(NULL);
    for (int i = 0; i < b->count; i++) {
        int step = running_step(&b->reels[i]);
        if (step >= 0)
            add_status(text, &b->reels[i], step);
    }
    if (!text->len)
        return;
    if (b->terminal) {
        fprintf(stderr, "\r%.200s\033[K", text->str);
        b->drawn = true;
    } else {
        fprintf(stderr, "%s\n", text->str);
    }
    fflush(stderr);
}

/* ---- one step of one reel, on a worker ---- */

/* How far it is, or something to keep in case that it fails. */
static void take_line(batch *b, reel_work *w, const char *line)
{
    g_mutex_lock(&b->lock);
    g_autofree char *before = g_strdup(w->progress.what);
    if (rw_progress_read(line, &w->progress)) {
        if (g_strcmp0(before, w->progress.what) != 0)
            w->part_us = g_get_monotonic_time();
    } else if (*line) {
        g_free(w->message);
        w->message = g_utf8_make_valid(
            g_str_has_prefix(line, "reelwright: ") ? line + strlen("reelwright: ") : line, -1);
    }
    g_mutex_unlock(&b->lock);
}

/* The exit code; -1 when it ended by a signal. */
static int follow(batch *b, reel_work *w, GSubprocess *process)
{
    g_autoptr(GDataInputStream) lines =
        g_data_input_stream_new(g_subprocess_get_stderr_pipe(process));
    for (;;) {
        g_autofree char *line = g_data_input_stream_read_line(lines, NULL, NULL, NULL);
        if (!line)
            break;
        take_line(b, w, line);
    }
    bool waited = g_subprocess_wait(process, NULL, NULL);
    return waited && g_subprocess_get_if_exited(process) ? g_subprocess_get_exit_status(process)
                                                         : -1;
}

static outcome run_words(batch *b, reel_work *w, rw_batch_step step, char **words, GError **error)
{
    g_autoptr(GSubprocess) process = rw_child_start(
        b->program, (const char *const *)words,
        G_SUBPROCESS_FLAGS_STDOUT_SILENCE | G_SUBPROCESS_FLAGS_STDERR_PIPE, 0, error);
    if (!process)
        return FAILED;
    g_mutex_lock(&b->lock);
    w->process = process;
    rw_progress_line_clear(&w->progress);
    if (b->stopped)
        g_subprocess_send_signal(process, SIGTERM);
    g_mutex_unlock(&b->lock);
    int code = follow(b, w, process);
    g_mutex_lock(&b->lock);
    w->process = NULL;
    bool stopped = b->stopped;
    g_mutex_unlock(&b->lock);
    if (code != 0)
        return stopped ? STOPPED : FAILED;
    return rw_batch_settle(&b->plan, w->name, step, error) ? DONE : FAILED;
}

static void end_step(batch *b, reel_work *w, rw_batch_step step, outcome end, gint64 begun,
                     const GError *error)
{
    int64_t redo =
        step == RW_BATCH_SURVEY && end <= KEPT ? rw_batch_redo(&b->plan, w->name, NULL) : -1;
    g_mutex_lock(&b->lock);
    w->state[step] = end;
    w->seconds[step] = (double)(g_get_monotonic_time() - begun) * 1e-6;
    if (step == RW_BATCH_SURVEY)
        w->redo = redo;
    if (error) {
        g_free(w->message);
        w->message = g_strdup(error->message);
    } else if (end == FAILED && !w->message) {
        w->message = g_strdup("it ended without a word, as if killed; run the batch again.");
    }
    tell_step(b, w, step);
    g_mutex_unlock(&b->lock);
}

/* False when the reel's later steps make no sense. */
static bool do_step(batch *b, reel_work *w, rw_batch_step step)
{
    gint64 begun = g_get_monotonic_time();
    g_autoptr(GError) error = NULL;
    outcome end = KEPT;
    g_mutex_lock(&b->lock);
    w->state[step] = RUNNING;
    w->part_us = begun;
    g_clear_pointer(&w->message, g_free);
    g_mutex_unlock(&b->lock);
    g_auto(GStrv) words = rw_batch_words(&b->plan, w->name, step, &error);
    if (words)
        end = run_words(b, w, step, words, &error);
    else if (error)
        end = FAILED;
    end_step(b, w, step, end, begun, error);
    return end == DONE || end == KEPT;
}

static reel_work *take_reel(batch *b)
{
    g_mutex_lock(&b->lock);
    reel_work *w = b->next < b->count && !b->stopped ? &b->reels[b->next++] : NULL;
    g_mutex_unlock(&b->lock);
    return w;
}

static bool was_stopped(batch *b)
{
    g_mutex_lock(&b->lock);
    bool stopped = b->stopped;
    g_mutex_unlock(&b->lock);
    return stopped;
}

static gpointer worker(gpointer data)
{
    batch *b = data;
    reel_work *w;
    while ((w = take_reel(b)))
        for (int step = 0; step <= (int)b->until && !was_stopped(b); step++)
            if (!do_step(b, w, (rw_batch_step)step))
                break;
    g_mutex_lock(&b->lock);
    b->open--;
    g_mutex_unlock(&b->lock);
    return NULL;
}

/* ---- the whole ---- */

static void stop_all(batch *b)
{
    b->stopped = true;
    for (int i = 0; i < b->count; i++)
        if (b->reels[i].process)
            g_subprocess_send_signal(b->reels[i].process, SIGTERM);
}

/* Tells how far it is until the last worker has gone. */
static void attend(batch *b)
{
    enum { TICK_US = 250000, PIPED_TICKS = 40 };
    for (int tick = 1;; tick++) {
        g_mutex_lock(&b->lock);
        bool over = b->open == 0;
        if (!over && !b->stopped && atomic_load(rw_cli_cancelled()))
            stop_all(b);
        if (!over && (b->terminal || tick % PIPED_TICKS == 0))
            tell_status(b);
        if (over)
            clear_line(b);
        g_mutex_unlock(&b->lock);
        if (over)
            return;
        g_usleep(TICK_US);
    }
}

static void run_all(batch *b, int workers)
{
    g_autoptr(GPtrArray) threads = g_ptr_array_new();
    b->open = workers;
    for (int i = 0; i < workers; i++)
        g_ptr_array_add(threads, g_thread_new("rw-batch", worker, b));
    attend(b);
    for (guint i = 0; i < threads->len; i++)
        g_thread_join(g_ptr_array_index(threads, i));
}

static bool is_whole(const batch *b, const reel_work *w)
{
    for (int step = 0; step <= (int)b->until; step++)
        if (w->state[step] != DONE && w->state[step] != KEPT)
            return false;
    return true;
}

static void add_reel(JsonBuilder *j, const batch *b, const reel_work *w)
{
    json_builder_begin_object(j);
    rw_tell_text(j, "reel", w->name);
    json_builder_set_member_name(j, "steps");
    json_builder_begin_object(j);
    for (int step = 0; step <= (int)b->until; step++) {
        rw_tell_text(j, rw_batch_step_name((rw_batch_step)step), outcome_words[w->state[step]]);
    }
    json_builder_end_object(j);
    rw_tell_int(j, "findings_that_ask_for_new_stills", MAX(w->redo, 0));
    rw_tell_text(j, "error", is_whole(b, w) ? NULL : w->message);
    json_builder_end_object(j);
}

static void print_json(const batch *b)
{
    g_autoptr(JsonBuilder) j = json_builder_new();
    json_builder_begin_object(j);
    json_builder_set_member_name(j, "reels");
    json_builder_begin_array(j);
    for (int i = 0; i < b->count; i++)
        add_reel(j, b, &b->reels[i]);
    json_builder_end_array(j);
    json_builder_end_object(j);
    rw_tell_print(j);
}

/* The exit code. */
static int tell_end(const batch *b)
{
    int whole = 0;
    for (int i = 0; i < b->count; i++)
        whole += is_whole(b, &b->reels[i]);
    if (b->json)
        print_json(b);
    else
        g_print("%d of %d reels are done up to %s\n", whole, b->count,
                rw_batch_step_name(b->until));
    if (b->stopped)
        g_printerr("reelwright: Stopped; the same command goes on where it was.\n");
    return whole == b->count ? 0 : 1;
}

static int run_batch(batch *b, const char *shelf, int workers)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *packages = g_build_filename(shelf, "packages", NULL);
    b->plan.shelf = shelf;
    if (!b->plan.packages)
        b->plan.packages = packages;
    GPtrArray *names = rw_batch_reels(shelf, &error);
    if (names && names->len == 0)
        g_set_error(&error, RW_ERROR, RW_ERROR_NOT_FOUND,
                    "There is no reel in %s: name the folder that holds the reels' folders.",
                    shelf);
    if (error) {
        if (names)
            g_ptr_array_unref(names);
        return rw_cli_fail(error);
    }
    b->count = (int)names->len;
    b->reels = g_new0(reel_work, b->count);
    for (int i = 0; i < b->count; i++)
        b->reels[i] = (reel_work){.name = g_ptr_array_index(names, (guint)i), .redo = -1};
    workers = MIN(workers, b->count);
    b->plan.threads = MAX(1, rw_cpu_count() / workers);
    run_all(b, workers);
    int code = tell_end(b);
    for (int i = 0; i < b->count; i++) {
        g_free(b->reels[i].message);
        rw_progress_line_clear(&b->reels[i].progress);
    }
    g_free(b->reels);
    g_ptr_array_unref(names);
    return code;
}

/* ---- the command ---- */

typedef struct words {
    char *until, *packages, *size, *cadence, *codec;
    int workers;
    gboolean json;
} words;

static void words_clear(words *w)
{
    g_free(w->until);
    g_free(w->packages);
    g_free(w->size);
    g_free(w->cadence);
    g_free(w->codec);
}

/* A sentence, or NULL when the words make sense. */
static const char *read_words(const words *w, batch *b)
{
    const rw_delivery *delivery = rw_delivery_find(w->codec ? w->codec : "h264");
    const char *const *extension = delivery ? rw_delivery_extensions(delivery) : NULL;
    if (w->until && !rw_batch_step_find(w->until, &b->until))
        return "--until takes survey, finish, report or package.";
    if (w->workers < 1 || w->workers > 64)
        return "--workers takes a number from 1 to 64.";
    if (!extension || !*extension)
        return "--codec takes a codec of \"reelwright finish\" that writes a file.";
    b->plan = (rw_batch_plan){.packages = w->packages,
                              .size = w->size,
                              .cadence = w->cadence,
                              .codec = w->codec,
                              .extension = *extension};
    b->json = w->json;
    return NULL;
}

static int run(const rw_command *self, int argc, char **argv)
{
    words w = {.workers = 1};
    const GOptionEntry entries[] = {
        {"until", 0, 0, G_OPTION_ARG_STRING, &w.until,
         "The last step: survey, finish, report (default) or package", "STEP"},
        {"workers", 0, 0, G_OPTION_ARG_INT, &w.workers,
         "Reels at once, which share the cores (default: 1)", "N"},
        {"size", 0, 0, G_OPTION_ARG_STRING, &w.size, "Of the movies, as finish takes it", "SIZE"},
        {"cadence", 0, 0, G_OPTION_ARG_STRING, &w.cadence, "Of the movies, as finish takes it",
         "RATE"},
        {"codec", 0, 0, G_OPTION_ARG_STRING, &w.codec, "Of the movies, as finish takes it",
         "CODEC"},
        {"packages", 0, 0, G_OPTION_ARG_FILENAME, &w.packages,
         "Folder of the packages (default: SHELF/packages)", "DIR"},
        {"json", 0, 0, G_OPTION_ARG_NONE, &w.json, "Print what was done as one JSON document",
         NULL},
        G_OPTION_ENTRY_NULL};
    int code;
    if (rw_cli_parse(self, entries, &argc, &argv, 1, 1, &code)) {
        batch b = {.until = RW_BATCH_REPORT, .terminal = isatty(STDERR_FILENO) != 0};
        const char *fault = read_words(&w, &b);
        b.program = g_file_read_link("/proc/self/exe", NULL);
        g_mutex_init(&b.lock);
        code = fault ? rw_cli_usage(self, "%s", fault) : run_batch(&b, argv[1], w.workers);
        g_mutex_clear(&b.lock);
        g_free(b.program);
    }
    words_clear(&w);
    return code;
}

const rw_command rw_cmd_batch = {
    .name = "batch",
    .summary = "Survey, finish, report and package every reel of a shelf",
    .arguments = "SHELF",
    .details =
        "SHELF is a folder of reels. What a reel has already, and what has not changed since, is\n"
        "kept; a reel that fails is told and the others go on. Stopped, the same command goes on\n"
        "where it was.\n",
    .run = run,
};
