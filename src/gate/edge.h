/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * edge.h - straight edges between light and dark, to a small part of a pixel.
 *
 * An edge is read along rows or columns of stored pixels, whichever cross it more squarely, each
 * pixel with its exact distance from a supposed line. Nothing is interpolated, so nothing is
 * blurred or biased on the way. Light lies on the inner side (negative distances).
 */
#ifndef RW_GATE_EDGE_H
#define RW_GATE_EDGE_H

#include "gate/view.h"

#define GATE_RUNS_MAX 384 /* runs across one edge */

/* The line through a point; the normal points to the dark side. */
typedef struct gate_line {
    rw_point at, normal;
} gate_line;

/* Pixels across the line. Sample i lies u0 + i * du from it, du > 0; `along` is where the run
 * crosses, from the line's point. */
typedef struct gate_run {
    double along, u0, du;
    int n;
    float v[GATE_RUN_MAX];
} gate_run;

/* Runs that cross between t0 and t1 along the line and reach from -in to out; those that the still
 * cuts short of `need` on either side are left out. At most max of them, evenly spread. */
int gate_read_runs(const gate_view *view, gate_line line, double t0, double t1, double in,
                   double out, double need, int max, gate_run *runs);

/* Where the light falls most within one run: the difference of the means of `width` samples on
 * either side is largest. Sets *fall to it. */
double gate_run_step(const gate_run *run, int width, double *fall);

/* A blurred edge: v(u) = dark + fall * (1 - normal cdf((u - place) / sigma)). */
typedef struct gate_profile {
    double dark, fall, place, sigma;
    double rms;
} gate_profile;

/* The profile that most of the runs share; samples farther than the reaches from the line are left
 * out. False when they do not agree on any. */
bool gate_fit_profile(const gate_run *runs, int n, double reach_in, double reach_out,
                      gate_profile *profile);

/* The same for light that goes beyond full scale and was cut off there: the profile is the whole
 * one's, fall above 1. How far beyond is hard to tell from what is left, all the more as blurs have
 * tails; little is taken to be likelier than much. *sd: of the place. */
bool gate_fit_clipped(const gate_run *runs, int n, double reach_in, double reach_out,
                      gate_profile *profile, double *sd);

/* Mean of the samples between two distances; NAN when there are none. */
double gate_run_mean(const gate_run *run, double from, double to);

/* The place of the edge in one run whose plateaus are known: where a sharp edge would let through
 * as much light, within `reach` on either side. Pixels add up light over their area, so this holds
 * whatever the shape of the blur and wherever the pixels lie on it, as long as both of its tails
 * are alike; a fitted curve would wander with the pixels by some hundredths. False when the run
 * does not look like that edge. */
bool gate_run_place(const gate_run *run, const gate_profile *profile, double light, double dark,
                    double reach, double *place);

/* The shape that a blurred edge has on this still, from a side with free room on both sides:
 * 1 in the light, 0 in the dark, its place (as above) at 0. */
enum { GATE_SHAPE_PER_PX = 8, GATE_SHAPE_BINS = 24 * GATE_SHAPE_PER_PX + 1 };
typedef struct gate_shape {
    double v[GATE_SHAPE_BINS]; /* at -12 px, -11.875 px ... 12 px */
    double sigma;              /* of the profile that it was made from */
    double rms;                /* and that profile's, of its fall */
} gate_shape;

/* place[i]: where run i crosses the side's line. */
void gate_shape_build(const gate_run *runs, int n, const double *place, const double *light,
                      const double *dark, const gate_profile *profile, gate_shape *shape);

/* The place of the edge in one run by laying the shape over it: for a side that has little room,
 * where the dark is narrow. Only what lies up to `out` beyond `start` is looked at. */
bool gate_run_match(const gate_run *run, const gate_shape *shape, double light, double start,
                    double in, double out, double *place);

/* ---- robust lines: offset = d - slope * along, one slope for several sides ---- */

typedef struct gate_points {
    int n;    /* points on the side */
    int read; /* runs that were read: what the share of inliers counts */
    double t[GATE_RUNS_MAX], off[GATE_RUNS_MAX], weight[GATE_RUNS_MAX];
    /* results */
    double d;       /* offset at along = 0 */
    double mean;    /* mean along of the inliers */
    double sd;      /* of the offset at `mean` */
    double inliers; /* share of `read` */
} gate_points;

typedef struct gate_slope {
    double slope, sd;
    double scale;    /* robust sd of a point, px */
    double residual; /* rms of the inliers, px */
} gate_slope;

/* Least median of squares over the sides for a start (limit: largest |slope| believed), then Tukey
 * weights. floor: no side is believed to be straighter than this, px. Sides with fewer than 8
 * points are left out (inliers 0). False when none is left. */
bool gate_fit_sides(gate_points *const *side, int n_sides, double limit, double floor,
                    gate_slope *slope);

/* Middle of the shortest half: a robust place. Sorts values. *spread: robust sd. */
double gate_shortest_half(double *values, int n, double *spread);
double gate_median(double *values, int n); /* reorders values; 0 for n = 0 */

#endif
