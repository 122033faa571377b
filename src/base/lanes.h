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

/* The first n of them, n >= 1: the end of a row that is no multiple of sixteen. The rest is 0. */
static inline f16 f16_load_some(const float *p, int n)
{
    if (n >= 16)
        return f16_load(p);
    float lane[16] = {0};
    for (int i = 0; i < n; i++)
        lane[i] = p[i];
    return f16_load(lane);
}

static inline void f16_store_some(float *p, f16 a, int n)
{
    if (n >= 16) {
        f16_store(p, a);
        return;
    }
    float lane[16];
    f16_store(lane, a);
    for (int i = 0; i < n; i++)
        p[i] = lane[i];
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

/* table[at] and table[at + 1], lane by lane: one fetch brings both. */
static inline void f16_gather2(const float *table, i16 at, f16 *first, f16 *second)
{
#if defined(__AVX512F__)
    const __m512i i = (__m512i)at.v[0];
    const __m512 low =
        _mm512_castpd_ps(_mm512_i32gather_pd(_mm512_castsi512_si256(i), (const void *)table, 4));
    const __m512 high = _mm512_castpd_ps(
        _mm512_i32gather_pd(_mm512_extracti64x4_epi64(i, 1), (const void *)table, 4));
    const __m512i even =
        _mm512_setr_epi32(0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30);
    const __m512i odd =
        _mm512_setr_epi32(1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23, 25, 27, 29, 31);
    first->v[0] = (f16_part)_mm512_permutex2var_ps(low, even, high);
    second->v[0] = (f16_part)_mm512_permutex2var_ps(low, odd, high);
#else
    *first = f16_gather(table, at);
    *second = f16_gather(table + 1, at);
#endif
}

/* table[at], lane by lane, at 0 .. 15: a table that stays in registers. */
static inline f16 f16_of16(const float *table, i16 at)
{
    f16 r;
    for (int i = 0; i < F16_PARTS; i++) {
#if defined(__AVX512F__)
        r.v[i] = (f16_part)_mm512_permutexvar_ps((__m512i)at.v[i], _mm512_loadu_ps(table));
#elif defined(__AVX2__)
        const __m256i k = (__m256i)at.v[i];
        const __m256 low = _mm256_permutevar8x32_ps(_mm256_loadu_ps(table), k);
        const __m256 high = _mm256_permutevar8x32_ps(_mm256_loadu_ps(table + 8), k);
        /* bit 3 says which, moved to where the blend looks */
        r.v[i] =
            (f16_part)_mm256_blendv_ps(low, high, _mm256_castsi256_ps(_mm256_slli_epi32(k, 28)));
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
    f16 low, high;
    f16_gather2(table, at, &low, &high);
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

/* ---- thirty-two whole numbers of 16 bits: two rows of sixteen ---- */

#if defined(__AVX512BW__)
#define H32_WIDTH 32
#elif defined(__AVX2__)
#define H32_WIDTH 16
#else
#define H32_WIDTH 8
#endif
#define H32_PARTS (32 / H32_WIDTH)
typedef int16_t h32_part __attribute__((vector_size(H32_WIDTH * 2)));
typedef struct h32 {
    h32_part v[H32_PARTS];
} h32;

#define H32_EACH(expression)                                                                       \
    h32 r;                                                                                         \
    for (int i = 0; i < H32_PARTS; i++)                                                            \
        r.v[i] = (expression);                                                                     \
    return r

/* Sixteen from each of two rows. */
static inline h32 h32_load2(const int16_t *p, const int16_t *q)
{
    h32 r;
#if H32_PARTS == 1
    __m256i low, high;
    memcpy(&low, p, sizeof low);
    memcpy(&high, q, sizeof high);
    r.v[0] = (h32_part)_mm512_inserti64x4(_mm512_castsi256_si512(low), high, 1);
#else
    for (int i = 0; i < H32_PARTS / 2; i++) {
        memcpy(&r.v[i], p + i * H32_WIDTH, sizeof r.v[i]);
        memcpy(&r.v[i + H32_PARTS / 2], q + i * H32_WIDTH, sizeof r.v[i]);
    }
#endif
    return r;
}

static inline h32 h32_set(int x)
{
    H32_EACH((int16_t)x - (h32_part){0});
}

static inline h32 h32_add(h32 a, h32 b)
{
    H32_EACH(a.v[i] + b.v[i]);
}

static inline h32 h32_sub(h32 a, h32 b)
{
    H32_EACH(a.v[i] - b.v[i]);
}

static inline h32 h32_min(h32 a, h32 b)
{
#if defined(__AVX512BW__)
    H32_EACH((h32_part)_mm512_min_epi16((__m512i)a.v[i], (__m512i)b.v[i]));
#elif defined(__AVX2__)
    H32_EACH((h32_part)_mm256_min_epi16((__m256i)a.v[i], (__m256i)b.v[i]));
#elif defined(__SSE2__)
    H32_EACH((h32_part)_mm_min_epi16((__m128i)a.v[i], (__m128i)b.v[i]));
#else
    H32_EACH((a.v[i] & (a.v[i] < b.v[i])) | (b.v[i] & ~(a.v[i] < b.v[i])));
#endif
}

static inline h32 h32_max(h32 a, h32 b)
{
#if defined(__AVX512BW__)
    H32_EACH((h32_part)_mm512_max_epi16((__m512i)a.v[i], (__m512i)b.v[i]));
#elif defined(__AVX2__)
    H32_EACH((h32_part)_mm256_max_epi16((__m256i)a.v[i], (__m256i)b.v[i]));
#elif defined(__SSE2__)
    H32_EACH((h32_part)_mm_max_epi16((__m128i)a.v[i], (__m128i)b.v[i]));
#else
    H32_EACH((a.v[i] & (a.v[i] > b.v[i])) | (b.v[i] & ~(a.v[i] > b.v[i])));
#endif
}

static inline h32 h32_abs(h32 a)
{
    return h32_max(a, h32_sub(h32_set(0), a));
}

/* (a b + 2^14) / 2^15, rounded down: a times the fraction b. Not for -32768 twice. */
static inline h32 h32_part_of(h32 a, h32 b)
{
#if defined(__AVX512BW__)
    H32_EACH((h32_part)_mm512_mulhrs_epi16((__m512i)a.v[i], (__m512i)b.v[i]));
#elif defined(__AVX2__)
    H32_EACH((h32_part)_mm256_mulhrs_epi16((__m256i)a.v[i], (__m256i)b.v[i]));
#elif defined(__SSSE3__)
    H32_EACH((h32_part)_mm_mulhrs_epi16((__m128i)a.v[i], (__m128i)b.v[i]));
#else
    h32 r;
    for (int i = 0; i < H32_PARTS; i++)
        for (int k = 0; k < H32_WIDTH; k++)
            r.v[i][k] = (int16_t)(((int32_t)a.v[i][k] * b.v[i][k] + 0x4000) >> 15);
    return r;
#endif
}

static inline int32_t h32_sum(h32 a)
{
#if defined(__AVX512BW__)
    return _mm512_reduce_add_epi32(_mm512_madd_epi16((__m512i)a.v[0], _mm512_set1_epi16(1)));
#elif defined(__SSE2__)
#if defined(__AVX2__)
    const __m256i one = _mm256_set1_epi16(1);
    const __m256i pair = _mm256_add_epi32(_mm256_madd_epi16((__m256i)a.v[0], one),
                                          _mm256_madd_epi16((__m256i)a.v[1], one));
    __m128i s = _mm_add_epi32(_mm256_castsi256_si128(pair), _mm256_extracti128_si256(pair, 1));
#else
    const __m128i one = _mm_set1_epi16(1);
    __m128i s = _mm_setzero_si128();
    for (int i = 0; i < H32_PARTS; i++)
        s = _mm_add_epi32(s, _mm_madd_epi16((__m128i)a.v[i], one));
#endif
    s = _mm_add_epi32(s, _mm_shuffle_epi32(s, 0x4e));
    s = _mm_add_epi32(s, _mm_shuffle_epi32(s, 0xb1));
    return _mm_cvtsi128_si32(s);
#else
    int32_t sum = 0;
    for (int i = 0; i < H32_PARTS; i++)
        for (int k = 0; k < H32_WIDTH; k++)
            sum += a.v[i][k];
    return sum;
#endif
}

#undef F16_EACH
#undef F8_EACH
#undef H32_EACH
#endif
