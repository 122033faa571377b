/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * cpu.h - which compiled kernel level this machine can run.
 *
 * A table of kernels starts with its C pointers and is overwritten level by level:
 *     rw_x_dsp_c(dsp); if (cpu >= RW_CPU_SSE4) rw_x_dsp_sse4(dsp); ...
 * REELWRIGHT_CPU=c|sse4|avx2|avx512 caps the level.
 */
#ifndef RW_BASE_CPU_H
#define RW_BASE_CPU_H

typedef enum rw_cpu { RW_CPU_C, RW_CPU_SSE4, RW_CPU_AVX2, RW_CPU_AVX512 } rw_cpu;

rw_cpu rw_cpu_level(void);
const char *rw_cpu_name(rw_cpu level);
int rw_cpu_count(void); /* cores that this process may use, at least 1 */

#endif
