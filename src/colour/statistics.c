/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <reelwright/statistics.h>

enum { TONES = RW_STATISTICS_TONES, CELLS = RW_STATISTICS_CHROMA };

/* Sixteenths of a code, so that whole numbers do. ITU-R BT.709-6, item 3.2. */
static int luma16(const uint8_t *p)
{
    return (int)((2126 * p[0] + 7152 * p[1] + 722 * p[2]) * 16 / 10000);
}

static int cell(double difference)
{
    return CLAMP((int)floor((difference + 0.5) * CELLS), 0, CELLS - 1);
}

static void quantiles(const uint32_t *fine, uint32_t pixels, double out[3])
{
    static const double share[3] = {0.02, 0.5, 0.98};
    uint64_t below = 0;
    int k = 0;
    for (int v = 0; v < 256 && k < 3; v++) {
        below += fine[v];
        while (k < 3 && (double)below >= share[k] * pixels && below > 0)
            out[k++] = v / 255.0;
    }
}

void rw_statistics_make(const uint8_t *rgb, int width, int height, ptrdiff_t stride,
                        rw_statistics *s)
{
    uint32_t fine[256] = {0};
    uint64_t sum[4] = {0};
    memset(s, 0, sizeof *s);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            const uint8_t *p = rgb + y * stride + 3 * x;
            int l = luma16(p), tone = l / 16;
            double luma = l / (16 * 255.0);
            for (int c = 0; c < 3; c++) {
                s->tones[c][p[c] * TONES / 256]++;
                sum[c] += p[c];
                s->at_black[c] += p[c] == 0;
                s->at_white[c] += p[c] == 255;
            }
            fine[tone]++;
            sum[3] += (uint64_t)l;
            s->tones[3][tone * TONES / 256]++;
            s->columns[x * RW_STATISTICS_COLUMNS / width][tone * TONES / 256]++;
            s->chroma[CELLS - 1 - cell((p[0] / 255.0 - luma) / 1.5748)]
                     [cell((p[2] / 255.0 - luma) / 1.8556)]++;
        }
    s->pixels = (uint32_t)width * (uint32_t)height;
    if (!s->pixels)
        return;
    for (int c = 0; c < 4; c++)
        s->mean[c] = (double)sum[c] / (c < 3 ? 255.0 : 16 * 255.0) / s->pixels;
    for (int c = 0; c < 3; c++) {
        s->at_black[c] /= s->pixels;
        s->at_white[c] /= s->pixels;
    }
    quantiles(fine, s->pixels, s->quantile);
}
