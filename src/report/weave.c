/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/select.h"
#include "report/weave.h"
#include "steady/choice.h"
#include "steady/scene.h"

/* The values that are known, sorted; *n how many. g_free. */
static double *sorted(const double *values, int64_t count, size_t *n)
{
    double *v = g_new(double, MAX(count, 1));
    *n = 0;
    for (int64_t i = 0; i < count; i++)
        if (isfinite(values[i]))
            v[(*n)++] = values[i];
    qsort(v, *n, sizeof *v, rw_compare_doubles);
    return v;
}

double rw_weave_rms(const double *values, int64_t count)
{
    g_autofree double *size = g_new(double, MAX(count, 1));
    for (int64_t i = 0; i < count; i++)
        size[i] = fabs(values[i]);
    size_t n;
    g_autofree double *v = sorted(size, count, &n);
    double sum = 0;
    n -= n / 100;
    for (size_t i = 0; i < n; i++)
        sum += v[i] * v[i];
    return n ? sqrt(sum / (double)n) : NAN;
}

static void subtract_median(double *values, int64_t count)
{
    size_t n;
    g_autofree double *v = sorted(values, count, &n);
    for (int64_t i = 0; i < count && n; i++)
        values[i] -= v[n / 2];
}

/* Where the middle of the film's picture lies on each still, px, about the scene's middle. */
static bool add_transfer(rw_reel *reel, const rw_gauge *gauge, const rw_scene_row *scene,
                         rw_weave *w, GError **error)
{
    rw_rect p = gauge->projectable;
    g_autoptr(GArray) places = rw_reel_placements(reel, scene->first, scene->last, error);
    if (!places)
        return false;
    for (guint i = 0; i < places->len; i++) {
        const rw_geometry_row *g = &g_array_index(places, rw_geometry_row, i);
        double *x = &w->before[0][scene->first + i], *y = &w->before[1][scene->first + i];
        rw_affine a = g->film_to_still;
        double size = *g->method ? sqrt(fabs(rw_affine_determinant(a))) : 0;
        rw_point c = rw_affine_apply(a, p.x + p.width / 2, p.y + p.height / 2);
        double k = RW_WEAVE_ROWS / p.height / size;
        /* the still's axes turned to the film's */
        *x = size > 0 ? k * (a.m[0][0] * c.x + a.m[1][0] * c.y) / size : NAN;
        *y = size > 0 ? k * (a.m[0][1] * c.x + a.m[1][1] * c.y) / size : NAN;
    }
    return true;
}

/* How far off its path the picture lies on the registered film. A scene that is left alone is held
 * against the path that it would be given. */
static bool add_camera(rw_reel *reel, const rw_gauge *gauge, const rw_scene_row *scene, rw_weave *w,
                       GError **error)
{
    rw_steady_params params, usual = RW_STEADY_DEFAULTS;
    if (!rw_steady_choices(reel, scene->id, &params, error))
        return false;
    bool off = params.mode == RW_STEADY_OFF;
    rw_steady_run *run = rw_steady_run_new(reel, scene->first, scene->last, NULL,
                                           gauge->projectable, off ? &usual : &params, error);
    if (!run)
        return false;
    for (int i = 0; i < run->count && run->found; i++) {
        const rw_steady_frame *f = &run->frame[i];
        double *before[2] = {&w->before[0][scene->first + i], &w->before[1][scene->first + i]};
        double *after[2] = {&w->after[0][scene->first + i], &w->after[1][scene->first + i]};
        const double jitter[2] = {f->x - f->want_x, f->y - f->want_y};
        const double left[2] = {f->left_x, f->left_y};
        for (int k = 0; k < 2; k++) {
            *before[k] += f->held ? 0 : jitter[k];
            *after[k] = left[k] + (off ? jitter[k] : 0);
        }
    }
    rw_steady_run_free(&run);
    return true;
}

bool rw_weave_gather(rw_reel *reel, int64_t frames, rw_weave *w, GError **error)
{
    const rw_gauge *gauge = rw_reel_gauge(reel, error);
    g_autoptr(GArray) scenes = gauge ? rw_reel_scenes(reel, error) : NULL;
    if (!scenes)
        return false;
    for (int k = 0; k < 2; k++)
        for (int64_t n = 0; n < frames; n++)
            w->before[k][n] = w->after[k][n] = NAN;
    for (guint i = 0; i < scenes->len; i++) {
        const rw_scene_row *s = &g_array_index(scenes, rw_scene_row, i);
        if (s->first < 0 || s->last >= frames || s->last < s->first)
            continue;
        if (!add_transfer(reel, gauge, s, w, error) || !add_camera(reel, gauge, s, w, error))
            return false;
        for (int k = 0; k < 2; k++)
            subtract_median(w->before[k] + s->first, s->last - s->first + 1);
    }
    return true;
}
