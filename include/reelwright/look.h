/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * look.h - looks from and to open interchange: ASC CDL v1.2 as .cdl, .cc or .ccc, lookup tables as
 * .cube.
 *
 * Calling sequence:
 *     rw_look_take(reel, "scene:3", "warm.cdl", data, bytes, NULL, &error);  // choices, one step
 *     char *xml = rw_look_give(reel, &error);                                // of reel and scenes
 *
 * A correction becomes the choices colour.slope-red ... colour.cdl-saturation of the scope, a table
 * is kept with the reel (rw_reel_keep_look) and named by the choice colour.cube. Either is one step
 * that can be undone. Belongs to the thread of the reel.
 */
#ifndef REELWRIGHT_LOOK_H
#define REELWRIGHT_LOOK_H

#include <reelwright/reel.h>

#ifdef __cplusplus
extern "C" {
#endif

/* name tells by its extension what the data is. scope "reel" or "scene:<id>". id: which correction
 * of a collection; NULL: the first, or, when scope is NULL, each one by its id as rw_look_give
 * writes it: "reel", "scene 1" ... RW_ERROR_DAMAGED when the data is not of its kind,
 * RW_ERROR_NOT_FOUND when there is no such correction or scene. */
RW_API bool rw_look_take(rw_reel *reel, const char *scope, const char *name, const void *data,
                         size_t bytes, const char *id, GError **error);
/* A collection (.ccc) of the reel's correction and those of scenes that have one of their own.
 * g_free. */
RW_API char *rw_look_give(rw_reel *reel, GError **error);

#ifdef __cplusplus
}
#endif
#endif
