/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/flow.h"

typedef enum slot_state { WAITING, RUNNING, DONE, GONE } slot_state;

typedef struct slot {
    void *result;
    GError *error;
    slot_state state;
} slot;

typedef struct level {
    int64_t first, last;
    int64_t next;     /* to be made */
    int64_t done;     /* all before it are made */
    int64_t released; /* all before it are let go */
    slot *slots;
} level;

typedef struct flow {
    const rw_flow_ops *ops;
    void *user;
    level *levels;
    int top; /* the last level's number */
    int ahead, max_live, live;
    int64_t consumed;   /* the next item to be consumed */
    int64_t *need_last; /* by level: the last item that it needs */
    int need_count;     /* how many items of all levels it needs, itself included */
    bool quit;
    GError *start_error;
    GMutex lock;
    GCond work_ready, result_ready;
} flow;

static slot *slot_of(flow *f, int l, int64_t item)
{
    return &f->levels[l].slots[item - f->levels[l].first];
}

static void needs_of(const flow *f, int l, int64_t item, int64_t *first, int64_t *last)
{
    f->ops->needs(l, item, f->user, first, last);
    g_assert(*first <= *last);
}

/* What the next item to be consumed needs, level by level. */
static void look_ahead(flow *f)
{
    int64_t first = f->consumed, last = f->consumed;
    f->need_count = 0;
    for (int l = f->top;; l--) {
        f->need_last[l] = last;
        f->need_count += (int)(last - first + 1);
        if (l == 0)
            break;
        int64_t first_first, first_last, last_first, last_last;
        needs_of(f, l, first, &first_first, &first_last);
        needs_of(f, l, last, &last_first, &last_last);
        first = first_first;
        last = last_last;
    }
}

static bool is_ready(flow *f, int l)
{
    level *v = &f->levels[l];
    if (v->next > v->last)
        return false;
    bool critical = v->next <= f->need_last[l];
    if (!critical && f->live + f->need_count >= f->max_live)
        return false;
    if (l == 0)
        return v->next <= f->need_last[0] + f->ahead;
    int64_t first, last;
    needs_of(f, l, v->next, &first, &last);
    for (int64_t i = first; i <= last; i++)
        if (slot_of(f, l - 1, i)->state != DONE)
            return false;
    return true;
}

static bool take_job(flow *f, int *l, int64_t *item)
{
    for (;;) {
        if (f->quit)
            return false;
        bool all_begun = true;
        for (*l = f->top; *l >= 0; --*l) {
            level *v = &f->levels[*l];
            all_begun = all_begun && v->next > v->last;
            if (!is_ready(f, *l))
                continue;
            *item = v->next++;
            slot_of(f, *l, *item)->state = RUNNING;
            f->live++;
            return true;
        }
        if (all_begun)
            return false;
        g_cond_wait(&f->work_ready, &f->lock);
    }
}

static void release(flow *f, int l, int64_t before)
{
    level *v = &f->levels[l];
    for (; v->released < before; v->released++) {
        slot *s = slot_of(f, l, v->released);
        g_assert(s->state == DONE);
        if (s->result)
            f->ops->discard(l, s->result, f->user);
        g_clear_error(&s->error);
        *s = (slot){.state = GONE};
        f->live--;
    }
}

/* Lets go of what no item of level l that is still to be made stands on. */
static void release_below(flow *f, int l)
{
    level *v = &f->levels[l];
    while (v->done <= v->last && slot_of(f, l, v->done)->state >= DONE)
        v->done++;
    if (l == 0)
        return;
    int64_t first = f->levels[l - 1].last + 1, last;
    if (v->done <= v->last)
        needs_of(f, l, v->done, &first, &last);
    release(f, l - 1, first);
}

/* Copies the inputs; false when one of them failed, with its error. The inputs stay put while this
 * item is not done. */
static bool gather(flow *f, int l, int64_t item, GPtrArray *inputs, GError **error)
{
    g_ptr_array_set_size(inputs, 0);
    if (l == 0)
        return true;
    int64_t first, last;
    needs_of(f, l, item, &first, &last);
    for (int64_t i = first; i <= last; i++) {
        slot *s = slot_of(f, l - 1, i);
        if (s->error) {
            g_propagate_error(error, g_error_copy(s->error));
            return false;
        }
        g_ptr_array_add(inputs, s->result);
    }
    return true;
}

static void run_job(flow *f, int l, int64_t item, GPtrArray *inputs, void *state)
{
    slot s = {.state = DONE};
    if (gather(f, l, item, inputs, &s.error)) {
        g_mutex_unlock(&f->lock);
        bool ok = f->ops->make(l, item, inputs->pdata, state, f->user, &s.result, &s.error);
        g_assert(ok == (s.error == NULL));
        g_mutex_lock(&f->lock);
    }
    *slot_of(f, l, item) = s;
    release_below(f, l);
    g_cond_broadcast(&f->work_ready);
    if (l == f->top)
        g_cond_broadcast(&f->result_ready);
}

static gpointer worker(gpointer data)
{
    flow *f = data;
    GError *error = NULL;
    void *state = f->ops->start ? f->ops->start(f->user, &error) : NULL;
    g_autoptr(GPtrArray) inputs = g_ptr_array_new();
    g_mutex_lock(&f->lock);
    if (error) {
        if (f->start_error)
            g_error_free(error);
        else
            f->start_error = error;
        f->quit = true;
        g_cond_broadcast(&f->work_ready);
        g_cond_broadcast(&f->result_ready);
    }
    int l;
    int64_t item;
    while (take_job(f, &l, &item))
        run_job(f, l, item, inputs, state);
    g_mutex_unlock(&f->lock);
    if (state && f->ops->stop)
        f->ops->stop(state, f->user);
    return NULL;
}

static bool is_cancelled(const atomic_bool *cancel)
{
    return cancel && atomic_load(cancel);
}

/* Until the slot is done; whoever cancels knows nothing of the lock, so that is looked at by and
 * by. */
static void wait_for(flow *f, const slot *s, const atomic_bool *cancel)
{
    enum { LOOK_US = 20000 };
    while (s->state != DONE && !f->start_error && !is_cancelled(cancel)) {
        if (cancel)
            g_cond_wait_until(&f->result_ready, &f->lock, g_get_monotonic_time() + LOOK_US);
        else
            g_cond_wait(&f->result_ready, &f->lock);
    }
}

/* Waits for the next item in order and hands it on; the lock is held on entry and exit. */
static bool consume_one(flow *f, const atomic_bool *cancel, GError **error)
{
    slot *s = slot_of(f, f->top, f->consumed);
    wait_for(f, s, cancel);
    if (is_cancelled(cancel)) {
        g_set_error(error, RW_ERROR, RW_ERROR_CANCELLED, "Stopped as asked.");
        return false;
    }
    if (s->state != DONE) {
        g_propagate_error(error, g_error_copy(f->start_error));
        return false;
    }
    if (s->error) {
        g_propagate_error(error, g_error_copy(s->error));
        return false;
    }
    g_mutex_unlock(&f->lock);
    bool ok = f->ops->consume(f->consumed, s->result, f->user, error);
    g_mutex_lock(&f->lock);
    if (!ok)
        return false;
    release(f, f->top, f->consumed + 1);
    if (++f->consumed <= f->levels[f->top].last)
        look_ahead(f);
    g_cond_broadcast(&f->work_ready);
    return true;
}

static bool consume_all(flow *f, const atomic_bool *cancel, GError **error)
{
    bool ok = true;
    g_mutex_lock(&f->lock);
    while (ok && f->consumed <= f->levels[f->top].last)
        ok = consume_one(f, cancel, error);
    f->quit = true;
    g_cond_broadcast(&f->work_ready);
    g_mutex_unlock(&f->lock);
    return ok;
}

static void set_up(flow *f, int64_t first, int64_t last)
{
    f->levels = g_new0(level, f->top + 1);
    f->need_last = g_new0(int64_t, f->top + 1);
    for (int l = f->top; l >= 0; l--) {
        level *v = &f->levels[l];
        v->first = v->next = v->done = v->released = first;
        v->last = last;
        v->slots = g_new0(slot, last - first + 1);
        if (l > 0) {
            int64_t ignored, below_first, below_last;
            needs_of(f, l, first, &below_first, &ignored);
            needs_of(f, l, last, &ignored, &below_last);
            first = below_first;
            last = below_last;
        }
    }
    f->consumed = f->levels[f->top].first;
    look_ahead(f);
    g_mutex_init(&f->lock);
    g_cond_init(&f->work_ready);
    g_cond_init(&f->result_ready);
}

static void tear_down(flow *f)
{
    for (int l = 0; l <= f->top; l++) {
        level *v = &f->levels[l];
        for (int64_t i = v->released; i <= v->last; i++) {
            slot *s = slot_of(f, l, i);
            if (s->result)
                f->ops->discard(l, s->result, f->user);
            g_clear_error(&s->error);
        }
        g_free(v->slots);
    }
    g_clear_error(&f->start_error);
    g_free(f->levels);
    g_free(f->need_last);
    g_cond_clear(&f->result_ready);
    g_cond_clear(&f->work_ready);
    g_mutex_clear(&f->lock);
}

bool rw_flow_run(const rw_flow_ops *ops, int64_t first, int64_t last, int n_threads, int ahead,
                 int max_live, const atomic_bool *cancel, void *user, GError **error)
{
    g_return_val_if_fail(ops->levels >= 1 && n_threads >= 1 && ahead >= 0 && max_live >= 1, false);
    if (first > last)
        return true;
    flow f = {
        .ops = ops, .user = user, .top = ops->levels - 1, .ahead = ahead, .max_live = max_live};
    set_up(&f, first, last);
    GThread **workers = g_new0(GThread *, n_threads);
    int started = 0;
    while (started < n_threads) {
        workers[started] = g_thread_try_new("rw-flow", worker, &f, started ? NULL : error);
        if (!workers[started])
            break; /* fewer workers do the same work; none at all is an error */
        started++;
    }
    bool ok = started > 0 && consume_all(&f, cancel, error);
    for (int i = 0; i < started; i++)
        g_thread_join(workers[i]);
    g_free(workers);
    tear_down(&f);
    return ok;
}
