/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * tones.h - how a scene's tones and colours are spread, drawn with Cairo for page and paper alike.
 */
#ifndef RW_REPORT_TONES_H
#define RW_REPORT_TONES_H

#include <cairo.h>

#include <reelwright/statistics.h>

/* What the drawing shows, for a person. */
extern const char rw_tones_legend[];

/* Height of the drawing for a width, points. */
double rw_tones_height(double width);

/* Left: samples by tone, luma as an area, red, green and blue as lines, dark to bright. Right:
 * samples by colour difference, grey in the middle. Nothing when there are no samples. */
void rw_tones_draw(cairo_t *cr, const rw_statistics *s, double width);

#endif
