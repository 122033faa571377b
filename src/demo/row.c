/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/row.h"

#include "base/cpu.h"

extern const rw_demo_rows rw_demo_rows_c;
#if defined(__x86_64__)
extern const rw_demo_rows rw_demo_rows_sse4, rw_demo_rows_avx2, rw_demo_rows_avx512;
#endif

const rw_demo_rows *rw_demo_rows_at(int cpu_level)
{
#if defined(__x86_64__)
    if (cpu_level >= RW_CPU_AVX512)
        return &rw_demo_rows_avx512;
    if (cpu_level >= RW_CPU_AVX2)
        return &rw_demo_rows_avx2;
    if (cpu_level >= RW_CPU_SSE4)
        return &rw_demo_rows_sse4;
#else
    (void)cpu_level;
#endif
    return &rw_demo_rows_c;
}

const rw_demo_rows *rw_demo_rows_best(void)
{
    return rw_demo_rows_at((int)rw_cpu_level());
}
