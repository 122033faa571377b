/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * ladder.h - what a still shows besides perforations that tells where things lie.
 *
 *     rw_rung_looker *looker = rw_rung_looker_new(gauge);                  // one per thread
 *     rw_rung_sight sight;
 *     rw_rung_look(looker, &pixels, &film_to_still, &sight);              // rough place, or NULL
 * then once over the reel, in film order, after rw_gate_solve:
 *     rw_ladder_climb(gauge, gate_sights, sights, fits, count);
 *     rw_ladder_weave(gauge, sights, fits, count, weave);
 *
 * Each rung moves with something else, and that is all it can tell:
 *   the exposure's own edges (the sides of the picture; the frame lines above and below it) were
 *     drawn by the aperture of the camera that shot the film. They move with the picture. Against
 * the perforation they give that camera's weave, free of what the operator did with the camera; the
 * opening of the transfer's gate is fixed to the camera that takes the stills: it moves when the
 *     rig moves and at no other time, and says nothing of the film in it;
 *   the picture itself (motion.h) moves with the film, the camera and the operator all at once.
 * Sees no files, no JSON, no database.
 */
#ifndef RW_GATE_LADDER_H
#define RW_GATE_LADDER_H

#include <reelwright/gate.h>

#define RW_RUNG_VERSION 1

/* -x, +x, -y, +y of the film; of the upright still for the opening. */
enum { RW_EDGE_NEAR, RW_EDGE_FAR, RW_EDGE_TOP, RW_EDGE_FOOT, RW_EDGES };

/* A straight edge between picture and dark, stored pixels. */
typedef struct rw_edge_sight {
    double x, y;    /* where it crosses the middle of the side */
    double sd;      /* across it, px; INFINITY: not seen */
    double inliers; /* share of the side that lies on it */
} rw_edge_sight;

/* Plain data, stored as a blob. */
typedef struct rw_rung_sight {
    int32_t version;
    int32_t stored_width, stored_height;
    int32_t pad;
    rw_edge_sight exposure[RW_EDGES];
    rw_edge_sight opening[RW_EDGES];
} rw_rung_sight;

typedef struct rw_rung_looker rw_rung_looker;
rw_rung_looker *rw_rung_looker_new(const rw_gauge *gauge);
void rw_rung_looker_free(rw_rung_looker **looker);
/* film_to_still: where the film lies to a tenth of a millimetre, stored px; NULL when no
 * perforation was found: then only the opening is looked for. Never fails: what is not seen has sd
 * INFINITY. */
void rw_rung_look(rw_rung_looker *looker, const rw_pixels *pixels, const rw_affine *film_to_still,
                  rw_rung_sight *sight);

/* Where the picture lies between its perforations, against its usual place on this reel. */
typedef struct rw_camera_weave {
    double x, y;       /* film mm */
    double sd_x, sd_y; /* film mm; 0: not known */
} rw_camera_weave;

/* sights and fits in film order. The usual place is each edge's median over the reel. */
void rw_ladder_weave(const rw_gauge *gauge, const rw_rung_sight *sights, const rw_gate_fit *fits,
                     size_t count, rw_camera_weave *weave);

/* The opening as most of the stills show it, stored px; false when fewer than half show one. */
bool rw_ladder_opening(const rw_rung_sight *sights, size_t count, rw_rect *opening);

/* Whether the reel's stills show perforations at all: where none is in sight, a look still offers a
 * corner of the picture now and then, with little confidence. gate: what rw_gate_solve was given.
 */
bool rw_ladder_has_holes(const rw_gate_sight *gate, size_t count);

/* For a reel without (else nothing is done; fits then come from rw_gate_solve and are put aside): a
 * nominal place, the same for all frames, moved with the gate's opening where that moved. Methods
 * become RW_GATE_GATE, or RW_GATE_PICTURE where no opening is seen; what is left of the film's
 * movement is then the picture's to tell. */
void rw_ladder_climb(const rw_gauge *gauge, const rw_gate_sight *gate, const rw_rung_sight *sights,
                     rw_gate_fit *fits, size_t count);

#endif
