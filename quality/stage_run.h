/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * stage_run.h - restoration stages over a clip in memory, as finish would run them.
 *
 *     stage_run *run = stage_run_new(&scanned, still_to_frame, threads);
 *     stage_run_stage(run, rw_stage_find("flicker"), params, NULL);
 *     stage_run_stage(run, rw_stage_find("grain"), params, NULL);
 *     stage_run_to_clip(run, &out);
 *     stage_run_free(&run);
 *
 * The clip is one scene. Motion is estimated once, on the clip as it came, and shared.
 */
#ifndef QUALITY_STAGE_RUN_H
#define QUALITY_STAGE_RUN_H

#include <reelwright/stage.h>

#include "clip.h"

typedef struct stage_run stage_run;

/* Clip frames are sRGB codes; inside they are linear light. still_to_frame may be NULL. */
stage_run *stage_run_new(const clip *scanned, const rw_affine *still_to_frame, int threads);
void stage_run_free(stage_run **run);

typedef struct stage_times {
    double motion, observe, prepare, frame; /* seconds of the clock, all frames */
} stage_times;

/* Replaces the run's frames by what the stage makes of them. params NULL: defaults. masks (may be
 * NULL): per frame width * height bytes, zeroed. spots (may be NULL): per frame a GArray of
 * rw_spot. */
void stage_run_stage(stage_run *run, const rw_stage *stage, const void *params, uint8_t **masks,
                     GArray **spots);
/* A stage's parameters with some set: "grain=quiet"; free with g_free. */
void *stage_params(const rw_stage *stage, const char *const *settings);
/* The clear light of each frame, for stages that ask the survey; not copied. NULL: not known. */
void stage_run_light(stage_run *run, const double *light);
/* Adds the times of all stages so far. */
stage_times stage_run_times(const stage_run *run);
void stage_run_to_clip(const stage_run *run, clip *out);
const rw_frame *stage_run_frame(const stage_run *run, int n);
/* Fields from frame n to n + offset, -2 .. 2; NULL beyond the clip. */
const rw_motion_field *stage_run_field(const stage_run *run, int n, int offset);
rw_pool *stage_run_pool(stage_run *run);
/* Facts of the last stage that prepared some. */
const GByteArray *stage_run_facts(const stage_run *run);

#endif
