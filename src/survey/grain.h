/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * grain.h - sharpness and smear read from the spectrum of the film's grain.
 *
 * Grain is there in every frame, everywhere, and knows nothing of what was filmed: how much of its
 * fine detail reaches the stored pixels tells how sharp this still is, and not how detailed the
 * scene was. It is read in the flattest patches of the picture, with the camera's own noise taken
 * off, as power in a fine band over power in a coarse one. For a change of focus that acts like a
 * Gaussian blur of variance v, ln fine changes by -(2 pi f_fine)^2 v, and ln coarse likewise.
 *
 *     rw_grain_reader *reader = rw_grain_reader_new(&bands);            // one per thread
 *     rw_grain_reader_read(reader, gauge, &pixels, &small, film_to_px, &reading);
 */
#ifndef RW_SURVEY_GRAIN_H
#define RW_SURVEY_GRAIN_H

#include <reelwright/film.h>
#include <reelwright/still.h>

#include "survey/picture.h"

enum { RW_RADIAL_BINS = 32 }; /* 0 .. 0.5 cycles per decoded pixel */

/* Which frequencies (cycles per decoded pixel) are fine and which are coarse on this reel. */
typedef struct rw_grain_bands {
    double coarse_low, coarse_high, fine_low, fine_high;
} rw_grain_bands;

/* What a first look uses, before the reel's own are known. */
rw_grain_bands rw_grain_bands_default(void);
/* Bands for a mean spectrum (ln power by radial bin): fine ends where the film's grain sinks into
 * the camera's noise. */
rw_grain_bands rw_grain_bands_choose(const double radial[RW_RADIAL_BINS], double floor);
/* Change of blur variance (decoded px^2) that explains a change of ln(fine / coarse) and of ln
 * fine. Detail of the scene adds to the coarse band more than to the fine one and looks like blur
 * in the first and like sharpness in the second; only what both say alike is blur: the smaller of
 * the two, 0 when they contradict each other. */
double rw_grain_blur_change(const rw_grain_bands *bands, double ln_ratio_change,
                            double ln_fine_change);

typedef struct rw_grain_reading {
    double ln_ratio; /* ln(fine / coarse power), camera noise taken off */
    double ln_fine;  /* ln of the fine power, coded^2 */
    double amount;   /* coded sd of the grain in the coarse band */
    double level;    /* coded mean of the patches that were read */
    double ln_along; /* ln(fine power along the film / across it): smear makes it negative */
    double floor;    /* ln of the camera's noise power */
    double radial[RW_RADIAL_BINS]; /* ln power, median over the patches */
    int patches;                   /* 0: no picture to read; the rest is NAN then */
} rw_grain_reading;

typedef struct rw_grain_reader rw_grain_reader;
rw_grain_reader *rw_grain_reader_new(const rw_grain_bands *bands);
void rw_grain_reader_free(rw_grain_reader **reader);
/* film_to_px maps film mm to decoded pixels. */
void rw_grain_reader_read(rw_grain_reader *reader, const rw_gauge *gauge, const rw_pixels *pixels,
                          const rw_small *small, rw_affine film_to_px, rw_grain_reading *reading);

#endif
