/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * choice.h - what a person chose about steadying a scene.
 */
#ifndef RW_STEADY_CHOICE_H
#define RW_STEADY_CHOICE_H

#include <reelwright/motion.h>
#include <reelwright/reel.h>

/* The scene's own choices, else the reel's, else the defaults. A choice that makes no sense counts
 * as none: finish refuses it where it matters. */
bool rw_steady_choices(rw_reel *reel, int64_t scene, rw_steady_params *params, GError **error);

#endif
