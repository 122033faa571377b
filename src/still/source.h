/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * source.h - the bytes of one camera file, from an open file or from memory.
 *
 * Readers of headers take bytes from where they need them; the decoder has the whole file in
 * memory. Both look the same here, so that a fuzzer drives the readers without a file.
 */
#ifndef RW_STILL_SOURCE_H
#define RW_STILL_SOURCE_H

#include <reelwright/still.h>

typedef struct rw_source {
    const char *name;      /* for messages; not owned */
    const uint8_t *memory; /* NULL: read from fd. Not owned. */
    int fd;                /* -1: memory */
    uint64_t size;
} rw_source;

/* A file, read-only. False with the error set; close what true gave. */
bool rw_source_open(rw_source *source, const char *path, GError **error);
void rw_source_close(rw_source *source);
rw_source rw_source_memory(const char *name, const void *data, size_t size);

/* Exactly `bytes` bytes from `at`; false when the source has not got them. */
bool rw_source_read(const rw_source *source, uint64_t at, void *to, size_t bytes);

uint16_t rw_get_be16(const uint8_t *p);
uint32_t rw_get_be32(const uint8_t *p);

#endif
