/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * geometry.h - where the film lies before the still camera.
 *
 * Film coordinates inside the demo: x mm from the perforated edge, t mm along the film from the
 * frame's centre line, growing with time (towards the next frame), on unshrunk film.
 * Canonical pixels: the still as it would be with the perforations on the left and time running
 * downwards. Everything is rendered there; turning and mirroring then only move whole pixels.
 */
#ifndef RW_DEMO_GEOMETRY_H
#define RW_DEMO_GEOMETRY_H

#include <reelwright/demo.h>

typedef struct rw_demo_layout {
    const rw_gauge *gauge;
    int width, height;             /* of the stored still */
    int canon_width, canon_height; /* swapped when the film lies sideways */
    int turn;                      /* 0, 90, 180, 270, clockwise */
    bool mirrored;
    int time_direction; /* +1: t grows the way still rows (sideways: columns) grow */
    double px_per_mm;   /* on the film as it is, shrunk or not */
    rw_point centre;    /* film mm that the middle of the sensor looks at */
    rw_rect gate;       /* opening, film mm from `centre`'s film at rest */
    bool gate_in_view;
} rw_demo_layout;

void rw_demo_layout_init(rw_demo_layout *layout, const rw_demo_options *options,
                         double gate_margin);

/* (x, t) -> canonical pixels. shrink: 1 means not at all; angle in turns, clockwise; shift in mm
 * on the film plane. */
rw_affine rw_demo_film_to_canon(const rw_demo_layout *layout, rw_point shrink, double angle,
                                rw_point shift);
rw_affine rw_demo_canon_to_still(const rw_demo_layout *layout);
/* (x, y) of the truth and of survey, y growing with still rows or columns -> stored pixels. */
rw_affine rw_demo_film_to_still(const rw_demo_layout *layout, rw_affine film_to_canon);

/* The box round a rectangle's image. */
rw_rect rw_demo_box(rw_affine map, rw_rect rect);
rw_rect rw_demo_rect_union(rw_rect a, rw_rect b);
rw_rect rw_demo_rect_grow(rw_rect r, double by);

#endif
