/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * stages.h - the rows of the stage table. A new stage: its file, its extern here, its row in
 * stage.c, its line in meson.build.
 */
#ifndef RW_RESTORE_STAGES_H
#define RW_RESTORE_STAGES_H

#include <reelwright/stage.h>

extern const rw_stage rw_stage_register; /* stage.c: acts through the composed transform */
extern const rw_stage rw_stage_steady;   /* steady.c */
extern const rw_stage rw_stage_noop;
extern const rw_stage rw_stage_flicker;
extern const rw_stage rw_stage_blemish;
extern const rw_stage rw_stage_grain;
extern const rw_stage rw_stage_colour;

#endif
