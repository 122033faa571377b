/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How near a faded reel comes to what it was. Demo reels are made twice or more from the same seed:
 * as they were, and with their dyes faded in three ways. All are surveyed and finished; the faded
 * ones, with and without the stage "colour" and through FFmpeg's own balancing filters, are held
 * against the finished unfaded reel, pixel by pixel, by CIEDE2000. And how smooth a sky is in 8
 * bits.
 *
 *     quality-colour REELWRIGHT FOOTAGE_FOLDER [--quick] [--alone] [--only NAME] [--keep FOLDER]
 *
 * --alone leaves FFmpeg's filters out; --keep leaves the reels where they are, and finds them
 * again. Prints a table; does not gate. Neutral: chroma of the unfaded pixel below 5, L* 8 to 97.
 */
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <glib.h>
#include <glib/gstdio.h>

#include "base/pool.h"
#include "colour/grade.h"
#include "colour/lab.h"
#include "finish/pack.h"

enum { W = 240, H = 180, N = W * H, STEP = 5 };

static const char *reelwright, *footage;
static char *folder;

typedef struct source {
    const char *name;
    const char *clips[5];
    int frames, step;
    const char *gauge;
    const char *framing; /* NULL: perforations are seen, and film that was never exposed */
} source;

static const source sources[] = {
    {"courtyard", {"dog_fetch.mp4"}, 24, 2, "super8", NULL},
    {"coffee", {"coffee_pour.mp4"}, 24, 2, "super8", NULL},
    {"bedroom", {"bedroom_dog_orbit.mp4"}, 24, 1, "regular8", NULL},
    {"battle", {"tos_cuts_a.mp4"}, 60, 1, "super8", NULL},
    {"regatta", {NULL}, 96, 1, "super8", NULL},
    {"all four",
     {"dog_fetch.mp4", "coffee_pour.mp4", "bedroom_dog_orbit.mp4", "tos_cuts_a.mp4"},
     60,
     1,
     "super8",
     NULL},
    {"all four, gate",
     {"dog_fetch.mp4", "coffee_pour.mp4", "bedroom_dog_orbit.mp4", "tos_cuts_a.mp4"},
     60,
     1,
     "super8",
     "gate"},
    {"regatta, picture", {NULL}, 96, 1, "super8", "picture"},
};

static const char *const kinds[] = {"none", "dark storage", "projector light", "even, stained"};

typedef struct filter {
    const char *name, *graph;
} filter;
static const filter filters[] = {
    {"grayworld", "format=gbrpf32le,grayworld"},
    {"normalize", "format=rgb48,normalize=independence=1:smoothing=24"},
    {"colorcorrect", "format=yuv444p,colorcorrect=analyze=average"},
};

/* ---- making ---- */

/* What it printed; g_free. */
static char *ask(GPtrArray *words)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *said = NULL;
    char *out = NULL;
    int status = 0;
    g_ptr_array_add(words, NULL);
    if (!g_spawn_sync(NULL, (char **)words->pdata, NULL, 0, NULL, NULL, &out, &said, &status,
                      &error) ||
        !g_spawn_check_wait_status(status, &error)) {
        g_autofree char *line = g_strjoinv(" ", (char **)words->pdata);
        fprintf(stderr, "%s\n%s\n%s\n", line, error->message, said ? said : "");
        exit(1);
    }
    g_ptr_array_unref(words);
    return out;
}

static void run(GPtrArray *words)
{
    g_free(ask(words));
}

static GPtrArray *words_new(const char *first, ...)
{
    GPtrArray *words = g_ptr_array_new_with_free_func(g_free);
    va_list rest;
    va_start(rest, first);
    for (const char *w = first; w; w = va_arg(rest, const char *))
        g_ptr_array_add(words, g_strdup(w));
    va_end(rest);
    return words;
}

static char *path_of(const char *reel, const char *name)
{
    return g_strconcat(folder, "/", reel, name, NULL);
}

static void make_reel(const source *s, int kind, const char *reel)
{
    g_autofree char *demo = path_of(reel, "-demo"), *card = path_of(reel, "-demo/card"),
                    *to = path_of(reel, "");
    GPtrArray *words =
        words_new(reelwright, "demo", demo, "--gauge", s->gauge, "--no-movies", "--no=faults",
                  "--no=dirt", "--no=scratch", "--seed=5", "--pixels=720x480", "--threads=2", NULL);
    g_ptr_array_add(words, g_strdup_printf("--frames=%d", s->frames));
    g_ptr_array_add(words, g_strdup_printf("--footage-step=%d", s->step));
    g_ptr_array_add(words, g_strdup_printf("--set=fade.kind=%d", kind));
    if (s->framing)
        g_ptr_array_add(words, g_strdup_printf("--framing=%s", s->framing));
    for (int i = 0; s->clips[i]; i++)
        g_ptr_array_add(words, g_strdup_printf("--footage=%s/%s", footage, s->clips[i]));
    if (g_file_test(to, G_FILE_TEST_IS_DIR)) { /* kept from before: only judged again */
        g_ptr_array_unref(words);
    } else {
        run(words);
        run(words_new(reelwright, "intake", card, to, "--gauge", s->gauge, NULL));
    }
    run(words_new(reelwright, "survey", to, "--threads=2", NULL));
}

static void finish(const char *reel, const char *movie, bool colour)
{
    g_autofree char *from = path_of(reel, ""), *to = path_of(reel, movie);
    GPtrArray *words = words_new(reelwright, "finish", from, "-o", to, "--size=240x180",
                                 "--codec=ffv1", "--threads=2", NULL);
    g_ptr_array_add(words, g_strdup(colour ? "--only=register,colour" : "--only=register"));
    run(words);
}

static void tell(const char *reel, const char *choice)
{
    g_autofree char *to = path_of(reel, "");
    run(words_new(reelwright, "look", to, choice, NULL));
}

/* Which still each frame of the movie shows; -1: one that the survey thinks is missing. None is:
 * the survey may count otherwise on another reel. */
static GArray *stills_of(const char *reel)
{
    g_autofree char *path = path_of(reel, "");
    g_autofree char *text = ask(words_new(reelwright, "survey", path, "--json", NULL));
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    GArray *stills = g_array_new(FALSE, FALSE, sizeof(int));
    int still = 0, none = -1;
    for (char **line = lines; *line; line++) {
        if (!g_str_has_prefix(*line, "{\"n\":"))
            continue;
        if (strstr(*line, "\"still\":null"))
            g_array_append_val(stills, none);
        else if (!strstr(*line, "\"doubled_of\":null"))
            still++; /* used once */
        else {
            g_array_append_val(stills, still);
            still++;
        }
    }
    return stills;
}

/* ---- comparing ---- */

/* Coded samples 0..1, R, G, B planes; NULL at the end. */
static FILE *open_movie(const char *path, const char *graph)
{
    g_autofree char *quoted = g_shell_quote(path);
    g_autofree char *command =
        g_strdup_printf("ffmpeg -v quiet -i %s -vf %s%sformat=gbrp16le -f rawvideo -", quoted,
                        graph ? graph : "", graph ? "," : "");
    return popen(command, "r");
}

typedef struct movie {
    FILE *file;
    const GArray *stills;
    guint at;
    int still; /* of the last frame that was read */
} movie;

static bool read_frame(movie *m, uint16_t *planes)
{
    do {
        if (fread(planes, sizeof *planes, 3 * N, m->file) != 3 * N || m->at >= m->stills->len)
            return false;
        m->still = g_array_index(m->stills, int, m->at++);
    } while (m->still < 0);
    return true;
}

/* The next still that both show. */
static bool read_both(movie *a, uint16_t *pa, movie *b, uint16_t *pb)
{
    if (!read_frame(a, pa) || !read_frame(b, pb))
        return false;
    while (a->still != b->still)
        if (!(a->still < b->still ? read_frame(a, pa) : read_frame(b, pb)))
            return false;
    return true;
}

static rw_lab lab_at(const uint16_t *planes, int i)
{
    static const int order[3] = {2, 0, 1}; /* G, B, R */
    double rgb[3];
    for (int c = 0; c < 3; c++)
        rgb[c] = pow(planes[order[c] * N + i] / 65535.0, 2.4); /* BT.1886 */
    return rw_lab_from_linear(rgb);
}

typedef struct score {
    double neutral, all, clipped; /* medians of the difference; % of pixels with a channel at top */
    int neutrals;
} score;

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(GArray *v)
{
    if (!v->len)
        return NAN;
    qsort(v->data, v->len, sizeof(double), compare);
    return g_array_index(v, double, v->len / 2);
}

static score measure(const char *truth_path, const GArray *truth_stills, const char *path,
                     const GArray *stills, const char *graph)
{
    movie truth = {open_movie(truth_path, NULL), truth_stills, 0, 0};
    movie other = {open_movie(path, graph), stills, 0, 0};
    static uint16_t a[3 * N], b[3 * N];
    g_autoptr(GArray) all = g_array_new(FALSE, FALSE, sizeof(double));
    g_autoptr(GArray) neutral = g_array_new(FALSE, FALSE, sizeof(double));
    double clipped = 0, count = 0;
    while (read_both(&truth, a, &other, b))
        for (int i = 0; i < N; i += STEP) {
            rw_lab was = lab_at(a, i), is = lab_at(b, i);
            double e = rw_delta_e2000(was, is);
            g_array_append_val(all, e);
            if (hypot(was.a, was.b) < 5 && was.L > 8 && was.L < 97)
                g_array_append_val(neutral, e);
            clipped += b[i] > 65500 || b[N + i] > 65500 || b[2 * N + i] > 65500;
            count++;
        }
    pclose(truth.file);
    pclose(other.file);
    return (score){median(neutral), median(all), 100 * clipped / count, (int)neutral->len};
}

static void print_score(const char *name, score s)
{
    printf("  %-14s neutral %6.2f   all %6.2f   clipped %6.3f %%\n", name, s.neutral, s.all,
           s.clipped);
}

static void measure_source(const source *s, bool others, double worst[3])
{
    g_autofree char *truth = NULL;
    g_autoptr(GArray) truth_stills = NULL;
    for (int kind = 0; kind < 4; kind++) {
        g_autofree char *reel = g_strdup_printf("%s-%d", s->name, kind);
        g_strdelimit(reel, " ", '-');
        make_reel(s, kind, reel);
        g_autofree char *plain = path_of(reel, "-plain.mkv"),
                        *colour = path_of(reel, "-colour.mkv");
        if (!g_file_test(plain, G_FILE_TEST_EXISTS))
            finish(reel, "-plain.mkv", false);
        finish(reel, "-colour.mkv", true);
        if (kind == 0)
            truth = g_strdup(plain);
        g_autoptr(GArray) stills = stills_of(reel);
        if (kind == 0)
            truth_stills = g_array_ref(stills);
        score own = measure(truth, truth_stills, colour, stills, NULL);
        printf("%s, %s\n", s->name, kinds[kind]);
        if (kind > 0)
            print_score("as it is", measure(truth, truth_stills, plain, stills, NULL));
        print_score("reelwright", own);
        if (s->framing && kind > 0) { /* little is seen: a person may have to say so */
            tell(reel, "--set=dyes=faded");
            finish(reel, "-told.mkv", true);
            tell(reel, "--reset=dyes");
            g_autofree char *told = path_of(reel, "-told.mkv");
            print_score("told: faded", measure(truth, truth_stills, told, stills, NULL));
        }
        for (size_t f = 0; f < G_N_ELEMENTS(filters) && others; f++)
            print_score(filters[f].name,
                        measure(truth, truth_stills, plain, stills, filters[f].graph));
        fflush(stdout);
        if (kind == 0) {
            worst[2] = fmax(worst[2], own.all);
        } else {
            worst[0] = fmax(worst[0], own.neutral);
            worst[1] = fmax(worst[1], own.all);
        }
    }
}

/* ---- banding ---- */

enum { RAMP_W = 1440, RAMP_H = 256, WINDOW = 32 };

/* How far the mean of a window of 8-bit luma lies from what it should be, at most, in steps; and
 * how long a run of one code is, at most. A sky: one stop from left to right, blue, through a
 * grade. */
static void measure_banding(bool dither, double *off, int *run_length)
{
    rw_pool *pool = rw_pool_new((size_t)64 << 20);
    rw_frame f;
    rw_packed packed;
    rw_grade grade;
    rw_grade_init(&grade);
    grade.steps = RW_GRADE_DENSITY;
    for (int c = 0; c < 3; c++) {
        grade.density[c][c] = 1.3f;
        grade.density[c][3] = -0.4f;
    }
    g_assert_true(rw_frame_alloc(&f, pool, RAMP_W, RAMP_H, 3, NULL));
    static const float sky[3] = {0.22f, 0.36f, 0.62f};
    for (int y = 0; y < RAMP_H; y++) {
        float *row[3];
        for (int c = 0; c < 3; c++) {
            row[c] = f.plane[c] + y * f.stride;
            for (int x = 0; x < RAMP_W; x++)
                row[c][x] = sky[c] * exp2f((float)x / RAMP_W - 1);
        }
        rw_grade_row(&grade, row, (const float *const *)row, RAMP_W);
    }
    f.domain = RW_DOMAIN_LINEAR;
    f.n = 7;
    g_assert_true(rw_packed_make(&packed, RW_PACK_YUV420_8, &f, pool, NULL));
    *off = 0;
    *run_length = 0;
    static double exact[RAMP_W];
    for (int x = 0; x < RAMP_W; x++) {
        static const double weight[3] = {0.2126, 0.7152, 0.0722};
        exact[x] = 16;
        for (int c = 0; c < 3; c++)
            exact[x] += 219 * weight[c] * pow((double)f.plane[c][x], 1 / 2.4);
    }
    for (int y0 = 0; y0 + WINDOW <= RAMP_H; y0 += WINDOW)
        for (int x0 = 0; x0 + WINDOW <= RAMP_W; x0++) {
            double got = 0, want = 0;
            for (int x = x0; x < x0 + WINDOW; x++)
                for (int y = y0; y < y0 + WINDOW; y++) {
                    got +=
                        dither ? packed.plane[0][y * packed.stride[0] + x] : floor(exact[x] + 0.5);
                    want += exact[x];
                }
            *off = fmax(*off, fabs(got - want) / (WINDOW * WINDOW));
        }
    for (int x = 1, now = 1; x < RAMP_W; x++) {
        const uint8_t *p = packed.plane[0] + x;
        bool same = dither ? p[0] == p[-1] : floor(exact[x] + 0.5) == floor(exact[x - 1] + 0.5);
        now = same ? now + 1 : 1;
        *run_length = MAX(*run_length, now);
    }
    rw_packed_clear(&packed);
    rw_frame_clear(&f);
    rw_pool_free(&pool);
}

static void print_banding(void)
{
    double off[2];
    int length[2];
    for (int dither = 0; dither < 2; dither++)
        measure_banding(dither, &off[dither], &length[dither]);
    printf("sky of one stop over %d pixels, graded, 8 bits: mean of %d x %d pixels off by at most "
           "%.3f steps (rounded: %.3f); longest run of one code %d pixels (rounded: %d)\n",
           RAMP_W, WINDOW, WINDOW, off[1], off[0], length[1], length[0]);
}

int main(int argc, char **argv)
{
    bool quick = false, others = true;
    const char *only = NULL, *keep = NULL;
    for (int i = 3; i < argc; i++) {
        quick = quick || g_str_equal(argv[i], "--quick");
        others = others && !g_str_equal(argv[i], "--alone");
        if (g_str_equal(argv[i], "--keep") && i + 1 < argc)
            keep = argv[++i];
        if (g_str_equal(argv[i], "--only") && i + 1 < argc)
            only = argv[++i];
    }
    if (argc < 3) {
        fprintf(stderr, "Usage: quality-colour REELWRIGHT FOOTAGE_FOLDER [--quick] [--alone] "
                        "[--only NAME] [--keep FOLDER]\n");
        return 2;
    }
    reelwright = argv[1];
    footage = argv[2];
    folder = keep ? g_strdup(keep) : g_dir_make_tmp("rw-colour-XXXXXX", NULL);
    g_mkdir_with_parents(folder, 0777);
    double worst[3] = {0};
    print_banding();
    for (size_t i = 0; i < G_N_ELEMENTS(sources); i += quick ? 2 : 1)
        if (!only || g_str_equal(only, sources[i].name))
            measure_source(&sources[i], others, worst);
    printf("\nworst of reelwright: neutral %.2f (3 wanted), all %.2f (6), unfaded %.2f (1)\n",
           worst[0], worst[1], worst[2]);
    if (!keep)
        run(words_new("rm", "-rf", folder, NULL));
    g_free(folder);
    return 0;
}
