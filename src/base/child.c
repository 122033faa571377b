/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <signal.h>
#include <sys/prctl.h>
#include <unistd.h>

#include "base/child.h"

typedef struct birth {
    pid_t parent;
    int niceness;
} birth;

/* Between fork and exec: nothing but plain system calls. */
static void before_exec(gpointer data)
{
    const birth *b = data;
    prctl(PR_SET_PDEATHSIG, SIGTERM);
    if (getppid() != b->parent)
        _exit(1); /* it died before the line above */
    if (nice(b->niceness) == -1) {
    } /* then not */
}

GSubprocess *rw_child_start(const char *program, const char *const *words, GSubprocessFlags flags,
                            int niceness, GError **error)
{
    birth b = {getpid(), niceness};
    g_autoptr(GPtrArray) argv = g_ptr_array_new();
    g_autoptr(GSubprocessLauncher) launcher = g_subprocess_launcher_new(flags);
    g_ptr_array_add(argv, (gpointer)program);
    for (const char *const *word = words; *word; word++)
        g_ptr_array_add(argv, (gpointer)*word);
    g_ptr_array_add(argv, NULL);
    g_subprocess_launcher_setenv(launcher, "REELWRIGHT_PROGRESS", "lines", TRUE);
    g_subprocess_launcher_set_child_setup(launcher, before_exec, &b, NULL);
    return g_subprocess_launcher_spawnv(launcher, (const char *const *)argv->pdata, error);
}
