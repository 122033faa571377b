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

/* How far a step is beyond what is usual: where every part moved to its best place, and in tones.
 * From about 1 on: a cut. */
typedef struct step_size {
    double picture, tones;
} step_size;

static step_size size_of(const rw_track *t, size_t i)
{
    static const double least_residual = 0.05, least_tones = 0.05;
    double residual = t->readings[i].v[RW_M_RESIDUAL], tones = t->readings[i].v[RW_M_TONES];
    if (isnan(residual) || isnan(tones))
        return (step_size){0, 0};
    double around = usual(t, i, RW_M_RESIDUAL), around_tones = usual(t, i, RW_M_TONES);
    return (step_size){residual / (2.5 * (isnan(around) ? 0 : around) + least_residual),
                       tones / (2 * (isnan(around_tones) ? 0 : around_tones) + least_tones)};
}

static double strength(step_size s)
{
    return sqrt(s.picture * s.tones) * (MIN(s.picture, s.tones) > 0.5);
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
static bool is_one_step(const rw_track *t, size_t i, double now, double factor)
{
    double before = i >= 2 ? alike(&t->look[i - 2], &t->look[i - 1]) : 1;
    double after = i + 1 < t->count ? alike(&t->look[i], &t->look[i + 1]) : 1;
    return !(1 - now < factor * (1 - fmin(before, after)));
}

/* The camera stopped and started again in one place: little changes, but no frame before is as
 * alike to one after as two are that lie two steps apart on the same side. */
static bool is_stop(const rw_track *t, size_t i)
{
    enum { SIDE = 3 };
    if (i < SIDE || i + SIDE > t->count)
        return false;
    double apart =
        fmin(alike(&t->look[i - 3], &t->look[i - 1]), alike(&t->look[i], &t->look[i + 2]));
    for (size_t a = i - SIDE; a < i; a++)
        for (size_t b = i; b < i + SIDE; b++)
            if (!(alike(&t->look[a], &t->look[b]) < apart - 0.01))
                return false;
    return true;
}

/* The tones may stay as they were (the same day, the same water) and yet nothing be where it was.
 */
static bool is_cut(const rw_track *t, size_t i)
{
    static const double nothing_alike = 0.35;
    step_size step = size_of(t, i);
    double now = across(t, i), usually = usual_across(t, i);
    if (!(now > -1) || isnan(usually))
        return strength(step) > 0.9; /* no picture speaks for it or against it */
    if (now < nothing_alike)
        return step.picture > 0.55 && is_one_step(t, i, now, 1.3);
    if (!is_one_step(t, i, now, 1.8))
        return false;
    return (strength(step) > 0.9 && 1 - now > 2.2 * (1 - usually) + 0.05) ||
           (strength(step) > 0.6 && is_stop(t, i));
}

/* ---- fades and dissolves ---- */

enum { HALF = 7 }; /* frames from the middle of one to either side of it */

/* Least squares of m on a and b and a constant: shares of a and b, and of m's variance that is
 * left. In light that was coded a mix is no straight one, but near enough. */
static void unmix(const rw_look *m, const rw_look *a, const rw_look *b, double share[2],
                  double *left)
{
    double s[3] = {0}, q[3][3] = {{0}};
    for (int i = 0; i < RW_COLOUR_SAMPLES; i++) {
        double v[3] = {a->tone[i], b->tone[i], m->tone[i]};
        for (int j = 0; j < 3; j++) {
            s[j] += v[j];
            for (int k = 0; k < 3; k++)
                q[j][k] += v[j] * v[k];
        }
    }
    for (int j = 0; j < 3; j++)
        for (int k = 0; k < 3; k++)
            q[j][k] -= s[j] * s[k] / RW_COLOUR_SAMPLES;
    double det = q[0][0] * q[1][1] - q[0][1] * q[0][1];
    *left = 1;
    share[0] = share[1] = 0;
    if (!(det > 1e-3 * q[0][0] * q[1][1]) || q[2][2] < RW_COLOUR_SAMPLES)
        return;
    share[0] = (q[0][2] * q[1][1] - q[1][2] * q[0][1]) / det;
    share[1] = (q[1][2] * q[0][0] - q[0][2] * q[0][1]) / det;
    *left = 1 - (share[0] * q[0][2] + share[1] * q[1][2]) / q[2][2];
}

static double mean_tone(const rw_look *look)
{
    double sum = 0;
    for (int i = 0; i < RW_COLOUR_SAMPLES; i++)
        sum += look->tone[i];
    return sum / RW_COLOUR_SAMPLES;
}

/* 0: no; else how evenly position i holds both pictures, or how dark it is between them. */
static double melting(const rw_track *t, size_t i)
{
    if (i < HALF || i + HALF >= t->count)
        return 0;
    const rw_look *a = &t->look[i - HALF], *b = &t->look[i + HALF], *m = &t->look[i];
    if (!a->seen || !b->seen || !m->seen || alike(a, b) > 0.45)
        return 0;
    double dark = mean_tone(m) / fmin(mean_tone(a), mean_tone(b));
    if (dark < 0.25)
        return 1 - dark;
    double share[2], left;
    unmix(m, a, b, share, &left);
    return left < 0.06 && fmin(share[0], share[1]) > 0.3 ? fmin(share[0], share[1]) : 0;
}

/* No cut lies within the two halves round i. */
static bool is_free(const rw_track *t, size_t i)
{
    return t->scene[i - HALF] == t->scene[i + HALF];
}

/* The scene of every later position begins at `first` at the earliest. */
static void begin_scene(rw_track *t, size_t first)
{
    size_t old = t->scene[first];
    for (size_t i = first; i < t->count && t->scene[i] == old; i++)
        t->scene[i] = first;
}

static void find_fades(rw_track *t)
{
    for (size_t i = HALF; i + HALF < t->count; i++) {
        double most = melting(t, i);
        if (most <= 0 || !is_free(t, i))
            continue;
        size_t best = i;
        for (size_t k = i + 1; k <= i + HALF && k + HALF < t->count; k++)
            if (melting(t, k) > most && is_free(t, k)) {
                most = melting(t, k);
                best = k;
            }
        begin_scene(t, best);
        t->fade[best] = true;
        i = best + HALF;
    }
}

void rw_cut_find(rw_track *track)
{
    size_t first = 0;
    for (size_t i = 0; i < track->count; i++) {
        track->fade[i] = false;
        if (i > 0 && is_cut(track, i))
            first = i;
        track->scene[i] = first;
    }
    find_fades(track);
}
