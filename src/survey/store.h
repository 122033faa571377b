/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * store.h - readings between memory and reel.db.
 */
#ifndef RW_SURVEY_STORE_H
#define RW_SURVEY_STORE_H

#include <reelwright/reel.h>

#include "survey/basis.h"
#include "survey/eye.h"
#include "survey/track.h"

/* The basis stored before, or false without error when there is none of this version. */
bool rw_store_get_basis(rw_reel *reel, rw_basis *basis, GError **error);
bool rw_store_put_basis(rw_reel *reel, const rw_basis *basis, GError **error);

/* What a glance says of one still; also the state and fault of the still's own row. */
/* False without error when there is none. */
bool rw_store_get_colour(rw_reel *reel, int64_t still, rw_colour_sight *sight, GError **error);
bool rw_store_put_still(rw_reel *reel, int64_t still, const rw_glance *glance, GError **error);
bool rw_store_put_pair(rw_reel *reel, int64_t still, const rw_readings *readings,
                       const rw_step *step, GError **error);
/* Id of the still that the pair values were measured against; -1 when there are none. */
int64_t rw_store_pair_with(rw_reel *reel, int64_t still, GError **error);

/* Everything measured of the stills in `order`. Free with rw_track_free. */
rw_track *rw_store_load_track(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis,
                              const int64_t *order, size_t count, GError **error);

#endif
