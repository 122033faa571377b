/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include <reelwright/chart.h>
#include <reelwright/colour.h>

enum { PARTS = 4, LEAST_SIDE = 4 * PARTS };

typedef struct area_light {
    double part[PARTS][PARTS]; /* sums of green light */
    int count[PARTS][PARTS];
    double sum[3];
    int64_t clipped, pixels;
} area_light;

static area_light sum_light(const uint8_t *rgb, ptrdiff_t stride, int x0, int y0, int w, int h)
{
    area_light a = {.pixels = (int64_t)w * h};
    double linear[256];
    const rw_curve *curve = rw_curve_find("srgb");
    for (int v = 0; v < 256; v++)
        linear[v] = curve->to_light(v / 255.0);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            const uint8_t *p = rgb + (y0 + y) * stride + 3 * (x0 + x);
            bool clipped = false;
            for (int c = 0; c < 3; c++) {
                a.sum[c] += linear[p[c]];
                clipped |= p[c] >= 254;
            }
            a.clipped += clipped;
            a.part[y * PARTS / h][x * PARTS / w] += linear[p[1]];
            a.count[y * PARTS / h][x * PARTS / w]++;
        }
    return a;
}

/* Brightest part against darkest. */
static double unevenness(const area_light *a)
{
    double least = INFINITY, most = 0;
    for (int i = 0; i < PARTS * PARTS; i++) {
        double mean = a->part[i / PARTS][i % PARTS] / a->count[i / PARTS][i % PARTS];
        least = fmin(least, mean);
        most = fmax(most, mean);
    }
    return most / fmax(least, 1e-6);
}

static bool refuse(const char *why, GError **error)
{
    g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "The area is no grey card: %s", why);
    return false;
}

bool rw_grey_solve(const uint8_t *rgb, int width, int height, ptrdiff_t stride, rw_rect area,
                   double gain[3], GError **error)
{
    static const double darkest = 0.005, most_clipped = 0.002, most_uneven = 1.6, most_gain = 6;
    int x = (int)floor(area.x + 0.5), y = (int)floor(area.y + 0.5);
    int w = (int)floor(area.width + 0.5), h = (int)floor(area.height + 0.5);
    if (w < LEAST_SIDE || h < LEAST_SIDE || x < 0 || y < 0 || x > width - w || y > height - h)
        return refuse("it must lie in the picture and be 16 pixels wide and high or more.", error);
    area_light a = sum_light(rgb, stride, x, y, w, h);
    double mean[3] = {a.sum[0] / (double)a.pixels, a.sum[1] / (double)a.pixels,
                      a.sum[2] / (double)a.pixels};
    double luma = 0.2126 * mean[0] + 0.7152 * mean[1] + 0.0722 * mean[2];
    if ((double)a.clipped > most_clipped * (double)a.pixels)
        return refuse("parts of it are clipped; expose less.", error);
    if (fmin(mean[0], fmin(mean[1], mean[2])) < darkest)
        return refuse("it is nearly black.", error);
    if (unevenness(&a) > most_uneven)
        return refuse("it is lit unevenly, or shows more than one surface.", error);
    for (int c = 0; c < 3; c++) {
        gain[c] = luma / mean[c];
        if (gain[c] > most_gain || gain[c] < 1 / most_gain)
            return refuse("it is strongly coloured.", error);
    }
    return true;
}
