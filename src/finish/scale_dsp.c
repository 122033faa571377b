/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/scale_dsp.h"

#define DECLARE(isa)                                                                               \
    rw_scale_across_fn rw_scale_across_##isa;                                                      \
    rw_scale_down_fn rw_scale_down_##isa;
#define USE(isa)                                                                                   \
    *dsp = (rw_scale_dsp)                                                                          \
    {                                                                                              \
        .across = rw_scale_across_##isa, .down = rw_scale_down_##isa                               \
    }

RW_CPU_DECLARE(DECLARE)

void rw_scale_dsp_init(rw_scale_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
