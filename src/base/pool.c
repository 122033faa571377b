/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "base/pool.h"

#define ALIGNMENT 64u
#define PADDING   64u
#define HEADER    64u

struct rw_buffer {
    rw_pool *pool;
    rw_buffer *next; /* in the idle list */
    size_t bytes;    /* usable, rounded */
    atomic_int count;
};

_Static_assert(sizeof(struct rw_buffer) <= HEADER, "the header must fit in front of the data");

struct rw_pool {
    GMutex lock;
    rw_buffer *idle;
    size_t budget, used, peak; /* used counts idle buffers too */
};

rw_pool *rw_pool_new(size_t budget_bytes)
{
    rw_pool *pool = g_new0(rw_pool, 1);
    g_mutex_init(&pool->lock);
    pool->budget = budget_bytes;
    return pool;
}

static void drop_idle(rw_pool *pool)
{
    while (pool->idle) {
        rw_buffer *b = pool->idle;
        pool->idle = b->next;
        pool->used -= b->bytes + HEADER + PADDING;
        free(b);
    }
}

void rw_pool_free(rw_pool **pool)
{
    if (!*pool)
        return;
    drop_idle(*pool);
    g_assert((*pool)->used == 0); /* somebody still holds a buffer */
    g_mutex_clear(&(*pool)->lock);
    g_clear_pointer(pool, g_free);
}

size_t rw_pool_peak(rw_pool *pool)
{
    g_mutex_lock(&pool->lock);
    size_t peak = pool->peak;
    g_mutex_unlock(&pool->lock);
    return peak;
}

static rw_buffer *take_idle(rw_pool *pool, size_t bytes)
{
    for (rw_buffer **p = &pool->idle; *p; p = &(*p)->next) {
        if ((*p)->bytes == bytes) {
            rw_buffer *b = *p;
            *p = b->next;
            return b;
        }
    }
    return NULL;
}

rw_buffer *rw_pool_take(rw_pool *pool, size_t bytes, GError **error)
{
    size_t rounded = (MAX(bytes, 1u) + 4095u) & ~(size_t)4095u;
    size_t total = rounded + HEADER + PADDING;
    g_mutex_lock(&pool->lock);
    rw_buffer *b = take_idle(pool, rounded);
    if (!b && pool->used + total > pool->budget)
        drop_idle(pool);
    if (!b && pool->used + total <= pool->budget) {
        b = aligned_alloc(ALIGNMENT, (total + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT);
        if (b) {
            b->pool = pool;
            b->bytes = rounded;
            pool->used += total;
            pool->peak = MAX(pool->peak, pool->used);
        }
    }
    size_t used = pool->used;
    g_mutex_unlock(&pool->lock);
    if (!b) {
        g_set_error(error, RW_ERROR, RW_ERROR_MEMORY,
                    "No room for a picture buffer of %zu MiB: %zu of %zu MiB are in use. Use fewer "
                    "threads or a smaller size.",
                    rounded >> 20, used >> 20, pool->budget >> 20);
        return NULL;
    }
    b->next = NULL;
    atomic_init(&b->count, 1);
    return b;
}

rw_buffer *rw_buffer_ref(rw_buffer *buffer)
{
    atomic_fetch_add_explicit(&buffer->count, 1, memory_order_relaxed);
    return buffer;
}

void rw_buffer_unref(rw_buffer **buffer)
{
    rw_buffer *b = *buffer;
    *buffer = NULL;
    if (!b || atomic_fetch_sub_explicit(&b->count, 1, memory_order_acq_rel) != 1)
        return;
    g_mutex_lock(&b->pool->lock);
    b->next = b->pool->idle;
    b->pool->idle = b;
    g_mutex_unlock(&b->pool->lock);
}

bool rw_buffer_is_writable(const rw_buffer *buffer)
{
    return atomic_load_explicit(&buffer->count, memory_order_acquire) == 1;
}

void *rw_buffer_data(rw_buffer *buffer)
{
    return (char *)buffer + HEADER;
}

size_t rw_buffer_size(const rw_buffer *buffer)
{
    return buffer->bytes;
}

bool rw_frame_alloc(rw_frame *frame, rw_pool *pool, int width, int height, int planes,
                    GError **error)
{
    g_return_val_if_fail(width > 0 && height > 0 && (planes == 1 || planes == 3), false);
    size_t stride = ((size_t)width + 16 + 15) & ~(size_t)15; /* 16 floats may be over-read */
    size_t plane = stride * (size_t)height;
    memset(frame, 0, sizeof *frame);
    frame->buffer = rw_pool_take(pool, plane * (size_t)planes * sizeof(float), error);
    if (!frame->buffer)
        return false;
    float *data = rw_buffer_data(frame->buffer);
    for (int p = 0; p < planes; p++)
        frame->plane[p] = data + plane * (size_t)p;
    frame->width = width;
    frame->height = height;
    frame->stride = (ptrdiff_t)stride;
    frame->still_to_frame = rw_affine_identity();
    return true;
}

void rw_frame_clear(rw_frame *frame)
{
    rw_buffer_unref(&frame->buffer);
    memset(frame, 0, sizeof *frame);
}

void rw_frame_share(rw_frame *to, const rw_frame *from)
{
    *to = *from;
    if (to->buffer)
        rw_buffer_ref(to->buffer);
}
