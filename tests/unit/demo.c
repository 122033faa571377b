/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The demo reel against what it promises: edges where the truth says, grain as asked, terms that
 * leave each other alone, the same bytes with any number of threads, files as the standards say.
 * Everything is measured here anew, from the pixels, with nothing of the demo's own.
 */
#include <math.h>
#include <string.h>

#include <glib/gstdio.h>
#include <libexif/exif-data.h>

#include <jpeglib.h>

#include <reelwright/demo.h>

#include "demo/canvas.h"
#include "demo/clean.h"
#include "demo/jpeg.h"
#include "demo/params.h"
#include "demo/plan.h"
#include "demo/strip.h"
#include "demo/view.h"

/* ---- helps ---- */

static rw_demo_options *options_for(const char *gauge, int width, int height)
{
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find(gauge));
    o->width = width;
    o->height = height;
    o->frames = 12;
    o->truth_width = 192;
    o->truth_height = 144;
    return o;
}

static void set(rw_demo_options *o, const char *assignment)
{
    GError *error = NULL;
    rw_demo_options_set(o, assignment, &error);
    g_assert_no_error(error);
}

/* Words separated by spaces. */
static void off(rw_demo_options *o, const char *terms)
{
    g_auto(GStrv) words = g_strsplit(terms, " ", -1);
    for (char **w = words; *w; w++) {
        GError *error = NULL;
        rw_demo_options_off(o, *w, &error);
        g_assert_no_error(error);
    }
}

static rw_demo *reel_of(const rw_demo_options *o)
{
    GError *error = NULL;
    rw_demo *demo = rw_demo_new(o, &error);
    g_assert_no_error(error);
    return demo;
}

static uint8_t *render(rw_demo *demo, int64_t n)
{
    GError *error = NULL;
    uint8_t *pixels = rw_demo_render(demo, n, &error);
    g_assert_no_error(error);
    return pixels;
}

/* IEC 61966-2-1. */
static double linear(double code)
{
    double v = code / 255;
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

static double light_at(const uint8_t *pixels, int width, int x, int y, int channel)
{
    return linear(pixels[3 * (y * width + x) + channel]);
}

static void expect_same(const void *a, const void *b, size_t bytes)
{
    g_assert_true(memcmp(a, b, bytes) == 0);
}

/* ---- where the edges are ---- */

/* The step from dark to clear along a row (or column) through (x, y): the place that divides the
 * light as a sharp edge would. reach: pixels on both sides; outwards: the direction of the dark. */
static double edge_along(const uint8_t *p, int width, double x, double y, bool along_x,
                         int outwards, int reach)
{
    int cx = (int)lround(x), cy = (int)lround(y);
    double sum = 0, dark = 0, clear = 0;
    for (int k = -reach; k <= reach; k++) { /* k > 0 lies outside the hole */
        int i = along_x ? cx + outwards * k : cx, j = along_x ? cy : cy + outwards * k;
        double l = light_at(p, width, i, j, 1);
        sum += l;
        if (k == reach)
            dark = l;
        if (k == -reach)
            clear = l;
    }
    /* so many pixels are clear, counted from -reach - 1/2 */
    double filled = (sum - dark * (2 * reach + 1)) / (clear - dark);
    return outwards * (filled - reach - 0.5) + (along_x ? cx : cy);
}

/* Mean distance of the hole's four sides from where the truth has them; the worst side's. */
static double worst_edge_error(const uint8_t *p, int width, int height, rw_affine film_to_still,
                               rw_rect hole)
{
    double worst = 0;
    for (int side = 0; side < 4; side++) {
        double sum = 0;
        int n = 0;
        for (int k = 0; k <= 40; k++) { /* the middle half of the side */
            double u = 0.25 + 0.5 * k / 40;
            rw_point film = {hole.x + hole.width * (side == 0   ? 0
                                                    : side == 1 ? 1
                                                                : u),
                             hole.y + hole.height * (side == 2   ? 0
                                                     : side == 3 ? 1
                                                                 : u)};
            rw_point middle = {hole.x + hole.width / 2, hole.y + hole.height / 2};
            rw_point at = rw_affine_apply(film_to_still, film.x, film.y);
            rw_point in = rw_affine_apply(film_to_still, middle.x, middle.y);
            int axis = side < 2 ? 0 : 1; /* of the film */
            bool along_x = fabs(film_to_still.m[0][axis]) > fabs(film_to_still.m[1][axis]);
            int outwards = (along_x ? at.x > in.x : at.y > in.y) ? 1 : -1;
            if (at.x < 30 || at.y < 30 || at.x > width - 30 || at.y > height - 30)
                continue;
            /* 0.05 mm from the hole the picture begins */
            double px_per_mm = hypot(film_to_still.m[0][0], film_to_still.m[1][0]);
            int reach = (int)MIN(9, 0.04 * px_per_mm);
            double found = edge_along(p, width, at.x, at.y, along_x, outwards, reach);
            /* the edge is a line: bring its place to the row or column that was looked at */
            double away = along_x ? round(at.y) - at.y : round(at.x) - at.x;
            rw_affine m = film_to_still;
            double slope = side < 2 ? m.m[along_x ? 0 : 1][1] / m.m[along_x ? 1 : 0][1]
                                    : m.m[along_x ? 0 : 1][0] / m.m[along_x ? 1 : 0][0];
            sum += found - ((along_x ? at.x : at.y) + away * slope);
            n++;
        }
        if (n >= 10)
            worst = MAX(worst, fabs(sum / n));
    }
    return worst;
}

static void check_edges(const char *gauge, int turn, bool mirrored, int width, int height)
{
    rw_demo_options *o = options_for(gauge, width, height);
    o->turn = turn;
    o->mirrored = mirrored;
    off(o, "faults camera-weave lamp vignette glare noise dirt scratch");
    set(o, "weave.across=0.03");
    set(o, "weave.along=0.03");
    set(o, "shrinkage.along=0.9");
    set(o, "gate.margin=0.3");
    set(o, "film.dmin=1"); /* a dark picture, or its light would reach the edge next to it */
    rw_demo *demo = reel_of(o);
    double worst = 0;
    for (int64_t n = 2; n < 6; n++) {
        rw_demo_still still;
        g_assert_true(rw_demo_get_still(demo, n, &still));
        g_autofree uint8_t *p = render(demo, n);
        const rw_gauge *g = o->gauge;
        rw_perforation h = g->perforations[g->n_perforations - 1];
        /* the whole hole lies after the frame in time: below, where y grows with time */
        int time_direction = turn == 0 || turn == 270 ? 1 : -1;
        rw_rect hole = {h.x, time_direction > 0 ? h.y : -h.y - h.height, h.width, h.height};
        double error = worst_edge_error(p, width, height, still.film_to_still, hole);
        worst = MAX(worst, error);
    }
    g_test_message("%s turned %d%s: worst side off by %.4f px", gauge, turn,
                   mirrored ? " mirrored" : "", worst);
    g_assert_cmpfloat(worst, <, 0.02);
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
}

static void test_edges(void)
{
    check_edges("super8", 0, false, 1500, 1000);
    check_edges("super8", 180, false, 1500, 1000);
    check_edges("super8", 90, true, 1000, 1200);
    check_edges("super8", 0, false, 750, 500); /* drawn finer, then averaged */
    check_edges("regular8", 0, true, 1500, 1000);
    check_edges("regular8", 270, false, 1000, 1500);
}

/* ---- the clean picture lies where its map says ---- */

static double sample_light(const uint8_t *p, int width, rw_point at)
{
    int x = (int)floor(at.x), y = (int)floor(at.y);
    double u = at.x - x, v = at.y - y;
    return (1 - v) * ((1 - u) * light_at(p, width, x, y, 1) + u * light_at(p, width, x + 1, y, 1)) +
           v * ((1 - u) * light_at(p, width, x, y + 1, 1) +
                u * light_at(p, width, x + 1, y + 1, 1));
}

static void test_clean(void)
{
    rw_demo_options *o = options_for("super8", 1500, 1000);
    o->truth_width = 1440;
    o->truth_height = 1080;
    off(o, "faults lamp shutter vignette glare noise dirt scratch grain lens");
    rw_demo *demo = reel_of(o);
    rw_demo_still still;
    g_assert_true(rw_demo_get_still(demo, 3, &still));
    g_autofree uint8_t *p = render(demo, 3);
    GError *error = NULL;
    g_autofree uint8_t *clean = rw_demo_render_clean(demo, still.film, &error);
    g_assert_no_error(error);
    /* docs/demo-reel.md: still light = clear * (black + (white - black) * clean light) */
    double clear = 0.93, white = pow(10, -0.16), black = pow(10, -2.9);
    rw_rect area = o->gauge->projectable;
    double axx = 0, axy = 0, ayy = 0, bx = 0, by = 0, rms = 0;
    int n = 0;
    for (int j = 20; j < 1060; j += 3)
        for (int i = 20; i < 1420; i += 3) {
            double c[3][3]; /* the clean picture's neighbourhood, in light */
            for (int dy = 0; dy < 3; dy++)
                for (int dx = 0; dx < 3; dx++)
                    c[dy][dx] =
                        clear *
                        (black + (white - black) *
                                     linear(clean[4 * ((j + dy - 1) * 1440 + i + dx - 1) + 1]));
            rw_point film = {area.x + (i + 0.5) / 1440 * area.width + still.camera_weave.x,
                             area.y + (j + 0.5) / 1080 * area.height + still.camera_weave.y};
            rw_point at = rw_affine_apply(still.film_to_still, film.x, film.y);
            double gx = (c[1][2] - c[1][0]) / 2, gy = (c[2][1] - c[0][1]) / 2;
            double d = sample_light(p, 1500, at) - c[1][1];
            axx += gx * gx;
            axy += gx * gy;
            ayy += gy * gy;
            bx += gx * d;
            by += gy * d;
            rms += d * d;
            n++;
        }
    double det = axx * ayy - axy * axy, dx = (ayy * bx - axy * by) / det,
           dy = (axx * by - axy * bx) / det;
    g_test_message("clean against still: shift %.4f, %.4f clean px, rms %.5f", dx, dy,
                   sqrt(rms / n));
    g_assert_cmpfloat(hypot(dx, dy), <, 0.03);
    g_assert_cmpfloat(sqrt(rms / n), <, 0.02);
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
}

/* ---- grain ---- */

/* Two stills that differ in their grain alone give the density it adds. */
typedef struct grainy {
    int width, height;
    double *density, *added; /* above film.dmin; red */
} grainy;

static grainy shoot_grain(double px_per_mm, const char *size)
{
    grainy g = {.width = 900, .height = 700};
    rw_demo_options *o = options_for("super8", g.width, g.height);
    o->px_per_mm = px_per_mm;
    o->framing = RW_DEMO_FRAME_PICTURE;
    off(o, "all");
    rw_demo *plain = reel_of(o);
    rw_demo_params_clear(o->params);
    rw_demo_params_init(o->params);
    for (int t = 0; t < DEMO_TERMS; t++)
        o->params->on[t] = !rw_demo_term_has_switch((rw_demo_term)t) || t == DEMO_TERM_GRAIN;
    set(o, "grain.rms=20");
    set(o, size);
    rw_demo *rough = reel_of(o);
    g_autofree uint8_t *a = render(plain, 3), *b = render(rough, 3);
    g.density = g_new(double, g.width *g.height);
    g.added = g_new(double, g.width *g.height);
    for (int i = 0; i < g.width * g.height; i++) {
        double l = linear(a[3 * i]) / 0.93, m = MAX(linear(b[3 * i]) / 0.93, 1e-4);
        g.density[i] = -log10(MAX(l, 1e-4)) - 0.16;
        g.added[i] = -log10(m) + log10(MAX(l, 1e-4));
    }
    rw_demo_free(&plain);
    rw_demo_free(&rough);
    rw_demo_options_free(&o);
    return g;
}

/* rms granularity: standard deviation of density through a round aperture of 48 um, at density 1
 * (ISO 10505 and its forerunners; from memory). At other densities the model's root law. */
static void test_grain_strength(void)
{
    double scale = 300;
    grainy g = shoot_grain(scale, "grain.size=3.6");
    int r = (int)ceil(0.024 * scale);
    double squares = 0, sum = 0;
    int n = 0;
    for (int y = r; y + r < g.height; y += 2 * r + 4)
        for (int x = r; x + r < g.width; x += 2 * r + 4) {
            double density = 0, lowest = 9, highest = -9, light_in = 0, light_out = 0;
            int count = 0;
            for (int dy = -r; dy <= r; dy++)
                for (int dx = -r; dx <= r; dx++)
                    if (dx * dx + dy * dy <= 0.024 * scale * 0.024 * scale) {
                        int at = (y + dy) * g.width + x + dx;
                        density += g.density[at];
                        lowest = MIN(lowest, g.density[at]);
                        highest = MAX(highest, g.density[at]);
                        light_in += pow(10, -g.density[at]);
                        light_out += pow(10, -g.density[at] - g.added[at]);
                        count++;
                    }
            density /= count;
            if (highest - lowest > 0.35 || density < 0.15 || density > 1.2)
                continue; /* not even enough, or too dark for eight bits */
            double added = -log10(light_out / light_in);
            double asked = 0.020 * sqrt((density + 0.03) / 1.03);
            squares += added * added / asked / asked;
            sum += added / asked;
            n++;
        }
    double ratio = sqrt(squares / n), bias = sum / n;
    g_test_message("grain through 48 um: %.3f of what was asked, mean %.3f, %d places", ratio, bias,
                   n);
    g_assert_cmpint(n, >, 300);
    g_assert_cmpfloat(fabs(ratio - 1), <, 0.12); /* sampling error: about 0.04 */
    g_assert_cmpfloat(fabs(bias), <, 0.15);      /* the mean light stays as it was */
    g_free(g.density);
    g_free(g.added);
}

/* Clouds of a Gaussian profile of standard deviation s are alike at distance d by
 * exp(-d^2 / 4 s^2). */
static void test_grain_size(void)
{
    double scale = 300, size = 6e-3;
    grainy g = shoot_grain(scale, "grain.size=6");
    for (int lag = 1; lag <= 5; lag += 2)
        for (int along = 0; along < 2; along++) {
            double cross = 0, own = 0;
            for (int y = 4; y < g.height - 8; y++)
                for (int x = 4; x < g.width - 8; x++) {
                    int i = y * g.width + x, j = along ? i + lag * g.width : i + lag;
                    if (g.density[i] < 0.1 || g.density[i] > 1.1 || g.density[j] < 0.1 ||
                        g.density[j] > 1.1)
                        continue;
                    double a = g.added[i] / sqrt(g.density[i] + 0.03);
                    double b = g.added[j] / sqrt(g.density[j] + 0.03);
                    cross += a * b;
                    own += a * a;
                }
            double asked = exp(-lag * lag / (scale * scale) / (4 * size * size));
            g_test_message("lag %d %s: %.3f, asked %.3f", lag, along ? "along" : "across",
                           cross / own, asked);
            g_assert_cmpfloat(fabs(cross / own - asked), <, 0.06);
        }
    g_free(g.density);
    g_free(g.added);
}

/* Correlation of a - a0 and b - b0 in the picture's middle. */
static double likeness(const uint8_t *a, const uint8_t *a0, const uint8_t *b, const uint8_t *b0,
                       int width, int height)
{
    double ab = 0, aa = 0, bb = 0;
    for (int y = height / 4; y < height * 3 / 4; y++)
        for (int x = width / 4; x < width * 3 / 4; x++) {
            int i = 3 * (y * width + x) + 1, p = a[i] - a0[i], q = b[i] - b0[i];
            ab += p * q;
            aa += p * p;
            bb += q * q;
        }
    return ab / sqrt(aa * bb);
}

static void test_doubled(void)
{
    rw_demo_options *o = options_for("super8", 1200, 800);
    off(o, "missing smear hair damage lamp");
    set(o, "doubled.count=0");
    set(o, "doubled.at=5");
    set(o, "grain.rms=25");
    rw_demo *demo = reel_of(o);
    g_assert_cmpint(rw_demo_count_stills(demo), ==, 13);
    rw_demo_still first, second;
    g_assert_true(rw_demo_get_still(demo, 5, &first) && rw_demo_get_still(demo, 6, &second));
    g_assert_cmpint(first.film, ==, 5);
    g_assert_cmpint(second.film, ==, 5);
    g_assert_cmpint(second.take, ==, 1);
    expect_same(&first.film_to_still, &second.film_to_still, sizeof first.film_to_still);
    g_autofree uint8_t *a = render(demo, 5), *b = render(demo, 6), *c = render(demo, 7);
    g_assert_cmpint(memcmp(a, b, 3 * 1200 * 800), !=, 0); /* the sensor's noise is new */
    off(o, "noise");
    rw_demo *quiet = reel_of(o);
    g_autofree uint8_t *d = render(quiet, 5), *e = render(quiet, 6);
    expect_same(d, e, 3 * 1200 * 800);
    /* the picture itself is taken away, grain and noise stay */
    off(o, "grain");
    rw_demo *smooth = reel_of(o);
    g_autofree uint8_t *sa = render(smooth, 5), *sc = render(smooth, 7);
    double same = likeness(a, sa, b, sa, 1200, 800), other = likeness(a, sa, c, sc, 1200, 800);
    g_test_message("grain of doubled stills alike by %.3f, of neighbours by %.3f", same, other);
    g_assert_cmpfloat(same, >, 0.9);
    g_assert_cmpfloat(fabs(other), <, 0.02);
    rw_demo_free(&demo);
    rw_demo_free(&quiet);
    rw_demo_free(&smooth);
    rw_demo_options_free(&o);
}

/* ---- terms leave each other alone ---- */

/* on_film: the original camera's weave and exposure. */
static void view_of(const rw_demo_options *o, int64_t film, rw_demo_view *view, rw_demo_spot *spots,
                    int *n_spots, double on_film[3])
{
    GError *error = NULL;
    rw_demo_plan *plan =
        rw_demo_plan_new(o->params, o->seed, o->frames, o->gauge->camera_aperture, &error);
    g_assert_no_error(error);
    rw_demo_reel reel = {.gauge = o->gauge, .params = o->params, .plan = plan, .seed = o->seed};
    rw_demo_layout_init(&reel.layout, o, o->params->number[DEMO_GATE_MARGIN]);
    rw_demo_shot shot = {.film = film, .time_ms = 1000 * film};
    rw_demo_view_draw(&reel, &shot, view);
    rw_point weave = rw_demo_camera_weave(&reel, film);
    on_film[0] = weave.x;
    on_film[1] = weave.y;
    on_film[2] = rw_demo_shutter(&reel, film);
    memset(spots, 0, sizeof *spots * 64);
    *n_spots = rw_demo_film_spots(&reel, film, spots, 64);
    rw_demo_plan_free(&plan);
}

static void test_terms_apart(void)
{
    rw_demo_options *full = options_for("super8", 600, 400);
    full->frames = 60;
    set(full, "splice.at=20");
    set(full, "focus.percent=30");
    set(full, "step.at=10");
    set(full, "damage.torn-at=21");
    set(full, "hair.first=5");
    set(full, "lamp.ripple=20");
    for (int t = 0; t < DEMO_TERMS; t++) {
        if (!rw_demo_term_has_switch((rw_demo_term)t))
            continue;
        rw_demo_options *less = options_for("super8", 600, 400);
        rw_demo_params_clear(less->params);
        rw_demo_params_copy(less->params, full->params);
        less->frames = 60;
        off(less, rw_demo_term_name((rw_demo_term)t));
        rw_demo_view a, b;
        static rw_demo_spot spots[2][64];
        int n[2];
        double on_film[2][3];
        view_of(full, 21, &a, spots[0], &n[0], on_film[0]);
        view_of(less, 21, &b, spots[1], &n[1], on_film[1]);
        if (t != DEMO_TERM_CAMERA_WEAVE)
            expect_same(on_film[0], on_film[1], 2 * sizeof(double));
        if (t != DEMO_TERM_SHUTTER)
            g_assert_cmpfloat(on_film[0][2], ==, on_film[1][2]);
        /* every part of the view belongs to certain terms; the others must not touch it */
        bool geometry = t == DEMO_TERM_WEAVE || t == DEMO_TERM_ROTATION ||
                        t == DEMO_TERM_SHRINKAGE || t == DEMO_TERM_SPLICE;
        bool light = t == DEMO_TERM_LAMP || t == DEMO_TERM_STEP || t == DEMO_TERM_CLIP;
        bool focus = t == DEMO_TERM_LENS || t == DEMO_TERM_FOCUS || t == DEMO_TERM_SOFT;
        if (!geometry)
            expect_same(&a.film_to_still, &b.film_to_still, sizeof a.film_to_still);
        if (t != DEMO_TERM_WEAVE)
            expect_same(&a.weave, &b.weave, sizeof a.weave);
        if (t != DEMO_TERM_ROTATION)
            g_assert_cmpfloat(a.angle, ==, b.angle);
        if (!light)
            g_assert_cmpfloat(a.gain, ==, b.gain);
        if (t != DEMO_TERM_LAMP)
            expect_same(a.shade, b.shade, sizeof a.shade);
        if (!focus)
            g_assert_cmpfloat(a.sigma, ==, b.sigma);
        if (t != DEMO_TERM_HAIR)
            expect_same(a.hair, b.hair, sizeof a.hair);
        if (t != DEMO_TERM_DIRT && t != DEMO_TERM_DAMAGE)
            expect_same(spots[0], spots[1], sizeof spots[0]);
        else
            g_assert_cmpint(n[0], >, n[1]);
        rw_demo_options_free(&less);
    }
    rw_demo_options_free(&full);
}

/* Seen in the pixels: without the dirt, everything beyond its boxes is the same to the bit. */
static void test_dirt_alone(void)
{
    rw_demo_options *o = options_for("regular8", 1500, 1000);
    set(o, "dirt.rate=12");
    rw_demo *with = reel_of(o);
    off(o, "dirt");
    rw_demo *without = reel_of(o);
    g_autofree uint8_t *a = render(with, 2), *b = render(without, 2);
    int changed = 0;
    for (int i = 0; i < 1500 * 1000; i++)
        changed += memcmp(a + 3 * i, b + 3 * i, 3) != 0;
    g_test_message("dirt changes %.2f %% of the pixels", changed / 15000.0);
    g_assert_cmpint(changed, >, 100);
    g_assert_cmpint(changed, <, 1500 * 1000 / 20);
    rw_demo_free(&with);
    rw_demo_free(&without);
    rw_demo_options_free(&o);
}

/* The mask covers what dirt changed, and little else: strong changes fall on it (two clean pixels
 * to spare for the lens's blur), and most of what it marks has changed. */
static void test_masks(void)
{
    enum { W = 720, H = 540 };
    rw_demo_options *o = options_for("super8", 1500, 1000);
    o->turn = 180;
    off(o, "faults scratch noise");
    set(o, "dirt.rate=25");
    set(o, "dirt.opacity=100");
    rw_demo *with = reel_of(o);
    GError *error = NULL;
    rw_demo_plan *plan =
        rw_demo_plan_new(o->params, o->seed, o->frames, o->gauge->camera_aperture, &error);
    g_assert_no_error(error);
    rw_demo_reel reel = {.gauge = o->gauge, .params = o->params, .plan = plan, .seed = o->seed};
    rw_demo_layout_init(&reel.layout, o, o->params->number[DEMO_GATE_MARGIN]);
    g_autofree uint8_t *mask = rw_demo_mask_draw(&reel, 4, NULL, W, H);
    rw_demo_plan_free(&plan);
    rw_demo_still still;
    g_assert_true(rw_demo_get_still(with, 4, &still));
    off(o, "dirt");
    rw_demo *without = reel_of(o);
    g_autofree uint8_t *a = render(with, 4), *b = render(without, 4);
    rw_rect area = o->gauge->projectable;
    int strong = 0, strong_in = 0, marked = 0, marked_changed = 0;
    for (int j = 3; j < H - 3; j++)
        for (int i = 3; i < W - 3; i++) {
            rw_point film = {area.x + (i + 0.5) / W * area.width,
                             -(area.y + (j + 0.5) / H * area.height)}; /* turned: y against time */
            rw_point at = rw_affine_apply(still.film_to_still, film.x, film.y);
            int k = 3 * ((int)lround(at.y) * 1500 + (int)lround(at.x)) + 1;
            int change = ABS(a[k] - b[k]);
            bool near = false;
            for (int dy = -2; dy <= 2; dy++)
                for (int dx = -2; dx <= 2; dx++)
                    near = near || mask[(j + dy) * W + i + dx];
            strong += change > 12;
            strong_in += change > 12 && near;
            marked += mask[j * W + i] != 0;
            marked_changed += mask[j * W + i] != 0 && change > 2;
        }
    g_test_message("%d of %d strong changes on the mask; %d of %d marked pixels changed", strong_in,
                   strong, marked_changed, marked);
    g_assert_cmpint(strong, >, 200);
    g_assert_cmpint(strong_in, ==, strong);
    g_assert_cmpint(marked_changed * 100, >, marked * 80);
    rw_demo_free(&with);
    rw_demo_free(&without);
    rw_demo_options_free(&o);
}

/* ---- faults ---- */

static void test_smear(void)
{
    rw_demo_options *o = options_for("super8", 1500, 1000);
    off(o, "faults lamp vignette noise dirt scratch rotation weave");
    rw_demo *still_one = reel_of(o);
    o->params->on[DEMO_TERM_SMEAR] = true;
    set(o, "smear.count=0");
    set(o, "smear.at=4");
    set(o, "smear.travel=0.1");
    rw_demo *moved = reel_of(o);
    g_autofree uint8_t *a = render(still_one, 4), *b = render(moved, 4);
    rw_demo_still s;
    g_assert_true(rw_demo_get_still(moved, 4, &s));
    rw_point c = rw_affine_apply(s.film_to_still, 0.967, 0);
    rw_point top = rw_affine_apply(s.film_to_still, 0.967, -0.5715);
    rw_point left = rw_affine_apply(s.film_to_still, 0.51, 0);
    /* 10-90 % width of the hole's top and left edges, counted in pixels between the levels */
    int wide[2][2] = {{0}};
    for (int k = 0; k < 2; k++) {
        const uint8_t *p = k ? b : a;
        for (int d = -40; d <= 40; d++) {
            double v = light_at(p, 1500, (int)c.x, (int)top.y + d, 1) / 0.93;
            double h = light_at(p, 1500, (int)left.x + d, (int)c.y, 1) / 0.93;
            wide[k][0] += v > 0.1 && v < 0.9;
            wide[k][1] += h > 0.1 && h < 0.9;
        }
    }
    g_test_message("edge along the film %d -> %d px, across %d -> %d px", wide[0][0], wide[1][0],
                   wide[0][1], wide[1][1]);
    g_assert_cmpint(wide[1][0], >=, wide[0][0] + 10); /* 0.1 mm are 21 px, 60 % of the light */
    g_assert_cmpint(ABS(wide[1][1] - wide[0][1]), <=, 1);
    rw_demo_free(&still_one);
    rw_demo_free(&moved);
    rw_demo_options_free(&o);
}

static void test_missing(void)
{
    rw_demo_options *o = options_for("super8", 300, 200);
    o->frames = 30;
    off(o, "doubled");
    set(o, "missing.count=0");
    set(o, "missing.at=10,11,20");
    set(o, "missing.skipped=0");
    set(o, "clock.jitter=0");
    rw_demo *demo = reel_of(o);
    g_assert_cmpint(rw_demo_count_stills(demo), ==, 27);
    rw_demo_still before, after;
    g_assert_true(rw_demo_get_still(demo, 9, &before) && rw_demo_get_still(demo, 10, &after));
    g_assert_cmpint(before.film, ==, 9);
    g_assert_cmpint(after.film, ==, 12);
    g_assert_cmpint(after.time_ms - before.time_ms, ==, 3000);
    rw_demo_free(&demo);
    set(o, "missing.skipped=100"); /* the film ran on: no gap in time */
    demo = reel_of(o);
    g_assert_true(rw_demo_get_still(demo, 9, &before) && rw_demo_get_still(demo, 10, &after));
    g_assert_cmpint(after.film, ==, 12);
    g_assert_cmpint(after.time_ms - before.time_ms, ==, 1000);
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
}

static void test_edge_width(void)
{
    rw_demo_options *o = options_for("super8", 1500, 1000);
    off(o, "faults lamp vignette glare noise dirt scratch grain rotation");
    o->params->on[DEMO_TERM_FOCUS] = true;
    set(o, "focus.percent=40");
    rw_demo *demo = reel_of(o);
    rw_demo_still first, last;
    g_assert_true(rw_demo_get_still(demo, 0, &first) && rw_demo_get_still(demo, 11, &last));
    g_assert_cmpfloat(fabs(last.edge_width / first.edge_width - 1.4), <, 0.05);
    /* and as measured on the hole's left edge, row by row, interpolated between pixels */
    g_autofree uint8_t *p = render(demo, 11);
    rw_point at = rw_affine_apply(last.film_to_still, 0.51, 0);
    double cross[2] = {0, 0};
    for (int k = 0; k < 2; k++)
        for (int x = (int)at.x - 15; x < at.x + 15; x++) {
            double level = 0.93 * (k ? 0.9 : 0.1);
            double a = light_at(p, 1500, x, (int)at.y, 1),
                   b = light_at(p, 1500, x + 1, (int)at.y, 1);
            if (a <= level && b > level)
                cross[k] = x + (level - a) / (b - a);
        }
    g_test_message("10-90 %% width %.3f px, truth %.3f px", cross[1] - cross[0], last.edge_width);
    g_assert_cmpfloat(fabs(cross[1] - cross[0] - last.edge_width), <, 0.25);
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
}

/* ---- the card ---- */

static void test_numbers(void)
{
    /* DCF: folders 100..999, files 0001..9999 (docs: camera files, JEITA CP-3461 as summarised) */
    rw_demo_options *o = options_for("super8", 300, 200);
    off(o, "faults");
    set(o, "card.folder=104");
    set(o, "card.number=9998");
    rw_demo *demo = reel_of(o);
    static const char *const names[] = {"DCIM/104REELA/REEL9998.JPG", "DCIM/104REELA/REEL9999.JPG",
                                        "DCIM/105REELA/REEL0001.JPG"};
    for (int i = 0; i < 3; i++) {
        rw_demo_still still;
        g_assert_true(rw_demo_get_still(demo, i, &still));
        g_assert_cmpstr(still.path, ==, names[i]);
    }
    rw_demo_free(&demo);
    set(o, "card.folder=999");
    GError *error = NULL;
    g_assert_null(rw_demo_new(o, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
    g_clear_error(&error);
    rw_demo_options_free(&o);
}

static void expect_tag(ExifData *data, ExifIfd ifd, ExifTag tag, const char *value)
{
    char text[128] = "";
    ExifEntry *entry = exif_content_get_entry(data->ifd[ifd], tag);
    g_assert_nonnull(entry);
    exif_entry_get_value(entry, text, sizeof text);
    g_assert_cmpstr(text, ==, value);
}

static void test_exif(void)
{
    rw_demo_exif e = {.has_time = true,
                      .time_ms = 1773480603344,
                      .digits = 3,
                      .zone_minutes = -150,
                      .exposure_s = 0.0125,
                      .f_number = 5.6,
                      .iso = 200,
                      .orientation = 6,
                      .make = "Heronfold",
                      .model = "Heronfold Copyist 24",
                      .serial = "HF2400417"};
    g_autofree uint8_t *pixels = g_malloc(3 * 161 * 97);
    for (int i = 0; i < 3 * 161 * 97; i++)
        pixels[i] = (uint8_t)(i * 7);
    g_autoptr(GBytes) file = rw_demo_jpeg_encode(pixels, 161, 97, 90, &e);
    gsize bytes;
    const unsigned char *p = g_bytes_get_data(file, &bytes);
    /* Exif: SOI, then APP1 at once; no JFIF segment (CIPA DC-008, 4.5) */
    expect_same(p, "\xFF\xD8\xFF\xE1", 4);
    ExifData *data = exif_data_new_from_data(p, (unsigned)bytes);
    g_assert_nonnull(data);
    expect_tag(data, EXIF_IFD_0, EXIF_TAG_MAKE, "Heronfold");
    expect_tag(data, EXIF_IFD_0, EXIF_TAG_MODEL, "Heronfold Copyist 24");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_ORIGINAL, "2026:03:14 09:30:03");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_SUB_SEC_TIME_ORIGINAL, "344");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_EXPOSURE_TIME, "1/80 sec.");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_FNUMBER, "f/5.6");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_ISO_SPEED_RATINGS, "200");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_COLOR_SPACE, "sRGB");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_PIXEL_X_DIMENSION, "161");
    expect_tag(data, EXIF_IFD_EXIF, EXIF_TAG_PIXEL_Y_DIMENSION, "97");
    /* tags that libexif may not know by name, by number: OffsetTimeOriginal, BodySerialNumber */
    expect_tag(data, EXIF_IFD_EXIF, (ExifTag)0x9011, "-02:30");
    expect_tag(data, EXIF_IFD_EXIF, (ExifTag)0xA431, "HF2400417");
    ExifEntry *turn = exif_content_get_entry(data->ifd[EXIF_IFD_0], EXIF_TAG_ORIENTATION);
    g_assert_cmpint(exif_get_short(turn->data, exif_data_get_byte_order(data)), ==, 6);
    /* DCF: a thumbnail of 160 x 120 */
    g_assert_cmpint(data->size, >, 200);
    struct jpeg_decompress_struct j;
    struct jpeg_error_mgr errors;
    j.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&j);
    jpeg_mem_src(&j, data->data, data->size);
    jpeg_read_header(&j, TRUE);
    g_assert_cmpint((int)j.image_width, ==, 160);
    g_assert_cmpint((int)j.image_height, ==, 120);
    jpeg_destroy_decompress(&j);
    exif_data_unref(data);
    e.has_time = false;
    g_autoptr(GBytes) timeless = rw_demo_jpeg_encode(pixels, 161, 97, 90, &e);
    p = g_bytes_get_data(timeless, &bytes);
    data = exif_data_new_from_data(p, (unsigned)bytes);
    g_assert_null(exif_content_get_entry(data->ifd[EXIF_IFD_EXIF], EXIF_TAG_DATE_TIME_ORIGINAL));
    g_assert_null(exif_content_get_entry(data->ifd[EXIF_IFD_0], EXIF_TAG_DATE_TIME));
    exif_data_unref(data);
}

/* ---- the same bytes ---- */

static int by_name(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

static void hash_folder(const char *path, GChecksum *sum)
{
    g_autoptr(GDir) dir = g_dir_open(path, 0, NULL);
    g_assert_nonnull(dir);
    g_autoptr(GPtrArray) names = g_ptr_array_new_with_free_func(g_free);
    for (const char *n; (n = g_dir_read_name(dir));)
        g_ptr_array_add(names, g_strdup(n));
    g_ptr_array_sort(names, by_name);
    for (guint i = 0; i < names->len; i++) {
        const char *name = g_ptr_array_index(names, i);
        g_autofree char *file = g_build_filename(path, name, NULL);
        g_checksum_update(sum, (const guchar *)name, -1);
        if (g_file_test(file, G_FILE_TEST_IS_DIR)) {
            hash_folder(file, sum);
            continue;
        }
        g_autofree char *data = NULL;
        gsize bytes;
        g_assert_true(g_file_get_contents(file, &data, &bytes, NULL));
        g_checksum_update(sum, (const guchar *)data, (gssize)bytes);
    }
}

static void remove_folder(const char *path)
{
    g_autoptr(GDir) dir = g_dir_open(path, 0, NULL);
    for (const char *n; dir && (n = g_dir_read_name(dir));) {
        g_autofree char *file = g_build_filename(path, n, NULL);
        if (g_file_test(file, G_FILE_TEST_IS_DIR))
            remove_folder(file);
        else
            g_unlink(file);
    }
    g_rmdir(path);
}

static void test_threads(void)
{
    static const int counts[] = {1, 2, 3, 8};
    g_autofree char *first = NULL;
    for (size_t i = 0; i < G_N_ELEMENTS(counts); i++) {
        GError *error = NULL;
        rw_demo_options *o = options_for("regular8", 300, 200);
        set(o, "alien.before=1");
        set(o, "alien.after=1");
        o->truth_camera_weave = true;
        rw_demo *demo = reel_of(o);
        g_autofree char *folder = g_dir_make_tmp("rw-demo-XXXXXX", NULL);
        g_assert_true(rw_demo_write(demo, folder, counts[i], NULL, NULL, NULL, &error));
        g_assert_no_error(error);
        /* a second time into the same folder is refused */
        g_assert_false(rw_demo_write(demo, folder, 1, NULL, NULL, NULL, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_CONFLICT);
        g_clear_error(&error);
        g_autoptr(GChecksum) sum = g_checksum_new(G_CHECKSUM_SHA256);
        hash_folder(folder, sum);
        if (!first)
            first = g_strdup(g_checksum_get_string(sum));
        g_assert_cmpstr(g_checksum_get_string(sum), ==, first);
        remove_folder(folder);
        rw_demo_free(&demo);
        rw_demo_options_free(&o);
    }
}

/* A still made alone, in another order, is the still of the run. */
static void test_alone(void)
{
    rw_demo_options *o = options_for("super8", 450, 300);
    rw_demo *run = reel_of(o), *alone = reel_of(o);
    g_autofree uint8_t *late = render(alone, 7);
    uint8_t *p = NULL;
    for (int64_t n = 0; n <= 7; n++) {
        g_free(p);
        p = render(run, n);
    }
    expect_same(p, late, 3 * 450 * 300);
    g_free(p);
    rw_demo_free(&run);
    rw_demo_free(&alone);
    rw_demo_options_free(&o);
}

/* ---- footage ---- */

/* One colour per frame, 8 bits 4:4:4, no tags: small, so BT.601. */
static char *write_y4m(const uint8_t colours[][3], int n)
{
    char *path = NULL;
    int fd = g_file_open_tmp("rw-demo-XXXXXX.y4m", &path, NULL);
    g_assert_cmpint(fd, >=, 0);
    FILE *f = fdopen(fd, "wb");
    fprintf(f, "YUV4MPEG2 W64 H48 F18:1 Ip A1:1 C444\n");
    for (int i = 0; i < n; i++) {
        fprintf(f, "FRAME\n");
        for (int c = 0; c < 3; c++)
            for (int k = 0; k < 64 * 48; k++)
                fputc(colours[i][c], f);
    }
    fclose(f);
    return path;
}

static void test_footage(void)
{
    /* ITU-R BT.601: black, white, grey, red. Red in eight bits is (81, 90, 240), by the matrix
     * 65/219 + 1.402 * 112/224 = 0.99780 of full scale. */
    static const uint8_t colours[][3] = {
        {16, 128, 128}, {235, 128, 128}, {126, 128, 128}, {81, 90, 240}};
    /* BT.1886 with a black of zero: ((126 - 16) / 219)^2.4 */
    static const double expected[][3] = {
        {0, 0, 0}, {1, 1, 1}, {0.19166, 0.19166, 0.19166}, {0.99474, 0, 0}};
    g_autofree char *path = write_y4m(colours, 4);
    rw_demo_options *o = options_for("super8", 300, 200);
    o->footage = g_new0(char *, 2);
    o->footage[0] = g_strdup(path);
    GError *error = NULL;
    rw_demo_source *source = rw_demo_source_open(o, 170, &error);
    g_assert_no_error(error);
    static const int order[] = {0, 3, 1, 2, 4, 5, 6, -1}; /* 4, 5, 6: back again */
    static const int shown[] = {0, 3, 1, 2, 2, 1, 0, 1};
    for (size_t i = 0; i < G_N_ELEMENTS(order); i++) {
        rw_demo_picture picture;
        g_assert_true(rw_demo_source_draw(source, order[i], &picture, &error));
        g_assert_cmpint(picture.width, ==, 64);
        for (int c = 0; c < 3; c++) {
            float v = picture.px[4 * (picture.width * picture.height / 2 + 20) + c];
            g_assert_cmpfloat(fabs((double)v - expected[shown[i]][c]), <, 0.0005);
        }
        rw_demo_picture_clear(&picture);
    }
    rw_demo_source_close(&source);
    g_free(o->footage[0]);
    o->footage[0] = g_strdup("/nonexistent/reel.mp4");
    g_assert_null(rw_demo_new(o, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_NOT_FOUND);
    g_clear_error(&error);
    g_unlink(path);
    rw_demo_options_free(&o);
}

/* ---- words ---- */

static void test_words(void)
{
    static const char *const bad[] = {
        "weave",          "weave.across",   "weave.across=", "weave.across=x",  "weave.across=9",
        "nothing.here=1", "missing.at=3,x", "missing.at=-1", "weave.across=nan"};
    rw_demo_options *o = options_for("super8", 300, 200);
    for (size_t i = 0; i < G_N_ELEMENTS(bad); i++) {
        GError *error = NULL;
        g_assert_false(rw_demo_options_set(o, bad[i], &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
        g_clear_error(&error);
    }
    GError *error = NULL;
    g_assert_false(rw_demo_options_off(o, "film", &error)); /* cannot go */
    g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
    g_clear_error(&error);
    o->turn = 45;
    g_assert_null(rw_demo_new(o, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
    g_clear_error(&error);
    rw_demo_options_free(&o);
}

/* The manual's table is the program's. */
static void test_manual(void)
{
    g_autofree char *help = rw_demo_terms_help(true), *page = NULL;
    g_assert_true(g_file_get_contents(TEST_DATA "/../../../docs/man/demo.md", &page, NULL, NULL));
    g_assert_nonnull(strstr(page, help));
}

/* An outline's coverage is its area: a disc and a turned square by their formulas. */
static void test_canvas(void)
{
    rw_demo_picture p = {g_new0(float, 4 * 80 * 60), 80, 60};
    rw_demo_pose pose = rw_demo_pose_at(37.3f, 30.6f, 20, 0.071f);
    rw_demo_path disc = rw_demo_path_ellipse(0, 0, 1, 1);
    rw_demo_paint paint = {.from = {{1, 1, 1}}, .opacity = 1};
    rw_demo_canvas_fill(&p, &disc, &pose, &paint);
    double sum = 0;
    for (int i = 0; i < 80 * 60; i++)
        sum += (double)p.px[4 * i];
    /* a polygon of 32 corners in a circle of radius 20: (32 / 2) r^2 sin(2 pi / 32) */
    g_assert_cmpfloat(fabs(sum - 16 * 400 * sin(2 * G_PI / 32)), <, 0.5);
    memset(p.px, 0, sizeof(float) * 4 * 80 * 60);
    rw_demo_path square = {.n = 0};
    rw_demo_path_to(&square, -3, -0.5f); /* sticks out on the left */
    rw_demo_path_to(&square, 0.5f, -0.5f);
    rw_demo_path_to(&square, 0.5f, 0.5f);
    rw_demo_path_to(&square, -3, 0.5f);
    pose = rw_demo_pose_at(30, 30, 20, 0);
    rw_demo_canvas_fill(&p, &square, &pose, &paint);
    sum = 0;
    for (int i = 0; i < 80 * 60; i++)
        sum += (double)p.px[4 * i];
    g_assert_cmpfloat(fabs(sum - 20 * 40.5), <, 0.1);
    rw_demo_picture_clear(&p);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/demo/words", test_words);
    g_test_add_func("/demo/manual", test_manual);
    g_test_add_func("/demo/canvas", test_canvas);
    g_test_add_func("/demo/numbers", test_numbers);
    g_test_add_func("/demo/exif", test_exif);
    g_test_add_func("/demo/footage", test_footage);
    g_test_add_func("/demo/missing", test_missing);
    g_test_add_func("/demo/edges", test_edges);
    g_test_add_func("/demo/clean", test_clean);
    g_test_add_func("/demo/grain-strength", test_grain_strength);
    g_test_add_func("/demo/grain-size", test_grain_size);
    g_test_add_func("/demo/doubled", test_doubled);
    g_test_add_func("/demo/smear", test_smear);
    g_test_add_func("/demo/edge-width", test_edge_width);
    g_test_add_func("/demo/terms-apart", test_terms_apart);
    g_test_add_func("/demo/dirt-alone", test_dirt_alone);
    g_test_add_func("/demo/masks", test_masks);
    g_test_add_func("/demo/alone", test_alone);
    g_test_add_func("/demo/threads", test_threads);
    return g_test_run();
}
