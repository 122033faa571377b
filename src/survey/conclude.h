/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * conclude.h - from what was measured to what reel.db says of the reel: geometry, film order,
 * scenes, which way is up, findings. Everything in one transaction.
 */
#ifndef RW_SURVEY_CONCLUDE_H
#define RW_SURVEY_CONCLUDE_H

#include <reelwright/survey.h>

#include "survey/basis.h"

/* order: ids of the stills that were shot first, in the order of the film. Places those that were
 * shot again among them. Fills the summary; `measured` grows by those. */
bool rw_conclude(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis, const int64_t *order,
                 size_t count, const rw_survey_options *options, rw_survey_summary *summary,
                 GError **error);

#endif
