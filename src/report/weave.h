/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * weave.h - how unsteady the picture lies on the stills, and in the movie.
 */
#ifndef RW_REPORT_WEAVE_H
#define RW_REPORT_WEAVE_H

#include <reelwright/reel.h>

#define RW_WEAVE_ROWS 1080.0 /* px are those of a picture so high */

/* One value per frame, px; NAN: not known. before: the picture on the still against the path that
 * it keeps in the movie, so transfer gate and camera together. after: what each frame and the one
 * before it, looked at by themselves, still say against that path. */
typedef struct rw_weave {
    double *before[2], *after[2]; /* across, along the film; owned by the caller */
} rw_weave;

bool rw_weave_gather(rw_reel *reel, int64_t frames, rw_weave *weave, GError **error);

/* rms of what is known, without the largest hundredth; NAN when nothing is. */
double rw_weave_rms(const double *values, int64_t count);

#endif
