/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * kept.h - pictures that are kept for the next run, within a number of bytes: registered ones, and
 * those after the last stage that looks at several frames.
 *
 * What a picture is called says all that it follows from, so a kept one is as good as one made
 * anew. Frames are shared and must not be written to (rw_buffer_is_writable). Any thread.
 */
#ifndef RW_FINISH_KEPT_H
#define RW_FINISH_KEPT_H

#include "base/pool.h"

typedef struct rw_kept rw_kept;
rw_kept *rw_kept_new(size_t bytes);
void rw_kept_free(rw_kept **kept);

/* spots: what was found on the picture (rw_spot), kept with it by a reference; a NULL array is
 * none, a NULL pointer does not ask. kept NULL: nothing is ever found or kept. */
bool rw_kept_find(rw_kept *kept, GBytes *name, int64_t n, rw_frame *frame, GArray **spots);
void rw_kept_add(rw_kept *kept, GBytes *name, const rw_frame *frame, GArray *spots);

#endif
