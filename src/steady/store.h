/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * store.h - what steadying measured of each still, between memory and reel.db.
 *
 * Measurements of a still (docs/reel-folder.md): "steady.sight" with the ids of the stills that it
 * was compared with, "steady.mark", a number that names that sight, "steady.rungs" (ladder.h),
 * "steady.weave" (where the picture lies between its perforations), "steady.pose" (motion.h).
 */
#ifndef RW_STEADY_STORE_H
#define RW_STEADY_STORE_H

#include <reelwright/motion.h>
#include <reelwright/reel.h>

#include "gate/ladder.h"

/* Plain data, stored as a blob. */
typedef struct rw_steady_record {
    int64_t before[RW_STEADY_LINKS]; /* ids of stills, 0 none */
    rw_steady_sight sight;           /* version 0: nothing could be seen on this still */
} rw_steady_record;

/* Also puts the mark. */
bool rw_steady_put_record(rw_reel *reel, int64_t still, const rw_steady_record *record,
                          GError **error);
/* False without an error when there is none of today's version. */
bool rw_steady_get_record(rw_reel *reel, int64_t still, rw_steady_record *record, GError **error);
/* NAN without an error when there is none. */
double rw_steady_get_mark(rw_reel *reel, int64_t still, GError **error);

bool rw_steady_put_rungs(rw_reel *reel, int64_t still, const rw_rung_sight *rungs, GError **error);
bool rw_steady_get_rungs(rw_reel *reel, int64_t still, rw_rung_sight *rungs, GError **error);

bool rw_steady_put_weave(rw_reel *reel, int64_t still, const rw_camera_weave *weave,
                         GError **error);
bool rw_steady_get_weave(rw_reel *reel, int64_t still, rw_camera_weave *weave, GError **error);

/* run: names the scene that the pose was measured in; poses of one run only can be compared. */
typedef struct rw_steady_stored_pose {
    uint64_t run;
    rw_steady_pose pose;
} rw_steady_stored_pose;
bool rw_steady_put_pose(rw_reel *reel, int64_t still, const rw_steady_stored_pose *pose,
                        GError **error);
bool rw_steady_get_pose(rw_reel *reel, int64_t still, rw_steady_stored_pose *pose, GError **error);

#endif
