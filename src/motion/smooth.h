/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * smooth.h - a smooth line through jittery figures, as smooth as they themselves suggest.
 *
 * The line minimises sum (x - line)^2 / v + sum (third difference of line)^2 / lambda: a smoothing
 * spline. The jitter is white; lambda, how much the line may bend for each unit of jitter, is
 * chosen by restricted maximum likelihood (Wahba 1985, Annals of Statistics 13(4), her GML).
 * Ends are free: no reflection, no lag. Each call is linear in n.
 */
#ifndef RW_MOTION_SMOOTH_H
#define RW_MOTION_SMOOTH_H

#include <reelwright/types.h>

typedef struct rw_smooth_result {
    double lambda; /* chosen */
    double
        criterion; /* minus two times the logarithm of its restricted likelihood, less a constant */
    double sigma;  /* rms of the jitter */
} rw_smooth_result;

/* v[i]: relative variance of x[i], HUGE_VAL where there is none. Fewer than 5 figures: their mean.
 */
rw_smooth_result rw_smooth_line(const double *x, const double *v, int n, double *line);
/* With lambda given. */
void rw_smooth_line_at(const double *x, const double *v, int n, double lambda, double *line);

/* How much likelier (natural logarithm, at most likely value) the figures are as a wandering place
 * plus white jitter than as one fixed place plus white jitter; 0 when wandering helps nothing. */
double rw_smooth_wander(const double *x, const double *v, int n);

#endif
