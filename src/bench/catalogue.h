/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * catalogue.h - every choice that a page may make: from the stages' tables, the survey's limits and
 * what finish asks for the reel as a whole. The page draws its controls from it, and nothing else
 * is let into reel.db.
 */
#ifndef RW_BENCH_CATALOGUE_H
#define RW_BENCH_CATALOGUE_H

#include "bench/json.h"

/* An array of groups: name title help scopes (reel, scene) preview (a change shows in the picture),
 * params: key label unit kind min max initial words help. */
void rw_catalogue_write(rw_doc *json, const char *key);

/* value NULL, which takes a choice back, is always right. RW_ERROR_USAGE. */
bool rw_catalogue_check(const char *scope, const char *key, const char *value, GError **error);

#endif
