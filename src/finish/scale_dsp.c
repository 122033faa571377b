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

DECLARE(c)
#if defined(__x86_64__)
DECLARE(sse4)
DECLARE(avx2)
DECLARE(avx512)
#endif

void rw_scale_dsp_init(rw_scale_dsp *dsp, rw_cpu level)
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
