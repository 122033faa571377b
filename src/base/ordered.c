/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/ordered.h"

/* One place per result in flight; slot of frame n is n % window. */
typedef struct slot {
    void *result;
    GError *error;
    bool done;
} slot;

typedef struct run {
    const rw_ordered_ops *ops;
    void *user;
    int64_t next, last, consumed; /* next to hand out; all before consumed are consumed */
    int window;
    bool quit;
    slot *slots;
    GError *start_error;
    GMutex lock;
    GCond work_ready, result_ready;
} run;

static bool take_job(run *r, int64_t *n)
{
    while (!r->quit && r->next <= r->last && r->next >= r->consumed + r->window)
        g_cond_wait(&r->work_ready, &r->lock);
    if (r->quit || r->next > r->last)
        return false;
    *n = r->next++;
    return true;
}

static gpointer worker(gpointer data)
{
    run *r = data;
    GError *error = NULL;
    void *state = r->ops->start ? r->ops->start(r->user, &error) : NULL;
    g_mutex_lock(&r->lock);
    if (error) {
        if (r->start_error)
            g_error_free(error);
        else
            r->start_error = error;
        r->quit = true;
        g_cond_broadcast(&r->work_ready);
        g_cond_broadcast(&r->result_ready);
    }
    int64_t n;
    while (take_job(r, &n)) {
        g_mutex_unlock(&r->lock);
        void *result = NULL;
        GError *work_error = NULL;
        bool ok = r->ops->work(n, state, r->user, &result, &work_error);
        g_assert(ok == (work_error == NULL));
        g_mutex_lock(&r->lock);
        slot *s = &r->slots[n % r->window];
        s->result = result;
        s->error = work_error;
        s->done = true;
        g_cond_broadcast(&r->result_ready);
    }
    g_mutex_unlock(&r->lock);
    if (state && r->ops->stop)
        r->ops->stop(state, r->user);
    return NULL;
}

/* Waits for frame n's slot and empties it. False when the run must end. */
static bool wait_result(run *r, int64_t n, slot *out, GError **error)
{
    slot *s = &r->slots[n % r->window];
    while (!s->done && !r->start_error)
        g_cond_wait(&r->result_ready, &r->lock);
    if (!s->done) {
        g_propagate_error(error, g_error_copy(r->start_error));
        return false;
    }
    *out = *s;
    *s = (slot){0};
    if (out->error) {
        g_propagate_error(error, out->error);
        return false;
    }
    return true;
}

static bool consume_all(run *r, int64_t first, const atomic_bool *cancel, GError **error)
{
    for (int64_t n = first; n <= r->last; n++) {
        if (cancel && atomic_load(cancel)) {
            g_set_error(error, RW_ERROR, RW_ERROR_CANCELLED,
                        "Stopped at frame %" G_GINT64_FORMAT ".", n);
            return false;
        }
        slot s;
        g_mutex_lock(&r->lock);
        bool ok = wait_result(r, n, &s, error);
        g_mutex_unlock(&r->lock);
        if (!ok || !r->ops->consume(n, s.result, r->user, error))
            return false;
        g_mutex_lock(&r->lock);
        r->consumed = n + 1;
        g_cond_broadcast(&r->work_ready);
        g_mutex_unlock(&r->lock);
    }
    return true;
}

bool rw_ordered_run(const rw_ordered_ops *ops, int64_t first, int64_t last, int n_threads,
                    int window, const atomic_bool *cancel, void *user, GError **error)
{
    g_return_val_if_fail(n_threads >= 1 && window >= 1 && first >= 0, false);
    if (first > last)
        return true;
    run r = {.ops = ops, .user = user, .next = first, .last = last, .consumed = first};
    r.window = MAX(window, n_threads);
    r.slots = g_new0(slot, r.window);
    g_mutex_init(&r.lock);
    g_cond_init(&r.work_ready);
    g_cond_init(&r.result_ready);
    int count = (int)MIN((int64_t)n_threads, last - first + 1);
    GThread **workers = g_new0(GThread *, count);
    int started = 0;
    while (started < count) {
        workers[started] = g_thread_try_new("rw-worker", worker, &r, started ? NULL : error);
        if (!workers[started])
            break; /* fewer workers do the same work; none at all is an error */
        started++;
    }

    bool ok = started > 0 && consume_all(&r, first, cancel, error);

    g_mutex_lock(&r.lock);
    r.quit = true;
    g_cond_broadcast(&r.work_ready);
    g_mutex_unlock(&r.lock);
    for (int i = 0; i < started; i++)
        g_thread_join(workers[i]);
    for (int i = 0; i < r.window; i++) {
        if (r.slots[i].result && ops->discard)
            ops->discard(r.slots[i].result, user);
        g_clear_error(&r.slots[i].error);
    }
    g_clear_error(&r.start_error);
    g_free(workers);
    g_free(r.slots);
    g_cond_clear(&r.result_ready);
    g_cond_clear(&r.work_ready);
    g_mutex_clear(&r.lock);
    return ok;
}
