/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * fmath.h - elementary functions that give the same bits on every machine.
 *
 * The C library may pick a fused-multiply-add version of sin or pow by the processor it finds, and
 * then the last bit differs. Ground truth must not, so the demo uses only + - * / sqrt and the
 * polynomials below. They are written without branches so that loops over them vectorise.
 */
#ifndef RW_DEMO_FMATH_H
#define RW_DEMO_FMATH_H

#include <stdint.h>
#include <string.h>

#define DEMO_LOG2_10 3.32192809488736234787
#define DEMO_PI      3.14159265358979323846

static inline uint32_t demo_bits(float x)
{
    uint32_t b;
    memcpy(&b, &x, sizeof b);
    return b;
}

static inline float demo_from_bits(uint32_t b)
{
    float x;
    memcpy(&x, &b, sizeof x);
    return x;
}

static inline float demo_clampf(float x, float lo, float hi)
{
    x = x < lo ? lo : x;
    return x > hi ? hi : x;
}

static inline double demo_clamp(double x, double lo, double hi)
{
    x = x < lo ? lo : x;
    return x > hi ? hi : x;
}

/* 0 below a, 1 above b, smooth between. */
static inline float demo_smooth(float a, float b, float x)
{
    float t = demo_clampf((x - a) / (b - a), 0.0f, 1.0f);
    return t * t * (3.0f - 2.0f * t);
}

static inline float demo_mix(float a, float b, float t)
{
    return a + (b - a) * t;
}

/* 2^x, relative error below 3e-7, for |x| < 120. Taylor series of exp(r ln 2), |r| <= 1/2. */
static inline float demo_exp2f(float x)
{
    x = demo_clampf(x, -120.0f, 120.0f);
    float t = x + 12582912.0f; /* 1.5 * 2^23: rounds to a whole number */
    float r = x - (t - 12582912.0f);
    float p = 1.540353e-4f;
    p = p * r + 1.3333558e-3f;
    p = p * r + 9.6181291e-3f;
    p = p * r + 5.5504109e-2f;
    p = p * r + 2.4022651e-1f;
    p = p * r + 6.9314718e-1f;
    p = p * r + 1.0f;
    return demo_from_bits(demo_bits(p) + ((demo_bits(t) - 0x4B400000u) << 23));
}

/* log2 x for normal x > 0, absolute error below 1e-6: atanh series in (m - 1) / (m + 1), m within
 * 1/sqrt 2 .. sqrt 2. */
static inline float demo_log2f(float x)
{
    uint32_t b = demo_bits(x) - 0x3F3504F3u;
    int32_t e = (int32_t)b >> 23;
    float m = demo_from_bits((b & 0x007FFFFFu) + 0x3F3504F3u);
    float s = (m - 1.0f) / (m + 1.0f), q = s * s;
    float p = 0.32059890f;
    p = p * q + 0.41219858f;
    p = p * q + 0.57707802f;
    p = p * q + 0.96179669f;
    p = p * q + 2.88539008f;
    return (float)e + s * p;
}

/* For x >= 0. */
static inline float demo_powf(float x, float y)
{
    return x <= 1e-30f ? 0.0f : demo_exp2f(y * demo_log2f(x));
}

/* sin of `turns` whole turns, |turns| < 1e6, error below 1e-12 before the cancelling of turns. */
static inline double demo_sin(double turns)
{
    double t = turns - ((turns + 6755399441055744.0) - 6755399441055744.0); /* -1/2 .. 1/2 */
    double sign = t < 0 ? -1.0 : 1.0;
    t = t < 0 ? -t : t;
    t = t > 0.25 ? 0.5 - t : t;
    double x = t * (2 * DEMO_PI), q = x * x;
    double p = -7.6471637318198164759e-13;
    p = p * q + 1.6059043836821614599e-10;
    p = p * q - 2.5052108385441718775e-8;
    p = p * q + 2.7557319223985890653e-6;
    p = p * q - 1.9841269841269841253e-4;
    p = p * q + 8.3333333333333332177e-3;
    p = p * q - 1.6666666666666665741e-1;
    p = p * q + 1.0;
    return sign * x * p;
}

static inline double demo_cos(double turns)
{
    return demo_sin(turns + 0.25);
}

static inline float demo_sinf(float turns)
{
    float t = turns - ((turns + 12582912.0f) - 12582912.0f);
    float sign = t < 0 ? -1.0f : 1.0f;
    t = t < 0 ? -t : t;
    t = t > 0.25f ? 0.5f - t : t;
    float x = t * (float)(2 * DEMO_PI), q = x * x;
    float p = 2.7525562e-6f;
    p = p * q - 1.9840874e-4f;
    p = p * q + 8.3333310e-3f;
    p = p * q - 1.6666667e-1f;
    p = p * q + 1.0f;
    return sign * x * p;
}

/* Linear light 0..1 to sRGB code 0..1 and back (IEC 61966-2-1). */
static inline float demo_srgb_encode(float l)
{
    return l <= 0.0031308f ? 12.92f * l : 1.055f * demo_powf(l, 1.0f / 2.4f) - 0.055f;
}

static inline float demo_srgb_decode(float v)
{
    return v <= 0.04045f ? v / 12.92f : demo_powf((v + 0.055f) / 1.055f, 2.4f);
}

#endif
