/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * pictures.h - stills as JPEG for a page: the small ones that survey left in the cache, and any
 * part of an original at any eighth of its size.
 *
 * Originals that were decoded last are kept, within a budget of bytes, since a person who looks at
 * a detail moves about. Any thread.
 */
#ifndef RW_BENCH_PICTURES_H
#define RW_BENCH_PICTURES_H

#include <reelwright/still.h>

#include "bench/shelf.h"

typedef struct rw_pictures rw_pictures;
rw_pictures *rw_pictures_new(rw_shelf *shelf, size_t budget);
void rw_pictures_free(rw_pictures **pictures);

/* The small picture of a still, about 480 px wide; made from the original when there is none. */
GBytes *rw_pictures_small(rw_pictures *pictures, const char *reel, int64_t still, GError **error);
/* part: of the decoded picture's pixels; cut to it; empty: all of it. */
GBytes *rw_pictures_still(rw_pictures *pictures, const char *reel, int64_t still, int eighths,
                          rw_irect part, GError **error);

/* 8-bit samples, channels 1 or 3, as JPEG; profile (ICC) may be NULL. */
GBytes *rw_jpeg_encode(const uint8_t *data, int width, int height, ptrdiff_t stride, int channels,
                       int quality, const void *profile, size_t profile_bytes, GError **error);

#endif
