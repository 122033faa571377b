/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Light to samples: the curves on sixteen lanes against double precision, every CPU level against
 * the plain one to the bit, packed frames against BT.709 worked out here, and the dither.
 * --bench prints times.
 */
#include <math.h>

#include <reelwright/colour.h>

#include "base/cpu.h"
#include "base/pool.h"
#include "colour/domain_dsp.h"
#include "finish/pack.h"
#include "finish/pack_dsp.h"

static GRand *noise;

/* Light as it comes out of a resample: mostly 0..1, with overshoots, zeros and what is no number.
 */
static void fill(float *p, int count)
{
    static const float odd[] = {0.0f,   -0.0f, 1.0f,          -0.3f,    1.7f,      1e-30f,
                                1e-42f, 1e30f, 0.0180539685f, INFINITY, -INFINITY, NAN};
    for (int i = 0; i < count; i++)
        p[i] = g_rand_int_range(noise, 0, 8) == 0
                   ? odd[g_rand_int_range(noise, 0, G_N_ELEMENTS(odd))]
                   : (float)pow(g_rand_double(noise), 3);
}

#define MOST 83

static void check_rows(rw_domain_row_fn *row, rw_domain_row_fn *plain, const char *name)
{
    float from[MOST + 16], got[MOST + 32], want[MOST + 32];
    for (int width = 1; width <= MOST; width++) {
        int padded = (width + 15) & ~15;
        fill(from, MOST + 16);
        for (int i = 0; i < MOST + 32; i++)
            got[i] = want[i] = 5.5f;
        row(got, from, width);
        plain(want, from, width);
        if (memcmp(got, want, sizeof(float) * (size_t)padded) != 0)
            g_error("%s differs from the plain level at width %d", name, width);
        for (int i = padded; i < MOST + 32; i++)
            g_assert_true(got[i] == 5.5f);
    }
}

static void check_stores(const rw_pack_dsp *dsp, const rw_pack_dsp *plain)
{
    float from[MOST];
    uint8_t got8[MOST + 8], want8[MOST + 8];
    uint16_t got16[MOST + 8], want16[MOST + 8];
    for (int width = 1; width <= MOST; width++) {
        for (int i = 0; i < MOST; i++)
            from[i] = (float)g_rand_double_range(noise, -0.6, 1.2);
        uint32_t key = g_rand_int(noise);
        memset(got8, 7, sizeof got8), memset(want8, 7, sizeof want8);
        memset(got16, 7, sizeof got16), memset(want16, 7, sizeof want16);
        dsp->store8(got8, from, width, 219, 16, key);
        plain->store8(want8, from, width, 219, 16, key);
        g_assert_cmpint(memcmp(got8, want8, sizeof got8), ==, 0);
        for (int rounding = 0; rounding < 2; rounding++) {
            int top = rounding ? 65535 : 1023;
            dsp->store16(got16, from, width, (float)top, 0, key, rounding, top);
            plain->store16(want16, from, width, (float)top, 0, key, rounding, top);
            g_assert_cmpint(memcmp(got16, want16, sizeof got16), ==, 0);
        }
    }
}

static void check_matrix(const rw_pack_dsp *dsp, const rw_pack_dsp *plain)
{
    float rgb[3][MOST + 16], got[3][MOST + 16], want[3][MOST + 16];
    for (int p = 0; p < 3; p++)
        for (int i = 0; i < MOST + 16; i++)
            rgb[p][i] = (float)g_rand_double(noise);
    const float *const from[3] = {rgb[0], rgb[1], rgb[2]};
    float *const to_got[3] = {got[0], got[1], got[2]}, *const to_want[3] = {want[0], want[1],
                                                                            want[2]};
    dsp->matrix(to_got, from, MOST);
    plain->matrix(to_want, from, MOST);
    for (int p = 0; p < 3; p++)
        g_assert_cmpint(memcmp(got[p], want[p], sizeof(float) * MOST), ==, 0);
}

static void test_levels(void)
{
    rw_domain_dsp plain;
    rw_pack_dsp plain_pack;
    rw_domain_dsp_init(&plain, RW_CPU_C);
    rw_pack_dsp_init(&plain_pack, RW_CPU_C);
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        rw_domain_dsp d;
        rw_pack_dsp p;
        rw_domain_dsp_init(&d, level);
        rw_pack_dsp_init(&p, level);
        check_rows(d.density_from_light, plain.density_from_light, "density_from_light");
        check_rows(d.light_from_density, plain.light_from_density, "light_from_density");
        check_rows(d.coded_from_light, plain.coded_from_light, "coded_from_light");
        check_rows(d.light_from_coded, plain.light_from_coded, "light_from_coded");
        check_stores(&p, &plain_pack);
        check_matrix(&p, &plain_pack);
    }
}

/* ---- against double precision ---- */

static double row_error(rw_domain_row_fn *row, double (*exact)(double), double low, double high,
                        bool relative)
{
    enum { N = 4096 };
    static float from[N + 16], got[N + 16];
    double worst = 0;
    for (int pass = 0; pass < 64; pass++) {
        for (int i = 0; i < N; i++)
            from[i] = (float)(low + (high - low) * (i + pass / 64.0) / N);
        row(got, from, N);
        for (int i = 0; i < N; i++) {
            double want = exact((double)from[i]), error = fabs((double)got[i] - want);
            worst = fmax(worst, relative ? error / fabs(want) : error);
        }
    }
    return worst;
}

static double density(double light)
{
    return -log10(light);
}

static double light_of_density(double d)
{
    return pow(10, -d);
}

static void test_curves(void)
{
    rw_domain_dsp d;
    rw_domain_dsp_init(&d, rw_cpu_level());
    const rw_curve *display = rw_curve_find("bt1886");
    double coded = row_error(d.coded_from_light, display->from_light, 0, 1, false);
    double light = row_error(d.light_from_coded, display->to_light, 0, 1, false);
    double dark = row_error(d.density_from_light, density, 1e-5, 1e-2, false);
    double dense = row_error(d.density_from_light, density, 1e-2, 2, false);
    double back = row_error(d.light_from_density, light_of_density, -0.3, 5, true);
    g_test_message("errors: coded %.1e, light %.1e, density %.1e %.1e, light of density %.1e",
                   coded, light, dark, dense, back);
    /* half a step of 16 bits is 7.6e-6; these stay a tenth of it or below */
    g_assert_cmpfloat(coded, <, 7e-7);
    g_assert_cmpfloat(light, <, 7e-7);
    g_assert_cmpfloat(dark, <, 1e-6); /* float itself has steps of 4.8e-7 at density 4..8 */
    g_assert_cmpfloat(dense, <, 5e-7);
    g_assert_cmpfloat(back, <, 3e-6); /* a float's step of density 5 is 2.4e-7, times ln 10 */
}

/* What is out of range or no number comes out as the nearest end, and nothing faults. */
static void test_odd_samples(void)
{
    rw_domain_dsp d;
    rw_domain_dsp_init(&d, rw_cpu_level());
    float from[16] = {-1.0f, -0.0f, 0.0f, 2.0f, INFINITY, -INFINITY, NAN, 1e-42f}, got[16];
    d.coded_from_light(got, from, 16);
    static const float want[] = {0, 0, 0, 1, 1, 0, 0, 0};
    for (int i = 0; i < 8; i++)
        g_assert_cmpfloat(fabsf(got[i] - want[i]), <, 1e-6f);
    d.density_from_light(got, from, 16);
    for (int i = 0; i < 8; i++)
        g_assert_true(got[i] <= 5.00001f && got[i] > -39);
}

/* ---- frames ---- */

static void flat_frame(rw_frame *f, rw_pool *pool, int width, int height, const double rgb[3])
{
    g_assert_true(rw_frame_alloc(f, pool, width, height, 3, NULL));
    for (int p = 0; p < 3; p++)
        for (int y = 0; y < height; y++)
            for (int x = 0; x < width; x++)
                f->plane[p][y * f->stride + x] = (float)rgb[p];
}

static double plane_mean(const rw_packed *p, int plane, int width, int height, int bytes)
{
    double sum = 0;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            const uint8_t *at = p->plane[plane] + y * p->stride[plane] + bytes * x;
            sum += bytes == 1 ? *at : *(const uint16_t *)(const void *)at;
        }
    return sum / (width * height);
}

/* Colours against BT.709's equations in double precision: the mean of a dithered plane is the exact
 * value to a twentieth of a step. 75 % colour bars in limited range are published widely: white 180
 * 128 128, yellow 168 44 136, cyan 145 147 44, green 134 63 52, magenta 63 193 204, red 51 109 212,
 * blue 28 212 120 (from ITU-R BT.709's equations; tables in many textbooks). */
static void test_colours(void)
{
    static const int bars[][6] = {{1, 1, 1, 180, 128, 128}, {1, 1, 0, 168, 44, 136},
                                  {0, 1, 1, 145, 147, 44},  {0, 1, 0, 134, 63, 52},
                                  {1, 0, 1, 63, 193, 204},  {1, 0, 0, 51, 109, 212},
                                  {0, 0, 1, 28, 212, 120}};
    rw_pool *pool = rw_pool_new(64 << 20);
    const rw_curve *curve = rw_curve_find("bt1886");
    for (size_t i = 0; i < G_N_ELEMENTS(bars); i++) {
        double light[3], coded[3];
        for (int c = 0; c < 3; c++) {
            coded[c] = 0.75 * bars[i][c];
            light[c] = curve->to_light(coded[c]);
        }
        rw_frame f;
        rw_packed p;
        flat_frame(&f, pool, 128, 96, light);
        g_assert_true(rw_packed_make(&p, RW_PACK_YUV420_8, &f, pool, NULL));
        double y = 0.2126 * coded[0] + 0.7152 * coded[1] + 0.0722 * coded[2];
        double exact[3] = {16 + 219 * y, 128 + 224 * (coded[2] - y) / 1.8556,
                           128 + 224 * (coded[0] - y) / 1.5748};
        for (int c = 0; c < 3; c++) {
            double mean = plane_mean(&p, c, c ? 64 : 128, c ? 48 : 96, 1);
            g_assert_cmpfloat(fabs(mean - exact[c]), <, 0.05);
            g_assert_cmpfloat(fabs(mean - bars[i][3 + c]), <, 0.55);
        }
        rw_packed_clear(&p);
        g_assert_true(rw_packed_make(&p, RW_PACK_YUV422_10, &f, pool, NULL));
        for (int c = 0; c < 3; c++)
            g_assert_cmpfloat(fabs(plane_mean(&p, c, c ? 64 : 128, 96, 2) - 4 * exact[c]), <, 0.05);
        rw_packed_clear(&p);
        g_assert_true(rw_packed_make(&p, RW_PACK_GBR_16, &f, pool, NULL));
        static const int channel[] = {1, 2, 0};
        for (int c = 0; c < 3; c++)
            g_assert_cmpfloat(fabs(plane_mean(&p, c, 128, 96, 2) - 65535 * coded[channel[c]]), <,
                              0.6);
        rw_packed_clear(&p);
        rw_frame_clear(&f);
    }
    rw_pool_free(&pool);
}

/* Chroma lies on the even columns and half-way between two rows: a ramp of colour keeps its place.
 */
static void test_chroma_place(void)
{
    rw_pool *pool = rw_pool_new(64 << 20);
    const rw_curve *curve = rw_curve_find("bt1886");
    rw_frame f;
    g_assert_true(rw_frame_alloc(&f, pool, 128, 64, 3, NULL));
    for (int y = 0; y < 64; y++)
        for (int x = 0; x < 128; x++) {
            double v = 0.2 + 0.002 * x + 0.004 * y;
            for (int c = 0; c < 3; c++)
                f.plane[c][y * f.stride + x] = (float)curve->to_light(c == 2 ? v : 0.3);
        }
    rw_packed p;
    for (int how = 0; how < 2; how++) {
        bool half = how == 0; /* 4:2:0, else 4:2:2 */
        g_assert_true(
            rw_packed_make(&p, half ? RW_PACK_YUV420_10 : RW_PACK_YUV422_10, &f, pool, NULL));
        double sum = 0;
        int count = 0;
        for (int y = 1; y < (half ? 31 : 63); y++)
            for (int x = 1; x < 63; x++) {
                double at_y = half ? 2 * y + 0.5 : y, blue = 0.2 + 0.002 * 2 * x + 0.004 * at_y;
                double luma = 0.9278 * 0.3 + 0.0722 * blue;
                double exact = 512 + 896 * (blue - luma) / 1.8556;
                const uint16_t *row =
                    (const uint16_t *)(const void *)(p.plane[1] + y * p.stride[1]);
                g_assert_cmpfloat(fabs(row[x] - exact), <, 1.01);
                sum += row[x] - exact;
                count++;
            }
        /* half a column off would be 0.9 of a step */
        g_assert_cmpfloat(fabs(sum / count), <, 0.05);
        rw_packed_clear(&p);
    }
    rw_frame_clear(&f);
    rw_pool_free(&pool);
}

/* A sky ramp of four steps over the width: without dither it has four bands. With it, small
 * neighbourhoods average to the true value, and the pattern depends on frame and place alone. */
static void test_dither(void)
{
    const int w = 512, h = 64;
    rw_pool *pool = rw_pool_new(64 << 20);
    const rw_curve *curve = rw_curve_find("bt1886");
    rw_frame f;
    g_assert_true(rw_frame_alloc(&f, pool, w, h, 3, NULL));
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++)
            for (int c = 0; c < 3; c++)
                f.plane[c][y * f.stride + x] = (float)curve->to_light(0.6 + 4.0 / 219 * x / w);
    rw_packed a, b;
    f.n = 41;
    g_assert_true(rw_packed_make(&a, RW_PACK_YUV420_8, &f, pool, NULL));
    g_assert_true(rw_packed_make(&b, RW_PACK_YUV420_8, &f, pool, NULL));
    g_assert_cmpint(memcmp(a.plane[0], b.plane[0], (size_t)(w * h)), ==, 0);
    double worst = 0;
    for (int y = 0; y + 8 <= h; y += 8)
        for (int x = 0; x + 8 <= w; x += 8) {
            double sum = 0, exact = 0;
            for (int j = y; j < y + 8; j++)
                for (int i = x; i < x + 8; i++) {
                    sum += a.plane[0][j * a.stride[0] + i];
                    exact += 16 + 219 * (0.6 + 4.0 / 219 * i / w);
                }
            worst = fmax(worst, fabs(sum - exact) / 64);
        }
    g_test_message("8x8 means stray by %.3f of a step; white noise would by about 0.15", worst);
    g_assert_cmpfloat(worst, <, 0.06);
    rw_packed_clear(&b);
    f.n = 42;
    g_assert_true(rw_packed_make(&b, RW_PACK_YUV420_8, &f, pool, NULL));
    g_assert_cmpint(memcmp(a.plane[0], b.plane[0], (size_t)(w * h)), !=, 0);
    rw_packed_clear(&a);
    rw_packed_clear(&b);
    rw_frame_clear(&f);
    rw_pool_free(&pool);
}

static void bench(void)
{
    const double grey[3] = {0.3, 0.4, 0.2};
    static const char *const names[] = {"", "yuv420p", "yuv420p10", "yuv422p10", "gbrp16"};
    rw_pool *pool = rw_pool_new(256 << 20);
    rw_frame f;
    flat_frame(&f, pool, 1440, 1080, grey);
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        g_setenv("REELWRIGHT_CPU", rw_cpu_name(level), TRUE);
        g_print("%-7s", rw_cpu_name(level));
        for (rw_pack pack = RW_PACK_YUV420_8; pack <= RW_PACK_GBR_16; pack++) {
            int64_t start = g_get_monotonic_time();
            for (int i = 0; i < 10; i++) {
                rw_packed p;
                g_assert_true(rw_packed_make(&p, pack, &f, pool, NULL));
                rw_packed_clear(&p);
            }
            g_print("  %s %5.1f ms", names[pack], (double)(g_get_monotonic_time() - start) / 10000);
        }
        g_print("\n");
        g_unsetenv("REELWRIGHT_CPU");
    }
    rw_frame_clear(&f);
    rw_pool_free(&pool);
}

int main(int argc, char **argv)
{
    noise = g_rand_new_with_seed(20260314);
    if (argc > 1 && g_str_equal(argv[1], "--bench")) {
        bench();
        g_rand_free(noise);
        return 0;
    }
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/pack/levels", test_levels);
    g_test_add_func("/pack/curves", test_curves);
    g_test_add_func("/pack/odd-samples", test_odd_samples);
    g_test_add_func("/pack/colours", test_colours);
    g_test_add_func("/pack/chroma-place", test_chroma_place);
    g_test_add_func("/pack/dither", test_dither);
    int result = g_test_run();
    g_rand_free(noise);
    return result;
}
