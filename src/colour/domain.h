/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * domain.h - a picture from one kind of numbers to another: linear light, density, coded.
 *
 * Density is -log10 of light, which is taken as at least 1e-5 (density 5). Coded is what a
 * BT.1886 display (black at zero) must be sent to show light clipped to 0..1: stills are pictures
 * made for a display, so the movie shows the light that the still shows. The same bits on every CPU
 * level.
 */
#ifndef RW_COLOUR_DOMAIN_H
#define RW_COLOUR_DOMAIN_H

#include "base/pool.h"

/* Changes the frame's samples, in place while it is writable, else in a buffer of its own. */
bool rw_frame_to_domain(rw_frame *frame, rw_domain domain, rw_pool *pool, GError **error);

/* The curves row by row, widths rounded up to a multiple of 16. */
typedef void rw_domain_row_fn(float *to, const float *from, int width);
typedef struct rw_domain_dsp {
    rw_domain_row_fn *density_from_light, *light_from_density, *coded_from_light, *light_from_coded;
} rw_domain_dsp;

#endif
