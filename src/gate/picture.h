/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * picture.h - the picture on a still, made ready for motion.h.
 *
 *     rw_rect picture = rw_picture_area(gauge, found ? &film_to_still : NULL, rungs, n, w, h);
 *     rw_steady_imprint *imprint = rw_picture_imprint(&pixels, picture);
 *
 * The area is settled once for a reel, from a few stills: all imprints of a reel must show the same
 * part of the still at the same scale.
 */
#ifndef RW_GATE_PICTURE_H
#define RW_GATE_PICTURE_H

#include <reelwright/gate.h>
#include <reelwright/motion.h>

#include "gate/ladder.h"

/* Stored px. film_to_still: the usual place where perforations were found: then the projectable
 * picture. NULL: the usual opening of the gate by the samples' rungs; and where no opening shows,
 * the whole still. Less a little at the edges in each case. */
rw_rect rw_picture_area(const rw_gauge *gauge, const rw_affine *film_to_still,
                        const rw_rung_sight *samples, size_t n_samples, int width, int height);

/* NULL when the area is too small to measure on (rw_steady_imprint_new). */
rw_steady_imprint *rw_picture_imprint(const rw_pixels *pixels, rw_rect area);

#endif
