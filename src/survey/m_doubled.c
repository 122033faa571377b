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

/* Likeness of every pair that can say what is usual: a blurred still is like none of its
 * neighbours. */
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
static double usual_likeness(const rw_track *t, const double *same, size_t i, double *spread,
                             bool *few)
{
    double around[2 * REACH + 1];
    size_t n = 0, first = i > REACH ? i - REACH : 1;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (k != i && t->scene[k] == t->scene[i] && !isnan(same[k]))
            around[n++] = same[k];
    *few = n < 4; /* a scene of a few stills: the whole reel */
    double usual = *few ? rw_quantile(same, t->count, 0.4) : rw_quantile(around, n, 0.4);
    double low = *few ? rw_quantile(same, t->count, 0.2) : rw_quantile(around, n, 0.2);
    *spread = (usual - low) / 0.588; /* normal: from the 20th to the 40th percentile 0.588 sd */
    return usual;
}

/* The film has the last word: when the strip of the next picture is found on this still, at its
 * place and as well as usual, the film moved on, however alike the two pictures are. A motionless
 * scene may put something like it near that place, so the more the grain speaks for a repeat the
 * nearer it must be. */
static bool film_moved(const rw_track *t, size_t i, bool beyond_doubt)
{
    double near_px = beyond_doubt ? 0.2 : 0.45, as_usual = beyond_doubt ? 0.93 : 0.85;
    static const rw_measure sides[2][3] = {{RW_M_FAR, RW_M_FAR_X, RW_M_FAR_Y},
                                           {RW_M_NEAR, RW_M_NEAR_X, RW_M_NEAR_Y}};
    double far = rw_track_around(t, i, RW_M_FAR, REACH, 0.5);
    double near = rw_track_around(t, i, RW_M_NEAR, REACH, 0.5);
    const rw_measure *side = sides[isnan(far) || near > far];
    double x = rw_track_value(t, i, side[1]) - rw_track_around(t, i, side[1], REACH, 0.5);
    double y = rw_track_value(t, i, side[2]) - rw_track_around(t, i, side[2], REACH, 0.5);
    return hypot(x, y) < near_px &&
           rw_track_value(t, i, side[0]) > as_usual * rw_track_around(t, i, side[0], REACH, 0.5);
}

/* The picture moved about as much as usual, and that is not little. */
static bool picture_moved(const rw_track *t, size_t i)
{
    double usual = rw_track_around(t, i, RW_M_DIFFERENCE, REACH, 0.5);
    return usual > 0.02 && rw_track_value(t, i, RW_M_DIFFERENCE) > 0.6 * usual;
}

static void judge(const rw_track *t, const double *likeness, size_t i, const rw_limits *limits,
                  rw_verdicts *verdicts)
{
    double limit = limits->v[RW_LIMIT_DOUBLED], spread;
    double same = rw_track_value(t, i, RW_M_SAME),
           weakest = rw_track_value(t, i, RW_M_SAME_WEAKEST);
    if (isnan(same))
        return;
    bool few;
    double usual = usual_likeness(t, likeness, i, &spread, &few);
    if (few)
        limit = 2.5 * limit; /* another scene may keep more of its picture from frame to frame */
    double share = (same - usual) / (1 - usual);
    if (!(share > limit) || !(same - usual > 6 * spread) || !(weakest > usual) ||
        film_moved(t, i, share > 2 * limit) || picture_moved(t, i))
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
