/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * track.h - all that was measured along a reel, in order of capture, as the judges see it.
 *
 * Position i is the i-th still. Pair values of position i speak of i - 1 and i. A judge is a pure
 * function of a track; the survey gives it the whole reel, the watch its last few hundred stills.
 */
#ifndef RW_SURVEY_TRACK_H
#define RW_SURVEY_TRACK_H

#include <reelwright/gate.h>

#include "colour/sight.h"
#include "survey/basis.h"
#include "survey/measure.h"
#include "survey/step.h"

/* A very small picture, coded luma: what is left of it when light, motion and grain are
 * disregarded. */
typedef struct rw_look {
    uint8_t tone[RW_COLOUR_SAMPLES];
    bool seen;
} rw_look;
rw_look rw_look_make(const rw_colour_sight *sight);

typedef struct rw_track {
    const rw_gauge *gauge;
    rw_basis basis;
    size_t count;
    int64_t *still;   /* ids */
    int64_t *time_us; /* INT64_MIN unknown */
    rw_readings *readings;
    rw_gate_sight *sight;
    rw_step *step;
    rw_look *look;
    rw_gate_fit *fit; /* filled by rw_track_solve */
    rw_gate_summary summary;
    size_t *scene; /* first position of the scene that position i is in */
    bool *fade;    /* a scene begins here in the middle of a fade or a dissolve */
    char **fault;  /* of stills with a fault, else NULL */
    bool open_end; /* more stills may follow: the last ones have no neighbours yet */
} rw_track;

rw_track *rw_track_new(const rw_gauge *gauge, const rw_basis *basis, size_t count);
void rw_track_free(rw_track **track);

/* Geometry of all stills, then scenes. */
void rw_track_solve(rw_track *track);
/* Last position of the scene that position i is in. */
size_t rw_track_scene_last(const rw_track *track, size_t i);

static inline double rw_track_value(const rw_track *track, size_t i, rw_measure m)
{
    return track->readings[i].v[m];
}

/* ---- robust numbers ---- all skip NAN and return NAN when nothing is left */

double rw_median(const double *values, size_t count);
/* 1.4826 * median |x - median|: the standard deviation of what is normal, whatever the rest does */
double rw_robust_sd(const double *values, size_t count, double median);
/* Quantile 0..1. */
double rw_quantile(const double *values, size_t count, double q);
/* Mean of what is left when `trim` (0..0.5) of the values is taken off each end. */
double rw_trimmed_mean(const double *values, size_t count, double trim);
/* Theil-Sen: median slope per step over pairs of points. */
double rw_theil_sen(const double *values, size_t count);

/* Median (or quantile) of a measure over positions within `reach` of i, in its scene, i excluded.
 */
double rw_track_around(const rw_track *track, size_t i, rw_measure m, size_t reach, double q);

#endif
