/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore.c - scores of clean-up against the truth of demo reels, FFmpeg's general filters beside.
 *
 *     quality-restore [--quick] [--part NAME] [--pictures DIR] [--seed S]
 *     quality-restore --features > features.txt      (for quality/blemish_rule.py)
 *
 * Every reel is drawn twice, with and without damage (reel_pair.h); the second drawing is the
 * truth. Frames and seeds are none of those that the rule for blemishes was fitted on. FFmpeg's
 * filters get the same frames in the same run, each with several settings, of which the best
 * counts.
 */
#include <math.h>
#include <stdio.h>
#include <sys/resource.h>

#include <glib/gstdio.h>

#include "measure.h"
#include "motion/field.h"
#include "reel_pair.h"
#include "restore/blemish.h"
#include "restore/hair.h"
#include "restore/scratch.h"
#include "restore/stages.h"
#include "stage_run.h"

static bool quick, alone;
static int threads = 2;
static uint64_t seed_base = 7000;
static const char *only, *pictures;
static char *temp;

#define REELS 5
static const struct {
    const char *name, *file;
    int first; /* frame of the footage for windows of few frames, none seen by the rule */
    int early; /* and for long ones, without a cut */
} reels[REELS] = {
    {"courtyard", "dog_fetch.mp4", 152, 100},
    {"kitchen", "coffee_pour.mp4", 116, 60},
    {"bedroom", "bedroom_dog_orbit.mp4", 122, 60},
    {"tower", "tos_cuts_a.mp4", 68, 40},
    {"thrown ball", NULL, 0, 0}, /* the courtyard with a ball that flies through it */
};

static int width_of(void)
{
    return quick ? 720 : 1440;
}

/* The ball's footage is made once: lossless, at the size of its source. */
static const char *ball_footage(void)
{
    static char *path;
    if (path)
        return path;
    path = g_build_filename(temp, "ball.mkv", NULL);
    clip c;
    GError *error = NULL;
    g_autofree char *file = g_build_filename(FOOTAGE_FOLDER, "dog_fetch.mp4", NULL);
    if (!clip_load(&c, file, 30, 60, 1280, 720, &error))
        g_error("%s", error->message);
    clip_throw_ball(&c, 4711);
    g_autofree char *command = g_strdup_printf(
        "ffmpeg -v error -y -f rawvideo -pix_fmt rgb24 -s 1280x720 -r 18 -i - -c:v ffv1 "
        "-pix_fmt bgr0 '%s'",
        path);
    FILE *pipe = popen(command, "w");
    if (!pipe || fwrite(c.rgb, 1, (size_t)1280 * 720 * 3 * 60, pipe) != (size_t)1280 * 720 * 3 * 60)
        g_error("The ball's footage could not be written.");
    pclose(pipe);
    clip_clear(&c);
    return path;
}

static reel_spec spec_of(int reel, int count, bool early, const char *const *on)
{
    static char *path[REELS];
    if (!path[reel])
        path[reel] = reels[reel].file ? g_build_filename(FOOTAGE_FOLDER, reels[reel].file, NULL)
                                      : g_strdup(ball_footage());
    return (reel_spec){.footage = path[reel],
                       .first = early ? reels[reel].early : reels[reel].first,
                       .count = count,
                       .width = width_of(),
                       .height = width_of() * 3 / 4,
                       .seed = seed_base + (uint64_t)reel,
                       .on = on};
}

static void draw(clip *out, const reel_spec *spec, const char *terms, rw_affine *map)
{
    GError *error = NULL;
    if (!reel_draw(out, spec, terms, map, &error))
        g_error("%s", error->message);
}

/* ---- FFmpeg beside ---- */

static double last_filter_seconds;

/* A filter chain over the clip; false when it did not run. */
static bool ffmpeg_filter(clip *out, const clip *in, const char *filter)
{
    g_autofree char *from = g_build_filename(temp, "in.rgb", NULL);
    g_autofree char *to = g_build_filename(temp, "out.rgb", NULL);
    const size_t bytes = (size_t)in->width * (size_t)in->height * 3 * (size_t)in->count;
    if (alone)
        return false;
    if (!g_file_set_contents(from, (const char *)in->rgb, (gssize)bytes, NULL))
        g_error("No room in %s.", temp);
    g_autofree char *command =
        g_strdup_printf("ffmpeg -v error -y -threads %d -filter_threads %d -f rawvideo -pix_fmt "
                        "rgb24 -s %dx%d -r 18 "
                        "-i '%s' -vf \"%s,format=rgb24\" -f rawvideo -pix_fmt rgb24 '%s'",
                        threads, threads, in->width, in->height, from, filter, to);
    const gint64 t = g_get_monotonic_time();
    const bool ran = system(command) == 0;
    last_filter_seconds = (double)(g_get_monotonic_time() - t) * 1e-6;
    char *data = NULL;
    gsize got = 0;
    const bool ok = ran && g_file_get_contents(to, &data, &got, NULL) && got == bytes;
    if (ok) {
        *out = *in;
        out->rgb = (uint8_t *)data;
    } else {
        g_free(data);
    }
    g_remove(from);
    g_remove(to);
    return ok;
}

/* ---- masks ---- */

static float light_difference(const uint8_t *a, const uint8_t *b)
{
    return (float)(0.25 * (a[0] - b[0]) + 0.5 * (a[1] - b[1]) + 0.25 * (a[2] - b[2]));
}

static void save_triplet(const char *what, int reel, const clip *in, const clip *out,
                         const clip *truth, int n, int x, int y, int w, int h)
{
    if (!pictures)
        return;
    w = MIN(w, in->width);
    h = MIN(h, in->height);
    x = CLAMP(x, 0, in->width - w);
    y = CLAMP(y, 0, in->height - h);
    uint8_t *rgb = g_malloc((gsize)w * (gsize)h * 9);
    const clip *const from[3] = {in, out, truth};
    for (int k = 0; k < 3; k++)
        for (int r = 0; r < h; r++)
            memcpy(rgb + 3 * ((size_t)r * (size_t)w * 3 + (size_t)k * (size_t)w),
                   clip_frame(from[k], n) + 3 * ((size_t)(y + r) * (size_t)in->width + (size_t)x),
                   (size_t)w * 3);
    g_autofree char *name = g_strdup_printf("%s/%s-%s.png", pictures, what, reels[reel].name);
    g_strdelimit(name + strlen(pictures), " ", '-');
    save_png(name, rgb, 3 * w, h);
    g_free(rgb);
}

/* Where to look: faces, leaves, hands, the ball; shares of the frame. */
static const double looks[REELS][2] = {
    {0.02, 0.08}, {0.05, 0.02}, {0.35, 0.25}, {0.05, 0.15}, {0.1, 0.25}};

static void save_looks(const char *what, int reel, const clip *in, const clip *out,
                       const clip *truth)
{
    save_triplet(what, reel, in, out, truth, in->count / 2, (int)(looks[reel][0] * in->width),
                 (int)(looks[reel][1] * in->height), 480, 400);
}

/* ---- flicker ---- */

#define GRID_X 6
#define GRID_Y 4

/* rms of what is left of flicker, % of light: step from frame to frame of the log ratio to the
 * truth, over root 2; over the frame, and over the cells of a 6 x 4 grid. */
static void flicker_left(const clip *a, const clip *truth, double left[2])
{
    enum { CELLS = GRID_X * GRID_Y };
    double table[256];
    for (int i = 0; i < 256; i++) {
        const double v = i / 255.0;
        table[i] = v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
    }
    double *ratio = g_new0(double, (CELLS + 1) * a->count), step[2] = {0, 0};
    for (int n = 0; n < a->count; n++) {
        double sa[CELLS + 1] = {0}, st[CELLS + 1] = {0};
        const uint8_t *p = clip_frame(a, n), *q = clip_frame(truth, n);
        for (int y = 0; y < a->height; y++)
            for (int x = 0; x < a->width; x++, p += 3, q += 3) {
                const double va = 0.25 * table[p[0]] + 0.5 * table[p[1]] + 0.25 * table[p[2]];
                const double vt = 0.25 * table[q[0]] + 0.5 * table[q[1]] + 0.25 * table[q[2]];
                if (va > 0.9 || vt > 0.9)
                    continue; /* the still may have clipped */
                const int cell = y * GRID_Y / a->height * GRID_X + x * GRID_X / a->width;
                sa[cell] += va;
                st[cell] += vt;
                sa[CELLS] += va;
                st[CELLS] += vt;
            }
        for (int c = 0; c <= CELLS; c++)
            ratio[c * a->count + n] = log((sa[c] + 1e-3) / (st[c] + 1e-3));
    }
    for (int c = 0; c <= CELLS; c++)
        for (int n = 1; n < a->count; n++) {
            const double d = ratio[c * a->count + n] - ratio[c * a->count + n - 1];
            step[c < CELLS] += d * d / 2;
        }
    left[0] = 100 * sqrt(step[0] / (a->count - 1));
    left[1] = 100 * sqrt(step[1] / ((a->count - 1) * CELLS));
    g_free(ratio);
}

static void part_flicker(void)
{
    static const char *const on[] = {"lamp.flicker=2.5", "lamp.spatial=1.5", "grain.rms=15", NULL};
    printf("\nFlicker left, %% of light: whole frame / 6 x 4 cells. Targets 0.4 / 0.8.\n");
    printf("%-12s %13s %13s   %s\n", "reel", "in", "ours", "best deflicker of 12 settings");
    for (int r = 0; r < REELS; r++) {
        reel_spec spec = spec_of(r, r == 4 ? 40 : 48, true, on);
        spec.width = 720; /* light is light at any size */
        spec.height = 540;
        clip in, truth, out;
        draw(&truth, &spec, "", NULL);
        draw(&in, &spec, "lamp shutter grain noise", NULL);
        stage_run *run = stage_run_new(&in, NULL, threads);
        stage_run_stage(run, &rw_stage_flicker, NULL, NULL, NULL);
        stage_run_to_clip(run, &out);
        stage_run_free(&run);
        double a[2], b[2], best[2] = {1e9, 1e9};
        char best_name[64] = "";
        flicker_left(&in, &truth, a);
        flicker_left(&out, &truth, b);
        static const char *const modes[] = {"am", "gm", "pm", "median"};
        static const int sizes[] = {5, 10, 20};
        for (int k = 0; k < 12; k++) {
            g_autofree char *f = g_strdup_printf("format=yuv444p,deflicker=size=%d:mode=%s",
                                                 sizes[k / 4], modes[k % 4]);
            clip c;
            double e[2];
            if (!ffmpeg_filter(&c, &in, f))
                continue;
            flicker_left(&c, &truth, e);
            clip_clear(&c);
            if (e[0] < best[0]) {
                best[0] = e[0];
                best[1] = e[1];
                g_snprintf(best_name, sizeof best_name, "size %d %s", sizes[k / 4], modes[k % 4]);
            }
        }
        printf("%-12s %5.2f / %5.2f %5.2f / %5.2f   %5.2f / %5.2f  (%s)\n", reels[r].name, a[0],
               a[1], b[0], b[1], best[0], best[1], best_name);
        fflush(stdout);
        clip_clear(&in);
        clip_clear(&out);
        clip_clear(&truth);
    }
}

/* ---- blemishes ---- */

typedef struct blemish_score {
    double dirt, hit, clean, false_clean, fast_clean, false_fast, false_objects, frames;
    double large_false;         /* false repairs of more than 100 px */
    squares inside[2], outside; /* before, after; what was done outside dirt in fast areas */
    squares repaired;           /* after, of dirt that was repaired: replaced whole */
} blemish_score;

#define WHOLE 255 /* a pixel that was replaced whole: not the run-out of a patch */

/* Per pixel of frame n: 1 dirt beyond 3 sigma of grain, 2 dirt or its fringe, 0 clean. */
static void dirt_truth(const clip *dirty, const clip *truth, const float sigma[256], int n,
                       uint8_t *mask)
{
    const int w = truth->width, h = truth->height;
    float *d = g_new(float, w *h);
    const uint8_t *a = clip_frame(dirty, n), *b = clip_frame(truth, n);
    for (int i = 0; i < w * h; i++)
        d[i] = fabsf(light_difference(a + 3 * i, b + 3 * i));
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            const int i = y * w + x;
            const uint8_t *q = b + 3 * i;
            const float s = sigma[(q[0] + 2 * q[1] + q[2]) / 4];
            float fringe = 0;
            for (int j = MAX(y - 3, 0); j <= MIN(y + 3, h - 1); j++)
                for (int k = MAX(x - 3, 0); k <= MIN(x + 3, w - 1); k++)
                    fringe = MAX(fringe, d[j * w + k]);
            mask[i] = d[i] > 3 * s ? 1 : fringe > 1.5f ? 2 : 0;
        }
    g_free(d);
}

/* Luma grain rms over the truth's luma code, from a drawing with grain alone. */
static void grain_curve(const clip *grainy, const clip *truth, float sigma[256])
{
    double sum[256] = {0}, count[256] = {0};
    for (int n = 0; n < truth->count; n += 4) {
        const uint8_t *a = clip_frame(grainy, n), *b = clip_frame(truth, n);
        for (int i = 0; i < truth->width * truth->height; i++) {
            const uint8_t *q = b + 3 * i;
            const double e = (double)light_difference(a + 3 * i, q);
            const int k = (q[0] + 2 * q[1] + q[2]) / 4;
            sum[k] += e * e;
            count[k] += 1;
        }
    }
    for (int k = 0; k < 256; k++) {
        double s = 0, c = 0;
        for (int i = MAX(k - 6, 0); i <= MIN(k + 6, 255); i++) {
            s += sum[i];
            c += count[i];
        }
        sigma[k] = c > 100 ? (float)fmax(sqrt(s / c), 0.7) : 3.0f;
    }
}

static void score_blemishes(blemish_score *s, const clip *in, const clip *out, const clip *truth,
                            const uint8_t *touched, const GArray *spots, const uint8_t *mask,
                            const uint8_t *fast, int n)
{
    const int w = in->width, count = w * in->height;
    s->frames += 1;
    for (int i = 0; i < count; i++) {
        const bool hit = touched && touched[i] == WHOLE;
        if (mask[i] == 1) {
            s->dirt += 1;
            s->hit += hit;
        } else if (mask[i] == 0) {
            s->clean += 1;
            s->false_clean += hit;
            s->fast_clean += fast[i];
            s->false_fast += hit && fast[i];
            if (fast[i]) {
                const uint8_t *a = clip_frame(in, n) + 3 * i, *b = clip_frame(out, n) + 3 * i;
                const double e = (double)light_difference(b, a);
                s->outside.sum += e * e;
                s->outside.count += 1;
            }
        }
    }
    for (guint k = 0; spots && k < spots->len; k++) {
        const rw_spot *spot = &g_array_index(spots, rw_spot, k);
        if (!spot->repaired)
            continue;
        int dirty = 0, area = 0;
        for (int y = spot->box.y; y < spot->box.y + spot->box.height; y++)
            for (int x = spot->box.x; x < spot->box.x + spot->box.width; x++) {
                area += touched[y * w + x] == WHOLE;
                dirty += touched[y * w + x] == WHOLE && mask[y * w + x];
            }
        if (dirty * 2 < area) {
            if (g_getenv("SHOW_FALSE"))
                printf("  false: frame %d at %d %d, %d x %d, %d px, confidence %.2f\n", n,
                       spot->box.x, spot->box.y, spot->box.width, spot->box.height, area,
                       spot->confidence);
            s->false_objects += 1;
            s->large_false += area > 100;
        }
    }
    squares_add(&s->inside[0], in, truth, n, mask, 1);
    squares_add(&s->inside[1], out, truth, n, mask, 1);
    if (!touched)
        return;
    uint8_t *mended = g_malloc((gsize)count);
    for (int i = 0; i < count; i++)
        mended[i] = mask[i] == 1 && touched[i] == WHOLE;
    squares_add(&s->repaired, out, truth, n, mended, 1);
    g_free(mended);
}

/* What a stage tells of each frame: pixels that it touched, and spots. */
static void told_new(uint8_t ***touched, GArray ***spots, int count, size_t pixels)
{
    *touched = g_new(uint8_t *, count);
    *spots = g_new(GArray *, count);
    for (int n = 0; n < count; n++) {
        (*touched)[n] = g_malloc0(pixels);
        (*spots)[n] = g_array_new(FALSE, FALSE, sizeof(rw_spot));
    }
}

static void told_free(uint8_t **touched, GArray **spots, int count)
{
    for (int n = 0; n < count; n++) {
        g_free(touched[n]);
        g_array_unref(spots[n]);
    }
    g_free(touched);
    g_free(spots);
}

static void print_blemishes(const char *reel, const char *who, const blemish_score *s, bool ours)
{
    printf("%-12s %-26s", reel, who);
    if (ours)
        printf(" %6.3f  %8.1e %8.1e  %6.2f", s->hit / fmax(s->dirt, 1), s->false_clean / s->clean,
               s->false_fast / fmax(s->fast_clean, 1), s->false_objects / s->frames);
    else
        printf(" %6s  %8s %8s  %6s", "", "", "", "");
    printf("  %5.1f > %5.1f", psnr_of(&s->inside[0]), psnr_of(&s->inside[1]));
    if (ours)
        printf("  %8.1f", psnr_of(&s->repaired));
    else
        printf("  %8s", "");
    printf("  %6.1f\n", s->outside.sum > 0 ? psnr_of(&s->outside) : 99.9);
    fflush(stdout);
}

static void part_blemish(void)
{
    static const char *const on[] = {"dirt.rate=12", "grain.rms=15", NULL};
    static const char *const off[] = {"scratches=off", "hairs=off", NULL};
    g_autofree void *dirt_only = stage_params(&rw_stage_blemish, off);
    const int count = quick ? 12 : 14;
    printf("\nBlemishes with contrast over 3 sigma of grain. Targets: recall 0.85 at 1e-4, 1.5e-4 "
           "in fast "
           "areas, 1 false object a frame, 25 dB inside what was repaired, 50 dB outside in fast "
           "areas.\n");
    printf("%-12s %-26s %6s  %8s %8s  %6s  %13s  %8s  %6s\n", "reel", "", "recall", "false",
           "in fast", "obj/fr", "all dirt, dB", "repaired", "outside");
    blemish_score total = {0};
    for (int r = 0; r < REELS; r++) {
        reel_spec spec = spec_of(r, count, false, on);
        clip in, truth, dirty, grainy, out;
        draw(&truth, &spec, "", NULL);
        draw(&dirty, &spec, "dirt", NULL);
        draw(&grainy, &spec, "grain noise", NULL);
        draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
        float sigma[256];
        grain_curve(&grainy, &truth, sigma);
        const size_t pixels = (size_t)in.width * (size_t)in.height;
        uint8_t **touched;
        GArray **spots;
        told_new(&touched, &spots, count, pixels);
        stage_run *run = stage_run_new(&in, NULL, threads);
        stage_run_stage(run, &rw_stage_blemish, dirt_only, touched, spots);
        stage_run_to_clip(run, &out);
        stage_run_free(&run);
        static const char *const filters[] = {
            "tpad=1:1:1:1,tmedian=radius=1",
            "tpad=2:2:1:1,tmedian=radius=2",
            "removegrain=m0=2:m1=2:m2=2",
            "removegrain=m0=4:m1=4:m2=4",
            "removegrain=m0=17:m1=17:m2=17",
            "atadenoise=s=9",
            "atadenoise=s=5:0a=0.3:0b=0.3:1a=0.3:1b=0.3:2a=0.3:2b=0.3",
            "median=radius=2"};
        blemish_score ours = {0}, theirs[G_N_ELEMENTS(filters)] = {{0}};
        uint8_t *mask = g_malloc(pixels), *fast = g_malloc(pixels);
        for (int n = 2; n < count - 2; n++) {
            dirt_truth(&dirty, &truth, sigma, n, mask);
            fast_area(&truth, n, fast);
            score_blemishes(&ours, &in, &out, &truth, touched[n], spots[n], mask, fast, n);
            score_blemishes(&total, &in, &out, &truth, touched[n], spots[n], mask, fast, n);
        }
        print_blemishes(reels[r].name, "ours", &ours, true);
        for (size_t f = 0; f < G_N_ELEMENTS(filters); f++) {
            clip c;
            g_autofree char *chain = g_strdup_printf("format=gbrp,%s", filters[f]);
            if (!ffmpeg_filter(&c, &in, chain))
                continue;
            for (int n = 2; n < count - 2; n++) {
                dirt_truth(&dirty, &truth, sigma, n, mask);
                fast_area(&truth, n, fast);
                score_blemishes(&theirs[f], &in, &c, &truth, NULL, NULL, mask, fast, n);
            }
            clip_clear(&c);
            char name[27];
            g_strlcpy(name, g_str_has_prefix(filters[f], "tpad") ? filters[f] + 13 : filters[f],
                      sizeof name);
            print_blemishes("", name, &theirs[f], false);
        }
        /* the dirtiest spot of a middle frame */
        int px = in.width / 3, py = in.height / 3;
        for (guint k = 0; k < spots[count / 2]->len; k++) {
            const rw_spot *s = &g_array_index(spots[count / 2], rw_spot, k);
            if (s->repaired && s->box.width * s->box.height > 200) {
                px = s->box.x - 200;
                py = s->box.y - 150;
            }
        }
        save_triplet("blemish", r, &in, &out, &truth, count / 2, px, py, 480, 400);
        told_free(touched, spots, count);
        g_free(mask);
        g_free(fast);
        clip_clear(&in);
        clip_clear(&truth);
        clip_clear(&dirty);
        clip_clear(&grainy);
        clip_clear(&out);
    }
    print_blemishes("all", "ours", &total, true);

    printf(
        "\nUndamaged reels: what is touched all the same. Target: nothing of more than 100 px.\n");
    for (int r = 0; r < REELS; r++) {
        static const char *const still[] = {"grain.rms=15", NULL};
        reel_spec spec = spec_of(r, count, false, still);
        spec.seed += 100;
        clip in, truth;
        draw(&truth, &spec, "", NULL);
        draw(&in, &spec, "grain noise lamp shutter", NULL);
        const size_t pixels = (size_t)in.width * (size_t)in.height;
        uint8_t **touched;
        GArray **spots;
        told_new(&touched, &spots, count, pixels);
        stage_run *run = stage_run_new(&in, NULL, threads);
        stage_run_stage(run, &rw_stage_blemish, dirt_only, touched, spots);
        stage_run_free(&run);
        double area = 0, objects = 0, large = 0, largest = 0;
        for (int n = 2; n < count - 2; n++) {
            for (size_t i = 0; i < pixels; i++)
                area += touched[n][i] == WHOLE;
            for (guint k = 0; k < spots[n]->len; k++) {
                const rw_spot *s = &g_array_index(spots[n], rw_spot, k);
                if (!s->repaired)
                    continue;
                double a = 0;
                for (int y = s->box.y; y < s->box.y + s->box.height; y++)
                    for (int x = s->box.x; x < s->box.x + s->box.width; x++)
                        a += touched[n][y * in.width + x] == WHOLE;
                objects += 1;
                large += a > 100;
                largest = fmax(largest, a);
            }
        }
        printf(
            "%-12s %8.1e of the pixels, %.2f objects a frame, %.0f over 100 px (largest %.0f px)\n",
            reels[r].name, area / ((double)pixels * (count - 4)), objects / (count - 4), large,
            largest);
        fflush(stdout);
        told_free(touched, spots, count);
        clip_clear(&in);
        clip_clear(&truth);
    }
}

/* ---- scratches and hairs ---- */

/* Rows of scratches: those found within 3 px at 720, and all; false lines. */
static void score_scratches(const clip *scratched, const clip *truth, const GArray *lines,
                            double *length, double *found, double *good, double *wrong)
{
    const int w = truth->width, h = truth->height;
    const double near = 3.5 * w / 720.0;
    uint8_t *hit = g_malloc((gsize)w * (gsize)h);
    float *diff = g_new(float, w *h);
    for (int n = 0; n < truth->count; n++) {
        const uint8_t *a = clip_frame(scratched, n), *b = clip_frame(truth, n);
        for (int i = 0; i < w * h; i++)
            diff[i] = fabsf(light_difference(a + 3 * i, b + 3 * i));
        for (int i = 0; i < w * h; i++)
            hit[i] = diff[i] > 6.0f;
        for (int y = 0; y < h; y++)
            for (int x = 1; x < w - 1; x++) {
                if (!hit[y * w + x] || hit[y * w + x - 1])
                    continue;
                int end = x;
                while (end < w && hit[y * w + end])
                    end++;
                const double middle = 0.5 * (x + end - 1);
                bool seen = false;
                for (guint k = 0; k < lines->len; k++) {
                    const rw_scratch_line *l = &g_array_index(lines, rw_scratch_line, k);
                    const double lx =
                        ((double)l->x + (double)l->tilt * ((y + 0.5) / h - 0.5)) * w - 0.5;
                    seen = seen || (l->n == n && fabs(lx - middle) < near);
                }
                *length += 1;
                *found += seen;
                x = end;
            }
        for (guint k = 0; k < lines->len; k++) {
            const rw_scratch_line *l = &g_array_index(lines, rw_scratch_line, k);
            if (l->n != n)
                continue;
            int rows = 0;
            for (int y = 0; y < h; y++) {
                const int lx =
                    (int)lrint(((double)l->x + (double)l->tilt * ((y + 0.5) / h - 0.5)) * w - 0.5);
                for (int x = MAX(lx - (int)near, 0); x <= MIN(lx + (int)near, w - 1); x++)
                    if (diff[y * w + x] > 1.5f) { /* faint, but there */
                        rows++;
                        break;
                    }
            }
            *(rows > h / 10 ? good : wrong) += 1;
        }
    }
    g_free(diff);
    g_free(hit);
}

static GArray *lines_of(const GByteArray *facts)
{
    /* the stage's facts begin with two counts of bytes, lines and hairs */
    const uint64_t *head = (const uint64_t *)(const void *)facts->data;
    GArray *lines = g_array_new(FALSE, FALSE, sizeof(rw_scratch_line));
    g_array_append_vals(lines, facts->data + 16, (guint)(head[0] / sizeof(rw_scratch_line)));
    return lines;
}

static void part_scratch(void)
{
    static const char *const on[] = {"scratch.count=4", "grain.rms=15", NULL};
    printf("\nScratches. Targets: 90 %% of the length, 1 false line per 100 frames.\n");
    printf("%-12s %7s %12s %12s   %s\n", "reel", "found", "false/100", "false/100", "inside, dB");
    printf("%-12s %7s %12s %12s\n", "", "", "scratched", "undamaged");
    double total[4] = {0}, undamaged = 0, frames = 0;
    for (int r = 0; r < REELS - 1; r++) {
        const int count = 40;
        reel_spec spec = spec_of(r, count, true, on);
        spec.width = quick ? 720 : 960;
        spec.height = spec.width * 3 / 4;
        clip in, truth, scratched, out, clean;
        rw_affine *map = g_new(rw_affine, count);
        draw(&truth, &spec, "", NULL);
        draw(&scratched, &spec, "scratch", NULL);
        draw(&in, &spec, "grain noise lamp shutter scratch", map);
        draw(&clean, &spec, "grain noise lamp shutter", NULL);
        const char *const settings[] = {"dirt=off", "hairs=off", NULL};
        g_autofree void *params = stage_params(&rw_stage_blemish, settings);
        stage_run *run = stage_run_new(&in, map, threads);
        stage_run_stage(run, &rw_stage_blemish, params, NULL, NULL);
        stage_run_to_clip(run, &out);
        double s[4] = {0}, u[4] = {0};
        GArray *lines = lines_of(stage_run_facts(run));
        score_scratches(&scratched, &truth, lines, &s[0], &s[1], &s[2], &s[3]);
        g_array_unref(lines);
        stage_run_free(&run);
        run = stage_run_new(&clean, map, threads);
        stage_run_stage(run, &rw_stage_blemish, params, NULL, NULL);
        lines = lines_of(stage_run_facts(run));
        score_scratches(&truth, &truth, lines, &u[0], &u[1], &u[2], &u[3]);
        g_array_unref(lines);
        stage_run_free(&run);
        squares before = {0}, after = {0};
        uint8_t *mask = g_malloc((gsize)in.width * (gsize)in.height);
        for (int n = 2; n < count - 2; n++) {
            const uint8_t *a = clip_frame(&scratched, n), *b = clip_frame(&truth, n);
            for (int i = 0; i < in.width * in.height; i++)
                mask[i] = fabsf(light_difference(a + 3 * i, b + 3 * i)) > 6.0f;
            squares_add(&before, &in, &truth, n, mask, 1);
            squares_add(&after, &out, &truth, n, mask, 1);
        }
        printf("%-12s %7.3f %12.1f %12.1f   %5.1f > %5.1f\n", reels[r].name, s[1] / fmax(s[0], 1),
               100 * s[3] / count, 100 * u[3] / count, psnr_of(&before), psnr_of(&after));
        fflush(stdout);
        save_looks("scratch", r, &in, &out, &truth);
        for (int k = 0; k < 4; k++)
            total[k] += s[k];
        undamaged += u[3];
        frames += count;
        g_free(mask);
        g_free(map);
        clip_clear(&in);
        clip_clear(&truth);
        clip_clear(&scratched);
        clip_clear(&out);
        clip_clear(&clean);
    }
    printf("%-12s %7.3f %12.1f %12.1f\n", "all", total[1] / total[0], 100 * total[3] / frames,
           100 * undamaged / frames);
}

static void part_hair(void)
{
    static const char *const on[] = {"hair.count=2", "hair.first=4", "hair.last=36", "grain.rms=15",
                                     NULL};
    printf("\nGate hairs: pixels under them, before and after.\n");
    printf("%-12s %8s %10s  %s\n", "reel", "covered", "also, px/fr", "inside, dB");
    for (int r = 0; r < REELS - 1; r++) {
        const int count = 40;
        reel_spec spec = spec_of(r, count, true, on);
        spec.width = quick ? 720 : 960;
        spec.height = spec.width * 3 / 4;
        clip in, truth, hairy, out;
        rw_affine *map = g_new(rw_affine, count);
        draw(&truth, &spec, "", NULL);
        draw(&hairy, &spec, "hair", NULL);
        draw(&in, &spec, "grain noise lamp shutter hair", map);
        const size_t pixels = (size_t)in.width * (size_t)in.height;
        uint8_t **touched = g_new(uint8_t *, count);
        for (int n = 0; n < count; n++)
            touched[n] = g_malloc0(pixels);
        const char *const settings[] = {"dirt=off", "scratches=off", NULL};
        g_autofree void *params = stage_params(&rw_stage_blemish, settings);
        stage_run *run = stage_run_new(&in, map, threads);
        stage_run_stage(run, &rw_stage_blemish, params, touched, NULL);
        stage_run_to_clip(run, &out);
        stage_run_free(&run);
        squares before = {0}, after = {0};
        double all = 0, hit = 0, also = 0;
        uint8_t *mask = g_malloc(pixels);
        for (int n = 0; n < count; n++) {
            const uint8_t *a = clip_frame(&hairy, n), *b = clip_frame(&truth, n);
            for (size_t i = 0; i < pixels; i++) {
                mask[i] = fabsf(light_difference(a + 3 * i, b + 3 * i)) > 12.0f;
                all += mask[i];
                hit += mask[i] && touched[n][i];
                also += !mask[i] && touched[n][i];
            }
            squares_add(&before, &in, &truth, n, mask, 1);
            squares_add(&after, &out, &truth, n, mask, 1);
            g_free(touched[n]);
        }
        printf("%-12s %8.3f %10.0f   %5.1f > %5.1f\n", reels[r].name, hit / fmax(all, 1),
               also / count, psnr_of(&before), psnr_of(&after));
        fflush(stdout);
        save_looks("hair", r, &in, &out, &truth);
        g_free(touched);
        g_free(mask);
        g_free(map);
        clip_clear(&in);
        clip_clear(&truth);
        clip_clear(&hairy);
        clip_clear(&out);
    }
}

/* ---- grain ---- */

typedef struct grain_score {
    squares area[4]; /* smooth, textured, fast, all */
    double ssim, frames, seconds;
} grain_score;

static void score_grain(grain_score *s, const clip *a, const clip *truth)
{
    uint8_t *fast = g_malloc((gsize)a->width * (gsize)a->height);
    uint8_t *textured = g_malloc((gsize)a->width * (gsize)a->height);
    for (int n = 2; n < a->count - 2; n++) {
        fast_area(truth, n, fast);
        textured_area(truth, n, textured);
        for (int i = 0; i < a->width * a->height; i++)
            textured[i] = fast[i] ? 2 : textured[i];
        for (uint8_t k = 0; k < 3; k++)
            squares_add(&s->area[k], a, truth, n, textured, k);
        squares_add(&s->area[3], a, truth, n, NULL, 0);
        s->ssim += ssim_of(a, truth, n);
        s->frames += 1;
    }
    g_free(fast);
    g_free(textured);
}

static void print_grain(const char *reel, const char *who, const grain_score *s)
{
    printf("%-12s %-18s", reel, who);
    for (int k = 0; k < 4; k++)
        printf(" %8.2f", psnr_of(&s->area[k]));
    printf("  %7.4f", s->ssim / s->frames);
    if (s->seconds > 0)
        printf("  %6.2f", (s->frames + 4) / s->seconds);
    printf("\n");
    fflush(stdout);
}

/* The filters and settings that grain is held against. */
static const struct {
    const char *name, *filter;
    bool slow;
} quieters[] = {
    {"nlmeans 2", "nlmeans=s=2:p=7:r=15", false},
    {"nlmeans 3", "nlmeans=s=3:p=7:r=15", false},
    {"nlmeans 4", "nlmeans=s=4:p=7:r=15", false},
    {"nlmeans 6", "nlmeans=s=6:p=7:r=15", false},
    {"nlmeans 8", "nlmeans=s=8:p=7:r=15", false},
    {"hqdn3d", "hqdn3d", false},
    {"hqdn3d 8", "hqdn3d=8:6:12:9", false},
    {"atadenoise 9", "atadenoise=s=9", false},
    {"atadenoise .1", "atadenoise=s=9:0a=0.1:0b=0.1:1a=0.1:1b=0.1:2a=0.1:2b=0.1", false},
    {"tmedian 2", "tpad=2:2:1:1,tmedian=radius=2", false},
    {"bm3d 4", "bm3d=sigma=4:block=8:bstep=8", true},
    {"bm3d 8", "bm3d=sigma=8:block=8:bstep=8", true},
};

static void part_grain(void)
{
    printf("\nGrain: PSNR, dB, and SSIM of luma. Target: 1 dB over the best nlmeans on texture, "
           "not below "
           "it on smooth ground and in fast areas.\n");
    printf("%-12s %-18s %8s %8s %8s %8s  %7s  %6s\n", "reel", "", "smooth", "texture", "fast",
           "all", "SSIM", "fps");
    const int count = quick ? 9 : 10;
    for (int r = 0; r < REELS; r++) {
        static const char *const on[] = {"grain.rms=18", NULL};
        reel_spec spec = spec_of(r, count, false, on);
        clip in, truth, out;
        draw(&truth, &spec, "", NULL);
        draw(&in, &spec, "grain noise", NULL);
        grain_score noisy = {0}, ours = {0}, best = {0};
        score_grain(&noisy, &in, &truth);
        print_grain(reels[r].name, "grainy", &noisy);
        const char *const settings[] = {"amount=quiet", NULL};
        g_autofree void *params = stage_params(&rw_stage_grain, settings);
        stage_run *run = stage_run_new(&in, NULL, threads);
        stage_run_stage(run, &rw_stage_grain, params, NULL, NULL);
        stage_run_to_clip(run, &out);
        const stage_times t = stage_run_times(run);
        stage_run_free(&run);
        score_grain(&ours, &out, &truth);
        ours.seconds = t.motion + t.frame;
        print_grain("", "ours, quiet", &ours);
        save_looks("grain", r, &in, &out, &truth);
        double top[5] = {0};
        for (size_t f = 0; f < G_N_ELEMENTS(quieters); f++) {
            clip c;
            if (quieters[f].slow && !quick)
                continue; /* bm3d does not finish at the full size in reasonable time */
            g_autofree char *chain = g_strdup_printf("format=gbrp,%s", quieters[f].filter);
            if (!ffmpeg_filter(&c, &in, chain))
                continue;
            grain_score s = {.seconds = last_filter_seconds};
            score_grain(&s, &c, &truth);
            clip_clear(&c);
            print_grain("", quieters[f].name, &s);
            if (g_str_has_prefix(quieters[f].name, "nlmeans")) {
                for (int k = 0; k < 4; k++)
                    top[k] = fmax(top[k], psnr_of(&s.area[k]));
                top[4] = fmax(top[4], s.ssim / s.frames);
            }
        }
        (void)best;
        printf("%-12s %-18s", "", "over best nlmeans");
        for (int k = 0; k < 4; k++)
            printf(" %+8.2f", psnr_of(&ours.area[k]) - top[k]);
        printf("  %+7.4f\n", ours.ssim / ours.frames - top[4]);
        fflush(stdout);
        clip_clear(&in);
        clip_clear(&truth);
        clip_clear(&out);
    }
}

/* ---- the whole chain ---- */

static void part_chain(void)
{
    static const char *const on[] = {"dirt.rate=8", "grain.rms=15", "lamp.flicker=2.5",
                                     "lamp.spatial=1.5", NULL};
    static const char *const filters[] = {
        "deflicker=size=5:mode=am,tpad=1:1:1:1,tmedian=radius=1,nlmeans=s=3:p=7:r=15",
        "deflicker=size=10:mode=pm,tpad=1:1:1:1,tmedian=radius=1,nlmeans=s=4:p=7:r=15",
        "deflicker=size=5:mode=am,tpad=1:1:1:1,tmedian=radius=1,hqdn3d",
        "deflicker=size=5:mode=am,atadenoise=s=9,nlmeans=s=3:p=7:r=15",
        "deflicker=size=5:mode=am,nlmeans=s=4:p=7:r=15"};
    const int count = quick ? 12 : 14;
    printf("\nThe whole chain: flicker, dirt and grain together. PSNR, dB; SSIM; after the mean "
           "light of each "
           "frame was set to the truth's, so that flicker's slow part does not decide.\n");
    printf("%-12s %-34s %8s %8s\n", "reel", "", "PSNR", "SSIM");
    for (int r = 0; r < REELS; r++) {
        reel_spec spec = spec_of(r, count, false, on);
        clip in, truth, out;
        draw(&truth, &spec, "", NULL);
        draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
        stage_run *run = stage_run_new(&in, NULL, threads);
        const char *const quiet[] = {"amount=quiet", NULL};
        g_autofree void *params = stage_params(&rw_stage_grain, quiet);
        stage_run_stage(run, &rw_stage_flicker, NULL, NULL, NULL);
        stage_run_stage(run, &rw_stage_blemish, NULL, NULL, NULL);
        stage_run_stage(run, &rw_stage_grain, params, NULL, NULL);
        stage_run_to_clip(run, &out);
        stage_run_free(&run);
        save_looks("chain", r, &in, &out, &truth);
        clip shown[7];
        char name[7][35] = {"as scanned", "ours"};
        int n_shown = 2;
        shown[0] = in;
        shown[1] = out;
        for (size_t f = 0; f < G_N_ELEMENTS(filters); f++) {
            g_autofree char *chain = g_strdup_printf("format=yuv444p,%s", filters[f]);
            if (!ffmpeg_filter(&shown[n_shown], &in, chain))
                continue;
            g_strlcpy(name[n_shown++], filters[f] + 10, sizeof name[0]);
        }
        for (int k = 0; k < n_shown; k++) {
            squares s = {0};
            double ssim = 0;
            for (int n = 2; n < count - 2; n++) {
                /* one gain per frame, in codes: fair to all, and alike for all */
                double sa = 0, st = 0;
                uint8_t *p = clip_frame(&shown[k], n);
                const uint8_t *q = clip_frame(&truth, n);
                for (int i = 0; i < in.width * in.height * 3; i++) {
                    sa += p[i];
                    st += q[i];
                }
                const double gain = st / sa;
                for (int i = 0; i < in.width * in.height * 3; i++)
                    p[i] = (uint8_t)CLAMP(p[i] * gain + 0.5, 0.0, 255.0);
                squares_add(&s, &shown[k], &truth, n, NULL, 0);
                ssim += ssim_of(&shown[k], &truth, n);
            }
            printf("%-12s %-34s %8.2f %8.4f\n", k ? "" : reels[r].name, name[k], psnr_of(&s),
                   ssim / (count - 4));
            clip_clear(&shown[k]);
        }
        fflush(stdout);
        clip_clear(&truth);
    }
}

/* ---- speed ---- */

/* Seconds of processor time of this process, all threads. */
static double cpu_seconds(void)
{
    struct rusage u;
    getrusage(RUSAGE_SELF, &u);
    return (double)(u.ru_utime.tv_sec + u.ru_stime.tv_sec) +
           1e-6 * (double)(u.ru_utime.tv_usec + u.ru_stime.tv_usec);
}

static void part_speed(void)
{
    static const char *const on[] = {"dirt.rate=3.5", "grain.rms=11", NULL};
    const int count = quick ? 12 : 16;
    reel_spec spec = spec_of(0, count, false, on);
    spec.width = 1440;
    spec.height = 1080;
    clip in, out;
    draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
    double cpu = cpu_seconds();
    stage_run *run = stage_run_new(&in, NULL, threads);
    const stage_times m = stage_run_times(run);
    printf("\nSpeed at 1440 x 1080, %d threads. Targets: 40 ms a field, 3 frames/s for the chain. "
           "Core-ms: "
           "processor time, which other work on the machine does not stretch.\n",
           threads);
    const double fields = 4.0 * count - 6.0;
    double all = cpu_seconds() - cpu;
    printf(
        "motion       %6.1f ms a frame, %6.1f core-ms (pictures and %.0f fields: %.1f ms a field, "
        "%.1f core-ms)\n",
        1e3 * m.motion / count, 1e3 * all / count, fields, 1e3 * m.motion / fields,
        1e3 * all / fields);
    static const rw_stage *const stages[] = {&rw_stage_flicker, &rw_stage_blemish, &rw_stage_grain};
    double chain = m.motion, before = 0, looks_at = 0;
    for (int k = 0; k < 3; k++) {
        cpu = cpu_seconds();
        stage_run_stage(run, stages[k], NULL, NULL, NULL);
        const double used = cpu_seconds() - cpu;
        const stage_times t = stage_run_times(run);
        printf("%-12s %6.1f ms a frame and %5.1f to look at one beforehand, %6.1f core-ms\n",
               stages[k]->name, 1e3 * (t.frame - before) / count,
               1e3 * (t.observe - looks_at) / count, 1e3 * used / count);
        chain += t.frame - before + t.observe - looks_at;
        all += used;
        before = t.frame;
        looks_at = t.observe;
    }
    printf("chain        %6.1f ms a frame: %.2f frames/s; %.1f core-ms: %.2f frames/s on two free "
           "cores\n",
           1e3 * chain / count, count / chain, 1e3 * all / count, 2.0 * count / all);
    stage_run_to_clip(run, &out);
    stage_run_free(&run);
    clip_clear(&out);
    /* the floor: decoding JPEG stills and encoding H.264 */
    g_autofree char *from = g_build_filename(temp, "floor.rgb", NULL);
    const size_t bytes = (size_t)in.width * (size_t)in.height * 3 * (size_t)in.count;
    if (g_file_set_contents(from, (const char *)in.rgb, (gssize)bytes, NULL)) {
        g_autofree char *jpeg = g_strdup_printf("ffmpeg -v error -y -f rawvideo -pix_fmt rgb24 -s "
                                                "%dx%d -r 18 -i '%s' -vf scale=3600:2700 -q:v 2 "
                                                "'%s/still%%03d.jpg'",
                                                in.width, in.height, from, temp);
        g_autofree char *movie =
            g_strdup_printf("ffmpeg -v error -y -threads %d -r 18 -i '%s/still%%03d.jpg' -vf "
                            "scale=%d:%d -c:v libx264 "
                            "-preset medium -crf 18 -threads %d '%s/floor.mp4'",
                            threads, temp, in.width, in.height, threads, temp);
        if (system(jpeg) == 0) {
            const gint64 t = g_get_monotonic_time();
            if (system(movie) == 0) {
                const double floor_s = (double)(g_get_monotonic_time() - t) * 1e-6;
                printf("floor        %6.1f ms a frame to decode stills of 10 megapixels and encode "
                       "H.264; the chain "
                       "takes %.1f times that\n",
                       1e3 * floor_s / count, chain / floor_s);
            }
        }
        clip c;
        if (ffmpeg_filter(&c, &in, "format=gbrp,nlmeans=s=4:p=7:r=15")) {
            printf("nlmeans      %6.1f ms a frame: %.2f frames/s\n",
                   1e3 * last_filter_seconds / count, count / last_filter_seconds);
            clip_clear(&c);
        }
    }
    clip_clear(&in);
}

/* ---- features for the rule ---- */

typedef struct fit_reel {
    const char *name, *file;
    int first, width;
    uint64_t seed;
    int group, dirt, grain;
} fit_reel;

/* None of these windows is scored above. */
static const fit_reel fit_reels[] = {
    {"courtyard", "dog_fetch.mp4", 92, 1440, 301, 0, 20, 20},
    {"kitchen", "coffee_pour.mp4", 30, 1440, 302, 1, 30, 11},
    {"bedroom", "bedroom_dog_orbit.mp4", 50, 1440, 303, 2, 20, 20},
    {"tower", "tos_cuts_a.mp4", 45, 1440, 304, 3, 20, 25},
    {"courtyard-b", "dog_fetch.mp4", 130, 960, 309, 0, 8, 11},
    {"kitchen-b", "coffee_pour.mp4", 150, 960, 310, 1, 20, 30},
    {"bedroom-b", "bedroom_dog_orbit.mp4", 100, 960, 311, 2, 25, 15},
    {"machine", "tos_cuts_a.mp4", 110, 960, 312, 3, 20, 20},
    {"courtyard-c", "dog_fetch.mp4", 115, 720, 313, 0, 20, 28},
    {"kitchen-c", "coffee_pour.mp4", 60, 720, 314, 1, 20, 15},
    {"bedroom-c", "bedroom_dog_orbit.mp4", 75, 720, 315, 2, 20, 25},
};
#define FIT_FRAMES 14

static void print_features(int index, const fit_reel *r, const clip *in, const clip *dirty,
                           const clip *truth)
{
    stage_run *run = stage_run_new(in, NULL, threads);
    const int w = in->width, h = in->height;
    double all_dirt = 0;
    float sigma[256];
    for (int k = 0; k < 256; k++)
        sigma[k] = 0.06f * (float)r->grain * (0.5f + (float)k / 255.0f);
    uint8_t *mask = g_malloc((gsize)w * (gsize)h), *fast = g_malloc((gsize)w * (gsize)h);
    for (int n = 2; n < in->count - 2; n++) {
        static const int offsets[4] = {-2, -1, 1, 2};
        rw_blemish_window win = {.now = stage_run_frame(run, n)};
        rw_noise_survey *survey = rw_noise_survey_new();
        for (int k = 0; k < 4; k++) {
            win.near[k] = stage_run_frame(run, n + offsets[k]);
            win.field[k] = stage_run_field(run, n, offsets[k]);
            if (k == 1 || k == 2) {
                rw_noise_look(survey, win.now, win.near[k], win.field[k]);
                win.back[k - 1] = stage_run_field(run, n + offsets[k], -offsets[k]);
            }
        }
        rw_noise *noise = g_new(rw_noise, 1);
        rw_noise_settle(survey, noise);
        rw_noise_survey_free(&survey);
        rw_blemish_map map;
        GError *error = NULL;
        if (!rw_blemish_find(&map, stage_run_pool(run), &win, noise, true, &error))
            g_error("%s", error->message);
        dirt_truth(dirty, truth, sigma, n, mask);
        fast_area(truth, n, fast);
        int(*count)[4] = g_malloc0(sizeof *count * (gsize)(map.count + 1));
        for (int i = 0; i < w * h; i++) {
            int *c = count[map.label[i]];
            all_dirt += mask[i] == 1;
            c[0] += mask[i] == 1;
            c[1] += mask[i] != 0;
            c[2] += mask[i] == 0;
            c[3] += fast[i];
        }
        for (int k = 0; k < map.count; k++) {
            const rw_blemish *b = &map.object[k];
            const int *c = count[k + 1];
            printf("%d %d %d %d %d %d %d %d %d %d %d %d", index, n, b->area, c[0], c[1], c[2], c[3],
                   b->x0, b->y0, w, h, r->group);
            for (int f = 0; f < BLEMISH_FEATURES; f++)
                printf(" %.4g", (double)b->feature[f]);
            printf("\n");
        }
        g_free(count);
        g_free(noise);
        rw_blemish_map_clear(&map);
    }
    printf("#P %d %.0f %s %d %d\n", index, all_dirt, r->name, w, h);
    g_free(mask);
    g_free(fast);
    stage_run_free(&run);
}

static void features(void)
{
    for (size_t i = 0; i < G_N_ELEMENTS(fit_reels); i++) {
        const fit_reel *r = &fit_reels[i];
        g_autofree char *dirt = g_strdup_printf("dirt.rate=%d", r->dirt);
        g_autofree char *grain = g_strdup_printf("grain.rms=%d", r->grain);
        const char *const on[] = {dirt, grain, NULL};
        g_autofree char *path = g_build_filename(FOOTAGE_FOLDER, r->file, NULL);
        const reel_spec spec = {.footage = path,
                                .first = r->first,
                                .count = FIT_FRAMES,
                                .width = r->width,
                                .height = r->width * 3 / 4,
                                .seed = r->seed,
                                .on = on};
        clip in, dirty, truth;
        draw(&truth, &spec, "", NULL);
        draw(&dirty, &spec, "dirt", NULL);
        draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
        print_features((int)i, r, &in, &dirty, &truth);
        clip_clear(&in);
        clip_clear(&dirty);
        clip_clear(&truth);
    }
}

/* ---- */

static bool wanted(const char *part)
{
    return !only || g_str_equal(only, part);
}

int main(int argc, char **argv)
{
    gboolean small = FALSE, print = FALSE, ours = FALSE;
    char *part = NULL, *folder = NULL;
    gint64 seed = 7000;
    const GOptionEntry entries[] = {
        {"quick", 0, 0, G_OPTION_ARG_NONE, &small, "small reels", NULL},
        {"ours", 0, 0, G_OPTION_ARG_NONE, &ours, "without the filters beside", NULL},
        {"part", 0, 0, G_OPTION_ARG_STRING, &part,
         "flicker, blemish, scratch, hair, grain, chain, speed", "NAME"},
        {"pictures", 0, 0, G_OPTION_ARG_FILENAME, &folder, "write triplets: scanned, ours, truth",
         "DIR"},
        {"seed", 0, 0, G_OPTION_ARG_INT64, &seed, "of the damage", "S"},
        {"features", 0, 0, G_OPTION_ARG_NONE, &print, "what blemish_rule.py is fitted on", NULL},
        {NULL, 0, 0, G_OPTION_ARG_NONE, NULL, NULL, NULL}};
    g_autoptr(GOptionContext) context = g_option_context_new(NULL);
    g_option_context_add_main_entries(context, entries, NULL);
    g_autoptr(GError) error = NULL;
    if (!g_option_context_parse(context, &argc, &argv, &error)) {
        g_printerr("%s\n", error->message);
        return 2;
    }
    quick = small;
    alone = ours;
    only = part;
    pictures = folder;
    seed_base = (uint64_t)seed;
    temp = g_dir_make_tmp("quality-restore-XXXXXX", NULL);
    if (folder)
        g_mkdir_with_parents(folder, 0777);
    if (print) {
        features();
    } else {
        if (wanted("flicker"))
            part_flicker();
        if (wanted("blemish"))
            part_blemish();
        if (wanted("scratch"))
            part_scratch();
        if (wanted("hair"))
            part_hair();
        if (wanted("grain"))
            part_grain();
        if (wanted("chain"))
            part_chain();
        if (wanted("speed"))
            part_speed();
    }
    g_autofree char *clean = g_strdup_printf("rm -r '%s'", temp);
    return system(clean) == 0 ? 0 : 1;
}
