/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * picture.h - a film frame's still, decoded at the scale that is wanted and laid into the frame.
 *
 * A still that turns out unreadable or cut short is replaced by the nearest one of its scene that
 * is whole, earlier ones first: as much a function of the reel alone as any other picture.
 */
#ifndef RW_FINISH_PICTURE_H
#define RW_FINISH_PICTURE_H

#include "base/pool.h"
#include "finish/plan.h"

typedef struct rw_picture_maker rw_picture_maker; /* one per thread */
rw_picture_maker *rw_picture_maker_new(const rw_plan *plan);
void rw_picture_maker_free(rw_picture_maker **maker);

/* Picture p in this composition, in linear light. *shown is the picture that was really taken; when
 * it is not p, *note says why in one line (to be freed). */
bool rw_picture_make(rw_picture_maker *maker, int64_t p, const rw_composition *composition,
                     rw_pool *pool, rw_frame *frame, int64_t *shown, char **note, GError **error);

#endif
