/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Curves against the values of their standards; cadence, geometry and planning of finish.
 */
#include <math.h>

#include <reelwright/colour.h>
#include <reelwright/param.h>
#include <reelwright/stage.h>

static void assert_near(double got, double want, double tolerance)
{
    g_assert_cmpfloat(fabs(got - want), <=, tolerance);
}

static void test_curve_values(void)
{
    const rw_curve *srgb = rw_curve_find("srgb"), *bt709 = rw_curve_find("bt709");
    /* IEC 61966-2-1, worked out from its formula to seven places. */
    assert_near(srgb->from_light(0.18), 0.461356, 5e-7);
    assert_near(srgb->to_light(0.5), 0.2140411, 5e-8);
    assert_near(srgb->to_light(128.0 / 255), 0.2158605, 5e-8);
    /* ITU-R BT.709-6 with its printed 1.099 and 0.018; ours has the exact join, which lies within
     * 3e-4 of it everywhere. */
    assert_near(bt709->from_light(0.18), 0.40901, 3e-4);
    assert_near(bt709->from_light(0.5), 0.70552, 3e-4);
    assert_near(bt709->from_light(0.018), 0.0810, 3e-4);
    for (int i = 0; i <= 1000; i++) {
        double l = i / 1000.0;
        double printed = l < 0.018 ? 4.5 * l : 1.099 * pow(l, 0.45) - 0.099;
        assert_near(bt709->from_light(l), printed, 3e-4);
    }
    /* ITU-R BT.1886 Annex 1: Lw 100, Lb 0.1 gives L(0.5) = 21.60491; black 0 gives 0.5^2.4. */
    assert_near(rw_bt1886_light(0.5, 100, 0.1), 21.60491, 5e-6);
    assert_near(rw_bt1886_light(1, 100, 0.1), 100, 1e-9);
    assert_near(rw_bt1886_light(0, 100, 0.1), 0.1, 1e-9);
    assert_near(rw_curve_find("bt1886")->to_light(0.5), 0.189465, 5e-7);
    g_assert_null(rw_curve_find("gamma"));
}

/* Laws that every row of the table must hold. */
static void test_curve_laws(void)
{
    for (const rw_curve *const *c = rw_curve_all(); *c; c++) {
        const rw_curve *curve = *c;
        g_assert_true(rw_curve_find(curve->name) == curve);
        assert_near(curve->from_light(0), 0, 0);
        assert_near(curve->from_light(1), 1, 1e-12);
        assert_near(curve->to_light(1), 1, 1e-12);
        assert_near(curve->to_light(-1), 0, 0);
        assert_near(curve->from_light(2), 1, 1e-12);
        double last = -1;
        for (int code = 0; code <= 65535; code += 5) {
            double v = code / 65535.0, light = curve->to_light(v);
            g_assert_cmpfloat(light, >, last);
            last = light;
            assert_near(curve->from_light(light), v, 2e-7); /* sRGB's own rounding of its join */
        }
        float table[256];
        rw_curve_fill_table(curve, 8, table);
        assert_near((double)table[128], curve->to_light(128.0 / 255), 1e-7);
        assert_near((double)table[255], 1, 0);
    }
}

typedef struct sample_params {
    double share;
    int steps;
    bool keep;
    int fill;
} sample_params;
static const char *const fills[] = {"hold", "blend", NULL};
static const rw_param sample_rows[] = {
    RW_PARAM_NUMBER_ROW(sample_params, share, "Share", "", -1, 1, 0.1, "Share."),
    RW_PARAM_WHOLE_ROW(sample_params, steps, "Steps", "", 1, 9, 3, "Steps."),
    RW_PARAM_SWITCH_ROW(sample_params, keep, "Keep", true, "Keep."),
    RW_PARAM_WORD_ROW(sample_params, fill, "Fill", fills, 2, 1, "Fill."), RW_PARAM_END};

static void assert_refused(const char *key, const char *text)
{
    g_autoptr(GError) error = NULL;
    sample_params p, before;
    memset(&p, 0, sizeof p);
    rw_params_defaults(sample_rows, &p);
    before = p;
    g_assert_false(rw_params_set(sample_rows, &p, key, text, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
    g_assert_nonnull(strstr(error->message, key));
    g_assert_true(memcmp(&p, &before, sizeof p) == 0);
}

static void test_params(void)
{
    sample_params p, q;
    rw_params_defaults(sample_rows, &p);
    assert_near(p.share, 0.1, 0);
    g_assert_cmpint(p.steps, ==, 3);
    g_assert_true(p.keep);
    g_assert_cmpint(p.fill, ==, 1);
    g_autofree char *first = rw_params_hash(sample_rows, &p);
    const char *const settings[][2] = {
        {"share", "-0.3"}, {"steps", "9"}, {"keep", "off"}, {"fill", "hold"}};
    rw_params_defaults(sample_rows, &q);
    for (size_t i = 0; i < G_N_ELEMENTS(settings); i++) {
        g_assert_true(rw_params_set(sample_rows, &p, settings[i][0], settings[i][1], NULL));
        g_autofree char *text = rw_params_get(sample_rows, &p, settings[i][0]);
        g_assert_true(rw_params_set(sample_rows, &q, settings[i][0], text, NULL));
    }
    g_assert_true(p.share == q.share && p.steps == q.steps && p.keep == q.keep && p.fill == q.fill);
    g_autofree char *second = rw_params_hash(sample_rows, &p);
    g_assert_cmpstr(first, !=, second);
    g_assert_cmpuint(strlen(second), ==, 16);
    const char *const refused[][2] = {{"share", "2"},   {"share", "nan"}, {"share", ""},
                                      {"share", "1x"},  {"steps", "1.5"}, {"keep", "yes"},
                                      {"fill", "soft"}, {"colour", "1"}};
    for (size_t i = 0; i < G_N_ELEMENTS(refused); i++)
        assert_refused(refused[i][0], refused[i][1]);
}

/* Every row of the stage table is one that the pipeline and the page can rely on. */
static void test_stage_table(void)
{
    for (const rw_stage *const *s = rw_stages(); *s; s++) {
        const rw_stage *stage = *s;
        g_assert_true(rw_stage_find(stage->name) == stage);
        g_assert_cmpint(stage->version, >=, 1);
        g_assert_true(stage->title && stage->help);
        g_assert_true((stage->params != NULL) == (stage->params_size > 0));
        g_assert_true((stage->observe != NULL) == (stage->prepare != NULL));
        g_assert_true((stage->observe != NULL) == (stage->observation_bytes > 0));
        g_assert_cmpint(stage->observe_reach, <=, RW_REACH_MAX);
        g_autofree void *params = g_malloc0(MAX(stage->params_size, 1));
        rw_params_defaults(stage->params, params);
        for (const rw_param *row = stage->params; row && row->key; row++) {
            g_assert_cmpfloat(row->min, <=, row->initial);
            g_assert_cmpfloat(row->initial, <=, row->max);
            g_assert_cmpuint(row->offset, <, stage->params_size);
            g_assert_true(row->label && row->help && row->unit);
            g_assert_true((row->kind == RW_PARAM_WORD) == (row->words != NULL));
        }
        int before = 0, after = 0;
        if (stage->reach)
            stage->reach(params, &before, &after);
        g_assert_true(before >= 0 && before <= RW_REACH_MAX && after >= 0 && after <= RW_REACH_MAX);
    }
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/finish/curve/values", test_curve_values);
    g_test_add_func("/finish/curve/laws", test_curve_laws);
    g_test_add_func("/finish/params", test_params);
    g_test_add_func("/finish/stage-table", test_stage_table);
    return g_test_run();
}
