/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * preview.h - finished frames as JPEG for the page. Any thread; a few are made at once.
 */
#ifndef RW_BENCH_PREVIEW_H
#define RW_BENCH_PREVIEW_H

#include <reelwright/statistics.h>

#include "bench/shelf.h"

typedef struct rw_frames rw_frames;

rw_frames *rw_frames_new(rw_shelf *shelf, size_t memory);
void rw_frames_free(rw_frames **frames);

typedef struct rw_frame_wish {
    const char *reel;
    int64_t n;
    const char *size;
    const char *const *only; /* NULL-ended stage names, or NULL */
    const char *const *skip;
    const char *const *settings; /* "stage.key=value", over what reel.db says */
    int quality;                 /* of the JPEG */
    const char *page;            /* who asks, or NULL: what this page asked for before is given up,
                                  * RW_ERROR_CANCELLED */
} rw_frame_wish;

/* The same frame's statistics instead of its picture. */
bool rw_frames_measure(rw_frames *frames, const rw_frame_wish *wish, rw_statistics *statistics,
                       GError **error);
GBytes *rw_frames_make(rw_frames *frames, const rw_frame_wish *wish, GError **error);
/* What was repaired on the frame, or found and left alone: GArray of rw_spot (stage.h), boxes in px
 * of a picture of wish->size. g_array_unref. */
GArray *rw_frames_spots(rw_frames *frames, const rw_frame_wish *wish, GError **error);

#endif
