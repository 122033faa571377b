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

void part_flicker(trial *set)
{
    static const char *const on[] = {"lamp.flicker=2.5", "lamp.spatial=1.5", "grain.rms=15", NULL};
    printf("\nFlicker left, %% of light: whole frame / 6 x 4 cells. Targets 0.4 / 0.8.\n");
    printf("%-12s %13s %13s %13s   %s\n", "reel", "in", "ours", "by clear light",
           "best deflicker of 12 settings");
    for (int r = 0; r < TRIAL_REELS; r++) {
        if (!trial_wants(set, r))
            continue;
        reel_spec spec = trial_spec(set, r, r == TRIAL_BALL ? 40 : 48, TRIAL_LONG, on);
        spec.width = 720; /* light is light at any size */
        spec.height = 540;
        clip in, truth, out;
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&in, &spec, "lamp shutter grain noise", NULL);
        double *light = g_new(double, spec.count), lit[2];
        GError *error = NULL;
        if (!reel_clear_light(light, &spec, "lamp shutter grain noise", &error))
            g_error("%s", error->message);
        for (int k = 0; k < 2; k++) { /* by the picture alone, with the clear light */
            stage_run *run = stage_run_new(&in, NULL, set->threads);
            stage_run_light(run, k ? light : NULL);
            stage_run_stage(run, &rw_stage_flicker, NULL, NULL, NULL);
            if (k)
                clip_clear(&out);
            stage_run_to_clip(run, &out);
            stage_run_free(&run);
            if (!k)
                flicker_left(&out, &truth, lit);
        }
        g_free(light);
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
            if (!trial_filter(set, &c, &in, f))
                continue;
            flicker_left(&c, &truth, e);
            clip_clear(&c);
            if (e[0] < best[0]) {
                best[0] = e[0];
                best[1] = e[1];
                g_snprintf(best_name, sizeof best_name, "size %d %s", sizes[k / 4], modes[k % 4]);
            }
        }
        printf("%-12s %5.2f / %5.2f %5.2f / %5.2f %5.2f / %5.2f", trial_name(r), a[0], a[1], lit[0],
               lit[1], b[0], b[1]);
        if (best_name[0])
            printf("   %5.2f / %5.2f  (%s)", best[0], best[1], best_name);
        printf("\n");
        fflush(stdout);
        clip_clear(&in);
        clip_clear(&out);
        clip_clear(&truth);
    }
}
