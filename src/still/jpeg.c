/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#include <jpeglib.h>

/* The message codes alone: the macros of jerror.h make calls that are banned here. */
enum {
#define JERROR_H
#define JMESSAGE(code, text) code,
#include <jerror.h>
};

#include "still/formats.h"

/* ---- probe: walk the segments up to the frame header (ITU-T T.81, Annex B) ---- */

enum {
    SOI = 0xD8,
    EOI = 0xD9,
    SOS = 0xDA,
    DHT = 0xC4,
    JPG = 0xC8,
    DAC = 0xCC,
    APP1 = 0xE1,
    APP2 = 0xE2,
    TEM = 0x01
};

static bool is_frame_header(int marker)
{
    return marker >= 0xC0 && marker <= 0xCF && marker != DHT && marker != JPG && marker != DAC;
}

static bool damaged(const rw_source *source, GError **error, const char *what)
{
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s %s.", source->name, what);
    return false;
}

static bool components_ok(const rw_source *source, int components, GError **error)
{
    if (components == 1 || components == 3)
        return true;
    return damaged(source, error,
                   components == 4 ? "is a JPEG in four colours (CMYK), not RGB; save it as RGB"
                                   : "is a JPEG with a number of colours that is neither 1 nor 3");
}

static bool read_frame_header(const rw_source *source, uint64_t at, int marker, rw_still_info *info,
                              GError **error)
{
    uint8_t h[6];
    if (!rw_source_read(source, at, h, sizeof h))
        return damaged(source, error, "is a JPEG that ends inside its header");
    info->bits = h[0];
    info->height = rw_get_be16(h + 1);
    info->width = rw_get_be16(h + 3);
    info->channels = h[5];
    if (info->bits != 8 || marker == 0xC3 || (marker > 0xC3 && marker < 0xC9) || marker > 0xCA)
        return damaged(source, error,
                       "is a JPEG of a rare kind (lossless, hierarchical or 12 bit) that cannot "
                       "be read here; save it as baseline JPEG, PNG or TIFF");
    return components_ok(source, info->channels, error) &&
           rw_still_size_ok(source->name, (uint64_t)info->width, (uint64_t)info->height, error);
}

static void read_app(const rw_source *source, uint64_t at, size_t bytes, int marker,
                     rw_still_info *info, bool *have_exif)
{
    static const char exif_name[6] = "Exif\0", profile_name[12] = "ICC_PROFILE";
    uint8_t data[65536];
    if (!rw_source_read(source, at, data, bytes))
        return;
    if (marker == APP1 && !*have_exif && bytes > sizeof exif_name &&
        memcmp(data, exif_name, sizeof exif_name) == 0) {
        rw_exif_read(data, bytes, info);
        *have_exif = true;
    }
    if (marker == APP2 && bytes > sizeof profile_name &&
        memcmp(data, profile_name, sizeof profile_name) == 0)
        info->has_profile = true;
}

bool rw_jpeg_probe(const rw_source *source, rw_still_info *info, GError **error)
{
    uint64_t at = 2;
    bool have_exif = false;
    info->format = RW_STILL_JPEG;
    for (;;) {
        uint8_t m[4];
        if (!rw_source_read(source, at, m, 2))
            return damaged(source, error, "is a JPEG that ends inside its header");
        if (m[0] != 0xFF)
            return damaged(source, error, "is a JPEG with a broken header");
        if (m[1] == 0xFF) { /* fill byte */
            at++;
            continue;
        }
        if (m[1] == TEM || (m[1] >= 0xD0 && m[1] <= SOI)) { /* stand alone */
            at += 2;
            continue;
        }
        if (m[1] == SOS || m[1] == EOI || m[1] == 0 || !rw_source_read(source, at, m, 4))
            return damaged(source, error, "is a JPEG without a picture in it");
        size_t bytes = rw_get_be16(m + 2);
        if (bytes < 2)
            return damaged(source, error, "is a JPEG with a broken header");
        if (is_frame_header(m[1]))
            return read_frame_header(source, at + 4, m[1], info, error);
        if (m[1] == APP1 || m[1] == APP2)
            read_app(source, at + 4, bytes - 2, m[1], info, &have_exif);
        at += 2 + bytes;
    }
}

/* ---- decode ---- */

typedef struct job {
    struct jpeg_decompress_struct cinfo;
    struct jpeg_error_mgr errors;
    struct jpeg_progress_mgr progress;
    jmp_buf out;
    rw_pixels *pixels;
    volatile int rows; /* delivered so far; read after a longjmp */
} job;

G_GNUC_NORETURN static void on_fatal(j_common_ptr cinfo)
{
    job *j = cinfo->client_data;
    longjmp(j->out, 1);
}

/* What libjpeg survives. Stray bytes between segments hurt no picture; the others do. */
static void on_message(j_common_ptr cinfo, int level)
{
    job *j = cinfo->client_data;
    if (level >= 0)
        return;
    switch (j->errors.msg_code) {
    case JWRN_JPEG_EOF:
        rw_pixels_fault(j->pixels, "the file is cut short");
        break;
    case JWRN_HIT_MARKER:
    case JWRN_HUFF_BAD_CODE:
    case JWRN_ARITH_BAD_CODE:
    case JWRN_BOGUS_PROGRESSION:
    case JWRN_MUST_RESYNC:
        rw_pixels_fault(j->pixels, "the picture data is corrupt");
        break;
    default:
        break;
    }
}

/* A hostile progressive file can ask for scans without end. */
static void on_progress(j_common_ptr cinfo)
{
    job *j = cinfo->client_data;
    if (j->cinfo.input_scan_number > 500) {
        cinfo->err->msg_code = JERR_BAD_PROGRESSION;
        on_fatal(cinfo);
    }
}

static void set_up(job *j)
{
    struct jpeg_decompress_struct *c = &j->cinfo;
    c->err = jpeg_std_error(&j->errors);
    j->errors.error_exit = on_fatal;
    j->errors.emit_message = on_message;
    c->client_data = j;
}

static void keep_profile(job *j, rw_decoder *decoder)
{
    JOCTET *data = NULL;
    unsigned bytes = 0;
    if (jpeg_read_icc_profile(&j->cinfo, &data, &bytes))
        rw_decoder_keep_profile(decoder, data, bytes);
    free(data); /* libjpeg's own malloc */
}

static bool start(job *j, rw_decoder *decoder, const rw_source *source, int eighths, GError **error)
{
    struct jpeg_decompress_struct *c = &j->cinfo;
    rw_pixels *p = j->pixels;
    if (setjmp(j->out))
        return damaged(source, error, "is a JPEG that cannot be decoded");
    jpeg_create_decompress(c);
    j->progress.progress_monitor = on_progress;
    c->progress = &j->progress;
    jpeg_mem_src(c, source->memory, (unsigned long)source->size);
    jpeg_save_markers(c, JPEG_APP0 + 2, 0xFFFF);
    jpeg_read_header(c, TRUE);
    if (!components_ok(source, c->num_components, error) ||
        !rw_still_size_ok(source->name, c->image_width, c->image_height, error))
        return false;
    keep_profile(j, decoder);
    /* Exact integer transform and smooth chroma: the same samples on every machine. */
    c->dct_method = JDCT_ISLOW;
    c->do_fancy_upsampling = TRUE;
    c->out_color_space = c->num_components == 1 ? JCS_GRAYSCALE : JCS_RGB;
    c->scale_num = (unsigned)eighths;
    c->scale_denom = 8;
    jpeg_calc_output_dimensions(c);
    p->width = (int)c->output_width;
    p->height = (int)c->output_height;
    p->full_width = (int)c->image_width;
    p->full_height = (int)c->image_height;
    p->bits = 8;
    p->channels = c->num_components;
    p->eighths = eighths;
    if (!rw_decoder_picture(decoder, p, source->name, error))
        return false;
    jpeg_start_decompress(c);
    return true;
}

/* Any fault from here on leaves what came and mid-grey below it. */
static void read_rows(job *j, uint8_t *data)
{
    rw_pixels *p = j->pixels;
    if (setjmp(j->out)) {
        rw_pixels_fault(p, "the picture data is corrupt");
        return;
    }
    while (j->rows < p->height) {
        JSAMPROW row[4];
        int n = MIN(p->height - j->rows, (int)G_N_ELEMENTS(row));
        for (int i = 0; i < n; i++)
            row[i] = data + (ptrdiff_t)(j->rows + i) * p->stride;
        j->rows += (int)jpeg_read_scanlines(&j->cinfo, row, (JDIMENSION)n);
    }
    jpeg_finish_decompress(&j->cinfo); /* tells of a missing end */
}

bool rw_jpeg_decode(rw_decoder *decoder, const rw_source *source, int eighths, rw_pixels *pixels,
                    GError **error)
{
    job *j = g_new0(job, 1);
    j->pixels = pixels;
    set_up(j);
    bool ok = start(j, decoder, source, eighths, error);
    if (ok)
        read_rows(j, decoder->pixels);
    jpeg_destroy_decompress(&j->cinfo);
    g_free(j);
    return ok;
}
