/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * progress.h - how far long work is: frames, rate, time left, on stderr.
 *
 *     rw_progress *p = rw_progress_new("survey", "stills", total);
 *     rw_progress_step(p, done);      // as often as you like
 *     rw_progress_free(&p);           // prints the closing line
 *
 * On a terminal one line is redrawn four times a second; piped, a plain line every ten seconds and
 * at the end. Belongs to one thread.
 *
 * REELWRIGHT_PROGRESS=lines in the environment is for a program that reads along: four times a
 * second and at the end a line "progress: WHAT DONE TOTAL UNITS", and nothing else.
 */
#ifndef RW_BASE_PROGRESS_H
#define RW_BASE_PROGRESS_H

#include <reelwright/types.h>

typedef struct rw_progress rw_progress;
rw_progress *rw_progress_new(const char *what, const char *units, int64_t total);
void rw_progress_step(rw_progress *progress, int64_t done);
/* Clears the drawn line so that a message can be printed; the next step draws it again. */
void rw_progress_interrupt(rw_progress *progress);
void rw_progress_free(rw_progress **progress);

/* ---- reading along ---- */

/* What such a line says. */
typedef struct rw_progress_line {
    char *what, *units;
    int64_t done, total;
} rw_progress_line;

/* False, and nothing changed, when the line is something else. *to must be zeroed or hold what an
 * earlier line said, which is freed. */
bool rw_progress_read(const char *line, rw_progress_line *to);
void rw_progress_line_clear(rw_progress_line *line);

/* "4:10", "2 h 05 min". */
enum { RW_TIME_TEXT = 32 };
void rw_progress_format_time(char out[RW_TIME_TEXT], double seconds);

#endif
