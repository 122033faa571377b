/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * jpeg.h - a camera's JPEG file: baseline, 4:2:2, Exif 2.31 with a thumbnail.
 */
#ifndef RW_DEMO_JPEG_H
#define RW_DEMO_JPEG_H

#include <reelwright/types.h>

typedef struct rw_demo_exif {
    bool has_time;
    int64_t time_ms;  /* local time, since 1970 */
    int digits;       /* of the sub-seconds, 0 .. 3; the rest is cut off, as cameras do */
    int zone_minutes; /* east of UTC */
    double exposure_s, f_number;
    int iso, orientation;
    const char *make, *model, *serial;
} rw_demo_exif;

/* Exif as the body of an APP1 segment, "Exif\0\0" first. thumbnail: a JPEG of at most 40 KiB, or
 * NULL. Free with g_byte_array_unref. */
GByteArray *rw_demo_exif_build(const rw_demo_exif *exif, int width, int height,
                               const void *thumbnail, size_t thumbnail_bytes);

/* pixels: 3 bytes each, rows of 3 * width. Free with g_bytes_unref. */
GBytes *rw_demo_jpeg_encode(const uint8_t *pixels, int width, int height, int quality,
                            const rw_demo_exif *exif);

#endif
