/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "motion/field.h"

#define DECLARE(isa)                                                                               \
    rw_motion_sad_fn rw_motion_sad_##isa;                                                          \
    rw_motion_sad_sub_fn rw_motion_sad_sub_##isa;                                                  \
    rw_motion_code_fn rw_motion_code_##isa;                                                        \
    rw_motion_sad8_fn rw_motion_sad8_##isa;                                                        \
    rw_motion_normal_fn rw_motion_normal_##isa;                                                    \
    rw_motion_smooth_fn rw_motion_smooth_##isa;                                                    \
    rw_motion_halve_fn rw_motion_halve_##isa;                                                      \
    rw_motion_warp_fn rw_motion_warp_##isa;

#define USE(isa)                                                                                   \
    *dsp = (rw_motion_dsp)                                                                         \
    {                                                                                              \
        .sad = rw_motion_sad_##isa, .sad_sub = rw_motion_sad_sub_##isa,                            \
        .code = rw_motion_code_##isa, .sad8 = rw_motion_sad8_##isa,                                \
        .normal = rw_motion_normal_##isa, .smooth = rw_motion_smooth_##isa,                        \
        .halve = rw_motion_halve_##isa, .warp = rw_motion_warp_##isa                               \
    }

RW_CPU_DECLARE(DECLARE)

void rw_motion_dsp_init(rw_motion_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
