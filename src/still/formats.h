/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * formats.h - what each still format offers to probe and decode; inside src/still only.
 *
 * A format's probe fills in the info from headers. Its decode makes pixels from a file that is
 * wholly in memory. What can be survived (bad Exif, a short scan) is written into the info or the
 * pixels; what cannot is the error.
 */
#ifndef RW_STILL_FORMATS_H
#define RW_STILL_FORMATS_H

#include "still/source.h"

/* Wider or larger than any camera makes; keeps a lying header from asking for the whole memory. */
#define RW_STILL_MAX_SIDE   65535
#define RW_STILL_MAX_PIXELS (400 * 1000 * 1000)
#define RW_STILL_MAX_FILE   (INT64_C(4) << 30)

struct rw_decoder {
    uint8_t *file; /* the whole camera file */
    size_t file_room;
    uint8_t *pixels;
    size_t pixels_room;
    uint8_t *scratch; /* one strip or tile */
    size_t scratch_room;
    void *profile;
    size_t profile_bytes;
};

/* Grows *memory to at least bytes, its contents lost; false with RW_ERROR_MEMORY. */
bool rw_room_for(uint8_t **memory, size_t *room, size_t bytes, const char *name, GError **error);
/* Checks the size against the limits. */
bool rw_still_size_ok(const char *name, uint64_t width, uint64_t height, GError **error);
/* Room for the picture described by width, height, bits, channels; sets data and stride. Every
 * byte is mid-grey, so that what never comes looks the same on every machine. */
bool rw_decoder_picture(rw_decoder *decoder, rw_pixels *pixels, const char *name, GError **error);
void rw_decoder_keep_profile(rw_decoder *decoder, const void *data, size_t bytes);
/* Marks the pixels damaged; the first fault is the one that is told. */
void rw_pixels_fault(rw_pixels *pixels, const char *format, ...) G_GNUC_PRINTF(2, 3);

/* data: a block as it stands in a JPEG's APP1, "Exif\0\0" and then TIFF. */
void rw_exif_read(const uint8_t *data, size_t bytes, rw_still_info *info);
/* "2026:03:14 09:30:03" and "344" (or NULL) into info's time. False when not well formed. */
bool rw_exif_time(const char *date, const char *subsec, rw_still_info *info);
/* Valid UTF-8 without control characters or spaces round it. */
void rw_clean_text(char *to, size_t room, const void *text, size_t bytes);

rw_still_format rw_still_sniff(const rw_source *source);

bool rw_jpeg_probe(const rw_source *source, rw_still_info *info, GError **error);
bool rw_jpeg_decode(rw_decoder *decoder, const rw_source *source, int eighths, rw_pixels *pixels,
                    GError **error);
bool rw_png_probe(const rw_source *source, rw_still_info *info, GError **error);
bool rw_png_decode(rw_decoder *decoder, const rw_source *source, rw_pixels *pixels, GError **error);
bool rw_tiff_probe(const rw_source *source, rw_still_info *info, GError **error);
bool rw_tiff_decode(rw_decoder *decoder, const rw_source *source, rw_pixels *pixels,
                    GError **error);
/* True when every strip or tile lies inside the file. */
bool rw_tiff_whole(const rw_source *source);

/* The two public calls on a source that is already there. */
bool rw_still_probe_source(const rw_source *source, rw_still_info *info, GError **error);
bool rw_decoder_decode_source(rw_decoder *decoder, const rw_source *source, int eighths,
                              rw_pixels *pixels, GError **error);

#endif
