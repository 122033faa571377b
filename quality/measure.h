/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * measure.h - scores of a clip against its truth.
 *
 * PSNR = 10 log10(255^2 / MSE), here of luma (0.25 R + 0.5 G + 0.25 B of code values). SSIM as
 * Wang, Bovik, Sheikh and Simoncelli, IEEE TIP 13(4), 2004: 11 x 11 Gaussian window, sigma 1.5, K1
 * 0.01, K2 0.03, mean over the valid region.
 */
#ifndef QUALITY_MEASURE_H
#define QUALITY_MEASURE_H

#include "clip.h"

/* Luma of frame n, width * height floats on 0..255. */
void luma_of(const clip *c, int n, float *out);
/* Where the clean clip changes fast: 1 per pixel. From plain differences of the truth's frames, so
 * that no motion engine has a say. */
void fast_area(const clip *truth, int n, uint8_t *mask);
/* Where the truth has texture: local variance of 9 x 9 px well above nothing. */
void textured_area(const clip *truth, int n, uint8_t *mask);

typedef struct squares {
    double sum;
    double count;
} squares;

/* Adds up squared luma errors of the pixels whose mask equals want (mask NULL: all). */
void squares_add(squares *s, const clip *a, const clip *truth, int n, const uint8_t *mask,
                 uint8_t want);
/* The same of colour: of R - G and B - G, over the whole frame. */
void squares_add_colour(squares *s, const clip *a, const clip *truth, int n);
double psnr_of(const squares *s);
double ssim_of(const clip *a, const clip *truth, int n);
/* One frame as PNG, optionally a crop enlarged by whole pixels. */
void save_png(const char *path, const uint8_t *rgb, int width, int height);

#endif
