/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * clip.h - a clip in memory, as 8-bit R'G'B'.
 */
#ifndef QUALITY_CLIP_H
#define QUALITY_CLIP_H

#include <glib.h>
#include <stdbool.h>
#include <stdint.h>

typedef struct clip {
    int width, height, count;
    uint8_t *rgb; /* count * height * width * 3; g_free */
} clip;

void clip_alloc(clip *c, int width, int height, int count);
/* Decodes with the ffmpeg command; area-reduced to width x height. */
bool clip_load(clip *c, const char *file, int first, int count, int width, int height,
               GError **error);
void clip_clear(clip *c);
uint8_t *clip_frame(const clip *c, int n);
/* A thrown ball, motion-blurred over half the frame time, painted in. */
void clip_throw_ball(clip *c, uint64_t seed);

#endif
