/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * share.h - motion between the pictures of a run, estimated once per pair, by whoever asks first.
 *
 *     rw_motion_share *s = rw_motion_share_new(pool, &frame, &error);    // of each picture
 *     rw_motion_share *row[] = {s of picture n, of n + 1, of n + 2};     // neighbours in order
 *     const rw_motion_field *f = rw_motion_share_get(row, 0, 2, &error); // from n to n + 2
 *     rw_motion_share_unref(&s);
 *
 * A picture's share holds what the engine needs of it and the fields to the pictures after it; the
 * frame is not kept. It lives as long as somebody holds it, so nothing has to be told when a
 * picture is done with.
 *
 * Any thread. What a pair gives depends on its pictures (for a pair two apart also on the one
 * between) and on nothing else, so neither the order of questions nor threads change a bit.
 */
#ifndef RW_MOTION_SHARE_H
#define RW_MOTION_SHARE_H

#include "motion/field.h"

#define RW_MOTION_FAR 2 /* pictures apart at most */

typedef struct rw_motion_share rw_motion_share; /* counted */

rw_motion_share *rw_motion_share_new(rw_pool *pool, const rw_frame *frame, GError **error);
rw_motion_share *rw_motion_share_ref(rw_motion_share *share); /* NULL is fine */
void rw_motion_share_unref(rw_motion_share **share);          /* nulls the pointer; NULL is fine */

/* From picture row[from] to picture row[to]; all of row between them must be there, of one size,
 * neighbours in order. The field lives as long as both ends are held. NULL without an error when
 * they are further apart than RW_MOTION_FAR, or the same. */
const rw_motion_field *rw_motion_share_get(rw_motion_share *const *row, int from, int to,
                                           GError **error);

/* Bytes from the pool: what a share of a picture of this size holds at most, all its fields
 * included; and what one call of get takes besides. */
size_t rw_motion_share_bytes(int width, int height);
size_t rw_motion_share_scratch(int width, int height);

#endif
