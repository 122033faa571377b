/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Lookup tables of any text: what is read can be applied to anything, and gives numbers.
 */
#include <math.h>

#include "colour/lut.h"
#include "target.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    g_autoptr(GError) error = NULL;
    rw_lut *lut = rw_lut_parse_cube((const char *)data, size, "fuzz.cube", &error);
    g_assert_true((lut == NULL) == (error != NULL));
    if (!lut)
        return 0;
    float r[] = {0, 1, -1e30f, 1e30f, NAN, 0.3f}, g[] = {1, 0, NAN, -5, 0.2f, 0.3f},
          b[] = {0.5f, 2, 0, 0, 1, 0.3f};
    rw_lut_apply(lut, r, g, b, 6);
    for (int i = 0; i < 6; i++)
        g_assert_true(isfinite(r[i]) && isfinite(g[i]) && isfinite(b[i]));
    rw_lut_free(&lut);
    return 0;
}
