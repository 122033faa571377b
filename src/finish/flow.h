/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * flow.h - items through levels, by many workers, out in order, in bounded memory.
 *
 * Level 0 makes items from nothing (a decoded still). An item of a higher level is made from a run
 * of neighbouring items of the level below (a stage's window). Every item is made once, however
 * many windows it stands in, and is let go as soon as no later item needs it. The items of the last
 * level are consumed on the calling thread, strictly in order.
 *
 *     level 0   o o o o o o o        items are whole numbers; each level has its own
 *               |/|\|\|/              counting, needs() ties them together
 *     level 1     o o o
 *                 | | |
 *     level 2     o o o    --> consume()
 *
 * Each worker takes the deepest item that is ready, so what is begun is finished first. Level 0
 * runs at most `ahead` items past what the next item to be consumed needs, and no more than
 * `max_live` results exist at a time (a few more only if one item's own need is larger).
 *
 * The first error, by order of items and not by time, ends the run: items before it are consumed.
 * An item whose needs failed fails alike. cancel (may be NULL) is looked at between items and while
 * one is waited for: the run then ends with RW_ERROR_CANCELLED.
 */
#ifndef RW_FINISH_FLOW_H
#define RW_FINISH_FLOW_H

#include <stdatomic.h>

#include <reelwright/types.h>

typedef struct rw_flow_ops {
    int levels; /* >= 1 */
    /* The items first..last (inclusive, at least one) of level - 1 that an item of level >= 1 is
     * made from. Must not run backwards: a later item's range neither begins nor ends earlier. */
    void (*needs)(int level, int64_t item, void *user, int64_t *first, int64_t *last);
    void *(*start)(void *user, GError **error); /* per worker; may be NULL */
    void (*stop)(void *state, void *user);      /* may be NULL */
    /* inputs[i] is item first + i of the level below, to be read only. *result may be NULL. */
    bool (*make)(int level, int64_t item, void *const *inputs, void *state, void *user,
                 void **result, GError **error);
    /* result stays the flow's. */
    bool (*consume)(int64_t item, void *result, void *user, GError **error);
    void (*discard)(int level, void *result, void *user);
} rw_flow_ops;

/* Items first..last of the last level. n_threads >= 1, ahead >= 0, max_live >= 1. */
bool rw_flow_run(const rw_flow_ops *ops, int64_t first, int64_t last, int n_threads, int ahead,
                 int max_live, const atomic_bool *cancel, void *user, GError **error);

#endif
