/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One film frame on two stills.
 *
 * Two stills have in common what the scene keeps (everything, on a tripod) and, if they show the
 * same frame, the grain. So the likeness of their grain is held against what is usual between
 * neighbours in the same scene, and not against a fixed number.
 */
#include <math.h>

#include "survey/finding.h"

enum { REACH = 12 };

/* Likeness of every pair that can say what is usual: a blurred still is like none of its neighbours. */
static double *list_likeness(const rw_track *t, const rw_verdicts *verdicts)
{
    double *same = g_new(double, t->count);
    for (size_t i = 0; i < t->count; i++)
        same[i] = rw_track_value(t, i, RW_M_SAME);
    for (size_t i = 0; i < t->count; i++)
        if (rw_verdicts_cover(verdicts, RW_KIND_SMEARED, i) ||
            rw_verdicts_cover(verdicts, RW_KIND_SOFT, i)) {
            same[i] = NAN;
            if (i + 1 < t->count)
                same[i + 1] = NAN;
        }
    return same;
}

/* Likeness that is usual between neighbours here, and its spread. The quantile lets two stills in
 * five be repeats. */
static double usual_likeness(const rw_track *t, const double *same, size_t i, double *spread)
{
    double around[2 * REACH + 1];
    size_t n = 0, first = i > REACH ? i - REACH : 1;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (k != i && t->scene[k] == t->scene[i] && !isnan(same[k]))
            around[n++] = same[k];
    bool few = n < 4; /* a scene of a few stills: the whole reel */
    double usual = few ? rw_quantile(same, t->count, 0.4) : rw_quantile(around, n, 0.4);
    double low = few ? rw_quantile(same, t->count, 0.2) : rw_quantile(around, n, 0.2);
    *spread = (usual - low) / 0.588; /* normal: from the 20th to the 40th percentile 0.588 sd */
    return usual;
}

static void judge(const rw_track *t, const double *likeness, size_t i, const rw_limits *limits,
                  rw_verdicts *verdicts)
{
    double limit = limits->v[RW_LIMIT_DOUBLED], spread;
    double same = rw_track_value(t, i, RW_M_SAME), weakest = rw_track_value(t, i, RW_M_SAME_WEAKEST);
    if (isnan(same))
        return;
    double usual = usual_likeness(t, likeness, i, &spread);
    double share = (same - usual) / (1 - usual);
    if (!(share > limit) || !(same - usual > 6 * spread) || !(weakest > usual))
        return;
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_DOUBLED, RW_NOTE, i, i,
                                    0.75 + 0.25 * MIN(1, (share - limit) / limit));
    v->sure = true;
    rw_verdict_number(v, "grain_likeness", same);
    rw_verdict_number(v, "usual_likeness", usual);
    rw_verdict_number(v, "share_of_the_rest", share);
    if (t->time_us[i] != INT64_MIN && t->time_us[i - 1] != INT64_MIN)
        rw_verdict_number(v, "interval_s", (double)(t->time_us[i] - t->time_us[i - 1]) * 1e-6);
}

void rw_judge_doubled(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    g_autofree double *likeness = list_likeness(track, verdicts);
    for (size_t i = 1; i < track->count; i++)
        judge(track, likeness, i, limits, verdicts);
}
