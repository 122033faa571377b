/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * camera.h - one still: film, gate, lens, sensor, row by row.
 *
 * What lies on the film and on the gate is laid down as light let through, 0..1, with every edge
 * covered by the share of the pixel that it fills; then smeared along the film if it moved, masked
 * by the gate, blurred by the lens, lit, made noisy, clipped and coded. Memory: a few rows, and the
 * eight-bit picture.
 */
#ifndef RW_DEMO_CAMERA_H
#define RW_DEMO_CAMERA_H

#include "demo/strip.h"
#include "demo/view.h"

/* 3 bytes a pixel, stored order; free with g_free. */
uint8_t *rw_demo_camera_shoot(const rw_demo_reel *reel, rw_demo_strip *strip,
                              const rw_demo_view *view, GError **error);

/* The developer that cels of this reel need; black: light through unexposed film. fade_matrix may
 * be NULL; it gets dye densities' 3 x 3 change (density minus film.dmin), offset the added one. */
void rw_demo_developer_set(const rw_demo_reel *reel, rw_demo_developer *developer, float black[3]);

#endif
