/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * preview.h - one finished frame by itself, quickly and again and again.
 *
 * Calling sequence:
 *     rw_preview *preview = rw_preview_new(256u << 20);
 *     rw_finish_options options = RW_FINISH_DEFAULTS;
 *     options.size = "960x720";
 *     rw_preview_picture picture;
 *     if (rw_preview_make(preview, reel, &options, 120, &picture, &error))
 *         show(picture.rgb);
 *     rw_preview_picture_clear(&picture);
 *     rw_preview_free(&preview);
 *
 * The picture is the one that a finish with the same options makes of that film frame: its R'G'B'
 * of 16 bits, rounded to 8. Registered pictures are kept between calls, so that a choice of look
 * does not read a still again. Facts that a stage needs of its scene are prepared on the first call
 * that needs them and kept in reel.db, as by finish.
 *
 * A preview is used by one thread at a time; it may be another one each time.
 */
#ifndef REELWRIGHT_PREVIEW_H
#define REELWRIGHT_PREVIEW_H

#include <reelwright/finish.h>
#include <reelwright/stage.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct rw_preview_picture {
    uint8_t *rgb; /* 3 bytes a pixel, coded by BT.709, rows of 3 * width */
    int width, height;
    int64_t frames[2]; /* film frames really shown; two when blended */
    int n_frames;
    rw_affine still_to_out; /* stored still px -> px of the picture */
    GArray *spots; /* rw_spot (stage.h): what was repaired, or found and left alone; boxes in px of
                      the picture. NULL: no stage tells of any */
    bool held;     /* shown in place of a frame that is missing or unreadable */
    char *note;    /* one line, or NULL */
} rw_preview_picture;

RW_API void rw_preview_picture_clear(rw_preview_picture *picture);

typedef struct rw_preview rw_preview;

/* memory: bytes for pictures at most, a third of them kept between calls. What is not needed is not
 * taken; a frame that needs more fails with RW_ERROR_MEMORY. */
RW_API rw_preview *rw_preview_new(size_t memory);
RW_API void rw_preview_free(rw_preview **preview);

/* Read of the options: size, only, skip, settings, threads, missing, way_up, mirror, cancel,
 * progress, note, data. n: a film frame; of a doubled one the frame that it repeats is shown. The
 * reel may be another one than in the last call. */
RW_API bool rw_preview_make(rw_preview *preview, rw_reel *reel, const rw_finish_options *options,
                            int64_t n, rw_preview_picture *picture, GError **error);

#ifdef __cplusplus
}
#endif
#endif
