/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A small renderer of its own draws stills: perforations, rebate, gate and bright or dark pictures,
 * blurred by a normal profile across the signed distance to each shape. Nothing of it is shared
 * with the finder. Film dimensions: tests/unit/film.c checks the table against its sources.
 */
#include <math.h>
#include <string.h>

#include <reelwright/gate.h>

/* ---- the renderer ---- */

typedef struct scene {
    const rw_gauge *gauge;
    int width, height;
    rw_affine film_to_still;
    double blur;    /* px */
    double light;   /* clear light, linear; above 1 it clips */
    double rebate;  /* its transmission */
    double picture; /* mean transmission of the picture; stripes lie over it */
    double beyond;  /* light beyond the film's edge, of the clear light; the gate hides it when 0 */
    double noise;   /* of full scale, linear */
    double hair;    /* width of a hair across the first hole, mm; 0 none */
    double tear;    /* mm torn out of a corner of hole `torn` */
    int torn;
    double dirt; /* radius of a lump on a side of hole `torn`, mm */
    int bits, channels;
    uint32_t seed;
} scene;

static double noise_of(uint32_t *s)
{
    /* Sum of four uniform numbers: near enough to normal. Unit variance. */
    double sum = 0;
    for (int i = 0; i < 4; i++) {
        *s = *s * 1664525u + 1013904223u;
        sum += (double)(*s >> 8) / (1 << 24) - 0.5;
    }
    return sum * 1.7320508;
}

static double rounded(double x, double y, double hw, double hh, double r)
{
    double dx = fabs(x) - hw + r, dy = fabs(y) - hh + r;
    return hypot(MAX(dx, 0), MAX(dy, 0)) + MIN(MAX(dx, dy), 0) - r;
}

static double cover(double distance_px, double blur)
{
    double x = distance_px / (blur * G_SQRT2);
    return x > 4.5 ? 0 : x < -4.5 ? 1 : 0.5 * erfc(x);
}

/* Distance from hole i, mm: negative inside. */
static double hole_distance(const scene *s, int i, double x, double y)
{
    const rw_perforation *p = &s->gauge->perforations[0];
    double cx = p->x + p->width / 2, cy = p->y + p->height / 2 + i * s->gauge->pitch;
    double d = rounded(x - cx, y - cy, p->width / 2, p->height / 2, p->radius);
    if (i != s->torn)
        return d;
    if (s->tear > 0) /* a ragged bite out of a corner */
        d = MIN(d, hypot(x - p->x - p->width, y - cy + p->height / 2) - s->tear);
    if (s->dirt > 0) {
        double lump = s->dirt - hypot(x - p->x - 0.6 * p->width, (y - cy - p->height / 2) * 0.8);
        d = MAX(d, lump);
    }
    return d;
}

static double transmission(const scene *s, double x, double y, double px_per_mm)
{
    const rw_gauge *g = s->gauge;
    const rw_rect *a = &g->camera_aperture;
    double t = s->rebate;
    double frame = floor((y + g->pitch / 2) / g->pitch), in_frame = y - frame * g->pitch;
    double d = rounded(x - a->x - a->width / 2, in_frame - a->y - a->height / 2, a->width / 2,
                       a->height / 2, 0.1);
    double stripes = 0.5 + 0.5 * sin(x * 2.3 + frame) * cos(y * 1.7 - frame * 2);
    t += cover(d * px_per_mm, s->blur) * s->picture * stripes;
    for (int i = (int)frame - 1; i <= (int)frame + 1; i++) {
        double clear = cover(hole_distance(s, i, x, y) * px_per_mm, s->blur);
        if (i == 0 && s->hair > 0) {
            const rw_perforation *p = &g->perforations[0];
            double line = fabs(x - p->x - p->width * 0.4 - 0.5 * (y - p->y)) / 1.118;
            clear *= 1 - cover((line - s->hair / 2) * px_per_mm, s->blur);
        }
        t = t * (1 - clear) + clear;
    }
    double off = cover(x * px_per_mm, s->blur);
    return t * (1 - off) + s->beyond * off;
}

static double code_of(double linear)
{
    double l = CLAMP(linear, 0, 1);
    return l <= 0.0031308 ? 12.92 * l : 1.055 * pow(l, 1 / 2.4) - 0.055;
}

static rw_pixels draw(const scene *s)
{
    rw_affine back;
    g_assert_true(rw_affine_invert(s->film_to_still, &back));
    double scale = sqrt(fabs(rw_affine_determinant(s->film_to_still)));
    size_t sample = s->bits == 16 ? 2 : 1, pixel = sample * (size_t)s->channels;
    uint8_t *data = g_malloc((size_t)s->width * (size_t)s->height * pixel);
    uint32_t seed = s->seed * 7919u + 1;
    for (int y = 0; y < s->height; y++)
        for (int x = 0; x < s->width; x++) {
            rw_point f = rw_affine_apply(back, x, y);
            double v =
                code_of(s->light * transmission(s, f.x, f.y, scale) + s->noise * noise_of(&seed));
            uint8_t *at = data + ((size_t)y * (size_t)s->width + (size_t)x) * pixel;
            for (int c = 0; c < s->channels; c++)
                if (s->bits == 16)
                    ((uint16_t *)at)[c] = (uint16_t)(v * 65535 + 0.5);
                else
                    at[c] = (uint8_t)(v * 255 + 0.5);
        }
    return (rw_pixels){.data = data,
                       .width = s->width,
                       .height = s->height,
                       .stride = (ptrdiff_t)((size_t)s->width * pixel),
                       .bits = s->bits,
                       .channels = s->channels,
                       .eighths = 8,
                       .full_width = s->width,
                       .full_height = s->height};
}

/* Film to still with the middle of (picture and hole) near the middle of the still. */
static rw_affine place(const rw_gauge *g, rw_gate_side side, int width, int height, double scale,
                       double angle, double dx, double dy)
{
    rw_affine axes[] = {[RW_SIDE_LEFT] = {{{1, 0, 0}, {0, 1, 0}}},
                        [RW_SIDE_RIGHT] = {{{-1, 0, 0}, {0, 1, 0}}},
                        [RW_SIDE_TOP] = {{{0, 1, 0}, {1, 0, 0}}},
                        [RW_SIDE_BOTTOM] = {{{0, 1, 0}, {-1, 0, 0}}}};
    rw_affine turn = {{{scale * cos(angle), -scale * sin(angle), 0},
                       {scale * sin(angle), scale * cos(angle), 0}}};
    rw_affine a = rw_affine_then(axes[side], turn);
    rw_point middle = {(g->perforations[0].x + g->camera_aperture.x + g->camera_aperture.width) / 2,
                       0};
    rw_point at = rw_affine_apply(a, middle.x, middle.y);
    a.m[0][2] = (width - 1) / 2.0 - at.x + dx;
    a.m[1][2] = (height - 1) / 2.0 - at.y + dy;
    return a;
}

static scene plain_scene(const rw_gauge *gauge, uint32_t seed)
{
    scene s = {.gauge = gauge,
               .width = 1500,
               .height = 1000,
               .blur = 1.2,
               .light = 0.92,
               .rebate = 0.002,
               .picture = 0.4,
               .beyond = 0,
               .noise = 0.004,
               .torn = 99,
               .bits = 8,
               .channels = 3,
               .seed = seed};
    return s;
}

static bool sideways(rw_gate_side side)
{
    return side == RW_SIDE_TOP || side == RW_SIDE_BOTTOM;
}

/* Largest scale that shows picture and hole, with a little room. */
static double fitting_scale(const scene *s, rw_gate_side side)
{
    const rw_gauge *g = s->gauge;
    double across = g->camera_aperture.x + g->camera_aperture.width - g->perforations[0].x + 0.5;
    double along = MAX(g->camera_aperture.height, 3.81 + (g->n_perforations > 1 ? 0.9 : 0)) + 0.3;
    double w = sideways(side) ? s->height : s->width, h = sideways(side) ? s->width : s->height;
    return MIN(w / across, h / along);
}

/* Error of the first found own hole's centre, px; NAN when none was found. */
static double centre_error(const scene *s, const rw_gate_sight *sight, rw_point *error)
{
    double worst = NAN;
    for (int i = 0; i < sight->n_holes; i++) {
        const rw_hole_sight *h = &sight->hole[i];
        const rw_perforation *p = &s->gauge->perforations[0];
        rw_point c = rw_affine_apply(s->film_to_still, p->x + p->width / 2,
                                     p->y + p->height / 2 + h->index * s->gauge->pitch);
        double e = hypot(h->cx - c.x, h->cy - c.y);
        if (isnan(worst) || e > worst) {
            worst = e;
            *error = (rw_point){h->cx - c.x, h->cy - c.y};
        }
    }
    return worst;
}

/* ---- looks ---- */

static void test_any_side(void)
{
    GRand *rand = g_rand_new_with_seed(11);
    double sum = 0;
    int n = 0;
    for (int gauge = 0; gauge < 2; gauge++)
        for (rw_gate_side side = RW_SIDE_LEFT; side <= RW_SIDE_BOTTOM; side++)
            for (int k = 0; k < 3; k++) {
                scene s =
                    plain_scene(rw_gauge_find(gauge ? "regular8" : "super8"), (uint32_t)(n + 1));
                s.bits = n % 3 == 1 ? 16 : 8;
                s.channels = n % 4 == 2 ? 1 : 3;
                double scale = fitting_scale(&s, side) * g_rand_double_range(rand, 0.62, 1);
                double angle = g_rand_double_range(rand, -0.035, 0.035);
                s.picture = g_rand_double_range(rand, 0, 0.95);
                s.film_to_still =
                    place(s.gauge, side, s.width, s.height, scale, angle,
                          g_rand_double_range(rand, -12, 12), g_rand_double_range(rand, -12, 12));
                rw_pixels pixels = draw(&s);
                rw_gate_finder *finder = rw_gate_finder_new(s.gauge);
                rw_gate_sight sight;
                rw_gate_finder_look(finder, &pixels, NULL, &sight);
                rw_point e = {0, 0};
                double error = centre_error(&s, &sight, &e);
                g_test_message("%s side %d scale %.1f angle %+.4f: side %d holes %d error %.4f "
                               "(%+.4f %+.4f) angle error %+.2e size %+.4f %+.4f confidence %.2f",
                               s.gauge->name, side, scale, angle, sight.side, sight.n_holes, error,
                               e.x, e.y, sight.hole[0].angle - angle,
                               sight.hole[0].width - scale * s.gauge->perforations[0].width,
                               sight.hole[0].height - scale * s.gauge->perforations[0].height,
                               sight.confidence);
                g_assert_cmpint(sight.side, ==, side);
                /* Where hole and picture are less than five pixels apart their blurs run into each
                 * other. */
                bool tight = gauge == 0 && scale * 0.046 < 5;
                g_assert_cmpfloat(error, <, tight ? 0.15 : 0.05);
                g_assert_cmpfloat(fabs(sight.hole[0].angle - angle), <, tight ? 1e-3 : 4e-4);
                g_assert_cmpfloat(sight.confidence, >, 0.7);
                g_assert_false(sight.hole[0].damaged);
                sum += error * error;
                n++;
                rw_gate_finder_free(&finder);
                g_free((void *)pixels.data);
            }
    g_test_message("centre error %.4f px rms", sqrt(sum / n));
    g_assert_cmpfloat(sqrt(sum / n), <, 0.04);
    g_rand_free(rand);
}

typedef struct look_result {
    rw_gate_sight sight;
    double error; /* of the worst hole's centre, px */
    rw_point e;
} look_result;

static look_result look(const scene *s, const rw_gate_prior *prior)
{
    rw_pixels pixels = draw(s);
    rw_gate_finder *finder = rw_gate_finder_new(s->gauge);
    look_result r = {.e = {0, 0}};
    rw_gate_finder_look(finder, &pixels, prior, &r.sight);
    r.error = centre_error(s, &r.sight, &r.e);
    const rw_hole_sight *h = &r.sight.hole[0];
    g_test_message(
        "side %d holes %d error %.4f (%+.4f %+.4f) damaged %d inliers %.2f residual %.3f "
        "sd %.4f dirt %.3f light %.3f halo %.3f confidence %.2f",
        r.sight.side, r.sight.n_holes, r.error, r.e.x, r.e.y, h->damaged, h->inliers, h->residual,
        h->sd, h->dirt, h->light, h->halo, r.sight.confidence);
    rw_gate_finder_free(&finder);
    g_free((void *)pixels.data);
    return r;
}

static const rw_gauge *gauge_no(int i)
{
    return rw_gauge_find(i ? "regular8" : "super8");
}

/* Where the first hole lies in truth. */
static rw_gate_prior true_prior(const scene *s, rw_gate_side side)
{
    const rw_perforation *p = &s->gauge->perforations[0];
    rw_point c = rw_affine_apply(s->film_to_still, p->x + p->width / 2, p->y + p->height / 2);
    return (rw_gate_prior){side, sqrt(fabs(rw_affine_determinant(s->film_to_still))), c.x, c.y};
}

static void test_prior(void)
{
    for (int g = 0; g < 2; g++) {
        scene s = plain_scene(gauge_no(g), 5);
        double scale = fitting_scale(&s, RW_SIDE_RIGHT);
        s.film_to_still = place(s.gauge, RW_SIDE_RIGHT, s.width, s.height, scale, 0.01, 3, -2);
        rw_gate_prior prior = true_prior(&s, RW_SIDE_RIGHT);
        look_result alone = look(&s, NULL);
        look_result with = look(&s, &prior);
        g_assert_cmpfloat(alone.error, <, 0.05);
        g_assert_cmpfloat(with.error, <, 0.05);
        /* A splice: the film lies 0.6 mm from its usual place along, 0.1 mm across. */
        prior.hole_y += 0.6 * scale;
        prior.hole_x += 0.1 * scale;
        look_result jumped = look(&s, &prior);
        g_assert_cmpfloat(jumped.error, <, 0.05);
        g_assert_cmpfloat(jumped.sight.confidence, >, 0.5);
        look_result again = look(&s, &prior);
        g_assert_true(memcmp(&again.sight, &jumped.sight, sizeof again.sight) == 0);
    }
}

static void test_bright_and_dark(void)
{
    for (int g = 0; g < 2; g++)
        for (int k = 0; k < 5; k++) {
            scene s = plain_scene(gauge_no(g), (uint32_t)(20 + k));
            rw_gate_side side = k == 3 ? RW_SIDE_BOTTOM : RW_SIDE_LEFT;
            double scale = fitting_scale(&s, side);
            s.picture = k == 0 ? 0 : k == 1 ? 2.0 : 0.9; /* black; clipping white; bright */
            s.beyond = k >= 2 ? 1 : 0;                   /* bare lamp beyond the film's edge */
            s.light = k == 4 ? 0.25 : 0.92;              /* exposed far too little */
            s.film_to_still = place(s.gauge, side, s.width, s.height, scale, -0.006, 2, 1);
            look_result r = look(&s, NULL);
            g_assert_cmpint(r.sight.side, ==, side);
            g_assert_cmpfloat(r.error, <, 0.08);
            g_assert_cmpfloat(r.sight.confidence, >, 0.6);
        }
}

static void test_film_edge(void)
{
    for (int g = 0; g < 2; g++)
        for (int k = 0; k < 2; k++) {
            scene s = plain_scene(gauge_no(g), (uint32_t)(30 + k));
            double scale = fitting_scale(&s, RW_SIDE_LEFT) * 0.85;
            s.beyond = k ? 1 : 0;
            s.rebate = k ? 0.002 : 0.05; /* a foggy base against the dark gate */
            s.noise = k ? 0.004 : 0.001; /* black is cut off at zero, noise and all */
            s.film_to_still = place(s.gauge, RW_SIDE_LEFT, s.width, s.height, scale, 0.008, 1, 2);
            look_result r = look(&s, NULL);
            g_assert_true(r.sight.film_edge_found);
            rw_affine back;
            rw_affine_invert(s.film_to_still, &back);
            rw_point f = rw_affine_apply(back, r.sight.film_edge_x, r.sight.film_edge_y);
            g_test_message("edge at %+.4f px, angle error %+.2e (claims %.1e)", f.x * scale,
                           r.sight.film_edge_angle - 0.008, r.sight.film_edge_angle_sd);
            g_assert_cmpfloat(fabs(f.x) * scale, <, 0.1);
            g_assert_cmpfloat(fabs(r.sight.film_edge_angle - 0.008), <, 1e-4);
        }
}

static void test_damage(void)
{
    for (int g = 0; g < 2; g++)
        for (int k = 0; k < 4; k++) {
            scene s = plain_scene(gauge_no(g), (uint32_t)(40 + k));
            double scale = fitting_scale(&s, RW_SIDE_LEFT) * 0.9;
            s.torn = 0;
            s.tear = k == 0 ? 0.25 : k == 1 ? 0.45 : 0;
            s.dirt = k == 2 ? 0.18 : 0;
            s.hair = k == 3 ? 0.04 : 0;
            s.film_to_still = place(s.gauge, RW_SIDE_LEFT, s.width, s.height, scale, 0.004, -3, 4);
            rw_gate_prior prior = true_prior(&s, RW_SIDE_LEFT);
            look_result r = look(&s, k & 1 ? &prior : NULL);
            const rw_hole_sight *h = NULL;
            for (int i = 0; i < r.sight.n_holes; i++)
                if (r.sight.hole[i].index == 0)
                    h = &r.sight.hole[i];
            g_assert_nonnull(h);
            g_assert_true(h->damaged);
            g_assert_cmpfloat(r.error, <, 0.12);
        }
}

/* Clear light above full scale: the hole looks larger all round. Its centre stays; how much larger
 * it looks is told. */
static void test_clipped(void)
{
    static const double light[] = {1.0, 1.3, 1.8, 2.6};
    for (int g = 0; g < 2; g++)
        for (size_t k = 0; k < G_N_ELEMENTS(light); k++) {
            scene s = plain_scene(gauge_no(g), (uint32_t)(50 + k));
            double scale = fitting_scale(&s, RW_SIDE_LEFT) * 0.9;
            s.light = light[k];
            s.blur = 1.8;
            s.film_to_still = place(s.gauge, RW_SIDE_LEFT, s.width, s.height, scale, 0.005, 1, 0);
            look_result r = look(&s, NULL);
            g_assert_cmpfloat(r.error, <, 0.1);
            const rw_hole_sight *h = &r.sight.hole[0];
            double grown = (h->width - scale * s.gauge->perforations[0].width) / 2;
            g_test_message("light %.1f: each side %.3f px out, told %.3f +- %.3f", light[k], grown,
                           h->halo, h->halo_sd);
            g_assert_cmpfloat(fabs(grown - h->halo), <, 0.05 + 2.2 * h->halo_sd);
        }
}

/* Regular 8 photographed at 5:1 on a 3:2 sensor: 4.8 mm high, so that both holes are cut. */
static void test_half_hidden(void)
{
    for (int k = 0; k < 4; k++) {
        scene s = plain_scene(gauge_no(1), (uint32_t)(60 + k));
        double scale = s.height / 4.8;
        s.film_to_still = place(s.gauge, RW_SIDE_LEFT, s.width, s.height, scale, 0.003, 0,
                                (k - 1.5) * 0.06 * scale);
        look_result r = look(&s, NULL);
        g_assert_cmpint(r.sight.n_holes, ==, 2);
        rw_gate_fit fit[12];
        rw_gate_sight sights[12];
        for (int i = 0; i < 12; i++)
            sights[i] = r.sight;
        rw_gate_summary summary;
        rw_gate_solve(s.gauge, sights, 12, fit, &summary);
        rw_point p = rw_affine_apply(fit[3].film_to_still, 5.21, 0);
        rw_point q = rw_affine_apply(s.film_to_still, 5.21, 0);
        g_test_message("picture centre off by %+.4f %+.4f px", p.x - q.x, p.y - q.y);
        g_assert_cmpfloat(hypot(p.x - q.x, p.y - q.y), <, 0.1);
    }
    /* Super 8 too far to the left: the hole's outer side is cut off. */
    scene s = plain_scene(gauge_no(0), 70);
    double scale = fitting_scale(&s, RW_SIDE_LEFT);
    s.film_to_still =
        place(s.gauge, RW_SIDE_LEFT, s.width, s.height, scale, 0.003, -0.55 * scale, 0);
    look_result r = look(&s, NULL);
    g_assert_cmpint(r.sight.n_holes, ==, 1);
    g_assert_cmpfloat(r.sight.hole[0].side[RW_SIDE_OUTER].inliers, ==, 0);
    g_assert_cmpfloat(fabs(r.e.y), <, 0.06);
}

static void test_sizes(void)
{
    /* 700 pixels wide: the gap between hole and picture is four pixels. */
    for (int g = 0; g < 2; g++) {
        scene s = plain_scene(gauge_no(g), 80);
        s.width = 700;
        s.height = 480;
        s.blur = 0.7;
        s.picture = 0.9;
        double scale = fitting_scale(&s, RW_SIDE_LEFT);
        s.film_to_still = place(s.gauge, RW_SIDE_LEFT, s.width, s.height, scale, 0.004, 1, 2);
        look_result r = look(&s, NULL);
        g_assert_cmpfloat(r.error, <, 0.06);
    }
    /* Decoded at half size: means of 2 x 2 coded values, as a scaled decode gives. */
    scene s = plain_scene(gauge_no(0), 81);
    s.width = 3000;
    s.height = 2000;
    s.blur = 2.2;
    double scale = fitting_scale(&s, RW_SIDE_LEFT);
    s.film_to_still = place(s.gauge, RW_SIDE_LEFT, s.width, s.height, scale, 0.004, 1, 2);
    rw_pixels full = draw(&s);
    uint8_t *half = g_malloc(1500 * 1000 * 3);
    const uint8_t *data = full.data;
    for (int y = 0; y < 1000; y++)
        for (int x = 0; x < 1500; x++)
            for (int c = 0; c < 3; c++) {
                const uint8_t *p = data + ((size_t)y * 2 * 3000 + (size_t)x * 2) * 3 + c;
                half[((size_t)y * 1500 + (size_t)x) * 3 + (size_t)c] =
                    (uint8_t)((p[0] + p[3] + p[9000] + p[9003] + 2) / 4);
            }
    rw_pixels small = full;
    small.data = half;
    small.width = 1500;
    small.height = 1000;
    small.stride = 4500;
    small.eighths = 4;
    rw_gate_finder *finder = rw_gate_finder_new(s.gauge);
    rw_gate_sight a, b;
    rw_gate_prior prior = true_prior(&s, RW_SIDE_LEFT);
    rw_gate_finder_look(finder, &full, NULL, &a);
    rw_gate_finder_look(finder, &small, NULL, &b);
    rw_point ea, eb;
    centre_error(&s, &a, &ea);
    centre_error(&s, &b, &eb);
    g_test_message("full %+.4f %+.4f size %+.4f %+.4f; half %+.4f %+.4f size %+.4f %+.4f", ea.x,
                   ea.y, a.hole[0].width - 0.914 * scale, a.hole[0].height - 1.143 * scale, eb.x,
                   eb.y, b.hole[0].width - 0.914 * scale, b.hole[0].height - 1.143 * scale);
    g_assert_cmpfloat(hypot(ea.x, ea.y), <, 0.03);
    g_assert_cmpfloat(hypot(eb.x, eb.y), <, 0.05);
    g_assert_cmpfloat(fabs(b.hole[0].width - 0.914 * scale), <, 0.06);
    g_assert_cmpint(b.stored_width, ==, 3000);
    rw_gate_finder_look(finder, &small, &prior, &b);
    centre_error(&s, &b, &eb);
    g_assert_cmpfloat(hypot(eb.x, eb.y), <, 0.05);
    gint64 start = g_get_monotonic_time();
    for (int i = 0; i < 5; i++)
        rw_gate_finder_look(finder, &full, &prior, &a);
    gint64 with = g_get_monotonic_time();
    rw_gate_finder_look(finder, &full, NULL, &a);
    g_test_message("3000x2000: %.1f ms a look with a prior, %.0f ms without",
                   (double)(with - start) / 5000, (double)(g_get_monotonic_time() - with) / 1000);
    rw_gate_finder_free(&finder);
    g_free((void *)full.data);
    g_free(half);
}

/* Pictures without any perforation are not believed. */
static void test_nothing(void)
{
    for (int g = 0; g < 2; g++)
        for (int k = 0; k < 4; k++) {
            scene s = plain_scene(gauge_no(g), (uint32_t)(90 + k));
            s.picture = k * 0.45;
            s.noise = k == 2 ? 0.05 : 0.004;
            s.film_to_still = place(s.gauge, RW_SIDE_LEFT, s.width, s.height, 330, 0.004, -600, 0);
            look_result r = look(&s, NULL);
            g_assert_cmpfloat(r.sight.confidence, <, 0.4);
        }
    /* Not even pixels. */
    static const uint8_t one[3] = {255, 255, 255};
    rw_pixels tiny = {.data = one,
                      .width = 1,
                      .height = 1,
                      .stride = 3,
                      .bits = 8,
                      .channels = 3,
                      .eighths = 8,
                      .full_width = 1,
                      .full_height = 1};
    rw_gate_finder *finder = rw_gate_finder_new(gauge_no(0));
    rw_gate_sight sight;
    rw_gate_finder_look(finder, &tiny, NULL, &sight);
    g_assert_cmpfloat(sight.confidence, ==, 0);
    rw_gate_finder_free(&finder);
}

/* Noise, stripes, odd sizes and priors that point outside: no fault, finite numbers, nothing
 * believed. */
static void test_hostile_pixels(void)
{
    GRand *rand = g_rand_new_with_seed(8);
    for (int round = 0; round < 20; round++) {
        int w = g_rand_int_range(rand, 1, 400), h = g_rand_int_range(rand, 1, 400);
        int bits = round % 3 ? 8 : 16, channels = round % 4 ? 3 : 1, kind = round % 5;
        size_t bytes = (size_t)(w * h * channels * (bits / 8));
        uint8_t *data = g_malloc(bytes);
        for (size_t i = 0; i < bytes; i++)
            data[i] = kind == 0   ? (uint8_t)g_rand_int_range(rand, 0, 256)
                      : kind == 1 ? 255
                      : kind == 2 ? 0
                      : kind == 3 ? (uint8_t)(i / 7 % 2 * 255)
                                  : (uint8_t)(i / (size_t)(w * channels) % 9 < 4 ? 250 : 3);
        rw_pixels pixels = {.data = data,
                            .width = w,
                            .height = h,
                            .stride = w * channels * (bits / 8),
                            .bits = bits,
                            .channels = channels,
                            .eighths = 1 + round % 8,
                            .full_width = w * 8,
                            .full_height = h * 8};
        rw_gate_prior prior = {
            (rw_gate_side)g_rand_int_range(rand, 0, 5), g_rand_double_range(rand, 1, 900),
            g_rand_double_range(rand, -5000, 5000), g_rand_double_range(rand, -5000, 5000)};
        rw_gate_finder *finder = rw_gate_finder_new(gauge_no(round & 1));
        for (int with = 0; with < 2; with++) {
            rw_gate_sight sight;
            rw_gate_finder_look(finder, &pixels, with ? &prior : NULL, &sight);
            g_assert_cmpfloat(sight.confidence, <, 0.5);
            for (int i = 0; i < sight.n_holes; i++)
                g_assert_true(isfinite(sight.hole[i].cx) && isfinite(sight.hole[i].cy) &&
                              isfinite(sight.hole[i].width) && isfinite(sight.hole[i].angle));
        }
        rw_gate_finder_free(&finder);
        g_free(data);
    }
    g_rand_free(rand);
}

/* ---- the solve ---- */

typedef struct reel {
    size_t n;
    rw_affine *truth;
    rw_gate_sight *sights;
    rw_gate_fit *fits;
    rw_gate_summary summary;
} reel;

static double normal(GRand *r)
{
    return (g_rand_double(r) + g_rand_double(r) + g_rand_double(r) + g_rand_double(r) - 2) *
           1.7320508;
}

/* A reel of small stills. bad: every how many-th frame is lost or damaged (0 none); splice: frame
 * from which the film lies elsewhere. */
static reel shoot(const rw_gauge *gauge, size_t n, int bad, size_t splice, double shrink_along)
{
    reel r = {.n = n,
              .truth = g_new(rw_affine, n),
              .sights = g_new0(rw_gate_sight, n),
              .fits = g_new0(rw_gate_fit, n)};
    GRand *rand = g_rand_new_with_seed(77);
    rw_gate_finder *finder = rw_gate_finder_new(gauge);
    rw_gate_prior prior = {0};
    for (size_t i = 0; i < n; i++) {
        scene s = plain_scene(gauge, (uint32_t)(100 + i));
        s.width = 900;
        s.height = 620;
        s.blur = 1.0;
        s.picture = 0.1 + 0.8 * g_rand_double(rand);
        double scale = fitting_scale(&s, RW_SIDE_RIGHT);
        double angle = 0.004 + 0.0005 * sin((double)i / 20) + 0.00007 * normal(rand);
        double dx = 1.1 * normal(rand), dy = 1.6 * normal(rand) + (i >= splice ? 17 : 0);
        s.film_to_still = place(gauge, RW_SIDE_RIGHT, s.width, s.height, scale, angle, dx, dy);
        s.film_to_still.m[0][1] *= shrink_along;
        s.film_to_still.m[1][1] *= shrink_along;
        r.truth[i] = s.film_to_still;
        int fault = bad && i % (size_t)bad == 1 ? (int)(i / (size_t)bad % 4) + 1 : 0;
        if (fault == 1)
            continue; /* no still at all */
        s.torn = fault >= 2 ? 0 : 99;
        s.tear = fault == 2 ? 0.4 : 0;
        s.dirt = fault == 3 ? 0.25 : 0;
        s.light = fault == 4 ? 0.0005 : s.light; /* the lamp was off */
        if (i == 0)
            prior = (rw_gate_prior){.side = RW_SIDE_RIGHT};
        rw_pixels pixels = draw(&s);
        rw_gate_finder_look(finder, &pixels, &prior, &r.sights[i]);
        if (i == 0)
            rw_gate_prior_from_sights(gauge, r.sights, 1, &prior);
        g_free((void *)pixels.data);
    }
    rw_gate_solve(gauge, r.sights, n, r.fits, &r.summary);
    rw_gate_finder_free(&finder);
    g_rand_free(rand);
    return r;
}

static void reel_clear(reel *r)
{
    g_free(r->truth);
    g_free(r->sights);
    g_free(r->fits);
}

/* rms over the picture's corners and centre, px. */
static double frame_error(const rw_gauge *gauge, rw_affine a, rw_affine b)
{
    const rw_rect *p = &gauge->camera_aperture;
    double sum = 0;
    for (int k = 0; k < 5; k++) {
        double x = p->x + p->width * (k == 4 ? 0.5 : k & 1),
               y = p->y + p->height * (k == 4 ? 0.5 : k / 2);
        rw_point q = rw_affine_apply(a, x, y), t = rw_affine_apply(b, x, y);
        sum += (q.x - t.x) * (q.x - t.x) + (q.y - t.y) * (q.y - t.y);
    }
    return sqrt(sum / 5);
}

static void test_solve(void)
{
    for (int g = 0; g < 2; g++) {
        reel r = shoot(gauge_no(g), 40, 0, 23, 0.9995);
        double sum = 0, worst = 0;
        for (size_t i = 0; i < r.n; i++) {
            double e = frame_error(gauge_no(g), r.fits[i].film_to_still, r.truth[i]);
            sum += e * e;
            worst = MAX(worst, e);
            g_assert_cmpint(r.fits[i].method, ==, RW_GATE_PERFORATION);
            g_assert_cmpfloat(r.fits[i].confidence, >, 0.8);
            g_assert_false(r.fits[i].damaged);
        }
        g_test_message("%s: %.4f px rms over centre and corners, worst %.4f; weave %.2f %.2f px",
                       gauge_no(g)->name, sqrt(sum / (double)r.n), worst, r.summary.weave_across,
                       r.summary.weave_along);
        g_assert_cmpfloat(sqrt(sum / (double)r.n), <, 0.06);
        g_assert_cmpfloat(worst, <, 0.15);
        g_assert_cmpint((int)r.summary.side, ==, RW_SIDE_RIGHT);
        g_assert_cmpuint(r.summary.trusted, ==, r.n);
        reel_clear(&r);
    }
}

static void test_solve_bad(void)
{
    for (int g = 0; g < 2; g++) {
        reel r = shoot(gauge_no(g), 40, 3, 999, 1);
        double good = 0, damaged = 0, lost = 0;
        int n_good = 0, n_damaged = 0, n_lost = 0;
        for (size_t i = 0; i < r.n; i++) {
            double e = frame_error(gauge_no(g), r.fits[i].film_to_still, r.truth[i]);
            int fault = i % 3 == 1 ? (int)(i / 3 % 4) + 1 : 0;
            if (fault == 0) {
                good += e * e;
                n_good++;
            } else if (fault == 1 || fault == 4) {
                lost += e * e;
                n_lost++;
                g_assert_cmpfloat(r.fits[i].confidence, <, 0.5);
            } else {
                damaged += e * e;
                n_damaged++;
                g_test_message("damaged %zu: error %.3f flagged %d confidence %.2f", i, e,
                               r.fits[i].damaged, r.fits[i].confidence);
                g_assert_true(r.fits[i].damaged);
            }
        }
        good = sqrt(good / n_good);
        damaged = sqrt(damaged / n_damaged);
        lost = sqrt(lost / n_lost);
        g_test_message("%s: good %.4f, damaged %.4f, held %.3f px rms", gauge_no(g)->name, good,
                       damaged, lost);
        g_assert_cmpfloat(good, <, 0.07);
        g_assert_cmpfloat(damaged, <, 0.2);
        g_assert_cmpfloat(lost, <, 4); /* the weave itself */
        reel_clear(&r);
    }
}

/* Whatever the sights hold, the fits are finite. */
static void test_solve_garbage(void)
{
    GRand *rand = g_rand_new_with_seed(3);
    enum { N = 60 };
    for (int round = 0; round < 40; round++) {
        rw_gate_sight sights[N];
        rw_gate_fit fits[N];
        memset(sights, 0, sizeof sights);
        for (int i = 0; i < N; i++) {
            rw_gate_sight *s = &sights[i];
            if (g_rand_int_range(rand, 0, 4) == 0)
                continue;
            s->version = RW_GATE_VERSION;
            s->side = g_rand_int_range(rand, 0, 5);
            s->n_holes = g_rand_int_range(rand, 0, RW_GATE_MAX_HOLES + 1);
            s->confidence = g_rand_double(rand);
            s->stored_width = 3000;
            s->stored_height = 2000;
            s->film_edge_found = g_rand_boolean(rand);
            s->film_edge_angle_sd = 1e-5;
            s->film_edge_sd = 0.1;
            for (int k = 0; k < s->n_holes; k++) {
                rw_hole_sight *h = &s->hole[k];
                h->found = true;
                h->index = g_rand_int_range(rand, -1, 3);
                h->cx = g_rand_double_range(rand, 0, 3000);
                h->cy = g_rand_double_range(rand, 0, 2000);
                h->angle = g_rand_double_range(rand, -0.05, 0.05);
                h->angle_sd = 1e-5;
                h->inliers = g_rand_double(rand);
                for (int j = 0; j < 4; j++)
                    h->side[j] = (rw_side_sight){g_rand_double_range(rand, 50, 300), 0,
                                                 g_rand_int_range(rand, 0, 3) ? 0.01 : INFINITY,
                                                 g_rand_double(rand)};
            }
        }
        rw_gate_summary summary;
        rw_gate_solve(gauge_no(round & 1), sights, N, fits, &summary);
        for (int i = 0; i < N; i++)
            for (int k = 0; k < 6; k++)
                g_assert_true(isfinite(fits[i].film_to_still.m[k / 3][k % 3]));
    }
    rw_gate_summary none;
    rw_gate_solve(gauge_no(0), NULL, 0, NULL, &none);
    g_assert_cmpuint(none.trusted, ==, 0);
    g_rand_free(rand);
}

/* Stills of Regular 8 that show but the inner end of each of the two perforations, whose edges a
 * tone curve has moved inwards: what is measured of such a still, without a picture. */
static void test_half_seen(void)
{
    enum { N = 40 };
    const double scale = 190, shrunk = 0.85;
    const rw_gauge *gauge = rw_gauge_find("regular8");
    const rw_perforation *p = &gauge->perforations[0];
    rw_gate_sight sights[N];
    rw_gate_fit fits[N];
    double place[N], sum = 0, off = 0;
    GRand *rand = g_rand_new_with_seed(8);
    memset(sights, 0, sizeof sights);
    for (int i = 0; i < N; i++) {
        rw_gate_sight *s = &sights[i];
        *s = (rw_gate_sight){.version = RW_GATE_VERSION,
                             .side = RW_SIDE_LEFT,
                             .n_holes = 2,
                             .confidence = 1,
                             .stored_width = 1200,
                             .stored_height = 800};
        place[i] = 3.5 * normal(rand);
        for (int k = 0; k < 2; k++) {
            rw_hole_sight *h = &s->hole[k];
            *h = (rw_hole_sight){.found = true,
                                 .index = k,
                                 .cx = 220,
                                 .angle_sd = 1e-4,
                                 .sd = 0.01,
                                 .cy = 400 + place[i] + (k - 0.5) * gauge->pitch * scale,
                                 .width = p->width * scale - 2 * shrunk,
                                 .height = p->height * scale - 2 * shrunk,
                                 .inliers = 1,
                                 .residual = 0.1,
                                 .edge_across = 3,
                                 .edge_along = 3,
                                 .light = 0.8};
            for (int j = 0; j < 4; j++) {
                bool hidden = j == (k ? RW_SIDE_AFTER : RW_SIDE_BEFORE);
                double half = (j == RW_SIDE_OUTER || j == RW_SIDE_INNER ? h->width : h->height) / 2;
                if (!hidden)
                    h->side[j] = (rw_side_sight){half + 0.01 * normal(rand), 0, 0.01, 1};
            }
        }
    }
    rw_gate_summary summary;
    rw_gate_solve(gauge, sights, N, fits, &summary);
    for (int i = 0; i < N; i++) {
        double error = rw_affine_apply(fits[i].film_to_still, 3, 0).y - 400 - place[i];
        g_assert_false(fits[i].damaged);
        g_assert_cmpint(fits[i].method, ==, RW_GATE_PERFORATION);
        sum += error;
        off += error * error;
    }
    g_test_message("off by %.3f px on average, weave %.4f px", sum / N,
                   sqrt(off / N - sum / N * sum / N));
    g_assert_cmpfloat(sqrt(fmax(0, off / N - sum / N * sum / N)), <, 0.03);
    g_assert_cmpfloat(fabs(sum / N), <, 0.2);
    g_rand_free(rand);
}

/* ---- which way is up ---- */

static double hash_noise(int x, int y)
{
    uint32_t h = (uint32_t)x * 374761393u + (uint32_t)y * 668265263u;
    h = (h ^ (h >> 13)) * 1274126177u;
    return (double)((h ^ (h >> 16)) & 0xffff) / 65535;
}

/* Light of the strip at film position t mm from frame 0 (growing with time): grain over a scene
 * that every frame repeats. */
static double strip_light(double x, double t, double pitch)
{
    double in_frame = t - floor(t / pitch + 0.5) * pitch;
    return 0.3 + 0.15 * sin(3 * x + 2 * in_frame) +
           0.2 * (hash_noise((int)floor(x * 40), (int)floor(t * 40)) - 0.5);
}

static rw_plane strip_still(const rw_gauge *g, int frame, int down, rw_affine film)
{
    rw_plane p = {g_new(float, 700 * 500), 700, 500, 700};
    rw_affine back;
    rw_affine_invert(film, &back);
    for (int y = 0; y < 500; y++)
        for (int x = 0; x < 700; x++) {
            rw_point f = rw_affine_apply(back, x, y);
            double t = frame * g->pitch + down * f.y;
            bool gate = fabs(f.y) > g->pitch / 2 + 0.22;
            p.px[y * 700 + x] = gate ? 0.001f : (float)strip_light(f.x, t, g->pitch);
        }
    return p;
}

static void test_way_up(void)
{
    for (int g = 0; g < 2; g++)
        for (int down = -1; down <= 1; down += 2) {
            rw_way_up_vote votes[4];
            for (int i = 0; i < 4; i++) {
                rw_affine a = place(gauge_no(g), RW_SIDE_RIGHT, 700, 500, 97, 0.004, i * 0.7, 1);
                rw_affine b = place(gauge_no(g), RW_SIDE_RIGHT, 700, 500, 97, 0.003, 1, i * -0.6);
                rw_plane p = strip_still(gauge_no(g), 5 + i, down, a);
                rw_plane q = strip_still(gauge_no(g), 6 + i, down, b);
                rw_way_up_compare(gauge_no(g), p, a, q, b, &votes[i]);
                g_test_message("down %+d: with %.3f against %.3f valid %d", down, votes[i].with_y,
                               votes[i].against_y, votes[i].valid);
                g_assert_true(votes[i].valid);
                g_assert_cmpfloat((votes[i].with_y - votes[i].against_y) * down, >, 0.1);
                g_free(p.px);
                g_free(q.px);
            }
            bool certain;
            g_assert_cmpint(rw_way_up_decide(RW_SIDE_RIGHT, votes, 4, &certain), ==, down);
            g_assert_true(certain);
        }
    /* Without votes: common practice, no source. Turned, never mirrored. */
    bool certain = true;
    g_assert_cmpint(rw_way_up_decide(RW_SIDE_LEFT, NULL, 0, &certain), ==, 1);
    g_assert_false(certain);
    g_assert_cmpint(rw_way_up_decide(RW_SIDE_RIGHT, NULL, 0, &certain), ==, -1);
    g_assert_cmpint(rw_way_up_decide(RW_SIDE_TOP, NULL, 0, &certain), ==, -1);
    g_assert_cmpint(rw_way_up_decide(RW_SIDE_BOTTOM, NULL, 0, &certain), ==, 1);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/gate/any-side", test_any_side);
    g_test_add_func("/gate/prior", test_prior);
    g_test_add_func("/gate/bright-and-dark", test_bright_and_dark);
    g_test_add_func("/gate/film-edge", test_film_edge);
    g_test_add_func("/gate/damage", test_damage);
    g_test_add_func("/gate/clipped", test_clipped);
    g_test_add_func("/gate/half-hidden", test_half_hidden);
    g_test_add_func("/gate/sizes", test_sizes);
    g_test_add_func("/gate/nothing", test_nothing);
    g_test_add_func("/gate/hostile-pixels", test_hostile_pixels);
    g_test_add_func("/gate/solve", test_solve);
    g_test_add_func("/gate/solve-bad", test_solve_bad);
    g_test_add_func("/gate/solve-garbage", test_solve_garbage);
    g_test_add_func("/gate/way-up", test_way_up);
    g_test_add_func("/gate/half-seen", test_half_seen);
    return g_test_run();
}
