/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "bench/events.h"

#define MAX_LISTENERS 32
#define MAX_WAITING   65536 /* bytes */

struct rw_events {
    GMutex lock;
    GPtrArray *listeners;
    bool closed;
};

struct rw_listener {
    rw_events *events;
    GString *waiting;
    bool asleep;
    void (*wake)(void *data);
    void *data;
};

rw_events *rw_events_new(void)
{
    rw_events *events = g_new0(rw_events, 1);
    g_mutex_init(&events->lock);
    events->listeners = g_ptr_array_new();
    return events;
}

void rw_events_free(rw_events **events)
{
    if (!*events)
        return;
    g_assert((*events)->listeners->len == 0);
    g_ptr_array_unref((*events)->listeners);
    g_mutex_clear(&(*events)->lock);
    g_clear_pointer(events, g_free);
}

static void wake(rw_listener *listener)
{
    if (!listener->asleep)
        return;
    listener->asleep = false;
    listener->wake(listener->data);
}

void rw_events_send(rw_events *events, const char *name, const char *data)
{
    g_mutex_lock(&events->lock);
    for (guint i = 0; i < events->listeners->len; i++) {
        rw_listener *listener = g_ptr_array_index(events->listeners, i);
        if (listener->waiting->len + strlen(data) > MAX_WAITING)
            g_string_assign(listener->waiting, "event: resync\ndata: {}\n\n");
        else
            g_string_append_printf(listener->waiting, "event: %s\ndata: %s\n\n", name, data);
        wake(listener);
    }
    g_mutex_unlock(&events->lock);
}

void rw_events_close(rw_events *events)
{
    g_mutex_lock(&events->lock);
    events->closed = true;
    for (guint i = 0; i < events->listeners->len; i++)
        wake(g_ptr_array_index(events->listeners, i));
    g_mutex_unlock(&events->lock);
}

rw_listener *rw_events_listen(rw_events *events, void (*wake_up)(void *data), void *data)
{
    rw_listener *listener = NULL;
    g_mutex_lock(&events->lock);
    if (!events->closed && events->listeners->len < MAX_LISTENERS) {
        listener = g_new0(rw_listener, 1);
        listener->events = events;
        listener->waiting = g_string_new("retry: 1000\n\n");
        listener->wake = wake_up;
        listener->data = data;
        g_ptr_array_add(events->listeners, listener);
    }
    g_mutex_unlock(&events->lock);
    return listener;
}

void rw_events_leave(rw_listener *listener)
{
    rw_events *events = listener->events;
    g_mutex_lock(&events->lock);
    g_ptr_array_remove_fast(events->listeners, listener);
    g_mutex_unlock(&events->lock);
    g_string_free(listener->waiting, TRUE);
    g_free(listener);
}

ssize_t rw_events_read(rw_listener *listener, char *buffer, size_t size, void (*sleep)(void *data))
{
    rw_events *events = listener->events;
    g_mutex_lock(&events->lock);
    size_t given = MIN(size, listener->waiting->len);
    bool over = events->closed;
    if (given) {
        memcpy(buffer, listener->waiting->str, given);
        g_string_erase(listener->waiting, 0, (gssize)given);
    } else if (!over) {
        listener->asleep = true;
        sleep(listener->data);
    }
    g_mutex_unlock(&events->lock);
    return over && !given ? -1 : (ssize_t)given;
}
