/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What steadying adds to a survey and to a finish, frame by frame, against what a survey must do in
 * any case: decode the still.
 *
 *     perf-steady [--frames N] [--threads N] [--size WxH]
 *
 * Stills of 1440x1080 that the picture fills, made here and decoded beforehand, so that each row
 * times its own work alone: the best of three runs, wall and processor time a frame. Edges,
 * imprints and looks go on many threads, as in a survey; a scene's path is settled on one, and so
 * is the plan.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include <reelwright/demo.h>
#include <reelwright/motion.h>
#include <reelwright/still.h>

#include "base/cpu.h"
#include "base/ordered.h"
#include "gate/ladder.h"
#include "gate/picture.h"

#include "figures.h"

#define RUNS 3

typedef struct bench {
    const rw_gauge *gauge;
    int frames, threads, width, height;
    char *folder;
    GPtrArray *paths;
    rw_pixels *pixels; /* decoded, each with memory of its own */
    rw_rect area;
    rw_rung_sight *rungs;
    rw_steady_imprint **imprint;
    rw_steady_sight *sight;
    rw_steady_input *input;
    rw_steady_pose *pose;
} bench;

static void make(bench *b)
{
    g_autoptr(GError) error = NULL;
    rw_demo_options *o = rw_demo_options_new(b->gauge);
    o->frames = b->frames;
    o->seed = 3;
    o->width = b->width;
    o->height = b->height;
    o->framing = RW_DEMO_FRAME_PICTURE;
    o->truth_movies = false;
    rw_demo *demo = rw_demo_options_off(o, "faults", &error) ? rw_demo_new(o, &error) : NULL;
    if (!demo || !rw_demo_write(demo, b->folder, b->threads, NULL, NULL, NULL, &error))
        perf_fail(error);
    b->frames = (int)rw_demo_count_stills(demo);
    b->paths = g_ptr_array_new_with_free_func(g_free);
    for (int i = 0; i < b->frames; i++) {
        rw_demo_still still;
        rw_demo_get_still(demo, i, &still);
        g_ptr_array_add(b->paths, g_build_filename(b->folder, "card", still.path, NULL));
    }
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
}

static void decode_all(bench *b)
{
    g_autoptr(GError) error = NULL;
    rw_decoder *decoder = rw_decoder_new();
    b->pixels = g_new0(rw_pixels, b->frames);
    for (int i = 0; i < b->frames; i++) {
        rw_pixels *p = &b->pixels[i];
        if (!rw_decoder_decode(decoder, g_ptr_array_index(b->paths, (guint)i), 8, p, &error))
            perf_fail(error);
        p->data = g_memdup2(p->data, (gsize)p->stride * (gsize)p->height);
    }
    rw_decoder_free(&decoder);
}

/* ---- what is timed ---- */

static void *start_decoder(void *user, GError **error)
{
    (void)user, (void)error;
    return rw_decoder_new();
}

static void stop_decoder(void *state, void *user)
{
    (void)user;
    rw_decoder *decoder = state;
    rw_decoder_free(&decoder);
}

static bool decode(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)result;
    const bench *b = user;
    rw_pixels pixels;
    return rw_decoder_decode(state, g_ptr_array_index(b->paths, (guint)n), 8, &pixels, error);
}

static void *start_looker(void *user, GError **error)
{
    (void)error;
    return rw_rung_looker_new(((const bench *)user)->gauge);
}

static void stop_looker(void *state, void *user)
{
    (void)user;
    rw_rung_looker *looker = state;
    rw_rung_looker_free(&looker);
}

static bool edges(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)result, (void)error;
    bench *b = user;
    rw_rung_look(state, &b->pixels[n], NULL, &b->rungs[n]);
    return true;
}

static bool imprint(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)state, (void)result, (void)error;
    bench *b = user;
    rw_steady_imprint_unref(&b->imprint[n]);
    b->imprint[n] = rw_picture_imprint(&b->pixels[n], b->area);
    return true;
}

static bool look(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)state, (void)result, (void)error;
    bench *b = user;
    const rw_steady_imprint *before[RW_STEADY_LINKS];
    for (int l = 0; l < RW_STEADY_LINKS; l++) {
        int64_t back = n - rw_steady_link_back(l);
        before[l] = back >= 0 ? b->imprint[back] : NULL;
    }
    rw_steady_look(b->imprint[n], before, &b->sight[n]);
    return true;
}

static bool pass(int64_t n, void *result, void *user, GError **error)
{
    (void)n, (void)result, (void)user, (void)error;
    return true;
}

static const rw_ordered_ops decoding = {start_decoder, decode, pass, NULL, stop_decoder};
static const rw_ordered_ops edging = {start_looker, edges, pass, NULL, stop_looker};
static const rw_ordered_ops imprinting = {.work = imprint, .consume = pass};
static const rw_ordered_ops looking = {.work = look, .consume = pass};

static void measure(bench *b)
{
    for (int i = 0; i < b->frames; i++)
        b->input[i] =
            (rw_steady_input){.sight = &b->sight[i],
                              .film_to_still = {{{b->height / 4.0, 0, 0}, {0, b->height / 4.0, 0}}},
                              .have = {0, 0, 4.0 * b->width / b->height, 4}};
    rw_steady_measure(b->input, b->frames, b->input[0].have, b->pose);
}

static void plan(bench *b)
{
    const rw_steady_params params = RW_STEADY_DEFAULTS;
    rw_steady_frame *frame = g_new(rw_steady_frame, b->frames);
    rw_steady_scene scene;
    rw_rect all = b->input[0].have;
    rw_steady_plan(b->input, b->pose, b->frames, all, all, &params, frame, &scene);
    g_free(frame);
}

/* ---- the table ---- */

static perf_figures best_of(bench *b, const rw_ordered_ops *ops, void (*alone)(bench *))
{
    perf_figures best = {0};
    for (int run = 0; run < RUNS; run++) {
        g_autoptr(GError) error = NULL;
        double wall = perf_now(), cpu = perf_cpu();
        if (alone)
            alone(b);
        else if (!rw_ordered_run(ops, 0, b->frames - 1, b->threads, 2 * b->threads, NULL, b,
                                 &error))
            perf_fail(error);
        perf_figures f = {.wall = perf_now() - wall, .cpu = perf_cpu() - cpu, .frames = b->frames};
        perf_keep_best(&best, f, run == 0);
    }
    return best;
}

static void row(const char *name, perf_figures f, double floor)
{
    g_print("%-36s %9.2f %9.2f %9.1f %8.2f\n", name, 1000 * f.wall / (double)f.frames,
            1000 * f.cpu / (double)f.frames, (double)f.frames / f.wall, f.cpu / floor);
}

static void run(bench *b)
{
    perf_figures floor = best_of(b, &decoding, NULL);
    perf_figures part[] = {best_of(b, &edging, NULL), best_of(b, &imprinting, NULL),
                           best_of(b, &looking, NULL), best_of(b, NULL, measure),
                           best_of(b, NULL, plan)};
    static const char *const name[] = {"edges of exposure and gate", "imprint",
                                       "look at six earlier frames", "the scene's path, one thread",
                                       "plan (finish), one thread"};
    perf_figures sum = {.frames = b->frames};
    g_print("%d stills of %dx%d, %d threads\n%-36s %9s %9s %9s %8s\n", b->frames, b->width,
            b->height, b->threads, "", "ms wall", "ms cpu", "frames/s", "x floor");
    row("floor: decode the still", floor, floor.cpu);
    for (size_t i = 0; i < G_N_ELEMENTS(part); i++) {
        row(name[i], part[i], floor.cpu);
        if (i < 4) {
            sum.wall += part[i].wall;
            sum.cpu += part[i].cpu;
        }
    }
    row("all that a survey adds", sum, floor.cpu);
}

int main(int argc, char **argv)
{
    bench b = {.gauge = rw_gauge_find("super8"),
               .frames = 64,
               .threads = 2,
               .width = 1440,
               .height = 1080};
    g_autofree char *size = NULL;
    const GOptionEntry entries[] = {
        {"frames", 0, 0, G_OPTION_ARG_INT, &b.frames, "How many stills (64)", "N"},
        {"threads", 0, 0, G_OPTION_ARG_INT, &b.threads, "Workers (2)", "N"},
        {"size", 0, 0, G_OPTION_ARG_STRING, &size, "Of the stills (1440x1080)", "WxH"},
        {NULL, 0, 0, 0, NULL, NULL, NULL}};
    g_autoptr(GError) error = NULL;
    g_autoptr(GOptionContext) context = g_option_context_new(NULL);
    g_option_context_add_main_entries(context, entries, NULL);
    if (!g_option_context_parse(context, &argc, &argv, &error) ||
        (size && sscanf(size, "%dx%d", &b.width, &b.height) != 2) || b.frames < 2 ||
        b.threads < 1) {
        g_printerr("%s\n", error ? error->message : "That makes no sense; see --help.");
        return 2;
    }
    b.folder = g_dir_make_tmp("perf-steady-XXXXXX", &error);
    if (!b.folder)
        perf_fail(error);
    make(&b);
    decode_all(&b);
    size_t n = (size_t)b.frames;
    b.rungs = g_new0(rw_rung_sight, n);
    b.imprint = g_new0(rw_steady_imprint *, n);
    b.sight = g_new0(rw_steady_sight, n);
    b.input = g_new0(rw_steady_input, n);
    b.pose = g_new0(rw_steady_pose, n);
    b.area = rw_picture_area(b.gauge, NULL, NULL, 0, b.width, b.height);
    run(&b);
    const char *const rm[] = {"rm", "-rf", b.folder, NULL};
    g_spawn_sync(NULL, (char **)(void *)rm, NULL, G_SPAWN_SEARCH_PATH, NULL, NULL, NULL, NULL, NULL,
                 NULL);
    for (size_t i = 0; i < n; i++) {
        rw_steady_imprint_unref(&b.imprint[i]);
        g_free((void *)(uintptr_t)b.pixels[i].data);
    }
    g_free(b.pixels);
    g_free(b.rungs);
    g_free(b.imprint);
    g_free(b.sight);
    g_free(b.input);
    g_free(b.pose);
    g_free(b.folder);
    g_ptr_array_unref(b.paths);
    return 0;
}
