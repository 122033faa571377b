/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * hair.h - hairs in the transfer's gate: fixed to the camera, not to the film.
 *
 * 1. Per frame: thin dark places, written down in camera coordinates.
 * 2. Over a scene: what stays in its place in the camera while the film weaves under it and the
 * scene moves is a hair; what stays on the film or moves with the scene is not. Where neither moves
 * the two cannot be told apart, and nothing is found.
 * 3. Repair: from neighbouring frames, where weave or motion shows what the hair hid; else drawn in
 *    from both sides.
 * Camera coordinates: stored pixels of the still times a scale that makes them about as large as
 * the pixels of the look's picture.
 */
#ifndef RW_RESTORE_HAIR_H
#define RW_RESTORE_HAIR_H

#include <reelwright/types.h>

#include "base/pool.h"
#include "motion/field.h"

#define RW_HAIR_WIDTH  720  /* px of the picture a look is made on */
#define RW_HAIR_POINTS 6000 /* dark thin places kept per frame */
#define RW_HAIR_PLAIN  3000 /* of these, those that may begin a hair */

typedef struct rw_hair_point {
    uint16_t x, y; /* camera px */
} rw_hair_point;

typedef struct rw_hair_look {
    int32_t version, count;
    int32_t plain;            /* so many of the points, from the first, are the plainest */
    int32_t width, height;    /* of the registered picture */
    float scale;              /* camera px per stored pixel */
    rw_affine camera_to_film; /* camera px to px of the registered picture */
    rw_hair_point point[RW_HAIR_POINTS];
} rw_hair_look;

/* One hair: followed in memory by its points. */
typedef struct rw_hair {
    int64_t first, last; /* film frames */
    float scale;
    int32_t count;
} rw_hair;

/* now: linear light, registered. */
bool rw_hair_measure(rw_hair_look *look, rw_pool *pool, const rw_frame *now, GError **error);
/* Appends hairs, each an rw_hair and its points, 8-byte aligned, to facts. Returns how many. */
int rw_hair_gather(const rw_hair_look *const *looks, const int64_t *n, size_t count,
                   GByteArray *facts);
/* Steps through them: NULL at the end. */
const rw_hair *rw_hair_next(const void *facts, size_t bytes, const rw_hair *hair);

typedef struct rw_hair_window {
    const rw_frame *now;
    const rw_frame *near[4]; /* at -2, -1, 1, 2; NULL: none */
    const rw_motion_field *field[4];
} rw_hair_window;

/* Marks in mask (width * height bytes) where the hairs alive at the frame lie on it, a pixel or two
 * wider than found: 1, else 0. False when there are none. */
bool rw_hair_mark(uint8_t *mask, const rw_frame *frame, const void *facts, size_t bytes);
/* out: a copy of window->now. own: the pixels to repair, not 0. Returns the pixels changed. */
int64_t rw_hair_repair(rw_frame *out, const rw_hair_window *window, const void *facts, size_t bytes,
                       const uint8_t *own);

#endif
