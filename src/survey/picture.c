/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "survey/picture.h"

#define CEILING 254 /* 8-bit: what a clipped highlight reads after JPEG's rounding */

double rw_linear_from_coded(double coded)
{
    double v = coded / 255;
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

static inline uint8_t luma_of(int r, int g, int b)
{
    return (uint8_t)((54 * r + 183 * g + 19 * b + 128) >> 8);
}

static inline void rgb_at(const rw_pixels *p, int x, int y, int rgb[3])
{
    const uint8_t *row = (const uint8_t *)p->data + (ptrdiff_t)y * p->stride;
    size_t i = (size_t)x * (size_t)p->channels;
    for (size_t c = 0; c < 3; c++) {
        size_t k = p->channels == 3 ? i + c : i;
        rgb[c] = p->bits == 16 ? ((const uint16_t *)(const void *)row)[k] >> 8 : row[k];
    }
}

uint8_t rw_luma_at(const rw_pixels *pixels, int x, int y)
{
    int rgb[3];
    rgb_at(pixels, CLAMP(x, 0, pixels->width - 1), CLAMP(y, 0, pixels->height - 1), rgb);
    return luma_of(rgb[0], rgb[1], rgb[2]);
}

void rw_luma_line(const rw_pixels *pixels, int x, int y, int step_x, int step_y, int n, float *out)
{
    int end_x = x + (n - 1) * step_x, end_y = y + (n - 1) * step_y;
    bool inside = MIN(x, end_x) >= 0 && MIN(y, end_y) >= 0 && MAX(x, end_x) < pixels->width &&
                  MAX(y, end_y) < pixels->height;
    if (!inside || pixels->bits != 8 || pixels->channels != 3) {
        for (int i = 0; i < n; i++)
            out[i] = rw_luma_at(pixels, x + i * step_x, y + i * step_y);
        return;
    }
    const uint8_t *p = (const uint8_t *)pixels->data + (ptrdiff_t)y * pixels->stride + 3 * x;
    ptrdiff_t step = step_y * (ptrdiff_t)pixels->stride + 3 * step_x;
    for (int i = 0; i < n; i++, p += step)
        out[i] = luma_of(p[0], p[1], p[2]);
}

/* Adds one row of n samples to the sums: at most 64 rows of 255. */
static void add_row(uint16_t *restrict sum, const void *row, int bits, int n)
{
    if (bits == 16) {
        const uint16_t *p = row;
        for (int i = 0; i < n; i++)
            sum[i] = (uint16_t)(sum[i] + (p[i] >> 8));
    } else {
        const uint8_t *p = row;
        for (int i = 0; i < n; i++)
            sum[i] = (uint16_t)(sum[i] + p[i]);
    }
}

/* The three sums of one group of `factor` pixels; returns the next group. */
static const uint16_t *add_group(const uint16_t *sum, int factor, int channels, uint32_t total[3])
{
    total[0] = total[1] = total[2] = 0;
    if (channels == 3)
        for (int i = 0; i < factor; i++, sum += 3) {
            total[0] += sum[0];
            total[1] += sum[1];
            total[2] += sum[2];
        }
    else
        for (int i = 0; i < factor; i++, sum += channels)
            total[0] += sum[0];
    return sum;
}

/* Averages groups of `factor` pixels of the column sums into one row of the small picture. */
static void finish_row(const rw_small *small, const uint16_t *sum, int channels, int y)
{
    uint32_t area = (uint32_t)(small->factor * small->factor);
    uint8_t *rgb = small->rgb + (ptrdiff_t)y * small->width * 3;
    uint8_t *luma = small->luma + (ptrdiff_t)y * small->width;
    for (int x = 0; x < small->width; x++) {
        uint32_t total[3];
        sum = add_group(sum, small->factor, channels, total);
        for (int c = 0; c < 3; c++)
            rgb[3 * x + c] = (uint8_t)((total[channels == 3 ? c : 0] + area / 2) / area);
        luma[x] = luma_of(rgb[3 * x], rgb[3 * x + 1], rgb[3 * x + 2]);
    }
}

int rw_small_factor(int width, int target_width)
{
    int factor = 1;
    while (width / factor > target_width * 3 / 2 && factor < 64)
        factor++;
    return factor;
}

void rw_small_make(rw_small *small, const rw_pixels *pixels, int target_width)
{
    int factor = rw_small_factor(pixels->width, target_width);
    small->factor = factor;
    small->width = MAX(1, pixels->width / factor);
    small->height = MAX(1, pixels->height / factor);
    small->rgb = g_malloc((gsize)small->width * (gsize)small->height * 3);
    small->luma = g_malloc((gsize)small->width * (gsize)small->height);
    int samples = small->width * factor * pixels->channels;
    g_autofree uint16_t *sum = g_new(uint16_t, samples);
    for (int y = 0; y < small->height; y++) {
        memset(sum, 0, sizeof *sum * (size_t)samples);
        for (int i = 0; i < factor; i++) {
            int row = MIN(y * factor + i, pixels->height - 1);
            add_row(sum, (const uint8_t *)pixels->data + (ptrdiff_t)row * pixels->stride,
                    pixels->bits, samples);
        }
        finish_row(small, sum, pixels->channels, y);
    }
}

void rw_small_clear(rw_small *small)
{
    g_free(small->rgb);
    g_free(small->luma);
    *small = (rw_small){0};
}

/* The coded value below which `share` of the histogram lies, to a fraction of a step. */
static double percentile(const int *histogram, int total, double share)
{
    double wanted = share * total, below = 0;
    for (int v = 0; v < 256; v++) {
        if (histogram[v] && below + histogram[v] >= wanted)
            return MAX(0, v - 0.5 + (wanted - below) / histogram[v]);
        below += histogram[v];
    }
    return 255;
}

/* Places spread evenly over a piece of the film. */
typedef struct grid {
    const rw_pixels *pixels;
    rw_affine film_to_px;
    rw_rect film;
    int columns, rows;
} grid;

static grid grid_over(const rw_pixels *pixels, rw_affine film_to_px, rw_rect film, int max_samples)
{
    int columns = MAX(2, (int)sqrt(max_samples * film.width / film.height));
    return (grid){pixels, film_to_px, film, columns, MAX(2, max_samples / columns)};
}

/* The pixel at place k, row by row; false off the still. */
static bool grid_at(const grid *g, int k, int rgb[3])
{
    const int i = k % g->columns, j = k / g->columns;
    rw_point at = rw_affine_apply(g->film_to_px, g->film.x + (i + 0.5) / g->columns * g->film.width,
                                  g->film.y + (j + 0.5) / g->rows * g->film.height);
    if (!(at.x > -0.5 && at.y > -0.5 && at.x < g->pixels->width - 0.5 &&
          at.y < g->pixels->height - 0.5))
        return false;
    rgb_at(g->pixels, (int)(at.x + 0.5), (int)(at.y + 0.5), rgb);
    return true;
}

rw_light rw_light_of(const rw_pixels *pixels, rw_affine film_to_px, rw_rect film, int max_samples)
{
    int histogram[256] = {0}, total = 0, clipped = 0;
    const grid g = grid_over(pixels, film_to_px, film, max_samples);
    double mean = 0;
    for (int k = 0; k < g.columns * g.rows; k++) {
        int rgb[3];
        if (!grid_at(&g, k, rgb))
            continue;
        histogram[luma_of(rgb[0], rgb[1], rgb[2])]++;
        clipped += rgb[0] >= CEILING || rgb[1] >= CEILING || rgb[2] >= CEILING;
        total++;
    }
    if (total < g.rows * g.columns / 2)
        return (rw_light){NAN, NAN, NAN, NAN, 0};
    for (int v = 0; v < 256; v++)
        if (histogram[v])
            mean += rw_linear_from_coded(v) * histogram[v];
    return (rw_light){rw_linear_from_coded(percentile(histogram, total, 0.5)), mean / total,
                      rw_linear_from_coded(percentile(histogram, total, 0.01)),
                      (double)clipped / total, total};
}

void rw_hues_of(const rw_pixels *pixels, rw_affine film_to_px, rw_rect film, int max_samples,
                bool mean, float light[3])
{
    int histogram[3][256] = {{0}}, total = 0;
    const grid g = grid_over(pixels, film_to_px, film, max_samples);
    for (int k = 0; k < g.columns * g.rows; k++) {
        int rgb[3];
        if (!grid_at(&g, k, rgb))
            continue;
        for (int c = 0; c < 3; c++)
            histogram[c][rgb[c]]++;
        total++;
    }
    bool seen = total >= g.rows * g.columns / 2;
    for (int c = 0; c < 3; c++) {
        double middle = percentile(histogram[c], total, 0.5), sum = 0;
        for (int v = 0; v < 256; v++)
            if (histogram[c][v])
                sum += rw_linear_from_coded(v) * histogram[c][v];
        if (!seen || (!mean && middle >= CEILING - 2))
            light[c] = NAN;
        else
            light[c] = (float)(mean ? sum / total : rw_linear_from_coded(middle));
    }
}

void rw_view_make(const rw_small *small, rw_affine film_to_px, rw_rect film, uint8_t *view,
                  int width, int height)
{
    enum { FINE = 3 }; /* samples per cell and axis */
    double factor = small->factor;
    for (int j = 0; j < height; j++)
        for (int i = 0; i < width; i++) {
            int sum = 0;
            for (int s = 0; s < FINE * FINE; s++) {
                double u = (i + (s % FINE + 0.5) / FINE) / width;
                double v = (j + (s / FINE + 0.5) / FINE) / height;
                rw_point at =
                    rw_affine_apply(film_to_px, film.x + u * film.width, film.y + v * film.height);
                int x = (int)floor((at.x + 0.5) / factor), y = (int)floor((at.y + 0.5) / factor);
                x = CLAMP(x, 0, small->width - 1);
                y = CLAMP(y, 0, small->height - 1);
                sum += small->luma[(ptrdiff_t)y * small->width + x];
            }
            view[(ptrdiff_t)j * width + i] = (uint8_t)((sum + FINE * FINE / 2) / (FINE * FINE));
        }
}
