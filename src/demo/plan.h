/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * plan.h - the reel's story: which film frames are taken, when, how often, under which number,
 * and what happens to each. Small: a few bytes a frame.
 */
#ifndef RW_DEMO_PLAN_H
#define RW_DEMO_PLAN_H

#include "demo/params.h"

enum { DEMO_AGAIN = 2 }; /* take of a still on the card that was shot later */

typedef enum rw_demo_event {
    DEMO_MISSING = 1 << 0, /* no still of this film frame */
    DEMO_SKIPPED = 1 << 1, /* and no gap in time either */
    DEMO_DOUBLED = 1 << 2,
    DEMO_SMEARED = 1 << 3,
    DEMO_SOFT = 1 << 4,
    DEMO_SPLICED = 1 << 5, /* a joint before this frame */
    DEMO_TORN = 1 << 6,
    DEMO_DIRTY = 1 << 7,
    DEMO_STEPPED = 1 << 8, /* exposure jumps here */
} rw_demo_event;

typedef struct rw_demo_shot {
    int64_t film;
    int take;
    int folder, number; /* on the card */
    int64_t time_ms;    /* from clock start */
} rw_demo_shot;

typedef struct rw_demo_scratch {
    double first, last; /* film frames, with fractions */
    double x, width;    /* mm */
    double opacity;
    bool light;
} rw_demo_scratch;

typedef struct rw_demo_plan {
    int64_t frames;
    uint16_t *events;    /* rw_demo_event, per film frame */
    rw_demo_shot *shots; /* in capture order */
    int64_t n_shots;
    int64_t *first_shot;  /* frames + 1: shots of film frame f are first_shot[f] .. [f+1]-1 */
    rw_demo_shot *aliens; /* stills of another shoot; film: -1 before the reel, 1 after */
    int n_aliens;
    rw_demo_scratch *scratches;
    int n_scratches;
    int64_t hair_first, hair_last; /* film frames with a gate hair; first > last: none */
} rw_demo_plan;

rw_demo_plan *rw_demo_plan_new(const rw_demo_params *params, uint64_t seed, int64_t frames,
                               rw_rect aperture, GError **error);
void rw_demo_plan_free(rw_demo_plan **plan);
/* 0 outside the reel. */
unsigned rw_demo_plan_events(const rw_demo_plan *plan, int64_t film);

/* "DCIM/100REELA/REEL0001.JPG"; size at least 64. */
void rw_demo_card_path(int folder, int number, char *path, size_t size);
/* The number after this one on the card. False when the card's numbers are used up. */
bool rw_demo_card_next(int *folder, int *number, int *in_folder, int folder_size);

#endif
