/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trial.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include <glib/gstdio.h>

#include "measure.h"

#define SHOWN_WIDTH  480
#define SHOWN_HEIGHT 400
#define LOOKS        2

static const struct {
    const char *name, *file;
    int first;             /* frame of the footage for short windows */
    int early;             /* and for long ones */
    double look[LOOKS][2]; /* where to look: faces, leaves, hands, the ball; shares of the frame */
} reels[TRIAL_REELS] = {
    {"courtyard", "dog_fetch.mp4", 152, 100, {{0.03, 0.28}, {0.18, 0.42}}},
    {"kitchen", "coffee_pour.mp4", 116, 60, {{0.5, 0.38}, {0.08, 0.0}}},
    {"bedroom", "bedroom_dog_orbit.mp4", 122, 60, {{0.02, 0.15}, {0.62, 0.05}}},
    {"tower", "tos_cuts_a.mp4", 68, 40, {{0.1, 0.12}, {0.2, 0.5}}},
    {"thrown ball", NULL, 0, 0, {{0.02, 0.1}, {0.33, 0.42}}}, /* flies through the courtyard */
};

/* Lossless, at the size of its source. */
static bool write_ball(const char *path, GError **error)
{
    enum { W = 1280, H = 720, COUNT = 60 };
    clip c;
    g_autofree char *file = g_build_filename(FOOTAGE_FOLDER, "dog_fetch.mp4", NULL);
    if (!clip_load(&c, file, 30, COUNT, W, H, error))
        return false;
    clip_throw_ball(&c, 4711);
    g_autofree char *command =
        g_strdup_printf("ffmpeg -v error -y -f rawvideo -pix_fmt rgb24 -s %dx%d -r 18 -i - "
                        "-c:v ffv1 -pix_fmt bgr0 '%s'",
                        W, H, path);
    FILE *pipe = popen(command, "w");
    const size_t bytes = (size_t)W * H * 3 * COUNT;
    const bool ok = pipe && fwrite(c.rgb, 1, bytes, pipe) == bytes;
    if (!ok)
        g_set_error(error, G_FILE_ERROR, G_FILE_ERROR_FAILED,
                    "The ball's footage could not be written to %s.", path);
    if (pipe)
        pclose(pipe);
    clip_clear(&c);
    return ok;
}

/* The page of all triplets, at 1:1, grows as they are made. */
static void add_to_page(const trial *t, const char *picture)
{
    g_autofree char *path = g_build_filename(t->pictures, "index.html", NULL);
    g_autofree char *name = g_path_get_basename(picture);
    FILE *page = fopen(path, "a");
    if (!page) {
        g_printerr("%s cannot be written.\n", path);
        return;
    }
    fprintf(page, "<h2>%s</h2><img src=\"%s\" alt=\"\">\n", name, name);
    fclose(page);
}

static void begin_page(const trial *t)
{
    static const char head[] =
        "<!doctype html><meta charset=utf-8><title>Clean-up</title>\n"
        "<style>body{background:#333;color:#ddd;font:16px sans-serif}img{display:block}</style>\n"
        "<p>Crops at 1:1; left as scanned, middle ours, right the truth.</p>\n";
    g_autofree char *path = g_build_filename(t->pictures, "index.html", NULL);
    if (!g_file_set_contents(path, head, -1, NULL))
        g_printerr("%s cannot be written.\n", path);
}

bool trial_open(trial *t, GError **error)
{
    t->temp = g_dir_make_tmp("quality-restore-XXXXXX", error);
    if (!t->temp)
        return false;
    for (int r = 0; r < TRIAL_REELS; r++)
        if (reels[r].file)
            t->footage[r] = g_build_filename(FOOTAGE_FOLDER, reels[r].file, NULL);
    t->footage[TRIAL_BALL] = g_build_filename(t->temp, "ball.mkv", NULL);
    if (t->pictures && g_mkdir_with_parents(t->pictures, 0777) == 0)
        begin_page(t);
    return write_ball(t->footage[TRIAL_BALL], error);
}

void trial_close(trial *t)
{
    g_autofree char *clean = g_strdup_printf("rm -r '%s'", t->temp);
    if (system(clean) != 0)
        g_printerr("%s is still there.\n", t->temp);
    for (int r = 0; r < TRIAL_REELS; r++)
        g_free(t->footage[r]);
    g_free(t->temp);
}

const char *trial_name(int reel)
{
    return reels[reel].name;
}

bool trial_wants(const trial *t, int reel)
{
    return !t->reel || g_str_equal(t->reel, reels[reel].name);
}

reel_spec trial_spec(const trial *t, int reel, int count, trial_window window,
                     const char *const *on)
{
    const int width = t->quick ? 720 : 1440;
    return (reel_spec){.footage = t->footage[reel],
                       .first = window == TRIAL_LONG ? reels[reel].early : reels[reel].first,
                       .count = count,
                       .width = width,
                       .height = width * 3 / 4,
                       .seed = t->seed + (uint64_t)reel,
                       .on = on};
}

void trial_draw(clip *out, const reel_spec *spec, const char *terms, rw_affine *still_to_frame)
{
    GError *error = NULL;
    if (!reel_draw(out, spec, terms, still_to_frame, &error))
        g_error("%s", error->message);
}

bool trial_filter(trial *t, clip *out, const clip *in, const char *filters)
{
    if (t->ours)
        return false;
    g_autofree char *from = g_build_filename(t->temp, "in.rgb", NULL);
    g_autofree char *to = g_build_filename(t->temp, "out.rgb", NULL);
    const size_t bytes = (size_t)in->width * (size_t)in->height * 3 * (size_t)in->count;
    if (!g_file_set_contents(from, (const char *)in->rgb, (gssize)bytes, NULL))
        g_error("No room in %s.", t->temp);
    g_autofree char *command =
        g_strdup_printf("ffmpeg -v error -y -threads %d -filter_threads %d -f rawvideo -pix_fmt "
                        "rgb24 -s %dx%d -r 18 -i '%s' -vf \"%s,format=rgb24\" -f rawvideo "
                        "-pix_fmt rgb24 '%s'",
                        t->threads, t->threads, in->width, in->height, from, filters, to);
    const gint64 start = g_get_monotonic_time();
    const bool ran = system(command) == 0;
    t->filter_seconds = (double)(g_get_monotonic_time() - start) * 1e-6;
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

float trial_difference(const uint8_t *a, const uint8_t *b)
{
    return (float)(0.25 * (a[0] - b[0]) + 0.5 * (a[1] - b[1]) + 0.25 * (a[2] - b[2]));
}

void trial_triplet(const trial *t, const char *what, int reel, const clip *const of[3], int n,
                   int x, int y)
{
    if (!t->pictures)
        return;
    const clip *in = of[0];
    const int w = MIN(SHOWN_WIDTH, in->width), h = MIN(SHOWN_HEIGHT, in->height);
    x = CLAMP(x, 0, in->width - w);
    y = CLAMP(y, 0, in->height - h);
    uint8_t *rgb = g_malloc((gsize)w * (gsize)h * 9);
    for (int k = 0; k < 3; k++)
        for (int r = 0; r < h; r++)
            memcpy(rgb + 3 * ((size_t)r * (size_t)w * 3 + (size_t)k * (size_t)w),
                   clip_frame(of[k], n) + 3 * ((size_t)(y + r) * (size_t)in->width + (size_t)x),
                   (size_t)w * 3);
    g_autofree char *name = g_strdup_printf("%s/%s-%s.png", t->pictures, what, reels[reel].name);
    g_strdelimit(name + strlen(t->pictures), " ", '-');
    save_png(name, rgb, 3 * w, h);
    g_free(rgb);
    add_to_page(t, name);
}

void trial_look(const trial *t, const char *what, int reel, const clip *in, const clip *out,
                const clip *truth)
{
    for (int k = 0; k < LOOKS; k++) {
        g_autofree char *name = g_strdup_printf("%s-%d", what, k + 1);
        trial_triplet(t, name, reel, (const clip *const[3]){in, out, truth}, in->count / 2,
                      (int)(reels[reel].look[k][0] * in->width),
                      (int)(reels[reel].look[k][1] * in->height));
    }
}

void trial_dirt(const clip *dirty, const clip *truth, const float sigma[256], int n, uint8_t *mask)
{
    const int w = truth->width, h = truth->height;
    float *d = g_new(float, w *h);
    const uint8_t *a = clip_frame(dirty, n), *b = clip_frame(truth, n);
    for (int i = 0; i < w * h; i++)
        d[i] = fabsf(trial_difference(a + 3 * i, b + 3 * i));
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
