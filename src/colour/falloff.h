/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * falloff.h - how light falls off from the middle of the camera's stills: the form of the survey's
 * fact "falloff".
 */
#ifndef RW_COLOUR_FALLOFF_H
#define RW_COLOUR_FALLOFF_H

#include <reelwright/types.h>

#define RW_FALLOFF_VERSION 1

/* Plain data. Light at a stored pixel is that of the middle times 2^(-stops q), q the square of its
 * distance from the middle against that of the corners: the first term of any lens's fall-off. */
typedef struct rw_falloff {
    int32_t version, width, height; /* of the stills as stored */
    float stops;                    /* lost in the corners; 0: none, or none that could be told */
} rw_falloff;

/* NULL unless the block is of this version and makes sense. */
const rw_falloff *rw_falloff_read(const void *data, size_t bytes);

#endif
