/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef RW_COLOUR_GRADE_DSP_H
#define RW_COLOUR_GRADE_DSP_H

#include "base/cpu.h"
#include "colour/grade.h"

/* before: up to and including the CDL, left coded when a table follows; after: coded to light. */
typedef struct rw_grade_dsp {
    rw_grade_row_fn *before, *after;
} rw_grade_dsp;

void rw_grade_dsp_init(rw_grade_dsp *dsp, rw_cpu level);

#endif
