/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Tags, types and counts: CIPA DC-008 (Exif 2.31), table by table; from memory of the standard.
 */
#include "demo/jpeg.h"

typedef enum exif_type {
    BYTES = 1,
    ASCII = 2,
    SHORT = 3,
    LONG = 4,
    RATIONAL = 5,
    UNDEFINED = 7
} exif_type;

/* One image file directory while it is made. Little endian; offsets count from the TIFF header. */
typedef struct directory {
    GByteArray *entries, *data;
    uint16_t count;
} directory;

static void put16(GByteArray *to, unsigned v)
{
    uint8_t b[2] = {(uint8_t)v, (uint8_t)(v >> 8)};
    g_byte_array_append(to, b, 2);
}

static void put32(GByteArray *to, uint32_t v)
{
    put16(to, v & 0xFFFF);
    put16(to, v >> 16);
}

static directory new_directory(void)
{
    return (directory){g_byte_array_new(), g_byte_array_new(), 0};
}

/* Values up to four bytes stand in the entry, longer ones in the data, whose place is added when
 * the directory is laid down. */
static void add(directory *d, unsigned tag, exif_type type, uint32_t count, const void *value,
                size_t bytes)
{
    put16(d->entries, tag);
    put16(d->entries, type);
    put32(d->entries, count);
    if (bytes <= 4) {
        uint8_t inline_value[4] = {0};
        memcpy(inline_value, value, bytes);
        g_byte_array_append(d->entries, inline_value, 4);
    } else {
        put32(d->entries, d->data->len | 0x80000000u); /* marks an offset */
        g_byte_array_append(d->data, value, (guint)bytes);
        if (bytes % 2)
            g_byte_array_append(d->data, (const uint8_t *)"", 1);
    }
    d->count++;
}

static void add_text(directory *d, unsigned tag, const char *text)
{
    add(d, tag, ASCII, (uint32_t)strlen(text) + 1, text, strlen(text) + 1);
}

static void add_short(directory *d, unsigned tag, int value)
{
    uint8_t b[2] = {(uint8_t)value, (uint8_t)(value >> 8)};
    add(d, tag, SHORT, 1, b, 2);
}

static void add_long(directory *d, unsigned tag, uint32_t value)
{
    uint8_t b[4] = {(uint8_t)value, (uint8_t)(value >> 8), (uint8_t)(value >> 16),
                    (uint8_t)(value >> 24)};
    add(d, tag, LONG, 1, b, 4);
}

static void add_rational(directory *d, unsigned tag, uint32_t num, uint32_t den)
{
    g_autoptr(GByteArray) v = g_byte_array_new();
    put32(v, num);
    put32(v, den);
    add(d, tag, RATIONAL, 1, v->data, 8);
}

static uint32_t directory_bytes(const directory *d)
{
    return 2 + d->entries->len + 4 + d->data->len;
}

/* Appends it at `at` (its place in the TIFF) and frees it. next: place of the next one, or 0. */
static void lay_down(directory *d, GByteArray *tiff, uint32_t at, uint32_t next)
{
    uint32_t data_at = at + 2 + d->entries->len + 4;
    put16(tiff, d->count);
    for (guint i = 0; i < d->entries->len; i += 12) {
        uint8_t *e = d->entries->data + i;
        if (e[11] & 0x80) {
            uint32_t place = data_at + (e[8] | (uint32_t)e[9] << 8 | (uint32_t)e[10] << 16);
            for (int k = 0; k < 4; k++)
                e[8 + k] = (uint8_t)(place >> 8 * k);
        }
        g_byte_array_append(tiff, e, 12);
    }
    put32(tiff, next);
    g_byte_array_append(tiff, d->data->data, d->data->len);
    g_byte_array_unref(d->entries);
    g_byte_array_unref(d->data);
}

static void add_times(directory *image, directory *d, const rw_demo_exif *exif, int part)
{
    g_autoptr(GDateTime) epoch = g_date_time_new_utc(1970, 1, 1, 0, 0, 0);
    g_autoptr(GDateTime) t = g_date_time_add(epoch, exif->time_ms * 1000);
    g_autofree char *text = g_date_time_format(t, "%Y:%m:%d %H:%M:%S");
    int zone = exif->zone_minutes;
    g_autofree char *offset =
        g_strdup_printf("%c%02d:%02d", zone < 0 ? '-' : '+', ABS(zone) / 60, ABS(zone) % 60);
    int digits = exif->digits, ms = (int)(((exif->time_ms % 1000) + 1000) % 1000);
    g_autofree char *sub = g_strdup_printf("%0*d", MAX(digits, 1),
                                           digits == 3   ? ms
                                           : digits == 2 ? ms / 10
                                                         : ms / 100);
    switch (part) {
    case 0:
        add_text(image, 0x0132, text); /* DateTime */
        break;
    case 1:
        add_text(d, 0x9003, text);   /* DateTimeOriginal */
        add_text(d, 0x9004, text);   /* DateTimeDigitized */
        add_text(d, 0x9010, offset); /* OffsetTime */
        add_text(d, 0x9011, offset); /* OffsetTimeOriginal */
        add_text(d, 0x9012, offset); /* OffsetTimeDigitized */
        break;
    case 2:
        for (unsigned tag = 0x9290; digits > 0 && tag <= 0x9292; tag++)
            add_text(d, tag, sub); /* SubSecTime, -Original, -Digitized */
        break;
    }
}

static directory describe_exposure(const rw_demo_exif *exif, int width, int height)
{
    directory d = new_directory();
    /* in the order of the tags, as the standard asks */
    uint32_t den = exif->exposure_s < 0.5 ? (uint32_t)(1 / exif->exposure_s + 0.5) : 10;
    uint32_t num = exif->exposure_s < 0.5 ? 1 : (uint32_t)(exif->exposure_s * 10 + 0.5);
    add_rational(&d, 0x829A, num, den);                                  /* ExposureTime */
    add_rational(&d, 0x829D, (uint32_t)(exif->f_number * 10 + 0.5), 10); /* FNumber */
    add_short(&d, 0x8822, 1);                  /* ExposureProgram: manual */
    add_short(&d, 0x8827, exif->iso);          /* PhotographicSensitivity */
    add_short(&d, 0x8830, 2);                  /* SensitivityType: recommended exposure index */
    add_long(&d, 0x8832, (uint32_t)exif->iso); /* RecommendedExposureIndex */
    add(&d, 0x9000, UNDEFINED, 4, "0231", 4);  /* ExifVersion */
    if (exif->has_time)
        add_times(NULL, &d, exif, 1);
    add(&d, 0x9101, UNDEFINED, 4, "\1\2\3", 4); /* ComponentsConfiguration: Y Cb Cr, none */
    add_short(&d, 0x9207, 5);                   /* MeteringMode: pattern */
    add_short(&d, 0x9209, 0x10);                /* Flash: did not fire, switched off */
    add_rational(&d, 0x920A, 250, 10);          /* FocalLength */
    if (exif->has_time)
        add_times(NULL, &d, exif, 2);
    add(&d, 0xA000, UNDEFINED, 4, "0100", 4); /* FlashpixVersion */
    add_short(&d, 0xA001, 1);                 /* ColorSpace: sRGB */
    add_long(&d, 0xA002, (uint32_t)width);    /* PixelXDimension */
    add_long(&d, 0xA003, (uint32_t)height);   /* PixelYDimension */
    add_short(&d, 0xA402, 1);                 /* ExposureMode: manual */
    add_short(&d, 0xA403, 1);                 /* WhiteBalance: manual */
    add_short(&d, 0xA406, 0);                 /* SceneCaptureType: standard */
    add_text(&d, 0xA431, exif->serial);       /* BodySerialNumber */
    return d;
}

GByteArray *rw_demo_exif_build(const rw_demo_exif *exif, int width, int height,
                               const void *thumbnail, size_t thumbnail_bytes)
{
    directory image = new_directory();
    add_text(&image, 0x010F, exif->make);
    add_text(&image, 0x0110, exif->model);
    add_short(&image, 0x0112, exif->orientation);
    add_rational(&image, 0x011A, 72, 1); /* XResolution */
    add_rational(&image, 0x011B, 72, 1); /* YResolution */
    add_short(&image, 0x0128, 2);        /* ResolutionUnit: inches */
    if (exif->has_time)
        add_times(&image, NULL, exif, 0);
    add_short(&image, 0x0213, 2); /* YCbCrPositioning: co-sited */
    uint32_t exposure_at = 8 + directory_bytes(&image) + 12;
    add_long(&image, 0x8769, exposure_at); /* where the Exif directory lies */

    directory exposure = describe_exposure(exif, width, height);
    uint32_t small_at = exposure_at + directory_bytes(&exposure);
    GByteArray *out = g_byte_array_new();
    g_byte_array_append(out, (const uint8_t *)"Exif\0\0II*\0\10\0\0\0", 14);
    lay_down(&image, out, 8, thumbnail ? small_at : 0);
    lay_down(&exposure, out, exposure_at, 0);
    if (thumbnail) {
        directory small = new_directory();
        add_short(&small, 0x0103, 6); /* Compression: JPEG */
        add_rational(&small, 0x011A, 72, 1);
        add_rational(&small, 0x011B, 72, 1);
        add_short(&small, 0x0128, 2);
        uint32_t place = small_at + directory_bytes(&small) + 24;
        add_long(&small, 0x0201, place); /* JPEGInterchangeFormat */
        add_long(&small, 0x0202, (uint32_t)thumbnail_bytes);
        lay_down(&small, out, small_at, 0);
        g_byte_array_append(out, thumbnail, (guint)thumbnail_bytes);
    }
    return out;
}
