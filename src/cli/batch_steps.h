/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * batch_steps.h - what is still to be done with the reels of a shelf, and by which command.
 *
 * Nothing is written down of a batch itself: what is left follows from each reel's journal, its
 * choices and its files, so a batch that was stopped goes on, and one that is run again after a
 * choice was made does again what depends on it.
 */
#ifndef RW_CLI_BATCH_STEPS_H
#define RW_CLI_BATCH_STEPS_H

#include <reelwright/reel.h>

typedef enum rw_batch_step {
    RW_BATCH_SURVEY,
    RW_BATCH_FINISH,
    RW_BATCH_REPORT,
    RW_BATCH_PACKAGE,
    RW_BATCH_STEPS
} rw_batch_step;

/* "survey"; also the name of the command that does it. */
const char *rw_batch_step_name(rw_batch_step step);
/* False for a word that is no step. */
bool rw_batch_step_find(const char *word, rw_batch_step *step);

typedef struct rw_batch_plan {
    const char *shelf;
    const char *packages;               /* folder of the packages */
    const char *size, *cadence, *codec; /* of finish; NULL: its default */
    const char *extension;              /* of the movies: ".mp4" */
    int threads;                        /* of each command */
} rw_batch_plan;

/* Names of the folders of a shelf that are reels, in order. GPtrArray of char *; NULL with the
 * error set when the shelf cannot be read. */
GPtrArray *rw_batch_reels(const char *shelf, GError **error);

/* The words of the command line after the program, NULL-ended, g_strfreev; NULL without an error
 * when the step is done already. */
char **rw_batch_words(const rw_batch_plan *plan, const char *name, rw_batch_step step,
                      GError **error);

/* After a step came to its end. */
bool rw_batch_settle(const rw_batch_plan *plan, const char *name, rw_batch_step step,
                     GError **error);

/* Findings that ask for new stills and are not dismissed; -1 with the error set. */
int64_t rw_batch_redo(const rw_batch_plan *plan, const char *name, GError **error);

#endif
