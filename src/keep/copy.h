/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * copy.h - one file from a card to the disk, proved.
 */
#ifndef RW_KEEP_COPY_H
#define RW_KEEP_COPY_H

#include <reelwright/keep.h>

typedef struct rw_stop {
    bool (*ask)(void *user); /* NULL: never */
    void *user;
} rw_stop;

bool rw_stopped(const rw_stop *stop);

typedef struct rw_copy {
    int64_t bytes;
    char sha256[65];
    bool source_failed; /* on failure: the source is to blame, not the target */
} rw_copy;

/* Reads source once, writing target and hashing; brings target to the disk, drops it from memory,
 * reads it back and compares the hashes. target gets the source's time. On failure target is gone
 * and the error says which side failed; RW_ERROR_CANCELLED when stop said so. */
bool rw_copy_verified(const char *source, const char *target, const rw_stop *stop, rw_copy *copy,
                      GError **error);

/* The hash of a file; fresh: from the disk and not from memory. */
bool rw_hash_file(const char *path, bool fresh, const rw_stop *stop, rw_copy *copy, GError **error);

#endif
