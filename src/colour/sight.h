/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * sight.h - what one still tells of light and dyes, and what all stills of a reel tell together.
 *
 *     rw_colour_sight sight;                                 // filled by whoever has the still
 *     GByteArray *block = rw_colour_estimate(views, count, frames, scenes, n_scenes);
 *     const rw_reel_colour *reel = rw_reel_colour_read(block->data, block->len);
 *
 * Three neutral things are known on most reels: the clear light of the perforations (the lamp), the
 * unexposed film between them (all dyes at their most: black) and the brightest parts of many
 * scenes (next to no dye: white). On film that holds its colour black is as neutral as the lamp.
 * Dyes that have lost a share leave black with a cast, and by how much of each tells the shares:
 * density is the sum of the dyes' absorptions, so with D = A d and d = A^-1 D the loss is a factor
 * on each d. What the whites have in colour is stain. No single scene has a say in any of this.
 *
 * A has the side absorptions of the three dyes in the two other thirds of the spectrum: typical of
 * chromogenic film, from memory; real stocks differ by some hundredths [M].
 */
#ifndef RW_COLOUR_SIGHT_H
#define RW_COLOUR_SIGHT_H

#include "colour/reel_colour.h"

enum { RW_COLOUR_COLUMNS = 20, RW_COLOUR_ROWS = 15, RW_COLOUR_SAMPLES = 300 };

/* Plain data, stored as a blob. Light is linear, 1 is full scale; NAN where it is not seen. */
typedef struct rw_colour_sight {
    float clear[3];        /* median in the best perforation; NAN in a channel that clips, too */
    float rebate[3];       /* mean of the unexposed film between perforations */
    float mean[3];         /* of the picture */
    float low[3], high[3]; /* of each channel: 0.5 % of the picture are darker, brighter */
    uint8_t sample[RW_COLOUR_SAMPLES][3]; /* coded, on a grid over the picture */
} rw_colour_sight;

/* Nothing is seen: NAN, samples 0. */
void rw_colour_sight_clear(rw_colour_sight *sight);

typedef struct rw_colour_view {
    int64_t n; /* film frame */
    const rw_colour_sight *sight;
} rw_colour_view;

/* views in film order; frames: of the reel; scenes: first and last are read, balance is not. Never
 * NULL; free with g_byte_array_unref. */
GByteArray *rw_colour_estimate(const rw_colour_view *views, size_t count, int64_t frames,
                               const rw_scene_colour *scenes, size_t n_scenes);

#endif
