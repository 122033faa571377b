/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * pool.h - counted picture buffers from a byte budget that can say no.
 *
 *     rw_pool *pool = rw_pool_new(2u << 30);
 *     rw_buffer *b = rw_pool_take(pool, bytes, &error);   // count 1, or NULL and RW_ERROR_MEMORY
 *     rw_buffer_ref(b); ... rw_buffer_unref(&b);          // the last unref gives it back
 *     rw_pool_free(&pool);                                // after all its buffers came back
 *
 * Memory layout of one buffer: [header, 64 bytes][data, 64-byte aligned][64 bytes of padding].
 * Buffers of the same rounded size are reused; idle ones are freed when the budget needs room.
 * All functions may be called from any thread.
 */
#ifndef RW_BASE_POOL_H
#define RW_BASE_POOL_H

#include <reelwright/types.h>

typedef struct rw_pool rw_pool;

rw_pool *rw_pool_new(size_t budget_bytes);
void rw_pool_free(rw_pool **pool);
rw_buffer *rw_pool_take(rw_pool *pool, size_t bytes, GError **error);
size_t rw_pool_peak(rw_pool *pool);

rw_buffer *rw_buffer_ref(rw_buffer *buffer);
void rw_buffer_unref(rw_buffer **buffer); /* nulls the pointer; NULL is fine */
bool rw_buffer_is_writable(const rw_buffer *buffer);
void *rw_buffer_data(rw_buffer *buffer);
size_t rw_buffer_size(const rw_buffer *buffer);

/* A frame of planes (1 or 3) float planes of width x height from the pool; contents undefined. */
bool rw_frame_alloc(rw_frame *frame, rw_pool *pool, int width, int height, int planes,
                    GError **error);
void rw_frame_clear(rw_frame *frame); /* gives the buffer back, zeroes the struct */
void rw_frame_share(rw_frame *to, const rw_frame *from); /* one more reference */

#endif
