/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>

#include "base/lanes.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

float NAME(rw_motion_sad)(const float *a, ptrdiff_t a_stride, const float *b, ptrdiff_t b_stride,
                          float cap);
float NAME(rw_motion_sad_sub)(const float *a, ptrdiff_t a_stride, const float *b,
                              ptrdiff_t b_stride, float fx, float fy, float cap);
float NAME(rw_motion_sad8)(const float *a, ptrdiff_t a_stride, const float *b, ptrdiff_t b_stride,
                           float fx, float fy, float offset, float cap);
void NAME(rw_motion_normal)(const float *a, ptrdiff_t a_stride, const float *b, ptrdiff_t b_stride,
                            float fx, float fy, float cap, float out[5]);
void NAME(rw_motion_smooth)(float *out, const float *const rows[3], int width);
void NAME(rw_motion_halve)(float *out, const float *const rows[4], float *sums, int width);
void NAME(rw_motion_warp)(float *out, const float *in, ptrdiff_t in_stride, int width, int height,
                          const float *dx, const float *dy, int y, int n);

/* A speck must not own the mean of the window it lies in. */
static inline f16 clip(f16 d)
{
    return f16_max(f16_min(d, f16_set(64.0f)), f16_set(-64.0f));
}

static inline float truncated_sum(const f16 d[16], float mean, float cap)
{
    f16 m = f16_set(mean), c = f16_set(cap), sum = f16_set(0.0f);
    for (int y = 0; y < 16; y++)
        sum = f16_add(sum, f16_min(f16_abs(f16_sub(d[y], m)), c));
    return f16_sum(sum);
}

float NAME(rw_motion_sad)(const float *a, ptrdiff_t a_stride, const float *b, ptrdiff_t b_stride,
                          float cap)
{
    f16 d[16], sum = f16_set(0.0f);
    for (int y = 0; y < 16; y++) {
        d[y] = f16_sub(f16_load(a + y * a_stride), f16_load(b + y * b_stride));
        sum = f16_add(sum, clip(d[y]));
    }
    return truncated_sum(d, f16_sum(sum) * (1.0f / 256.0f), cap);
}

static inline f16 along_row(const float *b, f16 fx)
{
    f16 left = f16_load(b);
    return f16_muladd(left, fx, f16_sub(f16_load(b + 1), left));
}

/* d[y] = a - b(fx, fy); returns the mean of the clipped differences. */
static inline float differences(f16 d[16], const float *a, ptrdiff_t a_stride, const float *b,
                                ptrdiff_t b_stride, float fx, float fy)
{
    f16 vx = f16_set(fx), vy = f16_set(fy), sum = f16_set(0.0f);
    f16 above = along_row(b, vx);
    for (int y = 0; y < 16; y++) {
        f16 below = along_row(b + (y + 1) * b_stride, vx);
        d[y] = f16_sub(f16_load(a + y * a_stride), f16_muladd(above, vy, f16_sub(below, above)));
        sum = f16_add(sum, clip(d[y]));
        above = below;
    }
    return f16_sum(sum) * (1.0f / 256.0f);
}

float NAME(rw_motion_sad_sub)(const float *a, ptrdiff_t a_stride, const float *b,
                              ptrdiff_t b_stride, float fx, float fy, float cap)
{
    f16 d[16];
    float mean = differences(d, a, a_stride, b, b_stride, fx, fy);
    return truncated_sum(d, mean, cap);
}

static inline f8 along_row8(const float *b, f8 fx)
{
    f8 left = f8_load(b);
    return f8_muladd(left, fx, f8_sub(f8_load(b + 1), left));
}

float NAME(rw_motion_sad8)(const float *a, ptrdiff_t a_stride, const float *b, ptrdiff_t b_stride,
                           float fx, float fy, float offset, float cap)
{
    f8 vx = f8_set(fx), vy = f8_set(fy), m = f8_set(offset), c = f8_set(cap), sum = f8_set(0.0f);
    f8 above = along_row8(b, vx);
    for (int y = 0; y < 8; y++) {
        f8 below = along_row8(b + (y + 1) * b_stride, vx);
        f8 d = f8_sub(f8_load(a + y * a_stride), f8_muladd(above, vy, f8_sub(below, above)));
        sum = f8_add(sum, f8_min(f8_abs(f8_sub(d, m)), c));
        above = below;
    }
    return f8_sum(sum);
}

void NAME(rw_motion_normal)(const float *a, ptrdiff_t a_stride, const float *b, ptrdiff_t b_stride,
                            float fx, float fy, float cap, float out[5])
{
    f16 d[16];
    f16 mean = f16_set(differences(d, a, a_stride, b, b_stride, fx, fy));
    f16 half = f16_set(0.5f), limit = f16_set(cap);
    f16 s[5];
    for (int i = 0; i < 5; i++)
        s[i] = f16_set(0.0f);
    for (int y = 0; y < 16; y++) {
        const float *p = a + y * a_stride;
        f16 gx = f16_mul(half, f16_sub(f16_load(p + 1), f16_load(p - 1)));
        f16 gy = f16_mul(half, f16_sub(f16_load(p + a_stride), f16_load(p - a_stride)));
        f16 e = f16_sub(d[y], mean);
        f16 w = f16_less(f16_abs(e), limit);
        f16 wx = f16_mul(w, gx), wy = f16_mul(w, gy);
        s[0] = f16_muladd(s[0], wx, gx);
        s[1] = f16_muladd(s[1], wx, gy);
        s[2] = f16_muladd(s[2], wy, gy);
        s[3] = f16_muladd(s[3], wx, e);
        s[4] = f16_muladd(s[4], wy, e);
    }
    for (int i = 0; i < 5; i++)
        out[i] = f16_sum(s[i]);
}

static inline f16 one_two_one(f16 a, f16 b, f16 c)
{
    return f16_mul(f16_set(0.25f), f16_add(f16_add(a, c), f16_add(b, b)));
}

void NAME(rw_motion_smooth)(float *out, const float *const rows[3], int width)
{
    for (int x = 0; x < width; x += 16) {
        f16 r[3];
        for (int i = 0; i < 3; i++)
            r[i] = one_two_one(f16_load(rows[i] + x - 1), f16_load(rows[i] + x),
                               f16_load(rows[i] + x + 1));
        f16_store(out + x, one_two_one(r[0], r[1], r[2]));
    }
}

void NAME(rw_motion_halve)(float *out, const float *const rows[4], float *sums, int width)
{
    /* columns -1 .. 2 width + 1 of the vertical means, at sums[0] */
    for (int x = 0; x < 2 * width + 4; x += 16) {
        const ptrdiff_t i = x - 1;
        f16 outer = f16_add(f16_load(rows[0] + i), f16_load(rows[3] + i));
        f16 inner = f16_add(f16_load(rows[1] + i), f16_load(rows[2] + i));
        f16_store(sums + x, f16_mul(f16_set(0.125f), f16_muladd(outer, f16_set(3.0f), inner)));
    }
    for (int x = 0; x < width; x++) {
        const float *s = sums + 2 * x;
        out[x] = 0.125f * ((s[0] + s[3]) + 3.0f * (s[1] + s[2]));
    }
}

void NAME(rw_motion_warp)(float *restrict out, const float *in, ptrdiff_t in_stride, int width,
                          int height, const float *restrict dx, const float *restrict dy, int y,
                          int n)
{
    const float margin = 38.0f; /* of the border of 40: room for the next row and column */
    const float right = (float)width + margin - 1.0f, bottom = (float)height + margin - 1.0f;
    const int stride = (int)in_stride;
    const float *base = in - 40 * in_stride - 40;
    for (int x = 0; x < n; x++) {
        float px = (float)x + dx[x], py = (float)y + dy[x];
        px = px > -margin ? (px < right ? px : right) : -margin;
        py = py > -margin ? (py < bottom ? py : bottom) : -margin;
        px += 40.0f; /* so that cutting off rounds down */
        py += 40.0f;
        const int i = (int)px, j = (int)py;
        const float fx = px - (float)i, fy = py - (float)j;
        const int at = j * stride + i;
        const float above = base[at] + fx * (base[at + 1] - base[at]);
        const float below = base[at + stride] + fx * (base[at + stride + 1] - base[at + stride]);
        out[x] = above + fy * (below - above);
    }
}
