/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * luma.h - the line kernel of picture.c, one per CPU level, all with the same bits.
 */
#ifndef RW_GATE_LUMA_H
#define RW_GATE_LUMA_H

#include <stddef.h>
#include <stdint.h>

#include "base/cpu.h"

/* Coded luma 0..1 of n interleaved 8-bit R, G, B: (77 R + 150 G + 29 B) / 65280, the BT.601 weights
 * to 1/256. rgb and out do not overlap. */
typedef void gate_luma_fn(const uint8_t *restrict rgb, size_t n, float *restrict out);

gate_luma_fn *gate_luma_best(rw_cpu level);

#endif
