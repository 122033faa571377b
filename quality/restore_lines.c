/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_lines.c - scratches and gate hairs.
 */
#include <math.h>
#include <stdio.h>

#include "measure.h"
#include "restore/scratch.h"
#include "restore/stages.h"
#include "stage_run.h"
#include "trial.h"

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
            diff[i] = fabsf(trial_difference(a + 3 * i, b + 3 * i));
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
            if (rows <= h / 10 && g_getenv("SHOW_FALSE"))
                printf("  false: frame %d, track %d, at %.1f of %d px, tilt %.1f, width %.1f, %s\n",
                       n, l->track, (double)l->x * w, w, (double)l->tilt * w, (double)l->width * w,
                       l->sign > 0 ? "light" : "dark");
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

void part_scratch(trial *set)
{
    static const char *const on[] = {"scratch.count=4", "grain.rms=15", NULL};
    printf("\nScratches. Targets: 90 %% of the length, 1 false line per 100 frames.\n");
    printf("%-12s %7s %12s %12s   %s\n", "reel", "found", "false/100", "false/100", "inside, dB");
    printf("%-12s %7s %12s %12s\n", "", "", "scratched", "undamaged");
    double total[4] = {0}, undamaged = 0, frames = 0;
    for (int r = 0; r < TRIAL_REELS - 1; r++) {
        if (!trial_wants(set, r))
            continue;
        const int count = 40;
        reel_spec spec = trial_spec(set, r, count, TRIAL_LONG, on);
        spec.width = set->quick ? 720 : 960;
        spec.height = spec.width * 3 / 4;
        clip in, truth, scratched, out, clean;
        rw_affine *map = g_new(rw_affine, count);
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&scratched, &spec, "scratch", NULL);
        trial_draw(&in, &spec, "grain noise lamp shutter scratch", map);
        trial_draw(&clean, &spec, "grain noise lamp shutter", NULL);
        const char *const settings[] = {"dirt=off", "hairs=off", NULL};
        g_autofree void *params = stage_params(&rw_stage_blemish, settings);
        stage_run *run = stage_run_new(&in, map, set->threads);
        stage_run_stage(run, &rw_stage_blemish, params, NULL, NULL);
        stage_run_to_clip(run, &out);
        double s[4] = {0}, u[4] = {0};
        GArray *lines = lines_of(stage_run_facts(run));
        score_scratches(&scratched, &truth, lines, &s[0], &s[1], &s[2], &s[3]);
        g_array_unref(lines);
        stage_run_free(&run);
        run = stage_run_new(&clean, map, set->threads);
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
                mask[i] = fabsf(trial_difference(a + 3 * i, b + 3 * i)) > 6.0f;
            squares_add(&before, &in, &truth, n, mask, 1);
            squares_add(&after, &out, &truth, n, mask, 1);
        }
        printf("%-12s %7.3f %12.1f %12.1f   %5.1f > %5.1f\n", trial_name(r), s[1] / fmax(s[0], 1),
               100 * s[3] / count, 100 * u[3] / count, psnr_of(&before), psnr_of(&after));
        fflush(stdout);
        trial_look(set, "scratch", r, &in, &out, &truth);
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

void part_hair(trial *set)
{
    static const char *const on[] = {"hair.count=2", "hair.first=4", "hair.last=36", "grain.rms=15",
                                     NULL};
    printf("\nGate hairs: pixels under them, before and after.\n");
    printf("%-12s %8s %10s  %s\n", "reel", "covered", "also, px/fr", "inside, dB");
    for (int r = 0; r < TRIAL_REELS - 1; r++) {
        if (!trial_wants(set, r))
            continue;
        const int count = 40;
        reel_spec spec = trial_spec(set, r, count, TRIAL_LONG, on);
        spec.width = set->quick ? 720 : 960;
        spec.height = spec.width * 3 / 4;
        clip in, truth, hairy, out;
        rw_affine *map = g_new(rw_affine, count);
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&hairy, &spec, "hair", NULL);
        trial_draw(&in, &spec, "grain noise lamp shutter hair", map);
        const size_t pixels = (size_t)in.width * (size_t)in.height;
        uint8_t **touched = g_new(uint8_t *, count);
        for (int n = 0; n < count; n++)
            touched[n] = g_malloc0(pixels);
        const char *const settings[] = {"dirt=off", "scratches=off", NULL};
        g_autofree void *params = stage_params(&rw_stage_blemish, settings);
        stage_run *run = stage_run_new(&in, map, set->threads);
        stage_run_stage(run, &rw_stage_blemish, params, touched, NULL);
        stage_run_to_clip(run, &out);
        stage_run_free(&run);
        squares before = {0}, after = {0};
        double all = 0, hit = 0, also = 0;
        uint8_t *mask = g_malloc(pixels);
        int at[2] = {0, 0}; /* of the picture: where a hair begins */
        for (int n = 0; n < count; n++) {
            const uint8_t *a = clip_frame(&hairy, n), *b = clip_frame(&truth, n);
            for (size_t i = 0; i < pixels; i++) {
                mask[i] = fabsf(trial_difference(a + 3 * i, b + 3 * i)) > 12.0f;
                if (n == count / 2 && mask[i] && at[0] == 0) {
                    at[0] = (int)(i % (size_t)in.width) - 150;
                    at[1] = (int)(i / (size_t)in.width) - 100;
                }
                all += mask[i];
                hit += mask[i] && touched[n][i];
                also += !mask[i] && touched[n][i];
            }
            squares_add(&before, &in, &truth, n, mask, 1);
            squares_add(&after, &out, &truth, n, mask, 1);
            g_free(touched[n]);
        }
        printf("%-12s %8.3f %10.0f   %5.1f > %5.1f\n", trial_name(r), hit / fmax(all, 1),
               also / count, psnr_of(&before), psnr_of(&after));
        fflush(stdout);
        trial_triplet(set, "hair", r, (const clip *const[3]){&in, &out, &truth}, count / 2, at[0],
                      at[1]);
        g_free(touched);
        g_free(mask);
        g_free(map);
        clip_clear(&in);
        clip_clear(&truth);
        clip_clear(&hairy);
        clip_clear(&out);
    }
}
