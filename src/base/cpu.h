/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * cpu.h - which compiled kernel level this machine can run.
 *
 * A table of kernels is written with two macros of its own: DECLARE(isa) declares the kernels that
 * one level was compiled to, USE(isa) puts them into the table *dsp.
 *     RW_CPU_DECLARE(DECLARE)
 *     void rw_x_dsp_init(rw_x_dsp *dsp, rw_cpu level) { RW_CPU_USE(USE, level); }
 * REELWRIGHT_CPU=c|sse4|avx2|avx512 caps the level.
 */
#ifndef RW_BASE_CPU_H
#define RW_BASE_CPU_H

typedef enum rw_cpu { RW_CPU_C, RW_CPU_SSE4, RW_CPU_AVX2, RW_CPU_AVX512 } rw_cpu;

rw_cpu rw_cpu_level(void);
const char *rw_cpu_name(rw_cpu level);
int rw_cpu_count(void); /* cores that this process may use, at least 1 */

#if defined(__x86_64__)
#define RW_CPU_DECLARE(declare) declare(c) declare(sse4) declare(avx2) declare(avx512)
#define RW_CPU_USE(use, level)                                                                     \
    do {                                                                                           \
        use(c);                                                                                    \
        if ((level) >= RW_CPU_SSE4)                                                                \
            use(sse4);                                                                             \
        if ((level) >= RW_CPU_AVX2)                                                                \
            use(avx2);                                                                             \
        if ((level) >= RW_CPU_AVX512)                                                              \
            use(avx512);                                                                           \
    } while (0)
#else
#define RW_CPU_DECLARE(declare) declare(c)
#define RW_CPU_USE(use, level)                                                                     \
    do {                                                                                           \
        use(c);                                                                                    \
        (void)(level);                                                                             \
    } while (0)
#endif

#endif
