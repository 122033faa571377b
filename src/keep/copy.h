/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * copy.h - one file from a card to the disk, proved.
 */
#ifndef RW_KEEP_COPY_H
#define RW_KEEP_COPY_H

#include <stdatomic.h>

#include <reelwright/keep.h>

typedef struct rw_stop {
    bool (*ask)(void *user); /* NULL: never */
    void *user;
} rw_stop;

bool rw_stopped(const rw_stop *stop);
/* Asks the flag; NULL: never. */
rw_stop rw_stop_at(const atomic_bool *flag);

/* SHA-256 and SHA-512 (FIPS 180-4): the first is what reel.db keeps of every file, the second is
 * asked for where a package wants both. */
typedef enum rw_digests { RW_SHA256, RW_SHA256_SHA512 } rw_digests;

typedef struct rw_copy {
    int64_t bytes;
    char sha256[65];    /* lower-case hex */
    char sha512[129];   /* "" unless asked for */
    bool source_failed; /* on failure: the source is to blame, not the target */
} rw_copy;

/* Reads source once, writing target and hashing; brings target to the disk, drops it from memory,
 * reads it back and compares the hashes. target gets the source's time. On failure target is gone
 * and the error says which side failed; RW_ERROR_CANCELLED when stop said so. */
bool rw_copy_verified(const char *source, const char *target, rw_digests digests,
                      const rw_stop *stop, rw_copy *copy, GError **error);

/* The hash of a file; fresh: from the disk and not from memory. */
bool rw_hash_file(const char *path, rw_digests digests, bool fresh, const rw_stop *stop,
                  rw_copy *copy, GError **error);

/* The whole file, from the disk and not from memory, into each of the sums (NULL-ended). */
bool rw_sum_file(const char *path, GChecksum *const *sums, const rw_stop *stop, int64_t *bytes,
                 GError **error);

/* ---- names while a file is being written ---- */

/* ".NAME.part" beside path; g_free. */
char *rw_part_name(const char *path);
/* Renames, and brings the folder to the disk. */
bool rw_give_name(const char *part, const char *path, GError **error);
/* Removes what an earlier run left of such files in a folder tree. */
void rw_remove_parts(const char *folder);

#endif
