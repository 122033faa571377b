/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * blemish.h - dirt and dust: what is on one frame of the film and not on its neighbours.
 *
 * Finding, per frame, from the frame and up to two neighbours on each side:
 *   1. all as even samples (noise.h), lightly smoothed, neighbours laid over the frame by motion;
 *   2. a pixel is suspect when it lies further from the middle of the neighbours than they lie from
 *      each other; suspects that touch are an object;
 *   3. an object is measured (blemish_feature) and a fixed logistic rule says how sure it is dirt:
 *      sharp, alone, of one sign, on ground that is predicted well, and nothing like it nearby on
 *      the frames before and after, as there would be of a thing that flies.
 * What the rule doubts is left alone.
 */
#ifndef RW_RESTORE_BLEMISH_H
#define RW_RESTORE_BLEMISH_H

#include "base/cpu.h"
#include "restore/noise.h"

typedef enum blemish_feature {
    BLEMISH_AREA,         /* ln of the area, px */
    BLEMISH_SCORE,        /* ln of the mean distance from the neighbours, in sigmas of grain */
    BLEMISH_PEAK,         /* ln of the greatest one */
    BLEMISH_SIGN,         /* share of the area on one side of the prediction, -1 dark .. 1 light */
    BLEMISH_RING,         /* mean misprediction in a ring round it, sigmas */
    BLEMISH_QUARREL,      /* how far the neighbours disagree inside, over its contrast */
    BLEMISH_QUARREL_RING, /* and in the ring, sigmas */
    BLEMISH_EDGE,         /* steepness of its edge over its contrast, 1/px */
    BLEMISH_TRUST,        /* of the motion in the ring */
    BLEMISH_ROUGH,        /* difference of vectors over its box, px */
    BLEMISH_TWIN, /* likeness of the best match among what is odd on the frame before or after */
    BLEMISH_TWIN_PAIR, /* the same for a pair of matches that a steady flight would give */
    BLEMISH_BUSY,      /* how much is odd on the frames before and after in the region */
    BLEMISH_COLOUR,    /* change of colour against change of light */
    BLEMISH_LIGHT,     /* its own light, even samples over the range */
    BLEMISH_FEATURES
} blemish_feature;

typedef struct rw_blemish {
    int x0, y0, x1, y1; /* box, x1 and y1 inclusive */
    int area;           /* px */
    float contrast;     /* signed, sigmas of grain */
    float confidence;   /* 0..1 that it is dirt */
    float feature[BLEMISH_FEATURES];
} rw_blemish;

/* All of one frame. label: 0 none, else 1 + index of the object. */
typedef struct rw_blemish_map {
    int width, height;
    int count;
    rw_blemish *object;
    int32_t *label; /* width * height */
} rw_blemish_map;

void rw_blemish_map_clear(rw_blemish_map *map);

/* The rule: how sure it is dirt, 0..1. blemish_rule.c is made by quality/blemish_rule.py. */
float rw_blemish_judge(const float feature[BLEMISH_FEATURES]);

/* A window as the finder needs it: the frame and its neighbours at -2, -1, 1, 2 (NULL: none), and
 * the field from the frame to each. */
typedef struct rw_blemish_window {
    const rw_frame *now;
    const rw_frame *near[4];
    const rw_motion_field *field[4];
    const rw_motion_field *back[2]; /* from the neighbours at -1 and 1 to the frame */
} rw_blemish_window;

/* False with an error only for want of memory. With fewer than two neighbours nothing is found.
 * with_all_features: also those of hopeless objects, for fitting the rule. */
bool rw_blemish_find(rw_blemish_map *map, rw_pool *pool, const rw_blemish_window *window,
                     const rw_noise *noise, bool with_all_features, GError **error);

/* Repairs, in out (a copy of window->now), every object whose confidence reaches the threshold,
 * from the neighbour that fits best round it: its own grain comes along, so the patch looks like
 * film. Returns the number of pixels changed; mask (may be NULL, width * height) gets 255 times the
 * share of each that was replaced. Objects for which no neighbour fits are left alone, confidence
 * 0. */
int64_t rw_blemish_repair(rw_frame *out, const rw_blemish_window *window, rw_blemish_map *map,
                          float threshold, uint8_t *mask);

/* ---- kernels ---- */

/* Per pixel of a row, from count (2..4) laid-over neighbours: middle: their median; spread: their
 * range; in whole sixteens beyond n. */
typedef void rw_blemish_weigh_fn(float *middle, float *spread, const float *const *near, int count,
                                 int n);
/* One sample of a pattern against a row of n shifts: cross[k] += value * row[k]; in whole sixteens
 * beyond n. */
typedef void rw_blemish_gather_fn(float *cross, const float *row, float value, int n);

/* The sum of x - near, clipped to +-2.5, over a cell of sixteen columns. */
typedef float rw_blemish_lack_fn(const float *x, ptrdiff_t x_stride, const float *near,
                                 ptrdiff_t near_stride, int rows);
/* Adds straight lines: row[16 i + k] += knot[i] + (k + 0.5) / 16 (knot[i + 1] - knot[i]), i = 0 ..
 * count - 1. */
typedef void rw_blemish_ramp_fn(float *row, const float *knot, int count);

typedef struct rw_blemish_dsp {
    rw_blemish_weigh_fn *weigh;
    rw_blemish_gather_fn *gather;
    rw_blemish_lack_fn *lack;
    rw_blemish_ramp_fn *ramp;
} rw_blemish_dsp;
void rw_blemish_dsp_init(rw_blemish_dsp *dsp, rw_cpu level);

#endif
