/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * intake.h - the parts of an intake; inside src/keep only.
 *
 * intake.c drives: look at the cards, choose (choose.c), name what is new (names.c), copy it
 * (take.c on copy.c), put the stills into film order (frames.c), tell.
 */
#ifndef RW_KEEP_INTAKE_H
#define RW_KEEP_INTAKE_H

#include "keep/card.h"
#include "keep/copy.h"

typedef struct rw_job {
    rw_card_file *file;
    char *path; /* where it goes, relative to the reel */
} rw_job;

typedef struct rw_intake_run {
    char **cards; /* NULL-ended, without a '/' at the end */
    size_t n_cards;
    const rw_intake_options *options;
    rw_stop stop;
    rw_intake_summary *summary;
    char *path; /* of the reel */
    int lock;   /* file descriptor, -1 none */
    rw_reel *reel;
    GArray *files;         /* rw_card_file */
    GArray *shoots;        /* rw_shoot */
    bool *chosen;          /* per shoot */
    GArray *rows;          /* rw_still_row: what was in the reel before this run; never changed */
    GHashTable *by_source; /* rw_source_key -> row */
    GHashTable *by_hash;   /* sha256 -> row */
    GHashTable *sizes;     /* &row->bytes, a set */
    GHashTable *here;      /* sources on the cards, a set */
    GHashTable *lost;      /* row, a set: its file is gone from the reel or not what it was */
    GArray *jobs;          /* rw_job, in capture order */
    int64_t done;          /* jobs that are behind us */
    int batch;             /* of the stills that this run takes in */
} rw_intake_run;

char *rw_source_key(const char *source, int64_t bytes, int64_t mtime_us);
bool rw_file_wanted(const rw_intake_run *run, const rw_card_file *file);
/* The row of a file that was taken in from there before; known: and whose copy is sound. */
const rw_still_row *rw_file_row(const rw_intake_run *run, const rw_card_file *file);
const rw_still_row *rw_file_known(const rw_intake_run *run, const rw_card_file *file);
void rw_add_trouble(GPtrArray *list, const char *path, const char *what);

/* choose.c. taken, left: ids of shoots that an earlier run took or left, NULL-ended. */
bool rw_choose_shoots(const GArray *shoots, const GArray *rows, const char *const *taken,
                      const char *const *left, const rw_intake_options *options, bool *chosen,
                      GError **error);

/* names.c: jobs for every wanted file that is not known, in capture order, each with a path that
 * nothing else has. The same again after an interruption. */
GArray *rw_plan_jobs(const rw_intake_run *run);

/* take.c */
bool rw_take_jobs(rw_intake_run *run, GError **error);

/* Is row i a still that is torn, and was the whole one taken in later from the same place of the
 * card, or of the same moment? It has no frame then, and nobody needs to hear of it. */
bool rw_still_came_again(const GArray *rows, guint i);

/* frames.c: the order of all stills of the reel: gaps, notes and pauses into the summary, and the
 * frames (rw_frame_row). */
GArray *rw_order_frames(rw_intake_run *run, const GArray *rows, GError **error);

#define RW_META_OPEN     "intake.open"  /* batch that is not finished, "0" none */
#define RW_META_CARDS    "intake.cards" /* one a line, in the order in which they were first given */
#define RW_META_TAKEN    "intake.taken" /* ids of shoots, one a line */
#define RW_META_LEFT     "intake.left"
#define RW_BATCH         "batch" /* measurement of a still */
#define RW_BATCH_VERSION 1

/* The lines of a meta value; empty when absent, NULL on error. */
char **rw_meta_lines(rw_reel *reel, const char *key, GError **error);

#endif
