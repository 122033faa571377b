/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How fast finish is, and how near its floor: the same stills decoded at the scale that it uses and
 * the same frames encoded, by the same workers and encoder, and nothing else.
 *
 *     perf-finish [--quick] [--threads N] [--size SIZE] [--codec CODEC] [FOLDER]
 *
 * FOLDER holds a reel "regatta" as tests/support/made_reel.c leaves it; it is made when it is not
 * there (40 stills of 6000x4000; --quick: 12 of 3000x2000). Without FOLDER a temporary one is used.
 * Every figure is the best of three runs, each in a process of its own.
 */
#include <unistd.h>

#include <reelwright/still.h>

#include "base/cpu.h"
#include "finish/flow.h"
#include "finish/pipeline.h"
#include "finish/prepare.h"

#include "figures.h"
#include "made_reel.h"

#define RUNS 3

typedef struct request {
    const char *reel, *size, *codec, *output;
    int threads;
    const char *const *skip, *const *settings;
} request;

/* What is timed: facts are worked out anew in each. */
static const char *const clean_up[] = {"flicker", "blemish", "grain", NULL};
static const char *const quieted[] = {"grain.amount=quiet", NULL};
static const struct {
    const char *name;
    const char *const *skip, *const *settings;
} kinds[] = {{"finish, grain kept", NULL, NULL},
             {"finish, grain quieted", NULL, quieted},
             {"finish without clean-up", clean_up, NULL}};

static rw_finish_options options_of(const request *r)
{
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.output = r->output;
    o.size = r->size;
    o.codec = r->codec;
    o.threads = r->threads;
    o.skip = r->skip;
    o.settings = r->settings;
    return o;
}

static rw_reel *open_reel(const request *r)
{
    g_autoptr(GError) error = NULL;
    rw_reel *reel = rw_reel_open(r->reel, &error);
    if (!reel)
        perf_fail(error);
    return reel;
}

/* ---- finish ---- */

static perf_figures run_finish(const void *data)
{
    const request *r = data;
    g_autoptr(GError) error = NULL;
    rw_reel *reel = open_reel(r);
    rw_finish_options o = options_of(r);
    rw_finish_report report;
    double wall = perf_now(), cpu = perf_cpu();
    rw_finish *finish = rw_finish_new(reel, &o, &error);
    if (!finish || !rw_finish_run(finish, &report, &error))
        perf_fail(error);
    perf_figures f = {.wall = perf_now() - wall, .cpu = perf_cpu() - cpu, .frames = report.written};
    rw_finish_free(&finish);
    rw_reel_close(&reel);
    return f;
}

/* ---- the floor ---- */

typedef struct floor_run {
    rw_plan *plan;
    int eighths;
    GArray *frames; /* rw_packed, made beforehand */
    rw_movie *movie;
} floor_run;

static bool keep(int64_t i, const rw_made_image *image, void *data, GError **error)
{
    (void)i, (void)error;
    floor_run *f = data;
    rw_packed copy = image->packed;
    if (copy.buffer)
        rw_buffer_ref(copy.buffer);
    g_array_append_val(f->frames, copy);
    return true;
}

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

static bool decode(int level, int64_t item, void *const *inputs, void *state, void *user,
                   void **result, GError **error)
{
    (void)level, (void)inputs, (void)result;
    const floor_run *f = user;
    rw_pixels pixels;
    return rw_decoder_decode(state, f->plan->stills[item].path, f->eighths, &pixels, error);
}

static bool encode(int64_t item, void *result, void *user, GError **error)
{
    (void)result;
    floor_run *f = user;
    return rw_movie_write(f->movie, &g_array_index(f->frames, rw_packed, item), error);
}

static void discard(int level, void *result, void *user)
{
    (void)level, (void)result, (void)user;
}

static perf_figures run_floor(const void *data)
{
    const request *r = data;
    g_autoptr(GError) error = NULL;
    rw_reel *reel = open_reel(r);
    rw_finish_options o = options_of(r);
    floor_run f = {.plan = rw_plan_new(reel, &o, &error)};
    if (!f.plan)
        perf_fail(error);
    int64_t last = (int64_t)f.plan->timeline.pictures->len - 1;
    rw_pool *pool = rw_pool_new((size_t)8 << 30);
    f.frames = g_array_new(FALSE, FALSE, sizeof(rw_packed));
    f.eighths = rw_scaled_decode(f.plan->still_px_per_mm / f.plan->scenes[0].composition.px_per_mm);
    if (!rw_prepare(f.plan, 0, last, pool, &o, &error) ||
        !rw_pipeline_run(f.plan, 0, last, pool, NULL, keep, &f, &error))
        perf_fail(error);
    rw_movie_spec spec = {.path = r->output,
                          .width = f.plan->width,
                          .height = f.plan->height,
                          .rate = f.plan->out_rate,
                          .quality = -1,
                          .threads = r->threads,
                          .frames = last + 1};
    const rw_flow_ops ops = {1, NULL, start, stop, decode, encode, discard};
    double wall = perf_now(), cpu = perf_cpu();
    f.movie = rw_movie_open(f.plan->delivery, &spec, &error);
    if (!f.movie ||
        !rw_flow_run(&ops, 0, last, r->threads, 2 * r->threads, 1000, NULL, &f, &error) ||
        !rw_movie_close(&f.movie, &error))
        perf_fail(error);
    perf_figures result = {.wall = perf_now() - wall,
                           .cpu = perf_cpu() - cpu,
                           .frames = last + 1,
                           .eighths = f.eighths};
    for (guint i = 0; i < f.frames->len; i++)
        rw_packed_clear(&g_array_index(f.frames, rw_packed, i));
    g_array_unref(f.frames);
    rw_pool_free(&pool);
    rw_plan_free(&f.plan);
    rw_reel_close(&reel);
    return result;
}

/* reel.db as it was before finish wrote facts into it, kept aside on the first call. */
static void forget_facts(const char *reel)
{
    g_autofree char *path = g_build_filename(reel, "reel.db", NULL);
    g_autofree char *aside = g_build_filename(reel, "reel.db.aside", NULL);
    const bool first = !g_file_test(aside, G_FILE_TEST_EXISTS);
    g_autofree char *data = NULL;
    gsize bytes = 0;
    g_autoptr(GError) error = NULL;
    for (int i = 0; i < 2; i++) {
        g_autofree char *log = g_strconcat(path, i ? "-wal" : "-shm", NULL);
        unlink(log);
    }
    if (!g_file_get_contents(first ? path : aside, &data, &bytes, &error) ||
        !g_file_set_contents(first ? aside : path, data, (gssize)bytes, &error))
        perf_fail(error);
}

static void make_reel(const char *folder, bool quick)
{
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find("super8"));
    o->frames = quick ? 12 : 40;
    o->width = quick ? 3000 : 6000;
    o->height = quick ? 2000 : 4000;
    o->seed = 5;
    rw_demo_options_off(o, "faults", NULL);
    made_reel *m = made_reel_from(o, folder);
    rw_demo_options_free(&o);
    made_reel_free(m);
}

static int64_t usual_bytes(const char *reel)
{
    g_autofree char *folder = g_build_filename(reel, "stills", NULL);
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name = dir ? g_dir_read_name(dir) : NULL;
    g_autofree char *path = name ? g_build_filename(folder, name, NULL) : NULL;
    g_autofree char *data = NULL;
    gsize bytes = 0;
    if (path)
        g_file_get_contents(path, &data, &bytes, NULL);
    return (int64_t)bytes;
}

int main(int argc, char **argv)
{
    gboolean quick = FALSE;
    int threads = 0;
    char *size = NULL, *codec = NULL;
    const GOptionEntry entries[] = {
        {"quick", 0, 0, G_OPTION_ARG_NONE, &quick, "Fewer and smaller stills", NULL},
        {"threads", 0, 0, G_OPTION_ARG_INT, &threads, "Workers", "N"},
        {"size", 0, 0, G_OPTION_ARG_STRING, &size, "Of the movie (hd)", "SIZE"},
        {"codec", 0, 0, G_OPTION_ARG_STRING, &codec, "h264 unless given", "CODEC"},
        G_OPTION_ENTRY_NULL};
    g_autofree char *folder = perf_read_options(entries, &argc, &argv);
    g_autofree char *reel = g_build_filename(folder, "regatta", NULL);
    if (!rw_reel_exists(reel)) {
        g_print("making a reel ...\n");
        g_mkdir_with_parents(folder, 0777);
        make_reel(folder, quick);
    }
    g_autofree char *output = g_build_filename(folder, "perf.movie", NULL);
    request r = {.reel = reel,
                 .size = size ? size : "hd",
                 .codec = codec ? codec : "h264",
                 .output = output,
                 .threads = threads > 0 ? threads : rw_cpu_count()};
    perf_figures finish[G_N_ELEMENTS(kinds)], least;
    for (int i = 0; i < RUNS; i++) {
        for (size_t k = 0; k < G_N_ELEMENTS(kinds); k++) {
            request one = r;
            one.skip = kinds[k].skip;
            one.settings = kinds[k].settings;
            forget_facts(reel);
            perf_keep_best(&finish[k], perf_apart(run_finish, &one), i == 0);
        }
        request bare = r;
        bare.skip = clean_up;
        perf_keep_best(&least, perf_apart(run_floor, &bare), i == 0);
    }
    g_print("%" G_GINT64_FORMAT " stills of about %.1f MB, decoded at %d/8, to %s %s, %d workers, "
            "best of %d\n",
            finish[0].frames, (double)usual_bytes(reel) * 1e-6, least.eighths, r.size, r.codec,
            r.threads, RUNS);
    perf_print_head();
    for (size_t k = 0; k < G_N_ELEMENTS(kinds); k++)
        perf_print_row(kinds[k].name, &finish[k]);
    least.peak_kib = 0; /* it holds the frames made beforehand: no figure to compare */
    perf_print_row("floor", &least);
    for (size_t k = 0; k < G_N_ELEMENTS(kinds); k++)
        g_print("%-24s %6.2f frames/s, %5.2f on as many free cores; %.2f times the floor by wall "
                "clock, %.2f by CPU time\n",
                kinds[k].name, (double)finish[k].frames / finish[k].wall,
                r.threads * (double)finish[k].frames / finish[k].cpu, finish[k].wall / least.wall,
                finish[k].cpu / least.cpu);
    g_print("aims: 3 frames/s for the whole chain; without clean-up 1.5 times the floor\n");
    if (argc <= 1) {
        g_autofree char *command = g_strdup_printf("rm -rf '%s'", folder);
        g_spawn_command_line_sync(command, NULL, NULL, NULL, NULL);
    }
    g_free(size);
    g_free(codec);
    return 0;
}
