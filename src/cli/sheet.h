/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * sheet.h - a sheet of figures, printed as a table for people or as one JSON document.
 *
 *     rw_sheet *s = rw_sheet_new();
 *     rw_sheet_section(s, "capture", "Capture");
 *     rw_sheet_real(s, "card_gb", "room on the card", 36.0, 1, "GB", "a note, or NULL");
 *     rw_sheet_caution(s, "Keep the lens cap.");
 *     rw_sheet_print(s, json);
 *     rw_sheet_free(&s);
 *
 * Both forms come from the same calls, so they cannot tell different stories. JSON keys name their
 * unit; {section: {key: value, ...}, ..., "cautions": [...]}. Cautions stand under their section in
 * the table. Belongs to one thread; copies every string it is given.
 */
#ifndef RW_CLI_SHEET_H
#define RW_CLI_SHEET_H

#include <reelwright/types.h>

typedef struct rw_sheet rw_sheet;

rw_sheet *rw_sheet_new(void);
void rw_sheet_section(rw_sheet *sheet, const char *key, const char *title);

/* Rows of the current section. unit and note may be NULL. */
void rw_sheet_real(rw_sheet *sheet, const char *key, const char *label, double value, int decimals,
                   const char *unit, const char *note);
void rw_sheet_pair(rw_sheet *sheet, const char *key, const char *label, double a, double b,
                   int decimals, const char *unit, const char *note); /* JSON: [a, b] */
void rw_sheet_whole(rw_sheet *sheet, const char *key, const char *label, int64_t value,
                    const char *unit, const char *note);
void rw_sheet_text(rw_sheet *sheet, const char *key, const char *label, const char *value,
                   const char *unit, const char *note);
void rw_sheet_yes(rw_sheet *sheet, const char *key, const char *label, bool yes, const char *note);
/* A time: the table shows text, JSON the exact seconds. */
void rw_sheet_time(rw_sheet *sheet, const char *key, const char *label, const char *text,
                   double seconds, const char *note);

void rw_sheet_caution(rw_sheet *sheet, const char *sentence);

void rw_sheet_print(const rw_sheet *sheet, bool json);
void rw_sheet_free(rw_sheet **sheet); /* nulls; accepts NULL */

#endif
