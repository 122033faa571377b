/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_chain.c - flicker, dirt and grain together against the clean truth.
 */
#include <math.h>
#include <stdio.h>

#include "measure.h"
#include "restore/stages.h"
#include "stage_run.h"
#include "trial.h"

void part_chain(trial *set)
{
    static const char *const on[] = {"dirt.rate=8", "grain.rms=15", "lamp.flicker=2.5",
                                     "lamp.spatial=1.5", NULL};
    static const char *const filters[] = {
        "deflicker=size=5:mode=am,tpad=1:1:1:1,tmedian=radius=1,nlmeans=s=3:p=7:r=15",
        "deflicker=size=10:mode=pm,tpad=1:1:1:1,tmedian=radius=1,nlmeans=s=4:p=7:r=15",
        "deflicker=size=5:mode=am,tpad=1:1:1:1,tmedian=radius=1,hqdn3d",
        "deflicker=size=5:mode=am,atadenoise=s=9,nlmeans=s=3:p=7:r=15",
        "deflicker=size=5:mode=am,nlmeans=s=4:p=7:r=15"};
    const int count = set->quick ? 12 : 14;
    printf("\nThe whole chain: flicker, dirt and grain together. PSNR, dB; SSIM; after the mean "
           "light of each "
           "frame was set to the truth's, so that flicker's slow part does not decide.\n");
    printf("%-12s %-34s %8s %8s\n", "reel", "", "PSNR", "SSIM");
    for (int r = 0; r < TRIAL_REELS; r++) {
        if (!trial_wants(set, r))
            continue;
        reel_spec spec = trial_spec(set, r, count, TRIAL_SHORT, on);
        clip in, truth, out;
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
        stage_run *run = stage_run_new(&in, NULL, set->threads);
        const char *const quiet[] = {"amount=quiet", NULL};
        g_autofree void *params = stage_params(&rw_stage_grain, quiet);
        stage_run_stage(run, &rw_stage_flicker, NULL, NULL, NULL);
        stage_run_stage(run, &rw_stage_blemish, NULL, NULL, NULL);
        stage_run_stage(run, &rw_stage_grain, params, NULL, NULL);
        stage_run_to_clip(run, &out);
        stage_run_free(&run);
        trial_look(set, "chain", r, &in, &out, &truth);
        clip shown[7];
        char name[7][35] = {"as scanned", "ours"};
        int n_shown = 2;
        shown[0] = in;
        shown[1] = out;
        for (size_t f = 0; f < G_N_ELEMENTS(filters); f++) {
            g_autofree char *chain = g_strdup_printf("format=yuv444p,%s", filters[f]);
            if (!trial_filter(set, &shown[n_shown], &in, chain))
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
            printf("%-12s %-34s %8.2f %8.4f\n", k ? "" : trial_name(r), name[k], psnr_of(&s),
                   ssim / (count - 4));
            clip_clear(&shown[k]);
        }
        fflush(stdout);
        clip_clear(&truth);
    }
}
