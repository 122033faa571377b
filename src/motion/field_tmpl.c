/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>

#include "base/lanes.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

float NAME(rw_motion_sad)(const int16_t *a, ptrdiff_t a_stride, const int16_t *b,
                          ptrdiff_t b_stride, float cap);
float NAME(rw_motion_sad_sub)(const int16_t *a, ptrdiff_t a_stride, const int16_t *b,
                              ptrdiff_t b_stride, float fx, float fy, float cap);
void NAME(rw_motion_code)(int16_t *out, const float *in, size_t n);
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

void NAME(rw_motion_code)(int16_t *out, const float *in, size_t n)
{
    for (size_t i = 0; i < n; i++)
        out[i] = (int16_t)(int32_t)(in[i] * 16.0f + 0.5f);
}

/* ---- windows of codes: rows k and k + 8 go together ---- */

static inline h32 code_pair(const int16_t *p, ptrdiff_t stride, int k)
{
    return h32_load2(p + k * stride, p + (k + 8) * stride);
}

static inline h32 clip_codes(h32 d)
{
    return h32_max(h32_min(d, h32_set(64 * 16)), h32_set(-64 * 16));
}

/* clipped: the sum of the clipped differences, lane by lane. */
static inline float truncated_sum(const h32 d[8], h32 clipped, float cap)
{
    const h32 mean = h32_set((h32_sum(clipped) + 128) >> 8);
    const float most = cap * 16.0f + 0.5f;
    const h32 c = h32_set(most < 2047.0f ? (int)most : 2047);
    h32 sum = h32_set(0);
    for (int k = 0; k < 8; k++)
        sum = h32_add(sum, h32_min(h32_abs(h32_sub(d[k], mean)), c));
    return (float)h32_sum(sum) * (1.0f / 16.0f);
}

float NAME(rw_motion_sad)(const int16_t *a, ptrdiff_t a_stride, const int16_t *b,
                          ptrdiff_t b_stride, float cap)
{
    h32 d[8], clipped = h32_set(0);
    for (int k = 0; k < 8; k++) {
        d[k] = h32_sub(code_pair(a, a_stride, k), code_pair(b, b_stride, k));
        clipped = h32_add(clipped, clip_codes(d[k]));
    }
    return truncated_sum(d, clipped, cap);
}

static inline h32 between_codes(h32 a, h32 b, h32 part)
{
    return h32_add(a, h32_part_of(h32_sub(b, a), part));
}

static inline h32 fraction_of(float f)
{
    const int whole = (int)(f * 32768.0f + 0.5f);
    return h32_set(whole < 32767 ? whole : 32767);
}

float NAME(rw_motion_sad_sub)(const int16_t *a, ptrdiff_t a_stride, const int16_t *b,
                              ptrdiff_t b_stride, float fx, float fy, float cap)
{
    const h32 x = fraction_of(fx), y = fraction_of(fy);
    h32 d[8], clipped = h32_set(0);
    h32 above = between_codes(code_pair(b, b_stride, 0), code_pair(b + 1, b_stride, 0), x);
    for (int k = 0; k < 8; k++) {
        const h32 below =
            between_codes(code_pair(b, b_stride, k + 1), code_pair(b + 1, b_stride, k + 1), x);
        d[k] = h32_sub(code_pair(a, a_stride, k), between_codes(above, below, y));
        clipped = h32_add(clipped, clip_codes(d[k]));
        above = below;
    }
    return truncated_sum(d, clipped, cap);
}

/* ---- windows of floats ---- */

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

void NAME(rw_motion_warp)(float *out, const float *in, ptrdiff_t in_stride, int width, int height,
                          const float *dx, const float *dy, int y, int n)
{
    static const float count[16] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15};
    /* of the border of 40, so that the next row and column are there; moved by it, so that cutting
     * off rounds down */
    const f16 first = f16_set(2.0f);
    const f16 right = f16_set((float)width + 77.0f), bottom = f16_set((float)height + 77.0f);
    const float *base = in - 40 * in_stride - 40;
    const f16 row = f16_set((float)y + 40.0f);
    for (int x = 0; x < n; x += 16) {
        const int some = n - x < 16 ? n - x : 16;
        f16 px = f16_add(f16_add(f16_load(count), f16_set((float)x + 40.0f)),
                         f16_load_some(dx + x, some));
        f16 py = f16_add(row, f16_load_some(dy + x, some));
        px = f16_min(f16_max(px, first), right);
        py = f16_min(f16_max(py, first), bottom);
        const i16 i = f16_whole(px), j = f16_whole(py);
        i16 at;
        for (int k = 0; k < F16_PARTS; k++)
            at.v[k] = j.v[k] * (int32_t)in_stride + i.v[k];
        const f16 fx = f16_sub(px, f16_from(i)), fy = f16_sub(py, f16_from(j));
        f16 a, b, c, d;
        f16_gather2(base, at, &a, &b);
        f16_gather2(base + in_stride, at, &c, &d);
        const f16 above = f16_muladd(a, fx, f16_sub(b, a));
        const f16 below = f16_muladd(c, fx, f16_sub(d, c));
        f16_store_some(out + x, f16_muladd(above, fy, f16_sub(below, above)), some);
    }
}
