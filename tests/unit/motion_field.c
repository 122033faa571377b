/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The motion engine on made-up pictures whose motion is known. Limits are our own targets, common
 * practice, no outside source.
 */
#include <math.h>

#include "motion/field.h"

#define W 320
#define H 240

/* A smooth, non-repeating texture that can be looked at anywhere. */
static double texture(double x, double y)
{
    double v = 0.5;
    for (int k = 0; k < 12; k++) {
        const double a = 2.399963 * k, f = 0.05 + 0.035 * k;
        v += 0.045 * sin(f * (x * cos(a) + y * sin(a)) + 1.7 * k * k);
    }
    return v;
}

typedef struct scene {
    rw_affine motion; /* content at p of frame 0 lies at motion(p) on frame 1 */
    double grain;     /* rms */
    double gain;      /* light of frame 1 */
    bool speck;       /* a dark blob of 40 px on frame 1 */
    bool flat;        /* a band without texture */
} scene;

static double look(const scene *s, double x, double y)
{
    return s->flat && y > 90 && y < 150 ? 0.5 : texture(x, y);
}

static void paint(rw_frame *f, rw_pool *pool, const scene *s, int n, guint32 seed)
{
    g_assert_true(rw_frame_alloc(f, pool, W, H, 3, NULL));
    f->domain = RW_DOMAIN_CODED;
    f->n = n;
    g_autoptr(GRand) rand = g_rand_new_with_seed(seed);
    rw_affine back;
    g_assert_true(rw_affine_invert(s->motion, &back));
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            const rw_point p = n ? rw_affine_apply(back, x, y) : (rw_point){x, y};
            double v = look(s, p.x, p.y) * (n ? s->gain : 1.0);
            if (n && s->speck && hypot(x - 170, y - 120) < 20)
                v = 0.05;
            for (int k = 0; k < 3; k++) {
                double noise = 0.0;
                for (int i = 0; i < 4; i++)
                    noise += g_rand_double(rand) - 0.5;
                f->plane[k][y * f->stride + x] = (float)(v + noise * 1.732 * s->grain);
            }
        }
}

typedef struct result {
    double rms, worst, trust; /* px over the blocks whose match lies inside; mean trust */
} result;

static result measure(const rw_motion_field *f, rw_affine motion)
{
    result r = {0};
    int count = 0;
    for (int j = 4; j < f->rows - 4; j++)
        for (int i = 4; i < f->cols - 4; i++) {
            const double x = RW_MOTION_CELL * i + 1.5, y = RW_MOTION_CELL * j + 1.5;
            const rw_point to = rw_affine_apply(motion, x, y);
            if (to.x < 16 || to.y < 16 || to.x > W - 17 || to.y > H - 17)
                continue;
            const ptrdiff_t o = j * f->stride + i;
            const double e = hypot((double)f->dx[o] - (to.x - x), (double)f->dy[o] - (to.y - y));
            r.rms += e * e;
            r.worst = MAX(r.worst, e);
            r.trust += (double)f->trust[o];
            count++;
        }
    r.rms = sqrt(r.rms / count);
    r.trust /= count;
    return r;
}

static result run(const scene *s, guint32 seed)
{
    rw_pool *pool = rw_pool_new(256u << 20);
    rw_frame a, b;
    paint(&a, pool, s, 0, seed);
    paint(&b, pool, s, 1, seed + 1000);
    rw_motion_picture pa, pb;
    g_assert_true(rw_motion_picture_init(&pa, pool, &a, NULL));
    g_assert_true(rw_motion_picture_init(&pb, pool, &b, NULL));
    rw_motion_field there, back;
    g_assert_true(rw_motion_pair_estimate(&there, &back, pool, &pa, &pb, NULL, NULL, 0, NULL));
    rw_affine inverse;
    g_assert_true(rw_affine_invert(s->motion, &inverse));
    const result r = measure(&there, s->motion), q = measure(&back, inverse);
    g_test_message("there %.3f worst %.3f trust %.2f, back %.3f worst %.3f", r.rms, r.worst,
                   r.trust, q.rms, q.worst);
    rw_motion_field_clear(&there);
    rw_motion_field_clear(&back);
    rw_motion_picture_clear(&pa);
    rw_motion_picture_clear(&pb);
    rw_frame_clear(&a);
    rw_frame_clear(&b);
    rw_pool_free(&pool);
    return (result){MAX(r.rms, q.rms), MAX(r.worst, q.worst), MIN(r.trust, q.trust)};
}

static rw_affine shift(double x, double y)
{
    return (rw_affine){{{1, 0, x}, {0, 1, y}}};
}

static void test_shift(void)
{
    static const double far[][2] = {
        {0, 0}, {0.37, -0.81}, {-7.25, 3.6}, {28.4, -17.7}, {-61.5, 22.2}};
    for (size_t k = 0; k < G_N_ELEMENTS(far); k++) {
        const scene s = {.motion = shift(far[k][0], far[k][1]), .gain = 1.0};
        const result r = run(&s, (guint32)k);
        g_assert_cmpfloat(r.rms, <, 0.06);
        g_assert_cmpfloat(r.worst, <, 0.5);
        g_assert_cmpfloat(r.trust, >, 0.9);
    }
}

static void test_turn_and_zoom(void)
{
    const double c = 1.03 * cos(0.02), q = 1.03 * sin(0.02);
    const scene s = {.motion = {{{c, -q, 3.1}, {q, c, -6.3}}}, .gain = 1.0};
    const result r = run(&s, 3);
    g_assert_cmpfloat(r.rms, <, 0.12);
}

/* 0.04 of full scale is heavy grain: 10 steps of 255, in every pixel of its own. */
static void test_grain_flicker_speck(void)
{
    const scene s = {.motion = shift(5.3, -2.4), .grain = 0.04, .gain = 1.06, .speck = true};
    const result r = run(&s, 9);
    g_assert_cmpfloat(r.rms, <, 0.25);
}

/* Nothing to hold on to in the band: it must go with the texture round it, not follow the grain. */
static void test_flat_band(void)
{
    const scene s = {.motion = shift(-3.7, 1.2), .grain = 0.03, .gain = 1.0, .flat = true};
    const result r = run(&s, 21);
    g_assert_cmpfloat(r.rms, <, 1.0);
}

static void test_same_every_level(void)
{
    const scene s = {.motion = shift(4.4, 1.3), .grain = 0.03, .gain = 1.0};
    g_autofree char *had = g_strdup(g_getenv("REELWRIGHT_CPU"));
    result first = {0};
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        g_setenv("REELWRIGHT_CPU", rw_cpu_name(level), TRUE);
        const result r = run(&s, 5);
        if (level == RW_CPU_C)
            first = r;
        g_assert_true(memcmp(&first, &r, sizeof r) == 0);
    }
    if (had)
        g_setenv("REELWRIGHT_CPU", had, TRUE);
    else
        g_unsetenv("REELWRIGHT_CPU");
}

static void test_no_room(void)
{
    rw_pool *large = rw_pool_new(256u << 20), *small = rw_pool_new(100000);
    const scene s = {.motion = shift(1, 1), .gain = 1.0};
    rw_frame a;
    paint(&a, large, &s, 0, 1);
    rw_motion_picture p;
    g_autoptr(GError) error = NULL;
    g_assert_false(rw_motion_picture_init(&p, small, &a, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_MEMORY);
    g_clear_error(&error);
    g_assert_true(rw_motion_picture_init(&p, large, &a, NULL));
    rw_motion_field there, back;
    g_assert_false(rw_motion_pair_estimate(&there, &back, small, &p, &p, NULL, NULL, 0, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_MEMORY);
    rw_motion_picture_clear(&p);
    rw_frame_clear(&a);
    rw_pool_free(&large);
    rw_pool_free(&small);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/motion/field/shift", test_shift);
    g_test_add_func("/motion/field/turn-and-zoom", test_turn_and_zoom);
    g_test_add_func("/motion/field/grain-flicker-speck", test_grain_flicker_speck);
    g_test_add_func("/motion/field/flat-band", test_flat_band);
    g_test_add_func("/motion/field/same-every-level", test_same_every_level);
    g_test_add_func("/motion/field/no-room", test_no_room);
    return g_test_run();
}
