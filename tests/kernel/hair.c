/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Rows of the hair finder of every CPU level against plain loops, bit for bit: every length that a
 * vector may leave a rest of; flat, stepped and random pictures. --bench prints times.
 */
#include <stdbool.h>
#include <string.h>

#include "survey/hair_dsp.h"

#include "../support/levels.h"

enum { MOST = 90, STRIDE = MOST + 16, ROWS = 9, GUARD = 16 };

static float picture[ROWS * STRIDE];

static void fill(int kind, GRand *random)
{
    for (int i = 0; i < ROWS * STRIDE; i++)
        picture[i] = kind == 0   ? 5.0f
                     : kind == 1 ? (float)(i % 7)
                                 : (float)g_rand_double_range(random, 3.9, 12.2);
}

static const float *middle_row(void)
{
    return picture + (ptrdiff_t)(ROWS / 2) * STRIDE + 8;
}

/* ---- plain ---- */

static float plain_ridge(const float *p, float dark)
{
    static const int arms[4] = {3, 3 * STRIDE, 2 * STRIDE + 2, 2 * STRIDE - 2};
    float best = 0;
    for (int d = 0; d < 4; d++) {
        float side = MIN(p[-arms[d]], p[arms[d]]);
        if (side > dark && side - *p > best)
            best = side - *p;
    }
    return best;
}

static int8_t plain_fine(float log, const float *columns)
{
    float sum = 0;
    for (int k = 0; k < 2 * RW_HAIR_LOCAL + 1; k++)
        sum += columns[k];
    float fine = (log - sum / 81.0f) * RW_HAIR_FINE;
    return (int8_t)(CLAMP(fine, -127.0f, 0.0f) - 0.5f);
}

/* ---- the same ---- */

static void compare_ridges(const rw_hair_dsp *dsp, size_t n, float dark)
{
    float out[MOST + GUARD];
    for (int i = 0; i < MOST + GUARD; i++)
        out[i] = -7;
    dsp->ridge(middle_row(), STRIDE, dark, n, out);
    for (size_t i = 0; i < n; i++)
        g_assert_true(out[i] == plain_ridge(middle_row() + i, dark));
    for (size_t i = n; i < MOST + GUARD; i++)
        g_assert_true(out[i] == -7);
}

static void compare_marks(const rw_hair_dsp *dsp, size_t n, GRand *random)
{
    uint32_t history[MOST + GUARD], before[MOST + GUARD];
    for (int i = 0; i < MOST + GUARD; i++)
        before[i] = g_rand_int(random);
    memcpy(history, before, sizeof history);
    dsp->mark(history, middle_row(), 6.0f, n);
    for (size_t i = 0; i < MOST + GUARD; i++) {
        uint32_t now = before[i] << 1 | (middle_row()[i] > 6.0f ? 1 : 0);
        g_assert_cmpuint(history[i], ==, i < n ? now : before[i]);
    }
}

/* columns: nine times the picture's values, about, so that the difference is of either sign. */
static void compare_fine(const rw_hair_dsp *dsp, size_t n)
{
    int8_t out[MOST + GUARD];
    float columns[MOST + GUARD];
    for (int i = 0; i < MOST + GUARD; i++)
        columns[i] = 9 * picture[i + 3];
    memset(out, 77, sizeof out);
    dsp->fine(picture, columns, n, out);
    for (size_t i = 0; i < n; i++)
        g_assert_cmpint(out[i], ==, plain_fine(picture[i], columns + i));
    for (size_t i = n; i < MOST + GUARD; i++)
        g_assert_cmpint(out[i], ==, 77);
}

static void test_level(gconstpointer data)
{
    rw_cpu level = (rw_cpu)GPOINTER_TO_INT(data);
    if (level > rw_cpu_level()) {
        g_test_skip("this machine has no such level");
        return;
    }
    rw_hair_dsp dsp;
    rw_hair_dsp_init(&dsp, level);
    GRand *random = g_rand_new_with_seed(23);
    for (size_t n = 0; n <= MOST; n++)
        for (int kind = 0; kind < 3; kind++) {
            fill(kind, random);
            compare_ridges(&dsp, n, 4.0f);
            compare_ridges(&dsp, n, 8.0f);
            compare_marks(&dsp, n, random);
            compare_fine(&dsp, n);
        }
    g_rand_free(random);
}

static void bench(rw_cpu level)
{
    enum { ROUNDS = 200000 };
    float ridges[MOST];
    int8_t fine[MOST];
    rw_hair_dsp dsp;
    rw_hair_dsp_init(&dsp, level);
    int64_t start = g_get_monotonic_time();
    for (int i = 0; i < ROUNDS; i++) {
        dsp.ridge(middle_row(), STRIDE, 4.0f, MOST, ridges);
        dsp.fine(picture, picture, MOST, fine);
    }
    double ns = (double)(g_get_monotonic_time() - start) * 1e3 / ROUNDS / MOST;
    g_print("# ridge and fine %-7s %.3f ns a pixel\n", rw_cpu_name(level), ns);
}

int main(int argc, char **argv)
{
    return levels_main(argc, argv, "hair", test_level, bench);
}
