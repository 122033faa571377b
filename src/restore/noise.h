/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * noise.h - how much grain a picture has, and samples on which it is even.
 *
 *     rw_noise_survey *survey = rw_noise_survey_new();
 *     rw_noise_look(survey, now, next, field, scratch);            // one or two pairs
 *     rw_noise_settle(survey, &noise);
 *     rw_noise_survey_free(&survey);
 *     rw_film film;
 *     rw_film_init(&film, pool, frame, &noise, &error);            // Y, U, V with grain of rms 1
 *     ... rw_film_back(&noise, film.plane, y, frame_out) ...
 *
 * Grain is measured from the reel itself: the difference between a flat block and where it lies on
 * the neighbouring frame is twice grain and nothing else. From that comes its rms over the light
 * (a curve for each channel), a transform that evens it out, and its spectrum: the power of each
 * coefficient of the 8 x 8 discrete cosine transform, since grain is larger than a pixel.
 *
 * Root: the square root of linear light, on which the curves are written.
 * Even sample: u(root), the integral of d root / sigma(root): its grain has rms 1 everywhere
 * (variance stabilisation: Bartlett 1936, Anscombe 1948). Between two knots a cubic with the
 * integral's own values and slopes there, the slopes kept where it rises throughout (Fritsch and
 * Carlson 1980; from memory).
 * Y, U, V: the orthonormal cosine transform of the three even channels, (r + g + b) / sqrt 3,
 * (r - b) / sqrt 2, (r - 2 g + b) / sqrt 6: most of the picture in Y, colour in U and V.
 */
#ifndef RW_RESTORE_NOISE_H
#define RW_RESTORE_NOISE_H

#include <reelwright/types.h>

#include "base/cpu.h"
#include "base/pool.h"
#include "motion/field.h"

#define RW_NOISE_KNOTS  17
#define RW_NOISE_TOP    1.25f /* root at the last knot */
#define RW_NOISE_PIECES (RW_NOISE_KNOTS - 1)
#define RW_NOISE_BACK   4096

typedef struct rw_noise {
    float sigma[3][RW_NOISE_KNOTS]; /* rms of the root, channel R, G, B */
    /* u over root: piece k, fraction t of it: curve[0][k] + t (curve[1][k] + t (...)) */
    float curve[3][4][RW_NOISE_PIECES];
    float root[3][RW_NOISE_BACK + 2]; /* root over u, 0 .. top[c] */
    float top[3];                     /* u at RW_NOISE_TOP */
    float power[3][64];               /* of Y, U, V: row v, column u of the 8 x 8 transform */
    float rms[3];                     /* of Y, U, V */
} rw_noise;

typedef struct rw_noise_survey rw_noise_survey;
rw_noise_survey *rw_noise_survey_new(void);
void rw_noise_survey_free(rw_noise_survey **survey);
/* field: from now to other. Both frames in linear light. */
void rw_noise_look(rw_noise_survey *survey, const rw_frame *now, const rw_frame *other,
                   const rw_motion_field *field);
/* With too little to go by the curve is that of a moderate grain and the spectrum is white. */
void rw_noise_settle(rw_noise_survey *survey, rw_noise *noise);
/* Makes the way back keep the mean of light. Grain leaves the mean of linear light as it was, the
 * mean of even samples lies darker; what is lost with a share of the grain's power, 0..1, comes
 * back: light at u becomes the mean of light at u + h and u - h, h the rms of what goes (the
 * quadrature of two points of a normal distribution). As the exact inverse of a stabilised mean
 * (Makitalo and Foi 2011; from memory). Once per noise. */
void rw_noise_keep_light(rw_noise *noise, float share);

#define RW_FILM_BORDER 40 /* px of repeated edge round each plane */

/* A frame as even samples Y, U, V. plane px point at (0, 0); the border outside may be read. */
typedef struct rw_film {
    int width, height;
    rw_plane plane[3];
    rw_buffer *buffer;
} rw_film;

/* planes: 1 (Y only) or 3. */
bool rw_film_init(rw_film *film, rw_pool *pool, const rw_frame *frame, const rw_noise *noise,
                  int planes, GError **error);
/* Empty planes of the same shape, edges not repeated. */
bool rw_film_alloc(rw_film *film, rw_pool *pool, int width, int height, int planes, GError **error);
void rw_film_repeat_edge(rw_plane plane);
void rw_film_clear(rw_film *film);

/* ---- kernels ---- */

/* n samples; the rows need no alignment. */
typedef void rw_film_forward_fn(float *const yuv[3], const float *const rgb[3], int n,
                                const rw_noise *noise, int planes);
typedef void rw_film_back_fn(float *const rgb[3], const float *const yuv[3], int n,
                             const rw_noise *noise);

typedef struct rw_film_dsp {
    rw_film_forward_fn *forward;
    rw_film_back_fn *back;
} rw_film_dsp;
void rw_film_dsp_init(rw_film_dsp *dsp, rw_cpu level);

#endif
