/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "colour/falloff.h"

const rw_falloff *rw_falloff_read(const void *data, size_t bytes)
{
    const rw_falloff *f = data;
    bool whole = data && bytes == sizeof *f && f->version == RW_FALLOFF_VERSION && f->width > 0 &&
                 f->height > 0 && isfinite(f->stops) && fabsf(f->stops) < 4;
    return whole ? f : NULL;
}
