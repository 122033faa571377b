/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * noop.c - a whole stage that, left alone, does nothing. Copy it to begin a new one.
 *
 * It has everything a stage can have: parameters, neighbours, scratch memory, and facts that come
 * from a scene's history. Its two knobs are 0 by default, and then every frame passes untouched;
 * the tests turn them up to see the pipeline move.
 */
#include <string.h>

#include "base/pool.h"
#include "restore/stages.h"

/* Stored by name in reel.db: renaming a member forgets what people chose. */
typedef struct noop_params {
    double echo;   /* how much of the neighbours' mean is mixed in */
    double settle; /* how far each frame's mean light is drawn to the scene's */
} noop_params;

static const rw_param rows[] = {
    RW_PARAM_NUMBER_ROW(noop_params, echo, "Echo", "", 0, 1, 0,
                        "Share of the mean of the frames around that is mixed in."),
    RW_PARAM_NUMBER_ROW(noop_params, settle, "Settle", "", 0, 1, 0,
                        "How far the light of each frame is drawn to the scene's mean."),
    RW_PARAM_END};

#define REACH 2

static bool idle(const void *params)
{
    const noop_params *p = params;
    return p->echo == 0 && p->settle == 0;
}

static void reach(const void *params, int *before, int *after)
{
    (void)params;
    *before = *after = REACH;
}

/* ---- history ---- */

static double mean_light(const rw_frame *f)
{
    double sum = 0;
    for (int y = 0; y < f->height; y++)
        for (int x = 0; x < f->width; x++)
            sum += (double)f->plane[1][(ptrdiff_t)y * f->stride + x];
    return sum / ((double)f->width * f->height);
}

static bool observe(const rw_stage_run *run, const rw_window *window, void *observation,
                    GError **error)
{
    (void)run, (void)error;
    *(double *)observation = mean_light(rw_window_at(window, 0));
    return true;
}

static bool prepare(const rw_stage_scene *scene, const void *params, const int64_t *n,
                    const void *const *observations, size_t count, GByteArray *facts,
                    GError **error)
{
    (void)scene, (void)params, (void)n, (void)error;
    double sum = 0;
    for (size_t i = 0; i < count; i++)
        sum += *(const double *)observations[i];
    double mean = sum / (double)count;
    g_byte_array_append(facts, (const guint8 *)&mean, sizeof mean);
    return true;
}

/* ---- scratch: one row of sums per thread ---- */

static void *open_scratch(const rw_stage_scene *scene, const void *params, GError **error)
{
    (void)params, (void)error;
    return g_new(float, scene->width);
}

/* ---- one frame ---- */

/* Row y of plane p of all pictures in the window but the middle one, summed from the first to the
 * last: a fixed order gives the same bits on every machine. Returns how many they are. */
static int sum_neighbours(const rw_window *window, int p, int y, int width, float *sum)
{
    int count = 0;
    memset(sum, 0, sizeof *sum * (size_t)width);
    for (int k = -window->before; k <= window->after; k++) {
        const rw_frame *f = rw_window_at(window, k);
        if (!f || k == 0)
            continue;
        const float *row = f->plane[p] + (ptrdiff_t)y * f->stride;
        for (int x = 0; x < width; x++)
            sum[x] += row[x];
        count++;
    }
    return count;
}

static bool frame(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error)
{
    const noop_params *p = run->params;
    const rw_frame *in = rw_window_at(window, 0);
    if (!rw_frame_alloc(out, run->pool, in->width, in->height, 3, error))
        return false;
    float gain = 1;
    if (p->settle > 0) {
        double mean = MAX(mean_light(in), 1e-6);
        double wanted = *(const double *)run->facts;
        gain = (float)(1 + p->settle * (wanted / mean - 1));
    }
    float *sum = run->state;
    for (int plane = 0; plane < 3; plane++) {
        trace->gain[plane] = (double)gain;
        for (int y = 0; y < in->height; y++) {
            const float *from = in->plane[plane] + (ptrdiff_t)y * in->stride;
            float *to = out->plane[plane] + (ptrdiff_t)y * out->stride;
            int count = sum_neighbours(window, plane, y, in->width, sum);
            float share = count ? (float)p->echo : 0, each = count ? share / (float)count : 0;
            for (int x = 0; x < in->width; x++)
                to[x] = gain * ((1 - share) * from[x] + each * sum[x]);
        }
    }
    return true;
}

const rw_stage rw_stage_noop = {
    .name = "noop",
    .title = "Nothing",
    .help = "Passes every frame on as it is; for those who write stages and for tests.",
    .version = 1,
    .by_default = false,
    .params = rows,
    .params_size = sizeof(noop_params),
    .domain = RW_DOMAIN_LINEAR,
    .idle = idle,
    .reach = reach,
    .observation_bytes = sizeof(double),
    .observe_width = 90,
    .observe = observe,
    .prepare = prepare,
    .open = open_scratch,
    .close = g_free,
    .frame = frame,
};
