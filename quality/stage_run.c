/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "stage_run.h"

#include <math.h>

#include "base/ordered.h"
#include "base/pool.h"
#include "motion/field.h"

#define FAR 2

struct stage_run {
    rw_pool *pool;
    int count, threads;
    rw_frame *frame;
    rw_motion_field (*field)[2 * FAR + 1];
    rw_stage_scene scene;
    GByteArray *facts;
    stage_times times;
};

static double seconds(void)
{
    return (double)g_get_monotonic_time() * 1e-6;
}

/* ---- codes and light: IEC 61966-2-1 ---- */

static double light_of(double v)
{
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

static double code_of(double l)
{
    return l <= 0.0031308 ? 12.92 * l : 1.055 * pow(l, 1 / 2.4) - 0.055;
}

static void fill_frame(rw_frame *f, const clip *c, int n)
{
    float table[256];
    for (int i = 0; i < 256; i++)
        table[i] = (float)light_of(i / 255.0);
    const uint8_t *p = clip_frame(c, n);
    for (int y = 0; y < c->height; y++)
        for (int x = 0; x < c->width; x++)
            for (int k = 0; k < 3; k++)
                f->plane[k][y * f->stride + x] = table[p[3 * (y * c->width + x) + k]];
}

void stage_run_to_clip(const stage_run *run, clip *out)
{
    clip_alloc(out, run->frame[0].width, run->frame[0].height, run->count);
    uint8_t *table = g_malloc(65536);
    for (int i = 0; i < 65536; i++)
        table[i] = (uint8_t)(code_of(i / 65535.0) * 255.0 + 0.5);
    for (int n = 0; n < run->count; n++) {
        const rw_frame *f = &run->frame[n];
        uint8_t *p = clip_frame(out, n);
        for (int y = 0; y < f->height; y++)
            for (int x = 0; x < f->width; x++)
                for (int k = 0; k < 3; k++) {
                    const float v = f->plane[k][y * f->stride + x];
                    p[3 * (y * f->width + x) + k] =
                        table[(int)(CLAMP(v, 0.0f, 1.0f) * 65535.0f + 0.5f)];
                }
    }
    g_free(table);
}

/* ---- work over frames by the run's threads ---- */

typedef struct batch {
    stage_run *run;
    void (*work)(stage_run *run, int n, void *state, void *user);
    void *(*open)(stage_run *run, void *user);
    void (*close)(void *state, void *user);
    void *user;
} batch;

static void *batch_start(void *user, GError **error)
{
    (void)error;
    batch *b = user;
    return b->open ? b->open(b->run, b->user) : NULL;
}

static bool batch_work(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)error;
    batch *b = user;
    b->work(b->run, (int)n, state, b->user);
    *result = NULL;
    return true;
}

static bool batch_consume(int64_t n, void *result, void *user, GError **error)
{
    (void)n, (void)result, (void)user, (void)error;
    return true;
}

static void batch_discard(void *result, void *user)
{
    (void)result, (void)user;
}

static void batch_stop(void *state, void *user)
{
    batch *b = user;
    if (b->close)
        b->close(state, b->user);
}

static void run_batch(batch *b)
{
    const rw_ordered_ops ops = {batch_start, batch_work, batch_consume, batch_discard, batch_stop};
    GError *error = NULL;
    if (!rw_ordered_run(&ops, 0, b->run->count - 1, b->run->threads, b->run->threads + 2, NULL, b,
                        &error))
        g_error("%s", error->message);
}

/* ---- motion ---- */

static void estimate(stage_run *run, const rw_motion_picture *pic, int n, int far)
{
    if (n + far >= run->count)
        return;
    GError *error = NULL;
    const bool hint = far == 2;
    if (!rw_motion_pair_estimate(&run->field[n][FAR + far], &run->field[n + far][FAR - far],
                                 run->pool, &pic[n], &pic[n + far],
                                 hint ? &run->field[n][FAR + 1] : NULL,
                                 hint ? &run->field[n + 2][FAR - 1] : NULL, 2.0f, &error))
        g_error("%s", error->message);
}

static void picture_work(stage_run *run, int n, void *state, void *user)
{
    (void)state;
    rw_motion_picture *pic = user;
    rw_motion_picture_init(&pic[n], run->pool, &run->frame[n], NULL);
}

static void near_work(stage_run *run, int n, void *state, void *user)
{
    (void)state;
    estimate(run, user, n, 1);
}

static void far_work(stage_run *run, int n, void *state, void *user)
{
    (void)state;
    estimate(run, user, n, 2);
}

stage_run *stage_run_new(const clip *scanned, const rw_affine *still_to_frame, int threads)
{
    stage_run *run = g_new0(stage_run, 1);
    run->pool = rw_pool_new((size_t)14 << 30);
    run->count = scanned->count;
    run->threads = threads;
    run->frame = g_new0(rw_frame, run->count);
    run->field = g_malloc0(sizeof *run->field * (size_t)run->count);
    for (int n = 0; n < run->count; n++) {
        rw_frame *f = &run->frame[n];
        if (!rw_frame_alloc(f, run->pool, scanned->width, scanned->height, 3, NULL))
            g_error("No room for frame %d.", n);
        fill_frame(f, scanned, n);
        f->n = n;
        f->domain = RW_DOMAIN_LINEAR;
        if (still_to_frame)
            f->still_to_frame = still_to_frame[n];
    }
    run->scene = (rw_stage_scene){.id = 1,
                                  .first = 0,
                                  .last = run->count - 1,
                                  .width = scanned->width,
                                  .height = scanned->height,
                                  .px_per_mm = scanned->width / 5.31,
                                  .fps = {18, 1}};
    rw_motion_picture *pic = g_new0(rw_motion_picture, run->count);
    const double t = seconds();
    batch b = {.run = run, .work = picture_work, .user = pic};
    run_batch(&b);
    b.work = near_work;
    run_batch(&b);
    b.work = far_work;
    run_batch(&b);
    run->times.motion = seconds() - t;
    for (int n = 0; n < run->count; n++)
        rw_motion_picture_clear(&pic[n]);
    g_free(pic);
    return run;
}

void stage_run_free(stage_run **run)
{
    stage_run *r = *run;
    if (!r)
        return;
    for (int n = 0; n < r->count; n++) {
        rw_frame_clear(&r->frame[n]);
        for (int k = 0; k <= 2 * FAR; k++)
            if (r->field[n][k].buffer)
                rw_motion_field_clear(&r->field[n][k]);
    }
    g_free(r->frame);
    g_free(r->field);
    if (r->facts)
        g_byte_array_unref(r->facts);
    rw_pool_free(&r->pool);
    g_clear_pointer(run, g_free);
}

typedef struct source {
    rw_motion_source base;
    const stage_run *run;
    int n;
} source;

static const rw_motion_field *get_field(const rw_motion_source *self, int from, int to,
                                        GError **error)
{
    (void)error;
    const source *s = (const source *)(const void *)self;
    return stage_run_field(s->run, s->n + from, to - from);
}

const rw_motion_field *stage_run_field(const stage_run *run, int n, int offset)
{
    if (n < 0 || n >= run->count || abs(offset) > FAR || !run->field[n][FAR + offset].buffer)
        return NULL;
    return &run->field[n][FAR + offset];
}

/* ---- stages ---- */

static void fill_window(rw_window *w, const rw_frame *frames, int count, int n, int before,
                        int after)
{
    memset(w, 0, sizeof *w);
    w->before = before;
    w->after = after;
    for (int k = -before; k <= after; k++) {
        if (n + k >= 0 && n + k < count)
            w->frame[RW_REACH_MAX + k] = &frames[n + k];
        w->film_to_frame[RW_REACH_MAX + k] = rw_affine_identity();
    }
}

/* Means over the pixels that a smaller one covers. */
static void reduce(rw_frame *out, rw_pool *pool, const rw_frame *in, int width)
{
    const double ratio = (double)in->width / width;
    const int height = (int)lrint(in->height / ratio);
    if (!rw_frame_alloc(out, pool, width, height, 3, NULL))
        g_error("No room for a small frame.");
    out->n = in->n;
    out->domain = in->domain;
    const rw_affine smaller = {
        {{1 / ratio, 0, 0.5 / ratio - 0.5}, {0, 1 / ratio, 0.5 / ratio - 0.5}}};
    out->still_to_frame = rw_affine_then(in->still_to_frame, smaller);
    for (int k = 0; k < 3; k++)
        for (int y = 0; y < height; y++)
            for (int x = 0; x < width; x++) {
                const double x0 = x * ratio, x1 = x0 + ratio, y0 = y * ratio, y1 = y0 + ratio;
                double sum = 0, weight = 0;
                for (int j = (int)y0; j < y1 && j < in->height; j++)
                    for (int i = (int)x0; i < x1 && i < in->width; i++) {
                        const double a =
                            (MIN(i + 1, x1) - MAX(i, x0)) * (MIN(j + 1, y1) - MAX(j, y0));
                        sum += a * (double)in->plane[k][j * in->stride + i];
                        weight += a;
                    }
                out->plane[k][y * out->stride + x] = (float)(sum / weight);
            }
}

typedef struct stage_job {
    const rw_stage *stage;
    const void *params;
    const rw_frame *small; /* NULL: the frames themselves */
    char *observations;
    rw_frame *out;
    uint8_t **masks;
    GArray **spots;
} stage_job;

static void observe_work(stage_run *run, int n, void *state, void *user)
{
    (void)state;
    stage_job *j = user;
    rw_window w;
    fill_window(&w, j->small ? j->small : run->frame, run->count, n, j->stage->observe_reach,
                j->stage->observe_reach);
    const rw_stage_run r = {.scene = &run->scene, .params = j->params, .pool = run->pool};
    GError *error = NULL;
    if (!j->stage->observe(&r, &w, j->observations + (size_t)n * j->stage->observation_bytes,
                           &error))
        g_error("%s", error->message);
}

static void *open_state(stage_run *run, void *user)
{
    stage_job *j = user;
    return j->stage->open ? j->stage->open(&run->scene, j->params, NULL) : NULL;
}

static void close_state(void *state, void *user)
{
    stage_job *j = user;
    if (j->stage->close)
        j->stage->close(state);
}

static void frame_work(stage_run *run, int n, void *state, void *user)
{
    stage_job *j = user;
    int before = 0, after = 0;
    if (j->stage->reach)
        j->stage->reach(j->params, &before, &after);
    rw_window w;
    fill_window(&w, run->frame, run->count, n, before, after);
    const source motion = {{get_field}, run, n};
    rw_stage_run r = {.scene = &run->scene, .params = j->params, .pool = run->pool, .state = state};
    if (j->stage->needs & RW_STAGE_NEEDS_MOTION)
        r.motion = &motion.base;
    if (run->facts) {
        r.facts = run->facts->data;
        r.facts_bytes = run->facts->len;
    }
    rw_stage_trace trace = {.gain = {1, 1, 1}};
    for (int k = 0; j->masks && k < RW_BLEMISH_KINDS; k++)
        trace.mask[k] = j->masks[n]; /* of whatever kind */
    if (j->spots)
        trace.spots = j->spots[n];
    GError *error = NULL;
    if (!j->stage->frame(&r, &w, &j->out[n], &trace, &error))
        g_error("%s", error->message);
    j->out[n].n = run->frame[n].n;
    j->out[n].domain = run->frame[n].domain;
    j->out[n].still_to_frame = run->frame[n].still_to_frame;
}

static void gather_facts(stage_run *run, stage_job *j)
{
    const rw_stage *stage = j->stage;
    rw_frame *small = NULL;
    if (stage->observe_width && stage->observe_width != run->scene.width) {
        small = g_new0(rw_frame, run->count);
        for (int n = 0; n < run->count; n++)
            reduce(&small[n], run->pool, &run->frame[n], stage->observe_width);
    }
    j->small = small;
    j->observations = g_malloc0(stage->observation_bytes * (size_t)run->count);
    double t = seconds();
    batch b = {.run = run, .work = observe_work, .user = j};
    run_batch(&b);
    run->times.observe += seconds() - t;
    int64_t *n = g_new(int64_t, run->count);
    const void **each = g_new(const void *, run->count);
    for (int i = 0; i < run->count; i++) {
        n[i] = i;
        each[i] = j->observations + (size_t)i * stage->observation_bytes;
    }
    t = seconds();
    run->facts = g_byte_array_new();
    GError *error = NULL;
    if (!stage->prepare(&run->scene, j->params, n, each, (size_t)run->count, run->facts, &error))
        g_error("%s", error->message);
    run->times.prepare += seconds() - t;
    for (int i = 0; small && i < run->count; i++)
        rw_frame_clear(&small[i]);
    g_free(small);
    g_free(n);
    g_free(each);
    g_free(j->observations);
}

void *stage_params(const rw_stage *stage, const char *const *settings)
{
    void *params = g_malloc0(MAX(stage->params_size, 1));
    rw_params_defaults(stage->params, params);
    for (; settings && *settings; settings++) {
        g_auto(GStrv) pair = g_strsplit(*settings, "=", 2);
        GError *error = NULL;
        if (!rw_params_set(stage->params, params, pair[0], pair[1], &error))
            g_error("%s", error->message);
    }
    return params;
}

void stage_run_stage(stage_run *run, const rw_stage *stage, const void *params, uint8_t **masks,
                     GArray **spots)
{
    g_autofree void *defaults = stage_params(stage, NULL);
    stage_job j = {
        .stage = stage, .params = params ? params : defaults, .masks = masks, .spots = spots};
    g_clear_pointer(&run->facts, g_byte_array_unref);
    if (stage->prepare)
        gather_facts(run, &j);
    j.out = g_new0(rw_frame, run->count);
    const double t = seconds();
    batch b = {
        .run = run, .work = frame_work, .open = open_state, .close = close_state, .user = &j};
    run_batch(&b);
    run->times.frame += seconds() - t;
    for (int n = 0; n < run->count; n++) {
        rw_frame_clear(&run->frame[n]);
        run->frame[n] = j.out[n];
    }
    g_free(j.out);
}

stage_times stage_run_times(const stage_run *run)
{
    return run->times;
}

static double measured_light(const rw_stage_scene *scene, const char *name, int64_t n)
{
    const double *light = scene->data;
    return g_str_equal(name, "clear") ? light[n] : NAN;
}

void stage_run_light(stage_run *run, const double *light)
{
    run->scene.measure = light ? measured_light : NULL;
    run->scene.data = light;
}

const rw_frame *stage_run_frame(const stage_run *run, int n)
{
    return &run->frame[n];
}

rw_pool *stage_run_pool(stage_run *run)
{
    return run->pool;
}

const GByteArray *stage_run_facts(const stage_run *run)
{
    return run->facts;
}
