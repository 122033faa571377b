/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <setjmp.h>
#include <stdio.h>
#include <sys/stat.h>

#include <glib/gstdio.h>
#include <jpeglib.h>

#include <reelwright/survey.h>

#include "survey/cache.h"

char *rw_survey_picture_path(int64_t still)
{
    return g_strdup_printf("cache/%06" G_GINT64_FORMAT ".jpg", still);
}

static char *full_path(const char *reel_path, int64_t still)
{
    g_autofree char *relative = rw_survey_picture_path(still);
    return g_build_filename(reel_path, relative, NULL);
}

bool rw_cache_has(const char *reel_path, int64_t still)
{
    g_autofree char *path = full_path(reel_path, still);
    struct stat s;
    return g_stat(path, &s) == 0 && S_ISREG(s.st_mode) && s.st_size > 0;
}

/* The temporary name is the same in every try, so that one of a killed survey is written over by
 * the next, and nothing is left behind. */
bool rw_cache_write(const char *reel_path, int64_t still, const void *picture, size_t bytes,
                    GError **error)
{
    g_autofree char *path = full_path(reel_path, still);
    g_autofree char *folder = g_path_get_dirname(path);
    g_autofree char *temp = g_strconcat(path, ".part", NULL);
    bool ok = g_mkdir_with_parents(folder, 0777) == 0;
    FILE *out = ok ? g_fopen(temp, "wbe") : NULL;
    ok = out && fwrite(picture, 1, bytes, out) == bytes;
    if (out && fclose(out) != 0)
        ok = false;
    if (!ok || g_rename(temp, path) != 0) {
        rw_error_from_errno(error, errno, "Cannot write the small picture %s", path);
        g_unlink(temp);
        return false;
    }
    return true;
}

typedef struct jpeg_fault {
    struct jpeg_error_mgr manager;
    jmp_buf leave;
} jpeg_fault;

static void on_error(j_common_ptr info)
{
    jpeg_fault *fault = (jpeg_fault *)(void *)info->err;
    longjmp(fault->leave, 1);
}

static void on_message(j_common_ptr info)
{
    (void)info; /* it is our own file, and can be made again */
}

static uint8_t *decode_luma(const uint8_t *data, gsize bytes, int *width, int *height)
{
    struct jpeg_decompress_struct d;
    jpeg_fault fault;
    uint8_t *volatile out = NULL;
    d.err = jpeg_std_error(&fault.manager);
    fault.manager.error_exit = on_error;
    fault.manager.output_message = on_message;
    if (setjmp(fault.leave)) {
        jpeg_destroy_decompress(&d);
        g_free(out);
        return NULL;
    }
    jpeg_create_decompress(&d);
    jpeg_mem_src(&d, data, bytes);
    jpeg_read_header(&d, TRUE);
    d.out_color_space = JCS_GRAYSCALE;
    jpeg_start_decompress(&d);
    *width = (int)d.output_width;
    *height = (int)d.output_height;
    out = g_malloc((gsize)d.output_width * d.output_height);
    while (d.output_scanline < d.output_height) {
        JSAMPROW row = out + (size_t)d.output_scanline * d.output_width;
        jpeg_read_scanlines(&d, &row, 1);
    }
    jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    return out;
}

uint8_t *rw_cache_read_luma(const char *reel_path, int64_t still, int *width, int *height)
{
    g_autofree char *path = full_path(reel_path, still);
    g_autofree char *data = NULL;
    gsize bytes;
    if (!g_file_get_contents(path, &data, &bytes, NULL) || bytes == 0)
        return NULL;
    return decode_luma((const uint8_t *)data, bytes, width, height);
}
