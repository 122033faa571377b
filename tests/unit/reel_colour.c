/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is concluded of a reel's lamp and dyes, on stills that are made up here: film whose dyes and
 * losses are known. Absorptions differ from those that the program takes, as real film's do. No
 * source but physics: densities of dyes add up.
 */
#include <math.h>
#include <string.h>

#include "colour/sight.h"

#define FRAMES 120
#define STILLS 60

typedef struct film {
    double kept[3];  /* share of the dyes */
    double stain[3]; /* density */
    double lamp[3];  /* clear light */
    double drift;    /* of the red lamp over the reel, stops */
    int kind;        /* rw_reel_kind */
    bool rebate;     /* is seen */
} film;

static const double dyes[3][3] = {{1, 0.05, 0.03}, {0.2, 1, 0.05}, {0.05, 0.28, 1}};
static const double base = 0.15, deepest = 2.8, veil = 3e-4;

static const film whole = {{1, 1, 1}, {0}, {0.9, 0.9, 0.9}, 0, RW_REEL_COLOURED, true};

/* Dye amounts that make the densities v: Gauss. */
static void solve(const double v[3], double d[3])
{
    double m[3][4];
    for (int i = 0; i < 3; i++) {
        memcpy(m[i], dyes[i], sizeof dyes[i]);
        m[i][3] = v[i];
    }
    for (int i = 0; i < 3; i++)
        for (int k = 0; k < 3; k++)
            if (k != i) {
                double f = m[k][i] / m[i][i];
                for (int j = 0; j < 4; j++)
                    m[k][j] -= f * m[i][j];
            }
    for (int i = 0; i < 3; i++)
        d[i] = m[i][3] / m[i][i];
}

/* Light of film whose densities above the base were v before time took its share. */
static void light_of(const film *f, int n, const double v[3], double light[3])
{
    double d[3];
    solve(v, d);
    for (int c = 0; c < 3; c++) {
        double density = base + f->stain[c];
        for (int k = 0; k < 3; k++)
            density += dyes[c][k] * d[k] * f->kept[k];
        double lamp = f->lamp[c] * (c ? 1 : exp2(f->drift * (n / (double)FRAMES - 0.5)));
        light[c] = lamp * (pow(10, -density) + veil);
    }
}

static uint8_t coded(double light)
{
    double v = light <= 0.0031308 ? 12.92 * light : 1.055 * pow(light, 1 / 2.4) - 0.055;
    return (uint8_t)CLAMP(lrint(255 * v), 0, 255);
}

/* What was filmed: densities of a scene's sample. Each scene has its own leaning. */
static void scene_sample(GRand *r, const film *f, int scene, int i, double v[3])
{
    static const double leaning[6][3] = {{0, 0, 0.1},     {0.1, -0.05, 0.15}, {-0.1, 0.05, 0.1},
                                         {0.05, 0, -0.1}, {0.1, 0, 0.1},      {0, 0.05, 0}};
    double tone = i % 40 == 0 ? 0.06 : g_rand_double_range(r, 0.15, 2.2);
    for (int c = 0; c < 3; c++) {
        double hue = i % 40 == 0 ? 0 : leaning[scene % 6][c] + g_rand_double_range(r, -0.15, 0.15);
        v[c] = CLAMP(tone + (f->kind == RW_REEL_COLOURED ? hue : 0), 0.02, 2.6);
        if (f->kind == RW_REEL_TONED)
            v[c] = tone * (c == 0 ? 0.75 : c == 1 ? 1 : 1.2);
    }
}

static void make_sight(GRand *r, const film *f, int n, rw_colour_sight *s)
{
    rw_colour_sight_clear(s);
    double sum[3] = {0}, light[3];
    for (int i = 0; i < RW_COLOUR_SAMPLES; i++) {
        double v[3];
        scene_sample(r, f, n / 20, i, v);
        light_of(f, n, v, light);
        for (int c = 0; c < 3; c++) {
            s->sample[i][c] = coded(light[c] * exp2(g_rand_double_range(r, -0.03, 0.03)));
            sum[c] += light[c];
        }
    }
    const double clear[3] = {-base, -base, -base}, black[3] = {deepest, deepest, deepest},
                 shadow[3] = {2.4, 2.4, 2.4};
    double low[3];
    light_of(&whole, n, clear, light);
    light_of(f, n, shadow, low);
    for (int c = 0; c < 3; c++) {
        s->clear[c] = (float)(f->lamp[c] * (c ? 1 : exp2(f->drift * (n / (double)FRAMES - 0.5))));
        s->mean[c] = (float)(sum[c] / RW_COLOUR_SAMPLES);
        s->low[c] = (float)low[c];
        s->high[c] = 0.6f;
    }
    light_of(f, n, black, light);
    for (int c = 0; c < 3 && f->rebate; c++)
        s->rebate[c] = (float)light[c];
}

/* Every second frame has a still; scenes of 20 frames. */
static GByteArray *estimate(const film *f)
{
    static rw_colour_sight sights[STILLS];
    static rw_colour_view views[STILLS];
    rw_scene_colour scenes[FRAMES / 20];
    GRand *r = g_rand_new_with_seed(12);
    for (int i = 0; i < STILLS; i++) {
        make_sight(r, f, 2 * i, &sights[i]);
        views[i] = (rw_colour_view){2 * i, &sights[i]};
    }
    for (int i = 0; i < FRAMES / 20; i++)
        scenes[i] = (rw_scene_colour){.first = 20 * i, .last = 20 * i + 19};
    g_rand_free(r);
    return rw_colour_estimate(views, STILLS, FRAMES, scenes, FRAMES / 20);
}

static const rw_reel_colour *reel_of(const GByteArray *block)
{
    const rw_reel_colour *reel = rw_reel_colour_read(block->data, block->len);
    g_assert_nonnull(reel);
    return reel;
}

static void test_whole(void)
{
    g_autoptr(GByteArray) block = estimate(&whole);
    const rw_reel_colour *reel = reel_of(block);
    g_assert_cmpint(reel->kind, ==, RW_REEL_COLOURED);
    g_assert_cmpfloat(reel->fade_evidence, ==, 0);
    for (int c = 0; c < 3; c++) {
        g_assert_cmpfloat(reel->lamp[c], ==, 1);
        for (int n = 0; n < FRAMES; n++)
            g_assert_cmpfloat_with_epsilon(rw_reel_colour_frame(reel, n)->drift[c], 0, 1e-5f);
    }
    for (int n = 0; n < FRAMES; n += 20)
        for (int c = 0; c < 3; c++)
            g_assert_cmpfloat(rw_reel_colour_scene(reel, n)->balance[c], ==, 0);
}

/* A colour as it was, from the faded light and what was concluded. */
static void restored(const rw_reel_colour *reel, const double light[3], double out[3])
{
    for (int i = 0; i < 3; i++) {
        double e = (double)reel->fade[i][3];
        for (int k = 0; k < 3; k++)
            e -= (double)reel->fade[i][k] * log2(light[k] * (double)reel->lamp[k]);
        out[i] = exp2(-e);
    }
}

static void test_faded(void)
{
    static const film faded[] = {
        {{0.6, 0.97, 0.66}, {0.02, 0.02, 0.12}, {0.9, 0.9, 0.9}, 0, RW_REEL_COLOURED, true},
        {{0.9, 0.62, 0.85}, {0}, {0.9, 0.9, 0.9}, 0, RW_REEL_COLOURED, true},
        {{0.75, 0.75, 0.75}, {0.01, 0.03, 0.18}, {0.9, 0.9, 0.9}, 0, RW_REEL_COLOURED, true},
        {{0.5, 1, 0.6}, {0}, {0.9, 0.7, 0.5}, 0, RW_REEL_COLOURED, true},
        {{0.5, 1, 0.6}, {0}, {0.9, 0.9, 0.9}, 0, RW_REEL_COLOURED, false},
    };
    for (size_t k = 0; k < G_N_ELEMENTS(faded); k++) {
        const film *f = &faded[k];
        g_autoptr(GByteArray) block = estimate(f);
        const rw_reel_colour *reel = reel_of(block);
        g_assert_cmpfloat(reel->fade_evidence, >, 0.8f);
        double before = 0, after = 0, worst = 0;
        static const double tones[][3] = {
            {0.3, 0.3, 0.3}, {0.8, 0.8, 0.8}, {1.4, 1.4, 1.4}, {0.5, 0.9, 1.0}, {1.0, 0.6, 1.2}};
        for (size_t t = 0; t < G_N_ELEMENTS(tones); t++) {
            double light[3], was[3], now[3];
            film unfaded = *f;
            for (int c = 0; c < 3; c++)
                unfaded.kept[c] = 1, unfaded.stain[c] = 0;
            light_of(f, 0, tones[t], light);
            light_of(&unfaded, 0, tones[t], was);
            restored(reel, light, now);
            for (int c = 0; c < 3; c++) {
                double e = fabs(log2(now[c] / (was[c] * (double)reel->lamp[c])));
                before += fabs(log2(light[c] / was[c]));
                after += e;
                worst = fmax(worst, e);
            }
        }
        g_test_message("film %zu: %.2f stops off on average, were %.2f, worst %.2f", k, after / 15,
                       before / 15, worst);
        g_assert_cmpfloat(after, <, 0.4 * before);
        g_assert_cmpfloat(worst, <, 0.7);
    }
}

static void test_lamp(void)
{
    film f = whole;
    f.lamp[1] = 0.75;
    f.lamp[2] = 0.5;
    f.drift = 0.4;
    g_autoptr(GByteArray) block = estimate(&f);
    const rw_reel_colour *reel = reel_of(block);
    g_test_message("lamp %g %g %g, white %g %g %g, black %g %g %g, kept %g %g %g",
                   (double)reel->lamp[0], (double)reel->lamp[1], (double)reel->lamp[2],
                   (double)reel->white[0], (double)reel->white[1], (double)reel->white[2],
                   (double)reel->black[0], (double)reel->black[1], (double)reel->black[2],
                   (double)reel->kept[0], (double)reel->kept[1], (double)reel->kept[2]);
    g_assert_cmpfloat_with_epsilon(reel->lamp[1], 0.9 / 0.75, 0.02);
    g_assert_cmpfloat_with_epsilon(reel->lamp[2], 0.9 / 0.5, 0.03);
    g_assert_cmpfloat(reel->fade_evidence, ==, 0);
    for (int n = 40; n < 80; n++) { /* the ends lean on one side's neighbours */
        double want = -0.4 * (n / (double)FRAMES - 0.5);
        g_assert_cmpfloat_with_epsilon(rw_reel_colour_frame(reel, n)->drift[0], want, 0.02);
        g_assert_cmpfloat_with_epsilon(rw_reel_colour_frame(reel, n)->drift[1], 0, 1e-3);
    }
}

static void test_kinds(void)
{
    film f = whole;
    f.kind = RW_REEL_GREY;
    f.kept[0] = 0.7; /* a cast alone does not make dyes of silver */
    g_autoptr(GByteArray) toned = estimate(&f);
    g_assert_cmpint(reel_of(toned)->kind, ==, RW_REEL_TONED);
    g_assert_cmpfloat(reel_of(toned)->fade_evidence, ==, 0);
    f.kept[0] = 1;
    g_autoptr(GByteArray) grey = estimate(&f);
    g_assert_cmpint(reel_of(grey)->kind, ==, RW_REEL_GREY);
    f.kind = RW_REEL_TONED;
    g_autoptr(GByteArray) sepia = estimate(&f);
    g_assert_cmpint(reel_of(sepia)->kind, ==, RW_REEL_TONED);
}

static void test_little(void)
{
    g_autoptr(GByteArray) none = rw_colour_estimate(NULL, 0, 0, NULL, 0);
    g_assert_cmpfloat(reel_of(none)->fade_evidence, ==, 0);
    rw_colour_sight blank;
    rw_colour_sight_clear(&blank);
    rw_colour_view view = {3, &blank};
    g_autoptr(GByteArray) one = rw_colour_estimate(&view, 1, 5, NULL, 0);
    const rw_reel_colour *reel = reel_of(one);
    g_assert_cmpfloat(reel->fade_evidence, ==, 0);
    g_assert_cmpfloat(reel->lamp[0], ==, 1);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/reel-colour/whole", test_whole);
    g_test_add_func("/reel-colour/faded", test_faded);
    g_test_add_func("/reel-colour/lamp", test_lamp);
    g_test_add_func("/reel-colour/kinds", test_kinds);
    g_test_add_func("/reel-colour/little", test_little);
    return g_test_run();
}
