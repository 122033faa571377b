/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * hair_dsp.h - the rows of the hair finder, for every CPU level. All levels give the same bits.
 */
#ifndef RW_SURVEY_HAIR_DSP_H
#define RW_SURVEY_HAIR_DSP_H

#include <stddef.h>
#include <stdint.h>

#include "base/cpu.h"

enum {
    RW_HAIR_ARM = 3,   /* pixels from a ridge to where its sides are looked at */
    RW_HAIR_LOCAL = 4, /* radius of the local mean */
    RW_HAIR_FINE = 40  /* steps of ln light */
};

/* out[x]: how much darker p[x] is than the less bright of its two sides, in the best of four
 * directions; sides that are no brighter than `dark` do not count. stride: floats from row to row;
 * RW_HAIR_ARM rows and pixels round the n must exist. */
typedef void rw_hair_ridge_fn(const float *p, ptrdiff_t stride, float dark, size_t n, float *out);
/* One more bit into every history: is the ridge above the bar? */
typedef void rw_hair_mark_fn(uint32_t *history, const float *ridges, float bar, size_t n);
/* out[x]: logs[x] less the mean of the square round it, in 1 / RW_HAIR_FINE, rounded, from -127 to
 * 0. columns: 2 RW_HAIR_LOCAL + n sums over the square's rows, from RW_HAIR_LOCAL to the left on.
 */
typedef void rw_hair_fine_fn(const float *logs, const float *columns, size_t n, int8_t *out);

typedef struct rw_hair_dsp {
    rw_hair_ridge_fn *ridge;
    rw_hair_mark_fn *mark;
    rw_hair_fine_fn *fine;
} rw_hair_dsp;

void rw_hair_dsp_init(rw_hair_dsp *dsp, rw_cpu level);

#endif
