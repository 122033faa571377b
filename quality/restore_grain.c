/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_grain.c - grain quieted, beside nlmeans and its like.
 */
#include <math.h>
#include <stdio.h>

#include "measure.h"
#include "restore/stages.h"
#include "stage_run.h"
#include "trial.h"

typedef struct grain_score {
    squares area[4]; /* smooth, textured, fast, all */
    squares colour;
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
        squares_add_colour(&s->colour, a, truth, n);
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
    printf("  %7.4f %8.2f", s->ssim / s->frames, psnr_of(&s->colour));
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

void part_grain(trial *set)
{
    printf("\nGrain: PSNR, dB, and SSIM of luma. Target: 1 dB over the best nlmeans on texture, "
           "not below "
           "it on smooth ground and in fast areas.\n");
    printf("%-12s %-18s %8s %8s %8s %8s  %7s %8s  %6s\n", "reel", "", "smooth", "texture", "fast",
           "all", "SSIM", "colour", "fps");
    const int count = set->quick ? 9 : 10;
    for (int r = 0; r < TRIAL_REELS; r++) {
        if (!trial_wants(set, r))
            continue;
        static const char *const on[] = {"grain.rms=18", NULL};
        reel_spec spec = trial_spec(set, r, count, TRIAL_SHORT, on);
        clip in, truth, out;
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&in, &spec, "grain noise", NULL);
        grain_score noisy = {0}, ours = {0}, best = {0};
        score_grain(&noisy, &in, &truth);
        print_grain(trial_name(r), "grainy", &noisy);
        const char *const settings[] = {"amount=quiet", NULL};
        g_autofree void *params = stage_params(&rw_stage_grain, settings);
        stage_run *run = stage_run_new(&in, NULL, set->threads);
        stage_run_stage(run, &rw_stage_grain, params, NULL, NULL);
        stage_run_to_clip(run, &out);
        const stage_times t = stage_run_times(run);
        stage_run_free(&run);
        score_grain(&ours, &out, &truth);
        ours.seconds = t.motion + t.frame;
        print_grain("", "ours, quiet", &ours);
        trial_look(set, "grain", r, &in, &out, &truth);
        double top[5] = {0};
        for (size_t f = 0; f < G_N_ELEMENTS(quieters); f++) {
            clip c;
            if (quieters[f].slow && !set->quick)
                continue; /* bm3d does not finish at the full size in reasonable time */
            g_autofree char *chain = g_strdup_printf("format=gbrp,%s", quieters[f].filter);
            if (!trial_filter(set, &c, &in, chain))
                continue;
            grain_score s = {.seconds = set->filter_seconds};
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
