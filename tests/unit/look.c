/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The stage "colour": what a stop, warmth and contrast do to light. A stop doubles light; the rest
 * are its own promises: no source.
 */
#include <math.h>

#include "base/pool.h"
#include "restore/stages.h"

/* Light of a uniform frame after the stage with these parameters. */
static void through(const char *key, const char *value, const double light[3], double out[3])
{
    const rw_stage *stage = rw_stage_find("colour");
    g_autofree void *params = g_malloc0(stage->params_size);
    rw_params_defaults(stage->params, params);
    g_assert_true(stage->idle(params));
    g_assert_true(rw_params_set(stage->params, params, key, value, NULL));
    rw_pool *pool = rw_pool_new(1 << 20);
    rw_frame in = {0}, made = {0};
    g_assert_true(rw_frame_alloc(&in, pool, 8, 4, 3, NULL));
    for (int c = 0; c < 3; c++)
        for (int y = 0; y < 4; y++)
            for (int x = 0; x < 8; x++)
                in.plane[c][y * in.stride + x] = (float)-log10(light[c]);
    rw_window window = {0};
    window.frame[RW_REACH_MAX] = &in;
    rw_stage_run run = {.params = params, .pool = pool};
    rw_stage_trace trace = {.gain = {1, 1, 1}};
    g_assert_true(stage->frame(&run, &window, &made, &trace, NULL));
    for (int c = 0; c < 3; c++)
        out[c] = pow(10, -(double)made.plane[c][3 * made.stride + 7]);
    rw_frame_clear(&made);
    rw_frame_clear(&in);
    rw_pool_free(&pool);
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

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/look/exposure", test_exposure);
    g_test_add_func("/look/warmth", test_warmth);
    g_test_add_func("/look/contrast", test_contrast);
    return g_test_run();
}
