/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * park.h - what stands still in the built-in scenes: sky, trees, bank, and the things that sail,
 * run and walk before them, as brushes.
 *
 * Lengths are in units of 1/720 of the picture's height unless said otherwise.
 */
#ifndef RW_DEMO_PARK_H
#define RW_DEMO_PARK_H

#include "demo/canvas.h"

#define DEMO_BANK_HEIGHT 446 /* of the far bank's panorama, its last row at the water */
#define DEMO_BANK_WIDTH  3300

typedef struct rw_demo_park {
    uint64_t seed;
    float unit;             /* pixels per unit */
    rw_demo_noise *cloud;   /* large and soft */
    rw_demo_noise *rough;   /* all sizes alike */
    rw_demo_noise *fine;    /* small only */
    rw_demo_picture bank;   /* the panorama */
    rw_demo_picture meadow; /* the near bank, to be laid over the water; width of a picture */
    float meadow_top;       /* its first row in a picture, pixels */
} rw_demo_park;

void rw_demo_park_plant(rw_demo_park *park, uint64_t seed, int width, int height);
void rw_demo_park_clear(rw_demo_park *park);

typedef struct rw_demo_boat {
    rw_demo_rgb hull, deck, main, jib, stripe;
    int number; /* on the sail: so many bars */
    bool striped;
} rw_demo_boat;
rw_demo_boat rw_demo_boat_build(uint64_t seed, int n);
/* One unit of length is the hull's. forward: +1 sails right, -1 left. heel: turns. */
void rw_demo_boat_draw(const rw_demo_park *park, rw_demo_picture *picture, const rw_demo_boat *boat,
                       float x, float y, float length, float forward, float heel, bool mirrored,
                       float opacity);

/* stride: turns of the gait. One unit is the body's length (dog), the whole height (walker). */
void rw_demo_dog_draw(const rw_demo_park *park, rw_demo_picture *picture, float x, float y,
                      float length, float forward, float stride);
void rw_demo_walker_draw(const rw_demo_park *park, rw_demo_picture *picture, float x, float y,
                         float height, float forward, float stride, int clothes);

#endif
