/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * footage.h - moving pictures from a file, as linear light.
 */
#ifndef RW_DEMO_FOOTAGE_H
#define RW_DEMO_FOOTAGE_H

#include "demo/source.h"

typedef struct rw_demo_footage rw_demo_footage;

/* Reads the whole file's index. aspect: width over height of the crop; most_width: the crop is
 * area-reduced to at most this many pixels across, then by `reduce` again. */
rw_demo_footage *rw_demo_footage_open(const char *path, double aspect, int most_width,
                                      double reduce, GError **error);
void rw_demo_footage_close(rw_demo_footage **footage);
int64_t rw_demo_footage_count(const rw_demo_footage *footage);
/* Frame 0 .. count-1 in order of display. Any thread. */
bool rw_demo_footage_draw(rw_demo_footage *footage, int64_t frame, rw_demo_picture *picture,
                          GError **error);

#endif
