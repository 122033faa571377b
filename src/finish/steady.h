/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * steady.h - each scene's path, planned from what the survey measured, becomes part of the map from
 * stills to the movie: register, then steady, then crop and scale, one resample.
 */
#ifndef RW_FINISH_STEADY_H
#define RW_FINISH_STEADY_H

#include "finish/plan.h"

/* The scenes that pictures first..last lie in, whole; before anything asks for their composition.
 */
bool rw_steady_scenes(rw_plan *plan, int64_t first, int64_t last, GError **error);

#endif
