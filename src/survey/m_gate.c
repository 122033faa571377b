/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Perforations that are torn or dirty, frames that could not be placed.
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
