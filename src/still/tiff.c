/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include <tiffio.h>

#include "still/formats.h"

/* ---- libtiff over a source ---- */

typedef struct stream {
    const rw_source *source;
    uint64_t at;
} stream;

static tmsize_t on_read(thandle_t handle, void *to, tmsize_t bytes)
{
    stream *s = (stream *)handle;
    uint64_t left = s->at < s->source->size ? s->source->size - s->at : 0;
    size_t n = (size_t)MIN(left, (uint64_t)MAX(bytes, 0));
    if (!rw_source_read(s->source, s->at, to, n))
        return 0;
    s->at += n;
    return (tmsize_t)n;
}

static tmsize_t on_write(thandle_t handle, void *from, tmsize_t bytes)
{
    (void)handle;
    (void)from;
    (void)bytes;
    return 0;
}

static toff_t on_seek(thandle_t handle, toff_t offset, int whence)
{
    stream *s = (stream *)handle;
    s->at = whence == SEEK_CUR ? s->at + offset
                               : (whence == SEEK_END ? s->source->size + offset : offset);
    return s->at;
}

static int on_close(thandle_t handle)
{
    (void)handle;
    return 0;
}

static toff_t on_size(thandle_t handle)
{
    return ((stream *)handle)->source->size;
}

/* libtiff would print; what it finds wrong shows in its return values. */
static int on_complaint(TIFF *tiff, void *user, const char *module, const char *format,
                        va_list args)
{
    (void)tiff;
    (void)user;
    (void)module;
    (void)format;
    (void)args;
    return 1;
}

static TIFF *open_stream(stream *s)
{
    TIFFOpenOptions *options = TIFFOpenOptionsAlloc();
    TIFFOpenOptionsSetErrorHandlerExtR(options, on_complaint, NULL);
    TIFFOpenOptionsSetWarningHandlerExtR(options, on_complaint, NULL);
    TIFFOpenOptionsSetMaxSingleMemAlloc(options, (tmsize_t)1 << 31);
    /* m: no memory mapping, it would fault when a card is pulled out */
    TIFF *tiff = TIFFClientOpenExt("still", "rm", (thandle_t)s, on_read, on_write, on_seek,
                                   on_close, on_size, NULL, NULL, options);
    TIFFOpenOptionsFree(options);
    return tiff;
}

static bool damaged(const rw_source *source, GError **error, const char *what)
{
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s %s.", source->name, what);
    return false;
}

/* ---- the layout of the samples ---- */

typedef struct layout {
    uint32_t width, height;
    uint16_t bits, samples, planar, photometric;
    bool tiled;
    uint32_t block_width, block_height; /* of a tile, or of a strip */
    uint16_t *palette[3];               /* owned by libtiff */
    unsigned palette_shift;
    int channels; /* that come out */
} layout;

static bool read_palette(TIFF *tiff, layout *l)
{
    if (!TIFFGetField(tiff, TIFFTAG_COLORMAP, &l->palette[0], &l->palette[1], &l->palette[2]))
        return false;
    /* 16-bit entries by the standard; some writers put 8-bit numbers there */
    for (int c = 0; c < 3; c++)
        for (int i = 0; i < 1 << l->bits; i++)
            if (l->palette[c][i] > 255)
                l->palette_shift = 8;
    return true;
}

/* True when the photometric interpretation is one that gives grey or RGB. */
static bool colours_ok(TIFF *tiff, layout *l)
{
    uint16_t compression = 0;
    TIFFGetField(tiff, TIFFTAG_COMPRESSION, &compression);
    switch (l->photometric) {
    case PHOTOMETRIC_MINISWHITE:
    case PHOTOMETRIC_MINISBLACK:
        l->channels = 1;
        return l->samples >= 1;
    case PHOTOMETRIC_RGB:
        l->channels = 3;
        return l->samples >= 3;
    case PHOTOMETRIC_PALETTE:
        l->channels = 3;
        return l->bits == 8 && l->samples == 1 && read_palette(tiff, l);
    case PHOTOMETRIC_YCBCR: /* libtiff's JPEG decoder turns it into RGB, no other does */
        l->channels = 3;
        return compression == COMPRESSION_JPEG && l->samples == 3 &&
               l->planar == PLANARCONFIG_CONTIG &&
               TIFFSetField(tiff, TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
    default:
        return false;
    }
}

static bool read_layout(TIFF *tiff, const rw_source *source, layout *l, GError **error)
{
    uint16_t format = SAMPLEFORMAT_UINT;
    *l = (layout){.tiled = TIFFIsTiled(tiff) != 0};
    TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &l->width);
    TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &l->height);
    TIFFGetFieldDefaulted(tiff, TIFFTAG_BITSPERSAMPLE, &l->bits);
    TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLESPERPIXEL, &l->samples);
    TIFFGetFieldDefaulted(tiff, TIFFTAG_PLANARCONFIG, &l->planar);
    TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLEFORMAT, &format);
    if (!TIFFGetField(tiff, TIFFTAG_PHOTOMETRIC, &l->photometric))
        l->photometric = l->samples >= 3 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK;
    if (!rw_still_size_ok(source->name, l->width, l->height, error))
        return false;
    if ((l->bits != 8 && l->bits != 16) || format != SAMPLEFORMAT_UINT || l->samples > 8 ||
        !colours_ok(tiff, l))
        return damaged(source, error,
                       "is a TIFF of a kind that cannot be read here; save it as grey or RGB of "
                       "8 or 16 bits");
    if (l->tiled) {
        TIFFGetField(tiff, TIFFTAG_TILEWIDTH, &l->block_width);
        TIFFGetField(tiff, TIFFTAG_TILELENGTH, &l->block_height);
    } else {
        l->block_width = l->width;
        TIFFGetFieldDefaulted(tiff, TIFFTAG_ROWSPERSTRIP, &l->block_height);
        l->block_height = MIN(l->block_height, l->height);
    }
    if (l->block_width == 0 || l->block_height == 0 || l->block_width > RW_STILL_MAX_SIDE + 16 ||
        l->block_height > RW_STILL_MAX_SIDE + 16)
        return damaged(source, error, "is a TIFF with a broken header");
    return true;
}

/* ---- probe ---- */

static void get_text(TIFF *tiff, uint32_t tag, char *to, size_t room)
{
    const char *text = NULL;
    const TIFFField *field = TIFFFieldWithTag(tiff, tag);
    if (field && TIFFFieldDataType(field) == TIFF_ASCII && TIFFGetField(tiff, tag, &text) && text)
        rw_clean_text(to, room, text, strlen(text));
}

/* A rational is handed out as float or double, by the version of libtiff. */
static double get_ratio(TIFF *tiff, uint32_t tag)
{
    const TIFFField *field = TIFFFieldWithTag(tiff, tag);
    float f = 0;
    double d = 0;
    if (!field)
        return 0;
    if (TIFFFieldSetGetSize(field) == sizeof d)
        return TIFFGetField(tiff, tag, &d) && d > 0 && d < 1e9 ? d : 0;
    return TIFFGetField(tiff, tag, &f) && f > 0 && f < 1e9f ? (double)f : 0;
}

static void read_exif_directory(TIFF *tiff, rw_still_info *info)
{
    char date[32] = "", subsec[32] = "";
    uint16_t count = 0, *iso = NULL;
    get_text(tiff, EXIFTAG_DATETIMEORIGINAL, date, sizeof date);
    get_text(tiff, EXIFTAG_SUBSECTIMEORIGINAL, subsec, sizeof subsec);
    get_text(tiff, EXIFTAG_BODYSERIALNUMBER, info->serial, sizeof info->serial);
    info->exposure_s = get_ratio(tiff, EXIFTAG_EXPOSURETIME);
    info->f_number = get_ratio(tiff, EXIFTAG_FNUMBER);
    info->focal_mm = get_ratio(tiff, EXIFTAG_FOCALLENGTH);
    if (TIFFGetField(tiff, EXIFTAG_ISOSPEEDRATINGS, &count, &iso) && count > 0 && iso)
        info->iso = iso[0];
    if (date[0] && !rw_exif_time(date, subsec[0] ? subsec : NULL, info))
        g_snprintf(info->exif_fault, sizeof info->exif_fault, "DateTimeOriginal is not a time");
}

static void read_tags(TIFF *tiff, rw_still_info *info)
{
    uint16_t turn = 0;
    uint32_t bytes = 0;
    void *profile = NULL;
    toff_t exif = 0;
    get_text(tiff, TIFFTAG_MAKE, info->make, sizeof info->make);
    get_text(tiff, TIFFTAG_MODEL, info->model, sizeof info->model);
    if (TIFFGetField(tiff, TIFFTAG_ORIENTATION, &turn) && turn >= 1 && turn <= 8)
        info->orientation = turn;
    info->has_profile = TIFFGetField(tiff, TIFFTAG_ICCPROFILE, &bytes, &profile) && bytes > 0;
    if (!TIFFGetField(tiff, TIFFTAG_EXIFIFD, &exif))
        return;
    if (TIFFReadEXIFDirectory(tiff, exif))
        read_exif_directory(tiff, info);
    else
        g_snprintf(info->exif_fault, sizeof info->exif_fault, "the Exif directory is broken");
}

bool rw_tiff_probe(const rw_source *source, rw_still_info *info, GError **error)
{
    stream s = {.source = source};
    layout l;
    TIFF *tiff = open_stream(&s);
    if (!tiff)
        return damaged(source, error, "is a TIFF with a broken header");
    bool ok = read_layout(tiff, source, &l, error);
    if (ok) {
        info->format = RW_STILL_TIFF;
        info->width = (int)l.width;
        info->height = (int)l.height;
        info->bits = l.bits;
        info->channels = l.channels;
        read_tags(tiff, info); /* last: it leaves the picture's directory */
    }
    TIFFClose(tiff);
    return ok;
}

/* ---- decode ---- */

/* One row of a block: n pixels of `step` samples at `from` to `channels` samples at `to`. With
 * separate planes step is 1 and only the sample at `to` is written. */
static void put_row8(const layout *l, uint8_t *to, const uint8_t *from, uint32_t n, int step,
                     int copy)
{
    if (l->photometric == PHOTOMETRIC_PALETTE) {
        for (uint32_t x = 0; x < n; x++)
            for (int c = 0; c < 3; c++)
                to[x * 3 + (uint32_t)c] = (uint8_t)(l->palette[c][from[x]] >> l->palette_shift);
        return;
    }
    uint8_t flip = l->photometric == PHOTOMETRIC_MINISWHITE ? 0xFF : 0;
    for (uint32_t x = 0; x < n; x++, to += l->channels, from += step)
        for (int c = 0; c < copy; c++)
            to[c] = from[c] ^ flip;
}

static void put_row16(const layout *l, uint16_t *to, const uint16_t *from, uint32_t n, int step,
                      int copy)
{
    uint16_t flip = l->photometric == PHOTOMETRIC_MINISWHITE ? 0xFFFF : 0;
    for (uint32_t x = 0; x < n; x++, to += l->channels, from += step)
        for (int c = 0; c < copy; c++)
            to[c] = from[c] ^ flip;
}

typedef struct block {
    uint32_t x, y;
    int channel; /* the plane, or -1 for all */
} block;

static void put_block(const layout *l, const rw_decoder *decoder, const rw_pixels *p, block b)
{
    uint32_t columns = MIN(l->block_width, l->width - b.x);
    uint32_t rows = MIN(l->block_height, l->height - b.y);
    int step = b.channel < 0 ? l->samples : 1;
    int copy = b.channel < 0 ? l->channels : 1;
    size_t bytes = l->bits / 8u;
    size_t from_stride = (size_t)l->block_width * (size_t)step * bytes;
    size_t first = ((size_t)b.x * (size_t)l->channels + (size_t)MAX(b.channel, 0)) * bytes;
    for (uint32_t y = 0; y < rows; y++) {
        void *to = decoder->pixels + (size_t)(b.y + y) * (size_t)p->stride + first;
        const void *from = decoder->scratch + y * from_stride;
        if (l->bits == 8)
            put_row8(l, to, from, columns, step, copy);
        else
            put_row16(l, to, from, columns, step, copy);
    }
}

static bool read_block(TIFF *tiff, const layout *l, rw_decoder *decoder, block b)
{
    uint16_t sample = (uint16_t)MAX(b.channel, 0);
    if (l->tiled) {
        tmsize_t want = TIFFTileSize(tiff);
        return TIFFReadEncodedTile(tiff, TIFFComputeTile(tiff, b.x, b.y, 0, sample),
                                   decoder->scratch, want) == want;
    }
    tmsize_t want = TIFFVStripSize(tiff, MIN(l->block_height, l->height - b.y));
    return TIFFReadEncodedStrip(tiff, TIFFComputeStrip(tiff, b.y, sample), decoder->scratch,
                                want) == want;
}

/* An uncompressed strip that the file's end cuts: what came of it, mid-grey for the rest. */
static bool salvage_strip(TIFF *tiff, const layout *l, const rw_decoder *decoder,
                          const rw_source *source, block b)
{
    uint16_t compression = 0;
    uint64_t *offsets = NULL;
    uint32_t strip = TIFFComputeStrip(tiff, b.y, (uint16_t)MAX(b.channel, 0));
    TIFFGetField(tiff, TIFFTAG_COMPRESSION, &compression);
    if (l->tiled || compression != COMPRESSION_NONE ||
        !TIFFGetField(tiff, TIFFTAG_STRIPOFFSETS, &offsets) || !offsets ||
        offsets[strip] >= source->size)
        return false;
    size_t want = (size_t)TIFFVStripSize(tiff, MIN(l->block_height, l->height - b.y));
    size_t got = (size_t)MIN((uint64_t)want, source->size - offsets[strip]);
    memset(decoder->scratch + got, 0x80, want - got);
    if (!rw_source_read(source, offsets[strip], decoder->scratch, got))
        return false;
    if (l->bits == 16 && TIFFIsByteSwapped(tiff))
        TIFFSwabArrayOfShort((uint16_t *)(void *)decoder->scratch, (tmsize_t)(got / 2));
    return true;
}

static bool read_blocks(TIFF *tiff, const layout *l, rw_decoder *decoder, const rw_source *source,
                        rw_pixels *p, GError **error)
{
    bool separate = l->planar == PLANARCONFIG_SEPARATE && l->samples > 1;
    size_t row = (size_t)l->block_width * (separate ? 1u : l->samples) * (l->bits / 8u);
    tmsize_t block_bytes = l->tiled ? TIFFTileSize(tiff) : TIFFStripSize(tiff);
    if (block_bytes <= 0 || (size_t)block_bytes != row * l->block_height)
        return damaged(source, error, "is a TIFF with a broken header");
    if (!rw_room_for(&decoder->scratch, &decoder->scratch_room, (size_t)block_bytes, source->name,
                     error))
        return false;
    uint64_t lost = 0;
    for (int c = separate ? 0 : -1; c < (separate ? l->channels : 0); c++)
        for (uint32_t y = 0; y < l->height; y += l->block_height)
            for (uint32_t x = 0; x < l->width; x += l->block_width) {
                block b = {x, y, c};
                bool whole = read_block(tiff, l, decoder, b);
                lost += whole ? 0 : 1;
                if (whole || salvage_strip(tiff, l, decoder, source, b))
                    put_block(l, decoder, p, b);
            }
    if (lost > 0)
        rw_pixels_fault(p,
                        "the file is cut short or corrupt: %" G_GUINT64_FORMAT
                        " of its strips cannot be read whole",
                        lost);
    return true;
}

bool rw_tiff_decode(rw_decoder *decoder, const rw_source *source, rw_pixels *p, GError **error)
{
    stream s = {.source = source};
    layout l;
    TIFF *tiff = open_stream(&s);
    if (!tiff)
        return damaged(source, error, "is a TIFF with a broken header");
    bool ok = read_layout(tiff, source, &l, error);
    if (ok) {
        p->width = p->full_width = (int)l.width;
        p->height = p->full_height = (int)l.height;
        p->bits = l.bits;
        p->channels = l.channels;
        p->eighths = 8;
        uint32_t bytes = 0;
        void *profile = NULL;
        if (TIFFGetField(tiff, TIFFTAG_ICCPROFILE, &bytes, &profile) && bytes > 0)
            rw_decoder_keep_profile(decoder, profile, bytes);
        ok = rw_decoder_picture(decoder, p, source->name, error) &&
             read_blocks(tiff, &l, decoder, source, p, error);
    }
    TIFFClose(tiff);
    return ok;
}

bool rw_tiff_whole(const rw_source *source)
{
    stream s = {.source = source};
    TIFF *tiff = open_stream(&s);
    if (!tiff)
        return false;
    bool tiled = TIFFIsTiled(tiff) != 0;
    uint64_t *offsets = NULL, *counts = NULL;
    bool ok =
        TIFFGetField(tiff, tiled ? TIFFTAG_TILEOFFSETS : TIFFTAG_STRIPOFFSETS, &offsets) &&
        TIFFGetField(tiff, tiled ? TIFFTAG_TILEBYTECOUNTS : TIFFTAG_STRIPBYTECOUNTS, &counts) &&
        offsets && counts;
    uint32_t n = tiled ? TIFFNumberOfTiles(tiff) : TIFFNumberOfStrips(tiff);
    for (uint32_t i = 0; ok && i < n; i++)
        ok = offsets[i] <= source->size && counts[i] <= source->size - offsets[i];
    TIFFClose(tiff);
    return ok;
}
