/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * step.h - how far the picture moved from one frame to the next, block by block on small views.
 *
 * What it is for: a film frame that was not taken makes every movement about twice as long as its
 * neighbours in time; a cut makes the best match of every block a bad one.
 */
#ifndef RW_SURVEY_STEP_H
#define RW_SURVEY_STEP_H

#include <reelwright/types.h>

#include "survey/imprint.h"

enum {
    RW_STEP_BLOCK = 16, /* view pixels */
    RW_STEP_COLUMNS = RW_VIEW_WIDTH / RW_STEP_BLOCK,
    RW_STEP_ROWS = RW_VIEW_HEIGHT / RW_STEP_BLOCK,
    RW_STEP_BLOCKS = RW_STEP_COLUMNS * RW_STEP_ROWS
};

/* Plain data, stored as a blob. */
typedef struct rw_step {
    int64_t before;             /* id of the still that the step starts from */
    int16_t dx[RW_STEP_BLOCKS]; /* of block i, 1/16 view pixel */
    int16_t dy[RW_STEP_BLOCKS];
    uint8_t weight[RW_STEP_BLOCKS]; /* 0 when the block is too plain to say, or has no match */
} rw_step;

typedef struct rw_step_reading {
    double dx, dy;     /* weighted median over the blocks, view pixels; NAN when all are plain */
    double speed;      /* weighted mean length, view pixels */
    double difference; /* mean |b - a|, share of the mean level, gain taken out */
    double residual;   /* the same after every block was moved to its best place */
    double histogram;  /* distance of the two views' tones, 0..1 */
} rw_step_reading;

/* Motion from view a to view b, both RW_VIEW_WIDTH x RW_VIEW_HEIGHT coded luma. step->before is
 * left to the caller. */
void rw_step_read(const uint8_t *a, const uint8_t *b, rw_step *step, rw_step_reading *reading);

/* How long the step is in units of the neighbouring steps: the slope of this step's vectors on the
 * mean of theirs, over blocks that move. NAN when too little moves to say. neighbours: 1 or 2. */
double rw_step_ratio(const rw_step *step, const rw_step *const *neighbours, int count);

#endif
