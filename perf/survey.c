/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How fast survey is, and how near its floor: the same stills decoded at the scale that it uses, by
 * as many workers, and nothing else.
 *
 *     perf-survey [--quick] [--threads N] [FOLDER]
 *
 * FOLDER keeps the card that is made (40 stills of 6000x4000; --quick: 12 of 3000x2000). Without it
 * a temporary one is used. Every figure is the best of three runs, each in a process of its own;
 * every survey measures all stills anew.
 */
#include <unistd.h>

#include <reelwright/demo.h>
#include <reelwright/keep.h>
#include <reelwright/still.h>
#include <reelwright/survey.h>

#include "base/cpu.h"
#include "base/ordered.h"
#include "survey/basis.h"

#include "figures.h"

#define RUNS 3

typedef struct request {
    const char *reel;
    int threads;
} request;

static rw_reel *open_reel(const char *path)
{
    g_autoptr(GError) error = NULL;
    rw_reel *reel = rw_reel_open(path, &error);
    if (!reel)
        perf_fail(error);
    return reel;
}

static perf_figures run_survey(const void *data)
{
    const request *r = data;
    g_autoptr(GError) error = NULL;
    rw_reel *reel = open_reel(r->reel);
    rw_survey_options o = RW_SURVEY_DEFAULTS;
    o.threads = r->threads;
    o.again = true;
    rw_survey_summary summary;
    double wall = perf_now(), cpu = perf_cpu();
    if (!rw_survey_run(reel, &o, &summary, &error))
        perf_fail(error);
    perf_figures f = {
        .wall = perf_now() - wall, .cpu = perf_cpu() - cpu, .frames = summary.measured};
    rw_reel_close(&reel);
    return f;
}

/* ---- the floor ---- */

typedef struct floor_run {
    GPtrArray *paths;
    int eighths;
} floor_run;

static void *start(void *user, GError **error)
{
    (void)user, (void)error;
    return rw_decoder_new();
}

static void stop(void *state, void *user)
{
    (void)user;
    rw_decoder *decoder = state;
    rw_decoder_free(&decoder);
}

static bool decode(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)result;
    const floor_run *f = user;
    rw_pixels pixels;
    return rw_decoder_decode(state, g_ptr_array_index(f->paths, (guint)n), f->eighths, &pixels,
                             error);
}

static bool pass(int64_t n, void *result, void *user, GError **error)
{
    (void)n, (void)result, (void)user, (void)error;
    return true;
}

static floor_run list_stills(rw_reel *reel)
{
    g_autoptr(GError) error = NULL;
    GArray *stills = rw_reel_stills(reel, &error);
    if (!stills)
        perf_fail(error);
    floor_run f = {.paths = g_ptr_array_new_with_free_func(g_free)};
    for (guint i = 0; i < stills->len; i++) {
        const rw_still_row *s = &g_array_index(stills, rw_still_row, i);
        f.eighths = rw_basis_eighths(s->width);
        g_ptr_array_add(f.paths, rw_reel_file(reel, s->path));
    }
    g_array_unref(stills);
    return f;
}

/* What a survey does once, however long the reel is. */
static perf_figures run_start(const void *data)
{
    const request *r = data;
    g_autoptr(GError) error = NULL;
    rw_reel *reel = open_reel(r->reel);
    const rw_gauge *gauge = rw_reel_gauge(reel, &error);
    if (!gauge)
        perf_fail(error);
    floor_run f = list_stills(reel);
    rw_basis basis;
    double wall = perf_now(), cpu = perf_cpu();
    rw_basis_find(&basis, gauge, (const char *const *)f.paths->pdata, f.paths->len);
    perf_figures result = {.wall = perf_now() - wall, .cpu = perf_cpu() - cpu, .frames = 1};
    g_ptr_array_unref(f.paths);
    rw_reel_close(&reel);
    return result;
}

static perf_figures run_floor(const void *data)
{
    const request *r = data;
    g_autoptr(GError) error = NULL;
    rw_reel *reel = open_reel(r->reel);
    floor_run f = list_stills(reel);
    static const rw_ordered_ops ops = {
        .start = start, .work = decode, .consume = pass, .stop = stop};
    double wall = perf_now(), cpu = perf_cpu();
    if (!rw_ordered_run(&ops, 0, (int64_t)f.paths->len - 1, r->threads, 2 * r->threads, NULL, &f,
                        &error))
        perf_fail(error);
    perf_figures result = {.wall = perf_now() - wall,
                           .cpu = perf_cpu() - cpu,
                           .frames = (int64_t)f.paths->len,
                           .eighths = f.eighths};
    g_ptr_array_unref(f.paths);
    rw_reel_close(&reel);
    return result;
}

static void make_reel(const char *folder, const char *reel, bool quick)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *made = g_build_filename(folder, "demo", NULL);
    g_autofree char *card = g_build_filename(made, "card", NULL);
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find("super8"));
    o->frames = quick ? 12 : 40;
    o->width = quick ? 3000 : 6000;
    o->height = quick ? 2000 : 4000;
    o->seed = 5;
    rw_demo *demo = rw_demo_new(o, &error);
    if (!demo || !rw_demo_write(demo, made, rw_cpu_count(), NULL, NULL, NULL, &error))
        perf_fail(error);
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
    const char *cards[] = {card};
    rw_intake_options options = RW_INTAKE_DEFAULTS;
    rw_intake_summary summary;
    if (!rw_intake(cards, 1, reel, &options, &summary, &error))
        perf_fail(error);
    rw_intake_summary_clear(&summary);
}

static double mean_megabytes(const char *path)
{
    g_autoptr(GError) error = NULL;
    rw_reel *reel = open_reel(path);
    GArray *stills = rw_reel_stills(reel, &error);
    if (!stills)
        perf_fail(error);
    double bytes = 0;
    for (guint i = 0; i < stills->len; i++)
        bytes += (double)g_array_index(stills, rw_still_row, i).bytes;
    double mean = bytes * 1e-6 / MAX(stills->len, 1);
    g_array_unref(stills);
    rw_reel_close(&reel);
    return mean;
}

int main(int argc, char **argv)
{
    gboolean quick = FALSE;
    int threads = 0;
    const GOptionEntry entries[] = {
        {"quick", 0, 0, G_OPTION_ARG_NONE, &quick, "Fewer and smaller stills", NULL},
        {"threads", 0, 0, G_OPTION_ARG_INT, &threads, "Workers", "N"},
        G_OPTION_ENTRY_NULL};
    g_autofree char *folder = perf_read_options(entries, &argc, &argv);
    g_autofree char *reel = g_build_filename(folder, "reel", NULL);
    if (!rw_reel_exists(reel)) {
        g_print("making a reel ...\n");
        g_mkdir_with_parents(folder, 0777);
        make_reel(folder, reel, quick);
    }
    request r = {reel, threads > 0 ? threads : rw_cpu_count()};
    perf_figures survey, least, begin;
    for (int i = 0; i < RUNS; i++) {
        perf_keep_best(&survey, perf_apart(run_survey, &r), i == 0);
        perf_keep_best(&least, perf_apart(run_floor, &r), i == 0);
        perf_keep_best(&begin, perf_apart(run_start, &r), i == 0);
    }
    g_print("%" G_GINT64_FORMAT
            " stills of about %.1f MB, decoded at %d/8, %d workers, best of %d\n",
            survey.frames, mean_megabytes(reel), least.eighths, r.threads, RUNS);
    perf_print_head();
    perf_print_row("survey", &survey);
    perf_print_row("decode", &least);
    g_print("ratio to bare decoding: %.2f by wall clock, %.2f by CPU time (aim: 1.3)\n",
            survey.wall / least.wall, survey.cpu / least.cpu);
    g_print("of it %.0f ms of CPU once, to learn how film lies on this reel's stills; without: "
            "%.2f by CPU time\n",
            1e3 * begin.cpu, (survey.cpu - begin.cpu) / least.cpu);
    if (argc <= 1) {
        g_autofree char *command = g_strdup_printf("rm -rf '%s'", folder);
        g_spawn_command_line_sync(command, NULL, NULL, NULL, NULL);
    }
    return 0;
}
