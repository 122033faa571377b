/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * fft.h - small two-dimensional Fourier transforms of patches of grain.
 *
 *     rw_fft *fft = rw_fft_new(128, 32);
 *     rw_fft_forward(fft, re, im);          // in place, rows of `width`, not normalised
 *     rw_fft_inverse(fft, re, im);          // forward then inverse multiplies by width * height
 *     rw_fft_free(&fft);
 *
 * Ours and not a library's so that every machine and every thread gets the same bits: a measurement
 * made after a resume must equal the one made before it. A context belongs to one thread.
 *
 * Two real pictures a and b go through one transform as a + ib; rw_fft_split takes bin k apart:
 * A(k) = (F(k) + F*(-k)) / 2, B(k) = (F(k) - F*(-k)) / 2i.
 */
#ifndef RW_SURVEY_FFT_H
#define RW_SURVEY_FFT_H

#include <reelwright/types.h>

typedef struct rw_fft rw_fft;

/* width and height are powers of two, 2..1024. */
rw_fft *rw_fft_new(int width, int height);
void rw_fft_free(rw_fft **fft);
void rw_fft_forward(rw_fft *fft, float *re, float *im);
void rw_fft_inverse(rw_fft *fft, float *re, float *im);

typedef struct rw_bin_pair {
    float a_re, a_im, b_re, b_im;
} rw_bin_pair;

static inline rw_bin_pair rw_fft_split(const float *re, const float *im, int width, int height,
                                       int kx, int ky)
{
    int i = ky * width + kx;
    int j = ((height - ky) & (height - 1)) * width + ((width - kx) & (width - 1));
    return (rw_bin_pair){0.5f * (re[i] + re[j]), 0.5f * (im[i] - im[j]), 0.5f * (im[i] + im[j]),
                         0.5f * (re[j] - re[i])};
}

/* Frequency of bin k of n in cycles per sample, -0.5 .. 0.5. */
static inline float rw_fft_frequency(int k, int n)
{
    return (float)(k < n / 2 ? k : k - n) / (float)n;
}

#endif
