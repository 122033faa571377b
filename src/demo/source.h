/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * source.h - what the original camera saw: footage, or the built-in regatta.
 *
 * A picture is linear light 0..1 as it would be projected, BT.709 primaries, interleaved R, G, B
 * and one unused float per pixel. It covers the camera aperture exactly: pixel (i, j) of w x h is
 * centred at ((i + 0.5) / w, (j + 0.5) / h) of it. Film frames before the first and after the last
 * exist too: they show beside their neighbours.
 */
#ifndef RW_DEMO_SOURCE_H
#define RW_DEMO_SOURCE_H

#include <reelwright/demo.h>

typedef struct rw_demo_picture {
    float *px; /* 4 floats a pixel; owned */
    int width, height;
} rw_demo_picture;

void rw_demo_picture_clear(rw_demo_picture *picture);

typedef struct rw_demo_scene {
    int64_t first, last;
    const char *name;
} rw_demo_scene;

typedef struct rw_demo_source rw_demo_source;

/* resolution: samples per mm of film that a picture should have at most. */
rw_demo_source *rw_demo_source_open(const rw_demo_options *options, double resolution,
                                    GError **error);
void rw_demo_source_close(rw_demo_source **source);
/* Any thread. Same frame, same bits. */
bool rw_demo_source_draw(rw_demo_source *source, int64_t film, rw_demo_picture *picture,
                         GError **error);
/* Scenes that are known, in order; they cover 0 .. frames-1. */
const rw_demo_scene *rw_demo_source_scenes(const rw_demo_source *source, int *count);
/* A still of another shoot, 3 bytes a pixel, sRGB; free with g_free. */
uint8_t *rw_demo_source_snapshot(uint64_t seed, int number, int width, int height);

#endif
