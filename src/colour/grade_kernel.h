/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * grade_kernel.h - what the inner loop of grade.h is told. grade.h says what it means.
 */
#ifndef RW_COLOUR_GRADE_KERNEL_H
#define RW_COLOUR_GRADE_KERNEL_H

#define RW_GRADE_DEEPEST 10.0f /* stops: density 3.0 */

enum {
    RW_GRADE_LIGHT = 1,
    RW_GRADE_DENSITY = 2,
    RW_GRADE_SHOULDER = 4,
    RW_GRADE_CODED = 8,
    RW_GRADE_CDL = 16, /* needs CODED */
    RW_GRADE_LUT = 32  /* needs CODED */
};

typedef struct rw_grade {
    int steps;
    float light[3][4];
    float density[3][4];
    float shoulder; /* stops, > 0 */
    float levels[2];
    float saturation;
    float slope[3], offset[3], power[3], cdl_saturation;
    const struct rw_lut *lut; /* not owned */
} rw_grade;

typedef void rw_grade_row_fn(const rw_grade *grade, float *const to[3], const float *const from[3],
                             int width);

#endif
