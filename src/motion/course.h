/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * course.h - a line through jittery figures that stands or goes at an even speed, and eases from
 * one to the other.
 *
 * A camera on a tripod, or held by somebody who means to show something, rests, sweeps and rests
 * again. A smooth line rounds the ends of such a sweep off; this one keeps them, since it need only
 * find few numbers: at each change its moment, how long it takes and the speed after it. The
 * changes are added one by one where they explain most, moved about until nothing better is near,
 * and kept as long as Schwarz's criterion says that they are worth their numbers (Schwarz 1978,
 * Annals of Statistics 6(2)). The line is the mean over where each change might as well be. Time
 * and memory are linear in n; the same on every machine.
 */
#ifndef RW_MOTION_COURSE_H
#define RW_MOTION_COURSE_H

#include <reelwright/types.h>

#define RW_COURSE_CHANGES 8 /* at most */

/* Where the speed changes: evenly over `width` figures about `at`; 0: at once. */
typedef struct rw_course_change {
    double at, width;
} rw_course_change;

typedef struct rw_course {
    int n_changes;
    rw_course_change change[RW_COURSE_CHANGES]; /* in order */
    bool rests[RW_COURSE_CHANGES + 1];          /* before each change, and after the last */
    double criterion; /* minus two times the logarithm of the likelihood, less what is common to all
                         lines through these figures; comparable with rw_smooth_line's */
    double sigma;     /* rms of the jitter */
} rw_course;

/* v[i]: relative variance of x[i], HUGE_VAL where there is none. Needs 12 figures that are known;
 * with fewer the criterion is HUGE_VAL and line is left alone. */
rw_course rw_course_line(const double *x, const double *v, int n, double *line);

#endif
