/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * picture.h - looking into a decoded still: small pictures, samples at film positions, light.
 *
 * "Coded" values are the camera's own, 0..255 whatever the depth; "linear" ones are proportional to
 * light, 1 is full scale, by the sRGB curve of IEC 61966-2-1. Luma weighs R, G, B with the BT.709
 * weights in both.
 */
#ifndef RW_SURVEY_PICTURE_H
#define RW_SURVEY_PICTURE_H

#include <reelwright/film.h>
#include <reelwright/still.h>

/* A still made small by averaging whole boxes of factor x factor decoded pixels. */
typedef struct rw_small {
    uint8_t *rgb;  /* interleaved, width * 3 bytes a row */
    uint8_t *luma; /* coded luma, width bytes a row */
    int width, height, factor;
} rw_small;

enum { RW_SMALL_WIDTH = 480 }; /* what a survey keeps is at least that wide, if the still is */

/* The smallest whole factor that leaves at most 1.5 * target_width columns, or 1. */
int rw_small_factor(int width, int target_width);
void rw_small_make(rw_small *small, const rw_pixels *pixels, int target_width);
void rw_small_clear(rw_small *small);

double rw_linear_from_coded(double coded);

/* Coded luma of one decoded pixel; the nearest one when outside. */
uint8_t rw_luma_at(const rw_pixels *pixels, int x, int y);

/* n of them from (x, y) in steps of one pixel along a row or column: (1, 0), (0, -1) ... */
void rw_luma_line(const rw_pixels *pixels, int x, int y, int step_x, int step_y, int n, float *out);

/* What one region of the film sends to the camera. */
typedef struct rw_light {
    double median;  /* linear luma */
    double mean;    /* linear luma */
    double low;     /* 1st percentile, linear luma */
    double clipped; /* share of samples with a channel at the ceiling */
    int samples;    /* 0: the region is not on the still; the rest is NAN then */
} rw_light;

/* Samples a film rectangle (mm) on a regular grid of at most about max_samples points. film_to_px
 * maps film mm to decoded pixels. */
rw_light rw_light_of(const rw_pixels *pixels, rw_affine film_to_px, rw_rect film, int max_samples);

/* The three channels of one region: their linear median or mean; NAN when the region is not on the
 * still, and a median at the ceiling. */
void rw_hues_of(const rw_pixels *pixels, rw_affine film_to_px, rw_rect film, int max_samples,
                bool mean, float light[3]);

/* The film as this still shows it, area-averaged from the small picture: view[j * width + i] is the
 * coded luma of the middle of cell (i, j) of `film`; film_to_px as above. */
void rw_view_make(const rw_small *small, rw_affine film_to_px, rw_rect film, uint8_t *view,
                  int width, int height);

#endif
