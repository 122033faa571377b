/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

#if defined(__AVX2__)
#define WIDE 8
#else
#define WIDE 4
#endif

enum { ARM = 3, LOCAL = 4, SIDE = 2 * LOCAL + 1, FINE = 40 };

typedef float lanes __attribute__((vector_size(WIDE * 4)));
typedef int32_t whole __attribute__((vector_size(WIDE * 4)));
typedef int8_t bytes __attribute__((vector_size(WIDE)));

void NAME(rw_hair_ridge)(const float *p, ptrdiff_t stride, float dark, size_t n, float *out);
void NAME(rw_hair_mark)(uint32_t *restrict history, const float *restrict ridges, float bar,
                        size_t n);
void NAME(rw_hair_fine)(const float *logs, const float *columns, size_t n, int8_t *out);

static inline lanes load(const float *p)
{
    lanes v;
    memcpy(&v, p, sizeof v);
    return v;
}

static inline lanes pick(whole mask, lanes yes, lanes no)
{
    return (lanes)((mask & (whole)yes) | (~mask & (whole)no));
}

static inline lanes least(lanes a, lanes b)
{
    return pick(a < b, a, b);
}

static inline lanes most(lanes a, lanes b)
{
    return pick(a > b, a, b);
}

/* What a ridge is deeper than its sides a and b, if that is more than best. */
static inline lanes deeper(lanes best, const float *a, const float *b, lanes middle, lanes dark)
{
    lanes side = least(load(a), load(b));
    return most(pick(side > dark, side - middle, (lanes){0}), best);
}

static inline float deeper_one(float best, const float *a, const float *b, float middle, float dark)
{
    float side = *a < *b ? *a : *b, depth = side > dark ? side - middle : 0;
    return depth > best ? depth : best;
}

void NAME(rw_hair_ridge)(const float *p, ptrdiff_t stride, float dark, size_t n, float *out)
{
    const ptrdiff_t arms[4] = {ARM, ARM * stride, 2 * stride + 2, 2 * stride - 2};
    const lanes darks = dark - (lanes){0};
    size_t x = 0;
    for (; x + WIDE <= n; x += WIDE) {
        lanes best = {0}, middle = load(p + x);
        for (int d = 0; d < 4; d++)
            best = deeper(best, p + x - arms[d], p + x + arms[d], middle, darks);
        memcpy(out + x, &best, sizeof best);
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
    size_t x = 0;
    for (; x + WIDE <= n; x += WIDE) {
        lanes sum = {0};
        for (int k = 0; k < SIDE; k++)
            sum += load(columns + x + k);
        lanes fine = (load(logs + x) - sum / (float)(SIDE * SIDE)) * (float)FINE;
        fine = least(most(fine, (lanes){0} - 127), (lanes){0}) - 0.5f;
        bytes cut = __builtin_convertvector(__builtin_convertvector(fine, whole), bytes);
        memcpy(out + x, &cut, sizeof cut);
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
