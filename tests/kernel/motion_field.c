/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The motion engine's inner loops of every CPU level against plain loops, bit for bit: the order of
 * the sums is fixed (base/lanes.h), so there is nothing to tolerate. --bench prints times.
 */
#include <math.h>

#include "base/lanes.h"
#include "motion/field.h"

#define STRIDE 61
#define ROWS   40

/* ---- the reference ---- */

static float clip_ref(float d)
{
    return d < -64.0f ? -64.0f : d > 64.0f ? 64.0f : d;
}

static float bilinear_ref(const float *b, ptrdiff_t stride, int x, int y, float fx, float fy)
{
    const float *p = b + y * stride + x;
    const float above = p[0] + fx * (p[1] - p[0]);
    const float below = p[stride] + fx * (p[stride + 1] - p[stride]);
    return above + fy * (below - above);
}

/* e = a - b less the mean of the clipped differences */
static void errors_ref(float e[16][16], const float *a, ptrdiff_t as, const float *b, ptrdiff_t bs,
                       bool sub, float fx, float fy)
{
    float lane[16] = {0};
    for (int y = 0; y < 16; y++)
        for (int x = 0; x < 16; x++) {
            const float other = sub ? bilinear_ref(b, bs, x, y, fx, fy) : b[y * bs + x];
            e[y][x] = a[y * as + x] - other;
            lane[x] += clip_ref(e[y][x]);
        }
    const float mean = rw_sum16(lane) * (1.0f / 256.0f);
    for (int y = 0; y < 16; y++)
        for (int x = 0; x < 16; x++)
            e[y][x] -= mean;
}

/* The fraction of a whole number, both in their own units, as the kernels round it. */
static int part_of(int a, float fraction)
{
    int f = (int)(fraction * 32768.0f + 0.5f);
    f = f < 32767 ? f : 32767;
    return (int)floor(((double)a * f + 16384.0) / 32768.0);
}

/* Whole numbers, so any order of the sums is as good. */
static float sad_ref(const int16_t *a, ptrdiff_t as, const int16_t *b, ptrdiff_t bs, float fx,
                     float fy, float cap)
{
    int d[16][16], clipped = 0, sum = 0;
    for (int y = 0; y < 16; y++)
        for (int x = 0; x < 16; x++) {
            const int16_t *p = b + y * bs + x;
            const int above = p[0] + (fx > 0 ? part_of(p[1] - p[0], fx) : 0);
            const int below = fy > 0 ? p[bs] + (fx > 0 ? part_of(p[bs + 1] - p[bs], fx) : 0) : 0;
            const int other = above + (fy > 0 ? part_of(below - above, fy) : 0);
            d[y][x] = a[y * as + x] - other;
            clipped += CLAMP(d[y][x], -1024, 1024);
        }
    const int mean = (int)floor((clipped + 128) / 256.0);
    const int most = MIN((int)((double)cap * 16.0 + 0.5), 2047);
    for (int y = 0; y < 16; y++)
        for (int x = 0; x < 16; x++)
            sum += MIN(abs(d[y][x] - mean), most);
    return (float)(sum / 16.0);
}

static float sad8_ref(const float *a, ptrdiff_t as, const float *b, ptrdiff_t bs, float fx,
                      float fy, float offset, float cap)
{
    float lane[8] = {0};
    for (int y = 0; y < 8; y++)
        for (int x = 0; x < 8; x++) {
            const float e = fabsf(a[y * as + x] - bilinear_ref(b, bs, x, y, fx, fy) - offset);
            lane[x] += e < cap ? e : cap;
        }
    return rw_sum8(lane);
}

static void normal_ref(const float *a, ptrdiff_t as, const float *b, ptrdiff_t bs, float fx,
                       float fy, float cap, float out[5])
{
    float e[16][16], lane[5][16] = {{0}};
    errors_ref(e, a, as, b, bs, true, fx, fy);
    for (int y = 0; y < 16; y++)
        for (int x = 0; x < 16; x++) {
            const float *p = a + y * as + x;
            const float gx = 0.5f * (p[1] - p[-1]), gy = 0.5f * (p[as] - p[-as]);
            const float w = fabsf(e[y][x]) < cap ? 1.0f : 0.0f, wx = w * gx, wy = w * gy;
            lane[0][x] += wx * gx;
            lane[1][x] += wx * gy;
            lane[2][x] += wy * gy;
            lane[3][x] += wx * e[y][x];
            lane[4][x] += wy * e[y][x];
        }
    for (int i = 0; i < 5; i++)
        out[i] = rw_sum16(lane[i]);
}

static float mean121(float a, float b, float c)
{
    return 0.25f * ((a + c) + (b + b));
}

/* ---- what it is fed ---- */

typedef struct fill {
    const char *name;
    float a[STRIDE * ROWS], b[STRIDE * ROWS];
    int16_t code_a[STRIDE * ROWS], code_b[STRIDE * ROWS];
} fill;

static void make_fill(fill *f, int kind, GRand *rand)
{
    static const char *const names[] = {"all low", "all high", "one hot", "random", "speck"};
    f->name = names[kind];
    for (int i = 0; i < STRIDE * ROWS; i++) {
        const float r = (float)g_rand_double_range(rand, 0.0, 255.0);
        const float s = r + (float)g_rand_double_range(rand, -8.0, 8.0);
        f->a[i] = kind == 0 ? 0.0f : kind == 1 ? 255.0f : kind == 2 ? 0.0f : r;
        f->b[i] = kind == 1 ? 0.0f : kind >= 3 ? s : 0.0f;
    }
    if (kind == 2)
        f->a[g_rand_int_range(rand, 0, STRIDE * ROWS)] = 255.0f;
    if (kind == 4)
        for (int i = STRIDE * 12; i < STRIDE * 20; i++)
            f->b[i] = 0.0f;
    const float most = kind == 1 ? 64.0f : 16.0f; /* all that a code may be */
    for (int i = 0; i < STRIDE * ROWS; i++) {
        f->code_a[i] = (int16_t)(int)(most * f->a[i]);
        f->code_b[i] = (int16_t)(int)(most * fmaxf(f->b[i], 0.0f));
    }
}

static void assert_same(float got, float want, const char *what, const char *fill_name,
                        const char *level, guint32 seed)
{
    if (memcmp(&got, &want, sizeof got) == 0)
        return;
    g_error("%s, %s, level %s, seed %u: got %.9g, want %.9g", what, fill_name, level, seed,
            (double)got, (double)want);
}

static void test_windows(gconstpointer data)
{
    const rw_cpu level = (rw_cpu)GPOINTER_TO_INT(data);
    const char *name = rw_cpu_name(level);
    rw_motion_dsp dsp;
    rw_motion_dsp_init(&dsp, level);
    fill *f = g_new(fill, 1);
    for (guint32 seed = 1; seed <= 20; seed++) {
        g_autoptr(GRand) rand = g_rand_new_with_seed(seed);
        make_fill(f, (int)seed % 5, rand);
        const float *a = f->a + 2 * STRIDE + 2 + seed % 7, *b = f->b + 3 * STRIDE + 1 + seed % 11;
        const float fx = (float)g_rand_double(rand), fy = seed % 3 ? (float)g_rand_double(rand) : 0;
        const float cap = (float)g_rand_double_range(rand, 2.0, 40.0);
        const int16_t *ca = f->code_a + (a - f->a), *cb = f->code_b + (b - f->b);
        const float wide = seed % 4 ? cap : 6.0f * cap; /* beyond what is counted, too */
        assert_same(dsp.sad(ca, STRIDE, cb, STRIDE, wide),
                    sad_ref(ca, STRIDE, cb, STRIDE, 0, 0, wide), "sad", f->name, name, seed);
        assert_same(dsp.sad_sub(ca, STRIDE, cb, STRIDE, fx, fy, wide),
                    sad_ref(ca, STRIDE, cb, STRIDE, fx, fy, wide), "sad_sub", f->name, name, seed);
        assert_same(dsp.sad_sub(ca, STRIDE, cb, STRIDE, 0.99999f, fy, wide),
                    sad_ref(ca, STRIDE, cb, STRIDE, 0.99999f, fy, wide), "sad_sub", f->name, name,
                    seed);
        int16_t codes[STRIDE];
        dsp.code(codes, f->a, STRIDE);
        for (int i = 0; i < STRIDE; i++)
            g_assert_cmpint(codes[i], ==, (int)floor((double)f->a[i] * 16.0 + 0.5));
        const float offset = (float)g_rand_double_range(rand, -5.0, 5.0);
        assert_same(dsp.sad8(a, STRIDE, b, STRIDE, fx, fy, offset, cap),
                    sad8_ref(a, STRIDE, b, STRIDE, fx, fy, offset, cap), "sad8", f->name, name,
                    seed);
        float got[5], want[5];
        dsp.normal(a, STRIDE, b, STRIDE, fx, fy, cap, got);
        normal_ref(a, STRIDE, b, STRIDE, fx, fy, cap, want);
        for (int i = 0; i < 5; i++)
            assert_same(got[i], want[i], "normal", f->name, name, seed);
    }
    g_free(f);
}

static void test_rows(gconstpointer data)
{
    const rw_cpu level = (rw_cpu)GPOINTER_TO_INT(data);
    const char *name = rw_cpu_name(level);
    rw_motion_dsp dsp;
    rw_motion_dsp_init(&dsp, level);
    enum { MOST = 67, ROW = 2 * MOST + 64 };
    for (int width = 1; width <= MOST; width++) {
        g_autoptr(GRand) rand = g_rand_new_with_seed((guint32)width);
        float in[4][ROW], out[MOST + 32], sums[2 * MOST + 48];
        for (int r = 0; r < 4; r++)
            for (int x = 0; x < ROW; x++)
                in[r][x] = (float)g_rand_double_range(rand, 0, 255);
        const float *rows[4] = {in[0] + 1, in[1] + 1, in[2] + 1, in[3] + 1};
        const int rounded = (width + 15) & ~15;
        for (int x = 0; x < MOST + 32; x++)
            out[x] = -7.0f;
        dsp.smooth(out, rows, width);
        for (int x = 0; x < rounded; x++) {
            float m[3];
            for (int r = 0; r < 3; r++)
                m[r] = mean121(rows[r][x - 1], rows[r][x], rows[r][x + 1]);
            assert_same(out[x], mean121(m[0], m[1], m[2]), "smooth", "random", name,
                        (guint32)width);
        }
        g_assert_cmpfloat(out[rounded], ==, -7.0f); /* no stray write */
        for (int x = 0; x < MOST + 32; x++)
            out[x] = -7.0f;
        dsp.halve(out, rows, sums, width);
        for (int x = 0; x < width; x++) {
            float v[4];
            for (int k = 0; k < 4; k++) {
                const int c = 2 * x - 1 + k;
                v[k] = 0.125f * ((rows[0][c] + rows[3][c]) + 3.0f * (rows[1][c] + rows[2][c]));
            }
            assert_same(out[x], 0.125f * ((v[0] + v[3]) + 3.0f * (v[1] + v[2])), "halve", "random",
                        name, (guint32)width);
        }
        g_assert_cmpfloat(out[width], ==, -7.0f);
    }
}

static void bench(void)
{
    fill *f = g_new(fill, 1);
    g_autoptr(GRand) rand = g_rand_new_with_seed(1);
    make_fill(f, 3, rand);
    const float *a = f->a + 2 * STRIDE + 4, *b = f->b + 3 * STRIDE + 5;
    const int16_t *ca = f->code_a + 2 * STRIDE + 4, *cb = f->code_b + 3 * STRIDE + 5;
    float sink = 0.0f, out[5];
    enum { TURNS = 200000 };
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        rw_motion_dsp dsp;
        rw_motion_dsp_init(&dsp, level);
        gint64 t[4] = {g_get_monotonic_time()};
        for (int i = 0; i < TURNS; i++)
            sink += dsp.sad(ca, STRIDE, cb, STRIDE, 20.0f);
        t[1] = g_get_monotonic_time();
        for (int i = 0; i < TURNS; i++)
            sink += dsp.sad_sub(ca, STRIDE, cb, STRIDE, 0.3f, 0.6f, 20.0f);
        t[2] = g_get_monotonic_time();
        for (int i = 0; i < TURNS; i++) {
            dsp.normal(a, STRIDE, b, STRIDE, 0.3f, 0.6f, 20.0f, out);
            sink += out[0];
        }
        t[3] = g_get_monotonic_time();
        g_print("%-7s ns per 16x16 window: sad %.0f  sad_sub %.0f  normal %.0f  (%g)\n",
                rw_cpu_name(level), (double)(t[1] - t[0]) * 1e3 / TURNS,
                (double)(t[2] - t[1]) * 1e3 / TURNS, (double)(t[3] - t[2]) * 1e3 / TURNS,
                (double)sink);
    }
    g_free(f);
}

int main(int argc, char **argv)
{
    if (argc > 1 && g_str_equal(argv[1], "--bench")) {
        bench();
        return 0;
    }
    g_test_init(&argc, &argv, NULL);
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        g_autofree char *windows = g_strdup_printf("/motion/windows/%s", rw_cpu_name(level));
        g_autofree char *rows = g_strdup_printf("/motion/rows/%s", rw_cpu_name(level));
        g_test_add_data_func(windows, GINT_TO_POINTER((int)level), test_windows);
        g_test_add_data_func(rows, GINT_TO_POINTER((int)level), test_rows);
    }
    return g_test_run();
}
