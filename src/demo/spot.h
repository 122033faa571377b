/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * spot.h - irregular marks: specks, fibres, tears, hairs.
 *
 * A speck is a wobbly ellipse, a fibre a curved stroke. Positions and sizes are mm.
 */
#ifndef RW_DEMO_SPOT_H
#define RW_DEMO_SPOT_H

#include "demo/params.h"
#include "demo/random.h"

/* Also the values in truth/masks.mkv. */
typedef enum rw_demo_spot_kind {
    DEMO_SPOT_SPECK_DARK = 50,
    DEMO_SPOT_FIBRE_DARK = 100,
    DEMO_SPOT_SPECK_LIGHT = 150,
    DEMO_SPOT_FIBRE_LIGHT = 175,
    DEMO_SPOT_SCRATCH_DARK = 200,
    DEMO_SPOT_SCRATCH_LIGHT = 225,
    DEMO_SPOT_GATE_HAIR = 250,
    DEMO_SPOT_TEAR = 1, /* these two are never in the picture */
    DEMO_SPOT_PERFORATION_DIRT = 2
} rw_demo_spot_kind;

const char *rw_demo_spot_name(rw_demo_spot_kind kind);

#define DEMO_WOBBLES 4
#define DEMO_JOINTS  20

typedef struct rw_demo_spot {
    rw_demo_spot_kind kind;
    rw_point centre;
    float opacity, soft; /* soft: mm over which the edge goes from nothing to all */
    /* speck */
    float radius, aspect, c, s;
    float wobble[DEMO_WOBBLES][2];
    /* fibre: joints relative to the centre */
    int joints;
    float joint[DEMO_JOINTS][2], half_width;
    rw_rect box; /* where alpha may be more than 0, with an edge of 0.03 mm to spare */
} rw_demo_spot;

/* 0..1; softest: the edge is at least this wide, mm. */
float rw_demo_spot_alpha(const rw_demo_spot *spot, double x, double y, float softest);

rw_demo_spot rw_demo_speck(rw_demo_stream *stream, rw_demo_spot_kind kind, rw_point centre,
                           double diameter, double opacity);
/* Starts at `start` and goes on in the direction `turns` with random bends. */
rw_demo_spot rw_demo_fibre(rw_demo_stream *stream, rw_demo_spot_kind kind, rw_point start,
                           double turns, double length, double width, double bend, double opacity);
void rw_demo_spot_move(rw_demo_spot *spot, double dx, double dy);

#endif
