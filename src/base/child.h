/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * child.h - long work in a process of its own that is never left behind.
 *
 *     g_autoptr(GSubprocess) child = rw_child_start(program, words, flags, 0, &error);
 *     ... read its stderr line by line, rw_progress_read (progress.h) knows what is progress ...
 */
#ifndef RW_BASE_CHILD_H
#define RW_BASE_CHILD_H

#include <gio/gio.h>

#include <reelwright/types.h>

/* Runs program with words (NULL-ended, without the program's own name) and reports its progress in
 * lines. It is told to stop (SIGTERM) by the kernel when the thread that started it ends, so a
 * killed parent leaves no work running. niceness is added to the parent's. NULL with error. */
GSubprocess *rw_child_start(const char *program, const char *const *words, GSubprocessFlags flags,
                            int niceness, GError **error);

#endif
