/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * json_text.h - JSON as text, value by value, so that a long reel needs no tree in memory.
 */
#ifndef RW_SURVEY_JSON_TEXT_H
#define RW_SURVEY_JSON_TEXT_H

#include <glib.h>

/* Appends "text" with quotes and escapes; NULL gives null. */
void rw_json_string(GString *out, const char *text);
/* The shortest of up to 15 digits that reads back within `digits` significant ones; NaN and
 * infinities give null. */
void rw_json_number(GString *out, double value, int digits);

#endif
