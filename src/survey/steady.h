/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * steady.h - a survey's part in steadying: what is looked at for it, and what it concludes.
 *
 * A still is compared with those 1, 2, 4 ... 32 places before it. Its imprint waits on a belt until
 * the last comparison is made: no still is decoded for it a second time, and memory does not grow
 * with the reel. Item n of an ordered run that keeps at most `lag` items on their way makes the
 * sight of item n - lag, whose imprint and predecessors' all lie on the belt by then.
 */
#ifndef RW_SURVEY_STEADY_H
#define RW_SURVEY_STEADY_H

#include <reelwright/reel.h>

#include "gate/picture.h"
#include "steady/store.h"
#include "survey/basis.h"
#include "survey/track.h"

/* ---- what part of the stills is looked at ---- */

/* Stored as a fact beside the basis, found when there is none. paths in film order. */
bool rw_steady_area(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis,
                    const char *const *paths, size_t count, rw_rect *area, GError **error);

/* ---- one still ---- */

typedef struct rw_steady_glance {
    rw_steady_imprint *imprint; /* owned; NULL: nothing can be seen */
    rw_rung_sight rungs;        /* version 0: not looked at */
} rw_steady_glance;

typedef struct rw_steady_eye rw_steady_eye; /* one per thread */
rw_steady_eye *rw_steady_eye_new(const rw_gauge *gauge, rw_rect area);
void rw_steady_eye_free(rw_steady_eye **eye);
/* place: where the film lies, when a perforation says so; else NULL. */
void rw_steady_eye_look(rw_steady_eye *eye, const rw_pixels *pixels, const rw_affine *place,
                        rw_steady_glance *glance);
void rw_steady_glance_clear(rw_steady_glance *glance);

/* ---- the belt ---- */

typedef struct rw_belt rw_belt;
rw_belt *rw_belt_new(int lag);
void rw_belt_free(rw_belt **belt);
int rw_belt_lag(const rw_belt *belt);
/* On one thread, n = 0, 1, 2 ... Takes the imprint (may be NULL). */
void rw_belt_put(rw_belt *belt, int64_t n, rw_steady_imprint *imprint);
/* Any thread, while items after n + lag are not put. before: items, -1 none. */
void rw_belt_look(const rw_belt *belt, int64_t n, const int64_t before[RW_STEADY_LINKS],
                  rw_steady_sight *sight);

/* The links that a stored sight should have: of position i in a row of stills. */
void rw_steady_links(const int64_t *stills, size_t i, int64_t before[RW_STEADY_LINKS]);

/* ---- conclusions ---- */

/* After the gate was solved and cuts were found: cuts that are none; other rungs of the ladder
 * where no perforation tells, how far each frame can be trusted there, and the path of every scene
 * for finish to plan by. */
bool rw_steady_climb(rw_reel *reel, rw_track *track, GError **error);

#endif
