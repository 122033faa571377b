/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * lanes_math.h - log2, exp2 and power of sixteen floats, the same bits on every CPU level.
 *
 * Only IEEE additions, multiplications and integer moves in a fixed order, so no library's libm has
 * a say. tests/kernel/lanes_math.c holds the errors stated here.
 */
#ifndef RW_BASE_LANES_MATH_H
#define RW_BASE_LANES_MATH_H

#include "base/lanes.h"

/* Polynomial c[0] + c[1] x + ... by Horner's rule. */
static inline f16 f16_poly(f16 x, const float *c, int terms)
{
    f16 r = f16_set(c[terms - 1]);
    for (int i = terms - 2; i >= 0; i--)
        r = f16_muladd(f16_set(c[i]), r, x);
    return r;
}

/* log2 of normal positive x; smaller ones count as 2^-126. Absolute error < 5e-7 for x in
 * [2^-24, 2]. With x = 2^e m, m in [sqrt(1/2), sqrt(2)), t = (m - 1) / (m + 1):
 * log2 m = 2 / ln 2 (t + t^3 / 3 + t^5 / 5 + ...); |t| < 0.1716, so five terms are enough. */
static inline f16 f16_log2(f16 x)
{
    static const float series[] = {2.88539008f, 0.961796694f, 0.577078016f, 0.412198583f,
                                   0.320598898f};
    f16 e, m;
    for (int i = 0; i < F16_PARTS; i++) {
        f16_part tiny = (float)0x1p-126 - (f16_part){0};
        f16_mask_part bits = (f16_mask_part)f16_part_max(x.v[i], tiny);
        f16_mask_part from_root = bits - 0x3f3504f3; /* sqrt(1/2) */
        f16_mask_part exponent = from_root >> 23;
        e.v[i] = __builtin_convertvector(exponent, f16_part);
        m.v[i] = (f16_part)(bits - (exponent << 23));
    }
    f16 one = f16_set(1.0f);
    f16 t = f16_div(f16_sub(m, one), f16_add(m, one));
    return f16_muladd(e, t, f16_poly(f16_mul(t, t), series, 5));
}

/* 2^x for x in [-126, 127], clamped to that. Relative error < 3e-7: Taylor of 2^f on f in
 * [-1/2, 1/2], the exponent added to the bits. */
static inline f16 f16_exp2(f16 x)
{
    static const float series[] = {1.0f,           0.693147181f,   0.240226507f,   0.0555041087f,
                                   9.61812911e-3f, 1.33335581e-3f, 1.54035304e-4f, 1.52527338e-5f};
    x = f16_min(f16_max(x, f16_set(-126.0f)), f16_set(127.0f));
    f16 whole;
    f16_mask_part shift[F16_PARTS];
    for (int i = 0; i < F16_PARTS; i++) {
        /* 1.5 * 2^23: adding it rounds to the nearest whole number */
        f16_part magic = 12582912.0f - (f16_part){0};
        f16_part rounded = (x.v[i] + magic) - magic;
        whole.v[i] = rounded;
        shift[i] = __builtin_convertvector(rounded, f16_mask_part) << 23;
    }
    f16 r = f16_poly(f16_sub(x, whole), series, 8);
    for (int i = 0; i < F16_PARTS; i++)
        r.v[i] = (f16_part)((f16_mask_part)r.v[i] + shift[i]);
    return r;
}

/* x^p for x >= 0 and p > 0; 0 gives about 0. */
static inline f16 f16_pow(f16 x, float p)
{
    return f16_exp2(f16_mul(f16_log2(x), f16_set(p)));
}

#endif
