/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include <glib/gstdio.h>

#include "made_reel.h"

/* Still n of the card moves into the reel and becomes frame n. */
static void take_in(made_reel *m, int64_t n)
{
    g_autoptr(GError) error = NULL;
    rw_demo_still still;
    g_assert_true(rw_demo_get_still(m->demo, n, &still));
    g_autofree char *from = g_build_filename(m->folder, "card", still.path, NULL);
    g_autofree char *name = g_path_get_basename(still.path);
    g_autofree char *relative = g_build_filename("stills", name, NULL);
    g_autofree char *to = rw_reel_file(m->reel, relative);
    g_assert_cmpint(g_rename(from, to), ==, 0);
    rw_still_row row = {.path = relative,
                        .source = from,
                        .folder = 100,
                        .number = (int)n + 1,
                        .captured_us = still.time_ms * 1000};
    rw_reel_put_still(m->reel, &row, &error);
    g_assert_no_error(error);
    rw_frame_row frame = {n, row.id, -1, 0};
    rw_reel_put_frame(m->reel, &frame, &error);
    g_assert_no_error(error);
    rw_geometry_row geometry = {n, still.film_to_still, "perforation", 1};
    rw_reel_put_geometry(m->reel, &geometry, &error);
    g_assert_no_error(error);
}

made_reel *made_reel_from(const rw_demo_options *o, const char *folder)
{
    g_autoptr(GError) error = NULL;
    made_reel *m = g_new0(made_reel, 1);
    m->kept = folder != NULL;
    m->folder = folder ? g_strdup(folder) : g_dir_make_tmp("rw-made-XXXXXX", NULL);
    m->path = g_build_filename(m->folder, "regatta", NULL);
    m->demo = rw_demo_new(o, &error);
    g_assert_no_error(error);
    rw_demo_write(m->demo, m->folder, 2, NULL, NULL, NULL, &error);
    g_assert_no_error(error);
    m->reel = rw_reel_create(m->path, o->gauge->name, o->fps, "Regatta", &error);
    g_assert_no_error(error);
    rw_reel_begin(m->reel, &error);
    g_assert_no_error(error);
    for (int64_t n = 0; n < rw_demo_count_stills(m->demo); n++)
        take_in(m, n);
    rw_reel_commit(m->reel, &error);
    g_assert_no_error(error);
    return m;
}

made_reel *made_reel_new(const char *gauge, int stills, int width, int height, int turn,
                         bool mirrored)
{
    g_autoptr(GError) error = NULL;
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find(gauge));
    o->frames = stills;
    o->seed = 11;
    o->width = width;
    o->height = height;
    o->turn = turn;
    o->mirrored = mirrored;
    o->truth_width = 320;
    o->truth_height = 240;
    rw_demo_options_off(o, "faults", &error);
    g_assert_no_error(error);
    made_reel *m = made_reel_from(o, NULL);
    rw_demo_options_free(&o);
    g_assert_cmpint(rw_demo_count_stills(m->demo), ==, stills);
    return m;
}

void made_reel_free(made_reel *m)
{
    rw_reel_close(&m->reel);
    rw_demo_free(&m->demo);
    g_autofree char *quoted = g_shell_quote(m->folder);
    g_autofree char *command = g_strdup_printf("rm -rf %s", quoted);
    g_assert_true(m->kept || g_spawn_command_line_sync(command, NULL, NULL, NULL, NULL));
    g_free(m->path);
    g_free(m->folder);
    g_free(m);
}

void made_reel_set_scenes(made_reel *m, const int64_t *first, size_t count)
{
    g_autoptr(GError) error = NULL;
    rw_scene_row *rows = g_new0(rw_scene_row, count);
    for (size_t i = 0; i < count; i++) {
        rows[i].first = first[i];
        rows[i].last = i + 1 < count ? first[i + 1] - 1 : rw_reel_frame_count(m->reel, &error) - 1;
        g_strlcpy(rows[i].cue, i ? "cut" : "head", sizeof rows[i].cue);
    }
    rw_reel_set_scenes(m->reel, rows, count, &error);
    g_assert_no_error(error);
    g_free(rows);
}

char *made_reel_still(const made_reel *m, int64_t n)
{
    g_autoptr(GError) error = NULL;
    rw_frame_row frame;
    rw_still_row still;
    g_assert_true(rw_reel_get_frame(m->reel, n, &frame, &error));
    g_assert_true(rw_reel_get_still(m->reel, frame.still, &still, &error));
    char *path = rw_reel_file(m->reel, still.path);
    rw_still_row_clear(&still);
    return path;
}

char *made_reel_read(const char *path, size_t *bytes)
{
    g_autoptr(GError) error = NULL;
    char *text = NULL;
    g_file_get_contents(path, &text, bytes, &error);
    g_assert_no_error(error);
    return text;
}
