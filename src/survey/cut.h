/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * cut.h - where one scene ends and the next begins, from the pair values of a track.
 */
#ifndef RW_SURVEY_CUT_H
#define RW_SURVEY_CUT_H

#include "survey/track.h"

/* Fills track->scene. A position begins a scene when its picture cannot be made from the last one
 * by moving parts of it and its tones differ, both by far more than is usual around it. */
void rw_cut_find(rw_track *track);

#endif
