/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>

#include "base/lanes.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

enum { ARM = 3, LOCAL = 4, SIDE = 2 * LOCAL + 1, FINE = 40, WIDE = 16 };

void NAME(rw_hair_ridge)(const float *p, ptrdiff_t stride, float dark, size_t n, float *out);
void NAME(rw_hair_mark)(uint32_t *restrict history, const float *restrict ridges, float bar,
                        size_t n);
void NAME(rw_hair_fine)(const float *logs, const float *columns, size_t n, int8_t *out);

/* What a ridge is deeper than its sides a and b, if that is more than best. */
static inline f16 deeper(f16 best, const float *a, const float *b, f16 middle, f16 dark)
{
    const f16 side = f16_min(f16_load(a), f16_load(b));
    const f16 depth = f16_pick_less(dark, side, f16_sub(side, middle), f16_set(0.0f));
    return f16_max(depth, best);
}

static inline float deeper_one(float best, const float *a, const float *b, float middle, float dark)
{
    float side = *a < *b ? *a : *b, depth = side > dark ? side - middle : 0;
    return depth > best ? depth : best;
}

void NAME(rw_hair_ridge)(const float *p, ptrdiff_t stride, float dark, size_t n, float *out)
{
    const ptrdiff_t arms[4] = {ARM, ARM * stride, 2 * stride + 2, 2 * stride - 2};
    const f16 darks = f16_set(dark);
    size_t x = 0;
    for (; x + WIDE <= n; x += WIDE) {
        f16 best = f16_set(0.0f), middle = f16_load(p + x);
        for (int d = 0; d < 4; d++)
            best = deeper(best, p + x - arms[d], p + x + arms[d], middle, darks);
        f16_store(out + x, best);
    }
    for (; x < n; x++) {
        out[x] = 0;
        for (int d = 0; d < 4; d++)
            out[x] = deeper_one(out[x], p + x - arms[d], p + x + arms[d], p[x], dark);
    }
}

void NAME(rw_hair_mark)(uint32_t *restrict history, const float *restrict ridges, float bar,
                        size_t n)
{
    for (size_t x = 0; x < n; x++)
        history[x] = history[x] << 1 | (uint32_t)(ridges[x] > bar);
}

/* Rounded by cutting off what is half a step below: it is never above 0. */
void NAME(rw_hair_fine)(const float *logs, const float *columns, size_t n, int8_t *out)
{
    const f16 area = f16_set(SIDE * SIDE), steps = f16_set(FINE), half = f16_set(0.5f);
    const f16 lowest = f16_set(-127.0f), highest = f16_set(0.0f);
    size_t x = 0;
    for (; x + WIDE <= n; x += WIDE) {
        f16 sum = f16_set(0.0f);
        for (int k = 0; k < SIDE; k++)
            sum = f16_add(sum, f16_load(columns + x + k));
        f16 fine = f16_mul(f16_sub(f16_load(logs + x), f16_div(sum, area)), steps);
        fine = f16_sub(f16_min(f16_max(fine, lowest), highest), half);
        const i16 cut = f16_whole(fine);
        int32_t whole[WIDE];
        memcpy(whole, &cut, sizeof whole);
        for (int k = 0; k < WIDE; k++)
            out[x + (size_t)k] = (int8_t)whole[k];
    }
    for (; x < n; x++) {
        float sum = 0;
        for (int k = 0; k < SIDE; k++)
            sum += columns[x + (size_t)k];
        float fine = (logs[x] - sum / (float)(SIDE * SIDE)) * (float)FINE;
        fine = fine > -127 ? fine : -127;
        fine = fine < 0 ? fine : 0;
        out[x] = (int8_t)(fine - 0.5f);
    }
}
