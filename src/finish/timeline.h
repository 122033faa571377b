/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * timeline.h - from what lies on the film to what is shown: pictures, images and entries.
 *
 *     frames of reel.db   0   1   2   3   4   5      2 missing, 4 the same picture as 3
 *     pictures            0   1       2       3      really photographed, each once: the stages'
 * food entries             0   1   2   3       4      frames of the film, in order: what time
 * counts images              0   1  (1)  2       3      distinct finished pictures: 2 is held, or
 * blended
 *
 * An image stands for one entry or several; both run upwards. All of it follows from the whole
 * reel, so a part of the reel is shown as it is in the whole.
 */
#ifndef RW_FINISH_TIMELINE_H
#define RW_FINISH_TIMELINE_H

#include <reelwright/finish.h>
#include <reelwright/types.h>

/* One frame of reel.db, as the timeline needs it. */
typedef struct rw_timeline_frame {
    int64_t n;
    int64_t doubled_of; /* -1: none */
    bool usable;        /* there is a still, and a whole picture in it */
} rw_timeline_frame;

typedef struct rw_picture {
    int64_t n;           /* film frame */
    int64_t first, last; /* pictures of its scene */
    int scene;
} rw_picture;

typedef struct rw_image {
    int64_t n;      /* film frame; names the dither */
    int64_t a, b;   /* pictures; the same unless blended */
    double b_share; /* 0 .. 1, in linear light */
} rw_image;

typedef struct rw_entry {
    int64_t n; /* film frame */
    int64_t image;
    bool held; /* shows a neighbour, or a blend of two */
} rw_entry;

typedef struct rw_timeline {
    GArray *pictures; /* rw_picture */
    GArray *images;   /* rw_image */
    GArray *entries;  /* rw_entry */
} rw_timeline;

/* frames in order of n. scene_first[i] is the first film frame of scene i, in order, [0] == 0 or
 * less. Without any usable frame all three arrays are empty. */
void rw_timeline_make(rw_timeline *timeline, const rw_timeline_frame *frames, size_t count,
                      const int64_t *scene_first, int scenes, rw_finish_missing missing);
void rw_timeline_clear(rw_timeline *timeline);

/* ---- cadence: output j shows entry floor(j * film / out), both rates exact ---- */
int64_t rw_cadence_entry(rw_rational film, rw_rational out, int64_t j);
/* How many outputs lie before the first that shows entry t or a later one. */
int64_t rw_cadence_first(rw_rational film, rw_rational out, int64_t t);

#endif
