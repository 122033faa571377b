/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * view.h - a still's pixels as linear light, read where they are needed.
 *
 * Edges are located in linear light: there a lens blurs both sides of an edge alike, so that its
 * half-way point stays where the edge is. In coded values that point moves outwards by a good part
 * of the blur. Colours are joined before the curve is undone: the luma of a JPEG file carries no
 * chroma subsampling, and light of one tint keeps its proportions through a power law.
 */
#ifndef RW_GATE_VIEW_H
#define RW_GATE_VIEW_H

#include <reelwright/gate.h>

#define GATE_CODES   4096 /* luma steps of the curve's table */
#define GATE_RUN_MAX 256  /* pixels in one run */

/* Filled once: curve[i] is the linear light of luma i / (GATE_CODES - 1). IEC 61966-2-1. */
void gate_curve_fill(float *curve);

typedef struct gate_view {
    const rw_pixels *pixels;
    const float *curve; /* GATE_CODES entries */
} gate_view;

/* Luma of a pixel, 0..GATE_CODES-1. */
static inline int gate_luma(const rw_pixels *p, int x, int y)
{
    if (p->bits == 16) {
        const uint16_t *row =
            (const uint16_t *)((const uint8_t *)p->data + (ptrdiff_t)y * p->stride) +
            (ptrdiff_t)x * p->channels;
        uint32_t luma =
            p->channels == 1 ? row[0] * 256u : row[0] * 77u + row[1] * 150u + row[2] * 29u;
        return (int)(luma >> 12);
    }
    const uint8_t *px =
        (const uint8_t *)p->data + (ptrdiff_t)y * p->stride + (ptrdiff_t)x * p->channels;
    int luma = p->channels == 1 ? px[0] * 256 : px[0] * 77 + px[1] * 150 + px[2] * 29;
    return (luma * 4111 + 32768) >> 16; /* 255 * 256 becomes 4095 */
}

static inline float gate_linear(const gate_view *v, int x, int y)
{
    return v->curve[gate_luma(v->pixels, x, y)];
}

static inline bool gate_inside(const gate_view *v, int x, int y)
{
    return x >= 0 && y >= 0 && x < v->pixels->width && y < v->pixels->height;
}

/* n <= GATE_RUN_MAX pixels from (x, y) on, downwards when `down`, else to the right; all must lie
 * inside. A still
 * that was made smaller while decoding was averaged in coded values; what that took from a slope
 * is given back here. */
void gate_read_run(const gate_view *view, int x, int y, bool down, int n, float *out);

/* ---- the film's axes on the still ---- */

/* Unit vectors of film x and y; they are perpendicular, but may be of either handedness. */
typedef struct gate_axes {
    rw_point x, y;
} gate_axes;
gate_axes gate_axes_of(rw_gate_side side, double angle);
/* Outward normal of a side of a hole, RW_SIDE_OUTER ... */
rw_point gate_side_normal(const gate_axes *axes, int side);

#endif
