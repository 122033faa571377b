/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the survey saw of a still's light, read anew by the curve that its codes were made with.
 */
#include <math.h>

#include <reelwright/colour.h>

#include "survey/hue.h"

/* The sight of stills whose light was coded by `curve`, as the survey measures it: by sRGB. */
static void see(const rw_curve *curve, const double light[3], rw_colour_sight *sight)
{
    const rw_curve *srgb = rw_curve_find("srgb");
    rw_colour_sight_clear(sight);
    for (int c = 0; c < 3; c++) {
        double code = round(255 * curve->from_light(light[c]));
        sight->clear[c] = sight->mean[c] = (float)srgb->to_light(code / 255);
        for (int i = 0; i < RW_COLOUR_SAMPLES; i++)
            sight->sample[i][c] = (uint8_t)code;
    }
}

/* ITU-R BT.2100-2, table 5 (HLG) and BT.709-6, item 1.2, as rw_curve_find has them; whatever the
 * curve, light comes back within what 8 bits tell. */
static void test_curves(void)
{
    static const char *const names[] = {"hlg", "bt709", "linear", "bt1886"};
    static const double light[3] = {0.31, 0.5, 0.11};
    const rw_curve *srgb = rw_curve_find("srgb");
    for (size_t k = 0; k < G_N_ELEMENTS(names); k++) {
        const rw_curve *curve = rw_curve_find(names[k]);
        float table[256];
        rw_colour_sight sight;
        rw_curve_fill_table(curve, 8, table);
        see(curve, light, &sight);
        rw_hue_read_as(table, &sight);
        for (int c = 0; c < 3; c++) {
            double code = round(255 * curve->from_light(light[c]));
            double step = curve->to_light((code + 1) / 255) - curve->to_light(code / 255);
            double full = curve->to_light(1);
            g_assert_cmpfloat(fabs((double)sight.clear[c] * full - light[c]), <, 0.6 * step + 1e-4);
            double seen = srgb->to_light(sight.sample[7][c] / 255.0) * full;
            g_assert_cmpfloat(fabs(seen - light[c]), <, 0.6 * step + 0.01 * full);
        }
        g_assert_true(isnan(sight.rebate[0])); /* what was not seen stays so */
    }
}

/* By sRGB nothing changes but for rounding. */
static void test_same(void)
{
    float table[256];
    rw_colour_sight sight;
    const rw_curve *srgb = rw_curve_find("srgb");
    rw_curve_fill_table(srgb, 8, table);
    for (int v = 0; v < 256; v++) {
        rw_colour_sight_clear(&sight);
        sight.clear[1] = table[v];
        sight.sample[0][2] = (uint8_t)v;
        rw_hue_read_as(table, &sight);
        g_assert_cmpfloat(fabsf(sight.clear[1] - table[v]), <, 1e-5f);
        g_assert_cmpint(sight.sample[0][2], ==, v);
    }
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/survey-hue/curves", test_curves);
    g_test_add_func("/survey-hue/same", test_same);
    return g_test_run();
}
