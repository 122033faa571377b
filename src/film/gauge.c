/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "film/gauges/gauges.h"

static const rw_gauge *const gauges[] = {
    &rw_gauge_super8,
    &rw_gauge_regular8,
    NULL,
};

const rw_gauge *rw_gauge_find(const char *name)
{
    for (const rw_gauge *const *g = gauges; name && *g; g++)
        if (g_str_equal((*g)->name, name))
            return *g;
    return NULL;
}

const rw_gauge *const *rw_gauge_all(void)
{
    return gauges;
}
