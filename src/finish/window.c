/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "finish/window.h"

void rw_window_make(rw_window *w, const rw_plan *plan, int64_t p, int before, int after,
                    int64_t first, int64_t last, const rw_frame *const *frames,
                    rw_affine film_to_frame)
{
    memset(w, 0, sizeof *w);
    w->before = before;
    w->after = after;
    for (int64_t q = first; q <= last; q++) {
        w->frame[RW_REACH_MAX + q - p] = frames[q - first];
        w->film_to_frame[RW_REACH_MAX + q - p] =
            rw_affine_then(plan->stills[q].steady, film_to_frame);
    }
}
