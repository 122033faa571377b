/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Statistics of pictures whose statistics can be told by heart. Luma and differences: ITU-R
 * BT.709-6, item 3.2, worked out here.
 */
#include <math.h>
#include <string.h>

#include <reelwright/statistics.h>

enum { W = 192, H = 64 };

static uint8_t rgb[H][W][3];
static rw_statistics s;

static void fill(int x0, int x1, int r, int g, int b)
{
    for (int y = 0; y < H; y++)
        for (int x = x0; x < x1; x++) {
            rgb[y][x][0] = (uint8_t)r;
            rgb[y][x][1] = (uint8_t)g;
            rgb[y][x][2] = (uint8_t)b;
        }
}

static void make(void)
{
    rw_statistics_make(&rgb[0][0][0], W, H, 3 * W, &s);
}

static void test_grey(void)
{
    fill(0, W, 100, 100, 100);
    make();
    for (int c = 0; c < 4; c++) {
        g_assert_cmpuint(s.tones[c][25], ==, W * H); /* 100 / 4 */
        g_assert_cmpfloat_with_epsilon(s.mean[c], 100 / 255.0, 1e-3);
    }
    for (int k = 0; k < 3; k++)
        g_assert_cmpfloat_with_epsilon(s.quantile[k], 100 / 255.0, 1e-9);
    uint32_t middle = s.chroma[23][23] + s.chroma[23][24] + s.chroma[24][23] + s.chroma[24][24];
    g_assert_cmpuint(middle, ==, W * H);
}

static void test_halves(void)
{
    fill(0, W / 2, 0, 0, 0);
    fill(W / 2, W, 255, 255, 255);
    make();
    for (int c = 0; c < 3; c++) {
        g_assert_cmpfloat_with_epsilon(s.at_black[c], 0.5, 1e-12);
        g_assert_cmpfloat_with_epsilon(s.at_white[c], 0.5, 1e-12);
    }
    for (int i = 0; i < RW_STATISTICS_COLUMNS; i++)
        g_assert_cmpuint(s.columns[i][i < RW_STATISTICS_COLUMNS / 2 ? 0 : 63], ==,
                         W * H / RW_STATISTICS_COLUMNS);
    g_assert_cmpfloat_with_epsilon(s.mean[3], 0.5, 1e-3);
    g_assert_cmpfloat(s.quantile[0], ==, 0);
    g_assert_cmpfloat(s.quantile[2], ==, 1);
}

/* Pure red: Y 0.2126, Cb -0.1146, Cr 0.5; blue: Y 0.0722, Cb 0.5, Cr -0.0458. */
static void test_colours(void)
{
    fill(0, W, 255, 0, 0);
    make();
    g_assert_cmpuint(s.chroma[0][(int)floor((0.5 - 0.1146) * 48)], ==, W * H);
    g_assert_cmpuint(s.tones[3][(int)(0.2126 * 255) / 4], ==, W * H);
    fill(0, W, 0, 0, 255);
    make();
    g_assert_cmpuint(s.chroma[47 - (int)floor((0.5 - 0.0458) * 48)][47], ==, W * H);
}

static void test_sums(void)
{
    GRand *r = g_rand_new_with_seed(2);
    for (int i = 0; i < W * H * 3; i++)
        (&rgb[0][0][0])[i] = (uint8_t)g_rand_int_range(r, 0, 256);
    g_rand_free(r);
    make();
    uint64_t tones[4] = {0}, columns = 0, chroma = 0;
    for (int i = 0; i < RW_STATISTICS_TONES; i++)
        for (int c = 0; c < 4; c++)
            tones[c] += s.tones[c][i];
    for (int i = 0; i < RW_STATISTICS_COLUMNS * RW_STATISTICS_TONES; i++)
        columns += (&s.columns[0][0])[i];
    for (int i = 0; i < RW_STATISTICS_CHROMA * RW_STATISTICS_CHROMA; i++)
        chroma += (&s.chroma[0][0])[i];
    for (int c = 0; c < 4; c++)
        g_assert_cmpuint(tones[c], ==, W * H);
    g_assert_cmpuint(columns, ==, W * H);
    g_assert_cmpuint(chroma, ==, W * H);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/statistics/grey", test_grey);
    g_test_add_func("/statistics/halves", test_halves);
    g_test_add_func("/statistics/colours", test_colours);
    g_test_add_func("/statistics/sums", test_sums);
    return g_test_run();
}
