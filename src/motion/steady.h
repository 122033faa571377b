/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * steady.h - what is kept of a frame for as long as other frames are compared with it.
 *
 * Level 0 holds about 480 x 360 px of the picture area whatever the still, level 1 half of that
 * each way. Level 0 is smoothed a little beyond what its sampling needs, so that a bilinear look
 * between its pixels is faithful and grain does not decide. The coarse plane is half of level 1
 * with the local mean taken off and the local contrast evened out, so that neither flicker nor
 * shading steers the search; it carries a neutral margin that a search may run into.
 */
#ifndef RW_MOTION_STEADY_H
#define RW_MOTION_STEADY_H

#include <reelwright/motion.h>

#define RW_STEADY_AREA    (480 * 360) /* px of level 0 */
#define RW_STEADY_BLOCK   32          /* px of level 0, each way */
#define RW_STEADY_INSET   6  /* px of level 0 between the grid of blocks and the picture's edge */
#define RW_STEADY_RANGE   12 /* px of the coarse plane: the farthest search, a tenth of the width */
#define RW_STEADY_MARGIN  24 /* px of the coarse plane: RANGE and half a search window fit in */
#define RW_STEADY_NEUTRAL 128 /* of the coarse plane */

struct rw_steady_imprint {
    gatomicrefcount refs;
    rw_plane level[2];
    int coarse_width, coarse_height;
    ptrdiff_t coarse_stride;
    uint8_t *coarse;    /* its pixel (0, 0); the margin lies before it */
    rw_affine to_still; /* level 0 px -> still px */
    float contrast;     /* rms of level 1 about its local mean, in units of the luma given */
    float *floats;      /* owns the levels */
    uint8_t *bytes;     /* owns the coarse plane */
};

/* First pixel of a block at level 0. */
void rw_steady_block_origin(int width, int height, int block, int *x, int *y);

/* A symmetric 2 x 2 matrix. */
typedef struct rw_sym2 {
    double xx, xy, yy;
} rw_sym2;

/* How well a match of correlation r holds a block: the inverse of its place's covariance, 1/px^2 of
 * level 0. gradients: the sums over the mean square, as in rw_steady_sight. Grain is taken as
 * white on the still: it has gradients of its own, which hold nothing, and which meet the other
 * frame's grain. */
rw_sym2 rw_steady_information(int level, double r, rw_sym2 gradients);

#endif
