/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "motion/block.h"

#define DECLARE(isa)                                                                               \
    rw_block_surface_fn rw_block_surface_##isa;                                                    \
    rw_block_gather_fn rw_block_gather_##isa;

#define USE(isa)                                                                                   \
    *dsp = (rw_block_dsp)                                                                          \
    {                                                                                              \
        .surface = rw_block_surface_##isa, .gather = rw_block_gather_##isa                         \
    }

RW_CPU_DECLARE(DECLARE)

void rw_block_dsp_init(rw_block_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
