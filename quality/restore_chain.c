/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_chain.c - flicker, dirt and grain together against the clean truth.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "measure.h"
#include "restore/stages.h"
#include "stage_run.h"
#include "trial.h"

#define EDGE                                                                                       \
    2 /* frames at each end that are not scored: they have neighbours on one side alone            \
       */

typedef struct chain_score {
    squares psnr;
    double ssim, frames;
} chain_score;

/* Scales codes so that the frame's mean is the truth's: how light a whole frame is to be is no
 * question of clean-up. One gain per frame, alike for all that are compared. */
static void level_frame(clip *c, const clip *truth, int n)
{
    uint8_t *p = clip_frame(c, n);
    const uint8_t *q = clip_frame(truth, n);
    const size_t samples = (size_t)c->width * (size_t)c->height * 3;
    double own = 0, its = 0;
    for (size_t i = 0; i < samples; i++) {
        own += p[i];
        its += q[i];
    }
    const double gain = its / fmax(own, 1);
    for (size_t i = 0; i < samples; i++)
        p[i] = (uint8_t)CLAMP(p[i] * gain + 0.5, 0.0, 255.0);
}

/* Changes c: its frames are levelled. */
static chain_score score_chain(clip *c, const clip *truth)
{
    chain_score s = {.frames = 0};
    for (int n = EDGE; n < c->count - EDGE; n++) {
        level_frame(c, truth, n);
        squares_add(&s.psnr, c, truth, n, NULL, 0);
        s.ssim += ssim_of(c, truth, n);
        s.frames += 1;
    }
    return s;
}

static void print_chain(const char *reel, const char *who, const chain_score *s)
{
    printf("%-12s %-58s %6.2f  %6.4f\n", reel, who, psnr_of(&s->psnr), s->ssim / s->frames);
    fflush(stdout);
}

static void run_ours(clip *out, const clip *in, int threads, const char *grain)
{
    const char *const settings[] = {grain, NULL};
    g_autofree void *params = stage_params(&rw_stage_grain, settings);
    stage_run *run = stage_run_new(in, NULL, threads);
    stage_run_stage(run, &rw_stage_flicker, NULL, NULL, NULL);
    stage_run_stage(run, &rw_stage_blemish, NULL, NULL, NULL);
    if (!rw_stage_grain.idle(params))
        stage_run_stage(run, &rw_stage_grain, params, NULL, NULL);
    stage_run_to_clip(run, out);
    stage_run_free(&run);
}

static const char *const filters[] = {
    "deflicker=size=5:mode=am,tpad=1:1:1:1,tmedian=radius=1",
    "deflicker=size=5:mode=am,tpad=1:1:1:1,tmedian=radius=1,nlmeans=s=3:p=7:r=15",
    "deflicker=size=10:mode=pm,tpad=1:1:1:1,tmedian=radius=1,nlmeans=s=4:p=7:r=15",
    "deflicker=size=5:mode=am,tpad=1:1:1:1,tmedian=radius=1,hqdn3d",
    "deflicker=size=5:mode=am,removegrain=m0=4:m1=4:m2=4,nlmeans=s=3:p=7:r=15",
    "deflicker=size=5:mode=am,atadenoise=s=9,nlmeans=s=3:p=7:r=15",
    "deflicker=size=5:mode=am,atadenoise=s=9,hqdn3d",
    "deflicker=size=5:mode=am,nlmeans=s=4:p=7:r=15"};

void part_chain(trial *set)
{
    static const char *const on[] = {"dirt.rate=8", "grain.rms=15", "lamp.flicker=2.5",
                                     "lamp.spatial=1.5", NULL};
    static const struct {
        const char *name, *grain;
    } ours[] = {{"ours, grain kept", "amount=keep"},
                {"ours, grain calm", "amount=calm"},
                {"ours, grain quiet", "amount=quiet"}};
    printf("\nThe whole chain: flicker, dirt and grain together against the clean truth. PSNR of "
           "luma, dB, and SSIM, each frame first brought to the truth's mean.\n");
    printf("%-12s %-58s %6s  %6s\n", "reel", "", "PSNR", "SSIM");
    for (int r = 0; r < TRIAL_REELS; r++) {
        if (!trial_wants(set, r))
            continue;
        reel_spec spec = trial_spec(set, r, set->quick ? 12 : 14, TRIAL_SHORT, on);
        clip in, truth, out;
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
        double psnr[2] = {0, 0}, ssim[2] = {0, 0}; /* best of ours, best of the filters */
        for (size_t k = 0; k < G_N_ELEMENTS(ours); k++) {
            run_ours(&out, &in, set->threads, ours[k].grain);
            g_autofree char *what = g_strdup_printf("chain-%s", ours[k].grain + 7);
            trial_look(set, what, r, &in, &out, &truth);
            const chain_score s = score_chain(&out, &truth);
            print_chain(k ? "" : trial_name(r), ours[k].name, &s);
            psnr[0] = fmax(psnr[0], psnr_of(&s.psnr));
            ssim[0] = fmax(ssim[0], s.ssim / s.frames);
            clip_clear(&out);
        }
        for (size_t f = 0; f < G_N_ELEMENTS(filters); f++) {
            g_autofree char *chain = g_strdup_printf("format=yuv444p,%s", filters[f]);
            if (!trial_filter(set, &out, &in, chain))
                continue;
            const chain_score s = score_chain(&out, &truth);
            print_chain("", filters[f], &s);
            psnr[1] = fmax(psnr[1], psnr_of(&s.psnr));
            ssim[1] = fmax(ssim[1], s.ssim / s.frames);
            clip_clear(&out);
        }
        const chain_score before = score_chain(&in, &truth);
        print_chain("", "as registered", &before);
        if (!set->ours)
            printf("%-12s %-58s %+6.2f %+7.4f\n", "", "best of ours over best of the filters",
                   psnr[0] - psnr[1], ssim[0] - ssim[1]);
        clip_clear(&in);
        clip_clear(&truth);
    }
}
