/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * scale.h - the one resample: from a decoded still, through any affine map, to a picture in linear
 * light.
 *
 *     rw_scaler *scaler = rw_scaler_new(rw_kernel_find("lanczos3"));      // one per thread
 *     rw_scaler_run(scaler, &pixels, curve_table, frame_to_pixels, &frame, &error);
 *     rw_scaler_free(&scaler);
 *
 * Two passes after Catmull and Smith (SIGGRAPH 1980): first along the rows of the still, each row
 * with its own shift, then across the rows, each column with its own. Shift, scale, shear, small
 * rotations and mirroring are exact; a still that lies sideways is transposed first. The kernel is
 * stretched by the reduction of each pass, so nothing folds back. Outside the still is black.
 *
 * Kernel weights come from a table of 2048 phases; places are 32.32 fixed point; sums run in one
 * fixed order. The same pixels and map give the same bits on every CPU level and thread.
 */
#ifndef RW_FINISH_SCALE_H
#define RW_FINISH_SCALE_H

#include <reelwright/still.h>
#include <reelwright/types.h>

/* A resampling kernel: even, zero beyond its radius (in pixels of the coarser side), 1 at 0 up to
 * a factor; weights are normalised. */
typedef struct rw_kernel {
    const char *name;
    double radius;
    double (*at)(double x);
} rw_kernel;
const rw_kernel *rw_kernel_find(const char *name);
const rw_kernel *const *rw_kernel_all(void); /* NULL-ended */
/* What finish uses; docs/decisions/201-resample.md. */
const rw_kernel *rw_kernel_usual(void);

#define RW_SCALE_PHASE_BITS 11

/* taps (a multiple of 4) weights for each of 2^RW_SCALE_PHASE_BITS places between two samples;
 * weight k of a phase belongs to sample floor(place) - taps / 2 + 1 + k. Each phase sums to 1. */
typedef struct rw_weights {
    const rw_kernel *kernel;
    double stretch;
    int taps;
    float *at;
    size_t room; /* floats at `at` */
} rw_weights;
/* stretch >= 1; it is rounded to 1/512, so that stills of nearly one scale share a table. */
void rw_weights_fill(rw_weights *weights, const rw_kernel *kernel, double stretch);
void rw_weights_clear(rw_weights *weights);

typedef struct rw_scaler rw_scaler;
rw_scaler *rw_scaler_new(const rw_kernel *kernel);
void rw_scaler_free(rw_scaler **scaler);
/* frame: allocated, of three planes; every sample is written. frame_to_pixels maps frame
 * coordinates to those of the decoded pixels. table: light for each code, 2^pixels->bits long.
 * RW_ERROR_FAILED when the map is singular. */
bool rw_scaler_run(rw_scaler *scaler, const rw_pixels *pixels, const float *table,
                   rw_affine frame_to_pixels, rw_frame *frame, GError **error);

#endif
