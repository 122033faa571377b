/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * scene.h - a scene's path, from reel.db to a plan.
 *
 *     rw_steady_poses(reel, gauge, stills, places, weave, count, poses, &found, &error);  //
 * measured once rw_steady_run *run = rw_steady_run_new(reel, first, last, want, &params, &error);
 * // planned rw_steady_run_free(&run);
 *
 * Survey measures poses at its end, so that finish only plans: milliseconds. A scene that a person
 * drew otherwise is measured again by whoever comes first, from the sights in reel.db; no still is
 * opened for it.
 */
#ifndef RW_STEADY_SCENE_H
#define RW_STEADY_SCENE_H

#include "steady/store.h"

/* Poses of stills in the order in which they were looked at, one scene. Measures and stores them
 * unless they are there. places: film_to_still of each; weave: NULL none. *found: any of them was
 * ever looked at. Not to be able to store them costs time and nothing else. */
bool rw_steady_poses(rw_reel *reel, const rw_gauge *gauge, const int64_t *stills,
                     const rw_affine *places, const rw_camera_weave *weave, size_t count,
                     rw_steady_pose *poses, bool *found, GError **error);

typedef struct rw_steady_run {
    int64_t first;
    int count;              /* frames of the film, missing ones with them */
    rw_steady_frame *frame; /* of film frame first + i */
    rw_rect *have;          /* film mm: what each frame shows; empty: nothing */
    rw_steady_scene scene;
    bool found; /* the scene was looked at; else the plan is to leave it alone */
} rw_steady_run;

/* Frames first..last are one scene. place: where the film lies on all of its stills; NULL: as
 * rw_reel_placements says. */
rw_steady_run *rw_steady_run_new(rw_reel *reel, int64_t first, int64_t last, const rw_affine *place,
                                 rw_rect want, const rw_steady_params *params, GError **error);
void rw_steady_run_free(rw_steady_run **run);

#endif
