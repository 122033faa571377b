/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Hair in the gate, on drawn pictures: a textured scene, film that weaves, and one thin dark thing
 * that is fixed to the camera, to the film, or not there. What must be found follows from the
 * drawing alone.
 */
#include <math.h>

#include "../support/made_noise.h"
#include "survey/hair.h"

enum { WIDTH = 240, HEIGHT = 180, FRAMES = 60, ONSET = 30, LAST = 50 };

typedef enum thing { NOTHING, ON_CAMERA, ON_FILM } thing;

typedef struct film {
    thing thing;
    double weave; /* rms, pixels */
    double pan;   /* of the scene on the film, aslant, pixels a frame */
    double noise; /* beyond a little, coded */
    int cut;      /* another scene until this frame */
} film;

/* Coded value of the scene; dark lines are its twigs. */
static double scene(double x, double y)
{
    double v = 150 + 25 * sin(0.09 * x + 0.5 * sin(0.05 * y)) + 18 * cos(0.11 * y);
    double twig = fabs(fmod(x + 0.35 * y + 4000, 37) - 18), across = fabs(fmod(y + 900, 53) - 26);
    if (twig < 1.2)
        v -= 90 * (1.2 - twig);
    if (across < 1)
        v -= 70 * (1 - across);
    return v;
}

/* How much of pixel (x, y) the hair covers: a slanted stroke of 35 x 22 pixels. */
static double hair_at(double x, double y)
{
    double u = (x - 100) / 35, along = 60 + 22 * u + 3 * sin(4 * u);
    return u < 0 || u > 1 ? 0 : CLAMP(1.4 - fabs(y - along), 0, 1);
}

static void draw(const film *f, int n, double dx, double dy, uint8_t *out)
{
    bool shows = f->thing != NOTHING && n >= ONSET && n <= LAST;
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            double on_x = x - dx, on_y = y - dy; /* on the film */
            double v = scene(on_x - f->pan * n + (n < f->cut ? 19 : 0), on_y - 0.7 * f->pan * n);
            double cover = !shows ? 0 : f->thing == ON_CAMERA ? hair_at(x, y) : hair_at(on_x, on_y);
            v = v * (1 - 0.85 * cover) +
                (2 + f->noise) * made_noise((uint32_t)(y * WIDTH + x), (uint32_t)n + 7);
            out[y * WIDTH + x] = (uint8_t)CLAMP(lrint(v), 0, 255);
        }
}

/* The finder after all frames of one reel. Free it. */
static rw_hair_finder *look_at(const film *f)
{
    rw_hair_finder *finder = rw_hair_finder_new(8);
    g_autofree uint8_t *luma = g_malloc(WIDTH * HEIGHT);
    for (int n = 0; n < FRAMES; n++) {
        double dx = f->weave * made_noise((uint32_t)n, 1),
               dy = f->weave * made_noise((uint32_t)n, 2);
        draw(f, n, dx, dy, luma);
        rw_hair_frame frame = {.position = n,
                               .luma = luma,
                               .width = WIDTH,
                               .height = HEIGHT,
                               .picture = {10, 10, WIDTH - 20, HEIGHT - 20},
                               .film_x = 120 + dx,
                               .film_y = 90 + dy};
        rw_hair_finder_feed(finder, &frame);
    }
    return finder;
}

static void expect_hair(const film *f, rw_hair_proof proof)
{
    rw_hair_finder *finder = look_at(f);
    g_assert_cmpuint(rw_hair_finder_count(finder), >=, 1);
    for (size_t i = 0; i < rw_hair_finder_count(finder); i++) { /* its parts, and nothing else */
        rw_hair hair;
        rw_hair_finder_get(finder, i, &hair);
        g_test_message("%d..%d at %d,%d %dx%d, contrast %.2f, proof %d", (int)hair.first,
                       (int)hair.last, hair.box.x, hair.box.y, hair.box.width, hair.box.height,
                       hair.contrast, (int)hair.proof);
        g_assert_cmpint(llabs(hair.first - ONSET), <=, 1);
        g_assert_cmpint(llabs(hair.last - LAST), <=, 1);
        g_assert_cmpint(hair.box.x, >=, 96);
        g_assert_cmpint(hair.box.y, >=, 54);
        g_assert_cmpint(hair.box.x + hair.box.width, <=, 140);
        g_assert_cmpint(hair.box.y + hair.box.height, <=, 90);
        g_assert_cmpint(hair.proof, ==, proof);
    }
    rw_hair_finder_free(&finder);
}

static void expect_none(const film *f)
{
    rw_hair_finder *finder = look_at(f);
    g_assert_cmpuint(rw_hair_finder_count(finder), ==, 0);
    rw_hair_finder_free(&finder);
}

/* A tripod scene, whose twigs last as long as any hair: told by the weave. */
static void test_stands(void)
{
    expect_hair(&(film){ON_CAMERA, 0.6, 0, 0, 0}, RW_HAIR_STANDS);
}

/* The scene began a few frames before the hair, and its twigs with it: they touch the hair and are
 * no part of it. */
static void test_new_scene(void)
{
    expect_hair(&(film){ON_CAMERA, 0.6, 0, 0, ONSET - 5}, RW_HAIR_STANDS);
    expect_none(&(film){NOTHING, 0.6, 0, 0, ONSET - 5});
}

/* Film that stands as firm as the hair, and a scene that passes. */
static void test_outlasts(void)
{
    expect_hair(&(film){ON_CAMERA, 0, 3, 0, 0}, RW_HAIR_OUTLASTS);
}

/* Dirt that is printed in, and a scene's own lines. */
static void test_on_film(void)
{
    expect_none(&(film){ON_FILM, 0.6, 0, 0, 0});
    expect_none(&(film){NOTHING, 0.6, 0, 0, 0});
    expect_none(&(film){NOTHING, 0.6, 3, 0, 0});
}

/* Nothing moves at all: nobody could tell, and nothing is told. Grain makes ridges that come and
 * go, but the scene's own last as a hair's do. */
static void test_nothing_moves(void)
{
    expect_none(&(film){ON_CAMERA, 0, 0, 0, 0});
    expect_none(&(film){NOTHING, 0, 0, 12, 0});
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/hair/stands", test_stands);
    g_test_add_func("/hair/new-scene", test_new_scene);
    g_test_add_func("/hair/outlasts", test_outlasts);
    g_test_add_func("/hair/on-film", test_on_film);
    g_test_add_func("/hair/nothing-moves", test_nothing_moves);
    return g_test_run();
}
