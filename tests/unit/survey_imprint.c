/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Expected values are properties of the construction: the same lattice of grain or another one.
 */
#include "survey/fft.h"
#include "survey/imprint.h"
#include "survey_strip.h"

/* Against the definition, summed in double precision. */
static void test_fft(void)
{
    enum { W = 8, H = 4 };
    float re[W * H], im[W * H], in_re[W * H], in_im[W * H];
    for (int i = 0; i < W * H; i++) {
        in_re[i] = re[i] = (float)strip_noise((uint32_t)i, 1, 2);
        in_im[i] = im[i] = (float)strip_noise((uint32_t)i, 3, 4);
    }
    rw_fft *fft = rw_fft_new(W, H);
    rw_fft_forward(fft, re, im);
    for (int v = 0; v < H; v++)
        for (int u = 0; u < W; u++) {
            double want_re = 0, want_im = 0;
            for (int y = 0; y < H; y++)
                for (int x = 0; x < W; x++) {
                    double a = -2 * G_PI * (u * x / (double)W + v * y / (double)H);
                    double r = (double)in_re[y * W + x], i = (double)in_im[y * W + x];
                    want_re += r * cos(a) - i * sin(a);
                    want_im += r * sin(a) + i * cos(a);
                }
            g_assert_cmpfloat_with_epsilon((double)re[v * W + u], want_re, 1e-4);
            g_assert_cmpfloat_with_epsilon((double)im[v * W + u], want_im, 1e-4);
        }
    rw_fft_inverse(fft, re, im);
    for (int i = 0; i < W * H; i++) {
        g_assert_cmpfloat_with_epsilon((double)re[i] / (W * H), (double)in_re[i], 1e-5);
        g_assert_cmpfloat_with_epsilon((double)im[i] / (W * H), (double)in_im[i], 1e-5);
    }
    rw_fft_free(&fft);
}

/* Two real pictures in one transform: the split must give each one's own spectrum. */
static void test_split(void)
{
    enum { W = 16, H = 8 };
    float re[W * H], im[W * H], a_re[W * H], a_im[W * H];
    for (int i = 0; i < W * H; i++) {
        a_re[i] = re[i] = (float)strip_noise((uint32_t)i, 5, 6);
        a_im[i] = 0;
        im[i] = (float)strip_noise((uint32_t)i, 7, 8);
    }
    rw_fft *fft = rw_fft_new(W, H);
    rw_fft_forward(fft, re, im);
    rw_fft_forward(fft, a_re, a_im);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            rw_bin_pair k = rw_fft_split(re, im, W, H, x, y);
            g_assert_cmpfloat_with_epsilon((double)k.a_re, (double)a_re[y * W + x], 1e-4);
            g_assert_cmpfloat_with_epsilon((double)k.a_im, (double)a_im[y * W + x], 1e-4);
        }
    rw_fft_free(&fft);
}

static rw_imprint *shoot(const strip *s, int n, int shot, double dx, double dy)
{
    rw_pixels pixels;
    rw_small small;
    g_autofree uint8_t *data G_GNUC_UNUSED = strip_shoot(s, n, shot, dx, dy, &pixels);
    rw_imprint *imprint = g_new(rw_imprint, 1);
    rw_small_make(&small, &pixels, 480);
    /* registered to the nearest whole pixel only: the matcher finds the rest */
    rw_imprint_make(imprint, s->gauge, &pixels, &small, strip_film_to_px(s, rint(dx), rint(dy)));
    rw_small_clear(&small);
    return imprint;
}

static const rw_grain_band band = {0.06, 0.40};

/* Same frame twice, next frame, and a frame left out; on a motionless scene as rich in fine detail
 * as in grain, which is what fools a comparison of pictures. */
static void test_grain(gconstpointer data)
{
    strip s = STRIP_DEFAULTS;
    s.texture = *(const double *)data;
    g_autofree rw_imprint *first = shoot(&s, 10, 1, 0.3, -0.2);
    g_autofree rw_imprint *again = shoot(&s, 10, 2, 1.7, 2.4);
    g_autofree rw_imprint *next = shoot(&s, 11, 3, -1.4, 0.6);
    g_autofree rw_imprint *later = shoot(&s, 12, 4, 0.8, 1.1);
    rw_matcher *m = rw_matcher_new(band);

    rw_pair_grain doubled = rw_matcher_grain(m, first, again);
    rw_pair_grain step = rw_matcher_grain(m, first, next);
    rw_pair_grain gap = rw_matcher_grain(m, first, later);
    rw_pair_grain back = rw_matcher_grain(m, next, first);
    g_test_message("same %.3f %.3f %.3f; far %.3f %.3f %.3f; beside %.3f %.3f %.3f",
                   doubled.same.correlation, step.same.correlation, gap.same.correlation,
                   doubled.far.correlation, step.far.correlation, gap.far.correlation,
                   doubled.beside_far, step.beside_far, gap.beside_far);

    g_assert_cmpint(doubled.same.patches, ==, 8);
    g_assert_cmpint(step.far.patches, ==, 6);
    g_assert_cmpfloat(1 - doubled.same.correlation, <, 0.35 * (1 - step.same.correlation));
    g_assert_cmpfloat(1 - step.far.correlation, <, 0.45 * (1 - step.beside_far));
    g_assert_cmpfloat(1 - gap.far.correlation, >, 0.8 * (1 - gap.beside_far));
    g_assert_cmpfloat(1 - back.near.correlation, <, 0.45 * (1 - back.beside_near));
    g_assert_cmpfloat(1 - step.near.correlation, >, 0.8 * (1 - step.beside_near));
    /* the shift that was left over by rounding */
    g_assert_cmpfloat_with_epsilon(doubled.same.shift_x, (1.7 - 2) - 0.3, 0.15);
    g_assert_cmpfloat_with_epsilon(doubled.same.shift_y, (2.4 - 2) - (-0.2), 0.15);
    rw_matcher_free(&m);
}

/* The same bits again, and from a matcher that did other work before. */
static void test_repeatable(void)
{
    strip s = STRIP_DEFAULTS;
    g_autofree rw_imprint *a = shoot(&s, 3, 1, 0, 0);
    g_autofree rw_imprint *b = shoot(&s, 4, 2, 0.5, 0.5);
    g_autofree rw_imprint *again = shoot(&s, 3, 1, 0, 0);
    g_assert_true(memcmp(a, again, sizeof *a) == 0);
    rw_matcher *m = rw_matcher_new(band), *fresh = rw_matcher_new(band);
    rw_matcher_grain(m, b, b);
    rw_pair_grain x = rw_matcher_grain(m, a, b), y = rw_matcher_grain(fresh, a, b);
    g_assert_true(x.same.correlation == y.same.correlation && x.same.shift_x == y.same.shift_x &&
                  x.far.correlation == y.far.correlation && x.beside_far == y.beside_far);
    rw_matcher_free(&m);
    rw_matcher_free(&fresh);
}

/* Film that lies on its side, or comes from the other side, gives the same patches. */
static void test_turned(void)
{
    strip s = STRIP_DEFAULTS;
    rw_pixels pixels, turned;
    rw_small small;
    g_autofree uint8_t *data = strip_shoot(&s, 5, 1, 0, 0, &pixels);
    g_autofree uint8_t *side = g_malloc((gsize)s.width * (gsize)s.height);
    for (int y = 0; y < s.height; y++)
        for (int x = 0; x < s.width; x++)
            side[(s.width - 1 - x) * s.height + y] = data[y * s.width + x];
    turned = pixels;
    turned.data = side;
    turned.width = s.height;
    turned.stride = s.height;
    turned.height = s.width;
    rw_affine up = strip_film_to_px(&s, 0, 0);
    rw_affine turn = {{{0, 1, 0}, {-1, 0, s.width - 1}}};
    g_autofree rw_imprint *a = g_new(rw_imprint, 1), *b = g_new(rw_imprint, 1);
    rw_small_make(&small, &pixels, 480);
    rw_imprint_make(a, s.gauge, &pixels, &small, up);
    rw_small_clear(&small);
    rw_small_make(&small, &turned, 480);
    rw_imprint_make(b, s.gauge, &turned, &small, rw_affine_then(up, turn));
    rw_small_clear(&small);
    g_assert_true(memcmp(a->patch, b->patch, sizeof a->patch) == 0);
}

/* Patches that are not on the still are left out and never read. */
static void test_outside(void)
{
    strip s = STRIP_DEFAULTS;
    s.height = 720; /* no room for the neighbouring pictures */
    g_autofree rw_imprint *a = shoot(&s, 3, 1, 0, 0);
    g_autofree rw_imprint *b = shoot(&s, 4, 2, 0, 0);
    rw_matcher *m = rw_matcher_new(band);
    rw_pair_grain g = rw_matcher_grain(m, a, b);
    g_assert_cmpint(g.same.patches, ==, 8);
    g_assert_cmpint(g.far.patches, ==, 0);
    g_assert_true(isnan(g.far.correlation));
    rw_matcher_free(&m);
}

int main(int argc, char **argv)
{
    static const double plain = 0, detailed = 14;
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/survey/fft/definition", test_fft);
    g_test_add_func("/survey/fft/split", test_split);
    g_test_add_data_func("/survey/imprint/grain/plain", &plain, test_grain);
    g_test_add_data_func("/survey/imprint/grain/detailed", &detailed, test_grain);
    g_test_add_func("/survey/imprint/repeatable", test_repeatable);
    g_test_add_func("/survey/imprint/turned", test_turned);
    g_test_add_func("/survey/imprint/outside", test_outside);
    return g_test_run();
}
