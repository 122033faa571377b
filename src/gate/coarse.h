/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * coarse.h - a first idea of where the film lies, from a small picture of the whole still.
 *
 * A hypothesis (side, scale, place of the first hole) is scored by the contrast of every side of
 * every hole it would show, by the dark rebate between the holes and by how much of the picture it
 * would put on the still. Nothing is thresholded for good, so that a white sky beside a hole, a
 * hair across it, a torn corner or a hole that the still cuts off costs a part of the score only.
 */
#ifndef RW_GATE_COARSE_H
#define RW_GATE_COARSE_H

#include "gate/view.h"

typedef struct gate_guess {
    rw_gate_side side;
    double scale; /* px per mm */
    double angle;
    double cx, cy; /* centre of the gauge's first hole; may lie outside of the still */
    double score;  /* 0..1 */
} gate_guess;

typedef struct gate_coarse gate_coarse;
gate_coarse *gate_coarse_new(const rw_gauge *gauge);
void gate_coarse_free(gate_coarse **coarse);

/* The best `max` guesses, best first, in pixels of the view; returns how many. prior may be NULL;
 * with it only its neighbourhood is looked at. */
int gate_coarse_search(gate_coarse *coarse, const gate_view *view, const rw_gate_prior *prior,
                       gate_guess *guess, int max);

/* ---- what the rest of the folder needs of a gauge ---- */

/* Film centre of hole `index`, which may be -1 or n_perforations. */
rw_point gate_hole_centre(const rw_gauge *gauge, int index);

#endif
