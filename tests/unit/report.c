/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "report/plot.h"

/* An axis holds all values, has at most the steps asked for, and its step is 1, 2 or 5 tens. */
static void test_axis(void)
{
    GRand *rand = g_rand_new_with_seed(2);
    for (int i = 0; i < 2000; i++) {
        double least = g_rand_double_range(rand, -1, 1) * pow(10, g_rand_int_range(rand, -6, 7));
        double range = g_rand_double(rand) * pow(10, g_rand_int_range(rand, -6, 7));
        double greatest = least + (i % 10 ? range : 0), low, high, step;
        if (fabs(least) > 1e7 * range)
            continue; /* more digits than a double's eyes can see */
        rw_plot_axis(least, greatest, 4, &low, &high, &step);
        g_assert_cmpfloat(low, <=, least + step * 1e-6);
        g_assert_cmpfloat(high, >=, greatest - step * 1e-6);
        g_assert_cmpfloat((high - low) / step, <=, 4 + 1e-6);
        double lead = step / pow(10, floor(log10(step) + 1e-9));
        g_assert_true(fabs(lead - 1) < 1e-6 || fabs(lead - 2) < 1e-6 || fabs(lead - 5) < 1e-6);
    }
    g_rand_free(rand);
}

static double darkness(cairo_surface_t *surface, int x0, int x1)
{
    cairo_surface_flush(surface);
    const unsigned char *data = cairo_image_surface_get_data(surface);
    int stride = cairo_image_surface_get_stride(surface);
    double sum = 0;
    for (int y = 30; y < 80; y++)
        for (int x = x0; x < x1; x++)
            sum += 255 - data[y * stride + 4 * x];
    return sum;
}

/* One bad frame of thirty thousand must stay visible; nothing but NaN draws nothing. */
static void test_single_frame(void)
{
    enum { COUNT = 30000 };
    double *values = g_new0(double, COUNT);
    rw_plot plot = {.title = "t", .count = COUNT, .series = {{"s", values}}, .n_series = 1};
    double dark[2];
    for (int bad = 0; bad < 2; bad++) {
        values[15000] = bad;
        values[29000] = 1; /* the same axis both times */
        cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, 400, 100);
        cairo_t *cr = cairo_create(surface);
        cairo_set_source_rgb(cr, 1, 1, 1);
        cairo_paint(cr);
        g_assert_true(rw_plot_draw(cr, &plot, 400, 100));
        cairo_destroy(cr);
        dark[bad] = darkness(surface, 200, 240); /* the middle of the reel */
        cairo_surface_destroy(surface);
    }
    g_assert_cmpfloat(dark[1], >, dark[0] + 2000);
    for (int i = 0; i < COUNT; i++)
        values[i] = NAN;
    cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, 400, 100);
    cairo_t *cr = cairo_create(surface);
    g_assert_false(rw_plot_draw(cr, &plot, 400, 100));
    cairo_destroy(cr);
    cairo_surface_destroy(surface);
    g_free(values);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/report/axis", test_axis);
    g_test_add_func("/report/single-frame", test_single_frame);
    return g_test_run();
}
