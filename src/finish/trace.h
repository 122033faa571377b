/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * trace.h - one JSON object per output frame and line: what was shown and what was done to it.
 *
 *     {"out":n,"frames":[n,...],"still_to_out":[[a,b,c],[d,e,f]],
 *      "register":[[...],[...]],"steady":[[...],[...]],"frame":[[...],[...]],"gain":[r,g,b],
 *      "blemish_pixels":n,"repaired":{"dirt":n,"scratch":n,"hair":n},"held":false}
 */
#ifndef RW_FINISH_TRACE_H
#define RW_FINISH_TRACE_H

#include <reelwright/stage.h>

typedef struct rw_trace_line {
    int64_t out;
    int64_t frames[2]; /* film frames shown */
    int n_frames;
    rw_affine still_to_out; /* of the first of them: one resample, made of these three: */
    rw_affine still_to_film, steady, film_to_out;
    double gain[3];
    int64_t repaired[RW_BLEMISH_KINDS]; /* pixels */
    bool held; /* shown in place of a frame that is missing or cannot be read */
} rw_trace_line;

typedef struct rw_trace rw_trace;
rw_trace *rw_trace_open(const char *path, GError **error);
bool rw_trace_write(rw_trace *trace, const rw_trace_line *line, GError **error);
/* The file appears only now. */
bool rw_trace_close(rw_trace **trace, GError **error);
void rw_trace_abandon(rw_trace **trace);

#endif
