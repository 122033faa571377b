/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * grade.h - every point operation of the picture's light and colour in one pass over the pixels.
 *
 * In this order, each step left out when its flag is not set:
 *     RW_GRADE_LIGHT    L' = light . (L, 1)                          linear light, matrix and
 * offset RW_GRADE_DENSITY  E' = density . (E, 1), E = -log2 L'          density in stops
 *     RW_GRADE_SHOULDER E' below `shoulder` is bent so that it stays above 0: nothing new clips
 *     RW_GRADE_CODED    V = L^(1/2.4), as a BT.1886 display is sent it, then
 *                       levels: V = V * levels[0] + levels[1]
 *                       saturation about BT.709 luma of V
 *                       the ASC CDL (colour/cdl.h)
 *     RW_GRADE_LUT      a lookup table on V (colour/lut.h)
 *     and back to light.
 * The off-diagonal terms of `density` see at most RW_GRADE_DEEPEST stops: below that there is
 * noise, which must not be spread over the other channels.
 *
 *     rw_grade grade;
 *     rw_grade_init(&grade);
 *     grade.steps |= RW_GRADE_DENSITY; grade.density[0][3] = -1;     // red one stop lighter
 *     rw_grade_rows(&grade, to, from, width);                        // planes, padded to 16
 * The same bits on every CPU level. Constant while workers use it.
 */
#ifndef RW_COLOUR_GRADE_H
#define RW_COLOUR_GRADE_H

#include "colour/cdl.h"
#include "colour/grade_kernel.h"
#include "colour/lut.h"

/* Changes nothing. */
void rw_grade_init(rw_grade *grade);
void rw_grade_set_cdl(rw_grade *grade, const rw_cdl *cdl);
/* One row: three planes, in place allowed; width is rounded up to a multiple of 16. */
void rw_grade_row(const rw_grade *grade, float *const to[3], const float *const from[3], int width);
/* The same for one colour in double, by the plain formulas: what the kernel is held against. */
void rw_grade_reference(const rw_grade *grade, const double from[3], double to[3]);

#endif
