/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * film.h - film gauges as a table, and the arithmetic of footage, time, optics and drive.
 *
 * Calling sequence:
 *     const rw_gauge *gauge = rw_gauge_find("super8");
 *     int64_t frames = rw_frames_from_mm(gauge, 15240.0);
 *
 * Gauges are constant data and live as long as the program. All lengths are millimetres on new,
 * unshrunk film. Film coordinates: x from the reference edge (the edge nearest the perforations),
 * y from the centre line of the frame, both in the plane of the film.
 */
#ifndef REELWRIGHT_FILM_H
#define REELWRIGHT_FILM_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

/* A rectangular hole with rounded corners. x, y is its corner with the smallest coordinates. */
typedef struct rw_perforation {
    double x, y, width, height, radius;
} rw_perforation;

typedef struct rw_gauge {
    const char *name;  /* "super8": the word used on the command line and in reel.db */
    const char *title; /* "Super 8" */
    double width;      /* across the strip */
    double pitch;      /* camera stock, long pitch */
    double pitch_short;
    rw_rational frames_per_foot;          /* exact by trade: 72, 80 */
    const rw_perforation *perforations;   /* those that touch one frame, by growing y */
    int n_perforations;
    bool perforation_on_frame_line; /* true: the holes are shared with the neighbouring frames */
    rw_rect camera_aperture;        /* the exposed picture */
    rw_rect projectable;            /* what finish shows */
    const rw_rational *speeds;      /* usual speeds, the default first */
    int n_speeds;
    /* One line per fact, NULL-ended: value, source, mark. [S] read in that source; [S2] read in a
     * secondary source that quotes it; [M] from memory of it; [C] common practice; [D] derived. */
    const char *const *sources;
} rw_gauge;

/* NULL when no gauge has that name. */
RW_API const rw_gauge *rw_gauge_find(const char *name);
/* NULL-ended, in the order of the table. */
RW_API const rw_gauge *const *rw_gauge_all(void);

#ifdef __cplusplus
}
#endif
#endif
