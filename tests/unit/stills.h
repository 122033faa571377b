/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * stills.h - small camera files for tests, made with the libraries' own writers.
 */
#ifndef RW_TESTS_STILLS_H
#define RW_TESTS_STILLS_H

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>
#include <libexif/exif-data.h>

#include <glib.h>

typedef struct made_still {
    int width, height, components; /* JPEG: 1, 3, or 4 for CMYK */
    int seed;                      /* of the picture's content */
    const char *time, *subsec;     /* "2026:03:14 09:30:03", "344"; NULL: none */
    const char *make, *model, *serial;
    int orientation; /* 0: none */
    const void *profile;
    size_t profile_bytes;
    bool progressive, plain_chroma; /* 4:4:4 */
    int quality;                    /* 0: 90 */
} made_still;

/* A soft pattern, different for every seed; smooth, so that JPEG hardly changes it. */
static inline int made_sample(const made_still *m, int x, int y, int c)
{
    int v = 40 +
            (x * (3 + m->seed % 5) + y * (2 + m->seed % 3)) * 170 / (6 * (m->width + m->height)) +
            c * 15 + m->seed * 7 % 23;
    return CLAMP(v, 0, 255);
}

static inline void made_entry(ExifData *data, ExifIfd ifd, int tag, ExifFormat format,
                              unsigned long components, const void *bytes, unsigned size)
{
    ExifEntry *e = exif_entry_new();
    e->tag = (ExifTag)tag;
    e->format = format;
    e->components = components;
    e->size = size;
    e->data = malloc(size); /* libexif frees it with its own free */
    memcpy(e->data, bytes, size);
    exif_content_add_entry(data->ifd[ifd], e);
    exif_entry_unref(e);
}

static inline void made_text(ExifData *data, ExifIfd ifd, int tag, const char *text)
{
    if (text)
        made_entry(data, ifd, tag, EXIF_FORMAT_ASCII, strlen(text) + 1, text,
                   (unsigned)strlen(text) + 1);
}

static inline void made_ratio(ExifData *data, int tag, unsigned num, unsigned den)
{
    uint8_t bytes[8];
    exif_set_rational(bytes, exif_data_get_byte_order(data), (ExifRational){num, den});
    made_entry(data, EXIF_IFD_EXIF, tag, EXIF_FORMAT_RATIONAL, 1, bytes, sizeof bytes);
}

static inline void made_short(ExifData *data, ExifIfd ifd, int tag, unsigned value)
{
    uint8_t bytes[2];
    exif_set_short(bytes, exif_data_get_byte_order(data), (ExifShort)value);
    made_entry(data, ifd, tag, EXIF_FORMAT_SHORT, 1, bytes, sizeof bytes);
}

/* An APP1 block as libexif writes it; free() it. */
static inline unsigned char *made_exif(const made_still *m, ExifByteOrder order, unsigned *bytes)
{
    unsigned char *block = NULL;
    ExifData *data = exif_data_new();
    exif_data_unset_option(data, EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
    exif_data_set_byte_order(data, order);
    made_text(data, EXIF_IFD_0, 0x010F, m->make);
    made_text(data, EXIF_IFD_0, 0x0110, m->model);
    if (m->orientation)
        made_short(data, EXIF_IFD_0, 0x0112, (unsigned)m->orientation);
    made_text(data, EXIF_IFD_EXIF, 0x9003, m->time);
    made_text(data, EXIF_IFD_EXIF, 0x9291, m->subsec);
    made_text(data, EXIF_IFD_EXIF, 0xA431, m->serial);
    made_ratio(data, 0x829A, 1, 125);
    made_ratio(data, 0x829D, 56, 10);
    made_ratio(data, 0x920A, 50, 1);
    made_short(data, EXIF_IFD_EXIF, 0x8827, 200);
    exif_data_save_data(data, &block, bytes);
    exif_data_unref(data);
    return block;
}

static inline bool made_has_exif(const made_still *m)
{
    return m->time || m->make || m->model || m->serial || m->orientation;
}

/* The file's bytes; free() them. */
static inline unsigned char *made_jpeg(const made_still *m, unsigned long *bytes)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr errors;
    unsigned char *out = NULL;
    *bytes = 0;
    c.err = jpeg_std_error(&errors);
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &out, bytes);
    c.image_width = (JDIMENSION)m->width;
    c.image_height = (JDIMENSION)m->height;
    c.input_components = m->components;
    c.in_color_space = m->components == 1 ? JCS_GRAYSCALE : m->components == 3 ? JCS_RGB : JCS_CMYK;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, m->quality ? m->quality : 90, TRUE);
    if (m->plain_chroma)
        c.comp_info[0].h_samp_factor = c.comp_info[0].v_samp_factor = 1;
    if (m->progressive)
        jpeg_simple_progression(&c);
    jpeg_start_compress(&c, TRUE);
    if (made_has_exif(m)) {
        unsigned n;
        unsigned char *block = made_exif(m, EXIF_BYTE_ORDER_INTEL, &n);
        jpeg_write_marker(&c, JPEG_APP0 + 1, block, n);
        free(block);
    }
    if (m->profile)
        jpeg_write_icc_profile(&c, m->profile, (unsigned)m->profile_bytes);
    JSAMPLE *row = g_malloc((size_t)m->width * (size_t)m->components);
    for (int y = 0; y < m->height; y++) {
        for (int x = 0; x < m->width; x++)
            for (int k = 0; k < m->components; k++)
                row[x * m->components + k] = (JSAMPLE)made_sample(m, x, y, k);
        jpeg_write_scanlines(&c, &row, 1);
    }
    g_free(row);
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    return out;
}

/* time_s seconds after 2026-03-14 09:30:00 as Exif texts. */
static inline void made_time(double time_s, char date[20], char subsec[4])
{
    g_autoptr(GDateTime) start = g_date_time_new_utc(2026, 3, 14, 9, 30, 0);
    g_autoptr(GDateTime) at = g_date_time_add_seconds(start, (double)(int64_t)time_s);
    g_autofree char *text = g_date_time_format(at, "%Y:%m:%d %H:%M:%S");
    g_strlcpy(date, text, 20);
    g_snprintf(subsec, 4, "%03d", (int)((time_s - (double)(int64_t)time_s) * 1000));
}

#endif
