/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The run: settle the basis, measure what is stale, judge.
 */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "base/cpu.h"
#include "base/ordered.h"
#include "base/progress.h"
#include "survey/cache.h"
#include "survey/conclude.h"
#include "survey/pair.h"
#include "survey/reshot.h"
#include "survey/steady.h"
#include "survey/store.h"

enum { BATCH = 8 }; /* stills a transaction: what a kill may cost */

typedef struct job {
    size_t position;
    int64_t still, before;            /* ids; before 0: the first */
    char *path;                       /* owned */
    bool look;                        /* measure it; else it is only the one before one that is */
    bool pair;                        /* compare it with the one before */
    bool steady;                      /* compare it for steadying with */
    int64_t earlier[RW_STEADY_LINKS]; /* these jobs, -1 none, */
    int64_t links[RW_STEADY_LINKS];   /* which are these stills */
} job;

typedef struct run {
    rw_reel *reel;
    const rw_gauge *gauge;
    const char *folder;
    const rw_survey_options *options;
    rw_basis basis;
    GArray *jobs; /* of job */
    rw_matcher *matcher;
    rw_rect area; /* of the stills, for steadying */
    rw_belt *belt;
    rw_glance *last; /* of the job before */
    int64_t last_still;
    int in_batch;
    int64_t measured;
    rw_progress *progress;
} run;

/* ---- workers ---- */

typedef struct hand {
    rw_eye *eye;
} hand;

static void *start_hand(void *user, GError **error)
{
    (void)error;
    run *r = user;
    hand *h = g_new0(hand, 1);
    h->eye = rw_eye_new(r->gauge, &r->basis);
    rw_eye_watch_steadiness(h->eye, r->area);
    return h;
}

static void stop_hand(void *state, void *user)
{
    (void)user;
    hand *h = state;
    rw_eye_free(&h->eye);
    g_free(h);
}

/* What item n of the run brings: job n's glance, and the comparison of the job that is far enough
 * behind for all of its imprints to lie on the belt. Either may be missing. */
typedef struct harvest {
    rw_glance *glance;
    rw_steady_record *record;
} harvest;

static void free_harvest(void *result, void *user)
{
    (void)user;
    harvest *h = result;
    rw_glance_free(&h->glance);
    g_free(h->record);
    g_free(h);
}

static const job *job_at(const run *r, int64_t n)
{
    return n >= 0 && n < (int64_t)r->jobs->len ? &g_array_index(r->jobs, job, n) : NULL;
}

static bool work(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)error;
    run *r = user;
    hand *h = state;
    harvest *out = g_new0(harvest, 1);
    const job *j = job_at(r, n), *late = job_at(r, n - rw_belt_lag(r->belt));
    if (j) {
        out->glance = rw_eye_look(h->eye, j->path);
        rw_small_clear(&out->glance->small); /* its JPEG is made */
    }
    if (late && late->steady) {
        out->record = g_new0(rw_steady_record, 1);
        memcpy(out->record->before, late->links, sizeof late->links);
        rw_belt_look(r->belt, n - rw_belt_lag(r->belt), late->earlier, &out->record->sight);
    }
    *result = out;
    return true;
}

/* ---- in order, on the calling thread ---- */

static bool open_batch(run *r, GError **error)
{
    return r->in_batch > 0 || rw_reel_begin(r->reel, error);
}

static bool close_batch(run *r, bool last, GError **error)
{
    if (!last && ++r->in_batch < BATCH)
        return true;
    r->in_batch = 0;
    return rw_reel_commit(r->reel, error);
}

/* Its imprint, NULL when there is no picture to compare. */
static const rw_imprint *print_of(const rw_glance *glance)
{
    return glance && glance->imprint.rows > 0 ? &glance->imprint : NULL;
}

static bool keep(run *r, const job *j, const rw_glance *glance, GError **error)
{
    if (j->look) {
        if ((glance->picture &&
             !rw_cache_write(r->folder, j->still, glance->picture, glance->picture_bytes, error)) ||
            !rw_store_put_still(r->reel, j->still, glance, error))
            return false;
        r->measured++;
    }
    if (!j->pair)
        return true;
    rw_readings readings;
    rw_step step;
    const rw_glance *before = j->before && r->last_still == j->before ? r->last : NULL;
    rw_pair_read(r->matcher, r->gauge, print_of(before), print_of(glance), &readings, &step);
    step.before = j->before;
    return rw_store_put_pair(r->reel, j->still, &readings, &step, error);
}

static bool keep_steady(run *r, int64_t n, harvest *h, GError **error)
{
    const job *j = job_at(r, n), *late = job_at(r, n - rw_belt_lag(r->belt));
    rw_belt_put(r->belt, n, h->glance ? g_steal_pointer(&h->glance->steady.imprint) : NULL);
    if (j && j->steady && !rw_steady_put_rungs(r->reel, j->still, &h->glance->steady.rungs, error))
        return false;
    return !h->record || rw_steady_put_record(r->reel, late->still, h->record, error);
}

static bool consume(int64_t n, void *result, void *user, GError **error)
{
    run *r = user;
    harvest *h = result;
    const job *j = job_at(r, n);
    int64_t last = (int64_t)r->jobs->len - 1 + rw_belt_lag(r->belt);
    bool ok = open_batch(r, error) && (!j || keep(r, j, h->glance, error)) &&
              keep_steady(r, n, h, error) && close_batch(r, n == last, error);
    if (j) {
        rw_glance_free(&r->last);
        r->last = g_steal_pointer(&h->glance);
        r->last_still = j->still;
    }
    free_harvest(h, NULL);
    if (ok && r->progress)
        rw_progress_step(r->progress, MIN(n + 1, (int64_t)r->jobs->len));
    return ok;
}

/* ---- what is to be done ---- */

static void clear_job(gpointer data)
{
    job *j = data;
    g_free(j->path);
}

/* Is this still one that came in after a survey? */
static bool is_late(rw_reel *reel, int64_t still, int first_late, GError **error)
{
    return first_late > 0 && rw_reshot_batch_of(reel, still, error) >= first_late;
}

/* Stills as they were shot first, in the order of the film as it is known now: those that were shot
 * again left out, those that they replaced put back. */
static bool read_order(rw_reel *reel, GArray *ids, GError **error)
{
    g_autoptr(GError) inner = NULL;
    int first_late = rw_reshot_first_batch(reel, error);
    if (first_late < 0)
        return false;
    int64_t count = rw_reel_frame_count(reel, error);
    GArray *rows = count < 0 ? NULL : rw_reel_frames(reel, 0, count - 1, error);
    if (!rows)
        return false;
    for (guint i = 0; i < rows->len && !inner; i++) {
        const rw_frame_row *row = &g_array_index(rows, rw_frame_row, i);
        int64_t still = row->replaced > 0 ? row->replaced : row->still;
        if (still > 0 && !is_late(reel, still, first_late, &inner))
            g_array_append_val(ids, still);
    }
    g_array_unref(rows);
    if (inner)
        g_propagate_error(error, g_steal_pointer(&inner));
    return !inner;
}

/* Paths of the stills, in the reel's folder. GPtrArray of char *, in the order of ids. */
static GPtrArray *read_paths(rw_reel *reel, GArray *ids, GError **error)
{
    GPtrArray *paths = g_ptr_array_new_with_free_func(g_free);
    for (guint i = 0; i < ids->len; i++) {
        rw_still_row row;
        if (!rw_reel_get_still(reel, g_array_index(ids, int64_t, i), &row, error)) {
            g_ptr_array_unref(paths);
            return NULL;
        }
        g_ptr_array_add(paths, rw_reel_file(reel, row.path));
        rw_still_row_clear(&row);
    }
    return paths;
}

static bool settle_basis(run *r, GPtrArray *paths, GError **error)
{
    g_autoptr(GError) inner = NULL;
    if (!r->options->again && rw_store_get_basis(r->reel, &r->basis, &inner))
        return true;
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    bool found = rw_basis_find(&r->basis, r->gauge, (const char *const *)paths->pdata, paths->len);
    return !found || rw_store_put_basis(r->reel, &r->basis, error);
}

/* Is this still measured by today's method, and is what the cache keeps of it there? */
static bool is_measured(run *r, int64_t still, GError **error)
{
    const rw_measure_info *state = &rw_measure_table()[RW_M_STATE];
    double value = rw_reel_get_measure(r->reel, still, state->name, state->version, error);
    rw_colour_sight colour;
    if (isnan(value))
        return false;
    return value == RW_STATE_UNREADABLE ||
           (rw_cache_has(r->folder, still) && rw_store_get_colour(r->reel, still, &colour, error));
}

/* Was this still compared for steadying with just those that lie before it? */
static bool is_compared(run *r, const int64_t *stills, size_t i, GError **error)
{
    rw_steady_record record;
    int64_t links[RW_STEADY_LINKS];
    if (!rw_steady_get_record(r->reel, stills[i], &record, error))
        return false;
    rw_steady_links(stills, i, links);
    return memcmp(links, record.before, sizeof links) == 0;
}

/* What is to be done at each position. */
typedef struct wants {
    bool look, pair, steady;
    bool imprint; /* somebody's comparison needs it */
} wants;

static bool list_wants(run *r, const int64_t *stills, size_t count, wants *w, GError **error)
{
    g_autoptr(GError) inner = NULL;
    for (size_t i = 0; i < count && !inner; i++) {
        int64_t before = i ? stills[i - 1] : 0;
        bool again = r->options->again;
        w[i].look = again || !is_measured(r, stills[i], &inner);
        w[i].pair = again || (!inner && rw_store_pair_with(r->reel, stills[i], &inner) != before);
        w[i].steady = again || (!inner && !is_compared(r, stills, i, &inner));
        for (int l = 0; w[i].steady && l < RW_STEADY_LINKS; l++)
            if (i >= (size_t)rw_steady_link_back(l))
                w[i - (size_t)rw_steady_link_back(l)].imprint = true;
    }
    bool ok = !inner;
    if (!ok)
        g_propagate_error(error, g_steal_pointer(&inner));
    return ok;
}

static void list_jobs_of(run *r, const int64_t *stills, size_t count, GPtrArray *paths,
                         const wants *w)
{
    g_autofree int64_t *at = g_new(int64_t, count + 1); /* the job of each position */
    for (size_t i = 0; i < count; i++) {
        at[i] = -1;
        if (!w[i].look && !w[i].pair && !w[i].steady && !w[i].imprint && !w[i + 1].pair)
            continue;
        job j = {.position = i,
                 .still = stills[i],
                 .before = i ? stills[i - 1] : 0,
                 .path = g_strdup(g_ptr_array_index(paths, (guint)i)),
                 .look = w[i].look,
                 .pair = w[i].pair,
                 .steady = w[i].steady};
        rw_steady_links(stills, i, j.links);
        for (int l = 0; l < RW_STEADY_LINKS; l++) {
            size_t back = (size_t)rw_steady_link_back(l);
            j.earlier[l] = j.steady && i >= back ? at[i - back] : -1;
        }
        at[i] = r->jobs->len;
        g_array_append_val(r->jobs, j);
    }
}

static bool list_jobs(run *r, GArray *ids, GPtrArray *paths, GError **error)
{
    const int64_t *stills = (const int64_t *)(const void *)ids->data;
    g_autofree wants *w = g_new0(wants, ids->len + 1);
    GError *failed = NULL;
    if (!list_wants(r, stills, ids->len, w, &failed)) {
        g_propagate_error(error, failed);
        return false;
    }
    list_jobs_of(r, stills, ids->len, paths, w);
    return true;
}

static bool measure(run *r, GError **error)
{
    static const rw_ordered_ops ops = {start_hand, work, consume, free_harvest, stop_hand};
    int threads = r->options->threads > 0 ? r->options->threads : rw_cpu_count();
    if (r->jobs->len == 0)
        return true;
    if (r->options->progress)
        r->progress = rw_progress_new("survey", "stills", r->jobs->len);
    r->matcher = rw_matcher_new(r->basis.band);
    const int lag = 2 * threads + 2;
    r->belt = rw_belt_new(lag);
    bool ok = rw_ordered_run(&ops, 0, (int64_t)r->jobs->len - 1 + lag, threads, lag,
                             r->options->cancel, r, error);
    rw_belt_free(&r->belt);
    if (!ok && r->in_batch > 0) {
        /* what was measured so far is kept when the run was only asked to stop */
        bool cancelled = error && g_error_matches(*error, RW_ERROR, RW_ERROR_CANCELLED);
        if (!cancelled || !rw_reel_commit(r->reel, NULL))
            rw_reel_rollback(r->reel);
    }
    rw_matcher_free(&r->matcher);
    rw_glance_free(&r->last);
    rw_progress_free(&r->progress);
    return ok;
}

/* ---- one survey at a time ---- */

/* -1 with error. The lock dies with the process. */
static int take_lock(rw_reel *reel, GError **error)
{
    g_autofree char *path = rw_reel_file(reel, ".survey.lock");
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
    if (fd < 0) {
        rw_error_from_errno(error, errno, "Cannot lock the reel %s", rw_reel_path(reel));
        return -1;
    }
    if (flock(fd, LOCK_EX | LOCK_NB) == 0)
        return fd;
    g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                "Another survey of %s is under way; wait for it to end.", rw_reel_path(reel));
    close(fd);
    return -1;
}

bool rw_survey_run(rw_reel *reel, const rw_survey_options *options, rw_survey_summary *summary,
                   GError **error)
{
    memset(summary, 0, sizeof *summary);
    run r = {.reel = reel, .options = options, .folder = rw_reel_path(reel)};
    r.gauge = rw_reel_gauge(reel, error);
    if (!r.gauge)
        return false;
    int lock = take_lock(reel, error);
    if (lock < 0)
        return false;
    GArray *ids = g_array_new(FALSE, FALSE, sizeof(int64_t));
    r.jobs = g_array_new(FALSE, FALSE, sizeof(job));
    g_array_set_clear_func(r.jobs, clear_job);
    bool ok = read_order(reel, ids, error);
    GPtrArray *paths = ok ? read_paths(reel, ids, error) : NULL;
    ok = paths && settle_basis(&r, paths, error) &&
         rw_steady_area(reel, r.gauge, &r.basis, (const char *const *)paths->pdata, paths->len,
                        &r.area, error) &&
         list_jobs(&r, ids, paths, error) && measure(&r, error) &&
         rw_conclude(reel, r.gauge, &r.basis, (const int64_t *)(const void *)ids->data, ids->len,
                     options, summary, error);
    summary->measured += r.measured;
    if (paths)
        g_ptr_array_unref(paths);
    g_array_unref(r.jobs);
    g_array_unref(ids);
    close(lock);
    return ok;
}
