/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * scale_dsp.h - the inner loops of the resample, compiled once per CPU level.
 *
 * Rows in between are pixels of four floats: R, G, B and one that is carried along. Places are
 * 32.32 fixed point, counted from the first pixel (row) that is given.
 */
#ifndef RW_FINISH_SCALE_DSP_H
#define RW_FINISH_SCALE_DSP_H

#include <stdint.h>

#include "base/cpu.h"

/* to[i], i < width, from the row of `limit + taps` pixels at `from`. The place of to[i] is place +
 * i * step; its first tap is clamped to 0 .. limit. width is rounded up to a multiple of 4: so many
 * pixels are written. weights: as in scale.h. */
typedef void rw_scale_across_fn(float *to, int width, const float *from, int limit, int64_t place,
                                int64_t step, const float *weights, int taps);
/* One row of the three planes, width rounded up to a multiple of 4, from rows[0..]. The place of
 * column i is place + i * step, and all its taps lie in rows. */
typedef void rw_scale_down_fn(float *const planes[3], int width, const float *const *rows,
                              int64_t place, int64_t step, const float *weights, int taps);

typedef struct rw_scale_dsp {
    rw_scale_across_fn *across;
    rw_scale_down_fn *down;
} rw_scale_dsp;
void rw_scale_dsp_init(rw_scale_dsp *dsp, rw_cpu level);

#endif
