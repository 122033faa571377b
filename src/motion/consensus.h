/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * consensus.h - which blocks of a scene are background, and how the picture moved by them.
 *
 *     rw_consensus *c = rw_consensus_new(views, count);
 *     const rw_consensus_frame *path = rw_consensus_run(c, false);
 *     rw_consensus_free(&c);
 *
 * All coordinates are px of a picture 1080 rows high, about its centre: see rw_consensus_view.
 */
#ifndef RW_MOTION_CONSENSUS_H
#define RW_MOTION_CONSENSUS_H

#include <complex.h>

#include <reelwright/motion.h>

/* sight may be NULL: nothing is known of that frame. */
typedef struct rw_consensus_view {
    const rw_steady_sight *sight;
    rw_affine still_to_px;
} rw_consensus_view;

/* Where the background of the scene lies on a frame: picture = turn * scene + shift, numbers of
 * the complex plane. */
typedef struct rw_consensus_frame {
    double complex turn, shift;
    double sd; /* px: how far the shift may be off, given its neighbours; HUGE_VAL unknown */
    double background; /* share of the blocks that carry it */
} rw_consensus_frame;

typedef struct rw_consensus rw_consensus;

rw_consensus *rw_consensus_new(const rw_consensus_view *views, int count);
/* Frames in order; valid until the next run or free. drifting: blocks may drift evenly against the
 * path for a while, as near and far things do when the camera travels past them; what they then
 * share is the jitter. */
rw_consensus_frame *rw_consensus_run(rw_consensus *c, bool drifting);
/* 0..1 per block of a frame: background, by the last run. */
const float *rw_consensus_background(const rw_consensus *c, int frame);
/* What the link from the frame before says against the path by itself, px; NAN: nothing, or one of
 * the two is not known. */
void rw_consensus_left(const rw_consensus *c, int frame, double *x, double *y);
void rw_consensus_free(rw_consensus **c);

#endif
