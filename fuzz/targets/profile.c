/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Colour profiles of any bytes: read or refused, and what is read can be used.
 */
#include <math.h>

#include <reelwright/still.h>

#include "target.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static float table[256];
    float matrix[3][3];
    g_autoptr(GError) error = NULL;
    rw_profile *profile = rw_profile_new(data, size, &error);
    g_assert_true((profile == NULL) == (error != NULL));
    if (!profile)
        return 0;
    uint8_t in[12] = {0, 128, 255, 1, 2, 3, 255, 255, 255, 0, 0, 0};
    uint16_t out[12];
    rw_pixels pixels = {
        .data = in, .width = 4, .height = 1, .stride = 12, .bits = 8, .channels = 3};
    rw_profile_is_srgb(profile);
    rw_profile_shape(profile, 8, table, matrix);
    rw_profile_to_srgb(profile, &pixels, out, NULL);
    rw_profile_free(&profile);
    return 0;
}
