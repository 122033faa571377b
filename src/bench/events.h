/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * events.h - telling every open page what has changed, as server-sent events (WHATWG HTML, 9.2).
 *
 * One hub, any number of senders. Each listener has a short queue of its own; one that does not
 * read in time is told to fetch everything anew ("resync") instead of being waited for.
 */
#ifndef RW_BENCH_EVENTS_H
#define RW_BENCH_EVENTS_H

#include <reelwright/types.h>

typedef struct rw_events rw_events;
typedef struct rw_listener rw_listener;

rw_events *rw_events_new(void);
void rw_events_free(rw_events **events); /* after its last listener */

/* Any thread. name: a word. data: JSON in one line. */
void rw_events_send(rw_events *events, const char *name, const char *data);
/* Ends every stream. */
void rw_events_close(rw_events *events);

/* wake is called with the hub's lock held whenever there is something to read for a listener that
 * has said that it waits. NULL when there are too many listeners. */
rw_listener *rw_events_listen(rw_events *events, void (*wake)(void *data), void *data);
void rw_events_leave(rw_listener *listener);
/* Up to size bytes; 0: nothing now (sleep has then been called, with the lock held, and wake will
 * follow); -1: the stream is over. */
ssize_t rw_events_read(rw_listener *listener, char *buffer, size_t size, void (*sleep)(void *data));

#endif
