/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * shelf.h - the folder of reels: which there are, opening them, noticing that they changed.
 *
 *     rw_reel *reel = rw_shelf_borrow(shelf, "regatta", &error);
 *     ...
 *     rw_shelf_return(shelf, "regatta", &reel);
 *
 * A handle is one thread's while it is borrowed. A few stay open for the next who asks, and are
 * closed when nobody did for some seconds, so that a reel folder can be moved.
 */
#ifndef RW_BENCH_SHELF_H
#define RW_BENCH_SHELF_H

#include <reelwright/reel.h>

typedef struct rw_shelf rw_shelf;

rw_shelf *rw_shelf_new(const char *path, GError **error);
void rw_shelf_free(rw_shelf **shelf);

const char *rw_shelf_path(const rw_shelf *shelf);
int rw_shelf_folder(const rw_shelf *shelf); /* descriptor, the shelf's */
/* Reels directly in the shelf, by natural order of their names. Free with g_strfreev. */
char **rw_shelf_names(const rw_shelf *shelf);
/* RW_ERROR_NOT_FOUND unless name is a reel in the shelf itself (no link). Free with g_free. */
char *rw_shelf_reel_path(const rw_shelf *shelf, const char *name, GError **error);

rw_reel *rw_shelf_borrow(rw_shelf *shelf, const char *name, GError **error);
/* Nulls *reel; NULL is fine. A handle with a transaction open is rolled back. */
void rw_shelf_return(rw_shelf *shelf, const char *name, rw_reel **reel);

/* A file in a reel, through no link; -1 on error. */
int rw_shelf_open(const rw_shelf *shelf, const char *name, const char *relative, GError **error);

/* Once a second, by one thread: closes idle handles, calls changed for each reel that was written
 * to since the last call, by whomever. */
void rw_shelf_tick(rw_shelf *shelf, void (*changed)(const char *name, void *data), void *data);

#endif
