/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * name.h - what kept pictures and facts are called: everything that they follow from.
 */
#ifndef RW_FINISH_NAME_H
#define RW_FINISH_NAME_H

#include "finish/plan.h"

/* The parts of such a name, also of facts: how a view shows the film of which stills, and where the
 * film lies on the still of picture p. */
void rw_name_add_view(GByteArray *name, const rw_plan *plan, const rw_composition *view);
void rw_name_add_still(GByteArray *name, const rw_plan *plan, int64_t p);

/* The registered picture p, as its still gives it. g_bytes_unref. */
GBytes *rw_name_registered(const rw_plan *plan, int64_t p);
/* Picture p after the first `stages` stages of the plan, when first..last are the registered
 * pictures that it is made from. Facts must be prepared. g_bytes_unref. */
GBytes *rw_name_after(const rw_plan *plan, int64_t p, int stages, int64_t first, int64_t last);

#endif
