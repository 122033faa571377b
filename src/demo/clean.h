/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * clean.h - the ideal projection: what a perfect transfer of perfect film would show.
 */
#ifndef RW_DEMO_CLEAN_H
#define RW_DEMO_CLEAN_H

#include "demo/strip.h"
#include "demo/view.h"

#define DEMO_MASK_ALPHA 0.1f /* a blemish this strong counts */

/* (x, t) of a film frame -> pixels of the truth movies, which show the gauge's projectable area. */
rw_affine rw_demo_film_to_clean(const rw_gauge *gauge, int width, int height);

/* 4 bytes a pixel: B, G, R, 0; sRGB coded. with_weave: the picture lies where the original camera
 * put it, else at its nominal place. */
uint8_t *rw_demo_clean_draw(const rw_demo_reel *reel, const rw_demo_cel *cel, bool with_weave,
                            int width, int height);
/* One byte a pixel: rw_demo_spot_kind of what covers it, the largest where several do. view: of the
 * still that shows this film frame, for its gate hairs; NULL when there is none. */
uint8_t *rw_demo_mask_draw(const rw_demo_reel *reel, int64_t film, const rw_demo_view *view,
                           int width, int height);

#endif
