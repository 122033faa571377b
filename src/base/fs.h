/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * fs.h - files that appear whole.
 *
 *     rw_whole_file *f = rw_whole_file_open("out/movie.mp4", &error);
 *     ... write to rw_whole_file_temp(f) by any means ...
 *     rw_whole_file_commit(&f, &error);     // fsync, rename, fsync of the folder
 *     rw_whole_file_abandon(&f);            // or: nothing appears
 *
 * The temporary name is ".NAME.part-PID-N" beside the target with the target's extension kept, so
 * that libraries that look at it are content. A killed process leaves at most that one file, which
 * the next rw_whole_file_open of the same target removes if its process is gone.
 */
#ifndef RW_BASE_FS_H
#define RW_BASE_FS_H

#include <reelwright/types.h>

typedef struct rw_whole_file rw_whole_file;
rw_whole_file *rw_whole_file_open(const char *target, GError **error);
const char *rw_whole_file_temp(const rw_whole_file *file);
bool rw_whole_file_commit(rw_whole_file **file, GError **error);
void rw_whole_file_abandon(rw_whole_file **file);

/* All of data in one whole file. */
bool rw_write_whole(const char *target, const void *data, size_t bytes, GError **error);
/* mkdir -p with a sentence for an error. */
bool rw_make_folder(const char *path, GError **error);
bool rw_fsync_path(const char *path, GError **error); /* a file or a folder */
/* Bytes free for us on the disk that holds path (or its nearest existing parent); -1 on error. */
int64_t rw_free_space(const char *path, GError **error);

#endif
