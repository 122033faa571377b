/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * levels.h - the main of a kernel test that runs one function for every CPU level.
 */
#ifndef RW_TEST_LEVELS_H
#define RW_TEST_LEVELS_H

#include <string.h>

#include <glib.h>

#include "base/cpu.h"

/* test gets the level as GINT_TO_POINTER; --bench prints each level's times instead. */
static inline int levels_main(int argc, char **argv, const char *name, GTestDataFunc test,
                              void (*bench)(rw_cpu level))
{
    for (int i = 1; i < argc; i++)
        if (strcmp(argv[i], "--bench") == 0) {
            for (int k = RW_CPU_C; k <= (int)rw_cpu_level(); k++)
                bench((rw_cpu)k);
            return 0;
        }
    g_test_init(&argc, &argv, NULL);
    for (int k = RW_CPU_C; k <= RW_CPU_AVX512; k++) {
        g_autofree char *path = g_strdup_printf("/kernel/%s/%s", name, rw_cpu_name((rw_cpu)k));
        g_test_add_data_func(path, GINT_TO_POINTER(k), test);
    }
    return g_test_run();
}

#endif
