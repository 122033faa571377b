/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * made_reel.h - a small demo reel with its true geometry in reel.db, for tests of finish: as if a
 * survey without error had been run on it.
 */
#ifndef RW_TESTS_MADE_REEL_H
#define RW_TESTS_MADE_REEL_H

#include <reelwright/demo.h>
#include <reelwright/reel.h>

typedef struct made_reel {
    char *folder; /* removed with everything in it by made_reel_free, unless it is kept */
    bool kept;
    char *path; /* of the reel, in folder */
    rw_reel *reel;
    rw_demo *demo;
} made_reel;

/* stills: how many, from the head of the film; each a frame. Without faults of capture. */
made_reel *made_reel_new(const char *gauge, int stills, int width, int height, int turn,
                         bool mirrored);
/* Of any demo reel (one still per frame, whatever faults it has); folder NULL: a temporary one. A
 * folder that is given is kept. */
made_reel *made_reel_from(const rw_demo_options *options, const char *folder);
void made_reel_free(made_reel *made);
/* Scenes that begin at these frames; the first must be 0. */
void made_reel_set_scenes(made_reel *made, const int64_t *first, size_t count);
/* Full path of frame n's still, for damaging it; free with g_free. */
char *made_reel_still(const made_reel *made, int64_t n);
/* A whole file; g_free. bytes may be NULL. */
char *made_reel_read(const char *path, size_t *bytes);

#endif
