/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * pack_dsp.h - the inner loops of packing, compiled once per CPU level. Rows of floats may be read
 * and written up to the next multiple of 16.
 */
#ifndef RW_FINISH_PACK_DSP_H
#define RW_FINISH_PACK_DSP_H

#include <stdint.h>

#include "base/cpu.h"

/* Coded R', G', B' to Y' (0..1), Cb and Cr (-0.5..0.5) of BT.709. */
typedef void rw_pack_matrix_fn(float *const to[3], const float *const rgb[3], int width);
/* floor(value * scale + offset + dither), dither in 0..1 by the column and by `row_key`, clipped to
 * 0..top. Without dither (plain) the last term is 1/2. */
typedef void rw_pack_store8_fn(uint8_t *to, const float *from, int width, float scale, float offset,
                               uint32_t row_key);
typedef void rw_pack_store16_fn(uint16_t *to, const float *from, int width, float scale,
                                float offset, uint32_t row_key, int plain, int top);

typedef struct rw_pack_dsp {
    rw_pack_matrix_fn *matrix;
    rw_pack_store8_fn *store8;
    rw_pack_store16_fn *store16;
} rw_pack_dsp;
void rw_pack_dsp_init(rw_pack_dsp *dsp, rw_cpu level);

/* Columns step the pattern by this. */
#define RW_DITHER_COLUMN 3242174889u /* 2^32 / 1.32472 */
#define RW_DITHER_ROW    2447445414u /* 2^32 / 1.32472^2 */
#define RW_DITHER_FRAME  2654435769u /* 2^32 / 1.61803 */

#endif
