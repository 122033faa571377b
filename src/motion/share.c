/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "motion/share.h"

/* A picture and one after it, both ways. */
typedef struct pair {
    GMutex lock; /* held while it is estimated: whoever else wants it waits */
    bool done;
    rw_motion_field there, back;
} pair;

struct rw_motion_share {
    gatomicrefcount count;
    rw_pool *pool;
    rw_motion_picture picture;
    pair pair[RW_MOTION_FAR]; /* [k]: with the picture k + 1 after */
};

rw_motion_share *rw_motion_share_new(rw_pool *pool, const rw_frame *frame, GError **error)
{
    rw_motion_share *s = g_new0(rw_motion_share, 1);
    if (!rw_motion_picture_init(&s->picture, pool, frame, error)) {
        g_free(s);
        return NULL;
    }
    s->pool = pool;
    g_atomic_ref_count_init(&s->count);
    for (int k = 0; k < RW_MOTION_FAR; k++)
        g_mutex_init(&s->pair[k].lock);
    return s;
}

rw_motion_share *rw_motion_share_ref(rw_motion_share *share)
{
    if (share)
        g_atomic_ref_count_inc(&share->count);
    return share;
}

void rw_motion_share_unref(rw_motion_share **share)
{
    rw_motion_share *s = g_steal_pointer(share);
    if (!s || !g_atomic_ref_count_dec(&s->count))
        return;
    for (int k = 0; k < RW_MOTION_FAR; k++) {
        if (s->pair[k].done) {
            rw_motion_field_clear(&s->pair[k].there);
            rw_motion_field_clear(&s->pair[k].back);
        }
        g_mutex_clear(&s->pair[k].lock);
    }
    rw_motion_picture_clear(&s->picture);
    g_free(s);
}

/* Locks are taken from far pairs to near ones, so nobody waits in a ring. */
static const pair *pair_of(rw_motion_share *const *row, int first, int far, GError **error)
{
    rw_motion_share *a = row[first], *b = row[first + far];
    pair *p = &a->pair[far - 1];
    const pair *hint[2] = {NULL, NULL};
    g_mutex_lock(&p->lock);
    bool ok = p->done;
    if (!ok) {
        ok = true;
        for (int k = 0; ok && far == 2 && k < 2; k++) {
            hint[k] = pair_of(row, first + k, 1, error);
            ok = hint[k] != NULL;
        }
        ok = ok && rw_motion_pair_estimate(&p->there, &p->back, a->pool, &a->picture, &b->picture,
                                           hint[0] ? &hint[0]->there : NULL,
                                           hint[1] ? &hint[1]->back : NULL, 2.0f, error);
        p->done = ok;
    }
    g_mutex_unlock(&p->lock);
    return ok ? p : NULL;
}

const rw_motion_field *rw_motion_share_get(rw_motion_share *const *row, int from, int to,
                                           GError **error)
{
    const int far = ABS(to - from);
    if (far < 1 || far > RW_MOTION_FAR)
        return NULL;
    const pair *p = pair_of(row, MIN(from, to), far, error);
    return p ? (from < to ? &p->there : &p->back) : NULL;
}

size_t rw_motion_share_bytes(int width, int height)
{
    return rw_motion_picture_bytes(width, height) +
           2 * RW_MOTION_FAR * rw_motion_field_bytes(width, height);
}

size_t rw_motion_share_scratch(int width, int height)
{
    return rw_motion_pair_scratch(width, height);
}
