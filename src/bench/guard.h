/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * guard.h - who may ask, and for what: pure functions over what a client sent.
 */
#ifndef RW_BENCH_GUARD_H
#define RW_BENCH_GUARD_H

#include <reelwright/types.h>

#define RW_GUARD_MAX_PARTS 8

/* 192 random bits, 32 characters that need no escaping in an address; NULL when the system has no
 * random numbers to give. Free with g_free. */
char *rw_guard_token_new(GError **error);

/* Host: this machine by one of its own names, with our port. A page of another site that has had
 * its name pointed at this machine sends its own name. */
bool rw_guard_host(const char *host, int port);
/* Origin, when a client sends one, must be a page of ours. NULL passes: the token is what counts.
 */
bool rw_guard_origin(const char *origin, int port);

/* A request's path, split and decoded: the token first. parts are owned by the caller (g_strfreev
 * frees all). NULL when it is not a path that we would ever have given out: not starting with '/',
 * too many parts, bad escapes, a part with a slash, a control character or bytes that are not
 * UTF-8, or one that is "." or "..". A path that ends in '/' has an empty last part. */
char **rw_guard_split(const char *path);
/* Takes as long for a wrong token as for the right one. */
bool rw_guard_token(const char *given, const char *token);

/* Can this be the name of a reel, a folder directly in the shelf? */
bool rw_guard_reel_name(const char *name);

/* "120" -> 120; false on anything else, also on numbers over 2^53. */
bool rw_guard_number(const char *text, int64_t *number);

/* "bytes=a-b", "bytes=a-", "bytes=-n" for a file of that size. False: no part, or not one part
 * (serve the whole). *first > *last: it lies outside (416). */
bool rw_guard_range(const char *header, int64_t size, int64_t *first, int64_t *last);

#endif
