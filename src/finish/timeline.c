/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/timeline.h"

#define PICTURE(t, i) (&g_array_index((t)->pictures, rw_picture, i))

static int scene_of(const int64_t *scene_first, int scenes, int64_t n)
{
    int s = 0;
    while (s + 1 < scenes && scene_first[s + 1] <= n)
        s++;
    return s;
}

static void collect_pictures(rw_timeline *t, const rw_timeline_frame *frames, size_t count,
                             const int64_t *scene_first, int scenes)
{
    for (size_t i = 0; i < count; i++) {
        if (!frames[i].usable || frames[i].doubled_of >= 0)
            continue;
        rw_picture p = {.n = frames[i].n, .scene = scene_of(scene_first, scenes, frames[i].n)};
        p.first = p.last = t->pictures->len;
        if (p.first > 0) {
            const rw_picture *before = PICTURE(t, p.first - 1);
            if (before->scene == p.scene)
                p.first = before->first;
        }
        g_array_append_val(t->pictures, p);
    }
    for (int64_t i = (int64_t)t->pictures->len - 2; i >= 0; i--)
        if (PICTURE(t, i)->scene == PICTURE(t, i + 1)->scene)
            PICTURE(t, i)->last = PICTURE(t, i + 1)->last;
}

/* The image for a frame that no still shows; before and after are the pictures around it, -1 where
 * there is none. A scene does not reach over its edge unless it has no picture of its own. */
static rw_image fill_gap(const rw_timeline *t, int64_t n, int scene, int64_t before, int64_t after,
                         rw_finish_missing missing)
{
    bool own_before = before >= 0 && PICTURE(t, before)->scene == scene;
    bool own_after = after >= 0 && PICTURE(t, after)->scene == scene;
    if (own_before && own_after && missing == RW_FINISH_BLEND) {
        int64_t na = PICTURE(t, before)->n, nb = PICTURE(t, after)->n;
        return (rw_image){n, before, after, (double)(n - na) / (double)(nb - na)};
    }
    int64_t held = own_before ? before : own_after ? after : before >= 0 ? before : after;
    return (rw_image){PICTURE(t, held)->n, held, held, 0};
}

static bool same_image(const rw_image *a, const rw_image *b)
{
    return a->n == b->n && a->a == b->a && a->b == b->b;
}

void rw_timeline_make(rw_timeline *t, const rw_timeline_frame *frames, size_t count,
                      const int64_t *scene_first, int scenes, rw_finish_missing missing)
{
    t->pictures = g_array_new(FALSE, FALSE, sizeof(rw_picture));
    t->images = g_array_new(FALSE, FALSE, sizeof(rw_image));
    t->entries = g_array_new(FALSE, FALSE, sizeof(rw_entry));
    collect_pictures(t, frames, count, scene_first, scenes);
    int64_t next = 0, pictures = t->pictures->len; /* next: the first picture not before frame i */
    for (size_t i = 0; pictures > 0 && i < count; i++) {
        const rw_timeline_frame *f = &frames[i];
        if (f->doubled_of >= 0)
            continue;
        rw_image image = {f->n, next, next, 0};
        if (f->usable)
            next++;
        else
            image = fill_gap(t, f->n, scene_of(scene_first, scenes, f->n), next - 1,
                             next < pictures ? next : -1, missing);
        guint last = t->images->len;
        if (last == 0 || !same_image(&g_array_index(t->images, rw_image, last - 1), &image))
            g_array_append_val(t->images, image);
        rw_entry entry = {f->n, (int64_t)t->images->len - 1, !f->usable};
        g_array_append_val(t->entries, entry);
    }
}

void rw_timeline_clear(rw_timeline *t)
{
    g_clear_pointer(&t->pictures, g_array_unref);
    g_clear_pointer(&t->images, g_array_unref);
    g_clear_pointer(&t->entries, g_array_unref);
}

/* Rates have terms below 2^31 (1000 fps at most, 1001 below) and a reel has fewer than 2^31 frames;
 * the product of three needs more than 64 bits. */
int64_t rw_cadence_entry(rw_rational film, rw_rational out, int64_t j)
{
    __int128 num = (__int128)j * film.num * out.den, den = (__int128)film.den * out.num;
    return (int64_t)(num / den);
}

int64_t rw_cadence_first(rw_rational film, rw_rational out, int64_t t)
{
    __int128 num = (__int128)t * film.den * out.num, den = (__int128)film.num * out.den;
    return (int64_t)((num + den - 1) / den);
}
