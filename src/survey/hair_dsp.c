/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "survey/hair_dsp.h"

#define DECLARE(isa)                                                                               \
    rw_hair_ridge_fn rw_hair_ridge_##isa;                                                          \
    rw_hair_mark_fn rw_hair_mark_##isa;                                                            \
    rw_hair_fine_fn rw_hair_fine_##isa;
#define USE(isa)                                                                                   \
    *dsp = (rw_hair_dsp)                                                                           \
    {                                                                                              \
        rw_hair_ridge_##isa, rw_hair_mark_##isa, rw_hair_fine_##isa                                \
    }

RW_CPU_DECLARE(DECLARE)

void rw_hair_dsp_init(rw_hair_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
