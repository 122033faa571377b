/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * window.h - the window of pictures that a stage gets to see, within its scene.
 */
#ifndef RW_FINISH_WINDOW_H
#define RW_FINISH_WINDOW_H

#include "finish/plan.h"

/* The pictures that a window round p with this reach really has. */
static inline void rw_window_range(const rw_picture *picture, int64_t p, int before, int after,
                                   int64_t *first, int64_t *last)
{
    *first = MAX(p - before, picture->first);
    *last = MIN(p + after, picture->last);
}

/* frames[i] is picture first + i, for first .. last of rw_window_range; film_to_frame that of the
 * composition, from steadied film. */
void rw_window_make(rw_window *window, const rw_plan *plan, int64_t p, int before, int after,
                    int64_t first, int64_t last, const rw_frame *const *frames,
                    rw_affine film_to_frame);

#endif
