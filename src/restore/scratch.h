/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * scratch.h - scratches along the film.
 *
 * 1. Per frame: the means of bands of rows, and in them ridges (lighter or darker than both sides);
 *    ridges of many bands that lie on one steep line add up to a peak.
 * 2. Over a scene, in film coordinates: peaks of one place make a track. A track is a scratch when
 *    it keeps its place on the film; a line of the scene moves with the scene, or shows only in the
 *    rows where the thing is.
 * 3. Repair: along the line, what the scratch adds to or takes from the light is measured against
 *    both sides and taken back, which keeps what still shows through; the rest is drawn from the
 *    sides.
 */
#ifndef RW_RESTORE_SCRATCH_H
#define RW_RESTORE_SCRATCH_H

#include <reelwright/types.h>

#include "base/pool.h"

#define RW_SCRATCH_BANDS 24
#define RW_SCRATCH_PEAKS 24
#define RW_SCRATCH_WIDTH 720 /* px of the picture a look is made on */

typedef struct rw_scratch_peak {
    float x;         /* at mid-height, share of the frame's width */
    float tilt;      /* x at the bottom less x at the top, share of the width */
    float score;     /* sum over the bands, in sigmas cut at 3 */
    float width;     /* share of the frame's width */
    int32_t sign;    /* 1 light, -1 dark */
    uint32_t bands;  /* bit b: plain in band b from the top */
    uint32_t traces; /* bit b: plain or faint */
} rw_scratch_peak;

typedef struct rw_scratch_look {
    int32_t version, count;
    float scene_x; /* how the scene moved since the frame before, share of the width; NAN unknown */
    rw_scratch_peak peak[RW_SCRATCH_PEAKS];
} rw_scratch_look;

/* A scratch on one frame; facts are an array of these, in order of n. */
typedef struct rw_scratch_line {
    int64_t n;
    float x, tilt, width;
    int32_t sign;
    int32_t track; /* of which scratch it is a part */
} rw_scratch_line;

/* now and before (NULL: none): linear light, registered, any width. */
bool rw_scratch_measure(rw_scratch_look *look, rw_pool *pool, const rw_frame *now,
                        const rw_frame *before, GError **error);
/* GArray of rw_scratch_line. */
GArray *rw_scratch_track(const rw_scratch_look *const *looks, const int64_t *n, size_t count);

/* In place. Returns the pixels changed; mask as in blemish.h. */
int64_t rw_scratch_repair(rw_frame *frame, const rw_scratch_line *line, uint8_t *mask);

#endif
