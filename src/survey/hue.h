/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * hue.h - the picture's colours on one still, and what all of them say of the reel.
 */
#ifndef RW_SURVEY_HUE_H
#define RW_SURVEY_HUE_H

#include <reelwright/reel.h>

#include "colour/sight.h"
#include "survey/picture.h"

/* Coded luma below and above which 2 % lie, 0..1; mean distance from grey in Cb, Cr. */
typedef struct rw_hue_spread {
    double dark, bright, chroma;
} rw_hue_spread;

/* Samples, means and extremes of `film` (mm); film_to_px maps it to decoded pixels. */
rw_hue_spread rw_sample_hues(const rw_small *small, rw_affine film_to_px, rw_rect film,
                             rw_colour_sight *sight);

/* The survey reads codes as sRGB; this reads a sight anew by the light of each code that was meant.
 * Full scale stays 1: only ratios count. Values between codes, which means are, lie between. */
void rw_hue_read_as(const float light[256], rw_colour_sight *sight);

/* Leaves the reel's fact "colour" for finish: from the frames and scenes as they are in reel.db. */
bool rw_hue_conclude(rw_reel *reel, GError **error);

#endif
