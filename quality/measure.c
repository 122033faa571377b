/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "measure.h"

#include <math.h>
#include <png.h>

void luma_of(const clip *c, int n, float *out)
{
    const uint8_t *p = clip_frame(c, n);
    for (int i = 0; i < c->width * c->height; i++)
        out[i] = 0.25f * (float)p[3 * i] + 0.5f * (float)p[3 * i + 1] + 0.25f * (float)p[3 * i + 2];
}

/* Mean over a box of (2 reach + 1) px, by running sums. */
static void box_mean(float *p, int w, int h, int reach)
{
    double *sum = g_new0(double, (size_t)(w + 1) * (size_t)(h + 1));
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++)
            sum[(y + 1) * (w + 1) + x + 1] = (double)p[y * w + x] + sum[y * (w + 1) + x + 1] +
                                             sum[(y + 1) * (w + 1) + x] - sum[y * (w + 1) + x];
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            const int x0 = MAX(x - reach, 0), x1 = MIN(x + reach + 1, w);
            const int y0 = MAX(y - reach, 0), y1 = MIN(y + reach + 1, h);
            p[y * w + x] = (float)((sum[y1 * (w + 1) + x1] - sum[y0 * (w + 1) + x1] -
                                    sum[y1 * (w + 1) + x0] + sum[y0 * (w + 1) + x0]) /
                                   ((x1 - x0) * (y1 - y0)));
        }
    g_free(sum);
}

void fast_area(const clip *truth, int n, uint8_t *mask)
{
    const int count = truth->width * truth->height;
    float *now = g_new(float, count), *other = g_new(float, count), *d = g_new0(float, count);
    luma_of(truth, n, now);
    for (int k = -1; k <= 1; k += 2) {
        luma_of(truth, CLAMP(n + k, 0, truth->count - 1), other);
        for (int i = 0; i < count; i++)
            d[i] += 0.5f * fabsf(now[i] - other[i]);
    }
    box_mean(d, truth->width, truth->height, 7);
    for (int i = 0; i < count; i++)
        mask[i] = d[i] > 8.0f;
    g_free(now);
    g_free(other);
    g_free(d);
}

void textured_area(const clip *truth, int n, uint8_t *mask)
{
    const int count = truth->width * truth->height;
    float *mean = g_new(float, count), *square = g_new(float, count);
    luma_of(truth, n, mean);
    for (int i = 0; i < count; i++)
        square[i] = mean[i] * mean[i];
    box_mean(mean, truth->width, truth->height, 4);
    box_mean(square, truth->width, truth->height, 4);
    for (int i = 0; i < count; i++)
        mask[i] = square[i] - mean[i] * mean[i] > 80.0f;
    g_free(mean);
    g_free(square);
}

void squares_add(squares *s, const clip *a, const clip *truth, int n, const uint8_t *mask,
                 uint8_t want)
{
    const uint8_t *p = clip_frame(a, n), *q = clip_frame(truth, n);
    for (int i = 0; i < a->width * a->height; i++) {
        if (mask && mask[i] != want)
            continue;
        const double e = 0.25 * (p[3 * i] - q[3 * i]) + 0.5 * (p[3 * i + 1] - q[3 * i + 1]) +
                         0.25 * (p[3 * i + 2] - q[3 * i + 2]);
        s->sum += e * e;
        s->count += 1.0;
    }
}

void squares_add_colour(squares *s, const clip *a, const clip *truth, int n)
{
    const uint8_t *p = clip_frame(a, n), *q = clip_frame(truth, n);
    for (int i = 0; i < 3 * a->width * a->height; i += 3) {
        const double green = p[i + 1] - q[i + 1];
        const double red = p[i] - q[i] - green, blue = p[i + 2] - q[i + 2] - green;
        s->sum += red * red + blue * blue;
        s->count += 2.0;
    }
}

double psnr_of(const squares *s)
{
    return s->count > 0.0 ? 10.0 * log10(255.0 * 255.0 * s->count / fmax(s->sum, 1e-9)) : NAN;
}

static void gauss_filter(const float *in, float *out, float *tmp, int w, int h)
{
    double k[11], sum = 0;
    for (int i = 0; i < 11; i++)
        sum += k[i] = exp(-0.5 * (i - 5) * (i - 5) / (1.5 * 1.5));
    for (int y = 0; y < h; y++)
        for (int x = 0; x + 10 < w; x++) {
            double s = 0;
            for (int i = 0; i < 11; i++)
                s += k[i] * (double)in[y * w + x + i];
            tmp[y * w + x] = (float)(s / sum);
        }
    for (int y = 0; y + 10 < h; y++)
        for (int x = 0; x + 10 < w; x++) {
            double s = 0;
            for (int i = 0; i < 11; i++)
                s += k[i] * (double)tmp[(y + i) * w + x];
            out[y * w + x] = (float)(s / sum);
        }
}

double ssim_of(const clip *a, const clip *truth, int n)
{
    const int w = a->width, h = a->height, count = w * h;
    float *p[6], *tmp = g_new(float, count);
    for (int k = 0; k < 6; k++)
        p[k] = g_new(float, count);
    luma_of(a, n, p[0]);
    luma_of(truth, n, p[1]);
    for (int i = 0; i < count; i++) {
        p[2][i] = p[0][i] * p[0][i];
        p[3][i] = p[1][i] * p[1][i];
        p[4][i] = p[0][i] * p[1][i];
    }
    for (int k = 0; k < 5; k++) {
        gauss_filter(p[k], p[5], tmp, w, h);
        memcpy(p[k], p[5], sizeof(float) * (size_t)count);
    }
    double sum = 0;
    for (int y = 0; y + 10 < h; y++)
        for (int x = 0; x + 10 < w; x++) {
            const int i = y * w + x;
            const double ma = (double)p[0][i], mb = (double)p[1][i];
            const double va = (double)p[2][i] - ma * ma, vb = (double)p[3][i] - mb * mb;
            const double cov = (double)p[4][i] - ma * mb;
            sum += (2 * ma * mb + 6.5025) * (2 * cov + 58.5225) /
                   ((ma * ma + mb * mb + 6.5025) * (va + vb + 58.5225));
        }
    for (int k = 0; k < 6; k++)
        g_free(p[k]);
    g_free(tmp);
    return sum / ((w - 10.0) * (h - 10.0));
}

void save_png(const char *path, const uint8_t *rgb, int width, int height)
{
    png_image image = {.version = PNG_IMAGE_VERSION,
                       .width = (png_uint_32)width,
                       .height = (png_uint_32)height,
                       .format = PNG_FORMAT_RGB};
    if (!png_image_write_to_file(&image, path, 0, rgb, 0, NULL))
        g_printerr("%s: %s\n", path, image.message);
}
