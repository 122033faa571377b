/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Sharpness from grain, and motion from views. Expected values come from the construction: a blur
 * or a shift of known size.
 */
#include "survey/grain.h"
#include "survey/picture.h"
#include "survey/step.h"
#include "survey_strip.h"

static rw_grain_reading read_grain(const strip *s, int n, const rw_grain_bands *bands)
{
    rw_pixels pixels;
    rw_small small;
    rw_grain_reading reading;
    g_autofree uint8_t *data G_GNUC_UNUSED = strip_shoot(s, n, n, 0, 0, &pixels);
    rw_small_make(&small, &pixels, 480);
    rw_grain_reader *reader = rw_grain_reader_new(bands);
    rw_grain_reader_read(reader, s->gauge, &pixels, &small, strip_film_to_px(s, 0, 0), &reading);
    rw_grain_reader_free(&reader);
    rw_small_clear(&small);
    return reading;
}

/* A blur of known variance is read back as that variance, and detail of the scene is not taken for
 * sharpness. */
static void test_blur(void)
{
    strip s = STRIP_DEFAULTS;
    rw_grain_bands bands = {0.08, 0.15, 0.22, 0.32};
    s.blur = 0.8;
    rw_grain_reading plain = read_grain(&s, 1, &bands);
    g_assert_cmpint(plain.patches, ==, 20);
    for (double more = 0.3; more < 0.9; more += 0.25) {
        s.blur = sqrt(0.64 + more);
        rw_grain_reading soft = read_grain(&s, 2, &bands);
        double read = rw_grain_blur_change(&bands, soft.ln_ratio - plain.ln_ratio,
                                           soft.ln_fine - plain.ln_fine);
        g_test_message("added %.2f px^2, read %.3f", more, read);
        g_assert_cmpfloat_with_epsilon(read, more, 0.25 * more + 0.02);
    }
    s.blur = 0.8;
    s.texture = 12;
    rw_grain_reading detailed = read_grain(&s, 3, &bands);
    double wrong = rw_grain_blur_change(&bands, detailed.ln_ratio - plain.ln_ratio,
                                        detailed.ln_fine - plain.ln_fine);
    g_test_message("fine detail all over the scene reads as %.3f px^2", wrong);
    g_assert_cmpfloat(fabs(wrong), <, 0.12);
}

static void test_smear(void)
{
    strip s = STRIP_DEFAULTS;
    rw_grain_bands bands = {0.08, 0.15, 0.22, 0.32};
    s.blur = 0.6;
    rw_grain_reading still = read_grain(&s, 1, &bands);
    s.smear = 2;
    rw_grain_reading smeared = read_grain(&s, 2, &bands);
    g_test_message("along/across: still %.3f, smeared %.3f", still.ln_along, smeared.ln_along);
    g_assert_cmpfloat(fabs(still.ln_along), <, 0.3);
    g_assert_cmpfloat(smeared.ln_along, <, still.ln_along - 1);
}

/* The coarse band's grain in coded levels. At rest the lattice is read point by point: white noise
 * of sd g fills the unit square of frequencies evenly, and a lens of sd b leaves of its power
 * exp(-(2 pi f b)^2). */
static void test_amount(void)
{
    strip s = STRIP_DEFAULTS;
    rw_grain_bands bands = {0.08, 0.15, 0.22, 0.32};
    s.noise = 0;
    s.blur = 0.8;
    rw_grain_reading r = read_grain(&s, 1, &bands);
    double f = 0.12, area = G_PI * (0.15 * 0.15 - 0.08 * 0.08);
    double want = s.grain * sqrt(area) * exp(-2 * pow(G_PI * f * s.blur, 2));
    g_test_message("grain in the coarse band: %.3f coded, wanted %.3f", r.amount, want);
    g_assert_cmpfloat_with_epsilon(r.amount, want, 0.06 * want);
}

static void test_bands(void)
{
    double radial[RW_RADIAL_BINS];
    for (int i = 0; i < RW_RADIAL_BINS; i++)
        radial[i] = 10 - 0.4 * i; /* sinks below floor + 1.4 at bin 16.5 */
    rw_grain_bands b = rw_grain_bands_choose(radial, 2);
    g_assert_cmpfloat_with_epsilon(b.fine_high, 17 / 64.0, 1e-9);
    g_assert_cmpfloat(b.coarse_low, <, b.coarse_high);
    g_assert_cmpfloat(b.coarse_high, <, b.fine_low);
}

/* A view of smooth blobs, moved by a known step. */
static void draw_view(uint8_t *view, double dx, double dy, double gain)
{
    for (int y = 0; y < RW_VIEW_HEIGHT; y++)
        for (int x = 0; x < RW_VIEW_WIDTH; x++) {
            double u = x - dx, v = y - dy;
            double t = sin(0.31 * u + 0.8 * sin(0.17 * v)) * cos(0.27 * v - 0.5 * sin(0.11 * u));
            view[y * RW_VIEW_WIDTH + x] = (uint8_t)lrint(gain * (100 + 60 * t));
        }
}

static void test_step(void)
{
    uint8_t a[RW_VIEW_WIDTH * RW_VIEW_HEIGHT], b[sizeof a], c[sizeof a], d[sizeof a];
    rw_step one, two, three;
    rw_step_reading r, r2;
    draw_view(a, 0, 0, 1);
    draw_view(b, 1.3, -0.7, 1.05); /* with flicker */
    draw_view(c, 3.9, -2.1, 1);    /* twice as far again: a frame was left out */
    draw_view(d, 5.2, -2.8, 0.97);
    rw_step_read(a, b, &one, &r);
    g_assert_cmpfloat_with_epsilon(r.dx, 1.3, 0.15);
    g_assert_cmpfloat_with_epsilon(r.dy, -0.7, 0.15);
    g_assert_cmpfloat_with_epsilon(r.speed, hypot(1.3, 0.7), 0.2);
    g_assert_cmpfloat(r.residual, <, 0.5 * r.difference);
    rw_step_read(b, c, &two, &r2);
    rw_step_read(c, d, &three, &r);
    const rw_step *around[] = {&one, &three};
    g_assert_cmpfloat_with_epsilon(rw_step_ratio(&two, around, 2), 2, 0.15);
    const rw_step *other[] = {&one};
    g_assert_cmpfloat_with_epsilon(rw_step_ratio(&three, other, 1), 1, 0.1);
    /* nothing moves: nothing can be said */
    rw_step_read(a, a, &one, &r);
    g_assert_cmpfloat(r.difference, ==, 0);
    const rw_step *none[] = {&one, &one};
    g_assert_true(isnan(rw_step_ratio(&two, none, 2)));
}

static void test_light(void)
{
    strip s = STRIP_DEFAULTS;
    rw_pixels pixels;
    s.grain = s.noise = 0;
    g_autofree uint8_t *data = strip_shoot(&s, 0, 0, 0, 0, &pixels);
    rw_affine map = strip_film_to_px(&s, 0, 0);
    /* IEC 61966-2-1: 128 codes for 0.2158605 (FACTS-checked value of the curve) */
    g_assert_cmpfloat_with_epsilon(rw_linear_from_coded(128), 0.2158605, 1e-6);
    const rw_perforation *p = &s.gauge->perforations[0];
    rw_rect hole = {p->x + 0.2, p->y + 0.2, p->width - 0.4, p->height - 0.4};
    rw_light clear = rw_light_of(&pixels, map, hole, 500);
    g_assert_cmpfloat_with_epsilon(clear.median, rw_linear_from_coded(235), 0.004);
    g_assert_cmpfloat(clear.clipped, ==, 0);
    rw_light beyond = rw_light_of(&pixels, map, (rw_rect){20, 0, 1, 1}, 500);
    g_assert_cmpint(beyond.samples, ==, 0);
    g_assert_true(isnan(beyond.median));
    memset(data + 300 * s.width, 255, (gsize)s.width * 50);
    rw_rect band = {1.6, (300 - 400) / 166.0, 5, 50 / 166.0};
    g_assert_cmpfloat(rw_light_of(&pixels, map, band, 2000).clipped, >, 0.9);
}

/* Depth, channels and box averages. */
static void test_small(void)
{
    enum { WIDE = 1000, HIGH = 20 };
    uint16_t *deep = g_new(uint16_t, WIDE * HIGH * 3);
    for (int i = 0; i < WIDE * HIGH; i++)
        for (int c = 0; c < 3; c++)
            deep[3 * i + c] = (uint16_t)(((i % WIDE) / 2 % 2 ? 200 : 100) + c) * 257;
    rw_pixels p = {.data = deep,
                   .width = WIDE,
                   .height = HIGH,
                   .stride = WIDE * 6,
                   .bits = 16,
                   .channels = 3,
                   .eighths = 8,
                   .full_width = WIDE,
                   .full_height = HIGH};
    rw_small small;
    rw_small_make(&small, &p, 170);
    g_assert_cmpint(small.factor, ==, 4);
    g_assert_cmpint(small.width, ==, 250);
    g_assert_cmpint(small.height, ==, 5);
    g_assert_cmpint(small.rgb[0], ==, 150);
    g_assert_cmpint(small.rgb[1], ==, 151);
    g_assert_cmpint(small.luma[0], ==, 151);
    g_assert_cmpint(rw_luma_at(&p, -5, 100), ==, rw_luma_at(&p, 0, HIGH - 1));
    rw_small_clear(&small);
    g_free(deep);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/survey/grain/blur", test_blur);
    g_test_add_func("/survey/grain/smear", test_smear);
    g_test_add_func("/survey/grain/amount", test_amount);
    g_test_add_func("/survey/grain/bands", test_bands);
    g_test_add_func("/survey/step", test_step);
    g_test_add_func("/survey/picture/light", test_light);
    g_test_add_func("/survey/picture/small", test_small);
    return g_test_run();
}
