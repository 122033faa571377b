/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <sched.h>

#include <glib.h>

#include "base/cpu.h"

static const char *const names[] = {"c", "sse4", "avx2", "avx512"};

const char *rw_cpu_name(rw_cpu level)
{
    return names[level];
}

static rw_cpu detect(void)
{
#if defined(__x86_64__)
    __builtin_cpu_init();
    if (!__builtin_cpu_supports("sse4.1"))
        return RW_CPU_C;
    if (!__builtin_cpu_supports("avx2") || !__builtin_cpu_supports("fma"))
        return RW_CPU_SSE4;
    if (!__builtin_cpu_supports("avx512f") || !__builtin_cpu_supports("avx512bw") ||
        !__builtin_cpu_supports("avx512dq") || !__builtin_cpu_supports("avx512vl"))
        return RW_CPU_AVX2;
    return RW_CPU_AVX512;
#else
    return RW_CPU_C;
#endif
}

rw_cpu rw_cpu_level(void)
{
    rw_cpu level = detect();
    const char *cap = g_getenv("REELWRIGHT_CPU");
    for (int i = 0; cap && i < (int)level; i++)
        if (g_str_equal(cap, names[i]))
            level = (rw_cpu)i;
    return level;
}

int rw_cpu_count(void)
{
    cpu_set_t set;
    CPU_ZERO(&set);
    if (sched_getaffinity(0, sizeof set, &set) != 0)
        return MAX(1, (int)g_get_num_processors());
    return MAX(1, CPU_COUNT(&set));
}
