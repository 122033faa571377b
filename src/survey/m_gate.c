/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Perforations that are torn or dirty, frames that could not be placed.
 */
#include <math.h>

#include "survey/finding.h"

static bool is_damaged(const rw_track *t, const rw_verdicts *verdicts, size_t i)
{
    return t->fit[i].damaged && !rw_verdicts_spoiled(verdicts, i);
}

static bool is_unplaced(const rw_track *t, const rw_verdicts *verdicts, size_t i)
{
    double state = rw_track_value(t, i, RW_M_STATE);
    return !rw_verdicts_spoiled(verdicts, i) &&
           (state == RW_STATE_GOOD || state == RW_STATE_DAMAGED) && t->fit[i].confidence < 0.5;
}

/* How bad the holes of a still look: the least straight share of sides, the most dirt. */
static void worst_of(const rw_gate_sight *sight, double *straight, double *dirt)
{
    *straight = 1;
    *dirt = 0;
    for (int k = 0; k < sight->n_holes; k++) {
        *straight = MIN(*straight, sight->hole[k].inliers);
        *dirt = MAX(*dirt, sight->hole[k].dirt);
    }
}

/* A fiftieth of the sides may be the still's own grain, a tenth is not. */
static double sureness(double straight, double dirt)
{
    return CLAMP(0.4 + 5 * MAX(1 - straight, dirt), 0.4, 0.95);
}

/* Of a torn perforation that also cost the frame its place only the cause is told. */
static void report_damage(const rw_track *t, size_t first, size_t last, bool unplaced,
                          rw_verdicts *verdicts)
{
    double straight, dirt;
    worst_of(&t->sight[first], &straight, &dirt);
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_PERFORATION, unplaced ? RW_LOOK : RW_NOTE,
                                    first, last, sureness(straight, dirt));
    rw_verdict_number(v, "straight_share", straight);
    rw_verdict_number(v, "dirt_share", dirt);
    rw_verdict_number(v, "registration_confidence", t->fit[first].confidence);
    g_autofree char *what =
        dirt > 0.02 && straight > 0.9
            ? g_strdup_printf("Dirt covers %.0f %% of the perforation", 100 * dirt)
            : g_strdup_printf("Only %.0f %% of the perforation's sides are where they belong",
                              100 * straight);
    rw_verdict_because(v, "%s%s.", what, unplaced ? ", too little to place the frame by" : "");
    if (unplaced)
        v->advice = "Look at the frame: it is held to its neighbours' place. Clean or mend the "
                    "film before it runs again.";
}

static void judge_damage(const rw_track *t, rw_verdicts *verdicts)
{
    for (size_t i = 0; i < t->count; i++) {
        if (!is_damaged(t, verdicts, i))
            continue;
        size_t last = i;
        bool unplaced = is_unplaced(t, verdicts, i);
        while (last + 1 < t->count && is_damaged(t, verdicts, last + 1) &&
               is_unplaced(t, verdicts, last + 1) == unplaced)
            last++;
        report_damage(t, i, last, unplaced, verdicts);
        i = last;
    }
}

static bool is_lost(const rw_track *t, const rw_verdicts *verdicts, size_t i)
{
    return is_unplaced(t, verdicts, i) && !is_damaged(t, verdicts, i);
}

static void judge_lost(const rw_track *t, rw_verdicts *verdicts)
{
    for (size_t i = 0; i < t->count; i++) {
        if (!is_lost(t, verdicts, i))
            continue;
        size_t last = i;
        while (last + 1 < t->count && is_lost(t, verdicts, last + 1))
            last++;
        const rw_gate_fit *fit = &t->fit[i];
        rw_verdict *v =
            rw_verdicts_add(verdicts, RW_KIND_LOST, RW_LOOK, i, last, 1 - fit->confidence);
        if (fit->method != RW_GATE_PERFORATION && !t->basis.found)
            v->advice = "Look at the frame; it shows too little to tell where the film lies.";
        rw_verdict_word(v, "method", rw_gate_method_name(fit->method));
        rw_verdict_number(v, "registration_confidence", fit->confidence);
        rw_verdict_because(v,
                           t->basis.found ? "No perforation that could be trusted shows here; the "
                                            "frame is placed by its neighbours (%.0f %% sure)."
                                          : "No perforation shows on this reel, and this still "
                                            "gives little else to place it by (%.0f %% sure).",
                           100 * fit->confidence);
        i = last;
    }
}

void rw_judge_gate(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    (void)limits;
    judge_damage(track, verdicts);
    judge_lost(track, verdicts);
}
