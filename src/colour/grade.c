/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "colour/grade_dsp.h"

#define DECLARE(isa) rw_grade_row_fn rw_grade_before_##isa, rw_grade_after_##isa;
#define USE(isa)                                                                                   \
    *dsp = (rw_grade_dsp)                                                                          \
    {                                                                                              \
        rw_grade_before_##isa, rw_grade_after_##isa                                                \
    }

RW_CPU_DECLARE(DECLARE)

void rw_grade_dsp_init(rw_grade_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}

void rw_grade_init(rw_grade *grade)
{
    *grade = (rw_grade){.levels = {1, 0}, .saturation = 1};
    for (int c = 0; c < 3; c++)
        grade->light[c][c] = grade->density[c][c] = 1;
    rw_cdl none = rw_cdl_identity();
    rw_grade_set_cdl(grade, &none);
}

void rw_grade_set_cdl(rw_grade *grade, const rw_cdl *cdl)
{
    for (int c = 0; c < 3; c++) {
        grade->slope[c] = (float)cdl->slope[c];
        grade->offset[c] = (float)cdl->offset[c];
        grade->power[c] = (float)cdl->power[c];
    }
    grade->cdl_saturation = (float)cdl->saturation;
    grade->steps &= ~RW_GRADE_CDL;
    if (!rw_cdl_is_identity(cdl))
        grade->steps |= RW_GRADE_CDL | RW_GRADE_CODED;
}

void rw_grade_row(const rw_grade *grade, float *const to[3], const float *const from[3], int width)
{
    rw_grade_dsp dsp;
    rw_grade_dsp_init(&dsp, rw_cpu_level());
    dsp.before(grade, to, from, width);
    if (!(grade->steps & RW_GRADE_LUT))
        return;
    rw_lut_apply(grade->lut, to[0], to[1], to[2], (size_t)width);
    dsp.after(grade, to, (const float *const *)to, width);
}

/* ---- the plain formulas ---- */

static void light_and_density(const rw_grade *g, double v[3])
{
    double in[3] = {v[0], v[1], v[2]};
    if (g->steps & RW_GRADE_LIGHT)
        for (int c = 0; c < 3; c++) {
            const float *m = g->light[c];
            v[c] =
                (double)m[0] * in[0] + (double)m[1] * in[1] + (double)m[2] * in[2] + (double)m[3];
        }
    if (!(g->steps & RW_GRADE_DENSITY))
        return;
    double e[3], low[3];
    for (int c = 0; c < 3; c++) {
        e[c] = -log2(fmax(v[c], 0x1p-40));
        low[c] = fmin(e[c], (double)RW_GRADE_DEEPEST);
    }
    for (int c = 0; c < 3; c++) {
        double sum = (double)g->density[c][3];
        for (int k = 0; k < 3; k++)
            sum += (double)g->density[c][k] * (k == c ? e[k] : low[k]);
        double knee = (double)g->shoulder;
        if ((g->steps & RW_GRADE_SHOULDER) && sum < knee)
            sum = knee * exp2((sum - knee) / (knee * log(2)));
        v[c] = exp2(-sum);
    }
}

static double clamp01(double v)
{
    return v > 0 ? (v < 1 ? v : 1) : 0;
}

static void saturate(double v[3], double amount)
{
    double luma = 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2];
    for (int c = 0; c < 3; c++)
        v[c] = luma + amount * (v[c] - luma);
}

void rw_grade_reference(const rw_grade *g, const double from[3], double to[3])
{
    double v[3] = {from[0], from[1], from[2]};
    light_and_density(g, v);
    if (g->steps & RW_GRADE_CODED) {
        for (int c = 0; c < 3; c++)
            v[c] = pow(fmax(v[c], 0), 1 / 2.4) * (double)g->levels[0] + (double)g->levels[1];
        saturate(v, (double)g->saturation);
        if (g->steps & RW_GRADE_CDL) {
            for (int c = 0; c < 3; c++)
                v[c] = pow(clamp01(v[c] * (double)g->slope[c] + (double)g->offset[c]),
                           (double)g->power[c]);
            saturate(v, (double)g->cdl_saturation);
            for (int c = 0; c < 3; c++)
                v[c] = clamp01(v[c]);
        }
        if (g->steps & RW_GRADE_LUT) {
            float f[3] = {(float)v[0], (float)v[1], (float)v[2]};
            rw_lut_apply(g->lut, &f[0], &f[1], &f[2], 1);
            for (int c = 0; c < 3; c++)
                v[c] = (double)f[c];
        }
        for (int c = 0; c < 3; c++)
            v[c] = pow(fmax(v[c], 0), 2.4);
    }
    for (int c = 0; c < 3; c++)
        to[c] = v[c];
}
