/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * prepare.h - facts that a stage draws from a scene's history, before the first frame is made.
 *
 * Facts are kept in reel.db. The name they go by covers all that they follow from: stage, version,
 * parameters, the scene's stills and where the film lies on them, and the view. So a changed slider
 * or a re-shot still makes anew what hangs on it and nothing else. They always come from the whole
 * scene, also when a part of it is asked for.
 */
#ifndef RW_FINISH_PREPARE_H
#define RW_FINISH_PREPARE_H

#include "base/pool.h"
#include "finish/plan.h"

/* Fills in the facts of all stages in all scenes that pictures first..last lie in. */
bool rw_prepare(rw_plan *plan, int64_t first, int64_t last, rw_pool *pool,
                const rw_finish_options *callbacks, GError **error);

#endif
