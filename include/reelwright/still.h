/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * still.h - camera files: what they say of themselves, their pixels, their order.
 *
 * Calling sequence:
 *     rw_decoder *decoder = rw_decoder_new();                 // one per thread
 *     rw_pixels pixels;
 *     if (rw_decoder_decode(decoder, path, 4, &pixels, &error))
 *         use(pixels.data);                                   // until the next decode
 *     rw_decoder_free(&decoder);
 *
 * Pixels are always in the order of the stored rows: Exif Orientation is read and reported but not
 * applied, since a camera that looks down at film writes it at random. Originals are opened
 * read-only. A still that is cut short decodes with damaged = true and grey where nothing came.
 */
#ifndef REELWRIGHT_STILL_H
#define REELWRIGHT_STILL_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef enum rw_still_format {
    RW_STILL_UNKNOWN,
    RW_STILL_JPEG,
    RW_STILL_PNG,
    RW_STILL_TIFF
} rw_still_format;

typedef struct rw_still_info {
    rw_still_format format;
    int width, height; /* as stored */
    int bits;          /* per sample, 8 or 16 */
    int channels;      /* 1 or 3 */
    int orientation;   /* Exif 0112: 1..8, 0 when absent. Not applied. */
    bool has_time;     /* Exif DateTimeOriginal present and well formed */
    int64_t time_us;   /* camera's wall clock as microseconds since 1970, no zone */
    bool has_subsec;
    double exposure_s, f_number, focal_mm; /* 0 when absent */
    int iso;                               /* 0 when absent */
    char make[64], model[64], serial[64];  /* "" when absent; UTF-8, control characters removed */
    bool has_profile;                      /* an ICC profile is embedded */
    char exif_fault[128];                  /* "" or why the Exif could not be used (survivable) */
} rw_still_info;

/* Reads headers only. Fails on a file that is no still (RW_ERROR_DAMAGED) or cannot be read. */
RW_API bool rw_still_probe(const char *path, rw_still_info *info, GError **error);

/* "2026-03-14T09:30:03.344" from time_us; free with g_free. */
RW_API char *rw_still_format_time(int64_t time_us);

typedef struct rw_pixels {
    const void *data; /* uint8_t or uint16_t (native order), interleaved; owned by the decoder */
    int width, height;
    ptrdiff_t stride; /* bytes */
    int bits;         /* 8 or 16 */
    int channels;     /* 1 or 3 (R, G, B) */
    int eighths;      /* decoded at eighths/8 of the stored size */
    int full_width, full_height; /* as stored */
    bool damaged;     /* survivable fault; the message is in fault */
    char fault[160];
} rw_pixels;

/* Pixel (xs, ys) of a picture decoded at e eighths lies at ((xs + 0.5) * 8 / e - 0.5, ...) of the
 * stored picture. */
RW_API rw_affine rw_pixels_to_stored(int eighths);

typedef struct rw_decoder rw_decoder;
RW_API rw_decoder *rw_decoder_new(void);
RW_API void rw_decoder_free(rw_decoder **decoder);
/* eighths: 1..8; formats that cannot scale while decoding ignore it and report 8. The pixels stay
 * valid until the next call on this decoder. Not for use by two threads at once. */
RW_API bool rw_decoder_decode(rw_decoder *decoder, const char *path, int eighths,
                              rw_pixels *pixels, GError **error);
/* The embedded ICC profile of the last decoded still, or NULL. Owned by the decoder. */
RW_API const void *rw_decoder_profile(const rw_decoder *decoder, size_t *bytes);

#ifdef __cplusplus
}
#endif
#endif
