/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Decimation in time, radix 2. One pass transforms all columns at once, so that the innermost loop
 * runs along memory and the compiler makes vectors of it; the rows are columns of the transpose.
 */
#include <math.h>

#include "survey/fft.h"

typedef struct axis {
    int n;
    float *cosine, *sine; /* of -2 pi k / n, k < n/2 */
    int *reversed;        /* bit-reversed order */
} axis;

struct rw_fft {
    int width, height;
    axis x, y;
    float *scratch_re, *scratch_im;
};

static void axis_init(axis *a, int n)
{
    a->n = n;
    a->cosine = g_new(float, n / 2);
    a->sine = g_new(float, n / 2);
    a->reversed = g_new0(int, n);
    for (int k = 0; k < n / 2; k++) {
        a->cosine[k] = (float)cos(-2 * G_PI * k / n);
        a->sine[k] = (float)sin(-2 * G_PI * k / n);
    }
    for (int i = 1; i < n; i++)
        a->reversed[i] = a->reversed[i / 2] / 2 + (i % 2 ? n / 2 : 0);
}

static void axis_clear(axis *a)
{
    g_free(a->cosine);
    g_free(a->sine);
    g_free(a->reversed);
}

static bool is_size(int n)
{
    return n >= 2 && n <= 1024 && (n & (n - 1)) == 0;
}

rw_fft *rw_fft_new(int width, int height)
{
    g_return_val_if_fail(is_size(width) && is_size(height), NULL);
    rw_fft *fft = g_new0(rw_fft, 1);
    fft->width = width;
    fft->height = height;
    axis_init(&fft->x, width);
    axis_init(&fft->y, height);
    fft->scratch_re = g_new(float, width *height);
    fft->scratch_im = g_new(float, width *height);
    return fft;
}

void rw_fft_free(rw_fft **fft)
{
    if (!*fft)
        return;
    axis_clear(&(*fft)->x);
    axis_clear(&(*fft)->y);
    g_free((*fft)->scratch_re);
    g_free((*fft)->scratch_im);
    g_clear_pointer(fft, g_free);
}

/* (p, q) -> (p + w q, p - w q) for two rows. */
static void butterfly_rows(float *restrict p_re, float *restrict p_im, float *restrict q_re,
                           float *restrict q_im, float c, float s, int count)
{
    for (int i = 0; i < count; i++) {
        float re = q_re[i] * c - q_im[i] * s;
        float im = q_re[i] * s + q_im[i] * c;
        q_re[i] = p_re[i] - re;
        q_im[i] = p_im[i] - im;
        p_re[i] += re;
        p_im[i] += im;
    }
}

/* Transforms each of the `width` columns of a->n rows, rows already in bit-reversed order. */
static void transform_columns(const axis *a, float *re, float *im, int width, bool inverse)
{
    for (int half = 1; half < a->n; half *= 2) {
        int step = a->n / (2 * half);
        for (int base = 0; base < a->n; base += 2 * half)
            for (int k = 0; k < half; k++) {
                float c = a->cosine[k * step];
                float s = inverse ? -a->sine[k * step] : a->sine[k * step];
                ptrdiff_t p = (ptrdiff_t)(base + k) * width, q = p + (ptrdiff_t)half * width;
                butterfly_rows(re + p, im + p, re + q, im + q, c, s, width);
            }
    }
}

/* to[x][y] = from[y][x], with row order[x] of `to` taken from column x. */
static void transpose(const float *from, float *to, int width, int height, const int *order)
{
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            to[order[x] * height + y] = from[y * width + x];
}

static void transform(rw_fft *fft, float *re, float *im, bool inverse)
{
    int w = fft->width, h = fft->height;
    transpose(re, fft->scratch_re, w, h, fft->x.reversed);
    transpose(im, fft->scratch_im, w, h, fft->x.reversed);
    transform_columns(&fft->x, fft->scratch_re, fft->scratch_im, h, inverse);
    transpose(fft->scratch_re, re, h, w, fft->y.reversed);
    transpose(fft->scratch_im, im, h, w, fft->y.reversed);
    transform_columns(&fft->y, re, im, w, inverse);
}

void rw_fft_forward(rw_fft *fft, float *re, float *im)
{
    transform(fft, re, im, false);
}

void rw_fft_inverse(rw_fft *fft, float *re, float *im)
{
    transform(fft, re, im, true);
}
