/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * perforation.h - one perforation, and the film's edge, measured on one still.
 *
 * All in pixels of the view; register.c brings it to stored pixels.
 */
#ifndef RW_GATE_PERFORATION_H
#define RW_GATE_PERFORATION_H

#include "gate/coarse.h"
#include "gate/edge.h"

/* Room to work in; one per finder. */
typedef struct gate_bench {
    gate_run *runs; /* 4 * GATE_RUNS_MAX */
    gate_points points[4];
    gate_shape shape; /* of the side that was placed last with room on both sides */
    bool has_shape;
} gate_bench;

gate_bench *gate_bench_new(void);
void gate_bench_free(gate_bench **bench);

/* Measures hole `index` where the guess puts it. scale_known: the guess's scale is the reel's, to
 * half a percent; else it is a first idea. True when any side was found; hole->sd is
 * INFINITY when one axis lacks its sides. */
bool gate_measure_hole(gate_bench *bench, const gate_view *view, const rw_gauge *gauge,
                       const gate_guess *guess, bool scale_known, int index, rw_hole_sight *hole);

/* The reference edge beside a hole that was measured; fills the film_edge fields. */
void gate_measure_film_edge(gate_bench *bench, const gate_view *view, const rw_gauge *gauge,
                            const gate_guess *fit, const rw_hole_sight *hole, rw_gate_sight *sight);

#endif
