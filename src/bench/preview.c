/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/preview.h>

#include "bench/pictures.h"
#include "bench/preview.h"

#define MAKERS 2 /* as many as picture threads of the server */

struct rw_frames {
    rw_shelf *shelf;
    GMutex lock;
    GCond returned;
    rw_preview *idle[MAKERS]; /* guarded */
};

rw_frames *rw_frames_new(rw_shelf *shelf, size_t memory)
{
    rw_frames *frames = g_new0(rw_frames, 1);
    frames->shelf = shelf;
    g_mutex_init(&frames->lock);
    g_cond_init(&frames->returned);
    for (int i = 0; i < MAKERS; i++)
        frames->idle[i] = rw_preview_new(memory / MAKERS);
    return frames;
}

void rw_frames_free(rw_frames **frames)
{
    rw_frames *f = *frames;
    if (!f)
        return;
    for (int i = 0; i < MAKERS; i++)
        rw_preview_free(&f->idle[i]);
    g_cond_clear(&f->returned);
    g_mutex_clear(&f->lock);
    g_clear_pointer(frames, g_free);
}

/* The first that is free: a single page asks for one frame after the other and gets the maker that
 * has kept its pictures. */
static int take(rw_frames *frames, rw_preview **maker)
{
    int which = -1;
    g_mutex_lock(&frames->lock);
    while (which < 0) {
        for (int i = 0; i < MAKERS && which < 0; i++)
            if (frames->idle[i])
                which = i;
        if (which < 0)
            g_cond_wait(&frames->returned, &frames->lock);
    }
    *maker = g_steal_pointer(&frames->idle[which]);
    g_mutex_unlock(&frames->lock);
    return which;
}

static void give_back(rw_frames *frames, int which, rw_preview *maker)
{
    g_mutex_lock(&frames->lock);
    frames->idle[which] = maker;
    g_cond_signal(&frames->returned);
    g_mutex_unlock(&frames->lock);
}

GBytes *rw_frames_make(rw_frames *frames, const rw_frame_wish *wish, GError **error)
{
    rw_reel *reel = rw_shelf_borrow(frames->shelf, wish->reel, error);
    if (!reel)
        return NULL;
    rw_preview *maker;
    int which = take(frames, &maker);
    rw_finish_options options = RW_FINISH_DEFAULTS;
    options.size = wish->size;
    options.only = wish->only;
    options.skip = wish->skip;
    options.settings = wish->settings;
    rw_preview_picture picture;
    GBytes *bytes = NULL;
    if (rw_preview_make(maker, reel, &options, wish->n, &picture, error)) {
        bytes = rw_jpeg_encode(picture.rgb, picture.width, picture.height, 3 * picture.width, 3,
                               wish->quality, NULL, 0, error);
        rw_preview_picture_clear(&picture);
    }
    give_back(frames, which, maker);
    rw_shelf_return(frames->shelf, wish->reel, &reel);
    return bytes;
}
