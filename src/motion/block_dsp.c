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

DECLARE(c)
#if defined(__x86_64__)
DECLARE(sse4)
DECLARE(avx2)
DECLARE(avx512)
#endif

void rw_block_dsp_init(rw_block_dsp *dsp, rw_cpu level)
{
    USE(c);
#if defined(__x86_64__)
    if (level >= RW_CPU_SSE4)
        USE(sse4);
    if (level >= RW_CPU_AVX2)
        USE(avx2);
    if (level >= RW_CPU_AVX512)
        USE(avx512);
#else
    (void)level;
#endif
}
