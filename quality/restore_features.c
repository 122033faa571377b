/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_features.c - what the rule for blemishes is fitted on (blemish_rule.py).
 */
#include <math.h>
#include <stdio.h>

#include "measure.h"
#include "restore/blemish.h"
#include "restore/noise.h"
#include "stage_run.h"
#include "trial.h"

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

static void print_features(const trial *set, int index, const fit_reel *r, const clip *in,
                           const clip *dirty, const clip *truth)
{
    stage_run *run = stage_run_new(in, NULL, set->threads);
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
        trial_dirt(dirty, truth, sigma, n, mask);
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

void part_features(trial *set)
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
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&dirty, &spec, "dirt", NULL);
        trial_draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
        print_features(set, (int)i, r, &in, &dirty, &truth);
        clip_clear(&in);
        clip_clear(&dirty);
        clip_clear(&truth);
    }
}
