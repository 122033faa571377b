/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "survey/step.h"

enum {
    W = RW_VIEW_WIDTH,
    H = RW_VIEW_HEIGHT,
    B = RW_STEP_BLOCK,
    REACH = 12,       /* a tenth of the picture's width */
    PLAIN = 3 * B * B /* sum of |v - mean| below which a block has nothing to hold on to */
};

/* Sum of absolute differences of two blocks. */
static int block_sad(const uint8_t *a, const uint8_t *b)
{
    int sum = 0;
    for (int y = 0; y < B; y++)
        for (int x = 0; x < B; x++)
            sum += abs(a[y * W + x] - b[y * W + x]);
    return sum;
}

static int block_texture(const uint8_t *a)
{
    int sum = 0, spread = 0;
    for (int i = 0; i < B * B; i++)
        sum += a[i / B * W + i % B];
    for (int i = 0; i < B * B; i++)
        spread += abs(a[i / B * W + i % B] - sum / (B * B));
    return spread;
}

/* Where two lines of equal slope through three sums meet: absolute differences make a V, no bowl.
 */
static double tip(int before, int top, int after)
{
    int rise = MAX(before, after) - top;
    return rise > 0 ? 0.5 * (before - after) / rise : 0;
}

typedef struct found {
    double dx, dy;
    int sad; /* at the best place */
    int texture;
    bool enclosed; /* the best place lies inside the range, not at an end that cuts it off */
} found;

/* Searches b for the block of a at (x, y). Of equal places the nearest wins. */
static found search(const uint8_t *a, const uint8_t *b, int x, int y)
{
    const uint8_t *block = a + y * W + x;
    int x0 = MAX(-REACH, -x), x1 = MIN(REACH, W - B - x);
    int y0 = MAX(-REACH, -y), y1 = MIN(REACH, H - B - y);
    int sad[2 * REACH + 1][2 * REACH + 1];
    int best_x = 0, best_y = 0, best = INT32_MAX;
    for (int dy = y0; dy <= y1; dy++)
        for (int dx = x0; dx <= x1; dx++) {
            int s = block_sad(block, b + (y + dy) * W + x + dx);
            sad[dy + REACH][dx + REACH] = s;
            int nearer = dx * dx + dy * dy - best_x * best_x - best_y * best_y;
            if (s < best || (s == best && nearer < 0)) {
                best = s;
                best_x = dx;
                best_y = dy;
            }
        }
    found f = {best_x, best_y, best, block_texture(block),
               best_x > x0 && best_x < x1 && best_y > y0 && best_y < y1};
    if (f.enclosed) {
        const int *row = sad[best_y + REACH];
        f.dx += tip(row[best_x + REACH - 1], best, row[best_x + REACH + 1]);
        f.dy += tip(sad[best_y + REACH - 1][best_x + REACH], best,
                    sad[best_y + REACH + 1][best_x + REACH]);
    }
    return f;
}

/* b with its mean brought to a's: flicker is not motion. */
static void match_gain(const uint8_t *a, const uint8_t *b, uint8_t *out)
{
    int sum_a = 1, sum_b = 1;
    for (int i = 0; i < W * H; i++) {
        sum_a += a[i];
        sum_b += b[i];
    }
    double gain = CLAMP((double)sum_a / sum_b, 0.5, 2);
    for (int i = 0; i < W * H; i++)
        out[i] = (uint8_t)MIN(255, lrint(b[i] * gain));
}

/* Half the sum of |differences| of the two tone distributions, 32 tones, softened by one. */
static double histogram_distance(const uint8_t *a, const uint8_t *b)
{
    int ha[34] = {0}, hb[34] = {0}, sum = 0;
    for (int i = 0; i < W * H; i++) {
        ha[1 + a[i] / 8] += 1;
        hb[1 + b[i] / 8] += 1;
    }
    for (int i = 1; i < 33; i++) {
        int sa = ha[i - 1] + 2 * ha[i] + ha[i + 1], sb = hb[i - 1] + 2 * hb[i] + hb[i + 1];
        sum += abs(sa - sb);
    }
    return sum / (8.0 * W * H);
}

static int compare_pairs(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* values[i][0] is a value, values[i][1] its weight. Sorts. */
static double weighted_median(double (*values)[2], int count)
{
    double total = 0, below = 0;
    for (int i = 0; i < count; i++)
        total += values[i][1];
    if (total <= 0)
        return NAN;
    qsort(values, (size_t)count, sizeof *values, compare_pairs);
    for (int i = 0; i < count; i++) {
        below += values[i][1];
        if (below >= 0.5 * total)
            return values[i][0];
    }
    return NAN;
}

void rw_step_read(const uint8_t *a, const uint8_t *b, rw_step *step, rw_step_reading *reading)
{
    uint8_t even[W * H];
    double xs[RW_STEP_BLOCKS][2], ys[RW_STEP_BLOCKS][2];
    double speed = 0, total = 0;
    int64_t residual = 0, difference = 0, level = 1;
    match_gain(a, b, even);
    for (int i = 0; i < RW_STEP_BLOCKS; i++) {
        int x = i % RW_STEP_COLUMNS * B, y = i / RW_STEP_COLUMNS * B;
        found f = search(a, even, x, y);
        /* firm when the match leaves little of the block's own contrast */
        double firm = f.enclosed && f.texture > PLAIN ? MAX(0, 1 - 2.0 * f.sad / f.texture) : 0;
        step->dx[i] = (int16_t)lrint(f.dx * 16);
        step->dy[i] = (int16_t)lrint(f.dy * 16);
        step->weight[i] = (uint8_t)lrint(firm * 255);
        xs[i][0] = f.dx;
        ys[i][0] = f.dy;
        xs[i][1] = ys[i][1] = step->weight[i];
        speed += step->weight[i] * hypot(f.dx, f.dy);
        total += step->weight[i];
        residual += f.sad;
    }
    for (int i = 0; i < W * H; i++) {
        difference += abs(a[i] - even[i]);
        level += a[i];
    }
    *reading = (rw_step_reading){
        .dx = weighted_median(xs, RW_STEP_BLOCKS),
        .dy = weighted_median(ys, RW_STEP_BLOCKS),
        .speed = total > 0 ? speed / total : NAN,
        .difference = (double)difference / (double)level,
        .residual = (double)residual / (double)level,
        .histogram = histogram_distance(a, even),
    };
}

double rw_step_ratio(const rw_step *step, const rw_step *const *neighbours, int count)
{
    static const double least_motion = 60; /* sum of squares, view pixels^2 times weight */
    double product = 0, square = 0;
    for (int i = 0; i < RW_STEP_BLOCKS; i++) {
        double x = 0, y = 0, weight = step->weight[i] / 255.0, apart = 0;
        for (int k = 0; k < count; k++) {
            const rw_step *n = neighbours[k];
            x += n->dx[i] / (16.0 * count);
            y += n->dy[i] / (16.0 * count);
            weight = MIN(weight, n->weight[i] / 255.0);
        }
        for (int k = 0; k < count; k++)
            apart += hypot(neighbours[k]->dx[i] / 16.0 - x, neighbours[k]->dy[i] / 16.0 - y);
        double length = hypot(x, y);
        if (length < 0.5 || apart / count > 0.5 * length)
            continue; /* still, or not moving evenly */
        product += weight * (x * step->dx[i] + y * step->dy[i]) / 16.0;
        square += weight * length * length;
    }
    return square > least_motion / 16 ? product / square : NAN;
}
