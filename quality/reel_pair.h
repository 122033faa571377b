/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reel_pair.h - a demo reel drawn twice: with damage and without.
 *
 * A demo term that is switched off changes nothing in the others, so the second drawing is the
 * exact truth of the first, in the same place, through the same lens and the same resampling.
 * Frames are registered by the demo's own truth, so that scores here judge restoration and nothing
 * else.
 */
#ifndef QUALITY_REEL_PAIR_H
#define QUALITY_REEL_PAIR_H

#include <reelwright/demo.h>

#include "clip.h"

typedef struct reel_spec {
    const char *footage; /* NULL: the demo's built-in scenes */
    int first;           /* frame of the footage */
    int count;
    int width, height; /* of the registered frames */
    uint64_t seed;
    const char *const *on; /* NULL-ended: "dirt.rate=20" ... set in every drawing */
} reel_spec;

/* Terms that are damage: all of them are off unless named in `terms`, a list as "grain noise dirt".
 */
bool reel_draw(clip *out, const reel_spec *spec, const char *terms, rw_affine *still_to_frame,
               GError **error);

/* The clear light of the perforation on each of spec->count stills of the same reel, framed wider:
 * linear, NAN where it clips. */
bool reel_clear_light(double *light, const reel_spec *spec, const char *terms, GError **error);

#endif
