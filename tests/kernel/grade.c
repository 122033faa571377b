/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * grade_tmpl.c at every CPU level: the same bits everywhere, and close to the plain formulas in
 * double. --bench prints times.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "colour/grade_dsp.h"

#define WIDTH 333

static const rw_cpu levels[] = {RW_CPU_C, RW_CPU_SSE4, RW_CPU_AVX2, RW_CPU_AVX512};

static float between(GRand *r, double low, double high)
{
    return (float)g_rand_double_range(r, low, high);
}

static void random_grade(rw_grade *g, GRand *r, int steps)
{
    rw_grade_init(g);
    g->steps = steps;
    g->shoulder = between(r, 0.05, 0.5);
    g->levels[0] = between(r, 0.8, 1.3);
    g->levels[1] = between(r, -0.1, 0.1);
    g->saturation = between(r, 0, 1.5);
    g->cdl_saturation = between(r, 0, 1.5);
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++) {
            g->light[i][j] = between(r, i == j ? 0.7 : -0.1, i == j ? 1.2 : 0.1);
            g->density[i][j] = between(r, i == j ? 0.8 : -0.2, i == j ? 1.8 : 0.2);
        }
        g->light[i][3] = between(r, -0.002, 0.002);
        g->density[i][3] = between(r, -1, 1);
        g->slope[i] = between(r, 0.6, 1.4);
        g->offset[i] = between(r, -0.1, 0.1);
        g->power[i] = between(r, 0.5, 2);
    }
}

static void fill(GRand *r, float rows[3][WIDTH + 16])
{
    for (int c = 0; c < 3; c++)
        for (int x = 0; x < WIDTH + 16; x++)
            rows[c][x] = x % 11 == 0 ? 0 : powf(between(r, 0, 1.1), 3);
    rows[0][5] = rows[1][5] = rows[2][5] = 1;
    rows[1][6] = -0.01f; /* the resample rings */
}

static void test_levels_agree(void)
{
    GRand *r = g_rand_new_with_seed(3);
    for (int steps = 0; steps < 32; steps++) {
        rw_grade g;
        random_grade(&g, r, steps);
        static float in[3][WIDTH + 16], first[3][WIDTH + 16], out[3][WIDTH + 16];
        fill(r, in);
        const float *from[3] = {in[0], in[1], in[2]};
        for (size_t l = 0; l < G_N_ELEMENTS(levels) && levels[l] <= rw_cpu_level(); l++) {
            rw_grade_dsp dsp;
            rw_grade_dsp_init(&dsp, levels[l]);
            float *to[3] = {out[0], out[1], out[2]};
            dsp.before(&g, to, from, WIDTH);
            if (l == 0)
                memcpy(first, out, sizeof first);
            for (int c = 0; c < 3; c++)
                g_assert_cmpint(memcmp(first[c], out[c], WIDTH * sizeof(float)), ==, 0);
            dsp.after(&g, to, (const float *const *)to, WIDTH);
        }
    }
    g_rand_free(r);
}

static void test_formulas(void)
{
    GRand *r = g_rand_new_with_seed(4);
    for (int steps = 0; steps < 32; steps++) {
        if ((steps & RW_GRADE_CDL) && !(steps & RW_GRADE_CODED))
            continue;
        rw_grade g;
        random_grade(&g, r, steps);
        static float in[3][WIDTH + 16], out[3][WIDTH + 16];
        fill(r, in);
        const float *from[3] = {in[0], in[1], in[2]};
        float *to[3] = {out[0], out[1], out[2]};
        rw_grade_row(&g, to, from, WIDTH);
        for (int x = 0; x < WIDTH; x++) {
            double v[3] = {(double)in[0][x], (double)in[1][x], (double)in[2][x]}, want[3];
            rw_grade_reference(&g, v, want);
            for (int c = 0; c < 3; c++) {
                /* as a display is sent it: near black the curve is steep, and there 1e-3 of the
                 * range is a quarter of an 8-bit step */
                double a = pow(fmax((double)out[c][x], 0), 1 / 2.4);
                double b = pow(fmax(want[c], 0), 1 / 2.4);
                if (!(fabs(a - b) < (b < 0.05 ? 1e-3 : 2e-5)))
                    g_error("steps %d, pixel %d, channel %d: %.7g, should be %.7g", steps, x, c,
                            (double)out[c][x], want[c]);
            }
        }
    }
    g_rand_free(r);
}

/* With a table the rest of the way goes through it. */
static void test_table(void)
{
    GRand *r = g_rand_new_with_seed(5);
    enum { SIZE = 9 };
    float *values = g_new(float, 3 * SIZE * SIZE * SIZE);
    for (int i = 0; i < 3 * SIZE * SIZE * SIZE; i++)
        values[i] = between(r, 0, 1);
    rw_lut *lut = rw_lut_new(3, SIZE, values);
    rw_grade g;
    random_grade(&g, r, RW_GRADE_DENSITY | RW_GRADE_CODED | RW_GRADE_LUT);
    g.lut = lut;
    static float in[3][WIDTH + 16], out[3][WIDTH + 16];
    fill(r, in);
    const float *from[3] = {in[0], in[1], in[2]};
    float *to[3] = {out[0], out[1], out[2]};
    rw_grade_row(&g, to, from, WIDTH);
    for (int x = 0; x < WIDTH; x++) {
        double v[3] = {(double)in[0][x], (double)in[1][x], (double)in[2][x]}, want[3];
        rw_grade_reference(&g, v, want);
        for (int c = 0; c < 3; c++)
            g_assert_cmpfloat_with_epsilon((double)out[c][x], want[c], 2e-4);
    }
    rw_lut_free(&lut);
    g_free(values);
    g_rand_free(r);
}

static void bench(void)
{
    GRand *r = g_rand_new_with_seed(6);
    static float in[3][WIDTH + 16], out[3][WIDTH + 16];
    fill(r, in);
    const float *from[3] = {in[0], in[1], in[2]};
    float *to[3] = {out[0], out[1], out[2]};
    static const int kinds[] = {RW_GRADE_LIGHT, RW_GRADE_LIGHT | RW_GRADE_DENSITY,
                                RW_GRADE_LIGHT | RW_GRADE_DENSITY | RW_GRADE_SHOULDER |
                                    RW_GRADE_CODED | RW_GRADE_CDL};
    for (size_t k = 0; k < G_N_ELEMENTS(kinds); k++) {
        rw_grade g;
        random_grade(&g, r, kinds[k]);
        for (size_t l = 0; l < G_N_ELEMENTS(levels) && levels[l] <= rw_cpu_level(); l++) {
            rw_grade_dsp dsp;
            rw_grade_dsp_init(&dsp, levels[l]);
            gint64 start = g_get_monotonic_time();
            for (int i = 0; i < 3000; i++)
                dsp.before(&g, to, from, WIDTH);
            double ns = (double)(g_get_monotonic_time() - start) * 1e3 / (3000.0 * WIDTH);
            printf("# steps %2d level %d: %.2f ns a pixel\n", kinds[k], (int)levels[l], ns);
        }
    }
    g_rand_free(r);
}

int main(int argc, char **argv)
{
    if (argc > 1 && g_str_equal(argv[1], "--bench")) {
        bench();
        return 0;
    }
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/grade/levels", test_levels_agree);
    g_test_add_func("/grade/formulas", test_formulas);
    g_test_add_func("/grade/table", test_table);
    return g_test_run();
}
