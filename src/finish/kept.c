/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/kept.h"

typedef struct entry {
    GBytes *name;
    rw_frame frame;
    GArray *spots; /* or NULL */
    size_t bytes;
} entry;

struct rw_kept {
    GMutex lock;
    GQueue entries; /* the one used last first */
    size_t bytes, limit;
};

rw_kept *rw_kept_new(size_t bytes)
{
    rw_kept *kept = g_new0(rw_kept, 1);
    g_mutex_init(&kept->lock);
    g_queue_init(&kept->entries);
    kept->limit = bytes;
    return kept;
}

static void entry_free(entry *e)
{
    rw_frame_clear(&e->frame);
    g_clear_pointer(&e->spots, g_array_unref);
    g_bytes_unref(e->name);
    g_free(e);
}

void rw_kept_free(rw_kept **kept)
{
    rw_kept *k = *kept;
    if (!k)
        return;
    g_queue_clear_full(&k->entries, (GDestroyNotify)entry_free);
    g_mutex_clear(&k->lock);
    g_clear_pointer(kept, g_free);
}

/* With the lock held. */
static GList *look_up(rw_kept *kept, GBytes *name)
{
    for (GList *l = kept->entries.head; l; l = l->next)
        if (g_bytes_equal(((entry *)l->data)->name, name))
            return l;
    return NULL;
}

bool rw_kept_find(rw_kept *kept, GBytes *name, int64_t n, rw_frame *frame, GArray **spots)
{
    if (!kept)
        return false;
    g_mutex_lock(&kept->lock);
    GList *found = look_up(kept, name);
    if (found) {
        rw_frame_share(frame, &((entry *)found->data)->frame);
        frame->n = n;
        const entry *e = found->data;
        if (spots)
            *spots = e->spots ? g_array_ref(e->spots) : NULL;
        g_queue_unlink(&kept->entries, found);
        g_queue_push_head_link(&kept->entries, found);
    }
    g_mutex_unlock(&kept->lock);
    return found != NULL;
}

void rw_kept_add(rw_kept *kept, GBytes *name, const rw_frame *frame, GArray *spots)
{
    if (!kept)
        return;
    entry *e = g_new0(entry, 1);
    e->name = g_bytes_ref(name);
    rw_frame_share(&e->frame, frame);
    e->spots = spots ? g_array_ref(spots) : NULL;
    e->bytes = rw_buffer_size(frame->buffer);
    g_mutex_lock(&kept->lock);
    if (e->bytes > kept->limit || look_up(kept, e->name)) {
        entry_free(e);
    } else {
        g_queue_push_head(&kept->entries, e);
        kept->bytes += e->bytes;
        while (kept->bytes > kept->limit) {
            entry *old = g_queue_pop_tail(&kept->entries);
            kept->bytes -= old->bytes;
            entry_free(old);
        }
    }
    g_mutex_unlock(&kept->lock);
}
