/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Steadying's inner loops of every CPU level against plain loops, bit for bit: integers, or floats
 * added in the order of base/lanes.h. --bench prints times.
 */
#include <stdbool.h>
#include <string.h>

#include "base/lanes.h"
#include "motion/block.h"

#include <glib.h>

#define STRIDE 71
#define ROWS   64
#define SIDE   25

static uint32_t seed;

static uint32_t draw(void)
{
    seed = seed * 1664525u + 1013904223u;
    return seed >> 8;
}

static void surface_ref(const uint8_t *a, const uint8_t *b, int side, uint16_t *out)
{
    for (int v = 0; v < side; v++)
        for (int u = 0; u < side; u++) {
            unsigned sum = 0;
            for (int y = 0; y < 12; y++)
                for (int x = 0; x < 16; x++) {
                    int d = a[y * STRIDE + x] - b[(y + v) * STRIDE + x + u];
                    sum += (unsigned)(d < 0 ? -d : d);
                }
            *out++ = (uint16_t)sum;
        }
}

static void gather_ref(const float *t, const float *gx, const float *gy, const float *p, float fx,
                       float fy, int width, float out[5])
{
    float lane[5][16] = {{0}};
    for (int x0 = 0; x0 < width; x0 += 16)
        for (int y = 0; y < width; y++)
            for (int i = 0; i < 16; i++) {
                const float *q = p + y * STRIDE + x0 + i;
                const float above = q[0] + fx * (q[1] - q[0]);
                const float below = q[STRIDE] + fx * (q[STRIDE + 1] - q[STRIDE]);
                const float v = above + fy * (below - above);
                const int at = y * width + x0 + i;
                lane[0][i] += gx[at] * v;
                lane[1][i] += gy[at] * v;
                lane[2][i] += t[at] * v;
                lane[3][i] += v;
                lane[4][i] += v * v;
            }
    for (int i = 0; i < 5; i++)
        out[i] = rw_sum16(lane[i]);
}

static void fill_bytes(uint8_t *p, int kind)
{
    for (int i = 0; i < STRIDE * ROWS; i++)
        p[i] = kind == 0 ? 0 : kind == 1 ? 255 : (uint8_t)draw();
}

static void fill_floats(float *p, int n, int kind)
{
    for (int i = 0; i < n; i++)
        p[i] = kind == 0 ? 0.0f : kind == 1 ? 1.0f : (float)(draw() & 0xffff) / 65536.0f - 0.25f;
}

static void check_surface(const rw_block_dsp *dsp)
{
    uint8_t a[STRIDE * ROWS], b[STRIDE * ROWS];
    uint16_t want[SIDE * SIDE], got[SIDE * SIDE + 1];
    for (int round = 0; round < 12; round++) {
        fill_bytes(a, MIN(round, 2));
        fill_bytes(b, round == 0 ? 1 : round == 1 ? 0 : 2);
        int side = round & 1 ? SIDE : 7;
        got[side * side] = 0xabcd;
        surface_ref(a + 3, b + 5, side, want);
        dsp->surface(a + 3, STRIDE, b + 5, STRIDE, side, got);
        g_assert_true(memcmp(got, want, sizeof *want * (size_t)(side * side)) == 0);
        g_assert_cmphex(got[side * side], ==, 0xabcd);
    }
}

static void check_gather(const rw_block_dsp *dsp)
{
    float t[1024], gx[1024], gy[1024], p[STRIDE * ROWS];
    for (int round = 0; round < 40; round++) {
        int width = round & 1 ? 32 : 16;
        fill_floats(t, 1024, MIN(round, 2));
        fill_floats(gx, 1024, 2);
        fill_floats(gy, 1024, 2);
        fill_floats(p, STRIDE * ROWS, MIN(round, 2));
        float fx = round % 3 ? (float)(draw() & 255) / 256.0f : 0.0f;
        float fy = round % 5 ? (float)(draw() & 255) / 256.0f : 0.0f;
        float want[5], got[5];
        gather_ref(t, gx, gy, p + 7, fx, fy, width, want);
        dsp->gather(t, gx, gy, p + 7, STRIDE, fx, fy, width, got);
        g_assert_true(memcmp(got, want, sizeof want) == 0);
    }
}

static void test_level(gconstpointer data)
{
    rw_block_dsp dsp;
    rw_block_dsp_init(&dsp, (rw_cpu)GPOINTER_TO_INT(data));
    seed = 20261125u;
    g_test_message("seed %u", seed);
    check_surface(&dsp);
    check_gather(&dsp);
}

static void bench(rw_cpu level)
{
    enum { ROUNDS = 20000 };
    static uint8_t a[STRIDE * ROWS];
    static float t[1024], p[STRIDE * ROWS];
    uint16_t out[SIDE * SIDE];
    float sums[5];
    rw_block_dsp dsp;
    rw_block_dsp_init(&dsp, level);
    fill_bytes(a, 2);
    fill_floats(t, 1024, 2);
    fill_floats(p, STRIDE * ROWS, 2);
    gint64 start = g_get_monotonic_time();
    for (int i = 0; i < ROUNDS / 10; i++)
        dsp.surface(a, STRIDE, a, STRIDE, SIDE, out);
    gint64 middle = g_get_monotonic_time();
    for (int i = 0; i < ROUNDS; i++)
        dsp.gather(t, t, t, p, STRIDE, 0.3f, 0.6f, 32, sums);
    gint64 end = g_get_monotonic_time();
    g_print("# %-6s surface %6.2f us, gather of 32 x 32 %6.3f us\n", rw_cpu_name(level),
            (double)(middle - start) * 10 / ROUNDS, (double)(end - middle) / ROUNDS);
}

int main(int argc, char **argv)
{
    bool timing = argc > 1 && g_str_equal(argv[1], "--bench");
    g_test_init(&argc, &argv, NULL);
    for (int level = RW_CPU_C; level <= (int)rw_cpu_level(); level++) {
        g_autofree char *name = g_strdup_printf("/kernel/block/%s", rw_cpu_name((rw_cpu)level));
        g_test_add_data_func(name, GINT_TO_POINTER(level), test_level);
        if (timing)
            bench((rw_cpu)level);
    }
    return g_test_run();
}
