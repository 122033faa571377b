/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/jpeg.h"

#include <jpeglib.h>

#define THUMB_WIDTH  160 /* DCF: 160 x 120 */
#define THUMB_HEIGHT 120

/* Encoding to memory fails only for want of memory, and GLib ends the program then too; so does
 * libjpeg's own error handler. */
static unsigned char *encode(const uint8_t *pixels, int width, int height, int quality,
                             const GByteArray *app1, unsigned long *bytes)
{
    struct jpeg_compress_struct j;
    struct jpeg_error_mgr errors;
    unsigned char *out = NULL;
    *bytes = 0;
    j.err = jpeg_std_error(&errors);
    jpeg_create_compress(&j);
    jpeg_mem_dest(&j, &out, bytes);
    j.image_width = (JDIMENSION)width;
    j.image_height = (JDIMENSION)height;
    j.input_components = 3;
    j.in_color_space = JCS_RGB;
    jpeg_set_defaults(&j);
    jpeg_set_quality(&j, quality, TRUE);
    j.dct_method = JDCT_ISLOW;
    j.comp_info[0].h_samp_factor = 2; /* 4:2:2 */
    j.comp_info[0].v_samp_factor = 1;
    j.write_JFIF_header = FALSE;
    jpeg_start_compress(&j, TRUE);
    if (app1)
        jpeg_write_marker(&j, JPEG_APP0 + 1, app1->data, app1->len);
    while (j.next_scanline < j.image_height) {
        JSAMPROW row = (JSAMPROW)(uintptr_t)(pixels + (size_t)j.next_scanline * 3 * (size_t)width);
        jpeg_write_scanlines(&j, &row, 1);
    }
    jpeg_finish_compress(&j);
    jpeg_destroy_compress(&j);
    return out;
}

/* The whole picture in 160 x 120, black bars where the shapes differ. */
static unsigned char *thumbnail(const uint8_t *pixels, int width, int height, unsigned long *bytes)
{
    uint8_t *small = g_malloc0(3 * THUMB_WIDTH * THUMB_HEIGHT);
    int w = MIN(THUMB_WIDTH, THUMB_HEIGHT * width / height);
    int h = MIN(THUMB_HEIGHT, THUMB_WIDTH * height / width);
    w = MAX(w, 1);
    h = MAX(h, 1);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            int x0 = x * width / w, x1 = MAX((x + 1) * width / w, x0 + 1);
            int y0 = y * height / h, y1 = MAX((y + 1) * height / h, y0 + 1);
            /* a few samples of the box are plenty */
            int sx = MAX(1, (x1 - x0) / 3), sy = MAX(1, (y1 - y0) / 3), n = 0, sum[3] = {0};
            for (int j = y0; j < y1; j += sy)
                for (int i = x0; i < x1; i += sx, n++)
                    for (int c = 0; c < 3; c++)
                        sum[c] += pixels[3 * ((size_t)j * (size_t)width + (size_t)i) + (size_t)c];
            uint8_t *p = small + 3 * ((y + (THUMB_HEIGHT - h) / 2) * THUMB_WIDTH + x +
                                      (THUMB_WIDTH - w) / 2);
            for (int c = 0; c < 3; c++)
                p[c] = (uint8_t)(sum[c] / n);
        }
    unsigned char *out = encode(small, THUMB_WIDTH, THUMB_HEIGHT, 80, NULL, bytes);
    g_free(small);
    return out;
}

GBytes *rw_demo_jpeg_encode(const uint8_t *pixels, int width, int height, int quality,
                            const rw_demo_exif *exif)
{
    unsigned long small_bytes, bytes;
    unsigned char *small = thumbnail(pixels, width, height, &small_bytes);
    GByteArray *app1 = rw_demo_exif_build(exif, width, height, small, small_bytes);
    unsigned char *out = encode(pixels, width, height, quality, app1, &bytes);
    free(small);
    g_byte_array_unref(app1);
    return g_bytes_new_with_free_func(out, bytes, free, out);
}
