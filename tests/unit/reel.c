/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <signal.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include <glib/gstdio.h>
#include <sqlite3.h>

#include <reelwright/reel.h>

typedef struct fixture {
    char *folder, *path;
    rw_reel *reel;
    GError *error;
} fixture;

static void remove_tree(const char *path)
{
    g_autofree char *quoted = g_shell_quote(path);
    g_autofree char *command = g_strdup_printf("rm -rf %s", quoted);
    g_assert_true(g_spawn_command_line_sync(command, NULL, NULL, NULL, NULL));
}

static void set_up(fixture *f, gconstpointer data)
{
    (void)data;
    f->folder = g_dir_make_tmp("rw-reel-XXXXXX", NULL);
    f->path = g_build_filename(f->folder, "regatta", NULL);
    f->error = NULL;
    f->reel = rw_reel_create(f->path, "super8", rw_rational_make(18, 1), "Regatta", &f->error);
    g_assert_no_error(f->error);
}

static void tear_down(fixture *f, gconstpointer data)
{
    (void)data;
    rw_reel_close(&f->reel);
    g_clear_error(&f->error);
    remove_tree(f->folder);
    g_free(f->path);
    g_free(f->folder);
}

static void assert_bytes(GBytes *bytes, const void *data, gsize size)
{
    g_assert_cmpuint(g_bytes_get_size(bytes), ==, size);
    g_assert_true(memcmp(g_bytes_get_data(bytes, NULL), data, size) == 0);
}

static int64_t add_still(fixture *f, const char *path)
{
    rw_still_row row = {.path = (char *)path,
                        .source = (char *)"/card",
                        .folder = 100,
                        .number = 7,
                        .bytes = 1234,
                        .mtime_us = 5,
                        .width = 6000,
                        .height = 4000,
                        .captured_us = INT64_MIN};
    g_assert_true(rw_reel_put_still(f->reel, &row, &f->error));
    return row.id;
}

static void test_folder(fixture *f, gconstpointer data)
{
    (void)data;
    g_assert_true(rw_reel_exists(f->path));
    g_assert_false(rw_reel_exists(f->folder));
    /* a second create must not touch the first */
    g_assert_null(rw_reel_create(f->path, "super8", rw_rational_make(24, 1), "x", &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_CONFLICT);
    g_clear_error(&f->error);
    rw_reel_close(&f->reel);
    f->reel = rw_reel_open(f->path, &f->error);
    g_assert_no_error(f->error);
    rw_rational fps;
    g_assert_true(rw_reel_fps(f->reel, &fps, &f->error));
    g_assert_cmpint(fps.num, ==, 18);
    g_assert_cmpstr(rw_reel_gauge(f->reel, &f->error)->name, ==, "super8");
    g_autofree char *title = rw_reel_get_meta(f->reel, "title", &f->error);
    g_assert_cmpstr(title, ==, "Regatta");
    g_assert_null(rw_reel_get_meta(f->reel, "no such key", &f->error));
    g_assert_no_error(f->error);
    g_assert_null(rw_reel_open(f->folder, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_NOT_FOUND);
    g_clear_error(&f->error);
    g_autofree char *other = g_build_filename(f->folder, "other", NULL);
    g_assert_null(rw_reel_create(other, "super9", rw_rational_make(18, 1), "x", &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_USAGE);
}

/* A file that is no database, a database of something else, one of a later version. */
static void test_foreign(fixture *f, gconstpointer data)
{
    (void)data;
    g_autofree char *file = rw_reel_file(f->reel, "reel.db");
    rw_reel_close(&f->reel);
    static const struct {
        const char *sql;
        int code;
    } cases[] = {{"PRAGMA user_version=99", RW_ERROR_CONFLICT},
                 {"PRAGMA user_version=1; PRAGMA application_id=1", RW_ERROR_DAMAGED}};
    for (size_t i = 0; i < G_N_ELEMENTS(cases); i++) {
        sqlite3 *db;
        g_assert_cmpint(sqlite3_open(file, &db), ==, SQLITE_OK);
        g_assert_cmpint(sqlite3_exec(db, cases[i].sql, NULL, NULL, NULL), ==, SQLITE_OK);
        sqlite3_close(db);
        g_assert_null(rw_reel_open(f->path, &f->error));
        g_assert_error(f->error, RW_ERROR, cases[i].code);
        g_clear_error(&f->error);
    }
    g_assert_true(g_file_set_contents(file, "this is a diary, not a database.", -1, NULL));
    g_assert_null(rw_reel_open(f->path, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_DAMAGED);
    g_assert_true(rw_reel_exists(f->path)); /* and so is not written over */
}

static void test_stills(fixture *f, gconstpointer data)
{
    (void)data;
    int64_t id = add_still(f, "stills/100RWDMO/RWD_0007.JPG");
    rw_still_row row;
    g_assert_true(rw_reel_get_still(f->reel, id, &row, &f->error));
    g_assert_cmpstr(row.path, ==, "stills/100RWDMO/RWD_0007.JPG");
    g_assert_cmpint(row.captured_us, ==, INT64_MIN);
    g_assert_null(row.fault);
    row.fault = g_strdup("cut short");
    row.state = RW_STILL_DAMAGED;
    row.captured_us = -12345; /* before 1970: a camera whose clock was never set */
    g_strlcpy(row.sha256, "abc", sizeof row.sha256);
    g_assert_true(rw_reel_put_still(f->reel, &row, &f->error));
    rw_still_row_clear(&row);
    g_assert_true(rw_reel_find_still(f->reel, "stills/100RWDMO/RWD_0007.JPG", &row, &f->error));
    g_assert_cmpint(row.id, ==, id);
    g_assert_cmpint(row.state, ==, RW_STILL_DAMAGED);
    g_assert_cmpint(row.captured_us, ==, -12345);
    g_assert_cmpstr(row.sha256, ==, "abc");
    rw_still_row_clear(&row);
    g_assert_false(rw_reel_find_still(f->reel, "stills/none", &row, &f->error));
    g_assert_no_error(f->error);
    GArray *all = rw_reel_stills(f->reel, &f->error);
    g_assert_cmpuint(all->len, ==, 1);
    g_array_unref(all);
    g_assert_false(rw_reel_get_still(f->reel, 99, &row, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_NOT_FOUND);
}

/* Missing frames are film, second stills of one picture are not. */
static void test_film(fixture *f, gconstpointer data)
{
    (void)data;
    int64_t a = add_still(f, "stills/a"), b = add_still(f, "stills/b"),
            c = add_still(f, "stills/c");
    rw_frame_row frames[] = {{0, a, -1, 0}, {1, b, 0, 0}, {2, 0, -1, 0}, {3, c, -1, 0}};
    g_assert_cmpint(rw_reel_film_before(f->reel, 0, &f->error), ==, 0);
    g_assert_true(rw_reel_set_frames(f->reel, frames, 4, &f->error));
    const int64_t before[] = {0, 1, 1, 2, 3};
    for (int64_t n = 0; n < 5; n++)
        g_assert_cmpint(rw_reel_film_before(f->reel, n, &f->error), ==, before[n]);
    g_assert_no_error(f->error);
}

static void test_measures(fixture *f, gconstpointer data)
{
    (void)data;
    int64_t a = add_still(f, "stills/a"), b = add_still(f, "stills/b");
    /* film order b, (missing), a */
    rw_frame_row frames[] = {{0, b, -1, 0}, {1, 0, -1, 0}, {2, a, -1, 0}};
    g_assert_true(rw_reel_set_frames(f->reel, frames, 3, &f->error));
    g_assert_cmpint(rw_reel_frame_count(f->reel, &f->error), ==, 3);
    g_assert_true(rw_reel_put_measure(f->reel, a, "sharpness", 2, 0.25, &f->error));
    g_assert_true(rw_reel_put_measure(f->reel, b, "sharpness", 2, NAN, &f->error));
    g_assert_true(rw_reel_put_measure(f->reel, b, "exposure", 1, 0.1 + 0.2, &f->error));
    double series[3];
    g_assert_true(rw_reel_measure_series(f->reel, "sharpness", 2, 0, 2, series, &f->error));
    g_assert_true(isnan(series[0]) && isnan(series[1]));
    g_assert_cmpfloat(series[2], ==, 0.25);
    g_assert_true(rw_reel_measure_series(f->reel, "sharpness", 1, 0, 2, series, &f->error));
    g_assert_true(isnan(series[2])); /* of another version: stale */
    g_assert_cmpfloat(rw_reel_get_measure(f->reel, b, "exposure", 0, &f->error), ==, 0.1 + 0.2);

    const char blob[] = "sight\0with nul";
    g_assert_true(rw_reel_put_measure_blob(f->reel, a, "gate", 1, blob, sizeof blob, &f->error));
    GBytes *back = rw_reel_get_measure_blob(f->reel, a, "gate", 1, &f->error);
    assert_bytes(back, blob, sizeof blob);
    g_bytes_unref(back);
    g_assert_null(rw_reel_get_measure_blob(f->reel, a, "gate", 2, &f->error));
    g_assert_null(rw_reel_get_measure_blob(f->reel, a, "sharpness", 2, &f->error));
    g_assert_true(rw_reel_delete_measure(f->reel, a, "gate", &f->error));
    g_assert_null(rw_reel_get_measure_blob(f->reel, a, "gate", 1, &f->error));
    g_assert_no_error(f->error);
}

static void test_geometry_scenes(fixture *f, gconstpointer data)
{
    (void)data;
    rw_geometry_row g = {.n = 5,
                         .film_to_still = {{{1. / 3, -2e-9, 3}, {4, 5, 6.0000000001}}},
                         .method = "perforation",
                         .confidence = 0.9};
    g_assert_true(rw_reel_put_geometry(f->reel, &g, &f->error));
    rw_geometry_row back;
    g_assert_true(rw_reel_get_geometry(f->reel, 5, &back, &f->error));
    g_assert_true(memcmp(&g.film_to_still, &back.film_to_still, sizeof(rw_affine)) == 0);
    g_assert_cmpstr(back.method, ==, "perforation");
    g_assert_false(rw_reel_get_geometry(f->reel, 6, &back, &f->error));
    g_assert_no_error(f->error);
    rw_scene_row scenes[] = {{0, 0, 40, "head"}, {0, 41, 99, "cut"}};
    g_assert_true(rw_reel_set_scenes(f->reel, scenes, 2, &f->error));
    GArray *rows = rw_reel_scenes(f->reel, &f->error);
    g_assert_cmpuint(rows->len, ==, 2);
    g_assert_cmpint(g_array_index(rows, rw_scene_row, 1).first, ==, 41);
    g_assert_cmpstr(g_array_index(rows, rw_scene_row, 1).cue, ==, "cut");
    g_array_unref(rows);
}

static void test_findings(fixture *f, gconstpointer data)
{
    (void)data;
    rw_finding_row first[] = {{.kind = (char *)"soft-frame",
                               .first = 3,
                               .last = 3,
                               .still = 4,
                               .severity = (char *)"look",
                               .confidence = 0.7},
                              {.kind = (char *)"missing-frame",
                               .first = 9,
                               .last = 9,
                               .still = 10,
                               .severity = (char *)"redo",
                               .confidence = 0.6},
                              {.kind = (char *)"splice",
                               .first = 20,
                               .last = 20,
                               .still = 21,
                               .severity = (char *)"note",
                               .confidence = 1}};
    g_assert_true(rw_reel_set_findings(f->reel, first, 3, &f->error));
    GArray *rows = rw_reel_findings(f->reel, &f->error);
    g_assert_cmpuint(rows->len, ==, 3);
    g_assert_cmpstr(g_array_index(rows, rw_finding_row, 0).kind, ==, "missing-frame");
    g_assert_cmpstr(g_array_index(rows, rw_finding_row, 2).kind, ==, "splice");
    int64_t soft = g_array_index(rows, rw_finding_row, 1).id;
    int64_t missing = g_array_index(rows, rw_finding_row, 0).id;
    g_array_unref(rows);
    g_assert_true(rw_reel_judge_finding(f->reel, soft, "dismissed", "a close-up", &f->error));
    g_assert_true(rw_reel_judge_finding(f->reel, missing, "confirmed", NULL, &f->error));
    g_assert_false(rw_reel_judge_finding(f->reel, 999, "open", NULL, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_NOT_FOUND);
    g_clear_error(&f->error);
    g_assert_false(rw_reel_judge_finding(f->reel, soft, "maybe", NULL, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_USAGE);
    g_clear_error(&f->error);

    /* surveyed again: the soft frame moved on by one and is surer, the confirmed one is not found
     * any more, the splice neither, and something new turned up */
    rw_finding_row second[] = {{.kind = (char *)"gate-hair",
                                .first = 1,
                                .last = 8,
                                .still = 2,
                                .severity = (char *)"redo",
                                .confidence = 0.9},
                               {.kind = (char *)"soft-frame",
                                .first = 4,
                                .last = 4,
                                .still = 4,
                                .severity = (char *)"look",
                                .confidence = 0.8}};
    g_assert_true(rw_reel_set_findings(f->reel, second, 2, &f->error));
    rows = rw_reel_findings(f->reel, &f->error);
    g_assert_cmpuint(rows->len, ==, 3);
    const rw_finding_row *hair = &g_array_index(rows, rw_finding_row, 0);
    const rw_finding_row *kept = &g_array_index(rows, rw_finding_row, 1);
    const rw_finding_row *again = &g_array_index(rows, rw_finding_row, 2);
    g_assert_cmpstr(hair->kind, ==, "gate-hair");
    g_assert_cmpstr(hair->state, ==, "open");
    g_assert_cmpint(kept->id, ==, missing);
    g_assert_cmpstr(kept->state, ==, "confirmed");
    g_assert_cmpint(again->id, ==, soft);
    g_assert_cmpstr(again->state, ==, "dismissed");
    g_assert_cmpstr(again->note, ==, "a close-up");
    g_assert_cmpint(again->first, ==, 4);
    g_assert_cmpfloat(again->confidence, ==, 0.8);
    g_array_unref(rows);
}

static void test_choices(fixture *f, gconstpointer data)
{
    (void)data;
    g_assert_true(rw_reel_put_choice(f->reel, "reel", "crop.x", "0.1", &f->error));
    g_assert_true(rw_reel_put_choice(f->reel, "scene:2", "crop.x", "0.2", &f->error));
    g_assert_true(rw_reel_put_choice(f->reel, "reel", "crop.x", "0.3", &f->error));
    g_autofree char *value = rw_reel_get_choice(f->reel, "reel", "crop.x", &f->error);
    g_assert_cmpstr(value, ==, "0.3");
    g_assert_true(rw_reel_put_choice(f->reel, "reel", "crop.x", NULL, &f->error));
    g_assert_null(rw_reel_get_choice(f->reel, "reel", "crop.x", &f->error));
    g_autofree char *scene = rw_reel_get_choice(f->reel, "scene:2", "crop.x", &f->error);
    g_assert_cmpstr(scene, ==, "0.2");
    g_assert_true(rw_reel_put_fact(f->reel, "flicker", 1, "s=1", "curve", "abc", 3, &f->error));
    GBytes *fact = rw_reel_get_fact(f->reel, "flicker", 1, "s=1", "curve", &f->error);
    assert_bytes(fact, "abc", 3);
    g_bytes_unref(fact);
    g_assert_null(rw_reel_get_fact(f->reel, "flicker", 1, "s=2", "curve", &f->error));
    g_assert_no_error(f->error);
}

static void test_transaction(fixture *f, gconstpointer data)
{
    (void)data;
    g_assert_true(rw_reel_begin(f->reel, &f->error));
    g_assert_true(rw_reel_put_meta(f->reel, "k", "inside", &f->error));
    rw_scene_row scene = {0, 0, 1, "head"};
    g_assert_true(rw_reel_set_scenes(f->reel, &scene, 1, &f->error)); /* nests */
    rw_reel *reader = rw_reel_open(f->path, &f->error);
    g_assert_null(rw_reel_get_meta(reader, "k", &f->error)); /* not seen before commit */
    rw_reel_rollback(f->reel);
    g_assert_null(rw_reel_get_meta(f->reel, "k", &f->error));
    g_assert_true(rw_reel_put_meta(f->reel, "k", "outside", &f->error));
    g_autofree char *seen = rw_reel_get_meta(reader, "k", &f->error);
    g_assert_cmpstr(seen, ==, "outside");
    rw_reel_close(&reader);
}

/* A process killed at any moment leaves whole transactions only: both keys or none. */
static void test_killed(fixture *f, gconstpointer data)
{
    (void)data;
    rw_reel_close(&f->reel);
    GRand *rand = g_rand_new_with_seed(3);
    for (int round = 0; round < 12; round++) {
        pid_t child = fork();
        if (child == 0) {
            rw_reel *reel = rw_reel_open(f->path, NULL);
            if (!reel)
                _exit(2);
            for (int i = 0;; i++) {
                g_autofree char *text = g_strdup_printf("%d.%d", round, i);
                rw_reel_begin(reel, NULL);
                rw_reel_put_meta(reel, "left", text, NULL);
                rw_reel_put_meta(reel, "right", text, NULL);
                rw_reel_commit(reel, NULL);
            }
        }
        g_usleep((gulong)g_rand_int_range(rand, 2000, 40000));
        kill(child, SIGKILL);
        waitpid(child, NULL, 0);
        f->reel = rw_reel_open(f->path, &f->error);
        g_assert_no_error(f->error);
        g_autofree char *left = rw_reel_get_meta(f->reel, "left", &f->error);
        g_autofree char *right = rw_reel_get_meta(f->reel, "right", &f->error);
        g_assert_cmpstr(left, ==, right);
        rw_reel_close(&f->reel);
    }
    g_rand_free(rand);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
#define ADD(name, function) g_test_add("/reel/" name, fixture, NULL, set_up, function, tear_down)
    ADD("folder", test_folder);
    ADD("foreign", test_foreign);
    ADD("stills", test_stills);
    ADD("film", test_film);
    ADD("measures", test_measures);
    ADD("geometry-scenes", test_geometry_scenes);
    ADD("findings", test_findings);
    ADD("choices", test_choices);
    ADD("transaction", test_transaction);
    ADD("killed", test_killed);
#undef ADD
    return g_test_run();
}
