/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <setjmp.h>
#include <string.h>

#include <png.h>

#include "still/formats.h"

static bool damaged(const rw_source *source, GError **error, const char *what)
{
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s %s.", source->name, what);
    return false;
}

/* ---- probe: chunks up to the first IDAT (ISO/IEC 15948) ---- */

static void read_exif_chunk(const rw_source *source, uint64_t at, uint32_t bytes,
                            rw_still_info *info)
{
    enum { PREFIX = 6, MOST = 1 << 20 };
    if (bytes > MOST)
        return;
    g_autofree uint8_t *block = g_malloc(PREFIX + (size_t)bytes);
    memcpy(block, "Exif\0\0", PREFIX);
    if (rw_source_read(source, at, block + PREFIX, bytes))
        rw_exif_read(block, PREFIX + (size_t)bytes, info);
}

bool rw_png_probe(const rw_source *source, rw_still_info *info, GError **error)
{
    uint8_t h[25];
    if (!rw_source_read(source, 8, h, sizeof h) || memcmp(h + 4, "IHDR", 4) != 0)
        return damaged(source, error, "is a PNG with a broken header");
    uint32_t width = rw_get_be32(h + 8), height = rw_get_be32(h + 12);
    if (!rw_still_size_ok(source->name, width, height, error))
        return false;
    info->format = RW_STILL_PNG;
    info->width = (int)width;
    info->height = (int)height;
    info->bits = h[16] == 16 ? 16 : 8;
    info->channels = h[17] == PNG_COLOR_TYPE_GRAY || h[17] == PNG_COLOR_TYPE_GRAY_ALPHA ? 1 : 3;
    uint64_t at = 33;
    uint8_t chunk[8];
    while (rw_source_read(source, at, chunk, sizeof chunk)) {
        uint32_t bytes = rw_get_be32(chunk);
        if (memcmp(chunk + 4, "IDAT", 4) == 0)
            return true;
        if (memcmp(chunk + 4, "eXIf", 4) == 0)
            read_exif_chunk(source, at + 8, bytes, info);
        if (memcmp(chunk + 4, "iCCP", 4) == 0)
            info->has_profile = true;
        at += 12 + (uint64_t)bytes;
    }
    return damaged(source, error, "is a PNG without a picture in it");
}

/* ---- decode ---- */

typedef struct job {
    const rw_source *source;
    uint64_t at;
    bool ended; /* asked for bytes that the file has not got */
    rw_pixels *pixels;
    png_structp png;
    png_infop info;
} job;

static void on_read(png_structp png, png_bytep to, size_t bytes)
{
    job *j = png_get_io_ptr(png);
    if (!rw_source_read(j->source, j->at, to, bytes)) {
        j->ended = true;
        png_error(png, "cut short");
    }
    j->at += bytes;
}

static void on_fatal(png_structp png, png_const_charp text)
{
    (void)text;
    png_longjmp(png, 1);
}

static void on_warning(png_structp png, png_const_charp text)
{
    (void)png;
    (void)text;
}

/* Everything becomes grey or RGB of 8 or 16 bits; transparency is left out, film has none. */
static void ask_for_plain_samples(job *j)
{
    int type = png_get_color_type(j->png, j->info), bits = png_get_bit_depth(j->png, j->info);
    if (type == PNG_COLOR_TYPE_PALETTE)
        png_set_palette_to_rgb(j->png);
    if (type == PNG_COLOR_TYPE_GRAY && bits < 8)
        png_set_expand_gray_1_2_4_to_8(j->png);
    png_set_strip_alpha(j->png);
    if (bits == 16 && G_BYTE_ORDER == G_LITTLE_ENDIAN)
        png_set_swap(j->png);
}

static bool start(job *j, rw_decoder *decoder, int *passes, GError **error)
{
    if (setjmp(png_jmpbuf(j->png)))
        return damaged(j->source, error, "is a PNG that cannot be decoded");
    png_set_read_fn(j->png, j, on_read);
    png_set_user_limits(j->png, RW_STILL_MAX_SIDE, RW_STILL_MAX_SIDE);
    png_set_chunk_malloc_max(j->png, 16u << 20);
    png_read_info(j->png, j->info);
    uint32_t width = png_get_image_width(j->png, j->info);
    uint32_t height = png_get_image_height(j->png, j->info);
    if (!rw_still_size_ok(j->source->name, width, height, error))
        return false;
    ask_for_plain_samples(j);
    *passes = png_set_interlace_handling(j->png);
    png_read_update_info(j->png, j->info);
    rw_pixels *p = j->pixels;
    p->width = p->full_width = (int)width;
    p->height = p->full_height = (int)height;
    p->bits = png_get_bit_depth(j->png, j->info);
    p->channels = png_get_channels(j->png, j->info);
    p->eighths = 8;
    png_charp name;
    png_bytep profile;
    png_uint_32 bytes = 0;
    int method;
    if (png_get_iCCP(j->png, j->info, &name, &method, &profile, &bytes))
        rw_decoder_keep_profile(decoder, profile, bytes);
    if ((p->channels != 1 && p->channels != 3) || (p->bits != 8 && p->bits != 16))
        return damaged(j->source, error, "is a PNG of a kind that cannot be read here");
    return rw_decoder_picture(decoder, p, j->source->name, error);
}

static void read_rows(job *j, uint8_t *data, int passes)
{
    if (setjmp(png_jmpbuf(j->png))) {
        rw_pixels_fault(j->pixels,
                        j->ended ? "the file is cut short" : "the picture data is corrupt");
        return;
    }
    for (int pass = 0; pass < passes; pass++)
        for (int y = 0; y < j->pixels->height; y++)
            png_read_row(j->png, data + (ptrdiff_t)y * j->pixels->stride, NULL);
    png_read_end(j->png, NULL);
}

bool rw_png_decode(rw_decoder *decoder, const rw_source *source, rw_pixels *pixels, GError **error)
{
    job j = {.source = source, .pixels = pixels};
    j.png = png_create_read_struct(PNG_LIBPNG_VER_STRING, &j, on_fatal, on_warning);
    j.info = j.png ? png_create_info_struct(j.png) : NULL;
    int passes = 1;
    bool ok = false;
    if (!j.info) {
        g_set_error(error, RW_ERROR, RW_ERROR_MEMORY, "No memory is left to decode %s.",
                    source->name);
    } else {
        ok = start(&j, decoder, &passes, error);
        if (ok)
            read_rows(&j, decoder->pixels, passes);
    }
    png_destroy_read_struct(&j.png, &j.info, NULL);
    return ok;
}
