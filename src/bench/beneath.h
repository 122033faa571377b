/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * beneath.h - opening files that surely lie beneath a folder: part by part from the folder's own
 * descriptor, and through no symbolic link.
 */
#ifndef RW_BENCH_BENEATH_H
#define RW_BENCH_BENEATH_H

#include <reelwright/types.h>

/* A descriptor of the folder, -1 on error. The folder itself may be reached through links. */
int rw_beneath_folder(const char *path, GError **error);

/* relative: parts split by '/', none of them empty, "." or ".."; "" is the folder itself. flags as
 * for open(2), read-only and without O_CREAT. Only regular files and folders are opened. -1 on
 * error: RW_ERROR_NOT_FOUND for all that is not there or not allowed, without saying which. */
int rw_beneath_open(int folder, const char *relative, int flags, GError **error);

/* Is there a regular file? */
bool rw_beneath_has_file(int folder, const char *relative);
bool rw_beneath_has_folder(int folder, const char *relative);

/* Bytes of all regular files in the folder and the folders in it. */
int64_t rw_beneath_size(int folder, const char *relative);

#endif
