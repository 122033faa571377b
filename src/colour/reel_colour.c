/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "colour/reel_colour.h"

static bool all_finite(const float *v, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (!isfinite(v[i]) || fabsf(v[i]) > 64)
            return false;
    return true;
}

static const rw_scene_colour *scenes_of(const rw_reel_colour *reel)
{
    return (const rw_scene_colour *)(const void *)(reel + 1);
}

static const rw_frame_colour *frames_of(const rw_reel_colour *reel)
{
    return (const rw_frame_colour *)(const void *)(scenes_of(reel) + reel->n_scenes);
}

const rw_reel_colour *rw_reel_colour_read(const void *data, size_t bytes)
{
    const rw_reel_colour *reel = data;
    G_STATIC_ASSERT(sizeof *reel % 8 == 0);
    if (bytes < sizeof *reel || (uintptr_t)data % 8 || reel->version != RW_REEL_COLOUR_VERSION ||
        reel->n_scenes < 0 || reel->n_frames < 0 || reel->kind < 0 || reel->kind > RW_REEL_GREY)
        return NULL;
    size_t rest = (size_t)reel->n_scenes * sizeof(rw_scene_colour) +
                  (size_t)reel->n_frames * sizeof(rw_frame_colour);
    bool ok = bytes == sizeof *reel + rest && all_finite(reel->lamp, 3) &&
              all_finite(reel->white, 3) && all_finite(reel->black, 3) &&
              all_finite(&reel->fade[0][0], 12) && all_finite(&reel->fade_evidence, 1) &&
              all_finite(reel->kept, 3) && reel->fade_evidence >= 0 && reel->fade_evidence <= 1;
    for (int32_t i = 0; ok && i < reel->n_scenes; i++)
        ok = all_finite(scenes_of(reel)[i].balance, 3);
    for (int32_t i = 0; ok && i < reel->n_frames; i++)
        ok = all_finite(frames_of(reel)[i].drift, 3);
    return ok ? reel : NULL;
}

const rw_scene_colour *rw_reel_colour_scene(const rw_reel_colour *reel, int64_t n)
{
    const rw_scene_colour *scenes = scenes_of(reel);
    for (int32_t i = 0; i < reel->n_scenes; i++)
        if (n >= scenes[i].first && n <= scenes[i].last)
            return &scenes[i];
    return NULL;
}

const rw_frame_colour *rw_reel_colour_frame(const rw_reel_colour *reel, int64_t n)
{
    return n >= 0 && n < reel->n_frames ? &frames_of(reel)[n] : NULL;
}
