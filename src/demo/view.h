/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * view.h - all that shapes one still, drawn from the terms' streams. Plain data; a pure function
 * of the reel's options and the shot.
 */
#ifndef RW_DEMO_VIEW_H
#define RW_DEMO_VIEW_H

#include "demo/geometry.h"
#include "demo/params.h"
#include "demo/plan.h"
#include "demo/spot.h"

/* What views are drawn from. */
typedef struct rw_demo_reel {
    const rw_gauge *gauge;
    const rw_demo_params *params;
    const rw_demo_plan *plan;
    rw_demo_layout layout;
    uint64_t seed;
} rw_demo_reel;

#define DEMO_SHADES     5  /* x, y, xy, x^2 - 1/3, y^2 - 1/3 over the sensor, -1 .. 1 */
#define DEMO_MOST_TAPS  96 /* half a blur kernel */
#define DEMO_MOST_SPOTS 128

typedef struct rw_demo_view {
    rw_demo_shot shot;
    rw_affine film_to_canon; /* (x, t) of this film frame */
    rw_affine film_to_still;
    double angle;         /* turns, clockwise in the canonical still */
    rw_point weave;       /* mm on the film plane, across and along */
    rw_point splice_jump; /* part of film_to_canon, mm */
    double gain;          /* of the lamp and exposure, 1 nominal */
    double flicker;       /* its part that is new in each still */
    double drift;         /* its slow part */
    double stops;         /* its steps and overexposure */
    double shade[DEMO_SHADES];
    double sigma;        /* of the lens's core blur, px */
    double edge_width;   /* 10-90 %, px, pixel included */
    double smear_travel; /* mm; 0: none; > 0 arrived late, < 0 left early */
    double smear_moving; /* share of the exposure while moving */
    double smear_second; /* share at rest at the other end */
    int n_hairs;
    rw_demo_spot hair[8]; /* in mm on the sensor's field, from its middle */
} rw_demo_view;

void rw_demo_view_draw(const rw_demo_reel *reel, const rw_demo_shot *shot, rw_demo_view *view);

/* Facts of a film frame, in its own (x, t). */
rw_point rw_demo_camera_weave(const rw_demo_reel *reel, int64_t film); /* mm */
double rw_demo_shutter(const rw_demo_reel *reel,
                       int64_t film); /* the picture's light, times this */
/* Dirt, and damage of perforations. At most `room` spots are written; returns how many. */
int rw_demo_film_spots(const rw_demo_reel *reel, int64_t film, rw_demo_spot *spots, int room);
/* mm across the film and opacity of scratch i at (fractional) film frame `at`; opacity 0: none. */
double rw_demo_scratch_at(const rw_demo_reel *reel, int i, double at, double *opacity);

/* Half of a symmetric kernel with its middle first, sum 1; returns its radius in taps. scale:
 * samples per pixel. */
int rw_demo_blur_kernel(double sigma, double skirt, double scale, float tap[DEMO_MOST_TAPS]);

#endif
