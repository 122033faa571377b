/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * types.h - the small value types that every part shares.
 *
 * Pixel coordinates: the centre of the first pixel of the first row is (0, 0), x grows along the
 * row, y grows down the rows. A picture of w by h pixels covers [-0.5, w-0.5] x [-0.5, h-0.5].
 * Film coordinates (mm): x across the film from the perforated (reference) edge, y along the film
 * from the centre line of the frame. See docs/units.md.
 *
 * Nothing here owns memory except rw_frame through its counted buffer.
 */
#ifndef REELWRIGHT_TYPES_H
#define REELWRIGHT_TYPES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <reelwright/error.h>

/* atomic_bool: a flag that another thread raises to stop long work. */
#ifdef __cplusplus
#include <atomic>
using std::atomic_bool;
#else
#include <stdatomic.h>
#endif

#ifdef __cplusplus
extern "C" {
#endif

/* An exact rate or ratio, den > 0. 18 fps is {18, 1}; 29.97 is {30000, 1001}. */
typedef struct rw_rational {
    int64_t num, den;
} rw_rational;

/* (x, y) -> (m[0][0] x + m[0][1] y + m[0][2], m[1][0] x + m[1][1] y + m[1][2]) */
typedef struct rw_affine {
    double m[2][3];
} rw_affine;

typedef struct rw_point {
    double x, y;
} rw_point;

/* x, y is the corner with the smallest coordinates. */
typedef struct rw_rect {
    double x, y, width, height;
} rw_rect;

/* Whole pixels; empty when width or height is 0. */
typedef struct rw_irect {
    int x, y, width, height;
} rw_irect;

/* A view of one plane of floats. stride is in floats, not bytes. Not owned. */
typedef struct rw_plane {
    float *px;
    int width, height;
    ptrdiff_t stride;
} rw_plane;

/* Which numbers the samples are. */
typedef enum rw_domain {
    RW_DOMAIN_LINEAR,  /* proportional to light; 1.0 is the still's full scale */
    RW_DOMAIN_DENSITY, /* -log10 of linear light, 0 = full scale */
    RW_DOMAIN_CODED    /* after the delivery's transfer curve, 0..1 */
} rw_domain;

typedef struct rw_buffer rw_buffer; /* base/pool.h */

/* One picture in float planes R, G, B (BT.709 primaries). Rows are 64-byte aligned and padded so
 * that 16 floats past the last sample may be read. plane[1] == NULL means grey. */
typedef struct rw_frame {
    float *plane[3];
    int width, height;
    ptrdiff_t stride; /* floats */
    rw_domain domain;
    int64_t n;                /* film frame number, from 0 */
    rw_affine still_to_frame; /* the composed transform that made it */
    rw_buffer *buffer;        /* owns the planes; writable only while its count is 1 */
} rw_frame;

RW_API rw_affine rw_affine_identity(void);
/* first, then second: rw_affine_apply(result, p) == apply(second, apply(first, p)). */
RW_API rw_affine rw_affine_then(rw_affine first, rw_affine second);
RW_API rw_point rw_affine_apply(rw_affine a, double x, double y);
/* False when |determinant| < 1e-12; *inverse is then untouched. */
RW_API bool rw_affine_invert(rw_affine a, rw_affine *inverse);
RW_API double rw_affine_determinant(rw_affine a);

/* In lowest terms, den > 0. rw_rational_parse reads "18", "16.667", "50/3", "29.97" (30000/1001),
 * "59.94" and "23.976" (n*1000/1001); values must lie in (0, 1000]. */
RW_API rw_rational rw_rational_make(int64_t num, int64_t den);
RW_API bool rw_rational_parse(const char *text, rw_rational *out, GError **error);
RW_API double rw_rational_value(rw_rational r);
/* "18" or "30000/1001"; free with g_free. */
RW_API char *rw_rational_format(rw_rational r);

#ifdef __cplusplus
}
#endif
#endif
