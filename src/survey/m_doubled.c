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

/* Likeness that is usual between neighbours here, and its spread. The quantile lets two stills in
 * five be repeats. */
static double usual_likeness(const rw_track *t, size_t i, double *spread)
{
    double usual = rw_track_around(t, i, RW_M_SAME, REACH, 0.4);
    double low = rw_track_around(t, i, RW_M_SAME, REACH, 0.1);
    if (isnan(usual)) { /* a scene of one or two stills: the whole reel */
        g_autofree double *all = g_new(double, t->count);
        for (size_t k = 0; k < t->count; k++)
            all[k] = rw_track_value(t, k, RW_M_SAME);
        usual = rw_quantile(all, t->count, 0.4);
        low = rw_quantile(all, t->count, 0.1);
    }
    *spread = (usual - low) / 1.03; /* normal: from the 10th to the 40th percentile 1.03 sd */
    return usual;
}

static void judge(const rw_track *t, size_t i, const rw_limits *limits, rw_verdicts *verdicts)
{
    double limit = limits->v[RW_LIMIT_DOUBLED], spread;
    double same = rw_track_value(t, i, RW_M_SAME), weakest = rw_track_value(t, i, RW_M_SAME_WEAKEST);
    if (isnan(same))
        return;
    double usual = usual_likeness(t, i, &spread);
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
    for (size_t i = 1; i < track->count; i++)
        judge(track, i, limits, verdicts);
}
