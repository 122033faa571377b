/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * server.h - HTTP: connections, limits, headers, and who does the work.
 *
 * One thread talks to all clients and never waits: a request is read whole (within limits),
 * checked, and handed to a few workers; its connection sleeps until the reply is there. So a client
 * that sends or reads slowly costs a buffer and nothing else.
 */
#ifndef RW_BENCH_SERVER_H
#define RW_BENCH_SERVER_H

#include "bench/events.h"
#include "bench/page.h"
#include "bench/request.h"

typedef void (*rw_handler)(void *user, const rw_request *request, rw_reply *reply);

typedef struct rw_route {
    const char *method;  /* GET (HEAD too) or POST */
    const char *pattern; /* "api/reel/ * /frame/ *" without the blanks: each star is one part of the
                          * path, in order rw_request.part */
    rw_handler handler;
    bool picture;   /* decodes, renders, encodes: done by threads of its own */
    size_t longest; /* bytes of a request; 0: the usual 64 KiB */
} rw_route;

typedef struct rw_server_config {
    int port; /* as rw_bench_options.port */
    const char *token;
    const rw_route *routes; /* method NULL ends them; "api/events" is the server's own */
    const rw_page *page;
    rw_events *events;
    void *user; /* of the handlers, which run on several threads at once */
} rw_server_config;

typedef struct rw_server rw_server;

rw_server *rw_server_new(const rw_server_config *config, GError **error);
int rw_server_port(const rw_server *server);
/* Ends all streams, lets the work in hand finish and closes. */
void rw_server_free(rw_server **server);

#endif
