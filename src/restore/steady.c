/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * steady.c - the border that a moved picture leaves, filled from its neighbours.
 *
 * Steadying itself acts through the one composed transform, and finish plans it. What is left to do
 * here is the choice "fill": where a frame does not reach, the nearest neighbour in time that does
 * lends its picture, which lies in the same place since both are steadied. The seam is feathered.
 */
#include <math.h>
#include <string.h>

#include <reelwright/motion.h>

#include "base/pool.h"
#include "restore/stages.h"

#define REACH   RW_REACH_MAX
#define FEATHER 0.008 /* of the frame's height */

static bool idle(const void *params)
{
    const rw_steady_params *p = params;
    return p->border != RW_STEADY_FILL || p->mode == RW_STEADY_OFF;
}

static void reach(const void *params, int *before, int *after)
{
    (void)params;
    *before = *after = REACH;
}

/* The facts, from finish: what each frame of the scene shows, film mm as it was registered. */
typedef struct shown {
    int64_t n;
    double x, y, width, height;
} shown;

static const shown *find_shown(const rw_stage_run *run, int64_t n)
{
    const shown *list = run->facts;
    size_t low = 0, high = run->facts_bytes / sizeof *list;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (list[middle].n < n)
            low = middle + 1;
        else
            high = middle;
    }
    return low < run->facts_bytes / sizeof *list && list[low].n == n ? &list[low] : NULL;
}

/* Pixels of the frame, inwards from which the picture is whole; empty when it shows nothing. */
typedef struct area {
    double left, top, right, foot;
} area;

static area area_of(const rw_stage_run *run, const rw_window *window, int offset)
{
    area a = {0, 0, -1, -1};
    const rw_frame *f = rw_window_at(window, offset);
    const shown *s = f ? find_shown(run, f->n) : NULL;
    if (!s || s->width <= 0)
        return a;
    rw_affine to = window->film_to_frame[RW_REACH_MAX + offset];
    rw_point p = rw_affine_apply(to, s->x, s->y),
             q = rw_affine_apply(to, s->x + s->width, s->y + s->height);
    /* half a pixel further in, where no sample from outside is mixed in */
    return (area){MIN(p.x, q.x) + 1, MIN(p.y, q.y) + 1, MAX(p.x, q.x) - 1, MAX(p.y, q.y) - 1};
}

static bool covers(area a, int width, int height)
{
    return a.left <= 0 && a.top <= 0 && a.right >= width - 1 && a.foot >= height - 1;
}

/* How far the picture may be believed at a place, 0..1. */
static float belief(area a, double feather, int x, int y)
{
    double in = MIN(MIN(x - a.left, a.right - x), MIN(y - a.top, a.foot - y));
    return (float)CLAMP(in / feather, 0.0, 1.0);
}

static void lay_under(rw_frame *out, float *open, const rw_frame *from, area a, double feather)
{
    for (int y = 0; y < out->height; y++)
        for (int x = 0; x < out->width; x++) {
            float left = open[(size_t)y * (size_t)out->width + (size_t)x];
            if (left <= 0)
                continue;
            float share = left * belief(a, feather, x, y);
            if (share <= 0)
                continue;
            for (int c = 0; c < 3; c++)
                out->plane[c][y * out->stride + x] += share * from->plane[c][y * from->stride + x];
            open[(size_t)y * (size_t)out->width + (size_t)x] = left - share;
        }
}

/* What no neighbour reaches keeps what the frame itself has there. */
static void close_rest(rw_frame *out, const float *open, const rw_frame *own)
{
    for (int c = 0; c < 3; c++)
        for (int y = 0; y < out->height; y++)
            for (int x = 0; x < out->width; x++)
                out->plane[c][y * out->stride + x] +=
                    open[(size_t)y * (size_t)out->width + (size_t)x] *
                    own->plane[c][y * own->stride + x];
}

static bool frame(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error)
{
    (void)trace;
    const rw_frame *own = rw_window_at(window, 0);
    area mine = area_of(run, window, 0);
    if (covers(mine, own->width, own->height) || mine.right < mine.left) {
        rw_frame_share(out, own);
        return true;
    }
    if (!rw_frame_alloc(out, run->pool, own->width, own->height, 3, error))
        return false;
    size_t count = (size_t)own->width * (size_t)own->height;
    float *open = g_new(float, count);
    for (size_t i = 0; i < count; i++)
        open[i] = 1;
    for (int c = 0; c < 3; c++)
        for (int y = 0; y < out->height; y++)
            memset(out->plane[c] + y * out->stride, 0, sizeof(float) * (size_t)out->width);
    double feather = MAX(2.0, FEATHER * own->height);
    lay_under(out, open, own, mine, feather);
    for (int d = 1; d <= REACH; d++)
        for (int side = -1; side <= 1; side += 2) {
            const rw_frame *f = rw_window_at(window, side * d);
            area a = area_of(run, window, side * d);
            if (f && a.right > a.left)
                lay_under(out, open, f, a, feather);
        }
    close_rest(out, open, own);
    g_free(open);
    return true;
}

const rw_stage rw_stage_steady = {
    .name = "steady",
    .title = "Steady",
    .help = "Takes out the unsteadiness of the camera that shot the film and leaves its movement; "
            "scene by scene.",
    .version = 1,
    .by_default = true,
    .params = rw_steady_rows,
    .params_size = sizeof(rw_steady_params),
    .domain = RW_DOMAIN_LINEAR,
    .idle = idle,
    .reach = reach,
    .frame = frame,
};
