/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * block.h - kernels of the block comparison in sight.c, one table per CPU level.
 *
 * Every level gives the same bits: integers, or floats added in the order of base/lanes.h.
 */
#ifndef RW_MOTION_BLOCK_H
#define RW_MOTION_BLOCK_H

#include <stddef.h>
#include <stdint.h>

#include "base/cpu.h"

#define RW_BLOCK_SEARCH_W 16 /* px of the search window */
#define RW_BLOCK_SEARCH_H 12

/* Sum of absolute differences of a window against the window at (x, y), x, y = 0 .. side - 1 of
 * the other picture; out[y * side + x]. At most 48960. */
typedef void rw_block_surface_fn(const uint8_t *window, ptrdiff_t stride, const uint8_t *other,
                                 ptrdiff_t other_stride, int side, uint16_t *out);

/* Sums over a block of width x width (16 or 32) pixels v, the picture at (fx, fy) in [0, 1) px,
 * bilinear: of gx v, gy v, t v, v, v v. Template rows are width floats apart. Reads width + 1
 * rows and columns of the picture. */
typedef void rw_block_gather_fn(const float *t, const float *gx, const float *gy,
                                const float *picture, ptrdiff_t stride, float fx, float fy,
                                int width, float out[5]);

typedef struct rw_block_dsp {
    rw_block_surface_fn *surface;
    rw_block_gather_fn *gather;
} rw_block_dsp;

void rw_block_dsp_init(rw_block_dsp *dsp, rw_cpu level);

#endif
