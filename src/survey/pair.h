/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * pair.h - what a still and the one before it have to do with each other.
 */
#ifndef RW_SURVEY_PAIR_H
#define RW_SURVEY_PAIR_H

#include "survey/imprint.h"
#include "survey/measure.h"
#include "survey/step.h"

/* Fills the readings of pair scope and the step (its `before` excepted). before or now NULL: a
 * still without a picture; everything is unknown then. */
void rw_pair_read(rw_matcher *matcher, const rw_gauge *gauge, const rw_imprint *before,
                  const rw_imprint *now, rw_readings *readings, rw_step *step);

#endif
