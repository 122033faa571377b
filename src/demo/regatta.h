/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * regatta.h - the built-in scenes: a model-boat regatta on the pond of a park, one afternoon.
 *
 * Four kinds of scene take turns, with hard cuts between them: the pond from a tripod, a pan along
 * the far bank, the boats close by, and the near bank with a dog. Everything is drawn from noise
 * and outlines; nothing is stored.
 */
#ifndef RW_DEMO_REGATTA_H
#define RW_DEMO_REGATTA_H

#include "demo/source.h"

typedef struct rw_demo_regatta rw_demo_regatta;

rw_demo_regatta *rw_demo_regatta_new(uint64_t seed, int64_t frames, int width, int height);
void rw_demo_regatta_free(rw_demo_regatta **regatta);
/* Free with g_free; the names are static. */
rw_demo_scene *rw_demo_regatta_scenes(const rw_demo_regatta *regatta, int *count);
/* Any frame, any thread; picture has its size and memory. */
void rw_demo_regatta_draw(const rw_demo_regatta *regatta, int64_t film, rw_demo_picture *picture);

#endif
