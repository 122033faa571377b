/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * ordered.h - many workers, results in order, bounded memory.
 *
 * Runs work(n) for n = first..last (inclusive) on n_threads workers and hands each result to
 * consume(n) on the calling thread, strictly in order. At most `window` results wait or are being
 * made at any time, whatever the length of the run. State has three parts: start (per worker),
 * work (nothing shared is written), stop.
 *
 * The first error, by order of n and not by time, ends the run: frames before it are consumed, so
 * that a run with any number of threads ends in the same state. A consume that fails ends it too.
 * cancel (may be NULL) is looked at between frames: the run then ends with RW_ERROR_CANCELLED.
 */
#ifndef RW_BASE_ORDERED_H
#define RW_BASE_ORDERED_H

#include <stdatomic.h>

#include <reelwright/types.h>

typedef struct rw_ordered_ops {
    void *(*start)(void *user, GError **error); /* NULL result with error set fails; may be NULL */
    bool (*work)(int64_t n, void *state, void *user, void **result, GError **error);
    bool (*consume)(int64_t n, void *result, void *user, GError **error); /* owns result */
    void (*discard)(void *result, void *user); /* a result that will not be consumed */
    void (*stop)(void *state, void *user);     /* may be NULL */
} rw_ordered_ops;

bool rw_ordered_run(const rw_ordered_ops *ops, int64_t first, int64_t last, int n_threads,
                    int window, const atomic_bool *cancel, void *user, GError **error);

#endif
