/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Camera files: headers, then pixels, of whatever JPEG, PNG or TIFF the input says that it is. The
 * length of the input chooses the scale.
 */
#include <string.h>

#include "still/formats.h"
#include "target.h"

/* Larger pictures are no other code, only slower. */
enum { MOST_PIXELS = 1 << 20 };

static void check_pixels(const rw_still_info *info, const rw_pixels *p)
{
    size_t row = (size_t)p->width * (size_t)p->channels * (size_t)p->bits / 8;
    uint64_t sum = 0;
    g_assert_cmpint(p->full_width, ==, info->width);
    g_assert_cmpint(p->full_height, ==, info->height);
    g_assert_cmpint(p->width, ==, (info->width * p->eighths + 7) / 8);
    g_assert_cmpint(p->height, ==, (info->height * p->eighths + 7) / 8);
    g_assert_true(p->channels == 1 || p->channels == 3);
    g_assert_true(p->bits == 8 || p->bits == 16);
    g_assert_cmpuint((size_t)p->stride, >=, row);
    g_assert_true(p->damaged == (p->fault[0] != '\0'));
    for (int y = 0; y < p->height; y++)
        for (size_t i = 0; i < row; i++)
            sum += ((const uint8_t *)p->data)[(size_t)y * (size_t)p->stride + i];
    g_assert_cmpuint(sum, <=, UINT64_C(255) * row * (uint64_t)p->height);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    g_autoptr(GError) error = NULL;
    rw_source source = rw_source_memory("input", data, size);
    rw_still_info info;
    rw_pixels pixels;
    if (!rw_still_probe_source(&source, &info, &error)) {
        g_assert_nonnull(error);
        return 0;
    }
    g_assert_no_error(error);
    if ((int64_t)info.width * info.height > MOST_PIXELS)
        return 0;
    rw_decoder *decoder = rw_decoder_new();
    if (rw_decoder_decode_source(decoder, &source, 1 + (int)(size % 8), &pixels, &error))
        check_pixels(&info, &pixels);
    else
        g_assert_nonnull(error);
    rw_decoder_free(&decoder);
    return 0;
}
