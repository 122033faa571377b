/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Lines of luma of every CPU level against a plain loop, bit for bit: every length that a vector
 * may leave a rest of, all dark, all light, random. --bench prints times.
 */
#include <stdbool.h>
#include <string.h>

#include "gate/luma.h"

#include "../support/levels.h"

enum { MOST = 300, GUARD = 16 };

static uint8_t rgb[3 * MOST];

static void fill(int kind, GRand *random)
{
    for (int i = 0; i < 3 * MOST; i++)
        rgb[i] = kind == 0 ? 0 : kind == 1 ? 255 : (uint8_t)g_rand_int_range(random, 0, 256);
}

static void test_level(gconstpointer data)
{
    rw_cpu level = (rw_cpu)GPOINTER_TO_INT(data);
    if (level > rw_cpu_level()) {
        g_test_skip("this machine has no such level");
        return;
    }
    gate_luma_fn *line = gate_luma_best(level);
    GRand *random = g_rand_new_with_seed(11);
    for (int n = 0; n <= MOST; n += n < 80 ? 1 : 37)
        for (int kind = 0; kind < 3; kind++) {
            float out[MOST + GUARD];
            fill(kind, random);
            for (int i = 0; i < MOST + GUARD; i++)
                out[i] = -7;
            line(rgb, (size_t)n, out);
            for (int i = 0; i < n; i++) {
                int sum = 77 * rgb[3 * i] + 150 * rgb[3 * i + 1] + 29 * rgb[3 * i + 2];
                g_assert_true(out[i] == (float)sum * (1.0f / 65280));
            }
            for (int i = n; i < MOST + GUARD; i++)
                g_assert_true(out[i] == -7);
        }
    g_rand_free(random);
}

static void bench(rw_cpu level)
{
    enum { ROUNDS = 200000 };
    float out[MOST];
    int64_t start = g_get_monotonic_time();
    for (int i = 0; i < ROUNDS; i++)
        gate_luma_best(level)(rgb, MOST, out);
    double ns = (double)(g_get_monotonic_time() - start) * 1e3 / ROUNDS / MOST;
    g_print("# luma %-7s %.3f ns a pixel\n", rw_cpu_name(level), ns);
}

int main(int argc, char **argv)
{
    return levels_main(argc, argv, "luma", test_level, bench);
}
