/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * path.h - slow paths through noisy measurements, and how much of the rest is real.
 */
#ifndef RW_GATE_PATH_H
#define RW_GATE_PATH_H

#include <stdbool.h>
#include <stddef.h>

/* One number per frame; sd INFINITY where it was not measured. */
typedef struct gate_series {
    size_t n;
    double *value, *sd;
    double *path;  /* slow path, filled by gate_path_find; finite wherever any frame is measured */
    double jitter; /* robust rms of the measured values round the path that their sds leave
                    * unexplained */
    double spread; /* robust rms of the measured values round the path */
} gate_series;

gate_series *gate_series_new(size_t n); /* nothing measured, path 0 */
void gate_series_free(gate_series **series);

/* Robust local mean over `half` frames on either side: more where few are measured. Follows a step
 * within half a window. False when nothing is measured. */
bool gate_path_find(gate_series *series, size_t half);

/* Multiplies the sds so that they explain the difference of neighbours, never below what they
 * claim: for what is known not to move from frame to frame. Returns the factor, 1..6. */
double gate_series_calibrate(gate_series *series);

/* What to believe of frame i: between the path and the measured value, nearer to the path the less
 * the measurement tells (empirical Bayes). *sd: of the result. */
double gate_series_believe(const gate_series *series, size_t i, double *sd);

double gate_robust_sd(double *values, size_t n, double *middle); /* reorders; MAD */

#endif
