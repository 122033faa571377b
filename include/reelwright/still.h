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
    ptrdiff_t stride;            /* bytes */
    int bits;                    /* 8 or 16 */
    int channels;                /* 1 or 3 (R, G, B) */
    int eighths;                 /* decoded at eighths/8 of the stored size */
    int full_width, full_height; /* as stored */
    bool damaged;                /* survivable fault; the message is in fault */
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
RW_API bool rw_decoder_decode(rw_decoder *decoder, const char *path, int eighths, rw_pixels *pixels,
                              GError **error);
/* The embedded ICC profile of the last decoded still, or NULL. Owned by the decoder. */
RW_API const void *rw_decoder_profile(const rw_decoder *decoder, size_t *bytes);

/* ---- colour profiles ---- by LittleCMS 2; a profile belongs to one thread */

typedef struct rw_profile rw_profile;
/* An ICC profile of red, green and blue, or RW_ERROR_DAMAGED. data is not needed afterwards. */
RW_API rw_profile *rw_profile_new(const void *data, size_t bytes, GError **error);
RW_API void rw_profile_free(rw_profile **profile);
/* Says the same as no profile at all, to a third of an 8-bit step. */
RW_API bool rw_profile_is_srgb(const rw_profile *profile);
/* One curve and a matrix: light for each code of 8 or 16 bits, and what turns that light into light
 * of BT.709 primaries (D65). False when the profile is not of that kind. */
RW_API bool rw_profile_shape(const rw_profile *profile, int bits, float *table, float matrix[3][3]);
/* Any other kind: all pixels as 16-bit sRGB, three samples a pixel without gaps; what lies outside
 * is clipped. */
RW_API bool rw_profile_to_srgb(rw_profile *profile, const rw_pixels *from, uint16_t *to,
                               GError **error);

/* ---- capture order ----
 * The camera's counter is believed before its clock: names by DCF (JEITA CP-3461: folders 100-999
 * and five characters, files four characters and 0001-9999), then the clock as a cross-check.
 *   - A counter that rolls from 9999 to 0001 goes on in the next folder, or, with some cameras, in
 *     the same one: there the times decide where the folder's first file is; without times, only a
 *     folder that holds both 9999 and 0001 and a hole between is taken as rolled over.
 *   - Folders of one card go by number. Several cards go by time; where a still has none, by the
 *     counter running on from one card to the next; else as given.
 *   - Names that are not DCF go by natural order (img2 before img10); if more than a tenth of the
 *     steps contradict the clock, the clock orders them.
 * Pure: the same set of shots in any order gives the same answer. */

typedef struct rw_shot {
    const char *path; /* with the card's folder, '/' between; not owned */
    int card;         /* which of the cards, in the order they were given */
    bool has_time, has_subsec;
    int64_t time_us;
    bool no_picture; /* a number that the camera used for something else (raw, film, sound): it has
                        no place in the order, but it is no gap either */
} rw_shot;

typedef enum rw_order_kind {
    RW_ORDER_GAP,        /* amount numbers are missing before this place */
    RW_ORDER_CLOCK_BACK, /* names and clock disagree: the time is amount microseconds earlier than
                            that of the shot before */
    RW_ORDER_ROLLED,     /* the counter started again here; amount 1: decided without times */
    RW_ORDER_BY_CLOCK,   /* from here, amount shots are ordered by the clock against their names */
    RW_ORDER_AS_GIVEN /* a new card from here; nothing but the order given tells that it is next */
} rw_order_kind;

typedef struct rw_order_note {
    rw_order_kind kind;
    size_t place;
    int64_t amount;
} rw_order_note;

typedef struct rw_order {
    size_t count;  /* of shots that have a place */
    size_t *shots; /* shots[place] is an index into what was given */
    size_t n_notes;
    rw_order_note *notes; /* by place */
    double confidence;    /* 1: names and clock agree everywhere. 0.9: some have no time. 0.8: none
                             has. 0.7: they disagree somewhere. 0.5: neither counter nor clock, or
                             something had to be guessed. Our own scale. */
} rw_order;

RW_API rw_order *rw_order_shots(const rw_shot *shots, size_t count);
RW_API void rw_order_free(rw_order **order);

/* *folder from the name of the file's folder, *number from its own; -1 each when it is not DCF.
 * Lower case counts as upper: mounted cards are shown either way. */
RW_API void rw_dcf_parse(const char *path, int *folder, int *number);
/* Like strcmp; runs of digits compare as numbers, letters without case; equal only if identical. */
RW_API int rw_natural_compare(const char *a, const char *b);

/* ---- is it all there? ---- */

/* Walks the file's structure without decoding it: a JPEG's markers to its end marker, a PNG's
 * chunks with their checksums, a TIFF's strips against the file's length. True when that could be
 * done; fault is then "" for a whole file or says in a few words what is wrong. False with the
 * error set when the file cannot be read or is no still. */
RW_API bool rw_still_check(const char *path, char fault[160], GError **error);

#ifdef __cplusplus
}
#endif
#endif
