/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How near a faded reel comes to what it was. Demo reels are made twice or more from the same seed:
 * as they were, and with their dyes faded in three ways. All are surveyed and finished; the faded
 * ones, with and without the stage "colour" and through FFmpeg's own balancing filters, are held
 * against the finished unfaded reel, pixel by pixel, by CIEDE2000.
 *
 *     quality-colour REELWRIGHT FOOTAGE_FOLDER [--quick] [--alone] [--only NAME] [--keep FOLDER]
 *
 * --alone leaves FFmpeg's filters out; --keep leaves the reels where they are, and finds them again.
 * Prints a table; does not gate. Neutral: chroma of the unfaded pixel below 5, L* 8 to 97.
 */
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <glib.h>
#include <glib/gstdio.h>

#include "colour/lab.h"

enum { W = 240, H = 180, N = W * H, STEP = 5 };

static const char *reelwright, *footage;
static char *folder;

typedef struct source {
    const char *name;
    const char *clips[5];
    int frames, step;
    const char *gauge;
} source;

static const source sources[] = {
    {"courtyard", {"dog_fetch.mp4"}, 24, 2, "super8"},
    {"coffee", {"coffee_pour.mp4"}, 24, 2, "super8"},
    {"bedroom", {"bedroom_dog_orbit.mp4"}, 24, 1, "regular8"},
    {"battle", {"tos_cuts_a.mp4"}, 60, 1, "super8"},
    {"regatta", {NULL}, 96, 1, "super8"},
    {"all four",
     {"dog_fetch.mp4", "coffee_pour.mp4", "bedroom_dog_orbit.mp4", "tos_cuts_a.mp4"},
     60,
     1,
     "super8"},
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

static void run(GPtrArray *words)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *said = NULL;
    int status = 0;
    g_ptr_array_add(words, NULL);
    if (!g_spawn_sync(NULL, (char **)words->pdata, NULL, G_SPAWN_STDOUT_TO_DEV_NULL, NULL, NULL,
                      NULL, &said, &status, &error) ||
        !g_spawn_check_wait_status(status, &error)) {
        g_autofree char *line = g_strjoinv(" ", (char **)words->pdata);
        fprintf(stderr, "%s\n%s\n%s\n", line, error->message, said ? said : "");
        exit(1);
    }
    g_ptr_array_unref(words);
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
    GPtrArray *words = words_new(reelwright, "demo", demo, "--gauge", s->gauge, "--no-movies",
                                 "--no=faults", "--no=dirt", "--no=scratch", "--seed=5",
                                 "--pixels=720x480", "--threads=2", NULL);
    g_ptr_array_add(words, g_strdup_printf("--frames=%d", s->frames));
    g_ptr_array_add(words, g_strdup_printf("--footage-step=%d", s->step));
    g_ptr_array_add(words, g_strdup_printf("--set=fade.kind=%d", kind));
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

/* ---- comparing ---- */

/* Coded samples 0..1, R, G, B planes; NULL at the end. */
static FILE *open_movie(const char *path, const char *graph)
{
    g_autofree char *quoted = g_shell_quote(path);
    g_autofree char *command = g_strdup_printf(
        "ffmpeg -v error -i %s -vf %s%sformat=gbrp16le -f rawvideo -", quoted, graph ? graph : "",
        graph ? "," : "");
    return popen(command, "r");
}

static bool read_frame(FILE *movie, uint16_t *planes)
{
    return fread(planes, sizeof *planes, 3 * N, movie) == 3 * N;
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

static score measure(const char *truth_path, const char *path, const char *graph)
{
    FILE *truth = open_movie(truth_path, NULL), *movie = open_movie(path, graph);
    static uint16_t a[3 * N], b[3 * N];
    g_autoptr(GArray) all = g_array_new(FALSE, FALSE, sizeof(double));
    g_autoptr(GArray) neutral = g_array_new(FALSE, FALSE, sizeof(double));
    double clipped = 0, count = 0;
    bool more, less;
    while (more = read_frame(truth, a), less = read_frame(movie, b), more && less)
        for (int i = 0; i < N; i += STEP) {
            rw_lab was = lab_at(a, i), is = lab_at(b, i);
            double e = rw_delta_e2000(was, is);
            g_array_append_val(all, e);
            if (hypot(was.a, was.b) < 5 && was.L > 8 && was.L < 97)
                g_array_append_val(neutral, e);
            clipped += b[i] > 65500 || b[N + i] > 65500 || b[2 * N + i] > 65500;
            count++;
        }
    if (more != less)
        printf("  (the survey counts frames of %s otherwise; not comparable)\n", path);
    pclose(truth);
    pclose(movie);
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
        score own = measure(truth, colour, NULL);
        printf("%s, %s\n", s->name, kinds[kind]);
        if (kind > 0)
            print_score("as it is", measure(truth, plain, NULL));
        print_score("reelwright", own);
        for (size_t f = 0; f < G_N_ELEMENTS(filters) && others; f++)
            print_score(filters[f].name, measure(truth, plain, filters[f].graph));
        fflush(stdout);
        if (kind == 0) {
            worst[2] = fmax(worst[2], own.all);
        } else {
            worst[0] = fmax(worst[0], own.neutral);
            worst[1] = fmax(worst[1], own.all);
        }
    }
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
