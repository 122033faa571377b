/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "cli/batch_steps.h"

/* What a movie was made with by the last batch that made it. */
#define MOVIE_KEY "batch.movie"

static const char *const names[RW_BATCH_STEPS] = {"survey", "finish", "report", "package"};

const char *rw_batch_step_name(rw_batch_step step)
{
    return names[step];
}

bool rw_batch_step_find(const char *word, rw_batch_step *step)
{
    for (int i = 0; i < RW_BATCH_STEPS; i++)
        if (g_str_equal(word, names[i])) {
            *step = (rw_batch_step)i;
            return true;
        }
    return false;
}

static int by_name(gconstpointer a, gconstpointer b)
{
    const char *const *x = a, *const *y = b;
    return strcmp(*x, *y);
}

GPtrArray *rw_batch_reels(const char *shelf, GError **error)
{
    g_autoptr(GError) fault = NULL;
    g_autoptr(GDir) dir = g_dir_open(shelf, 0, &fault);
    const char *name;
    if (!dir) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "Cannot read the shelf %s: %s.", shelf,
                    fault->message);
        return NULL;
    }
    GPtrArray *reels = g_ptr_array_new_with_free_func(g_free);
    while ((name = g_dir_read_name(dir))) {
        g_autofree char *path = g_build_filename(shelf, name, NULL);
        if (name[0] != '.' && rw_reel_exists(path))
            g_ptr_array_add(reels, g_strdup(name));
    }
    g_ptr_array_sort(reels, by_name);
    return reels;
}

/* ---- what has been done, and when ---- */

typedef struct history {
    GArray *journal;
    gint64 changed; /* microseconds since 1970 of the newest choice; 0 none */
} history;

static gint64 time_of(const char *text)
{
    g_autoptr(GDateTime) time = g_date_time_new_from_iso8601(text, NULL);
    return time ? g_date_time_to_unix(time) * G_USEC_PER_SEC + g_date_time_get_microsecond(time)
                : 0;
}

static bool read_history(rw_reel *reel, history *h, GError **error)
{
    g_autoptr(GArray) changes = rw_reel_choice_changes(reel, 0, error);
    h->journal = changes ? rw_reel_journal(reel, error) : NULL;
    if (h->journal && changes->len)
        h->changed = time_of(g_array_index(changes, rw_choice_change, changes->len - 1).at);
    return h->journal != NULL;
}

/* When that was last done; 0 never. part NULL, or what the detail must contain. */
static gint64 last_time(const history *h, const char *event, const char *part)
{
    for (guint i = h->journal->len; i-- > 0;) {
        const rw_journal_row *row = &g_array_index(h->journal, rw_journal_row, i);
        if (g_str_equal(row->event, event) && (!part || (row->detail && strstr(row->detail, part))))
            return time_of(row->at);
    }
    return 0;
}

/* ---- the steps ---- */

static char *movie_name(const rw_batch_plan *plan, const char *name)
{
    return g_strconcat("out/", name, plan->extension, NULL);
}

static char *movie_words(const rw_batch_plan *plan)
{
    return g_strdup_printf("%s %s %s", plan->size ? plan->size : "-",
                           plan->cadence ? plan->cadence : "-", plan->codec ? plan->codec : "-");
}

static bool survey_is_done(const history *h)
{
    gint64 surveyed = last_time(h, "surveyed", NULL);
    /* a choice may be a limit of the survey's, and to judge anew takes little */
    return surveyed > 0 && surveyed >= last_time(h, "intake", NULL) && surveyed >= h->changed;
}

static bool finish_is_done(const rw_batch_plan *plan, rw_reel *reel, const char *name,
                           const history *h)
{
    g_autofree char *movie = movie_name(plan, name), *path = rw_reel_file(reel, movie);
    g_autofree char *mark = g_strconcat("/", movie, " ", NULL), *words = movie_words(plan);
    g_autofree char *made_with = rw_reel_get_meta(reel, MOVIE_KEY, NULL);
    gint64 finished = last_time(h, "finish", mark);
    return finished > 0 && finished >= last_time(h, "surveyed", NULL) && finished >= h->changed &&
           g_strcmp0(made_with, words) == 0 && g_file_test(path, G_FILE_TEST_EXISTS);
}

/* The folder for a package: the unfinished one, or a new one; NULL when the newest package is as
 * the reel is. A package is never written over: the next is NAME-2, NAME-3 ... */
static char *package_folder(const rw_batch_plan *plan, const char *name, const history *h)
{
    gint64 newest = MAX(h->changed, last_time(h, "finish", NULL));
    newest = MAX(newest, MAX(last_time(h, "surveyed", NULL), last_time(h, "intake", NULL)));
    for (int k = 1;; k++) {
        g_autofree char *base = k == 1 ? g_strdup(name) : g_strdup_printf("%s-%d", name, k);
        g_autofree char *folder = g_build_filename(plan->packages, base, NULL);
        g_autofree char *bagit = g_build_filename(folder, "bagit.txt", NULL);
        g_autofree char *mark = g_strconcat("/", base, ", ", NULL);
        if (!g_file_test(bagit, G_FILE_TEST_EXISTS))
            return g_steal_pointer(&folder);
        if (last_time(h, "packaged", mark) >= newest)
            return NULL;
    }
}

static void add(GPtrArray *words, const char *option, const char *value)
{
    if (!value)
        return;
    g_ptr_array_add(words, g_strdup(option));
    g_ptr_array_add(words, g_strdup(value));
}

static void add_finish(const rw_batch_plan *plan, rw_reel *reel, const char *name, GPtrArray *words)
{
    g_autofree char *movie = movie_name(plan, name), *path = rw_reel_file(reel, movie);
    add(words, "-o", path);
    add(words, "--size", plan->size);
    add(words, "--cadence", plan->cadence);
    add(words, "--codec", plan->codec);
}

/* Adds what the step needs; false when there is nothing to do. */
static bool add_words(const rw_batch_plan *plan, rw_reel *reel, const char *name,
                      rw_batch_step step, const history *h, GPtrArray *words)
{
    g_autofree char *threads = g_strdup_printf("%d", plan->threads);
    g_autofree char *folder = NULL;
    g_ptr_array_add(words, g_strdup(rw_batch_step_name(step)));
    g_ptr_array_add(words, g_strdup(rw_reel_path(reel)));
    if (step != RW_BATCH_REPORT)
        add(words, "--threads", threads);
    switch (step) {
    case RW_BATCH_SURVEY:
        return !survey_is_done(h);
    case RW_BATCH_FINISH:
        add_finish(plan, reel, name, words);
        return !finish_is_done(plan, reel, name, h);
    case RW_BATCH_PACKAGE:
        folder = package_folder(plan, name, h);
        if (folder)
            g_ptr_array_add(words, g_strdup(folder));
        return folder != NULL;
    case RW_BATCH_REPORT:
    case RW_BATCH_STEPS:
        break;
    }
    return true; /* a report takes a moment and is always made */
}

static rw_reel *open_reel(const rw_batch_plan *plan, const char *name, GError **error)
{
    g_autofree char *path = g_build_filename(plan->shelf, name, NULL);
    return rw_reel_open(path, error);
}

char **rw_batch_words(const rw_batch_plan *plan, const char *name, rw_batch_step step,
                      GError **error)
{
    history h = {0};
    rw_reel *reel = open_reel(plan, name, error);
    GPtrArray *words = g_ptr_array_new_with_free_func(g_free);
    bool wanted =
        reel && read_history(reel, &h, error) && add_words(plan, reel, name, step, &h, words);
    if (h.journal)
        g_array_unref(h.journal);
    rw_reel_close(&reel);
    if (!wanted) {
        g_ptr_array_unref(words);
        return NULL;
    }
    g_ptr_array_add(words, NULL);
    return (char **)g_ptr_array_free(words, FALSE);
}

bool rw_batch_settle(const rw_batch_plan *plan, const char *name, rw_batch_step step,
                     GError **error)
{
    if (step != RW_BATCH_FINISH)
        return true;
    g_autofree char *words = movie_words(plan);
    rw_reel *reel = open_reel(plan, name, error);
    bool ok = reel && rw_reel_put_meta(reel, MOVIE_KEY, words, error);
    rw_reel_close(&reel);
    return ok;
}

int64_t rw_batch_redo(const rw_batch_plan *plan, const char *name, GError **error)
{
    int64_t count = -1;
    rw_reel *reel = open_reel(plan, name, error);
    GArray *rows = reel ? rw_reel_findings(reel, error) : NULL;
    if (rows) {
        count = 0;
        for (guint i = 0; i < rows->len; i++) {
            const rw_finding_row *f = &g_array_index(rows, rw_finding_row, i);
            count += g_str_equal(f->severity, "redo") && !g_str_equal(f->state, "dismissed");
        }
        g_array_unref(rows);
    }
    rw_reel_close(&reel);
    return count;
}
