/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "colour/domain.h"
#include "finish/flow.h"
#include "finish/name.h"
#include "finish/picture.h"
#include "finish/pipeline.h"
#include "finish/window.h"
#include "motion/share.h"

/* A picture on its way. */
typedef struct made {
    rw_frame frame;
    rw_motion_share *motion; /* of the registered picture; NULL when no stage asks for it */
    int64_t shown;           /* the picture that was really taken */
    double gain[3];
    int64_t repaired[RW_BLEMISH_KINDS];
    rw_buffer *mask; /* for each kind of blemish width * height bytes: 255 times the share that was
                        repaired; NULL: none */
    GArray *spots;   /* rw_spot, x and y of the film itself; NULL: none */
    char *note;
} made;

typedef struct pipeline {
    rw_plan *plan;
    rw_pool *pool;
    rw_stage_scene *scenes; /* as stages see them */
    bool motion;            /* some stage asks for motion */
    rw_pipeline_sink *sink;
    void *sink_data;
    /* A run of one picture may begin behind stages whose result was kept, or keep it. */
    int base;         /* levels of the plan that are left out: the flow's level 0 is this one */
    rw_frame resumed; /* level base's picture, when base > 0 */
    GArray *resumed_spots; /* and what was found on it; or NULL */
    int keep_level;        /* whose picture is to be kept; 0: none */
    int64_t keep_picture;
    GBytes *keep_name;
} pipeline;

/* One thread's own things. */
typedef struct worker {
    const rw_plan *plan;
    rw_picture_maker *maker;
    void **states; /* of the stages */
} worker;

static bool is_image(const pipeline *l, int level)
{
    return level == l->plan->n_stages + 1;
}

static const rw_plan_stage *stage_in_scene(const pipeline *l, int level, int64_t p)
{
    return &l->plan->scenes[rw_plan_picture(l->plan, p)->scene].stages[level - 1];
}

static void needs(int level, int64_t item, void *user, int64_t *first, int64_t *last)
{
    const pipeline *l = user;
    if (is_image(l, level)) {
        *first = rw_plan_image(l->plan, item)->a;
        *last = rw_plan_image(l->plan, item)->b;
        return;
    }
    const rw_plan_stage *s = stage_in_scene(l, level, item);
    rw_window_range(rw_plan_picture(l->plan, item), item, s->before, s->after, first, last);
}

static void stop(void *state, void *user)
{
    (void)user;
    worker *w = state;
    for (int i = 0; i < w->plan->n_stages; i++)
        if (w->states[i] && w->plan->stages[i]->close)
            w->plan->stages[i]->close(w->states[i]);
    g_free(w->states);
    rw_picture_maker_free(&w->maker);
    g_free(w);
}

static void *start(void *user, GError **error)
{
    const pipeline *l = user;
    worker *w = g_new0(worker, 1);
    w->plan = l->plan;
    w->maker = rw_picture_maker_new(l->plan);
    w->states = g_new0(void *, l->plan->n_stages + 1);
    for (int i = 0; i < l->plan->n_stages; i++) {
        const rw_stage *stage = l->plan->stages[i];
        GError *failed = NULL;
        if (stage->open)
            w->states[i] = stage->open(&l->scenes[0], l->plan->scenes[0].stages[i].params, &failed);
        if (failed) {
            g_propagate_error(error, failed);
            stop(w, user);
            return NULL;
        }
    }
    return w;
}

/* The domain in which the level above wants its pictures. */
static rw_domain wanted_domain(const pipeline *l, int level, int64_t p)
{
    for (int above = level + 1; above <= l->plan->n_stages; above++)
        if (!stage_in_scene(l, above, p)->idle)
            return l->plan->stages[above - 1]->domain;
    return RW_DOMAIN_LINEAR;
}

static void free_made(made *m)
{
    rw_frame_clear(&m->frame);
    rw_motion_share_unref(&m->motion);
    rw_buffer_unref(&m->mask);
    g_clear_pointer(&m->spots, g_array_unref);
    g_free(m->note);
    g_free(m);
}

static bool make_picture(pipeline *l, int64_t p, worker *w, made *m, GError **error)
{
    const rw_composition *c = &l->plan->scenes[rw_plan_picture(l->plan, p)->scene].composition;
    m->gain[0] = m->gain[1] = m->gain[2] = 1;
    m->shown = p;
    g_autoptr(GBytes) name = rw_name_registered(l->plan, p);
    if (rw_kept_find(l->plan->kept, name, rw_plan_picture(l->plan, p)->n, &m->frame, NULL))
        return true;
    if (!rw_picture_make(w->maker, p, c, l->pool, &m->frame, &m->shown, &m->note, error))
        return false;
    if (m->shown == p)
        rw_kept_add(l->plan->kept, name, &m->frame, NULL);
    return true;
}

/* Motion as a stage asks for it, by offset from its picture. */
typedef struct offset_source {
    rw_motion_source base;
    rw_motion_share *row[2 * RW_REACH_MAX + 1]; /* of the window's pictures, in order */
    int before, after;                          /* pictures that are there */
} offset_source;

static const rw_motion_field *get_motion(const rw_motion_source *self, int from, int to,
                                         GError **error)
{
    const offset_source *s = (const offset_source *)(const void *)self;
    if (MIN(from, to) < -s->before || MAX(from, to) > s->after)
        return NULL;
    return rw_motion_share_get(s->row, from + s->before, to + s->before, error);
}

/* What a stage may tell of is gathered on top of what those before it told. */
static bool open_trace(const pipeline *l, const made *own, made *m, rw_stage_trace *trace,
                       GError **error)
{
    if (l->plan->tell_spots) {
        m->spots = g_array_new(FALSE, FALSE, sizeof(rw_spot));
        if (own->spots)
            g_array_append_vals(m->spots, own->spots->data, own->spots->len);
        trace->spots = m->spots;
    }
    if (!l->plan->mask)
        return true;
    const size_t pixels = (size_t)l->plan->width * (size_t)l->plan->height;
    const size_t bytes = RW_BLEMISH_KINDS * pixels;
    m->mask = rw_pool_take(l->pool, bytes, error);
    if (!m->mask)
        return false;
    uint8_t *mask = rw_buffer_data(m->mask);
    if (own->mask)
        memcpy(mask, rw_buffer_data(own->mask), bytes);
    else
        memset(mask, 0, bytes);
    for (size_t k = 0; k < RW_BLEMISH_KINDS; k++)
        trace->mask[k] = mask + k * pixels;
    return true;
}

/* Stages speak of the film as it was steadied. */
static void place_spots(const pipeline *l, const made *own, made *m, int64_t p)
{
    for (guint i = own->spots ? own->spots->len : 0; m->spots && i < m->spots->len; i++) {
        rw_spot *spot = &g_array_index(m->spots, rw_spot, i);
        const rw_point at = rw_plan_unsteady(l->plan, p, spot->x, spot->y);
        spot->x = at.x;
        spot->y = at.y;
    }
}

static bool run_stage(pipeline *l, int level, int64_t p, const made *const *inputs, worker *w,
                      made *m, GError **error)
{
    const rw_plan_stage *s = stage_in_scene(l, level, p);
    const rw_stage *stage = l->plan->stages[level - 1];
    int64_t first, last;
    needs(level, p, l, &first, &last);
    const made *own = inputs[p - first];
    m->shown = own->shown;
    m->note = g_strdup(own->note);
    m->motion = rw_motion_share_ref(own->motion);
    memcpy(m->repaired, own->repaired, sizeof m->repaired);
    memcpy(m->gain, own->gain, sizeof m->gain);
    if (s->idle) {
        rw_frame_share(&m->frame, &own->frame);
        m->mask = own->mask ? rw_buffer_ref(own->mask) : NULL;
        m->spots = own->spots ? g_array_ref(own->spots) : NULL;
        return true;
    }
    const rw_frame *frames[2 * RW_REACH_MAX + 1];
    for (int64_t q = first; q <= last; q++)
        frames[q - first] = &inputs[q - first]->frame;
    int scene = rw_plan_picture(l->plan, p)->scene;
    rw_window window;
    rw_window_make(&window, l->plan, p, s->before, s->after, first, last, frames,
                   l->plan->scenes[scene].composition.film_to_frame);
    rw_stage_run run = {.scene = &l->scenes[scene],
                        .params = s->params,
                        .pool = l->pool,
                        .equipment = s->equipment,
                        .state = w->states[level - 1]};
    if (s->facts)
        run.facts = g_bytes_get_data(s->facts, &run.facts_bytes);
    offset_source motion = {{get_motion}, {NULL}, (int)(p - first), (int)(last - p)};
    for (int64_t q = first; q <= last; q++)
        motion.row[q - first] = inputs[q - first]->motion;
    if (stage->needs & RW_STAGE_NEEDS_MOTION)
        run.motion = &motion.base;
    rw_stage_trace trace = {.gain = {1, 1, 1}};
    if (!open_trace(l, own, m, &trace, error))
        return false;
    if (!stage->frame(&run, &window, &m->frame, &trace, error)) {
        rw_frame_clear(&m->frame);
        return false;
    }
    m->frame.n = own->frame.n;
    m->frame.domain = stage->domain;
    m->frame.still_to_frame = own->frame.still_to_frame;
    place_spots(l, own, m, p);
    for (int k = 0; k < RW_BLEMISH_KINDS; k++)
        m->repaired[k] += trace.repaired[k];
    for (int c = 0; c < 3; c++)
        m->gain[c] *= trace.gain[c];
    return true;
}

/* The picture that an earlier run kept behind its last window. */
static bool resume(pipeline *l, int64_t p, made *m)
{
    m->gain[0] = m->gain[1] = m->gain[2] = 1;
    m->shown = p;
    rw_frame_share(&m->frame, &l->resumed);
    m->spots = l->resumed_spots ? g_array_ref(l->resumed_spots) : NULL;
    return true;
}

static bool make_level(pipeline *l, int level, int64_t p, void *const *inputs, worker *w,
                       void **result, GError **error)
{
    made *m = g_new0(made, 1);
    bool ok = level > l->base ? run_stage(l, level, p, (const made *const *)inputs, w, m, error)
              : level > 0     ? resume(l, p, m)
                              : make_picture(l, p, w, m, error);
    if (ok && level > 0 && level == l->keep_level && p == l->keep_picture && !m->note)
        rw_kept_add(l->plan->kept, l->keep_name, &m->frame, m->spots);
    if (ok && level == 0 && l->motion)
        ok = (m->motion = rw_motion_share_new(l->pool, &m->frame, error)) != NULL;
    ok = ok && rw_frame_to_domain(&m->frame, wanted_domain(l, level, p), l->pool, error);
    if (!ok) {
        free_made(m);
        return false;
    }
    *result = m;
    return true;
}

/* ---- images ---- */

/* a (1 - share) + b share, in linear light, sample by sample. */
static bool blend(const rw_frame *a, const rw_frame *b, double share, rw_pool *pool, rw_frame *out,
                  GError **error)
{
    if (!rw_frame_alloc(out, pool, a->width, a->height, 3, error))
        return false;
    float part = (float)share, rest = 1 - part;
    for (int p = 0; p < 3; p++)
        for (int y = 0; y < a->height; y++) {
            const float *from_a = a->plane[p] + y * a->stride,
                        *from_b = b->plane[p] + y * b->stride;
            float *to = out->plane[p] + y * out->stride;
            for (int x = 0; x < a->width; x++)
                to[x] = rest * from_a[x] + part * from_b[x];
        }
    out->domain = RW_DOMAIN_LINEAR;
    return true;
}

static void tell_image(const pipeline *l, rw_made_image *image, const made *a, const made *b)
{
    image->still_to_out = a->frame.still_to_frame;
    image->picture = a->shown;
    memcpy(image->repaired, a->repaired, sizeof image->repaired);
    memcpy(image->gain, a->gain, sizeof image->gain);
    image->frames[image->n_frames++] = rw_plan_picture(l->plan, a->shown)->n;
    image->spots = a->spots ? g_array_ref(a->spots) : NULL;
    image->replaced = a->note != NULL;
    image->note = g_strdup(a->note);
    if (b == a)
        return;
    image->frames[image->n_frames++] = rw_plan_picture(l->plan, b->shown)->n;
    for (int k = 0; k < RW_BLEMISH_KINDS; k++)
        image->repaired[k] += b->repaired[k];
    image->replaced = image->replaced || b->note != NULL;
}

/* The share of each pixel that was repaired, of one picture or two that were blended: dirt in red,
 * scratches in green, hairs in blue. */
static bool pack_mask(const pipeline *l, const made *a, const made *b, rw_packed *packed,
                      GError **error)
{
    const int w = l->plan->width, h = l->plan->height;
    rw_frame frame;
    if (!rw_frame_alloc(&frame, l->pool, w, h, 3, error))
        return false;
    rw_buffer *const masks[2] = {a->mask, b->mask};
    for (int c = 0; c < 3; c++)
        for (int y = 0; y < h; y++) {
            float *to = frame.plane[c] + y * frame.stride;
            memset(to, 0, (size_t)w * sizeof *to);
            for (int k = 0; k < 2; k++) {
                const uint8_t *from = masks[k] ? rw_buffer_data(masks[k]) : NULL;
                for (int x = 0; from && x < w; x++)
                    to[x] = MAX(to[x], (float)from[(c * h + y) * w + x] * (1.0f / 255.0f));
            }
        }
    const bool ok = rw_packed_make(packed, l->plan->mask_delivery->pack, &frame, l->pool, error);
    rw_frame_clear(&frame);
    return ok;
}

static bool make_image(pipeline *l, int64_t i, void *const *inputs, void **result, GError **error)
{
    const rw_image *wanted = rw_plan_image(l->plan, i);
    const made *a = inputs[0], *b = inputs[wanted->b - wanted->a];
    rw_frame frame;
    if (a == b)
        rw_frame_share(&frame, &a->frame);
    else if (!blend(&a->frame, &b->frame, wanted->b_share, l->pool, &frame, error))
        return false;
    frame.n = wanted->n;
    rw_made_image *image = g_new0(rw_made_image, 1);
    bool ok = rw_packed_make(&image->packed, l->plan->delivery->pack, &frame, l->pool, error);
    rw_frame_clear(&frame);
    if (ok && l->plan->mask && !pack_mask(l, a, b, &image->mask, error)) {
        rw_packed_clear(&image->packed);
        ok = false;
    }
    if (!ok) {
        g_free(image);
        return false;
    }
    tell_image(l, image, a, b);
    *result = image;
    return true;
}

/* ---- as the flow sees it ---- */

static void needs_above(int level, int64_t item, void *user, int64_t *first, int64_t *last)
{
    const pipeline *l = user;
    needs(level + l->base, item, user, first, last);
}

static bool make(int level, int64_t item, void *const *inputs, void *state, void *user,
                 void **result, GError **error)
{
    pipeline *l = user;
    level += l->base;
    return is_image(l, level) ? make_image(l, item, inputs, result, error)
                              : make_level(l, level, item, inputs, state, result, error);
}

static bool consume(int64_t item, void *result, void *user, GError **error)
{
    const pipeline *l = user;
    return l->sink(item, result, l->sink_data, error);
}

static void discard(int level, void *result, void *user)
{
    const pipeline *l = user;
    if (!is_image(l, level + l->base)) {
        free_made(result);
        return;
    }
    rw_made_image *image = result;
    rw_packed_clear(&image->packed);
    rw_packed_clear(&image->mask);
    g_clear_pointer(&image->spots, g_array_unref);
    g_free(image->note);
    g_free(image);
}

/* ---- what it takes ---- */

void rw_pipeline_pictures(const rw_plan *plan, int64_t first, int64_t last, int64_t *first_picture,
                          int64_t *last_picture)
{
    const pipeline l = {.plan = (rw_plan *)(uintptr_t)plan};
    for (int level = plan->n_stages + 1; level > 0; level--) {
        int64_t ignored, low, high;
        needs(level, first, (void *)(uintptr_t)&l, &low, &ignored);
        needs(level, last, (void *)(uintptr_t)&l, &ignored, &high);
        first = low;
        last = high;
    }
    *first_picture = first;
    *last_picture = last;
}

/* What a run takes, in bytes. */
typedef struct demand {
    int items;    /* that the widest windows of all levels hold at once, each a picture or less */
    size_t least; /* of all those */
    size_t item;  /* of one more */
    size_t per_worker; /* scratch of one thread */
} demand;

static bool is_used(const rw_plan *plan, int stage)
{
    for (int s = 0; s < plan->n_scenes; s++)
        if (!plan->scenes[s].stages[stage].idle)
            return true;
    return false;
}

static bool needs_motion(const rw_plan *plan)
{
    for (int i = 0; i < plan->n_stages; i++)
        if ((plan->stages[i]->needs & RW_STAGE_NEEDS_MOTION) && is_used(plan, i))
            return true;
    return false;
}

/* Items that the widest windows of all levels hold at once; *span: pictures of the first level. */
static int widest_need(const rw_plan *plan, int *span)
{
    int widest = 0;
    *span = 1;
    for (int s = 0; s < plan->n_scenes; s++) {
        int here = 1, sum = 2;
        for (int i = plan->n_stages - 1; i >= 0; i--) {
            here += plan->scenes[s].stages[i].before + plan->scenes[s].stages[i].after;
            sum += here;
        }
        widest = MAX(widest, sum);
        *span = MAX(*span, here);
    }
    return widest;
}

static demand demand_of(const rw_plan *plan)
{
    demand d = {0};
    const int w = plan->width, h = plan->height;
    const size_t picture =
        (12u + (plan->mask ? RW_BLEMISH_KINDS : 0u)) * ((size_t)w + 32) * (size_t)h;
    const size_t motion = needs_motion(plan) ? rw_motion_share_bytes(w, h) : 0;
    int span;
    d.items = widest_need(plan, &span);
    d.least = (size_t)d.items * picture + (size_t)span * motion;
    d.item = picture + motion;
    for (int i = 0; i < plan->n_stages; i++)
        if (is_used(plan, i))
            d.per_worker = MAX(d.per_worker, plan->stages[i]->scratch);
    if (plan->mask)
        d.per_worker = MAX(d.per_worker, 20u); /* a mask as a frame, and packed */
    d.per_worker *= ((size_t)w + 2 * RW_STAGE_MARGIN) * ((size_t)h + 2 * RW_STAGE_MARGIN);
    d.per_worker += motion ? rw_motion_share_scratch(w, h) : 0;
    return d;
}

/* ---- the run ---- */

/* Number of stages up to the last that looks at several pictures of this one's scene. */
static int stages_with_windows(const rw_plan *plan, int64_t p)
{
    const rw_plan_scene *scene = &plan->scenes[rw_plan_picture(plan, p)->scene];
    for (int i = plan->n_stages; i > 0; i--) {
        const rw_plan_stage *s = &scene->stages[i - 1];
        if (!s->idle && (s->before || s->after || plan->stages[i - 1]->needs))
            return i;
    }
    return 0;
}

/* For one picture alone: what comes behind the last window (a look, above all) is tried again and
 * again, so what lies before it is kept. */
static void begin_behind_windows(pipeline *l, int64_t image)
{
    const rw_plan *plan = l->plan;
    const int64_t p = rw_plan_image(plan, image)->a;
    const int stages = stages_with_windows(plan, p);
    if (!plan->kept || rw_plan_image(plan, image)->b != p || stages == 0)
        return;
    int64_t first, last;
    rw_pipeline_pictures(plan, image, image, &first, &last);
    l->keep_name = rw_name_after(plan, p, stages, first, last);
    l->keep_picture = p;
    if (rw_kept_find(plan->kept, l->keep_name, rw_plan_picture(plan, p)->n, &l->resumed,
                     &l->resumed_spots))
        l->base = stages;
    else
        l->keep_level = stages;
}

bool rw_pipeline_run(rw_plan *plan, int64_t first, int64_t last, rw_pool *pool,
                     const atomic_bool *cancel, rw_pipeline_sink *sink, void *data, GError **error)
{
    const demand d = demand_of(plan);
    if (plan->memory < d.least + d.per_worker) {
        g_set_error(error, RW_ERROR, RW_ERROR_MEMORY,
                    "%d pictures of %dx%d must be held at once, which takes %zu MiB; %zu MiB are "
                    "allowed. Choose a smaller size, leave out a stage or give --memory.",
                    d.items, plan->width, plan->height, ((d.least + d.per_worker) >> 20) + 1,
                    plan->memory >> 20);
        return false;
    }
    /* memory, not the number of cores, says how many may work at once */
    int threads = plan->threads;
    if (d.per_worker > 0)
        threads = (int)MIN((size_t)threads, (plan->memory - d.least) / d.per_worker);
    const size_t rest = plan->memory - d.least - (size_t)threads * d.per_worker;
    const int live = d.items + (int)MIN(rest / d.item, 100000u);
    pipeline l = {
        .plan = plan, .pool = pool, .motion = needs_motion(plan), .sink = sink, .sink_data = data};
    l.scenes = g_new(rw_stage_scene, plan->n_scenes);
    for (int s = 0; s < plan->n_scenes; s++)
        l.scenes[s] = rw_plan_stage_scene(plan, s, &plan->scenes[s].composition);
    if (first == last)
        begin_behind_windows(&l, first);
    const rw_flow_ops ops = {
        plan->n_stages + 2 - l.base, needs_above, start, stop, make, consume, discard};
    bool ok = rw_flow_run(&ops, first, last, threads, 2 * threads, live, cancel, &l, error);
    rw_frame_clear(&l.resumed);
    g_clear_pointer(&l.resumed_spots, g_array_unref);
    g_clear_pointer(&l.keep_name, g_bytes_unref);
    g_free(l.scenes);
    return ok;
}
