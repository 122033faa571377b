/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The law for the page: a preview is the frame that a lossless run makes, rounded to 8 bits; also
 * when pictures are kept from one call to the next, after a change of look, and for frames that are
 * held.
 */
#include <string.h>

#include <reelwright/look.h>
#include <reelwright/preview.h>

#include "colour/reel_colour.h"
#include "made_reel.h"

#define WIDTH  192
#define HEIGHT 144
#define FRAMES 8
#define PIXELS ((size_t)WIDTH * HEIGHT)

/* All frames of a lossless movie as 16-bit planes G, B, R, read by ffmpeg. */
static uint16_t *movie_of(made_reel *m, const char *const *settings)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *path = g_build_filename(m->folder, "movie.mkv", NULL);
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.output = path;
    o.size = "192x144";
    o.settings = settings;
    rw_finish *f = rw_finish_new(m->reel, &o, &error);
    g_assert_no_error(error);
    rw_finish_run(f, NULL, &error);
    g_assert_no_error(error);
    rw_finish_free(&f);
    g_autofree char *raw = g_build_filename(m->folder, "movie.raw", NULL);
    const char *argv[] = {"ffmpeg", "-v",       "error",    "-y",       "-i", path,
                          "-f",     "rawvideo", "-pix_fmt", "gbrp16le", raw,  NULL};
    int status = 0;
    g_spawn_sync(NULL, (char **)(void *)argv, NULL, G_SPAWN_SEARCH_PATH, NULL, NULL, NULL, NULL,
                 &status, &error);
    g_assert_no_error(error);
    g_assert_cmpint(status, ==, 0);
    size_t bytes = 0;
    char *data = made_reel_read(raw, &bytes);
    g_assert_cmpuint(bytes, ==, FRAMES * PIXELS * 6);
    return (uint16_t *)(void *)data;
}

static void assert_shows(const rw_preview_picture *picture, const uint16_t *planes)
{
    static const int plane_of[3] = {2, 0, 1}; /* R, G, B among G, B, R */
    g_assert_cmpint(picture->width, ==, WIDTH);
    g_assert_cmpint(picture->height, ==, HEIGHT);
    for (int c = 0; c < 3; c++)
        for (size_t i = 0; i < PIXELS; i++)
            g_assert_cmpint(picture->rgb[3 * i + (size_t)c], ==,
                            (planes[(size_t)plane_of[c] * PIXELS + i] * 255u + 32767u) / 65535u);
}

static void compare_all(made_reel *m, rw_preview *preview, const char *const *settings)
{
    static const int64_t order[] = {5, 0, 7, 5, 3, 4, 1, 6, 2, 2};
    g_autofree uint16_t *movie = movie_of(m, settings);
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.size = "192x144";
    o.settings = settings;
    for (size_t i = 0; i < G_N_ELEMENTS(order); i++) {
        g_autoptr(GError) error = NULL;
        rw_preview_picture picture;
        rw_preview_make(preview, m->reel, &o, order[i], &picture, &error);
        g_assert_no_error(error);
        assert_shows(&picture, movie + (size_t)order[i] * PIXELS * 3);
        g_assert_cmpint(picture.held, ==, order[i] == 4);
        rw_preview_picture_clear(&picture);
    }
}

/* What a survey would have found out about the reel's light and dyes. */
static void put_colour(made_reel *m)
{
    rw_reel_colour reel = {.version = RW_REEL_COLOUR_VERSION,
                           .n_frames = FRAMES,
                           .lamp = {1, 1.1f, 1.2f},
                           .fade = {{1.4f, -0.1f, 0, 0}, {-0.1f, 1.1f, 0, 0}, {0, -0.1f, 1.2f, 0}},
                           .fade_evidence = 1};
    GByteArray *block = g_byte_array_new();
    g_byte_array_append(block, (const guint8 *)&reel, sizeof reel);
    for (int i = 0; i < FRAMES; i++) {
        rw_frame_colour frame = {{0.01f * (float)i, 0, -0.02f * (float)i}};
        g_byte_array_append(block, (const guint8 *)&frame, sizeof frame);
    }
    g_assert_true(rw_reel_put_fact(m->reel, "survey", RW_SURVEY_FACTS_VERSION, "", "colour",
                                   block->data, block->len, NULL));
    g_byte_array_unref(block);
}

static void test_by_itself(void)
{
    static const char cube[] = "LUT_1D_SIZE 2\n0 0.1 0\n1 0.9 1\n";
    g_autoptr(GError) error = NULL;
    made_reel *m = made_reel_new("super8", FRAMES, 600, 400, 0, false);
    const rw_frame_row missing = {4, 0, -1, 0};
    g_assert_true(rw_reel_put_frame(m->reel, &missing, &error));
    rw_preview *preview = rw_preview_new((size_t)128 << 20);
    g_autofree uint16_t *plain = movie_of(m, NULL);
    put_colour(m);
    g_autofree uint16_t *righted = movie_of(m, NULL);
    g_assert_cmpint(memcmp(plain, righted, PIXELS * 3 * sizeof *plain), !=, 0);
    compare_all(m, preview, NULL);
    g_assert_true(rw_look_take(m->reel, "reel", "lift.cube", cube, strlen(cube), NULL, &error));
    static const char *const look[] = {"colour.saturation=1.2", "colour.slope-red=1.1",
                                       "colour.black=0.02", NULL};
    compare_all(m, preview, look);
    rw_preview_free(&preview);
    made_reel_free(m);
}

static void test_same(void)
{
    static const char *const look[] = {"colour.exposure=0.7", "colour.contrast=1.3",
                                       "colour.warmth=-0.4", NULL};
    static const char *const echo[] = {"noop.echo=0.5", NULL};
    g_autoptr(GError) error = NULL;
    made_reel *m = made_reel_new("super8", FRAMES, 600, 400, 0, false);
    const rw_frame_row missing = {4, 0, -1, 0};
    g_assert_true(rw_reel_put_frame(m->reel, &missing, &error));
    /* room for all, and for hardly more than one window */
    static const size_t memory[] = {(size_t)128 << 20, (size_t)48 << 20};
    for (size_t i = 0; i < G_N_ELEMENTS(memory); i++) {
        rw_preview *preview = rw_preview_new(memory[i]);
        compare_all(m, preview, NULL);
        compare_all(m, preview, look);
        compare_all(m, preview, echo);
        compare_all(m, preview, NULL);
        rw_preview_free(&preview);
    }
    made_reel_free(m);
}

/* A frame that a person placed lies there in the picture, whatever was kept before. */
static void test_placed(void)
{
    g_autoptr(GError) error = NULL;
    made_reel *m = made_reel_new("super8", FRAMES, 600, 400, 0, false);
    rw_preview *preview = rw_preview_new((size_t)64 << 20);
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.size = "192x144";
    rw_preview_picture before, after;
    g_assert_true(rw_preview_make(preview, m->reel, &o, 2, &before, &error));
    rw_geometry_row place;
    g_assert_true(rw_reel_get_placement(m->reel, 2, &place, &error));
    place.film_to_still.m[0][2] += 20;
    g_autofree char *text = rw_placement_format(place.film_to_still);
    g_assert_true(rw_reel_put_choice(m->reel, "frame:2", "registration", text, &error));
    g_assert_true(rw_preview_make(preview, m->reel, &o, 2, &after, &error));
    g_assert_cmpint(memcmp(before.rgb, after.rgb, 3 * PIXELS), !=, 0);
    rw_point a = rw_affine_apply(before.still_to_out, 300, 200),
             b = rw_affine_apply(after.still_to_out, 320, 200);
    g_assert_cmpfloat_with_epsilon(a.x, b.x, 1e-6);
    g_assert_cmpfloat_with_epsilon(a.y, b.y, 1e-6);
    rw_preview_picture_clear(&before);
    rw_preview_picture_clear(&after);
    g_autofree uint16_t *movie = movie_of(m, NULL);
    g_assert_true(rw_preview_make(preview, m->reel, &o, 2, &after, &error));
    assert_shows(&after, movie + 2 * PIXELS * 3);
    rw_preview_picture_clear(&after);
    rw_preview_free(&preview);
    made_reel_free(m);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/preview/same", test_same);
    g_test_add_func("/preview/by-itself", test_by_itself);
    g_test_add_func("/preview/placed", test_placed);
    return g_test_run();
}
