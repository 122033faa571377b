/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "survey/cut.h"

enum { REACH = 12 };

/* What of this measure is usual round position i, i itself left out: the larger of the medians
 * before and after, so that a scene that gets restless does not make its first step a cut. */
static double usual(const rw_track *t, size_t i, rw_measure m)
{
    double before[REACH], after[REACH];
    size_t n = 0, k = 0;
    for (size_t d = 1; d <= REACH; d++) {
        if (i > d)
            before[n++] = t->readings[i - d].v[m];
        if (i + d < t->count)
            after[k++] = t->readings[i + d].v[m];
    }
    double a = rw_median(before, n), b = rw_median(after, k);
    if (isnan(a) || isnan(b))
        return isnan(a) ? b : a;
    return MAX(a, b);
}

/* From about 1 on: a cut. */
static double strength(const rw_track *t, size_t i)
{
    static const double least_residual = 0.05, least_tones = 0.05;
    double residual = t->readings[i].v[RW_M_RESIDUAL], tones = t->readings[i].v[RW_M_TONES];
    if (isnan(residual) || isnan(tones))
        return 0;
    double around = usual(t, i, RW_M_RESIDUAL), around_tones = usual(t, i, RW_M_TONES);
    double a = residual / (2.5 * (isnan(around) ? 0 : around) + least_residual);
    double b = tones / (2 * (isnan(around_tones) ? 0 : around_tones) + least_tones);
    return sqrt(a * b) * (MIN(a, b) > 0.5);
}

void rw_cut_find(rw_track *track)
{
    size_t first = 0;
    for (size_t i = 0; i < track->count; i++) {
        if (i > 0 && strength(track, i) > 0.9)
            first = i;
        track->scene[i] = first;
    }
}
