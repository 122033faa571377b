/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "steady/store.h"

#define SIGHT "steady.sight"
#define MARK  "steady.mark"
#define RUNGS "steady.rungs"
#define WEAVE "steady.weave"
#define POSE  "steady.pose"

#define RECORD_VERSION RW_STEADY_VERSION
#define POSE_VERSION   (100 * RW_STEADY_VERSION + 3) /* a new sight makes every pose stale */

/* Copies a blob of exactly `bytes`; false without error when there is none. */
static bool get_blob(rw_reel *reel, int64_t still, const char *name, int version, void *out,
                     size_t bytes, GError **error)
{
    g_autoptr(GBytes) blob = rw_reel_get_measure_blob(reel, still, name, version, error);
    bool ok = blob && g_bytes_get_size(blob) == bytes;
    if (ok)
        memcpy(out, g_bytes_get_data(blob, NULL), bytes);
    return ok;
}

/* FNV-1a, cut to what a double holds exactly. */
static double mark_of(const void *data, size_t bytes)
{
    const uint8_t *p = data;
    uint64_t hash = 14695981039346656037u;
    for (size_t i = 0; i < bytes; i++)
        hash = (hash ^ p[i]) * 1099511628211u;
    return (double)(hash >> 11);
}

bool rw_steady_put_record(rw_reel *reel, int64_t still, const rw_steady_record *record,
                          GError **error)
{
    return rw_reel_put_measure_blob(reel, still, SIGHT, RECORD_VERSION, record, sizeof *record,
                                    error) &&
           rw_reel_put_measure(reel, still, MARK, RECORD_VERSION, mark_of(record, sizeof *record),
                               error);
}

bool rw_steady_get_record(rw_reel *reel, int64_t still, rw_steady_record *record, GError **error)
{
    return get_blob(reel, still, SIGHT, RECORD_VERSION, record, sizeof *record, error);
}

double rw_steady_get_mark(rw_reel *reel, int64_t still, GError **error)
{
    return rw_reel_get_measure(reel, still, MARK, RECORD_VERSION, error);
}

bool rw_steady_put_rungs(rw_reel *reel, int64_t still, const rw_rung_sight *rungs, GError **error)
{
    return rw_reel_put_measure_blob(reel, still, RUNGS, RW_RUNG_VERSION, rungs, sizeof *rungs,
                                    error);
}

bool rw_steady_get_rungs(rw_reel *reel, int64_t still, rw_rung_sight *rungs, GError **error)
{
    return get_blob(reel, still, RUNGS, RW_RUNG_VERSION, rungs, sizeof *rungs, error);
}

bool rw_steady_put_weave(rw_reel *reel, int64_t still, const rw_camera_weave *weave, GError **error)
{
    return rw_reel_put_measure_blob(reel, still, WEAVE, RW_RUNG_VERSION, weave, sizeof *weave,
                                    error);
}

bool rw_steady_get_weave(rw_reel *reel, int64_t still, rw_camera_weave *weave, GError **error)
{
    return get_blob(reel, still, WEAVE, RW_RUNG_VERSION, weave, sizeof *weave, error);
}

bool rw_steady_put_pose(rw_reel *reel, int64_t still, const rw_steady_stored_pose *pose,
                        GError **error)
{
    return rw_reel_put_measure_blob(reel, still, POSE, POSE_VERSION, pose, sizeof *pose, error);
}

bool rw_steady_get_pose(rw_reel *reel, int64_t still, rw_steady_stored_pose *pose, GError **error)
{
    return get_blob(reel, still, POSE, POSE_VERSION, pose, sizeof *pose, error);
}
