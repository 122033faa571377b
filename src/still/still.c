/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <stdarg.h>
#include <string.h>

#include "still/formats.h"

rw_still_format rw_still_sniff(const rw_source *source)
{
    static const struct {
        rw_still_format format;
        uint8_t bytes[8];
        size_t n;
    } magic[] = {
        {RW_STILL_JPEG, {0xFF, 0xD8, 0xFF}, 3},
        {RW_STILL_PNG, {0x89, 'P', 'N', 'G', '\r', '\n', 0x1A, '\n'}, 8},
        {RW_STILL_TIFF, {'I', 'I', 42, 0}, 4},
        {RW_STILL_TIFF, {'M', 'M', 0, 42}, 4},
        {RW_STILL_TIFF, {'I', 'I', 43, 0}, 4}, /* BigTIFF */
        {RW_STILL_TIFF, {'M', 'M', 0, 43}, 4},
    };
    uint8_t head[8] = {0};
    size_t n = (size_t)MIN(source->size, sizeof head);
    if (!rw_source_read(source, 0, head, n))
        return RW_STILL_UNKNOWN;
    for (size_t i = 0; i < G_N_ELEMENTS(magic); i++)
        if (n >= magic[i].n && memcmp(head, magic[i].bytes, magic[i].n) == 0)
            return magic[i].format;
    return RW_STILL_UNKNOWN;
}

static bool not_a_still(const rw_source *source, GError **error)
{
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                source->size == 0 ? "%s is empty." : "%s is not a JPEG, PNG or TIFF.",
                source->name);
    return false;
}

bool rw_still_probe_source(const rw_source *source, rw_still_info *info, GError **error)
{
    *info = (rw_still_info){0};
    switch (rw_still_sniff(source)) {
    case RW_STILL_JPEG:
        return rw_jpeg_probe(source, info, error);
    case RW_STILL_PNG:
        return rw_png_probe(source, info, error);
    case RW_STILL_TIFF:
        return rw_tiff_probe(source, info, error);
    case RW_STILL_UNKNOWN:
        break;
    }
    return not_a_still(source, error);
}

bool rw_still_probe(const char *path, rw_still_info *info, GError **error)
{
    g_return_val_if_fail(path && info, false);
    rw_source source;
    *info = (rw_still_info){0};
    if (!rw_source_open(&source, path, error))
        return false;
    bool ok = rw_still_probe_source(&source, info, error);
    rw_source_close(&source);
    return ok;
}

/* ---- the decoder's memory ---- */

bool rw_room_for(uint8_t **memory, size_t *room, size_t bytes, const char *name, GError **error)
{
    if (*room >= bytes)
        return true;
    g_free(*memory);
    *memory = g_try_malloc(bytes);
    *room = *memory ? bytes : 0;
    if (!*memory)
        g_set_error(error, RW_ERROR, RW_ERROR_MEMORY,
                    "No memory is left to decode %s; run with fewer threads.", name);
    return *memory != NULL;
}

bool rw_still_size_ok(const char *name, uint64_t width, uint64_t height, GError **error)
{
    if (width > 0 && height > 0 && width <= RW_STILL_MAX_SIDE && height <= RW_STILL_MAX_SIDE &&
        width * height <= RW_STILL_MAX_PIXELS)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                "%s says that it is %" G_GUINT64_FORMAT " x %" G_GUINT64_FORMAT
                " pixels, which no camera makes.",
                name, width, height);
    return false;
}

bool rw_decoder_picture(rw_decoder *decoder, rw_pixels *p, const char *name, GError **error)
{
    enum { ALIGN = 64 };
    size_t row = (size_t)p->width * (size_t)p->channels * (size_t)(p->bits / 8);
    size_t stride = (row + ALIGN - 1) / ALIGN * ALIGN;
    size_t bytes = stride * (size_t)p->height;
    if (!rw_room_for(&decoder->pixels, &decoder->pixels_room, bytes, name, error))
        return false;
    /* 0x80 is mid-grey in 8 bits, 0x8080 in 16 */
    memset(decoder->pixels, 0x80, bytes);
    p->data = decoder->pixels;
    p->stride = (ptrdiff_t)stride;
    return true;
}

void rw_decoder_keep_profile(rw_decoder *decoder, const void *data, size_t bytes)
{
    g_free(decoder->profile);
    decoder->profile = bytes > 0 ? g_memdup2(data, bytes) : NULL;
    decoder->profile_bytes = decoder->profile ? bytes : 0;
}

void rw_pixels_fault(rw_pixels *pixels, const char *format, ...)
{
    if (pixels->damaged)
        return;
    va_list args;
    va_start(args, format);
    g_vsnprintf(pixels->fault, sizeof pixels->fault, format, args);
    va_end(args);
    pixels->damaged = true;
}

/* ---- the decoder ---- */

rw_decoder *rw_decoder_new(void)
{
    return g_new0(rw_decoder, 1);
}

void rw_decoder_free(rw_decoder **decoder)
{
    rw_decoder *d = *decoder;
    if (!d)
        return;
    g_free(d->file);
    g_free(d->pixels);
    g_free(d->scratch);
    g_free(d->profile);
    g_clear_pointer(decoder, g_free);
}

bool rw_decoder_decode_source(rw_decoder *decoder, const rw_source *source, int eighths,
                              rw_pixels *pixels, GError **error)
{
    *pixels = (rw_pixels){0};
    rw_decoder_keep_profile(decoder, NULL, 0);
    switch (rw_still_sniff(source)) {
    case RW_STILL_JPEG:
        return rw_jpeg_decode(decoder, source, eighths, pixels, error);
    case RW_STILL_PNG:
        return rw_png_decode(decoder, source, pixels, error);
    case RW_STILL_TIFF:
        return rw_tiff_decode(decoder, source, pixels, error);
    case RW_STILL_UNKNOWN:
        break;
    }
    return not_a_still(source, error);
}

static bool read_file(rw_decoder *decoder, const rw_source *file, GError **error)
{
    if (file->size > RW_STILL_MAX_FILE) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s is too large for a still.", file->name);
        return false;
    }
    if (!rw_room_for(&decoder->file, &decoder->file_room, (size_t)file->size, file->name, error))
        return false;
    if (rw_source_read(file, 0, decoder->file, (size_t)file->size))
        return true;
    rw_error_from_errno(error, errno, "Cannot read %s", file->name);
    return false;
}

bool rw_decoder_decode(rw_decoder *decoder, const char *path, int eighths, rw_pixels *pixels,
                       GError **error)
{
    g_return_val_if_fail(decoder && path && pixels && eighths >= 1 && eighths <= 8, false);
    rw_source file;
    if (!rw_source_open(&file, path, error))
        return false;
    bool ok = read_file(decoder, &file, error);
    rw_source_close(&file);
    if (!ok)
        return false;
    rw_source whole = rw_source_memory(path, decoder->file, (size_t)file.size);
    return rw_decoder_decode_source(decoder, &whole, eighths, pixels, error);
}

const void *rw_decoder_profile(const rw_decoder *decoder, size_t *bytes)
{
    if (bytes)
        *bytes = decoder->profile_bytes;
    return decoder->profile;
}

rw_affine rw_pixels_to_stored(int eighths)
{
    double scale = 8.0 / eighths, shift = 0.5 * scale - 0.5;
    return (rw_affine){{{scale, 0, shift}, {0, scale, shift}}};
}
