/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * jobs.h - long work, one after the other, as child processes of the program itself.
 *
 * The same commands that a person would type do the work, so a fault in them ends one job and not
 * the page, and their memory goes when they end. They are told to stop by SIGTERM (also by the
 * kernel, should the bench itself die), keep what they have done, and go on from there when started
 * again. So nothing about jobs is written down: what is left to do follows from the reels.
 *
 * Any thread may call; processes are started and read by the main context.
 */
#ifndef RW_BENCH_JOBS_H
#define RW_BENCH_JOBS_H

#include "bench/events.h"
#include "bench/json.h"

typedef struct rw_jobs rw_jobs;

/* program NULL: every job is refused. */
rw_jobs *rw_jobs_new(const char *program, rw_events *events);
/* Ends what runs, waits for it. On the main context's thread. */
void rw_jobs_free(rw_jobs **jobs);

typedef struct rw_job_order {
    const char *kind; /* "intake", "survey", "finish", "estimate", "package", "report" */
    const char *reel; /* name */
    const char *const *arguments; /* of the command line after the program, NULL-ended */
    const char *key;     /* what tells it from others of its kind on the reel; NULL: nothing */
    const char *scratch; /* a file that the job makes only to be weighed: "bytes N" is added to the
                          * result and the file removed; NULL none */
    bool first;          /* before all that wait */
} rw_job_order;

/* The job's number; one of the same kind, reel and key that waits or runs already is that one. */
int64_t rw_jobs_start(rw_jobs *jobs, const rw_job_order *order, GError **error);
/* False when it is over or was never there. */
bool rw_jobs_stop(rw_jobs *jobs, int64_t number);
/* Forgets those that are over. */
void rw_jobs_forget(rw_jobs *jobs);
/* An array of objects, oldest first: number kind reel key state (waiting, running, done, failed,
 * stopped) what units done total seconds message result. */
void rw_jobs_write(rw_jobs *jobs, rw_doc *json, const char *key);

/* Called on the main context after a job is over. */
void rw_jobs_on_end(rw_jobs *jobs, void (*ended)(const char *kind, const char *reel, void *data),
                    void *data);

#endif
