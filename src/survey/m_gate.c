/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Perforations that are torn or dirty, frames that could not be placed, joints in the film.
 */
#include <math.h>

#include "survey/finding.h"

/* A fault of the still that explains why its perforation looks as it does. */
static bool is_explained(const rw_verdicts *verdicts, size_t i)
{
    static const rw_kind kinds[] = {RW_KIND_SMEARED, RW_KIND_SOFT, RW_KIND_UNREADABLE};
    for (size_t k = 0; k < G_N_ELEMENTS(kinds); k++)
        if (rw_verdicts_cover(verdicts, kinds[k], i))
            return true;
    return false;
}

static bool is_damaged(const rw_track *t, const rw_verdicts *verdicts, size_t i)
{
    return t->fit[i].damaged && !is_explained(verdicts, i);
}

static void judge_damage(const rw_track *t, rw_verdicts *verdicts)
{
    for (size_t i = 0; i < t->count; i++) {
        if (!is_damaged(t, verdicts, i))
            continue;
        size_t last = i;
        while (last + 1 < t->count && is_damaged(t, verdicts, last + 1))
            last++;
        rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_PERFORATION, RW_NOTE, i, last, 0.9);
        double inliers = 1, dirt = 0;
        for (int k = 0; k < t->sight[i].n_holes; k++) {
            inliers = MIN(inliers, t->sight[i].hole[k].inliers);
            dirt = MAX(dirt, t->sight[i].hole[k].dirt);
        }
        rw_verdict_number(v, "straight_share", inliers);
        rw_verdict_number(v, "dirt_share", dirt);
        i = last;
    }
}

static bool is_lost(const rw_track *t, const rw_verdicts *verdicts, size_t i)
{
    double state = rw_track_value(t, i, RW_M_STATE);
    return !is_explained(verdicts, i) && (state == RW_STATE_GOOD || state == RW_STATE_DAMAGED) &&
           t->fit[i].confidence < 0.5;
}

static void judge_lost(const rw_track *t, rw_verdicts *verdicts)
{
    for (size_t i = 0; i < t->count; i++) {
        if (!is_lost(t, verdicts, i))
            continue;
        size_t last = i;
        while (last + 1 < t->count && is_lost(t, verdicts, last + 1))
            last++;
        rw_verdict *v =
            rw_verdicts_add(verdicts, RW_KIND_LOST, RW_LOOK, i, last, 1 - t->fit[i].confidence);
        if (t->fit[i].method != RW_GATE_PERFORATION && !t->basis.found)
            v->advice = "Look at the frame; it shows too little to tell where the film lies.";
        rw_verdict_word(v, "method", rw_gate_method_name(t->fit[i].method));
        rw_verdict_number(v, "registration_confidence", t->fit[i].confidence);
        i = last;
    }
}

void rw_judge_gate(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    (void)limits;
    judge_damage(track, verdicts);
    judge_lost(track, verdicts);
}

/* ---- joints ---- */

typedef struct jolt {
    double x_sd, y_sd; /* usual weave, px */
    double *shade;     /* ln of the picture's light against the clear light, by position */
} jolt;

static bool is_placed(const rw_track *t, const rw_verdicts *verdicts, size_t i)
{
    return t->fit[i].method == RW_GATE_PERFORATION && !t->fit[i].damaged &&
           t->fit[i].confidence >= 0.5 && !is_explained(verdicts, i);
}

/* Weave at position i in units of its usual size. */
static double weave(const rw_track *t, const jolt *j, size_t i)
{
    return hypot(t->fit[i].dx / j->x_sd, t->fit[i].dy / j->y_sd);
}

/* A joint throws the film out of place; it finds back over the next frames, on the same side. */
static bool settles(const rw_track *t, size_t i)
{
    if (i + 2 >= t->count)
        return true;
    const rw_gate_fit *a = &t->fit[i], *b = &t->fit[i + 1], *c = &t->fit[i + 2];
    double size = a->dx * a->dx + a->dy * a->dy;
    double next = (a->dx * b->dx + a->dy * b->dy) / size;
    double after = (a->dx * c->dx + a->dy * c->dy) / size;
    return next > 0.15 && next < 0.8 && after < 0.5;
}

/* Tape takes a little light from the two pictures that it covers: by how much the darker of i - 1
 * and i is below their neighbours on both sides, ln. */
static double taped(const jolt *j, size_t i, size_t count)
{
    if (i < 2 || i + 1 >= count)
        return NAN;
    double outside = MIN(j->shade[i - 2], j->shade[i + 1]);
    return outside - MIN(j->shade[i - 1], j->shade[i]);
}

void rw_judge_splice(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    static const double tape = 0.03, large = 5;
    (void)limits;
    if (track->count < 8)
        return;
    g_autofree double *x = g_new(double, track->count), *y = g_new(double, track->count);
    g_autofree double *shade = g_new(double, track->count);
    for (size_t i = 0; i < track->count; i++) {
        bool placed = is_placed(track, verdicts, i);
        x[i] = placed ? track->fit[i].dx : NAN;
        y[i] = placed ? track->fit[i].dy : NAN;
        shade[i] =
            log(rw_track_value(track, i, RW_M_EXPOSURE) / rw_track_value(track, i, RW_M_CLEAR));
    }
    /* never less than a twentieth of a pixel, which is what registration is good for */
    jolt j = {MAX(0.05, rw_robust_sd(x, track->count, 0)),
              MAX(0.05, rw_robust_sd(y, track->count, 0)), shade};
    for (size_t i = 1; i < track->count; i++) {
        if (!is_placed(track, verdicts, i))
            continue;
        double thrown = weave(track, &j, i), dark = taped(&j, i, track->count);
        bool cut = track->scene[i] == i;
        bool jump = thrown > large && settles(track, i) && weave(track, &j, i - 1) < large;
        double confidence = jump && (dark > tape || cut) ? 0.95 : jump ? 0.7 : 0;
        if (confidence <= 0)
            continue;
        rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_SPLICE, RW_NOTE, i, i, confidence);
        rw_verdict_number(v, "thrown_mm",
                          hypot(track->fit[i].dx, track->fit[i].dy) / track->summary.px_per_mm);
        rw_verdict_number(v, "thrown_to_usual_weave", thrown);
        rw_verdict_number(v, "light_taken_percent", 100 * (1 - exp(-dark)));
        rw_verdict_word(v, "scene", cut ? "cut" : "goes on");
    }
}
