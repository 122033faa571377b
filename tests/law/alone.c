/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The one law: any output frame can be made alone and equals, bit for bit, the frame that a whole
 * run makes, whatever the number of threads, the CPU level and the memory.
 */
#include <string.h>

#include <reelwright/finish.h>
#include <reelwright/stage.h>

#include "made_reel.h"

#define FRAMES 13

/* Lines of a framemd5 file that speak of frames: index in the file -> hash. */
static GPtrArray *hashes_of(const char *path)
{
    g_autofree char *text = made_reel_read(path, NULL);
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    GPtrArray *hashes = g_ptr_array_new_with_free_func(g_free);
    for (char **line = lines; *line; line++) {
        if (**line == '#' || **line == '\0')
            continue;
        const char *last = strrchr(*line, ',');
        g_ptr_array_add(hashes, g_strstrip(g_strdup(last + 1)));
    }
    return hashes;
}

static GPtrArray *finish(made_reel *m, rw_finish_options *o)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *path = g_build_filename(m->folder, "out.framemd5", NULL);
    o->output = path;
    rw_finish *f = rw_finish_new(m->reel, o, &error);
    g_assert_no_error(error);
    rw_finish_run(f, NULL, &error);
    g_assert_no_error(error);
    rw_finish_free(&f);
    o->output = NULL;
    return hashes_of(path);
}

static void assert_same(const GPtrArray *a, guint from, const GPtrArray *b)
{
    g_assert_cmpuint(from + b->len, <=, a->len);
    for (guint i = 0; i < b->len; i++)
        g_assert_cmpstr(g_ptr_array_index(a, from + i), ==, g_ptr_array_index(b, i));
}

static rw_finish_options options_new(void)
{
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.size = "192x144";
    return o;
}

/* A reel of two scenes with a missing frame in each and one between them. */
static made_reel *reel_new(void)
{
    static const int64_t scenes[] = {0, 7};
    made_reel *m = made_reel_new("super8", FRAMES, 640, 426, 0, false);
    made_reel_set_scenes(m, scenes, 2);
    g_autoptr(GError) error = NULL;
    static const int64_t missing[] = {3, 6, 7, 10};
    for (size_t i = 0; i < G_N_ELEMENTS(missing); i++) {
        rw_frame_row row = {missing[i], 0, -1, 0};
        rw_reel_put_frame(m->reel, &row, &error);
        g_assert_no_error(error);
    }
    return m;
}

/* Stages that reach to both sides and draw on a scene's history; neutral; none at all. */
static const char *const busy[] = {"noop.echo=0.5", "noop.settle=0.7", "grain.amount=calm", NULL};
static const char *const with_noop[] = {"register", "noop", NULL};
static const char *const bare[] = {"register", NULL};
/* Everything that cleans, and the do-nothing stage stirred. */
static const char *const clean[] = {"register", "flicker", "blemish", "grain", "noop", NULL};

static void check(made_reel *m, const rw_finish_options *base)
{
    rw_finish_options o = *base;
    o.threads = 1;
    g_autoptr(GPtrArray) whole = finish(m, &o);
    static const int threads[] = {2, 3, 8, 99};
    for (size_t i = 0; i < G_N_ELEMENTS(threads); i++) {
        o.threads = threads[i];
        g_autoptr(GPtrArray) again = finish(m, &o);
        g_assert_cmpuint(again->len, ==, whole->len);
        assert_same(whole, 0, again);
    }
    if (!g_str_equal(base->cadence, "native"))
        return;
    g_assert_cmpuint(whole->len, ==, FRAMES);
    for (int64_t n = 0; n < FRAMES; n++) {
        o.threads = 1 + (int)n % 3;
        o.from = o.to = n;
        g_autoptr(GPtrArray) alone = finish(m, &o);
        g_assert_cmpuint(alone->len, ==, 1);
        assert_same(whole, (guint)n, alone);
    }
}

static void test_clean(void)
{
    static const char *const strong[] = {"grain.amount=quiet", "blemish.care=bold", "noop.echo=0.5",
                                         NULL};
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    o.only = clean;
    o.settings = strong;
    check(m, &o);
    made_reel_free(m);
}

static void test_plain(void)
{
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    o.only = bare;
    check(m, &o);
    made_reel_free(m);
}

static void test_stages(void)
{
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    o.only = with_noop;
    o.settings = busy;
    check(m, &o);
    o.missing = RW_FINISH_BLEND;
    check(m, &o);
    made_reel_free(m);
}

static void test_cadence(void)
{
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    o.cadence = "25";
    check(m, &o);
    /* a part of it: frames 4..8 in the same place of the pattern */
    g_autoptr(GPtrArray) whole = finish(m, &o);
    o.from = 4;
    o.to = 8;
    g_autoptr(GPtrArray) part = finish(m, &o);
    g_assert_cmpuint(whole->len, ==, 19); /* ceil(13 * 25 / 18) */
    g_assert_cmpuint(part->len, ==, 7);   /* outputs 6 (floor 4.32) .. 12 (floor 8.64) */
    assert_same(whole, 6, part);
    made_reel_free(m);
}

/* Facts from before are used, facts of other parameters are not. */
static void test_facts(void)
{
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    static const char *const softly[] = {"noop.settle=0.2", NULL};
    o.only = with_noop;
    o.settings = busy;
    o.from = o.to = 9; /* makes the facts of the second scene from a part of the reel */
    g_autoptr(GPtrArray) alone = finish(m, &o);
    o.settings = softly;
    g_autoptr(GPtrArray) other = finish(m, &o);
    g_assert_cmpstr(g_ptr_array_index(alone, 0), !=, g_ptr_array_index(other, 0));
    o.from = o.to = -1;
    o.settings = busy;
    g_autoptr(GPtrArray) whole = finish(m, &o);
    assert_same(whole, 9, alone);
    made_reel_free(m);
}

/* Every CPU level gives the same frames. */
static void test_levels(void)
{
    static const char *const levels[] = {"c", "sse4", "avx2", "avx512"};
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    o.only = clean;
    o.settings = busy;
    g_autoptr(GPtrArray) whole = finish(m, &o);
    for (size_t i = 0; i < G_N_ELEMENTS(levels); i++) {
        g_setenv("REELWRIGHT_CPU", levels[i], TRUE);
        g_autoptr(GPtrArray) again = finish(m, &o);
        assert_same(whole, 0, again);
    }
    g_unsetenv("REELWRIGHT_CPU");
    made_reel_free(m);
}

/* Runs into a wall of this many bytes; the bytes that the message asks for. */
static size_t asks_for(made_reel *m, rw_finish_options *o, size_t memory)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *path = g_build_filename(m->folder, "never.framemd5", NULL);
    o->memory = memory;
    o->output = path;
    rw_finish *f = rw_finish_new(m->reel, o, &error);
    g_assert_no_error(error);
    g_assert_false(rw_finish_run(f, NULL, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_MEMORY);
    rw_finish_free(&f);
    o->output = NULL;
    const char *takes = strstr(error->message, "takes ");
    g_assert_nonnull(takes);
    return (size_t)g_ascii_strtoull(takes + 6, NULL, 10) << 20;
}

/* As little memory as the windows need changes nothing but the time, and it is what is asked for.
 */
static void check_memory(made_reel *m, rw_finish_options *o)
{
    g_autoptr(GPtrArray) whole = finish(m, o);
    o->memory = asks_for(m, o, 300000);
    o->threads = 8;
    g_autoptr(GPtrArray) tight = finish(m, o);
    g_assert_cmpuint(tight->len, ==, whole->len);
    assert_same(whole, 0, tight);
    /* half of it is too little, or the demand is made up */
    if (o->memory > (size_t)2 << 20)
        asks_for(m, o, o->memory / 2);
}

static void test_memory(void)
{
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    o.only = with_noop;
    o.settings = busy;
    check_memory(m, &o);
    o = options_new();
    o.only = clean;
    o.settings = busy;
    check_memory(m, &o);
    made_reel_free(m);
}

/* Left alone, the do-nothing stage does nothing. */
static void test_identity(void)
{
    made_reel *m = reel_new();
    rw_finish_options o = options_new();
    o.only = bare;
    g_autoptr(GPtrArray) without = finish(m, &o);
    o.only = with_noop;
    g_autoptr(GPtrArray) with = finish(m, &o);
    g_assert_cmpuint(with->len, ==, without->len);
    assert_same(without, 0, with);
    o.settings = busy;
    g_autoptr(GPtrArray) stirred = finish(m, &o);
    int changed = 0;
    for (guint i = 0; i < stirred->len; i++)
        changed += !g_str_equal(g_ptr_array_index(stirred, i), g_ptr_array_index(without, i));
    g_assert_cmpint(changed, ==, FRAMES); /* and turned up, it touches every frame */
    made_reel_free(m);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/law/plain", test_plain);
    g_test_add_func("/law/clean", test_clean);
    g_test_add_func("/law/stages", test_stages);
    g_test_add_func("/law/cadence", test_cadence);
    g_test_add_func("/law/facts", test_facts);
    g_test_add_func("/law/levels", test_levels);
    g_test_add_func("/law/memory", test_memory);
    g_test_add_func("/law/identity", test_identity);
    return g_test_run();
}
