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
    double dirt;    /* radius of a lump on a side of hole `torn`, mm */
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
    return 0.5 * erfc(distance_px / (blur * G_SQRT2));
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
            double v = code_of(s->light * transmission(s, f.x, f.y, scale) +
                               s->noise * noise_of(&seed));
            uint8_t *at = data + ((size_t)y * (size_t)s->width + (size_t)x) * pixel;
            for (int c = 0; c < s->channels; c++)
                if (s->bits == 16)
                    ((uint16_t *)at)[c] = (uint16_t)(v * 65535 + 0.5);
                else
                    at[c] = (uint8_t)(v * 255 + 0.5);
        }
    return (rw_pixels){.data = data, .width = s->width, .height = s->height,
                       .stride = (ptrdiff_t)((size_t)s->width * pixel), .bits = s->bits,
                       .channels = s->channels, .eighths = 8, .full_width = s->width,
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
    rw_point middle = {(g->perforations[0].x + g->camera_aperture.x + g->camera_aperture.width) / 2, 0};
    rw_point at = rw_affine_apply(a, middle.x, middle.y);
    a.m[0][2] = (width - 1) / 2.0 - at.x + dx;
    a.m[1][2] = (height - 1) / 2.0 - at.y + dy;
    return a;
}

static scene plain_scene(const rw_gauge *gauge, uint32_t seed)
{
    scene s = {.gauge = gauge, .width = 1500, .height = 1000, .blur = 1.2, .light = 0.92,
               .rebate = 0.002, .picture = 0.4, .beyond = 0, .noise = 0.004, .torn = 99,
               .bits = 8, .channels = 3, .seed = seed};
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
                scene s = plain_scene(rw_gauge_find(gauge ? "regular8" : "super8"), (uint32_t)(n + 1));
                s.bits = n % 3 == 1 ? 16 : 8;
                s.channels = n % 4 == 2 ? 1 : 3;
                double scale = fitting_scale(&s, side) * g_rand_double_range(rand, 0.62, 1);
                double angle = g_rand_double_range(rand, -0.035, 0.035);
                s.picture = g_rand_double_range(rand, 0, 0.95);
                s.film_to_still = place(s.gauge, side, s.width, s.height, scale, angle,
                                        g_rand_double_range(rand, -12, 12),
                                        g_rand_double_range(rand, -12, 12));
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
                g_assert_cmpfloat(error, <, 0.08);
                g_assert_cmpfloat(fabs(sight.hole[0].angle - angle), <, 4e-4);
                g_assert_cmpfloat(sight.confidence, >, 0.7);
                g_assert_false(sight.hole[0].damaged);
                sum += error * error;
                n++;
                rw_gate_finder_free(&finder);
                g_free((void *)pixels.data);
            }
    g_test_message("centre error %.4f px rms", sqrt(sum / n));
    g_assert_cmpfloat(sqrt(sum / n), <, 0.03);
    g_rand_free(rand);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/gate/any-side", test_any_side);
    return g_test_run();
}
