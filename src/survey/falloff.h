/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * falloff.h - the lens's fall-off, from the clear light in the perforations.
 *
 * The bare lamp shines through a perforation, so whatever the film shows, light that differs from
 * one part of it to another tells the fall-off of lens and lamp. One still tells it badly, a reel
 * well.
 */
#ifndef RW_SURVEY_FALLOFF_H
#define RW_SURVEY_FALLOFF_H

#include <reelwright/reel.h>

#include "survey/picture.h"
#include "survey/track.h"

/* Stops lost in the still's corners by the slope of clear light in all perforations; NAN when too
 * little of them is seen, or it is clipped. film_to_px: film mm to decoded pixels. */
double rw_falloff_of(const rw_pixels *pixels, rw_affine film_to_px, const rw_gauge *gauge);

/* Leaves the reel's fact "falloff" (colour/falloff.h) for finish; 0 stops when it cannot be told.
 */
bool rw_falloff_conclude(rw_reel *reel, const rw_track *track, GError **error);

#endif
