/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/luma.h"

#define DECLARE(isa) gate_luma_fn gate_luma_##isa;
#define USE(isa)     best = gate_luma_##isa

RW_CPU_DECLARE(DECLARE)

gate_luma_fn *gate_luma_best(rw_cpu level)
{
    gate_luma_fn *best;
    RW_CPU_USE(USE, level);
    return best;
}
