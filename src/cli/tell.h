/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * tell.h - what several commands tell in the same way: JSON documents, and how far a movie is.
 */
#ifndef RW_CLI_TELL_H
#define RW_CLI_TELL_H

#include <json-glib/json-glib.h>

#include <reelwright/finish.h>

#include "base/progress.h"

/* ---- one JSON document on stdout ---- */

/* Made valid UTF-8; NULL is null. */
void rw_tell_text(JsonBuilder *b, const char *key, const char *value);
void rw_tell_int(JsonBuilder *b, const char *key, int64_t value);
/* What was built, and a line feed. */
void rw_tell_print(JsonBuilder *b);

/* ---- a movie that is being made ---- */

/* Makes the movie that options describe; what: how its progress is called. report may be NULL. */
bool rw_tell_movie(rw_reel *reel, rw_finish_options *options, const char *what,
                   rw_finish_report *report, GError **error);

#endif
