/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * name.h - what kept pictures are called: everything that they follow from.
 */
#ifndef RW_FINISH_NAME_H
#define RW_FINISH_NAME_H

#include "finish/plan.h"

/* The registered picture p, as its still gives it. g_bytes_unref. */
GBytes *rw_name_registered(const rw_plan *plan, int64_t p);
/* Picture p after the first `stages` stages of the plan, when first..last are the registered
 * pictures that it is made from. Facts must be prepared. g_bytes_unref. */
GBytes *rw_name_after(const rw_plan *plan, int64_t p, int stages, int64_t first, int64_t last);

#endif
