/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * field.h - the one motion engine: where each block of a frame lies on another frame.
 *
 *     rw_motion_picture a, b;
 *     rw_motion_picture_init(&a, pool, &frame_a, &error);          // once per frame
 *     rw_motion_field there, back;                                 // a -> b, b -> a
 *     rw_motion_pair_estimate(&there, &back, pool, &a, &b, NULL, NULL, 0, &error);
 *     ... rw_motion_field_clear(&there); rw_motion_picture_clear(&a);
 *
 * Method: block matching over a pyramid (candidates from the coarser level and from the
 * neighbouring blocks, mean-removed and truncated absolute differences, so that neither flicker nor
 * a speck of dirt decides), then gradient steps to sub-pixel accuracy (the inverse-compositional
 * form of Lucas and Kanade 1981). A field is a pure function of the two pictures and the hint; it
 * never depends on threads or on what was estimated before. Thread-safe: no shared state.
 *
 * Frames are registered frames in any domain; inside, the engine looks at luma on a scale of
 * 0..255 that is roughly even to the eye.
 */
#ifndef RW_MOTION_FIELD_H
#define RW_MOTION_FIELD_H

#include <reelwright/types.h>

#include "base/cpu.h"
#include "base/pool.h"

#define RW_MOTION_CELL   4  /* px between the vectors of a field */
#define RW_MOTION_BLOCK  8  /* px between the blocks that are matched */
#define RW_MOTION_WINDOW 16 /* px of the matching window, centred on the block */
#define RW_MOTION_LEVELS 6  /* at most */
#define RW_MOTION_BORDER 40 /* px of repeated edge round every level */

/* One frame as the engine sees it. Owns one pool buffer. */
typedef struct rw_motion_picture {
    int width, height;                /* of the frame */
    int levels;                       /* level 0 is full resolution, each next is half */
    rw_plane level[RW_MOTION_LEVELS]; /* px points at (0, 0), border outside */
    int16_t *code[RW_MOTION_LEVELS];  /* the same in sixteenths, of the same stride and border */
    rw_buffer *buffer;
} rw_motion_picture;

/* One vector per cell: cell (i, j) has its centre at (4i + 1.5, 4j + 1.5) of the first picture and
 * that content lies at (+dx, +dy) px on the second. All planes are cols x rows. Cells lie finer
 * than the blocks that were matched, so that the edge of a moving thing is followed. */
typedef struct rw_motion_field rw_motion_field; /* stage.h names it too */
struct rw_motion_field {
    int width, height; /* of the frames */
    int cols, rows;
    ptrdiff_t stride; /* floats, of the four planes */
    float *dx, *dy;   /* px at full resolution */
    float *cost;      /* mean truncated absolute difference of the match, 0..255 scale */
    float *trust; /* 0..1: there and back agree, and the match is as good as the grain lets it be */
    float noise;  /* the cost of a good match in this pair: a low percentile of cost */
    rw_buffer *buffer;
};

bool rw_motion_picture_init(rw_motion_picture *picture, rw_pool *pool, const rw_frame *frame,
                            GError **error);
void rw_motion_picture_clear(rw_motion_picture *picture);
/* What a picture, a field and the estimation of a pair take from the pool, bytes, at most. */
size_t rw_motion_picture_bytes(int width, int height);
size_t rw_motion_field_bytes(int width, int height);
size_t rw_motion_pair_scratch(int width, int height);

/* Both directions of a pair at once: they check and mend each other. The hints may be NULL: fields
 * of the same size whose vectors, times hint_times, are offered as candidates (for the pair n, n +
 * 2: those of n -> n + 1 and n + 2 -> n + 1, times 2). */
bool rw_motion_pair_estimate(rw_motion_field *there, rw_motion_field *back, rw_pool *pool,
                             const rw_motion_picture *a, const rw_motion_picture *b,
                             const rw_motion_field *hint_there, const rw_motion_field *hint_back,
                             float hint_times, GError **error);
void rw_motion_field_clear(rw_motion_field *field);

/* Vector at a place of the frame, bilinear between cells. */
rw_point rw_motion_field_at(const rw_motion_field *field, double x, double y);

/* out(p) = in(p + vector at p), bilinear: the second picture laid over the first. Both planes are
 * of the field's size; in has at least RW_MOTION_BORDER px of repeated edge around it. scratch:
 * room for 4 * (width + 32) floats. */
void rw_motion_warp(const rw_motion_field *field, rw_plane in, rw_plane out, float *scratch);

/* ---- kernels; exposed for their test ---- */

/* Windows of 16x16 codes, sixteenths of a step of 0..255, each 0 .. 16320. Differences are a - b,
 * clipped to +-64 steps for their mean m, which is rounded to a code; the result is the sum of
 * min(|a - b - m|, cap) in steps; cap is taken as 128 steps at most. */
typedef float rw_motion_sad_fn(const int16_t *a, ptrdiff_t a_stride, const int16_t *b,
                               ptrdiff_t b_stride, float cap);
/* The same with b taken at (fx, fy) in [0, 1) px, bilinear, the fractions in 32768ths; reads 17
 * rows and 17 columns of b. */
typedef float rw_motion_sad_sub_fn(const int16_t *a, ptrdiff_t a_stride, const int16_t *b,
                                   ptrdiff_t b_stride, float fx, float fy, float cap);
/* out = codes of steps, 0 .. 1020. */
typedef void rw_motion_code_fn(int16_t *out, const float *in, size_t n);
/* 8x8 windows, sum of min(|a - b(fx, fy) - offset|, cap). */
typedef float rw_motion_sad8_fn(const float *a, ptrdiff_t a_stride, const float *b,
                                ptrdiff_t b_stride, float fx, float fy, float offset, float cap);
/* 16x16 windows, normal equations of a gradient step: sum of w gx gx, w gx gy, w gy gy, w gx e, w
 * gy e with e = a - b(fx, fy) - m (m: the mean of the differences clipped to +-64), w = |e| < cap,
 * g the central differences of a (one more row and column of a on each side is read). */
typedef void rw_motion_normal_fn(const float *a, ptrdiff_t a_stride, const float *b,
                                 ptrdiff_t b_stride, float fx, float fy, float cap, float out[5]);
/* out[x] = the 1 2 1 by 1 2 1 mean of rows[0..2][x - 1 .. x + 1], x = 0 .. width rounded up to 16.
 */
typedef void rw_motion_smooth_fn(float *out, const float *const rows[3], int width);
/* out[x] = the 1 3 3 1 by 1 3 3 1 mean round (2x + 0.5) of four rows, columns 2x - 1 .. 2x + 2;
 * sums holds 2 * width + 48 floats of scratch. */
typedef void rw_motion_halve_fn(float *out, const float *const rows[4], float *sums, int width);

/* out[x] = in at (x + dx[x], y + dy[x]), bilinear, x = 0 .. n - 1; the place is kept within the
 * border of the width x height plane. */
typedef void rw_motion_warp_fn(float *out, const float *in, ptrdiff_t in_stride, int width,
                               int height, const float *dx, const float *dy, int y, int n);

typedef struct rw_motion_dsp {
    rw_motion_sad_fn *sad;
    rw_motion_sad_sub_fn *sad_sub;
    rw_motion_code_fn *code;
    rw_motion_sad8_fn *sad8;
    rw_motion_normal_fn *normal;
    rw_motion_smooth_fn *smooth;
    rw_motion_halve_fn *halve;
    rw_motion_warp_fn *warp;
} rw_motion_dsp;

void rw_motion_dsp_init(rw_motion_dsp *dsp, rw_cpu level);

#endif
