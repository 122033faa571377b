/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * gauges.h - the rows of the gauge table. A new gauge is a file beside this one, a line here and a
 * row in ../gauge.c; its numbers are typed a second time in tests/unit/film.c.
 */
#ifndef RW_FILM_GAUGES_GAUGES_H
#define RW_FILM_GAUGES_GAUGES_H

#include <reelwright/film.h>

extern const rw_gauge rw_gauge_super8;
extern const rw_gauge rw_gauge_regular8;

/* A picture of the given size whose centre lies on the centre line of the picture and of the
 * frame; constant, so that it can initialise a table. */
#define RW_CENTRED_PICTURE(centre_line, w, h)                                                      \
    {                                                                                              \
        (centre_line) - (w) / 2, -(h) / 2, (w), (h)                                                \
    }

/* A hole whose near side lies `edge` from the reference edge and whose centre lies at centre_y. */
#define RW_HOLE(edge, centre_y, w, h, r)                                                           \
    {                                                                                              \
        (edge), (centre_y) - (h) / 2, (w), (h), (r)                                                \
    }

#endif
