/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Corrections of any XML: what is read lies in its range and is read again from what is written.
 */
#include <math.h>
#include <string.h>

#include "colour/cdl.h"
#include "target.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    g_autoptr(GError) error = NULL;
    g_autoptr(GArray) list = rw_cdl_parse((const char *)data, size, "fuzz.cdl", &error);
    g_assert_true((list == NULL) == (error != NULL));
    if (!list)
        return 0;
    const rw_cdl *cdls = (const rw_cdl *)(const void *)list->data;
    for (guint i = 0; i < list->len; i++)
        for (int c = 0; c < 3; c++)
            g_assert_true(cdls[i].slope[c] >= 0 && isfinite(cdls[i].offset[c]) &&
                          cdls[i].power[c] > 0 && cdls[i].saturation >= 0);
    g_autofree char *xml = rw_cdl_format(cdls, list->len);
    g_autoptr(GArray) again = rw_cdl_parse(xml, strlen(xml), "again.cdl", &error);
    g_assert_no_error(error);
    g_assert_cmpuint(again->len, ==, list->len);
    for (guint i = 0; i < list->len; i++)
        g_assert_cmpfloat(g_array_index(again, rw_cdl, i).slope[0], ==, cdls[i].slope[0]);
    return 0;
}
