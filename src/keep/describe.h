/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * describe.h - what a package says of itself: to people (text), to catalogues (Dublin Core), to
 * archives (PREMIS). Every function returns a whole document, g_free; NULL with the error set.
 */
#ifndef RW_KEEP_DESCRIBE_H
#define RW_KEEP_DESCRIBE_H

#include <reelwright/reel.h>

/* README.txt of data/. */
char *rw_describe_plainly(rw_reel *reel, int64_t originals, GError **error);

/* Simple Dublin Core. words: NULL-ended "element=text", in place of what would be said otherwise
 * of that element; may be NULL. */
char *rw_describe_dublin_core(rw_reel *reel, const char *const *words, GError **error);

/* RW_ERROR_USAGE with a sentence that lists the elements. */
bool rw_describe_check_words(const char *const *words, GError **error);

/* PREMIS 3: a file object for each of files (rw_bag_file *), an event for each line of the journal
 * and for this package, an agent for each program that acted. at: this moment, ISO 8601 in UTC. */
char *rw_describe_premis(rw_reel *reel, const GPtrArray *files, const char *at, GError **error);

#endif
