/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <setjmp.h>
#include <stdio.h>

#include <jpeglib.h>

#include "report/content.h"

#define MAX_SIDE 4096 /* cache pictures are small; anything larger is not ours */

typedef struct reader_error {
    struct jpeg_error_mgr base;
    jmp_buf give_up;
} reader_error;

static void on_error(j_common_ptr info)
{
    longjmp(((reader_error *)info->err)->give_up, 1);
}

static void on_message(j_common_ptr info)
{
    (void)info;
}

bool rw_report_picture_open(GBytes *jpeg, rw_report_picture *picture)
{
    struct jpeg_decompress_struct d;
    reader_error error;
    gsize size;
    const unsigned char *data = g_bytes_get_data(jpeg, &size);
    unsigned char *volatile pixels = NULL;
    d.err = jpeg_std_error(&error.base);
    error.base.error_exit = on_error;
    error.base.output_message = on_message;
    if (setjmp(error.give_up)) {
        jpeg_destroy_decompress(&d);
        g_free(pixels);
        return false;
    }
    jpeg_create_decompress(&d);
    jpeg_mem_src(&d, data, (unsigned long)size);
    jpeg_read_header(&d, TRUE);
    if (d.image_width > MAX_SIDE || d.image_height > MAX_SIDE)
        longjmp(error.give_up, 1);
    /* Cairo's RGB24 is a native 32-bit word 0x00RRGGBB. */
    d.out_color_space = G_BYTE_ORDER == G_LITTLE_ENDIAN ? JCS_EXT_BGRX : JCS_EXT_XRGB;
    jpeg_start_decompress(&d);
    size_t stride = (size_t)d.output_width * 4;
    pixels = g_malloc(stride * d.output_height);
    while (d.output_scanline < d.output_height) {
        unsigned char *row = pixels + stride * d.output_scanline;
        jpeg_read_scanlines(&d, &row, 1);
    }
    *picture = (rw_report_picture){(int)d.output_width, (int)d.output_height, pixels};
    jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    return true;
}

void rw_report_picture_clear(rw_report_picture *picture)
{
    g_clear_pointer(&picture->argb, g_free);
}
