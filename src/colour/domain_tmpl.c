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
/* ITU-R BT.1886 with black at zero; curve.c has the same number. */
#define DISPLAY_GAMMA 2.4f

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
        f16_store(to + x, f16_min(f16_pow(l, 1.0f / DISPLAY_GAMMA), f16_set(1.0f)));
    }
}

void NAME(rw_light_from_coded)(float *to, const float *from, int width)
{
    for (int x = 0; x < width; x += 16) {
        f16 v = unit(f16_load(from + x));
        f16_store(to + x, f16_min(f16_pow(v, DISPLAY_GAMMA), f16_set(1.0f)));
    }
}
