/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A chart that is drawn here from the published L*a*b* values, seen by a camera with colours of its
 * own: found, read, and set right.
 */
#include <math.h>
#include <string.h>

#include <reelwright/chart.h>
#include <reelwright/colour.h>

#include "colour/lab.h"

static double published[24][3];

static void read_published(void)
{
    g_autofree char *text = NULL;
    g_assert_true(g_file_get_contents(TEST_DATA "/colorchecker_lab_d50.csv", &text, NULL, NULL));
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    int p = 0;
    for (char **line = lines; *line; line++) {
        if (!g_ascii_isdigit(**line))
            continue;
        g_auto(GStrv) f = g_strsplit(*line, ",", -1);
        for (int i = 0; i < 3; i++)
            published[p][i] = g_ascii_strtod(f[2 + i], NULL); /* after2014 */
        p++;
    }
    g_assert_cmpint(p, ==, 24);
}

static void test_values(void)
{
    for (int p = 0; p < 24; p++)
        for (int i = 0; i < 3; i++)
            g_assert_cmpfloat(rw_chart_usual()[p][i], ==, published[p][i]);
}

/* What a camera with other primaries, another white and less exposure makes of it. */
static const double camera[3][3] = {{0.48, 0.22, 0.05}, {0.09, 0.50, 0.08}, {0.02, 0.13, 0.38}};

static void camera_light(int p, double out[3])
{
    double light[3];
    rw_lab lab = {published[p][0], published[p][1], published[p][2]};
    rw_linear_from_xyz(rw_xyz_d50_to_d65(rw_xyz_from_lab(lab, rw_white_d50)), light);
    for (int i = 0; i < 3; i++)
        out[i] = camera[i][0] * light[0] + camera[i][1] * light[1] + camera[i][2] * light[2];
}

static void test_matrix(void)
{
    double seen[24][3];
    rw_chart_fit fit;
    g_autoptr(GError) error = NULL;
    for (int p = 0; p < 24; p++)
        camera_light(p, seen[p]);
    g_assert_true(rw_chart_solve(seen, published, &fit, &error));
    g_assert_no_error(error);
    g_assert_cmpfloat(fit.mean, <, 0.02);
    for (int i = 0; i < 3; i++) /* camera and matrix together change exposure and nothing else */
        for (int j = 0; j < 3; j++) {
            double sum = 0, first = 0;
            for (int k = 0; k < 3; k++) {
                sum += fit.matrix[i][k] * camera[k][j];
                first += fit.matrix[0][k] * camera[k][0];
            }
            g_assert_cmpfloat_with_epsilon(sum / first, i == j, 2e-3);
        }
    for (int p = 0; p < 24; p++)
        for (int i = 0; i < 3; i++)
            seen[p][i] = 0.2;
    g_assert_false(rw_chart_solve(seen, published, &fit, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_FAILED);
}

enum { W = 900, H = 640 };

/* The chart turned by `turn` degrees about the middle, on a table that is not plain; noise, and 8
 * bits. */
static uint8_t *photograph(double turn, double step)
{
    uint8_t *rgb = g_malloc(3 * W * H);
    GRand *r = g_rand_new_with_seed(8);
    const rw_curve *curve = rw_curve_find("srgb");
    double c = cos(turn * G_PI / 180), s = sin(turn * G_PI / 180);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            double dx = x - W / 2.0, dy = y - H / 2.0;
            double u = (c * dx + s * dy) / step + 2.5, v = (-s * dx + c * dy) / step + 1.5;
            int i = (int)lrint(u), j = (int)lrint(v);
            double light[3] = {0.03, 0.03, 0.03}; /* between the patches */
            if (i >= 0 && i < 6 && j >= 0 && j < 4 && fabs(u - i) < 0.4 && fabs(v - j) < 0.4)
                camera_light(6 * j + i, light);
            else if (u < -0.8 || u > 5.8 || v < -0.8 || v > 3.8)
                for (int k = 0; k < 3; k++)
                    light[k] = 0.15 + 0.1 * sin(x * 0.4 + k) * sin(y * 0.3);
            for (int k = 0; k < 3; k++) {
                double noisy = fmax(light[k] + g_rand_double_range(r, -0.004, 0.004), 0);
                rgb[3 * (y * W + x) + k] = (uint8_t)lrint(255 * curve->from_light(noisy));
            }
        }
    g_rand_free(r);
    return rgb;
}

static void test_photograph(void)
{
    static const double turns[] = {0, 7, 90, 183, 275};
    for (size_t k = 0; k < G_N_ELEMENTS(turns); k++) {
        double step = turns[k] == 0 || turns[k] == 183 || turns[k] == 7 ? 110 : 80;
        g_autofree uint8_t *rgb = photograph(turns[k], step);
        rw_chart_place place;
        rw_chart_fit fit;
        double seen[24][3];
        g_autoptr(GError) error = NULL;
        rw_chart_find(rgb, W, H, 3 * W, &place, &error);
        g_assert_no_error(error);
        double c = cos(turns[k] * G_PI / 180), s = sin(turns[k] * G_PI / 180);
        double x = W / 2.0 + step * (c * -2.5 - s * -1.5),
               y = H / 2.0 + step * (s * -2.5 + c * -1.5);
        g_assert_cmpfloat_with_epsilon(place.corner[0].x, x, 0.1 * step);
        g_assert_cmpfloat_with_epsilon(place.corner[0].y, y, 0.1 * step);
        g_assert_true(rw_chart_read(rgb, W, H, 3 * W, &place, seen, &error));
        g_assert_true(rw_chart_solve(seen, published, &fit, &error));
        g_test_message("turned by %g: mean %.3f, worst %.3f dE2000", turns[k], fit.mean, fit.worst);
        g_assert_cmpfloat(fit.mean, <, 1.5);
    }
}

static void test_none(void)
{
    g_autofree uint8_t *rgb = g_malloc0(3 * W * H);
    rw_chart_place place;
    g_autoptr(GError) error = NULL;
    for (int i = 0; i < W * H; i++)
        memset(rgb + 3 * i, (i / 40 % 7) * 30 + (i / W / 30 % 5) * 10, 3);
    g_assert_false(rw_chart_find(rgb, W, H, 3 * W, &place, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_NOT_FOUND);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    read_published();
    g_test_add_func("/chart/values", test_values);
    g_test_add_func("/chart/matrix", test_matrix);
    g_test_add_func("/chart/photograph", test_photograph);
    g_test_add_func("/chart/none", test_none);
    return g_test_run();
}
