/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/lanes_math.h"
#include "colour/grade_kernel.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

void NAME(rw_grade_before)(const rw_grade *g, float *const to[3], const float *const from[3],
                           int width);
void NAME(rw_grade_after)(const rw_grade *g, float *const to[3], const float *const from[3],
                          int width);

typedef struct triple {
    f16 c[3];
} triple;

/* m[0] r + m[1] g + m[2] b + m[3] */
static inline f16 dot(const float m[4], f16 r, f16 g, f16 b)
{
    f16 sum = f16_muladd(f16_set(m[3]), f16_set(m[0]), r);
    sum = f16_muladd(sum, f16_set(m[1]), g);
    return f16_muladd(sum, f16_set(m[2]), b);
}

static inline triple mix_light(const rw_grade *g, triple v)
{
    triple out;
    for (int c = 0; c < 3; c++)
        out.c[c] = dot(g->light[c], v.c[0], v.c[1], v.c[2]);
    return out;
}

/* Light to density in stops, mixed. */
static inline triple mix_density(const rw_grade *g, triple v)
{
    triple e, low, out;
    for (int c = 0; c < 3; c++) {
        e.c[c] = f16_sub(f16_set(0.0f), f16_log2(f16_max(v.c[c], f16_set(0x1p-40f))));
        low.c[c] = f16_min(e.c[c], f16_set(RW_GRADE_DEEPEST));
    }
    for (int c = 0; c < 3; c++) {
        triple in = low;
        in.c[c] = e.c[c];
        out.c[c] = dot(g->density[c], in.c[0], in.c[1], in.c[2]);
    }
    return out;
}

/* Above the knee as it is; below, an exponential that meets it with the same slope and ends at 0.
 */
static inline f16 bend(f16 e, float knee)
{
    f16 k = f16_set(knee);
    f16 bent = f16_mul(k, f16_exp2(f16_mul(f16_sub(e, k), f16_set(1.0f / (knee * 0.693147181f)))));
    return f16_pick_less(e, k, bent, e);
}

static inline f16 unit(f16 x)
{
    return f16_min(f16_max(x, f16_set(0.0f)), f16_set(1.0f));
}

static inline triple saturate(triple v, float amount)
{
    f16 luma = f16_mul(v.c[0], f16_set(0.2126f)), a = f16_set(amount);
    luma = f16_muladd(luma, v.c[1], f16_set(0.7152f));
    luma = f16_muladd(luma, v.c[2], f16_set(0.0722f));
    for (int c = 0; c < 3; c++)
        v.c[c] = f16_muladd(luma, a, f16_sub(v.c[c], luma));
    return v;
}

static inline triple decide(const rw_grade *g, triple v)
{
    for (int c = 0; c < 3; c++) {
        v.c[c] = unit(f16_muladd(f16_set(g->offset[c]), v.c[c], f16_set(g->slope[c])));
        if (g->power[c] != 1.0f)
            v.c[c] = f16_pow(v.c[c], g->power[c]);
    }
    if (g->cdl_saturation != 1.0f)
        v = saturate(v, g->cdl_saturation);
    for (int c = 0; c < 3; c++)
        v.c[c] = unit(v.c[c]);
    return v;
}

static inline triple grade_coded(const rw_grade *g, triple v)
{
    if (g->levels[0] != 1.0f || g->levels[1] != 0.0f)
        for (int c = 0; c < 3; c++)
            v.c[c] = f16_muladd(f16_set(g->levels[1]), v.c[c], f16_set(g->levels[0]));
    if (g->saturation != 1.0f)
        v = saturate(v, g->saturation);
    if (g->steps & RW_GRADE_CDL)
        v = decide(g, v);
    return v;
}

static inline f16 to_light(f16 v)
{
    return f16_pow(f16_max(v, f16_set(0.0f)), 2.4f);
}

void NAME(rw_grade_before)(const rw_grade *g, float *const to[3], const float *const from[3],
                           int width)
{
    for (int x = 0; x < width; x += 16) {
        triple v;
        for (int c = 0; c < 3; c++)
            v.c[c] = f16_load(from[c] + x);
        if (g->steps & RW_GRADE_LIGHT)
            v = mix_light(g, v);
        if (g->steps & RW_GRADE_DENSITY) {
            v = mix_density(g, v);
            for (int c = 0; c < 3; c++) {
                if (g->steps & RW_GRADE_SHOULDER)
                    v.c[c] = bend(v.c[c], g->shoulder);
                /* straight to coded when that is wanted: one power less */
                float share = g->steps & RW_GRADE_CODED ? -1.0f / 2.4f : -1.0f;
                v.c[c] = f16_exp2(f16_mul(v.c[c], f16_set(share)));
            }
        } else if (g->steps & RW_GRADE_CODED) {
            for (int c = 0; c < 3; c++)
                v.c[c] = f16_pow(f16_max(v.c[c], f16_set(0.0f)), 1.0f / 2.4f);
        }
        if (g->steps & RW_GRADE_CODED) {
            v = grade_coded(g, v);
            if (!(g->steps & RW_GRADE_LUT))
                for (int c = 0; c < 3; c++)
                    v.c[c] = to_light(v.c[c]);
        }
        for (int c = 0; c < 3; c++)
            f16_store(to[c] + x, v.c[c]);
    }
}

void NAME(rw_grade_after)(const rw_grade *g, float *const to[3], const float *const from[3],
                          int width)
{
    (void)g;
    for (int x = 0; x < width; x += 16)
        for (int c = 0; c < 3; c++)
            f16_store(to[c] + x, to_light(f16_load(from[c] + x)));
}
