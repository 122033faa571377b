/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/pack_dsp.h"

#define DECLARE(isa)                                                                               \
    rw_pack_matrix_fn rw_pack_matrix_##isa;                                                        \
    rw_pack_store8_fn rw_pack_store8_##isa;                                                        \
    rw_pack_store16_fn rw_pack_store16_##isa;
#define USE(isa)                                                                                   \
    *dsp = (rw_pack_dsp)                                                                           \
    {                                                                                              \
        .matrix = rw_pack_matrix_##isa, .store8 = rw_pack_store8_##isa,                            \
        .store16 = rw_pack_store16_##isa                                                           \
    }

RW_CPU_DECLARE(DECLARE)

void rw_pack_dsp_init(rw_pack_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
