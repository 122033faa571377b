/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Copying the jobs. Workers read, hash, write, sync and compare into hidden files beside the
 * targets; one thread, in capture order, gives each file its name and then its row. Whatever ends
 * the process, what has a row is whole and on the disk, and the rows are a prefix of the order.
 */
#include <errno.h>
#include <string.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include "base/fs.h"
#include "base/ordered.h"
#include "base/progress.h"
#include "keep/intake.h"

/* Files in a row that cannot be read before the card is given up. */
enum { PATIENCE = 3, WINDOW = 4 };

typedef struct outcome {
    enum { COPIED, SAME, UNREAD } kind;
    char *temp; /* COPIED */
    rw_copy copy;
    rw_still_state state;
    rw_still_info info;
    char *what; /* fault of the still, or why it is unread */
} outcome;

typedef struct taking {
    rw_intake_run *run;
    GHashTable *fresh;    /* sha256 of what this run has taken, a set */
    GHashTable *restored; /* row, a set: lost before this run, back now */
    rw_progress *progress;
    int unread_in_a_row;
} taking;

static void free_outcome(outcome *o)
{
    g_free(o->temp);
    g_free(o->what);
    g_free(o);
}

/* ---- workers ---- */

/* Only a file as long as one that is in the reel can be the same; it is read first and copied only
 * if it is not. */
static bool is_in_the_reel(const taking *t, const rw_card_file *f, outcome *o, GError **error)
{
    if (!g_hash_table_contains(t->run->sizes, &f->bytes))
        return false;
    if (!rw_hash_file(f->source, RW_SHA256, false, &t->run->stop, &o->copy, error))
        return false;
    const rw_still_row *row = g_hash_table_lookup(t->run->by_hash, o->copy.sha256);
    return row && !g_hash_table_contains(t->run->lost, row);
}

static void examine(const rw_card_file *f, outcome *o)
{
    g_autoptr(GError) fault = NULL;
    char doubt[160] = "";
    if (f->kind == RW_CARD_COMPANION) {
        o->state = RW_STILL_COMPANION;
        return;
    }
    if (!rw_still_probe(o->temp, &o->info, &fault) || !rw_still_check(o->temp, doubt, &fault)) {
        o->state = RW_STILL_UNREADABLE;
        o->info = (rw_still_info){0};
        o->what = rw_few_words(fault->message, o->temp);
    } else if (doubt[0]) {
        o->state = RW_STILL_DAMAGED;
        o->what = g_strdup(doubt);
    }
}

static bool work(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)state;
    taking *t = user;
    const rw_job *job = &g_array_index(t->run->jobs, rw_job, n);
    g_autoptr(GError) fault = NULL;
    g_autofree char *target = rw_reel_file(t->run->reel, job->path);
    outcome *o = g_new0(outcome, 1);
    o->temp = rw_part_name(target);
    if (is_in_the_reel(t, job->file, o, &fault))
        o->kind = SAME;
    else if (!fault && rw_copy_verified(job->file->source, o->temp, RW_SHA256, &t->run->stop,
                                        &o->copy, &fault))
        examine(job->file, o);
    else if (o->copy.source_failed) {
        o->kind = UNREAD;
        o->what = g_strdup(fault->message);
    } else {
        g_propagate_error(error, g_steal_pointer(&fault));
        free_outcome(o);
        return false;
    }
    *result = o;
    return true;
}

static void discard(void *result, void *user)
{
    (void)user;
    outcome *o = result;
    if (o->kind == COPIED)
        g_unlink(o->temp);
    free_outcome(o);
}

/* ---- the one thread ---- */

static bool card_answers(const rw_intake_run *run, const rw_card_file *f)
{
    return g_access(run->cards[f->card], R_OK | X_OK) == 0;
}

static bool take_unread(taking *t, const rw_job *job, const outcome *o, GError **error)
{
    rw_intake_run *run = t->run;
    if (++t->unread_in_a_row >= PATIENCE || !card_answers(run, job->file)) {
        g_set_error(error, RW_ERROR, RW_ERROR_IO, "The card %s does not answer any more (%s).",
                    run->cards[job->file->card], o->what);
        return false;
    }
    rw_add_trouble(run->summary->unread, job->file->source, o->what);
    return true;
}

/* A row's original is among the cards too: then this is a second copy on a card, and not the same
 * card seen at another place. */
static bool original_is_here(const rw_intake_run *run, const rw_still_row *row)
{
    return row->source && g_hash_table_contains(run->here, row->source);
}

static void take_same(taking *t, const rw_job *job, const char *sha256)
{
    rw_intake_run *run = t->run;
    const rw_still_row *row = g_hash_table_lookup(run->by_hash, sha256);
    if (job->file->kind == RW_CARD_COMPANION)
        return;
    if (row && row->source && g_str_has_suffix(row->source, job->file->relative) &&
        !original_is_here(run, row))
        run->summary->known++;
    else
        run->summary->duplicates++;
}

static bool put_row(const rw_intake_run *run, const rw_job *job, const outcome *o, GError **error)
{
    const rw_card_file *f = job->file;
    rw_still_row row = {.path = job->path,
                        .source = f->source,
                        .bytes = o->copy.bytes,
                        .mtime_us = f->mtime_us,
                        .width = o->info.width,
                        .height = o->info.height,
                        .orientation = o->info.orientation,
                        .captured_us = o->info.has_time ? o->info.time_us : INT64_MIN,
                        .serial = o->info.serial[0] ? (char *)o->info.serial : NULL,
                        .state = o->state,
                        .fault = o->what};
    rw_dcf_parse(f->source, &row.folder, &row.number);
    g_strlcpy(row.sha256, o->copy.sha256, sizeof row.sha256);
    bool ok =
        rw_reel_begin(run->reel, error) && rw_reel_put_still(run->reel, &row, error) &&
        rw_reel_put_measure(run->reel, row.id, RW_BATCH, RW_BATCH_VERSION, run->batch, error) &&
        rw_reel_commit(run->reel, error);
    if (!ok)
        rw_reel_rollback(run->reel);
    return ok;
}

/* A file that the reel had lost comes back under its old name; its row stands already. */
static bool restore(taking *t, const rw_still_row *row, const outcome *o, GError **error)
{
    g_autofree char *target = rw_reel_file(t->run->reel, row->path);
    g_autofree char *folder = g_path_get_dirname(target);
    if (!rw_make_folder(folder, error) || !rw_give_name(o->temp, target, error))
        return false;
    g_hash_table_add(t->restored, (gpointer)row);
    g_ptr_array_add(
        t->run->summary->notes,
        g_strdup_printf("%s was missing or changed in the reel and was copied again.", row->path));
    return true;
}

static void count_taken(taking *t, const rw_job *job, const outcome *o)
{
    rw_intake_summary *s = t->run->summary;
    s->bytes += o->copy.bytes;
    if (job->file->kind == RW_CARD_COMPANION)
        s->companions++;
    else
        s->taken++;
}

/* Nothing but the thread of consume changes a table; run's own stay as they are for the workers. */
static bool take_copied(taking *t, const rw_job *job, outcome *o, GError **error)
{
    rw_intake_run *run = t->run;
    const rw_still_row *row = g_hash_table_lookup(run->by_hash, o->copy.sha256);
    if (row && g_hash_table_contains(run->lost, row) && !g_hash_table_contains(t->restored, row)) {
        count_taken(t, job, o);
        return restore(t, row, o, error);
    }
    if (row || g_hash_table_contains(t->fresh, o->copy.sha256)) {
        g_unlink(o->temp);
        take_same(t, job, o->copy.sha256);
        return true;
    }
    /* lost from the reel, and the card holds something else now */
    if (rw_file_row(run, job->file)) {
        g_unlink(o->temp);
        rw_add_trouble(run->summary->unread, job->file->source,
                       "is not what was taken in from there, and the reel has lost its copy");
        return true;
    }
    g_autofree char *target = rw_reel_file(run->reel, job->path);
    if (!rw_give_name(o->temp, target, error) || !put_row(run, job, o, error))
        return false;
    g_hash_table_add(t->fresh, g_strdup(o->copy.sha256));
    count_taken(t, job, o);
    return true;
}

static bool consume(int64_t n, void *result, void *user, GError **error)
{
    taking *t = user;
    outcome *o = result;
    const rw_job *job = &g_array_index(t->run->jobs, rw_job, n);
    bool ok = true;
    if (o->kind == UNREAD) {
        ok = take_unread(t, job, o, error);
    } else {
        t->unread_in_a_row = 0;
        if (o->kind == SAME)
            take_same(t, job, o->copy.sha256);
        else
            ok = take_copied(t, job, o, error);
    }
    if (!ok && o->kind == COPIED)
        g_unlink(o->temp);
    free_outcome(o);
    t->run->done += ok ? 1 : 0;
    if (t->progress)
        rw_progress_step(t->progress, t->run->done);
    return ok;
}

static bool make_folders(const rw_intake_run *run, GError **error)
{
    g_autoptr(GHashTable) made = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    for (guint i = 0; i < run->jobs->len; i++) {
        g_autofree char *folder = g_path_get_dirname(g_array_index(run->jobs, rw_job, i).path);
        g_autofree char *path = rw_reel_file(run->reel, folder);
        if (g_hash_table_contains(made, folder))
            continue;
        if (!rw_make_folder(path, error))
            return false;
        g_autofree char *parent = g_path_get_dirname(path);
        if (!rw_fsync_path(parent, error))
            return false;
        g_hash_table_add(made, g_steal_pointer(&folder));
    }
    return true;
}

/* Folders in which nothing found a place, since all of it was in the reel already. */
static void remove_empty_folders(const rw_intake_run *run)
{
    for (guint i = 0; i < run->jobs->len; i++) {
        g_autofree char *folder = g_path_get_dirname(g_array_index(run->jobs, rw_job, i).path);
        g_autofree char *path = rw_reel_file(run->reel, folder);
        if (!g_str_equal(folder, "stills"))
            g_rmdir(path);
    }
}

bool rw_take_jobs(rw_intake_run *run, GError **error)
{
    static const rw_ordered_ops ops = {.work = work, .consume = consume, .discard = discard};
    taking t = {.run = run};
    if (run->jobs->len == 0)
        return true;
    if (!make_folders(run, error))
        return false;
    t.restored = g_hash_table_new(NULL, NULL);
    t.fresh = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    if (run->options->progress)
        t.progress = rw_progress_new("intake", "files", run->jobs->len);
    bool ok = rw_ordered_run(&ops, 0, (int64_t)run->jobs->len - 1, run->options->threads, WINDOW,
                             NULL, &t, error);
    rw_progress_free(&t.progress);
    g_hash_table_unref(t.fresh);
    g_hash_table_unref(t.restored);
    remove_empty_folders(run);
    return ok;
}
