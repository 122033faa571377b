/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Choices in steps, undo and redo without end, and a reel.db of version 1. The rules are our own:
 * no source.
 */
#include <string.h>

#include <glib/gstdio.h>
#include <sqlite3.h>

#include <reelwright/reel.h>

typedef struct fixture {
    char *folder;
    rw_reel *reel;
} fixture;

static void set_up(fixture *f, gconstpointer unused)
{
    (void)unused;
    g_autoptr(GError) error = NULL;
    f->folder = g_dir_make_tmp("rw-choices-XXXXXX", &error);
    g_assert_no_error(error);
    f->reel = rw_reel_create(f->folder, "super8", rw_rational_make(18, 1), "", &error);
    g_assert_no_error(error);
}

static void tear_down(fixture *f, gconstpointer unused)
{
    (void)unused;
    rw_reel_close(&f->reel);
    const char *argv[] = {"rm", "-rf", f->folder, NULL};
    g_spawn_sync(NULL, (char **)(void *)argv, NULL, G_SPAWN_SEARCH_PATH, NULL, NULL, NULL, NULL,
                 NULL, NULL);
    g_free(f->folder);
}

static int64_t change(rw_reel *reel, const char *key, const char *value)
{
    g_autoptr(GError) error = NULL;
    int64_t step = -1;
    rw_choice_row row = {(char *)(void *)"reel", (char *)(void *)key, (char *)(void *)value};
    g_assert_true(rw_reel_change_choices(reel, &row, 1, &step, &error));
    g_assert_no_error(error);
    return step;
}

static void holds(rw_reel *reel, const char *key, const char *value)
{
    g_autofree char *now = rw_reel_get_choice(reel, "reel", key, NULL);
    g_assert_cmpstr(now, ==, value);
}

static void test_steps(fixture *f, gconstpointer unused)
{
    (void)unused;
    g_autoptr(GError) error = NULL;
    g_assert_cmpint(rw_reel_choice_revision(f->reel, &error), ==, 0);
    g_assert_false(rw_reel_undo(f->reel, 0, NULL, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_CONFLICT);
    g_clear_error(&error);

    rw_choice_row rows[] = {{(char *)(void *)"reel", (char *)(void *)"a", (char *)(void *)"1"},
                            {(char *)(void *)"scene:2", (char *)(void *)"a", (char *)(void *)"2"},
                            {(char *)(void *)"reel", (char *)(void *)"gone", NULL}};
    int64_t step = 0;
    g_assert_true(rw_reel_change_choices(f->reel, rows, 3, &step, &error));
    g_assert_cmpint(step, ==, 1);
    g_assert_cmpint(rw_reel_choice_revision(f->reel, &error), ==, 2);
    g_assert_cmpint(change(f->reel, "a", "1"), ==, 0); /* what holds already is no change */
    g_assert_cmpint(rw_reel_choice_revision(f->reel, &error), ==, 2);

    g_autoptr(GArray) choices = rw_reel_choices(f->reel, &error);
    g_assert_cmpuint(choices->len, ==, 2);
    g_assert_cmpstr(g_array_index(choices, rw_choice_row, 1).scope, ==, "scene:2");

    g_assert_true(rw_reel_undo(f->reel, 1, &step, &error));
    holds(f->reel, "a", NULL);
    g_autofree char *scene = rw_reel_get_choice(f->reel, "scene:2", "a", &error);
    g_assert_null(scene);
    int64_t undo, redo;
    g_assert_true(rw_reel_undo_state(f->reel, &undo, &redo, &error));
    g_assert_cmpint(undo, ==, 0);
    g_assert_cmpint(redo, ==, step);
    g_assert_true(rw_reel_redo(f->reel, step, NULL, &error));
    holds(f->reel, "a", "1");
    g_assert_cmpint(rw_reel_choice_revision(f->reel, &error), ==, 6); /* nothing is taken out */
}

static void test_conflict(fixture *f, gconstpointer unused)
{
    (void)unused;
    g_autoptr(GError) error = NULL;
    int64_t seen = change(f->reel, "a", "1");
    change(f->reel, "b", "1"); /* another tab */
    g_assert_false(rw_reel_undo(f->reel, seen, NULL, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_CONFLICT);
    holds(f->reel, "a", "1");
    holds(f->reel, "b", "1");
}

/* A random walk of changes, undos and redos against two plain stacks of values. */
static void test_walk(fixture *f, gconstpointer unused)
{
    (void)unused;
    g_autoptr(GError) error = NULL;
    g_autoptr(GRand) rand = g_rand_new_with_seed(20261125);
    g_autoptr(GPtrArray) states = g_ptr_array_new_with_free_func(g_free);
    g_ptr_array_add(states, NULL);
    guint at = 0;
    for (int i = 0; i < 600; i++) {
        int what = g_rand_int_range(rand, 0, 5);
        if (what < 2) {
            bool ok = rw_reel_undo(f->reel, 0, NULL, &error);
            g_assert_cmpint(ok, ==, at > 0);
            at -= ok;
        } else if (what < 4) {
            bool ok = rw_reel_redo(f->reel, 0, NULL, &error);
            g_assert_cmpint(ok, ==, at + 1 < states->len);
            at += ok;
        } else {
            char *value = g_strdup_printf("%d", i);
            g_assert_cmpint(change(f->reel, "k", value), >, 0);
            g_ptr_array_set_size(states, (gint)++at);
            g_ptr_array_add(states, value);
        }
        g_clear_error(&error);
        holds(f->reel, "k", g_ptr_array_index(states, at));
        if (i % 97 == 0) { /* it is all on disk */
            rw_reel_close(&f->reel);
            f->reel = rw_reel_open(f->folder, &error);
            g_assert_no_error(error);
        }
    }
}

/* As if version 1 had made it: without the columns of 002.sql. */
static void test_upgrade(fixture *f, gconstpointer unused)
{
    (void)unused;
    g_autoptr(GError) error = NULL;
    change(f->reel, "a", "1");
    change(f->reel, "a", "2");
    rw_reel_close(&f->reel);
    g_autofree char *file = g_build_filename(f->folder, "reel.db", NULL);
    sqlite3 *db = NULL;
    g_assert_cmpint(sqlite3_open(file, &db), ==, SQLITE_OK);
    g_assert_cmpint(sqlite3_exec(db,
                                 "ALTER TABLE choice_history DROP COLUMN step;"
                                 "ALTER TABLE choice_history DROP COLUMN undoes;"
                                 "PRAGMA user_version=1;",
                                 NULL, NULL, NULL),
                    ==, SQLITE_OK);
    sqlite3_close(db);
    f->reel = rw_reel_open(f->folder, &error);
    g_assert_no_error(error);
    g_assert_true(rw_reel_undo(f->reel, 2, NULL, &error));
    holds(f->reel, "a", "1");
    g_assert_true(rw_reel_undo(f->reel, 1, NULL, &error));
    holds(f->reel, "a", NULL);
    g_assert_true(rw_reel_redo(f->reel, 0, NULL, &error));
    g_assert_true(rw_reel_redo(f->reel, 0, NULL, &error));
    holds(f->reel, "a", "2");
}

static void test_placement(fixture *f, gconstpointer unused)
{
    (void)unused;
    g_autoptr(GError) error = NULL;
    rw_geometry_row row, found = {.n = 3,
                                  .film_to_still = {{{100, 0, 7}, {0, 100, 9}}},
                                  .method = "perforation",
                                  .confidence = 0.9};
    g_assert_false(rw_reel_get_placement(f->reel, 3, &row, &error));
    g_assert_no_error(error);
    g_assert_true(rw_reel_put_geometry(f->reel, &found, &error));
    g_assert_true(rw_reel_get_placement(f->reel, 3, &row, &error));
    g_assert_cmpstr(row.method, ==, "perforation");

    rw_affine place = {{{100.125, -0.1, 1.0 / 3}, {0.1, 100, -12.5}}}, back;
    g_autofree char *text = rw_placement_format(place);
    g_assert_true(rw_placement_parse(text, &back));
    g_assert_true(memcmp(&place, &back, sizeof place) == 0);
    g_assert_true(rw_reel_put_choice(f->reel, "frame:3", "registration", text, &error));
    g_assert_true(rw_reel_get_placement(f->reel, 3, &row, &error));
    g_assert_cmpstr(row.method, ==, "person");
    g_assert_true(memcmp(&place, &row.film_to_still, sizeof place) == 0);

    static const char *const wrong[] = {"",
                                        "1 2 3 4 5",
                                        "1 0 0 0 1 0 ",
                                        "1 0 0 0 1 x",
                                        "1 2 3 2 4 5",
                                        "nan 0 0 0 1 0",
                                        "1 0 1e9 0 1 0"};
    for (size_t i = 0; i < G_N_ELEMENTS(wrong); i++) {
        g_assert_false(rw_placement_parse(wrong[i], &back));
        g_assert_true(rw_reel_put_choice(f->reel, "frame:3", "registration", wrong[i], &error));
        g_assert_false(rw_reel_get_placement(f->reel, 3, &row, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_DAMAGED);
        g_clear_error(&error);
    }
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add("/choices/steps", fixture, NULL, set_up, test_steps, tear_down);
    g_test_add("/choices/conflict", fixture, NULL, set_up, test_conflict, tear_down);
    g_test_add("/choices/walk", fixture, NULL, set_up, test_walk, tear_down);
    g_test_add("/choices/upgrade", fixture, NULL, set_up, test_upgrade, tear_down);
    g_test_add("/choices/placement", fixture, NULL, set_up, test_placement, tear_down);
    return g_test_run();
}
