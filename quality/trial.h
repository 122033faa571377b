/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * trial.h - what the parts of quality-restore share: reels at fixed seeds, FFmpeg's filters over
 * the same frames, pictures to look at.
 *
 * Every reel is drawn several times, with and without damage (reel_pair.h); the drawing without is
 * the truth. Frames and seeds are none of those that the rule for blemishes was fitted on.
 */
#ifndef QUALITY_TRIAL_H
#define QUALITY_TRIAL_H

#include "reel_pair.h"

#define TRIAL_REELS 5
#define TRIAL_BALL  4 /* the reel with the thrown ball */

/* How a run was asked for. */
typedef struct trial {
    bool quick, ours; /* small reels; without the filters beside */
    int threads;
    uint64_t seed;
    const char *reel;     /* name; NULL all */
    const char *pictures; /* folder for pictures; NULL none */
    char *temp;           /* folder of its own */
    char *footage[TRIAL_REELS];
    double filter_seconds; /* that the last filter took */
} trial;

typedef enum trial_window {
    TRIAL_SHORT, /* few frames, none seen by the rule */
    TRIAL_LONG,  /* without a cut */
} trial_window;

bool trial_open(trial *t, GError **error);
void trial_close(trial *t);

const char *trial_name(int reel);
/* False for a reel that was not asked for. */
bool trial_wants(const trial *t, int reel);
reel_spec trial_spec(const trial *t, int reel, int count, trial_window window,
                     const char *const *on);
/* As reel_draw, but what goes wrong ends the program. */
void trial_draw(clip *out, const reel_spec *spec, const char *terms, rw_affine *still_to_frame);
/* A chain of FFmpeg's filters over the clip; false when it did not run. */
bool trial_filter(trial *t, clip *out, const clip *in, const char *filters);

/* Difference of luma codes of two pixels. */
float trial_difference(const uint8_t *a, const uint8_t *b);
/* Per pixel of frame n: 1 dirt beyond 3 sigma of grain (by luma code), 2 dirt or its fringe, 0
 * clean. */
void trial_dirt(const clip *dirty, const clip *truth, const float sigma[256], int n, uint8_t *mask);

/* As scanned, ours and the truth beside each other at 1:1, into the folder for pictures and onto
 * its page, index.html. */
void trial_triplet(const trial *t, const char *what, int reel, const clip *const of[3], int n,
                   int x, int y);
/* The same at the places that are worth a look on that reel. */
void trial_look(const trial *t, const char *what, int reel, const clip *in, const clip *out,
                const clip *truth);

void part_flicker(trial *t);
void part_blemish(trial *t);
void part_scratch(trial *t);
void part_hair(trial *t);
void part_grain(trial *t);
void part_chain(trial *t);
void part_speed(trial *t);
/* What blemish_rule.py is fitted on, printed. */
void part_features(trial *t);

#endif
