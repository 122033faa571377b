/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Exif: the block of a JPEG's APP1.
 */
#include <math.h>
#include <string.h>

#include "still/formats.h"
#include "target.h"

static void check_text(const char *text, size_t room)
{
    g_assert_cmpuint(strnlen(text, room), <, room);
    g_assert_true(g_utf8_validate(text, -1, NULL));
    for (const char *p = text; *p; p = g_utf8_next_char(p))
        g_assert_false(g_unichar_iscntrl(g_utf8_get_char(p)));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    rw_still_info info = {0};
    rw_exif_read(data, size, &info);
    g_assert_true(info.orientation >= 0 && info.orientation <= 8);
    g_assert_true(isfinite(info.exposure_s) && isfinite(info.f_number) && isfinite(info.focal_mm));
    g_assert_true(info.iso >= 0);
    g_assert_true(info.has_time || (!info.has_subsec && info.time_us == 0));
    check_text(info.make, sizeof info.make);
    check_text(info.model, sizeof info.model);
    check_text(info.serial, sizeof info.serial);
    check_text(info.exif_fault, sizeof info.exif_fault);
    if (info.has_time) {
        g_autofree char *time = rw_still_format_time(info.time_us);
        g_assert_cmpuint(strlen(time), >=, strlen("0001-01-01T00:00:00.000") - 3);
    }
    return 0;
}
