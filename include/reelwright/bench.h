/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * bench.h - the local page: a small web server for one person at this machine, over a folder of
 * reels.
 *
 * Calling sequence:
 *     rw_bench_options options = {.shelf = "shelf", .program = "/usr/bin/reelwright"};
 *     rw_bench *bench = rw_bench_new(&options, &error);
 *     g_print("%s\n", rw_bench_address(bench));
 *     rw_bench_run(bench, cancelled, &error);   // until *cancelled
 *     rw_bench_free(&bench);
 *
 * It listens on 127.0.0.1 only. The address holds a token of 192 random bits made anew at every
 * start; without it nothing is answered. Nothing outside the shelf, the page's own files and the
 * folders named in cards can be reached, and nothing through a symbolic link.
 *
 * Long work (intake, survey, finish) runs as child processes of `program`, so that a fault in them
 * cannot take the page down; they end with the bench and go on where they stopped.
 *
 * new, run and free belong to one thread; the server's own threads start and end with them.
 */
#ifndef REELWRIGHT_BENCH_H
#define REELWRIGHT_BENCH_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct rw_bench_options {
    const char *shelf;        /* a folder whose folders are reels; may be empty, must be there */
    int port;                 /* -1: the usual one or else any; 0: any; else exactly this one */
    const char *web;          /* serve the page from this folder; NULL: the one built in */
    const char *program;      /* runs the jobs; NULL: jobs are refused */
    const char *const *cards; /* NULL-ended folders, besides mounted cards, to take stills from */
} rw_bench_options;

typedef struct rw_bench rw_bench;

RW_API rw_bench *rw_bench_new(const rw_bench_options *options, GError **error);
/* "http://127.0.0.1:7318/TOKEN/", owned by the bench. */
RW_API const char *rw_bench_address(const rw_bench *bench);
/* Serves until *cancel is set; running jobs are then stopped and left to be resumed. */
RW_API bool rw_bench_run(rw_bench *bench, const atomic_bool *cancel, GError **error);
RW_API void rw_bench_free(rw_bench **bench);

#ifdef __cplusplus
}
#endif
#endif
