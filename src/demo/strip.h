/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * strip.h - developed film frames: density and grain, held for as long as stills need them.
 *
 * A cel belongs to the film frame, not to the still: two stills of it show the same grain. Cels
 * are made once by whoever asks first and shared by all threads.
 */
#ifndef RW_DEMO_STRIP_H
#define RW_DEMO_STRIP_H

#include "demo/params.h"
#include "demo/row.h"
#include "demo/source.h"

#define RW_DEMO_CEL_BORDER 3 /* pixels of repeated border round both rasters' aperture */

typedef struct rw_demo_cel {
    int64_t film;
    rw_demo_raster density; /* stops: -log2 of transmittance, film.dmin included; as coefficients
                             * of a cubic spline that passes through the picture's samples */
    rw_demo_raster grain;   /* unit variance after the spline; px NULL without grain */
    double grain_pitch;     /* mm; grain pixel (BORDER, BORDER) lies on the aperture's corner */
    double mean_light;      /* transmittance, for stray light */
    /* strip.c's own */
    int users;
    bool ready, busy;
    uint64_t used;
} rw_demo_cel;

typedef struct rw_demo_strip rw_demo_strip;

rw_demo_strip *rw_demo_strip_new(rw_demo_source *source, const rw_gauge *gauge,
                                 const rw_demo_params *params, uint64_t seed);
void rw_demo_strip_free(rw_demo_strip **strip);
/* Give it back with rw_demo_strip_return. */
rw_demo_cel *rw_demo_strip_take(rw_demo_strip *strip, int64_t film, GError **error);
void rw_demo_strip_return(rw_demo_strip *strip, rw_demo_cel **cel);

/* Aperture mm from its corner -> pixels of the cel's density. */
rw_affine rw_demo_cel_map(const rw_demo_cel *cel, const rw_gauge *gauge);
/* rms granularity is measured through a round aperture of 48 um: its share of the standard
 * deviation at a point, for clouds of this standard deviation (mm). */
double rw_demo_grain_aperture_share(double size);

#endif
