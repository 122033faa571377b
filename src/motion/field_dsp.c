/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "motion/field.h"

#define DECLARE(isa)                                                                               \
    rw_motion_sad_fn rw_motion_sad_##isa;                                                          \
    rw_motion_sad_sub_fn rw_motion_sad_sub_##isa;                                                  \
    rw_motion_sad8_fn rw_motion_sad8_##isa;                                                        \
    rw_motion_normal_fn rw_motion_normal_##isa;                                                    \
    rw_motion_smooth_fn rw_motion_smooth_##isa;                                                    \
    rw_motion_halve_fn rw_motion_halve_##isa;

#define USE(isa)                                                                                   \
    *dsp = (rw_motion_dsp)                                                                         \
    {                                                                                              \
        .sad = rw_motion_sad_##isa, .sad_sub = rw_motion_sad_sub_##isa,                            \
        .sad8 = rw_motion_sad8_##isa, .normal = rw_motion_normal_##isa, .smooth = rw_motion_smooth_##isa,                        \
        .halve = rw_motion_halve_##isa                                                             \
    }

DECLARE(c)
#if defined(__x86_64__)
DECLARE(sse4)
DECLARE(avx2)
DECLARE(avx512)
#endif

void rw_motion_dsp_init(rw_motion_dsp *dsp, rw_cpu level)
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
