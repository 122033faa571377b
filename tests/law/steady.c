/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The law with steadying in it: a frame made alone equals that of the whole run, whatever the
 * number of threads, whoever measured the scene's path (the survey, or finish after a person drew
 * the scenes otherwise), and whatever is done about the border; with the perforation in sight and
 * without.
 */
#include <math.h>
#include <string.h>

#include <json-glib/json-glib.h>

#include <reelwright/finish.h>
#include <reelwright/survey.h>

#include "made_reel.h"

#define FRAMES  20
#define MISSING 7

static GPtrArray *finish(made_reel *m, rw_finish_options *o, const char *trace)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *path = g_build_filename(m->folder, "out.framemd5", NULL);
    o->output = path;
    o->trace = trace;
    rw_finish *f = rw_finish_new(m->reel, o, &error);
    g_assert_no_error(error);
    rw_finish_run(f, NULL, &error);
    g_assert_no_error(error);
    rw_finish_free(&f);
    o->output = o->trace = NULL;
    g_autofree char *text = made_reel_read(path, NULL);
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    GPtrArray *hashes = g_ptr_array_new_with_free_func(g_free);
    for (char **line = lines; *line; line++)
        if (**line != '#' && **line)
            g_ptr_array_add(hashes, g_strstrip(g_strdup(strrchr(*line, ',') + 1)));
    return hashes;
}

static int count_differences(const GPtrArray *a, const GPtrArray *b)
{
    int n = 0;
    g_assert_cmpuint(a->len, ==, b->len);
    for (guint i = 0; i < a->len; i++)
        n += !g_str_equal(g_ptr_array_index(a, i), g_ptr_array_index(b, i));
    return n;
}

static made_reel *reel_new(rw_demo_framing framing)
{
    g_autoptr(GError) error = NULL;
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find("super8"));
    o->frames = FRAMES;
    o->seed = 11;
    o->width = 720;
    o->height = 480;
    o->framing = framing;
    o->truth_movies = false;
    g_assert_true(rw_demo_options_off(o, "faults", &error));
    made_reel *m = made_reel_from(o, NULL);
    rw_demo_options_free(&o);
    const rw_survey_options how = RW_SURVEY_DEFAULTS;
    rw_survey_summary summary;
    rw_survey_run(m->reel, &how, &summary, &error);
    g_assert_no_error(error);
    g_assert_cmpint(summary.frames, ==, FRAMES);
    /* one frame that no still shows any more */
    const rw_frame_row missing = {MISSING, 0, -1, 0};
    g_assert_true(rw_reel_put_frame(m->reel, &missing, &error));
    return m;
}

static rw_finish_options options_new(const char *const *settings)
{
    static const char *const only[] = {"register", "steady", NULL};
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.size = "192x144";
    o.settings = settings;
    o.only = only;
    return o;
}

static void check(made_reel *m, const char *const *settings)
{
    rw_finish_options o = options_new(settings);
    o.threads = 1;
    g_autoptr(GPtrArray) whole = finish(m, &o, NULL);
    g_assert_cmpuint(whole->len, ==, FRAMES);
    static const int threads[] = {2, 3, 8, 99};
    for (size_t i = 0; i < G_N_ELEMENTS(threads); i++) {
        o.threads = threads[i];
        g_autoptr(GPtrArray) again = finish(m, &o, NULL);
        g_assert_cmpint(count_differences(whole, again), ==, 0);
    }
    for (int64_t n = 0; n < FRAMES; n += 3) {
        o.from = o.to = n;
        g_autoptr(GPtrArray) alone = finish(m, &o, NULL);
        g_assert_cmpuint(alone->len, ==, 1);
        g_assert_cmpstr(g_ptr_array_index(alone, 0), ==, g_ptr_array_index(whole, n));
    }
    /* and it does something, or all of this shows nothing */
    static const char *const off[] = {"steady.mode=off", NULL};
    o = options_new(off);
    g_autoptr(GPtrArray) unsteady = finish(m, &o, NULL);
    g_assert_cmpint(count_differences(whole, unsteady), >, FRAMES / 2);
}

static const char *const locked[] = {"steady.mode=locked", NULL};
static const char *const filled[] = {"steady.mode=locked", "steady.border=fill", NULL};
static const char *const smooth[] = {"steady.mode=smooth", "steady.strength=0.5",
                                     "steady.border=dark", NULL};

static rw_affine read_affine(JsonObject *o, const char *key)
{
    rw_affine a;
    JsonArray *rows = json_object_get_array_member(o, key);
    for (guint k = 0; k < 6; k++)
        a.m[k / 3][k % 3] =
            json_array_get_double_element(json_array_get_array_element(rows, k / 3), k % 3);
    return a;
}

/* What a person chose for one scene goes before the reel's choice, for that scene alone. */
static void check_choice(made_reel *m)
{
    g_autoptr(GError) error = NULL;
    g_autoptr(GArray) scenes = rw_reel_scenes(m->reel, &error);
    g_assert_cmpuint(scenes->len, ==, 2);
    g_autofree char *second =
        g_strdup_printf("scene:%" G_GINT64_FORMAT, g_array_index(scenes, rw_scene_row, 1).id);
    g_assert_true(rw_reel_put_choice(m->reel, "reel", "steady.mode", "locked", &error));
    g_assert_true(rw_reel_put_choice(m->reel, second, "steady.mode", "off", &error));
    rw_steady_scene answer;
    g_assert_true(
        rw_finish_steadying(m->reel, g_array_index(scenes, rw_scene_row, 1).id, &answer, &error));
    g_assert_cmpint(answer.mode, ==, RW_STEADY_OFF);
    g_assert_true(g_str_has_prefix(answer.reason, "Chosen."));
    g_autofree char *path = g_build_filename(m->folder, "trace.jsonl", NULL);
    rw_finish_options o = options_new(NULL);
    g_autoptr(GPtrArray) all = finish(m, &o, path);
    g_autofree char *text = made_reel_read(path, NULL);
    g_auto(GStrv) lines = g_strsplit(g_strstrip(text), "\n", -1);
    g_assert_cmpuint(g_strv_length(lines), ==, all->len);
    double moved[2] = {0, 0};
    for (int n = 0; n < FRAMES; n++) {
        g_autoptr(JsonNode) root = json_from_string(lines[n], &error);
        g_assert_no_error(error);
        rw_affine steady = read_affine(json_node_get_object(root), "steady");
        moved[n >= 10] += fabs(steady.m[0][2]) + fabs(steady.m[1][2]);
    }
    g_assert_cmpfloat(moved[0], >, 0.005); /* mm, in all */
    g_assert_cmpfloat(moved[1], ==, 0);
}

static void test_perforation(void)
{
    g_autoptr(GError) error = NULL;
    made_reel *m = reel_new(RW_DEMO_FRAME_PERFORATION);
    check(m, NULL);
    check(m, smooth);
    /* scenes that no survey measured */
    rw_scene_row rows[2] = {{.first = 0, .last = 9, .cue = "head"},
                            {.first = 10, .last = FRAMES - 1, .cue = "person"}};
    g_assert_true(rw_reel_set_scenes(m->reel, rows, 2, &error));
    check(m, locked);
    check_choice(m);
    made_reel_free(m);
}

static void test_picture(void)
{
    g_autoptr(GError) error = NULL;
    made_reel *m = reel_new(RW_DEMO_FRAME_PICTURE);
    rw_geometry_row place;
    g_assert_true(rw_reel_get_geometry(m->reel, 5, &place, &error));
    g_assert_cmpstr(place.method, ==, "picture");
    g_assert_cmpfloat(place.confidence, >, 0.5);
    check(m, locked);
    check(m, filled);
    made_reel_free(m);
}

/* What was really used is the product of the parts that the trace names, and the crop is one and
 * the same for the whole scene. */
static void test_trace(void)
{
    g_autoptr(GError) error = NULL;
    made_reel *m = reel_new(RW_DEMO_FRAME_PERFORATION);
    g_autofree char *path = g_build_filename(m->folder, "trace.jsonl", NULL);
    rw_finish_options o = options_new(locked);
    g_autoptr(GPtrArray) all = finish(m, &o, path);
    g_autofree char *text = made_reel_read(path, NULL);
    g_auto(GStrv) lines = g_strsplit(g_strstrip(text), "\n", -1);
    g_assert_cmpuint(g_strv_length(lines), ==, all->len);
    rw_affine frame = {0};
    double moved = 0;
    for (char **line = lines; *line; line++) {
        g_autoptr(JsonNode) root = json_from_string(*line, &error);
        g_assert_no_error(error);
        JsonObject *object = json_node_get_object(root);
        rw_affine used = read_affine(object, "still_to_out"),
                  steady = read_affine(object, "steady"),
                  product = rw_affine_then(rw_affine_then(read_affine(object, "register"), steady),
                                           read_affine(object, "frame"));
        for (int k = 0; k < 6; k++)
            g_assert_cmpfloat_with_epsilon(product.m[k / 3][k % 3], used.m[k / 3][k % 3], 1e-6);
        if (line != lines)
            for (int k = 0; k < 6; k++)
                g_assert_cmpfloat(frame.m[k / 3][k % 3], ==,
                                  read_affine(object, "frame").m[k / 3][k % 3]);
        frame = read_affine(object, "frame");
        moved += fabs(steady.m[0][2]) + fabs(steady.m[1][2]);
    }
    g_assert_cmpfloat(moved, >, 0.01); /* mm, in all */
    made_reel_free(m);
}

/* A reel without sights is left as it is, and that is said once. */
static void count_notes(void *data, const char *line)
{
    if (strstr(line, "steady"))
        ++*(int *)data;
}

static void test_old(void)
{
    made_reel *m = made_reel_new("super8", 6, 640, 426, 0, false);
    static const int64_t scenes[] = {0, 3};
    made_reel_set_scenes(m, scenes, 2);
    int notes = 0;
    rw_finish_options o = options_new(NULL);
    o.note = count_notes;
    o.data = &notes;
    g_autoptr(GPtrArray) with = finish(m, &o, NULL);
    g_assert_cmpint(notes, ==, 1);
    static const char *const bare[] = {"register", NULL};
    o.only = bare;
    g_autoptr(GPtrArray) without = finish(m, &o, NULL);
    g_assert_cmpint(count_differences(with, without), ==, 0);
    made_reel_free(m);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/law/steady/perforation", test_perforation);
    g_test_add_func("/law/steady/picture", test_picture);
    g_test_add_func("/law/steady/trace", test_trace);
    g_test_add_func("/law/steady/old", test_old);
    return g_test_run();
}
