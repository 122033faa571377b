/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * plot.h - a measurement drawn along the reel with Cairo, for the page and for paper alike.
 *
 * A plot has one row of frames (x) and one to three series on one axis (y). Where several frames
 * fall on one point of paper, the band between their least and greatest value is drawn, so that a
 * single bad frame of thirty thousand stays visible. NaN leaves a gap.
 */
#ifndef RW_REPORT_PLOT_H
#define RW_REPORT_PLOT_H

#include <cairo.h>

#include <reelwright/types.h>

#define RW_PLOT_MAX_SERIES 3

typedef struct rw_plot_series {
    const char *label;
    const double *values; /* one per frame; not owned */
} rw_plot_series;

typedef struct rw_plot_mark {
    int64_t first, last;
    int weight; /* 0 note, 1 look, 2 redo */
} rw_plot_mark;

typedef struct rw_plot {
    const char *title, *unit;
    int64_t count; /* frames */
    rw_plot_series series[RW_PLOT_MAX_SERIES];
    int n_series;
    bool zero_based;            /* the axis must show 0 */
    double right_scale;         /* what a unit is on the axis at the right; 0: there is none */
    const int64_t *scene_first; /* first frame of each scene, drawn as hairlines; may be NULL */
    size_t n_scenes;
    const rw_plot_mark *marks; /* findings that belong to this plot; may be NULL */
    size_t n_marks;
} rw_plot;

/* Draws into the rectangle 0, 0, width, height (points). True when there was anything to draw. */
bool rw_plot_draw(cairo_t *cr, const rw_plot *plot, double width, double height);

/* Picks an axis: *low..*high and a step that is 1, 2 or 5 times a power of ten, at most max_steps
 * steps. low <= least, high >= greatest. */
void rw_plot_axis(double least, double greatest, int max_steps, double *low, double *high,
                  double *step);

#endif
