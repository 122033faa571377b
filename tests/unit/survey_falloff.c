/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The lens's fall-off as perforations tell it, on stills that are drawn here: bare light of a known
 * fall-off in the holes, a picture beside them that must have no say. No source but the drawing.
 */
#include <math.h>

#include <reelwright/colour.h>
#include <reelwright/film.h>

#include "../support/made_noise.h"
#include "survey/falloff.h"

enum { WIDTH = 900, HEIGHT = 600 };

static const double scale = 125; /* px per mm */

/* Film x begins 60 px from the left, y is 0 in the middle. */
static rw_affine place(void)
{
    return (rw_affine){{{scale, 0, 60}, {0, scale, HEIGHT / 2.0}}};
}

static bool in_hole(const rw_gauge *gauge, double x, double y)
{
    for (int k = 0; k < gauge->n_perforations; k++) {
        const rw_perforation *p = &gauge->perforations[k];
        if (x > p->x && x < p->x + p->width && y > p->y && y < p->y + p->height)
            return true;
    }
    return false;
}

/* light: of the lamp in the middle of the still. */
static double told(const rw_gauge *gauge, double stops, double light, bool dirty)
{
    const rw_curve *srgb = rw_curve_find("srgb");
    uint8_t *rgb = g_malloc(3 * WIDTH * HEIGHT);
    double corner = (WIDTH * WIDTH + HEIGHT * HEIGHT) / 4.0;
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            double dx = x - (WIDTH - 1) / 2.0, dy = y - (HEIGHT - 1) / 2.0;
            double u = (x - 60) / scale, v = (y - HEIGHT / 2.0) / scale;
            double film = in_hole(gauge, u, v)
                              ? 1
                              : 0.1 + 0.5 * made_uniform((uint32_t)x / 40, (uint32_t)y / 40);
            if (dirty && fabs(v - 0.2) < 0.1)
                film *= 0.3; /* a hair across the hole */
            double seen = light * film * exp2(-stops * (dx * dx + dy * dy) / corner);
            double code =
                255 * srgb->from_light(fmin(seen, 1)) + made_noise((uint32_t)(y * WIDTH + x), 5);
            for (int c = 0; c < 3; c++)
                rgb[3 * (y * WIDTH + x) + c] = (uint8_t)lrint(CLAMP(code, 0, 255));
        }
    rw_pixels pixels = {.data = rgb,
                        .width = WIDTH,
                        .height = HEIGHT,
                        .stride = 3 * WIDTH,
                        .bits = 8,
                        .channels = 3,
                        .eighths = 8,
                        .full_width = WIDTH,
                        .full_height = HEIGHT};
    double found = rw_falloff_of(&pixels, place(), gauge);
    g_test_message("%s: %.3f stops lost, %.3f told", gauge->name, stops, found);
    g_free(rgb);
    return found;
}

static void test_told(void)
{
    static const double stops[] = {0, 0.15, 0.6};
    for (const rw_gauge *const *g = rw_gauge_all(); *g; g++)
        for (size_t k = 0; k < G_N_ELEMENTS(stops); k++)
            g_assert_cmpfloat(fabs(told(*g, stops[k], 0.8, false) - stops[k]), <, 0.03);
    g_assert_cmpfloat(fabs(told(rw_gauge_find("super8"), 0.3, 0.8, true) - 0.3), <, 0.06);
}

static void test_not_told(void)
{
    const rw_gauge *gauge = rw_gauge_find("super8");
    g_assert_true(isnan(told(gauge, 0.3, 1.6, false))); /* clipped */
    rw_gauge none = *gauge;
    none.n_perforations = 0;
    g_assert_true(isnan(told(&none, 0.3, 0.8, false)));
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/survey-falloff/told", test_told);
    g_test_add_func("/survey-falloff/not-told", test_not_told);
    return g_test_run();
}
