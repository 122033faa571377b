/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The stage "colour": what its choices do to light. A stop doubles light; the CDL is held against
 * its formula (Pines and Reisner, ASC CDL 1.2, 2009); the rest are its own promises: no source.
 */
#include <math.h>
#include <string.h>

#include "base/pool.h"
#include "colour/reel_colour.h"
#include "restore/stages.h"

static const char table[] = "LUT_3D_SIZE 2\n0 0 0\n1 0 0\n0 1 0\n1 1 0\n0 0 1\n1 0 1\n0 1 1\n"
                            "0.5 0.5 0.5\n"; /* identity but for white */

static GBytes *kept_file(const rw_stage_scene *scene, const char *text, GError **error)
{
    (void)scene, (void)error;
    g_assert_cmpstr(text, ==, "kept");
    return g_bytes_new_static(table, sizeof table - 1);
}

/* What the survey found out, in this test. */
typedef struct block {
    rw_reel_colour reel;
    rw_scene_colour scene;
    rw_frame_colour frame;
} block;
static block fact;
#define FACT_BYTES (offsetof(block, frame) + sizeof(rw_frame_colour)) /* no padding at the end */

static GBytes *reel_fact(const rw_stage_scene *scene, const char *name)
{
    (void)scene;
    g_assert_cmpstr(name, ==, "colour");
    return fact.reel.version ? g_bytes_new(&fact, FACT_BYTES) : NULL;
}

/* Light of a uniform frame after the stage with these settings, "key=value" with blanks between;
 * whether the picture was passed on untouched. */
static bool run(const char *settings, const double light[3], double out[3])
{
    const rw_stage *stage = rw_stage_find("colour");
    g_autofree void *params = g_malloc0(stage->params_size);
    rw_params_defaults(stage->params, params);
    g_auto(GStrv) list = g_strsplit(settings, ";", -1);
    for (char **s = list; *s && **s; s++) {
        char *equal = strchr(*s, '=');
        *equal = '\0';
        g_autoptr(GError) error = NULL;
        rw_params_set(stage->params, params, *s, equal + 1, &error);
        g_assert_no_error(error);
    }
    rw_pool *pool = rw_pool_new(1 << 20);
    rw_frame in = {0}, made = {0};
    g_assert_true(rw_frame_alloc(&in, pool, 8, 4, 3, NULL));
    for (int c = 0; c < 3; c++)
        for (int y = 0; y < 4; y++)
            for (int x = 0; x < 8; x++)
                in.plane[c][y * in.stride + x] = (float)light[c];
    rw_window window = {0};
    window.frame[RW_REACH_MAX] = &in;
    rw_stage_scene scene = {.kept_file = kept_file, .reel_fact = reel_fact};
    g_autoptr(GError) error = NULL;
    void *equipment = stage->equip(&scene, params, &error);
    g_assert_no_error(error);
    rw_stage_run run = {.scene = &scene, .params = params, .pool = pool, .equipment = equipment};
    rw_stage_trace trace = {.gain = {1, 1, 1}};
    g_assert_true(stage->frame(&run, &window, &made, &trace, NULL));
    for (int c = 0; c < 3; c++)
        out[c] = (double)made.plane[c][3 * made.stride + 7];
    bool passed = made.plane[0] == in.plane[0];
    stage->unequip(equipment);
    rw_frame_clear(&made);
    rw_frame_clear(&in);
    rw_pool_free(&pool);
    return passed;
}

static void through(const char *key, const char *value, const double light[3], double out[3])
{
    g_autofree char *setting = g_strdup_printf("%s=%s", key, value);
    run(setting, light, out);
}

static double luminance(const double light[3])
{
    return 0.2126 * light[0] + 0.7152 * light[1] + 0.0722 * light[2]; /* BT.709 [M] */
}

static void test_exposure(void)
{
    double in[3] = {0.1, 0.2, 0.05}, out[3];
    through("exposure", "1", in, out);
    for (int c = 0; c < 3; c++)
        g_assert_cmpfloat_with_epsilon(out[c], 2 * in[c], 1e-6);
    through("exposure", "-2", in, out);
    for (int c = 0; c < 3; c++)
        g_assert_cmpfloat_with_epsilon(out[c], in[c] / 4, 1e-6);
}

static void test_warmth(void)
{
    double grey[3] = {0.3, 0.3, 0.3}, out[3];
    through("warmth", "1", grey, out);
    g_assert_cmpfloat_with_epsilon(luminance(out), 0.3, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[0] / out[2], 2, 1e-5); /* a stop of red over blue */
    through("warmth", "-1", grey, out);
    g_assert_cmpfloat_with_epsilon(luminance(out), 0.3, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[2] / out[0], 2, 1e-5);
}

static void test_contrast(void)
{
    double grey[3] = {0.18, 0.18, 0.18}, tones[3] = {0.09, 0.36, 0.18}, out[3];
    through("contrast", "1.5", grey, out);
    g_assert_cmpfloat_with_epsilon(out[1], 0.18, 1e-6);
    through("contrast", "2", tones, out); /* a stop below and above become two */
    g_assert_cmpfloat_with_epsilon(out[0], 0.045, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[1], 0.72, 1e-5);
    g_assert_cmpfloat_with_epsilon(out[2], 0.18, 1e-6);
}

static void test_nothing(void)
{
    double in[3] = {0.1, 0.2, 0.05}, out[3];
    g_assert_true(run("", in, out)); /* no survey, no choice: the very picture */
    const rw_stage *stage = rw_stage_find("colour");
    g_autofree void *params = g_malloc0(stage->params_size);
    rw_params_defaults(stage->params, params);
    g_assert_false(stage->idle(params));
    rw_params_set(stage->params, params, "lamp", "off", NULL);
    rw_params_set(stage->params, params, "fade", "0", NULL);
    rw_params_set(stage->params, params, "balance", "0", NULL);
    g_assert_true(stage->idle(params));
}

static void test_tint(void)
{
    double grey[3] = {0.3, 0.3, 0.3}, out[3];
    through("tint", "1", grey, out);
    g_assert_cmpfloat_with_epsilon(luminance(out), 0.3, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[0] / out[1], 2, 1e-5); /* a stop of magenta over green */
    g_assert_cmpfloat_with_epsilon(out[2], out[0], 1e-6);
}

static double coded(double light)
{
    return pow(light, 1 / 2.4); /* BT.1886, black at zero */
}

static void test_levels(void)
{
    double in[3] = {pow(0.5, 2.4), pow(0.1, 2.4), pow(0.9, 2.4)}, out[3];
    run("black=0.1;white=0.9", in, out);
    g_assert_cmpfloat_with_epsilon(coded(out[0]), 0.5, 1e-5);
    g_assert_cmpfloat_with_epsilon(coded(out[1]), 0, 1e-2);
    g_assert_cmpfloat_with_epsilon(coded(out[2]), 1, 1e-5);
    run("saturation=0", in, out);
    g_assert_cmpfloat_with_epsilon(out[0], out[1], 1e-6);
    g_assert_cmpfloat_with_epsilon(coded(out[2]), 0.2126 * 0.5 + 0.7152 * 0.1 + 0.0722 * 0.9, 1e-5);
}

static void test_cdl(void)
{
    double in[3] = {pow(0.5, 2.4), pow(0.3, 2.4), pow(0.2, 2.4)}, out[3];
    run("slope-red=1.2;offset-green=0.05;power-blue=0.8;cdl-saturation=0.9", in, out);
    double v[3] = {0.5 * 1.2, 0.3 + 0.05, pow(0.2, 0.8)};
    double luma = luminance(v);
    for (int c = 0; c < 3; c++)
        g_assert_cmpfloat_with_epsilon(coded(out[c]), luma + 0.9 * (v[c] - luma), 2e-5);
}

static void test_table(void)
{
    double white[3] = {1, 1, 1}, red[3] = {1, 0, 0}, out[3];
    run("cube=kept", white, out);
    for (int c = 0; c < 3; c++)
        g_assert_cmpfloat_with_epsilon(coded(out[c]), 0.5, 1e-5);
    run("cube=kept", red, out);
    g_assert_cmpfloat_with_epsilon(out[0], 1, 1e-5);
    g_assert_cmpfloat_with_epsilon(out[1], 0, 1e-5);
}

static void test_camera(void)
{
    double in[3] = {0.1, 0.2, 0.4}, out[3];
    run("camera=0.5 0.5 0 0 1 0 0.25 0 0.75", in, out);
    g_assert_cmpfloat_with_epsilon(out[0], 0.15, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[1], 0.2, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[2], 0.325, 1e-6);
}

/* Dyes that have lost a share give it back; each thing can be switched off. */
static void test_by_itself(void)
{
    fact = (block){.reel = {.version = RW_REEL_COLOUR_VERSION,
                            .n_scenes = 1,
                            .n_frames = 1,
                            .lamp = {1, 1.25f, 1},
                            .fade = {{2, 0, 0, 0}, {0, 1, 0, 0}, {0, 0, 1, -0.5f}},
                            .fade_evidence = 1},
                   .scene = {0, 0, {0, 0, 0.25f}},
                   .frame = {{1, 0, 0}}};
    double in[3] = {0.1, 0.2, 0.2}, out[3];
    run("", in, out);
    g_assert_cmpfloat_with_epsilon(out[0], 0.2 * 0.2, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[1], 0.25, 1e-6);
    g_assert_cmpfloat_with_epsilon(out[2], 0.2 * exp2(0.5 + 0.25), 1e-6);
    run("fade=0", in, out);
    g_assert_cmpfloat_with_epsilon(out[0], 0.2, 1e-6);
    run("lamp=off;fade=0.5;balance=0", in, out);
    g_assert_cmpfloat_with_epsilon(out[0], pow(0.1, 1.5), 1e-6);
    g_assert_cmpfloat_with_epsilon(out[2], 0.2 * exp2(0.25), 1e-6);
    run("lamp=off;balance=0;dyes=whole", in, out);
    g_assert_cmpfloat_with_epsilon(out[0], 0.1, 1e-6);
    fact.reel.fade_evidence = 0;
    run("lamp=off;balance=0", in, out);
    g_assert_cmpfloat_with_epsilon(out[0], 0.1, 1e-6);
    run("lamp=off;balance=0;dyes=faded", in, out); /* a person knows better */
    g_assert_cmpfloat_with_epsilon(out[0], 0.01, 1e-6);
    fact.reel.fade_evidence = 1;
    double bright[3] = {1, 0.99, 0.999};
    run("lamp=off", bright, out); /* nothing is driven over the top */
    for (int c = 0; c < 3; c++)
        g_assert_true(out[c] < 1);
    g_assert_true(run("lamp=off;fade=0;balance=0", in, out));
    fact = (block){0};
}

static void test_bad_facts(void)
{
    block b = {.reel = {.version = RW_REEL_COLOUR_VERSION, .n_scenes = 1, .n_frames = 1}};
    g_assert_nonnull(rw_reel_colour_read(&b, FACT_BYTES));
    g_assert_null(rw_reel_colour_read(&b, FACT_BYTES - 1));
    b.frame.drift[1] = NAN;
    g_assert_null(rw_reel_colour_read(&b, FACT_BYTES));
    b.frame.drift[1] = 0;
    b.reel.n_frames = INT32_MAX;
    g_assert_null(rw_reel_colour_read(&b, FACT_BYTES));
    b.reel.version = 99;
    g_assert_null(rw_reel_colour_read(&b, FACT_BYTES));
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/look/exposure", test_exposure);
    g_test_add_func("/look/warmth", test_warmth);
    g_test_add_func("/look/contrast", test_contrast);
    g_test_add_func("/look/nothing", test_nothing);
    g_test_add_func("/look/tint", test_tint);
    g_test_add_func("/look/levels", test_levels);
    g_test_add_func("/look/cdl", test_cdl);
    g_test_add_func("/look/table", test_table);
    g_test_add_func("/look/camera", test_camera);
    g_test_add_func("/look/by-itself", test_by_itself);
    g_test_add_func("/look/bad-facts", test_bad_facts);
    return g_test_run();
}
