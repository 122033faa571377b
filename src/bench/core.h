/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * core.h - what the handlers of requests share. Constant while the server runs; each part has its
 * own locks.
 */
#ifndef RW_BENCH_CORE_H
#define RW_BENCH_CORE_H

#include <reelwright/bench.h>

#include "bench/events.h"
#include "bench/jobs.h"
#include "bench/page.h"
#include "bench/pictures.h"
#include "bench/preview.h"
#include "bench/server.h"
#include "bench/shelf.h"
#include "bench/sources.h"

struct rw_bench {
    rw_shelf *shelf;
    rw_events *events;
    rw_page *page;
    rw_sources *sources;
    rw_jobs *jobs;
    rw_pictures *pictures;
    rw_frames *frames;
    rw_server *server;
    char *token, *address;
};

extern const rw_route rw_bench_routes[];

/* A reel that a request names in its first variable part; NULL with the reply made. */
rw_reel *rw_bench_borrow(rw_bench *bench, const rw_request *request, rw_reply *reply);

/* Handlers; user is the rw_bench. routes.c says which answers what. */
void rw_answer_tables(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_shelf(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_sources(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_reel(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_title(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_geometry(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_series(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_frame(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_steady(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_choices(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_choose(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_take_look(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_give_look(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_undo(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_redo(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_place(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_findings(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_judge(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_small(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_still(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_statistics(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_finished(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_spots(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_movies(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_movie(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_jobs(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_start(void *user, const rw_request *request, rw_reply *reply);
void rw_answer_stop(void *user, const rw_request *request, rw_reply *reply);

#endif
