/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/colour.h>

#include "colour/lut.h"
#include "colour/still_curve.h"

static bool curve_of_table(const char *name, GBytes *text, int bits, float *light, GError **error)
{
    gsize bytes;
    const char *data = g_bytes_get_data(text, &bytes);
    rw_lut *lut = rw_lut_parse_cube(data, bytes, name, error);
    if (!lut)
        return false;
    bool flat = rw_lut_dimensions(lut) == 1;
    size_t top = ((size_t)1 << bits) - 1;
    if (!flat)
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "%s is a table of three dimensions; a camera's curve is one of one.", name);
    for (size_t code = 0; flat && code <= top; code++) {
        float v = (float)code / (float)top, green = v, blue = v;
        rw_lut_apply(lut, &v, &green, &blue, 1);
        light[code] = green;
    }
    rw_lut_free(&lut);
    return flat;
}

bool rw_still_curve(const char *curve, GBytes *table, int bits, float *light, GError **error)
{
    return table ? curve_of_table(curve, table, bits, light, error)
                 : rw_curve_read(*curve ? curve : "srgb", bits, light, error);
}
