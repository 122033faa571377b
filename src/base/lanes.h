/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * lanes.h - sixteen floats at once, for *_tmpl.c kernels.
 *
 *     f16 a = f16_load(p), b = f16_load(q);
 *     f16_store(r, f16_min(f16_sub(a, b), f16_set(4.0f)));
 *     float sum = f16_sum(total);
 *
 * The same source gives one AVX-512 vector, two AVX2 vectors or four SSE/NEON/plain vectors, and
 * the same bits on all of them: every lane does the same IEEE operations in the same order, and
 * f16_sum adds in a fixed tree that a scalar reference can follow (rw_sum16 below). Loads and
 * stores need no alignment.
 */
#ifndef RW_BASE_LANES_H
#define RW_BASE_LANES_H

#include <math.h>
#include <stdint.h>
#include <string.h>

#if defined(__AVX512F__)
#define F16_WIDTH 16
#elif defined(__AVX2__)
#define F16_WIDTH 8
#else
#define F16_WIDTH 4
#endif
#define F16_PARTS (16 / F16_WIDTH)
#if defined(__SSE2__)
#include <immintrin.h>
#endif

typedef float f16_part __attribute__((vector_size(F16_WIDTH * 4)));
typedef int32_t f16_mask_part __attribute__((vector_size(F16_WIDTH * 4)));
typedef struct f16 {
    f16_part v[F16_PARTS];
} f16;

#define F16_EACH(expression)                                                                       \
    f16 r;                                                                                         \
    for (int i = 0; i < F16_PARTS; i++)                                                            \
        r.v[i] = (expression);                                                                     \
    return r

static inline f16 f16_load(const float *p)
{
    f16 r;
    for (int i = 0; i < F16_PARTS; i++) /* part by part: one copy of all goes by way of memory */
        memcpy(&r.v[i], p + i * F16_WIDTH, sizeof r.v[i]);
    return r;
}

static inline void f16_store(float *p, f16 a)
{
    for (int i = 0; i < F16_PARTS; i++)
        memcpy(p + i * F16_WIDTH, &a.v[i], sizeof a.v[i]);
}

static inline f16 f16_set(float x)
{
    F16_EACH(x - (f16_part){0});
}

static inline f16 f16_add(f16 a, f16 b)
{
    F16_EACH(a.v[i] + b.v[i]);
}

static inline f16 f16_sub(f16 a, f16 b)
{
    F16_EACH(a.v[i] - b.v[i]);
}

static inline f16 f16_mul(f16 a, f16 b)
{
    F16_EACH(a.v[i] * b.v[i]);
}

static inline f16 f16_div(f16 a, f16 b)
{
    F16_EACH(a.v[i] / b.v[i]);
}

/* a + b * c, rounded twice: never fused. */
static inline f16 f16_muladd(f16 a, f16 b, f16 c)
{
    F16_EACH(a.v[i] + b.v[i] * c.v[i]);
}

/* a < b ? a : b, lane by lane; b when they are unordered. */
static inline f16_part f16_part_min(f16_part a, f16_part b)
{
#if defined(__AVX512F__)
    return (f16_part)_mm512_min_ps((__m512)a, (__m512)b);
#elif defined(__AVX2__)
    return (f16_part)_mm256_min_ps((__m256)a, (__m256)b);
#elif defined(__SSE2__)
    return (f16_part)_mm_min_ps((__m128)a, (__m128)b);
#else
    f16_mask_part m = a < b;
    return (f16_part)(((f16_mask_part)a & m) | ((f16_mask_part)b & ~m));
#endif
}

/* a > b ? a : b */
static inline f16_part f16_part_max(f16_part a, f16_part b)
{
#if defined(__AVX512F__)
    return (f16_part)_mm512_max_ps((__m512)a, (__m512)b);
#elif defined(__AVX2__)
    return (f16_part)_mm256_max_ps((__m256)a, (__m256)b);
#elif defined(__SSE2__)
    return (f16_part)_mm_max_ps((__m128)a, (__m128)b);
#else
    f16_mask_part m = a > b;
    return (f16_part)(((f16_mask_part)a & m) | ((f16_mask_part)b & ~m));
#endif
}

static inline f16 f16_min(f16 a, f16 b)
{
    F16_EACH(f16_part_min(a.v[i], b.v[i]));
}

static inline f16 f16_max(f16 a, f16 b)
{
    F16_EACH(f16_part_max(a.v[i], b.v[i]));
}

static inline f16 f16_abs(f16 a)
{
    F16_EACH((f16_part)((f16_mask_part)a.v[i] & 0x7fffffff));
}

/* 1.0f where a < b, else 0.0f */
static inline f16 f16_less(f16 a, f16 b)
{
    F16_EACH((f16_part)((f16_mask_part)(a.v[i] < b.v[i]) & (int32_t)0x3f800000));
}

/* where a < b: x, else y */
static inline f16 f16_pick_less(f16 a, f16 b, f16 x, f16 y)
{
    f16 r;
    for (int i = 0; i < F16_PARTS; i++) {
#if defined(__AVX512F__)
        r.v[i] = (f16_part)_mm512_mask_blend_ps(
            _mm512_cmp_ps_mask((__m512)a.v[i], (__m512)b.v[i], _CMP_LT_OS), (__m512)y.v[i],
            (__m512)x.v[i]);
#else
        f16_mask_part m = a.v[i] < b.v[i];
        r.v[i] = (f16_part)(((f16_mask_part)x.v[i] & m) | ((f16_mask_part)y.v[i] & ~m));
#endif
    }
    return r;
}

static inline f16 f16_sqrt(f16 a)
{
    f16 r;
    for (int i = 0; i < F16_PARTS; i++) {
#if defined(__AVX512F__)
        r.v[i] = (f16_part)_mm512_sqrt_ps((__m512)a.v[i]);
#elif defined(__AVX2__)
        r.v[i] = (f16_part)_mm256_sqrt_ps((__m256)a.v[i]);
#elif defined(__SSE2__)
        r.v[i] = (f16_part)_mm_sqrt_ps((__m128)a.v[i]);
#else
        float lane[F16_WIDTH];
        for (int k = 0; k < F16_WIDTH; k++)
            lane[k] = __builtin_sqrtf(a.v[i][k]);
        memcpy(&r.v[i], lane, sizeof lane);
#endif
    }
    return r;
}

/* Sixteen whole numbers, for places in a table. */
typedef struct i16 {
    f16_mask_part v[F16_PARTS];
} i16;

/* Cut off towards zero. */
static inline i16 f16_whole(f16 a)
{
    i16 r;
    for (int i = 0; i < F16_PARTS; i++)
        r.v[i] = __builtin_convertvector(a.v[i], f16_mask_part);
    return r;
}

static inline f16 f16_from(i16 a)
{
    F16_EACH(__builtin_convertvector(a.v[i], f16_part));
}

/* table[at], lane by lane. */
static inline f16 f16_gather(const float *table, i16 at)
{
    f16 r;
    for (int i = 0; i < F16_PARTS; i++) {
#if defined(__AVX512F__)
        r.v[i] = (f16_part)_mm512_i32gather_ps((__m512i)at.v[i], table, 4);
#elif defined(__AVX2__)
        r.v[i] = (f16_part)_mm256_i32gather_ps(table, (__m256i)at.v[i], 4);
#else
        float lane[F16_WIDTH];
        for (int k = 0; k < F16_WIDTH; k++)
            lane[k] = table[at.v[i][k]];
        memcpy(&r.v[i], lane, sizeof lane);
#endif
    }
    return r;
}

/* Straight line between the entries of a table; x is in entries, not negative. */
static inline f16 f16_between(const float *table, f16 x)
{
    const i16 at = f16_whole(x);
    const f16 low = f16_gather(table, at), high = f16_gather(table + 1, at);
    return f16_muladd(low, f16_sub(x, f16_from(at)), f16_sub(high, low));
}

/* The order in which every level adds up sixteen lanes. */
static inline float rw_sum16(const float *lane)
{
    float s[8];
    for (int i = 0; i < 8; i++)
        s[i] = lane[i] + lane[i + 8];
    for (int i = 0; i < 4; i++)
        s[i] = s[i] + s[i + 4];
    return (s[0] + s[2]) + (s[1] + s[3]);
}

static inline float f16_sum(f16 a)
{
    float lane[16];
    f16_store(lane, a);
    return rw_sum16(lane);
}

/* ---- eight floats, for 8 x 8 blocks ---- */

#if F16_WIDTH == 4
#define F8_WIDTH 4
#else
#define F8_WIDTH 8
#endif
#define F8_PARTS (8 / F8_WIDTH)
typedef float f8_part __attribute__((vector_size(F8_WIDTH * 4)));
typedef int32_t f8_mask_part __attribute__((vector_size(F8_WIDTH * 4)));
typedef struct f8 {
    f8_part v[F8_PARTS];
} f8;

#define F8_EACH(expression)                                                                        \
    f8 r;                                                                                          \
    for (int i = 0; i < F8_PARTS; i++)                                                             \
        r.v[i] = (expression);                                                                     \
    return r

static inline f8 f8_load(const float *p)
{
    f8 r;
    memcpy(&r, p, sizeof r);
    return r;
}

static inline void f8_store(float *p, f8 a)
{
    memcpy(p, &a, sizeof a);
}

static inline f8 f8_set(float x)
{
    F8_EACH(x - (f8_part){0});
}

static inline f8 f8_add(f8 a, f8 b)
{
    F8_EACH(a.v[i] + b.v[i]);
}

static inline f8 f8_sub(f8 a, f8 b)
{
    F8_EACH(a.v[i] - b.v[i]);
}

static inline f8 f8_mul(f8 a, f8 b)
{
    F8_EACH(a.v[i] * b.v[i]);
}

/* a + b * c, rounded twice: never fused. */
static inline f8 f8_muladd(f8 a, f8 b, f8 c)
{
    F8_EACH(a.v[i] + b.v[i] * c.v[i]);
}

static inline f8_part f8_part_min(f8_part a, f8_part b)
{
#if F8_WIDTH == 8
    return (f8_part)_mm256_min_ps((__m256)a, (__m256)b);
#elif defined(__SSE2__)
    return (f8_part)_mm_min_ps((__m128)a, (__m128)b);
#else
    f8_mask_part m = a < b;
    return (f8_part)(((f8_mask_part)a & m) | ((f8_mask_part)b & ~m));
#endif
}

/* a < b ? a : b */
static inline f8 f8_min(f8 a, f8 b)
{
    F8_EACH(f8_part_min(a.v[i], b.v[i]));
}

static inline f8 f8_abs(f8 a)
{
    F8_EACH((f8_part)((f8_mask_part)a.v[i] & 0x7fffffff));
}

/* The order in which every level adds up eight lanes. */
static inline float rw_sum8(const float *lane)
{
    float s[4];
    for (int i = 0; i < 4; i++)
        s[i] = lane[i] + lane[i + 4];
    return (s[0] + s[2]) + (s[1] + s[3]);
}

static inline float f8_sum(f8 a)
{
    float lane[8];
    f8_store(lane, a);
    return rw_sum8(lane);
}

#undef F16_EACH
#undef F8_EACH
#endif
