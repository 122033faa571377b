/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * request.h - what a handler is given and what it gives back. Handlers never see the web server.
 */
#ifndef RW_BENCH_REQUEST_H
#define RW_BENCH_REQUEST_H

#include "bench/json.h"

typedef struct rw_request {
    bool post;
    const char *part[4]; /* what stood in the route's variable places, decoded */
    GHashTable *query;   /* name -> value, decoded */
    const char *body;
    size_t body_bytes;
    const char *range; /* header, or NULL */
    const char *etag;  /* If-None-Match, or NULL */
} rw_request;

typedef struct rw_reply {
    unsigned status;               /* 0: not answered yet */
    const char *type;              /* media type; static text */
    GBytes *bytes;                 /* the content, or */
    int fd;                        /* a file of it, -1 none */
    int64_t offset, length, whole; /* of the file: part to send, size in all */
    const char *caching;           /* Cache-Control; static text; NULL: no-store */
    char *etag;                    /* quoted, or NULL */
    char *filename;                /* offered for saving, or NULL */
    char *location;                /* of a redirect, or NULL */
} rw_reply;

#define RW_REPLY_INIT                                                                              \
    {                                                                                              \
        .fd = -1                                                                                   \
    }

void rw_reply_clear(rw_reply *reply);
/* Takes the writer. */
void rw_reply_doc(rw_reply *reply, rw_doc **json);
/* {"error": sentence, "code": word}; takes the error. */
void rw_reply_error(rw_reply *reply, GError *error);
void rw_reply_refuse(rw_reply *reply, unsigned status, const char *sentence);
/* Takes data (g_malloc'd). */
void rw_reply_data(rw_reply *reply, const char *type, void *data, size_t bytes);
/* A whole file or the part that was asked for; takes the descriptor. */
void rw_reply_file(rw_reply *reply, const rw_request *request, const char *type, int fd);

/* NULL when there is none. */
const char *rw_request_query(const rw_request *request, const char *name);
/* fallback when there is none or it is no whole number within least..most. */
int64_t rw_request_whole(const rw_request *request, const char *name, int64_t least, int64_t most,
                         int64_t fallback);
bool rw_request_number(const rw_request *request, const char *name, double *value);

#endif
