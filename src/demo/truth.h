/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * truth.h - truth.json: docs/demo-reel.md is its specification.
 */
#ifndef RW_DEMO_TRUTH_H
#define RW_DEMO_TRUTH_H

#include "demo/source.h"
#include "demo/view.h"

typedef struct rw_demo_truth_info {
    const rw_demo_reel *reel;
    const rw_demo_options *options;
    const rw_demo_scene *scenes;
    int n_scenes;
    int64_t start_ms; /* of the clock, since 1970 */
} rw_demo_truth_info;

/* One still as a JSON object without a comma after it. */
char *rw_demo_truth_still(const rw_demo_truth_info *info, int64_t n, const rw_demo_view *view);
/* Everything before the stills, "[" of theirs included; and everything after. */
char *rw_demo_truth_head(const rw_demo_truth_info *info);
char *rw_demo_truth_tail(const rw_demo_truth_info *info);

#endif
