/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * steady_footage.h - movies whose camera movement is known, for demo reels.
 *
 *     footage_write("pan.mkv", recipes, 1, &error);
 *
 * A scene looks at a clip of real footage through a window that the recipe moves: a pan with an
 * ease at each end, a hand's sway. A large moving body cut from another clip may stand before it.
 * Grey, FOOTAGE_WIDTH x FOOTAGE_HEIGHT. What unsteadies it, and grain, dirt and flicker, is the
 * demo reel's affair. Shares no code with what is measured: its own warp (six-tap windowed sinc).
 */
#ifndef RW_QUALITY_STEADY_FOOTAGE_H
#define RW_QUALITY_STEADY_FOOTAGE_H

#include <reelwright/types.h>

#define FOOTAGE_WIDTH  1440
#define FOOTAGE_HEIGHT 1080

/* What a few frames show in place of the scene. */
typedef enum footage_loss {
    FOOTAGE_SHOWN, /* the scene: whatever is lost is lost in the transfer */
    FOOTAGE_BLACK,
    FOOTAGE_BLURRED, /* the lens was turned far out of focus */
    FOOTAGE_COVERED  /* a hand before the lens: dark, near, moving */
} footage_loss;

typedef struct footage_recipe {
    const char *clip;  /* path of a movie */
    int first, frames; /* of the clip; played to and fro when it is too short */
    bool frozen;       /* its first frame only: nothing moves but what is added */
    double zoom;       /* px per clip px */
    double pan;        /* px that the window travels along x */
    double hand;       /* px rms of a slow sway */
    double object;     /* share of the picture that a moving body covers */
    const char *object_clip;
    double blur; /* px sd of a defocus, 0 none */
    footage_loss loss;
    int lost_first, lost_last; /* frames; last < first: none */
    int held_every;            /* every so many frames shows the frame before again, 0 never */
} footage_recipe;

/* Scenes one after the other, with a cut between them. */
bool footage_write(const char *path, const footage_recipe *scenes, int n_scenes, GError **error);

#endif
