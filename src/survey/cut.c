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

/* ---- does the picture really become another one? ---- */

/* Correlation of two very small pictures: light, its colour and its flicker have no say. NAN when
 * either was not seen. */
static double alike(const rw_look *a, const rw_look *b)
{
    if (!a->seen || !b->seen)
        return NAN;
    double sum_a = 0, sum_b = 0, aa = 0, bb = 0, ab = 0;
    for (int i = 0; i < RW_COLOUR_SAMPLES; i++) {
        double x = a->tone[i], y = b->tone[i];
        sum_a += x, sum_b += y;
        aa += x * x, bb += y * y, ab += x * y;
    }
    aa -= sum_a * sum_a / RW_COLOUR_SAMPLES;
    bb -= sum_b * sum_b / RW_COLOUR_SAMPLES;
    ab -= sum_a * sum_b / RW_COLOUR_SAMPLES;
    /* a picture without any tones is like none and like all */
    static const double least = 4.0 * RW_COLOUR_SAMPLES;
    return aa < least && bb < least ? 1 : ab / sqrt((aa + least) * (bb + least));
}

/* How alike the two frames before position i and the two from it on are at best: a flash, an
 * explosion or a hand before the lens leaves one of four pairs alike, a cut none. */
static double across(const rw_track *t, size_t i)
{
    double best = -1;
    for (size_t a = i >= 2 ? i - 2 : 0; a < i; a++)
        for (size_t b = i; b <= i + 1 && b < t->count; b++)
            best = fmax(best, alike(&t->look[a], &t->look[b]));
    return best;
}

/* What `across` is where nothing is cut, round position i and not over it. */
static double usual_across(const rw_track *t, size_t i)
{
    double before[REACH], after[REACH];
    size_t n = 0, k = 0;
    for (size_t d = 2; d <= REACH; d++) {
        if (i > d)
            before[n++] = across(t, i - d);
        if (i + d < t->count)
            after[k++] = across(t, i + d);
    }
    double a = rw_median(before, n), b = rw_median(after, k);
    if (isnan(a) || isnan(b))
        return isnan(a) ? b : a;
    return fmin(a, b);
}

/* While the camera is torn aside every step makes another picture of it; a cut is one step. */
static bool is_one_step(const rw_track *t, size_t i, double now)
{
    double before = i >= 2 ? alike(&t->look[i - 2], &t->look[i - 1]) : 1;
    double after = i + 1 < t->count ? alike(&t->look[i], &t->look[i + 1]) : 1;
    return !(1 - now < 1.8 * (1 - fmin(before, after)));
}

/* The tones may stay as they were (the same day, the same water) and yet nothing be where it was. */
static bool is_cut(const rw_track *t, size_t i)
{
    static const double nothing_alike = 0.35;
    double step = strength(t, i), now = across(t, i), usually = usual_across(t, i);
    if (!(now > -1) || isnan(usually))
        return step > 0.9; /* no picture speaks for it or against it */
    if (!is_one_step(t, i, now))
        return false;
    return now < nothing_alike ? step > 0.5
                               : step > 0.9 && 1 - now > 2.2 * (1 - usually) + 0.05;
}

void rw_cut_find(rw_track *track)
{
    size_t first = 0;
    for (size_t i = 0; i < track->count; i++) {
        if (i > 0 && is_cut(track, i))
            first = i;
        track->scene[i] = first;
    }
}
