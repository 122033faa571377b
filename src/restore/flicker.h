/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * flicker.h - light that changes from frame to frame where the scene's does not.
 *
 * 1. Each frame is laid over the two before it by motion; the logarithm of their ratio of light is
 *    fitted by a smooth surface of 10 terms, robustly: what moves, clips or lies in the dark has no
 *    say, and where neighbours agree they have more.
 * 2. Over a scene the steps from frame to frame give each term's course.
 * 3. A smooth line through that course is what the scene itself did: a fade, a cloud, a walk
 * indoors. How smooth is judged from the course (restricted maximum likelihood), and where the
 * course bends for good, as when a lamp is switched on, the line may bend too.
 * 4. Course less line is flicker, and is taken out of the light.
 * After the smoother of Whittaker (1923) as a mixed model; from memory.
 */
#ifndef RW_RESTORE_FLICKER_H
#define RW_RESTORE_FLICKER_H

#include <reelwright/stage.h>

#include "colour/falloff.h"

#define RW_FLICKER_TERMS 10
#define RW_FLICKER_BACK  2 /* frames a look goes back */

/* What one look measured: log light of this frame over that of the frames 1 and 2 before. */
typedef struct rw_flicker_look {
    int32_t version;
    float weight[RW_FLICKER_BACK]; /* share of the picture that had a say; 0: no such frame */
    float error[RW_FLICKER_BACK];  /* robust rms of what the surface left */
    float surface[RW_FLICKER_BACK][RW_FLICKER_TERMS]; /* natural logarithm of light */
    float colour[RW_FLICKER_BACK][3];                 /* R, G, B against luma */
} rw_flicker_look;

/* What is taken out of a frame, natural logarithm of light. */
typedef struct rw_flicker_fact {
    int64_t n;
    float surface[RW_FLICKER_TERMS];
    float colour[3];
} rw_flicker_fact;

/* The terms of the surface at u, v in -1..1 over the frame. */
void rw_flicker_terms(double u, double v, double term[RW_FLICKER_TERMS]);

/* now and before[k] (NULL: none), in linear light, registered. */
bool rw_flicker_measure(rw_flicker_look *look, rw_pool *pool, const rw_frame *now,
                        const rw_frame *const before[RW_FLICKER_BACK], GError **error);

/* looks in film order, n their film frames, light (may be NULL) the clear light of the lamp seen
 * through the perforation, NAN where unknown. strength 0..1. */
void rw_flicker_solve(const rw_flicker_look *const *looks, const int64_t *n, const double *light,
                      size_t count, double strength, rw_flicker_fact *facts);

/* The course of one term less what the scene did, in place. errors: rms of each value. */
void rw_flicker_detrend(double *course, const double *errors, size_t count);

/* out = in with the flicker of the fact taken out; near full scale, where light was clipped, less
 * and less. fact, falloff: NULL leaves it; falloff is the lens's (colour/falloff.h), fixed to the
 * camera. */
void rw_flicker_apply(rw_frame *out, const rw_frame *in, const rw_flicker_fact *fact,
                      const rw_falloff *falloff);

#endif
