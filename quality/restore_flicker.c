/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_flicker.c - what is left of flicker.
 */
#include <math.h>
#include <stdio.h>

#include "restore/stages.h"
#include "stage_run.h"
#include "trial.h"

#define GRID_X 6
#define GRID_Y 4

/* Linear light of a clip's frames, luma. */
typedef struct lights {
    int width, height, count;
    float *at;
} lights;

static void alloc_lights(lights *l, int width, int height, int count)
{
    *l = (lights){width, height, count, g_new(float, (size_t)width *(size_t)height *(size_t)count)};
}

static void lights_of_clip(lights *l, const clip *c)
{
    double table[256];
    for (int i = 0; i < 256; i++) {
        const double v = i / 255.0;
        table[i] = v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
    }
    alloc_lights(l, c->width, c->height, c->count);
    const size_t all = (size_t)c->width * (size_t)c->height * (size_t)c->count;
    const uint8_t *p = c->rgb;
    for (size_t i = 0; i < all; i++, p += 3)
        l->at[i] = (float)(0.25 * table[p[0]] + 0.5 * table[p[1]] + 0.25 * table[p[2]]);
}

/* As the stage leaves them. In a clip they would be rounded to 8 bits, without the dither that
 * finish has: in the dark, where the grain is finer than a code, a small gain is rounded away. */
static void lights_of_run(lights *l, const stage_run *run, int count)
{
    const int w = stage_run_frame(run, 0)->width, h = stage_run_frame(run, 0)->height;
    alloc_lights(l, w, h, count);
    float *to = l->at;
    for (int n = 0; n < count; n++) {
        const rw_frame *f = stage_run_frame(run, n);
        for (int y = 0; y < h; y++)
            for (int x = 0; x < w; x++) {
                const ptrdiff_t i = y * f->stride + x;
                *to++ = 0.25f * f->plane[0][i] + 0.5f * f->plane[1][i] + 0.25f * f->plane[2][i];
            }
    }
}

/* rms of what is left of flicker, % of light: step from frame to frame of the log ratio to the
 * truth, over root 2; over the frame, and over the cells of a 6 x 4 grid. */
static void flicker_left(const lights *a, const lights *truth, double left[2])
{
    enum { CELLS = GRID_X * GRID_Y };
    double *ratio = g_new0(double, (CELLS + 1) * a->count), step[2] = {0, 0};
    const float *p = a->at, *q = truth->at;
    for (int n = 0; n < a->count; n++) {
        double sa[CELLS + 1] = {0}, st[CELLS + 1] = {0};
        for (int y = 0; y < a->height; y++)
            for (int x = 0; x < a->width; x++, p++, q++) {
                if (*p > 0.9f || *q > 0.9f)
                    continue; /* the still may have clipped */
                const int cell = y * GRID_Y / a->height * GRID_X + x * GRID_X / a->width;
                sa[cell] += (double)*p;
                st[cell] += (double)*q;
                sa[CELLS] += (double)*p;
                st[CELLS] += (double)*q;
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

static void left_of_clip(const clip *c, const lights *truth, double left[2])
{
    lights l;
    lights_of_clip(&l, c);
    flicker_left(&l, truth, left);
    g_free(l.at);
}

/* left[0] as the stage leaves it, left[1] the same rounded to 8 bits. light NULL: by the picture
 * alone. */
static void left_by_stage(const trial *set, const clip *in, const lights *truth,
                          const double *light, double left[2][2])
{
    clip rounded;
    lights l;
    stage_run *run = stage_run_new(in, NULL, set->threads);
    stage_run_light(run, light);
    stage_run_stage(run, &rw_stage_flicker, NULL, NULL, NULL);
    lights_of_run(&l, run, in->count);
    flicker_left(&l, truth, left[0]);
    g_free(l.at);
    stage_run_to_clip(run, &rounded);
    stage_run_free(&run);
    left_of_clip(&rounded, truth, left[1]);
    clip_clear(&rounded);
}

void part_flicker(trial *set)
{
    static const char *const on[] = {"lamp.flicker=2.5", "lamp.spatial=1.5", "grain.rms=15", NULL};
    printf("\nFlicker left, %% of light: whole frame / 6 x 4 cells. Targets 0.4 / 0.8.\n");
    printf("%-12s %13s %13s %13s %13s %13s   %s\n", "reel", "in", "ours", "rounded",
           "by clear light", "rounded", "best deflicker of 12 settings");
    for (int r = 0; r < TRIAL_REELS; r++) {
        if (!trial_wants(set, r))
            continue;
        reel_spec spec = trial_spec(set, r, r == TRIAL_BALL ? 40 : 48, TRIAL_LONG, on);
        spec.width = 720; /* light is light at any size */
        spec.height = 540;
        clip in, clean;
        lights truth;
        trial_draw(&clean, &spec, "", NULL);
        lights_of_clip(&truth, &clean);
        clip_clear(&clean);
        trial_draw(&in, &spec, "lamp shutter grain noise", NULL);
        double *light = g_new(double, spec.count);
        GError *error = NULL;
        if (!reel_clear_light(light, &spec, "lamp shutter grain noise", &error))
            g_error("%s", error->message);
        double as_scanned[2], ours[2][2], lit[2][2], best[2] = {1e9, 1e9};
        left_of_clip(&in, &truth, as_scanned);
        left_by_stage(set, &in, &truth, NULL, ours);
        left_by_stage(set, &in, &truth, light, lit);
        g_free(light);
        char best_name[64] = "";
        static const char *const modes[] = {"am", "gm", "pm", "median"};
        static const int sizes[] = {5, 10, 20};
        for (int k = 0; k < 12; k++) {
            g_autofree char *f = g_strdup_printf("format=yuv444p,deflicker=size=%d:mode=%s",
                                                 sizes[k / 4], modes[k % 4]);
            clip c;
            double e[2];
            if (!trial_filter(set, &c, &in, f))
                continue;
            left_of_clip(&c, &truth, e);
            clip_clear(&c);
            if (e[0] < best[0]) {
                best[0] = e[0];
                best[1] = e[1];
                g_snprintf(best_name, sizeof best_name, "size %d %s", sizes[k / 4], modes[k % 4]);
            }
        }
        printf("%-12s %5.2f / %5.2f", trial_name(r), as_scanned[0], as_scanned[1]);
        for (int k = 0; k < 2; k++)
            printf(" %5.2f / %5.2f", ours[k][0], ours[k][1]);
        for (int k = 0; k < 2; k++)
            printf(" %5.2f / %5.2f", lit[k][0], lit[k][1]);
        if (best_name[0])
            printf("   %5.2f / %5.2f  (%s)", best[0], best[1], best_name);
        printf("\n");
        fflush(stdout);
        clip_clear(&in);
        g_free(truth.at);
    }
}
