/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/lanes_math.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

void NAME(rw_density_from_light)(float *to, const float *from, int width);
void NAME(rw_light_from_density)(float *to, const float *from, int width);
void NAME(rw_coded_from_light)(float *to, const float *from, int width);
void NAME(rw_light_from_coded)(float *to, const float *from, int width);

#define LOG10_2 0.301029996f
#define LOG2_10 3.32192809f
/* curve.c has the same numbers. */
#define ALPHA 1.09929683f
#define BETA  0.0180539685f

void NAME(rw_density_from_light)(float *to, const float *from, int width)
{
    for (int x = 0; x < width; x += 16) {
        f16 l = f16_max(f16_load(from + x), f16_set(1e-5f));
        f16_store(to + x, f16_mul(f16_log2(l), f16_set(-LOG10_2)));
    }
}

void NAME(rw_light_from_density)(float *to, const float *from, int width)
{
    for (int x = 0; x < width; x += 16)
        f16_store(to + x, f16_exp2(f16_mul(f16_load(from + x), f16_set(-LOG2_10))));
}

static inline f16 unit(f16 x)
{
    /* in this order a sample that is no number becomes 0 */
    return f16_min(f16_max(x, f16_set(0.0f)), f16_set(1.0f));
}

void NAME(rw_coded_from_light)(float *to, const float *from, int width)
{
    for (int x = 0; x < width; x += 16) {
        f16 l = unit(f16_load(from + x));
        f16 curve = f16_sub(f16_mul(f16_pow(l, 0.45f), f16_set(ALPHA)), f16_set(ALPHA - 1.0f));
        f16 coded = f16_pick_less(l, f16_set(BETA), f16_mul(l, f16_set(4.5f)), curve);
        f16_store(to + x, f16_min(coded, f16_set(1.0f)));
    }
}

void NAME(rw_light_from_coded)(float *to, const float *from, int width)
{
    for (int x = 0; x < width; x += 16) {
        f16 v = unit(f16_load(from + x));
        f16 root = f16_mul(f16_add(v, f16_set(ALPHA - 1.0f)), f16_set(1.0f / ALPHA));
        f16 light = f16_pick_less(v, f16_set(4.5f * BETA), f16_mul(v, f16_set(1.0f / 4.5f)),
                                  f16_pow(root, 1.0f / 0.45f));
        f16_store(to + x, f16_min(light, f16_set(1.0f)));
    }
}
