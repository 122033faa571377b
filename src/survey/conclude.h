/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * conclude.h - from what was measured to what reel.db says of the reel: geometry, film order,
 * scenes, which way is up, findings. Everything in one transaction.
 */
#ifndef RW_SURVEY_CONCLUDE_H
#define RW_SURVEY_CONCLUDE_H

#include <reelwright/survey.h>

#include "survey/basis.h"

/* order: ids of all stills in the row of frames. Fills the summary but for `measured`. */
bool rw_conclude(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis, const int64_t *order,
                 size_t count, rw_survey_summary *summary, GError **error);

#endif
