/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The demo's inner loops: every CPU level that this machine has gives the bits of the plain C one,
 * on random input, at all lengths, and writes nothing beside its output. --bench prints times.
 */
#include <math.h>
#include <string.h>

#include <glib.h>

#include "base/cpu.h"
#include "demo/row.h"

#define MOST  203
#define GUARD 64
#define SIDE  37

static float *noise(GRand *rand, size_t n, double lo, double hi)
{
    float *p = g_new(float, n);
    for (size_t i = 0; i < n; i++)
        p[i] = (float)g_rand_double_range(rand, lo, hi);
    return p;
}

typedef struct output {
    float px[4 * MOST + 2 * GUARD];
} output;

static float *fresh(output *o)
{
    for (size_t i = 0; i < G_N_ELEMENTS(o->px); i++)
        o->px[i] = -77.25f;
    return o->px + GUARD;
}

static void same(const output *a, const output *b, const char *what, int level, int n, int seed)
{
    if (memcmp(a, b, sizeof *a) != 0)
        g_error("%s differs: level %s, %d pixels, seed %d", what, rw_cpu_name((rw_cpu)level), n,
                seed);
}

static void check_level(const rw_demo_rows *plain, const rw_demo_rows *rows, int level, int n,
                        int seed)
{
    static output a, b;
    GRand *rand = g_rand_new_with_seed((guint32)seed);
    g_autofree float *picture = noise(rand, 4 * SIDE * SIDE, -1, 9);
    g_autofree float *in = noise(rand, 4 * (MOST + 40), -0.2, 1.3);
    g_autofree float *grain = noise(rand, 4 * MOST, -4, 4);
    rw_demo_raster raster = {picture, SIDE, SIDE};
    /* walks that leave the raster on every side */
    rw_demo_walk walk = {
        g_rand_double_range(rand, -5, SIDE + 5), g_rand_double_range(rand, -5, SIDE + 5),
        g_rand_double_range(rand, -0.4, 0.4), g_rand_double_range(rand, -0.4, 0.4)};
    plain->spline(&raster, &walk, n, fresh(&a));
    rows->spline(&raster, &walk, n, fresh(&b));
    same(&a, &b, "spline", level, n, seed);

    rw_demo_developer d = {.grain_k = {0.1f, 0.2f, 0.3f},
                           .grain_floor = 0.5f,
                           .grain_toe = 0.1f,
                           .base = 0.5f,
                           .fades = seed & 1,
                           .offset = {0.5f, 0.6f, 0.7f}};
    for (int i = 0; i < 9; i++)
        d.matrix[i / 3][i % 3] = (float)g_rand_double_range(rand, -0.3, 1);
    const float *with = seed & 2 ? grain : NULL;
    plain->develop(&d, picture, with, n, fresh(&a));
    rows->develop(&d, picture, with, n, fresh(&b));
    same(&a, &b, "develop", level, n, seed);

    rw_demo_window w = {20, 15, (float)g_rand_double_range(rand, 0, 14), 1.5f};
    plain->window(&w, -50, walk.y - 20, 0.7, 0.1, n, fresh(&a));
    rows->window(&w, -50, walk.y - 20, 0.7, 0.1, n, fresh(&b));
    same(&a, &b, "window", level, n, seed);

    float tap[20];
    int radius = g_rand_int_range(rand, 0, 19);
    for (int i = 0; i < 20; i++)
        tap[i] = (float)g_rand_double_range(rand, 0, 0.3);
    plain->blur_across(in + 80, tap, radius, n, fresh(&a));
    rows->blur_across(in + 80, tap, radius, n, fresh(&b));
    same(&a, &b, "blur_across", level, n, seed);
    const float *lines[39];
    for (int i = 0; i < 39; i++)
        lines[i] = in + i;
    plain->blur_along(lines, tap, radius, n, fresh(&a));
    rows->blur_along(lines, tap, radius, n, fresh(&b));
    same(&a, &b, "blur_along", level, n, seed);

    rw_demo_sensor s = {0.0004f, 0.00001f, g_rand_int(rand)};
    guint32 counter = g_rand_int(rand);
    plain->expose(&s, in, counter, n, (uint16_t *)(void *)fresh(&a));
    rows->expose(&s, in, counter, n, (uint16_t *)(void *)fresh(&b));
    same(&a, &b, "expose", level, n, seed);
    plain->white(s.key, counter, n, fresh(&a));
    rows->white(s.key, counter, n, fresh(&b));
    same(&a, &b, "white", level, n, seed);
    g_rand_free(rand);
}

static void test_levels(void)
{
    const rw_demo_rows *plain = rw_demo_rows_at(RW_CPU_C);
    for (int level = RW_CPU_C; level <= (int)rw_cpu_level(); level++)
        for (int n = 1, seed = 1; n <= MOST; n += n < 70 ? 1 : 19, seed++)
            check_level(plain, rw_demo_rows_at(level), level, n, seed);
}

/* The plain ones against their formulas. */
static void test_meaning(void)
{
    const rw_demo_rows *r = rw_demo_rows_at(RW_CPU_C);
    /* the B-spline reproduces a plane, and lifts a parabola by 1/3 (its own variance) */
    float px[4 * 16 * 16], out[4 * 40];
    for (int i = 0; i < 256; i++) {
        float x = (float)(i % 16), y = (float)(i / 16);
        px[4 * i] = x * x - 3 * y;
        px[4 * i + 1] = 2 * x + y * y;
        px[4 * i + 2] = x - 2 * y;
        px[4 * i + 3] = 1;
    }
    rw_demo_raster raster = {px, 16, 16};
    rw_demo_walk walk = {1.5, 2.25, 0.3, 0.2};
    r->spline(&raster, &walk, 40, out);
    for (int i = 0; i < 40; i++) {
        double x = 1.5 + 0.3 * i, y = 2.25 + 0.2 * i;
        if (x > 14 || y > 14)
            continue;
        g_assert_cmpfloat(fabs((double)out[4 * i] - (x * x + 1.0 / 3 - 3 * y)), <, 1e-4);
        g_assert_cmpfloat(fabs((double)out[4 * i + 1] - (2 * x + y * y + 1.0 / 3)), <, 1e-4);
        g_assert_cmpfloat(fabs((double)out[4 * i + 2] - (x - 2 * y)), <, 1e-4);
    }
    /* light = 2^-density; grain of zero changes nothing but the mean's correction */
    rw_demo_developer d = {.grain_k = {0}};
    r->develop(&d, px, NULL, 16, out);
    for (int i = 0; i < 64; i++)
        g_assert_cmpfloat(fabs((double)out[i] - exp2(-MAX((double)px[i], 0))), <, 1e-6);
    /* noise: mean and variance as asked */
    enum { MANY = 40000 };
    g_autofree float *white = g_new(float, 4 * MANY), *light = g_new(float, 4 * MANY);
    g_autofree uint16_t *index = g_new(uint16_t, 3 * MANY);
    r->white(99, 7, MANY, white);
    double sum = 0, squares = 0;
    for (int i = 0; i < 4 * MANY; i++) {
        sum += (double)white[i];
        squares += (double)white[i] * (double)white[i];
        light[i] = 0.25f;
    }
    g_assert_cmpfloat(fabs(sum / (4 * MANY)), <, 0.01);
    g_assert_cmpfloat(fabs(squares / (4 * MANY) - 1), <, 0.01);
    rw_demo_sensor s = {0.0004f, 0.0001f, 5};
    r->expose(&s, light, 123, MANY, index);
    sum = squares = 0;
    for (int i = 0; i < 3 * MANY; i++) {
        double v = index[i] / 16383.0 - 0.25;
        sum += v;
        squares += v * v;
    }
    g_assert_cmpfloat(fabs(sum / (3 * MANY)), <, 0.0003);
    g_assert_cmpfloat(fabs(squares / (3 * MANY) / (0.0004 * 0.25 + 0.0001) - 1), <, 0.02);
}

static double seconds_of(const rw_demo_rows *r, int what, const rw_demo_raster *raster, float *row,
                         float *out)
{
    rw_demo_walk walk = {3, 3, 0.01, 0.01};
    rw_demo_developer d = {.grain_k = {0.1f, 0.1f, 0.1f}, .grain_toe = 0.1f};
    rw_demo_sensor s = {0.0001f, 0.0001f, 1};
    const float *lines[11];
    float tap[6] = {0.3f, 0.2f, 0.1f, 0.05f, 0.02f, 0.01f};
    for (int i = 0; i < 11; i++)
        lines[i] = row + 64;
    gint64 start = g_get_monotonic_time();
    for (int k = 0; k < 300; k++)
        switch (what) {
        case 0:
            r->spline(raster, &walk, 1500, out);
            break;
        case 1:
            r->develop(&d, row, row + 64, 1500, out);
            break;
        case 2:
            r->blur_across(row + 64, tap, 5, 1500, out);
            break;
        case 3:
            r->blur_along(lines, tap, 5, 1500, out);
            break;
        case 4:
            r->expose(&s, row, 0, 1500, (uint16_t *)(void *)out);
            break;
        case 5:
            r->white(1, 0, 1500, out);
            break;
        }
    return (double)(g_get_monotonic_time() - start) * 1e-6;
}

static void bench(void)
{
    static const char *const names[] = {"spline",     "develop", "blur across",
                                        "blur along", "expose",  "white"};
    GRand *rand = g_rand_new_with_seed(1);
    g_autofree float *picture = noise(rand, 4 * SIDE * SIDE, 0, 9), *row = noise(rand, 8000, 0, 1);
    g_autofree float *out = g_new(float, 8000);
    rw_demo_raster raster = {picture, SIDE, SIDE};
    for (int what = 0; what < 6; what++) {
        g_print("%-12s", names[what]);
        double plain = 0;
        for (int level = RW_CPU_C; level <= (int)rw_cpu_level(); level++) {
            double s = seconds_of(rw_demo_rows_at(level), what, &raster, row, out);
            plain = level == RW_CPU_C ? s : plain;
            g_print("  %s %.2f ns/px (%.1fx)", rw_cpu_name((rw_cpu)level), s / 300 / 1500 * 1e9,
                    plain / s);
        }
        g_print("\n");
    }
    g_rand_free(rand);
}

int main(int argc, char **argv)
{
    if (argc > 1 && g_str_equal(argv[1], "--bench")) {
        bench();
        return 0;
    }
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/demo-rows/meaning", test_meaning);
    g_test_add_func("/demo-rows/levels", test_levels);
    return g_test_run();
}
