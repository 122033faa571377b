/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * sources.h - where stills can be taken in from: mounted cards, folders named at the start, and
 * folders of stills in the shelf. A page names a source by the id that a look gave it and never by
 * a path, so that no other place of the disk can be asked for.
 */
#ifndef RW_BENCH_SOURCES_H
#define RW_BENCH_SOURCES_H

#include <reelwright/types.h>

typedef struct rw_source {
    char *id;
    char *path;
    int64_t stills; /* counted up to a limit */
    int64_t bytes;
    bool is_card; /* holds a DCIM folder */
} rw_source;

typedef struct rw_sources rw_sources;
/* folders: NULL-ended or NULL. */
rw_sources *rw_sources_new(const char *shelf, const char *const *folders);
void rw_sources_free(rw_sources **sources);
/* A fresh look; cards first, then by path. GPtrArray of rw_source, which it owns. */
GPtrArray *rw_sources_look(const rw_sources *sources);
/* The path of one of them, free with g_free; NULL with RW_ERROR_NOT_FOUND. */
char *rw_sources_find(const rw_sources *sources, const char *id, GError **error);

#endif
