/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>
#include <stdint.h>

#include "base/lanes.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

#define PHASE_BITS 11
#define PHASES     (1 << PHASE_BITS)

void NAME(rw_scale_across)(float *to, int width, const float *from, int limit, int64_t place,
                           int64_t step, const float *weights, int taps);
void NAME(rw_scale_down)(float *const planes[3], int width, const float *const *rows, int64_t place,
                         int64_t step, const float *weights, int taps);

/* A pixel's four floats; sixteen lanes hold four of them. */
typedef float pixel __attribute__((vector_size(16)));

static inline pixel pixel_load(const float *p)
{
    pixel r;
    memcpy(&r, p, sizeof r);
    return r;
}

static inline void pixel_store(float *p, pixel a)
{
    memcpy(p, &a, sizeof a);
}

/* w[0] four times, w[1] four times ... */
static inline f16 spread(pixel w)
{
    f16 r;
#if defined(__AVX512F__)
    const __m512i index = _mm512_set_epi32(3, 3, 3, 3, 2, 2, 2, 2, 1, 1, 1, 1, 0, 0, 0, 0);
    r.v[0] = (f16_part)_mm512_permutexvar_ps(index, _mm512_castps128_ps512((__m128)w));
#elif defined(__AVX2__)
    const __m256i low = _mm256_set_epi32(1, 1, 1, 1, 0, 0, 0, 0);
    const __m256i high = _mm256_set_epi32(3, 3, 3, 3, 2, 2, 2, 2);
    __m256 twice = _mm256_castps128_ps256((__m128)w);
    r.v[0] = (f16_part)_mm256_permutevar8x32_ps(twice, low);
    r.v[1] = (f16_part)_mm256_permutevar8x32_ps(twice, high);
#else
    for (int i = 0; i < 4; i++)
        r.v[i] = w[i] - (f16_part){0};
#endif
    return r;
}

/* Lanes of four pixels added up as (0 + 2) + (1 + 3). */
static inline pixel fold(f16 a)
{
#if defined(__AVX512F__)
    __m256 low = _mm512_castps512_ps256((__m512)a.v[0]);
    __m256 high = _mm512_extractf32x8_ps((__m512)a.v[0], 1);
    __m256 s = _mm256_add_ps(low, high);
    return (pixel)_mm_add_ps(_mm256_castps256_ps128(s), _mm256_extractf128_ps(s, 1));
#elif defined(__AVX2__)
    __m256 s = _mm256_add_ps((__m256)a.v[0], (__m256)a.v[1]);
    return (pixel)_mm_add_ps(_mm256_castps256_ps128(s), _mm256_extractf128_ps(s, 1));
#else
    return (a.v[0] + a.v[2]) + (a.v[1] + a.v[3]);
#endif
}

static inline int64_t round_to_phase(int64_t place)
{
    return (place + (INT64_C(1) << (31 - PHASE_BITS))) >> (32 - PHASE_BITS);
}

void NAME(rw_scale_across)(float *to, int width, const float *from, int limit, int64_t place,
                           int64_t step, const float *weights, int taps)
{
    for (int i = 0; i < ((width + 3) & ~3); i++, place += step) {
        int64_t q = round_to_phase(place);
        int64_t first = (q >> PHASE_BITS) - taps / 2 + 1;
        first = first < 0 ? 0 : first > limit ? limit : first;
        const float *p = from + 4 * first;
        const float *w = weights + (q & (PHASES - 1)) * taps;
        f16 sum = f16_mul(f16_load(p), spread(pixel_load(w)));
        for (int k = 4; k < taps; k += 4)
            sum = f16_muladd(sum, f16_load(p + 4 * k), spread(pixel_load(w + k)));
        pixel_store(to + 4 * i, fold(sum));
    }
}

static inline void store_planes(float *const planes[3], int x, f16 four)
{
#if defined(__SSE2__)
    float lane[16];
    f16_store(lane, four);
    __m128 a = _mm_loadu_ps(lane), b = _mm_loadu_ps(lane + 4);
    __m128 c = _mm_loadu_ps(lane + 8), d = _mm_loadu_ps(lane + 12);
    _MM_TRANSPOSE4_PS(a, b, c, d);
    _mm_storeu_ps(planes[0] + x, a);
    _mm_storeu_ps(planes[1] + x, b);
    _mm_storeu_ps(planes[2] + x, c);
#else
    float lane[16];
    f16_store(lane, four);
    for (int p = 0; p < 3; p++)
        for (int i = 0; i < 4; i++)
            planes[p][x + i] = lane[4 * i + p];
#endif
}

/* All columns lie at one place between the rows. */
static void down_straight(float *const planes[3], int width, const float *const *rows,
                          const float *w, int taps)
{
    for (int x = 0; x < width; x += 4) {
        f16 sum = f16_mul(f16_load(rows[0] + 4 * x), f16_set(w[0]));
        for (int k = 1; k < taps; k++)
            sum = f16_muladd(sum, f16_load(rows[k] + 4 * x), f16_set(w[k]));
        store_planes(planes, x, sum);
    }
}

/* Weight k of four columns, each spread over its pixel: out[k] for k = 0..3. */
static inline void spread_four(const float *const w[4], int k, f16 out[4])
{
#if defined(__SSE2__)
    __m128 a = _mm_loadu_ps(w[0] + k), b = _mm_loadu_ps(w[1] + k);
    __m128 c = _mm_loadu_ps(w[2] + k), d = _mm_loadu_ps(w[3] + k);
    _MM_TRANSPOSE4_PS(a, b, c, d);
    out[0] = spread((pixel)a);
    out[1] = spread((pixel)b);
    out[2] = spread((pixel)c);
    out[3] = spread((pixel)d);
#else
    for (int i = 0; i < 4; i++)
        out[i] = spread((pixel){w[0][k + i], w[1][k + i], w[2][k + i], w[3][k + i]});
#endif
}

/* Four neighbouring columns whose taps begin on one row. */
static inline f16 down_four(const float *const *rows, int x, const float *const w[4], int taps)
{
    f16 sum, weight[4];
    spread_four(w, 0, weight);
    sum = f16_mul(f16_load(rows[0] + 4 * x), weight[0]);
    for (int k = 1; k < 4; k++)
        sum = f16_muladd(sum, f16_load(rows[k] + 4 * x), weight[k]);
    for (int k = 4; k < taps; k += 4) {
        spread_four(w, k, weight);
        for (int i = 0; i < 4; i++)
            sum = f16_muladd(sum, f16_load(rows[k + i] + 4 * x), weight[i]);
    }
    return sum;
}

/* The same sums where a column's taps begin on another row than its neighbour's. */
static f16 down_one_by_one(const float *const *rows, const int64_t first[4], int x,
                           const float *const w[4], int taps)
{
    float lane[16];
    for (int i = 0; i < 4; i++) {
        const float *const *r = rows + first[i];
        pixel sum = pixel_load(r[0] + 4 * (x + i)) * (w[i][0] - (pixel){0});
        for (int k = 1; k < taps; k++)
            sum = sum + pixel_load(r[k] + 4 * (x + i)) * (w[i][k] - (pixel){0});
        pixel_store(lane + 4 * i, sum);
    }
    return f16_load(lane);
}

void NAME(rw_scale_down)(float *const planes[3], int width, const float *const *rows, int64_t place,
                         int64_t step, const float *weights, int taps)
{
    if (step == 0) {
        int64_t q = round_to_phase(place);
        down_straight(planes, width, rows + (q >> PHASE_BITS) - taps / 2 + 1,
                      weights + (q & (PHASES - 1)) * taps, taps);
        return;
    }
    for (int x = 0; x < width; x += 4) {
        int64_t first[4];
        const float *w[4];
        for (int i = 0; i < 4; i++, place += step) {
            /* columns past the width only fill up the four: they take the last one's place */
            int64_t q = round_to_phase(x + i < width ? place : place - step * (x + i - width + 1));
            first[i] = (q >> PHASE_BITS) - taps / 2 + 1;
            w[i] = weights + (q & (PHASES - 1)) * taps;
        }
        f16 four = first[0] == first[3] && first[0] == first[1] && first[0] == first[2]
                       ? down_four(rows + first[0], x, w, taps)
                       : down_one_by_one(rows, first, x, w, taps);
        store_planes(planes, x, four);
    }
}
