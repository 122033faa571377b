/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_blemish.c - dirt found, and what was touched that is none.
 */
#include <math.h>
#include <stdio.h>

#include "measure.h"
#include "restore/stages.h"
#include "stage_run.h"
#include "trial.h"

typedef struct blemish_score {
    double dirt, hit, clean, false_clean, fast_clean, false_fast, false_objects, frames;
    double large_false;         /* false repairs of more than 100 px */
    squares inside[2], outside; /* before, after; what was done outside dirt in fast areas */
    squares repaired;           /* after, of dirt that was repaired: replaced whole */
} blemish_score;

#define WHOLE 255 /* a pixel that was replaced whole: not the run-out of a patch */

/* Luma grain rms over the truth's luma code, from a drawing with grain alone. */
static void grain_curve(const clip *grainy, const clip *truth, float sigma[256])
{
    double sum[256] = {0}, count[256] = {0};
    for (int n = 0; n < truth->count; n += 4) {
        const uint8_t *a = clip_frame(grainy, n), *b = clip_frame(truth, n);
        for (int i = 0; i < truth->width * truth->height; i++) {
            const uint8_t *q = b + 3 * i;
            const double e = (double)trial_difference(a + 3 * i, q);
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
                const double e = (double)trial_difference(b, a);
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

void part_blemish(trial *set)
{
    static const char *const on[] = {"dirt.rate=12", "grain.rms=15", NULL};
    static const char *const off[] = {"scratches=off", "hairs=off", NULL};
    g_autofree void *dirt_only = stage_params(&rw_stage_blemish, off);
    const int count = set->quick ? 12 : 14;
    printf("\nBlemishes with contrast over 3 sigma of grain. Targets: recall 0.85 at 1e-4, 1.5e-4 "
           "in fast "
           "areas, 1 false object a frame, 25 dB inside what was repaired, 50 dB outside in fast "
           "areas.\n");
    printf("%-12s %-26s %6s  %8s %8s  %6s  %13s  %8s  %6s\n", "reel", "", "recall", "false",
           "in fast", "obj/fr", "all dirt, dB", "repaired", "outside");
    blemish_score total = {0};
    for (int r = 0; r < TRIAL_REELS; r++) {
        if (!trial_wants(set, r))
            continue;
        reel_spec spec = trial_spec(set, r, count, TRIAL_SHORT, on);
        clip in, truth, dirty, grainy, out;
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&dirty, &spec, "dirt", NULL);
        trial_draw(&grainy, &spec, "grain noise", NULL);
        trial_draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
        float sigma[256];
        grain_curve(&grainy, &truth, sigma);
        const size_t pixels = (size_t)in.width * (size_t)in.height;
        uint8_t **touched;
        GArray **spots;
        told_new(&touched, &spots, count, pixels);
        stage_run *run = stage_run_new(&in, NULL, set->threads);
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
            trial_dirt(&dirty, &truth, sigma, n, mask);
            fast_area(&truth, n, fast);
            score_blemishes(&ours, &in, &out, &truth, touched[n], spots[n], mask, fast, n);
            score_blemishes(&total, &in, &out, &truth, touched[n], spots[n], mask, fast, n);
        }
        print_blemishes(trial_name(r), "ours", &ours, true);
        for (size_t f = 0; f < G_N_ELEMENTS(filters); f++) {
            clip c;
            g_autofree char *chain = g_strdup_printf("format=gbrp,%s", filters[f]);
            if (!trial_filter(set, &c, &in, chain))
                continue;
            for (int n = 2; n < count - 2; n++) {
                trial_dirt(&dirty, &truth, sigma, n, mask);
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
        trial_triplet(set, "blemish", r, (const clip *const[3]){&in, &out, &truth}, count / 2, px,
                      py);
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
    for (int r = 0; r < TRIAL_REELS; r++) {
        if (!trial_wants(set, r))
            continue;
        static const char *const still[] = {"grain.rms=15", NULL};
        reel_spec spec = trial_spec(set, r, count, TRIAL_SHORT, still);
        spec.seed += 100;
        clip in, truth;
        trial_draw(&truth, &spec, "", NULL);
        trial_draw(&in, &spec, "grain noise lamp shutter", NULL);
        const size_t pixels = (size_t)in.width * (size_t)in.height;
        uint8_t **touched;
        GArray **spots;
        told_new(&touched, &spots, count, pixels);
        stage_run *run = stage_run_new(&in, NULL, set->threads);
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
            trial_name(r), area / ((double)pixels * (count - 4)), objects / (count - 4), large,
            largest);
        fflush(stdout);
        told_free(touched, spots, count);
        clip_clear(&in);
        clip_clear(&truth);
    }
}
