/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/select.h"
#include "survey/cut.h"
#include "survey/track.h"

rw_look rw_look_make(const rw_colour_sight *sight)
{
    rw_look look = {.seen = isfinite(sight->mean[0])};
    for (int i = 0; i < RW_COLOUR_SAMPLES; i++) {
        const uint8_t *s = sight->sample[i];
        look.tone[i] = (uint8_t)((54 * s[0] + 183 * s[1] + 19 * s[2] + 128) >> 8);
    }
    return look;
}

rw_track *rw_track_new(const rw_gauge *gauge, const rw_basis *basis, size_t count)
{
    rw_track *t = g_new0(rw_track, 1);
    t->gauge = gauge;
    t->basis = *basis;
    t->count = count;
    t->still = g_new0(int64_t, count);
    t->time_us = g_new(int64_t, count);
    t->readings = g_new(rw_readings, count);
    t->sight = g_new0(rw_gate_sight, count);
    t->step = g_new0(rw_step, count);
    t->look = g_new0(rw_look, count);
    t->fit = g_new0(rw_gate_fit, count);
    t->scene = g_new0(size_t, count);
    t->fade = g_new0(bool, count);
    t->fault = g_new0(char *, count);
    for (size_t i = 0; i < count; i++) {
        t->time_us[i] = INT64_MIN;
        rw_readings_clear(&t->readings[i]);
    }
    return t;
}

void rw_track_free(rw_track **track)
{
    rw_track *t = *track;
    if (!t)
        return;
    for (size_t i = 0; i < t->count; i++)
        g_free(t->fault[i]);
    g_free(t->still);
    g_free(t->time_us);
    g_free(t->readings);
    g_free(t->sight);
    g_free(t->step);
    g_free(t->look);
    g_free(t->fit);
    g_free(t->scene);
    g_free(t->fade);
    g_free(t->fault);
    g_clear_pointer(track, g_free);
}

void rw_track_solve(rw_track *track)
{
    if (track->count == 0)
        return;
    rw_gate_solve(track->gauge, track->sight, track->count, track->fit, &track->summary);
    rw_cut_find(track);
}

size_t rw_track_scene_last(const rw_track *track, size_t i)
{
    size_t last = i;
    while (last + 1 < track->count && track->scene[last + 1] == track->scene[i])
        last++;
    return last;
}

/* ---- robust numbers ---- */

/* The values that are numbers, in order; *n how many. g_free. */
static double *sorted_numbers(const double *values, size_t count, size_t *n)
{
    double *sorted = g_new(double, count + 1);
    *n = 0;
    for (size_t i = 0; i < count; i++)
        if (!isnan(values[i]))
            sorted[(*n)++] = values[i];
    qsort(sorted, *n, sizeof *sorted, rw_compare_doubles);
    return sorted;
}

double rw_quantile(const double *values, size_t count, double q)
{
    size_t n;
    g_autofree double *sorted = sorted_numbers(values, count, &n);
    if (n == 0)
        return NAN;
    double at = q * (double)(n - 1);
    size_t below = (size_t)at;
    double share = at - (double)below;
    return below + 1 < n ? sorted[below] * (1 - share) + sorted[below + 1] * share : sorted[n - 1];
}

double rw_trimmed_mean(const double *values, size_t count, double trim)
{
    size_t n;
    g_autofree double *sorted = sorted_numbers(values, count, &n);
    size_t off = (size_t)(trim * (double)n);
    double sum = 0;
    if (2 * off >= n)
        return NAN;
    for (size_t i = off; i < n - off; i++)
        sum += sorted[i];
    return sum / (double)(n - 2 * off);
}

double rw_median(const double *values, size_t count)
{
    return rw_quantile(values, count, 0.5);
}

double rw_robust_sd(const double *values, size_t count, double median)
{
    g_autofree double *apart = g_new(double, count + 1);
    for (size_t i = 0; i < count; i++)
        apart[i] = fabs(values[i] - median);
    return 1.4826 * rw_median(apart, count);
}

double rw_theil_sen(const double *values, size_t count)
{
    /* all pairs of a long series are too many: of at most 400 points spread over it */
    enum { MOST = 400 };
    size_t n = MIN(count, (size_t)MOST), slopes = 0;
    g_autofree double *slope = g_new(double, n *n / 2 + 1);
    for (size_t i = 0; i < n; i++)
        for (size_t k = i + 1; k < n; k++) {
            size_t a = i * count / n, b = k * count / n;
            if (!isnan(values[a]) && !isnan(values[b]))
                slope[slopes++] = (values[b] - values[a]) / (double)(b - a);
        }
    return rw_median(slope, slopes);
}

double rw_track_around(const rw_track *track, size_t i, rw_measure m, size_t reach, double q)
{
    g_autofree double *values = g_new(double, 2 * reach + 1);
    size_t n = 0;
    size_t first = i > reach ? i - reach : 0, last = MIN(i + reach, track->count - 1);
    for (size_t k = first; k <= last; k++)
        if (k != i && track->scene[k] == track->scene[i])
            values[n++] = track->readings[k].v[m];
    return rw_quantile(values, n, q);
}
