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

/* Share of the usual likeness of a strip that is the next picture's and nothing else. */
#define AS_EVER 0.95

static bool is_blurred(const rw_verdicts *verdicts, size_t i)
{
    return rw_verdicts_cover(verdicts, RW_KIND_SMEARED, i) ||
           rw_verdicts_cover(verdicts, RW_KIND_SOFT, i);
}

/* Likeness of every pair that can say what is usual: a blurred still is like none of its
 * neighbours. */
static double *list_likeness(const rw_track *t, rw_measure m, const bool *blurred)
{
    double *same = g_new(double, t->count);
    for (size_t i = 0; i < t->count; i++)
        same[i] = blurred[i] || (i > 0 && blurred[i - 1]) ? NAN : rw_track_value(t, i, m);
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
    /* a scene of a few stills: the whole reel; one that has only begun may yet change its ways */
    *few = n < (t->open_end ? 8 : 4);
    double usual = *few ? rw_quantile(same, t->count, 0.4) : rw_quantile(around, n, 0.4);
    double low = *few ? rw_quantile(same, t->count, 0.2) : rw_quantile(around, n, 0.2);
    *spread = (usual - low) / 0.588; /* normal: from the 20th to the 40th percentile 0.588 sd */
    return usual;
}

/* The measures of the strip that shows the next picture: likeness, place across, along. */
static const rw_measure *strip_side(const rw_track *t, size_t i)
{
    static const rw_measure sides[2][3] = {{RW_M_FAR, RW_M_FAR_X, RW_M_FAR_Y},
                                           {RW_M_NEAR, RW_M_NEAR_X, RW_M_NEAR_Y}};
    double far = rw_track_around(t, i, RW_M_FAR, REACH, 0.5);
    double near = rw_track_around(t, i, RW_M_NEAR, REACH, 0.5);
    return sides[isnan(far) || near > far];
}

/* How far it was found from where it usually is, decoded pixels; NAN unknown. */
static double strip_off(const rw_track *t, size_t i, const rw_measure *side)
{
    return hypot(rw_track_value(t, i, side[1]) - rw_track_around(t, i, side[1], REACH, 0.5),
                 rw_track_value(t, i, side[2]) - rw_track_around(t, i, side[2], REACH, 0.5));
}

/* The film has the last word: when the strip of the next picture is found on this still, at its
 * place and as well as usual, the film moved on, however alike the two pictures are. A motionless
 * scene may put something like it near that place, so the more the grain speaks for a repeat the
 * nearer it must be. */
static bool film_moved(const rw_track *t, size_t i, bool beyond_doubt)
{
    double near_px = beyond_doubt ? 0.2 : RW_STRIP_HOME_PX, as_usual = beyond_doubt ? 0.93 : 0.85;
    const rw_measure *side = strip_side(t, i);
    double off = strip_off(t, i, side);
    double like = rw_track_value(t, i, side[0]) / rw_track_around(t, i, side[0], REACH, 0.5);
    if (off < near_px && like > as_usual)
        return true;
    return !beyond_doubt && off < 2 * RW_STRIP_HOME_PX &&
           like > AS_EVER; /* only placed a little badly */
}

/* The picture moved about as much as usual, and that is not little. The noise of two stills is
 * there whether anything moves or not, so on a quiet scene a repeat differs nearly as much. */
static bool picture_moved(const rw_track *t, size_t i)
{
    double usual = rw_track_around(t, i, RW_M_DIFFERENCE, REACH, 0.5);
    return usual > 0.02 && rw_track_value(t, i, RW_M_DIFFERENCE) > 0.6 * usual;
}

/* Nothing moved where all else moves. */
static bool picture_rests(const rw_track *t, size_t i)
{
    double usual = rw_track_around(t, i, RW_M_DIFFERENCE, REACH, 0.3);
    return rw_track_value(t, i, RW_M_DIFFERENCE) < 0.45 * usual;
}

/* A switch that bounces trips the camera twice at once. */
static bool came_early(const rw_track *t, size_t i)
{
    double around[2 * REACH + 1];
    size_t n = 0, first = i > REACH ? i - REACH : 1;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (t->time_us[k] != INT64_MIN && t->time_us[k - 1] != INT64_MIN)
            around[n++] = (double)(t->time_us[k] - t->time_us[k - 1]);
    return n >= 4 && t->time_us[i] != INT64_MIN && t->time_us[i - 1] != INT64_MIN &&
           (double)(t->time_us[i] - t->time_us[i - 1]) < 0.6 * rw_median(around, n);
}

/* What judges go by. */
typedef struct evidence {
    const rw_track *t;
    bool *blurred;   /* smeared or soft, by position; owned */
    double *same;    /* likeness of neighbours, owned */
    double *weakest; /* in the weakest place; owned */
} evidence;

static void report(const evidence *e, size_t i, double usual, double share, double confidence,
                   rw_verdicts *verdicts)
{
    const rw_track *t = e->t;
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_DOUBLED, RW_NOTE, i, i, confidence);
    v->sure = true;
    rw_verdict_number(v, "grain_likeness", rw_track_value(t, i, RW_M_SAME));
    rw_verdict_number(v, "usual_likeness", usual);
    rw_verdict_number(v, "share_of_the_rest", share);
    if (t->time_us[i] != INT64_MIN && t->time_us[i - 1] != INT64_MIN)
        rw_verdict_number(v, "interval_s", (double)(t->time_us[i] - t->time_us[i - 1]) * 1e-6);
    if (e->blurred[i] || e->blurred[i - 1])
        rw_verdict_because(v, "One of the two stills is blurred, and yet the same grain lies in "
                              "the same places of both.");
    else
        rw_verdict_because(v,
                           "The grain of this still is that of the still before it: %.2f alike, "
                           "where neighbours here are %.2f.",
                           rw_track_value(t, i, RW_M_SAME), usual);
}

/* Two frames are never alike in every place at once, so the weakest place is a witness of its own:
 * the only one where a still is blurred and has lost most of its grain, and a second one where
 * neighbours are now more and now less alike. */
static bool is_same_everywhere(const evidence *e, size_t i, double limit, double *usual,
                               double *share)
{
    static const double spreads = 3;
    bool few;
    double spread, weakest = rw_track_value(e->t, i, RW_M_SAME_WEAKEST);
    *usual = usual_likeness(e->t, e->weakest, i, &spread, &few);
    *share = (weakest - *usual) / (1 - *usual);
    return !few && *share > limit && weakest - *usual > spreads * spread;
}

/* The strip of the next picture is plainly not this one's, where strips can be heard. */
static bool is_not_next(const rw_track *t, size_t i)
{
    static const double heard = 0.2, as_usual = 0.5, off_px = 1.5;
    const rw_measure *side = strip_side(t, i);
    double usual = rw_track_around(t, i, side[0], REACH, 0.5);
    return usual > heard && strip_off(t, i, side) > off_px &&
           rw_track_value(t, i, side[0]) < as_usual * usual;
}

/* The grain's word, once in the mean and once in the weakest place: how much of what the usual
 * likeness leaves, and how many spreads it stands out by. */
typedef struct grain {
    double usual, share, spreads, weakest, weakest_spreads;
    bool few; /* neighbours to compare with */
} grain;

static grain read_grain(const evidence *e, size_t i)
{
    grain g;
    double same = rw_track_value(e->t, i, RW_M_SAME), spread;
    bool few;
    g.usual = usual_likeness(e->t, e->same, i, &spread, &g.few);
    g.share = (same - g.usual) / (1 - g.usual);
    g.spreads = (same - g.usual) / spread;
    g.weakest = rw_track_value(e->t, i, RW_M_SAME_WEAKEST);
    double usual = usual_likeness(e->t, e->weakest, i, &spread, &few);
    g.weakest_spreads = (g.weakest - usual) / spread;
    return g;
}

/* Confidence that a still repeats the one before it; 0: it does not. *g may be changed to what
 * decided. */
static double weigh(const evidence *e, size_t i, double limit, grain *g)
{
    const rw_track *t = e->t;
    bool rests = picture_rests(t, i), not_next = is_not_next(t, i);
    /* little grain, but three more witnesses */
    if (g->share > 0.35 * limit && g->spreads > 4 && rests && came_early(t, i) &&
        !film_moved(t, i, true))
        return 0.9;
    double usual, share;
    bool contradicted = film_moved(t, i, g->share > 2 * limit) ||
                        (picture_moved(t, i) && !is_same_everywhere(e, i, limit, &usual, &share));
    if (g->share > limit && g->spreads > 6 && (g->weakest > g->usual || (rests && not_next)) &&
        !contradicted)
        return 0.75 + 0.25 * MIN(1, (g->share - limit) / limit);
    /* less of it, as blur leaves, but the film did not come to the next picture, and what is alike
     * is alike in every place, or more so than neighbours ever are after a blurred still */
    bool after_blur = e->blurred[i - 1] && !e->blurred[i];
    if (not_next && !g->few && g->share > 0.5 * limit && g->spreads > (after_blur ? 6 : 4) &&
        (after_blur || g->weakest_spreads > 4))
        return 0.85;
    if (!e->blurred[i] && !(strip_off(t, i, strip_side(t, i)) < RW_STRIP_HOME_PX) &&
        is_same_everywhere(e, i, e->blurred[i - 1] ? 0.8 * limit : 2 * limit, &usual, &share)) {
        g->usual = usual;
        g->share = share;
        return e->blurred[i - 1] ? 0.8 : 0.9;
    }
    return 0;
}

static void judge(const evidence *e, size_t i, const rw_limits *limits, rw_verdicts *verdicts)
{
    double limit = limits->v[RW_LIMIT_DOUBLED];
    if (isnan(rw_track_value(e->t, i, RW_M_SAME)))
        return;
    grain g = read_grain(e, i);
    if (g.few)
        limit *= 2.5; /* another scene may keep more of its picture from frame to frame */
    double confidence = weigh(e, i, limit, &g);
    if (confidence > 0)
        report(e, i, g.usual, g.share, confidence, verdicts);
}

void rw_judge_doubled(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    evidence e = {.t = track, .blurred = g_new0(bool, track->count + 1)};
    for (size_t i = 0; i < track->count; i++)
        e.blurred[i] = is_blurred(verdicts, i);
    e.same = list_likeness(track, RW_M_SAME, e.blurred);
    e.weakest = list_likeness(track, RW_M_SAME_WEAKEST, e.blurred);
    for (size_t i = 1; i < track->count; i++)
        judge(&e, i, limits, verdicts);
    g_free(e.blurred);
    g_free(e.same);
    g_free(e.weakest);
}
