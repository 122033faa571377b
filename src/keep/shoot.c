/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which stills on the cards belong together: keep.h says by what.
 */
#include <string.h>

#include "keep/card.h"

#define LONG_PAUSE_US (INT64_C(20) * 60 * 1000000)
#define PAUSE_FACTOR  200

/* Stills of one camera, serial number and picture size, then the parts between long pauses. */
typedef struct kind {
    char *key;
    GArray *members; /* guint, index of a file, in capture order */
} kind;

static void clear_kind(kind *k)
{
    g_free(k->key);
    g_array_unref(k->members);
}

static void clear_shoot(rw_shoot *s)
{
    g_free(s->id);
    g_free(s->camera);
    g_free(s->serial);
    g_free(s->first_name);
    g_free(s->last_name);
}

static char *camera_of(const rw_still_info *info)
{
    char *name =
        g_strconcat(info->make, info->make[0] && info->model[0] ? " " : "", info->model, NULL);
    return name;
}

/* Size without regard to how the camera was turned. */
static char *kind_key(const rw_still_info *info)
{
    g_autofree char *camera = camera_of(info);
    return g_strdup_printf("%s|%s|%dx%d", camera, info->serial, MAX(info->width, info->height),
                           MIN(info->width, info->height));
}

static bool says_nothing(const rw_still_info *info)
{
    return !info->make[0] && !info->model[0] && !info->serial[0] && !info->has_time;
}

static bool same_size(const rw_still_info *a, const rw_still_info *b)
{
    return MAX(a->width, a->height) == MAX(b->width, b->height) &&
           MIN(a->width, a->height) == MIN(b->width, b->height);
}

static rw_card_file *file_at(const GArray *files, guint i)
{
    return &g_array_index(files, rw_card_file, i);
}

/* Indices of the stills in capture order. */
static GArray *in_order(const GArray *files)
{
    g_autofree rw_shot *shots = g_new0(rw_shot, MAX(files->len, 1));
    g_autofree guint *index = g_new(guint, MAX(files->len, 1));
    size_t n = 0;
    for (guint i = 0; i < files->len; i++)
        if (file_at(files, i)->kind == RW_CARD_STILL) {
            index[n] = i;
            shots[n++] = rw_card_shot(file_at(files, i));
        }
    rw_order *order = rw_order_shots(shots, n);
    GArray *result = g_array_new(FALSE, FALSE, sizeof(guint));
    for (size_t i = 0; i < order->count; i++)
        g_array_append_val(result, index[order->shots[i]]);
    rw_order_free(&order);
    return result;
}

static bool could_be_of(const rw_still_info *own, const rw_still_info *near)
{
    return own->width == 0 ? near->width > 0 : !says_nothing(near) && same_size(own, near);
}

/* A still with no word of itself takes after its neighbour in the numbering, first the ones before
 * it, if it could be the same camera's. */
static const rw_still_info *takes_after(const GArray *files, const GArray *order, guint at)
{
    enum { NEAR = 500 };
    const rw_still_info *own = &file_at(files, g_array_index(order, guint, at))->info;
    if (!says_nothing(own))
        return own;
    for (int step = -1; step <= 1; step += 2)
        for (int64_t i = 1; i <= NEAR; i++) {
            int64_t place = (int64_t)at + i * step;
            if (place < 0 || place >= order->len)
                break;
            const rw_still_info *near = &file_at(files, g_array_index(order, guint, place))->info;
            if (could_be_of(own, near))
                return near;
        }
    return own;
}

static GArray *group_by_kind(const GArray *files, const GArray *order)
{
    GArray *kinds = g_array_new(FALSE, FALSE, sizeof(kind));
    g_array_set_clear_func(kinds, (GDestroyNotify)clear_kind);
    for (guint i = 0; i < order->len; i++) {
        guint f = g_array_index(order, guint, i);
        g_autofree char *key = kind_key(takes_after(files, order, i));
        guint k = 0;
        while (k < kinds->len && !g_str_equal(g_array_index(kinds, kind, k).key, key))
            k++;
        if (k == kinds->len) {
            kind fresh = {g_steal_pointer(&key), g_array_new(FALSE, FALSE, sizeof(guint))};
            g_array_append_val(kinds, fresh);
        }
        g_array_append_val(g_array_index(kinds, kind, k).members, f);
    }
    return kinds;
}

static int compare_int64(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

/* The times at which a new part begins: after each long pause. Sorted; the first is INT64_MIN. */
static GArray *find_parts(const GArray *files, const kind *k)
{
    GArray *parts = g_array_new(FALSE, FALSE, sizeof(int64_t));
    g_autoptr(GArray) times = g_array_new(FALSE, FALSE, sizeof(int64_t));
    g_autoptr(GArray) steps = g_array_new(FALSE, FALSE, sizeof(int64_t));
    int64_t start = INT64_MIN;
    g_array_append_val(parts, start);
    for (guint i = 0; i < k->members->len; i++) {
        const rw_card_file *f = file_at(files, g_array_index(k->members, guint, i));
        if (f->info.has_time)
            g_array_append_val(times, f->info.time_us);
    }
    if (times->len < 2)
        return parts;
    g_array_sort(times, compare_int64);
    for (guint i = 1; i < times->len; i++) {
        int64_t step = g_array_index(times, int64_t, i) - g_array_index(times, int64_t, i - 1);
        g_array_append_val(steps, step);
    }
    g_array_sort(steps, compare_int64);
    int64_t usual = g_array_index(steps, int64_t, (steps->len - 1) / 2);
    int64_t pause = MAX(LONG_PAUSE_US, MIN(usual, INT64_MAX / PAUSE_FACTOR) * PAUSE_FACTOR);
    for (guint i = 1; i < times->len; i++) {
        start = g_array_index(times, int64_t, i);
        if (start - g_array_index(times, int64_t, i - 1) > pause)
            g_array_append_val(parts, start);
    }
    return parts;
}

static guint part_of(const GArray *parts, int64_t time)
{
    guint p = parts->len - 1;
    while (p > 0 && g_array_index(parts, int64_t, p) > time)
        p--;
    return p;
}

static void describe(rw_shoot *s, const rw_card_file *f)
{
    if (s->stills == 0) {
        s->first_us = s->last_us = INT64_MIN;
        s->first_name = g_strdup(f->relative);
        s->camera = g_strdup("");
        s->serial = g_strdup("");
    }
    if (f->info.has_time) {
        s->first_us =
            s->first_us == INT64_MIN ? f->info.time_us : MIN(s->first_us, f->info.time_us);
        s->last_us = MAX(s->last_us, f->info.time_us);
    }
    if (s->width == 0 && f->info.width > 0) {
        s->width = f->info.width;
        s->height = f->info.height;
    }
    if (!says_nothing(&f->info) && !s->camera[0] && !s->serial[0]) {
        g_free(s->camera);
        g_free(s->serial);
        s->camera = camera_of(&f->info);
        s->serial = g_strdup(f->info.serial);
    }
    g_free(s->last_name);
    s->last_name = g_strdup(f->relative);
    s->stills++;
    s->bytes += f->bytes;
}

/* Members without a time go with the member before them in the numbering. */
static void add_shoots(GArray *shoots, GArray *files, const kind *k)
{
    g_autoptr(GArray) parts = find_parts(files, k);
    guint base = shoots->len, part = 0;
    g_array_set_size(shoots, base + parts->len);
    for (guint i = 0; i < k->members->len; i++) { /* the first part that a time names */
        const rw_card_file *f = file_at(files, g_array_index(k->members, guint, i));
        if (f->info.has_time) {
            part = part_of(parts, f->info.time_us);
            break;
        }
    }
    for (guint i = 0; i < k->members->len; i++) {
        rw_card_file *f = file_at(files, g_array_index(k->members, guint, i));
        if (f->info.has_time)
            part = part_of(parts, f->info.time_us);
        f->shoot = (int)(base + part);
        describe(&g_array_index(shoots, rw_shoot, base + part), f);
    }
    for (guint p = 0; p < parts->len; p++) {
        rw_shoot *s = &g_array_index(shoots, rw_shoot, base + p);
        s->id = g_strdup_printf("%s|%" G_GINT64_FORMAT, k->key, s->first_us);
    }
}

typedef struct ranked {
    rw_shoot shoot;
    int was;
} ranked;

static int compare_shoots(const void *a, const void *b)
{
    const rw_shoot *x = &((const ranked *)a)->shoot, *y = &((const ranked *)b)->shoot;
    if (x->first_us != y->first_us)
        return x->first_us < y->first_us ? -1 : 1;
    int order = rw_natural_compare(x->first_name, y->first_name);
    return order ? order : strcmp(x->id, y->id);
}

static void sort_shoots(GArray *shoots, GArray *files)
{
    g_autofree ranked *rank = g_new(ranked, MAX(shoots->len, 1));
    g_autofree int *now = g_new(int, MAX(shoots->len, 1));
    for (guint i = 0; i < shoots->len; i++)
        rank[i] = (ranked){g_array_index(shoots, rw_shoot, i), (int)i};
    qsort(rank, shoots->len, sizeof *rank, compare_shoots);
    for (guint i = 0; i < shoots->len; i++) {
        g_array_index(shoots, rw_shoot, i) = rank[i].shoot;
        now[rank[i].was] = (int)i;
    }
    for (guint i = 0; i < files->len; i++) {
        rw_card_file *f = file_at(files, i);
        if (f->kind == RW_CARD_STILL && f->shoot >= 0)
            f->shoot = now[f->shoot];
    }
}

/* Leaves in order only what was taken within the times; a still without a time stays with the one
 * before it. */
static void keep_within(GArray *files, GArray *order, int64_t since_us, int64_t until_us)
{
    bool within = since_us == INT64_MIN;
    guint kept = 0;
    for (guint i = 0; i < order->len; i++) {
        guint f = g_array_index(order, guint, i);
        const rw_still_info *info = &file_at(files, f)->info;
        if (info->has_time)
            within = info->time_us >= since_us && info->time_us <= until_us;
        if (within)
            g_array_index(order, guint, kept++) = f;
    }
    g_array_set_size(order, kept);
}

GArray *rw_card_shoots(GArray *files, int64_t since_us, int64_t until_us)
{
    GArray *shoots = g_array_new(FALSE, TRUE, sizeof(rw_shoot));
    g_array_set_clear_func(shoots, (GDestroyNotify)clear_shoot);
    g_autoptr(GArray) order = in_order(files);
    keep_within(files, order, since_us, until_us);
    g_autoptr(GArray) kinds = group_by_kind(files, order);
    for (guint k = 0; k < kinds->len; k++)
        add_shoots(shoots, files, &g_array_index(kinds, kind, k));
    sort_shoots(shoots, files);
    for (guint i = 0; i < files->len; i++)
        if (file_at(files, i)->kind == RW_CARD_COMPANION)
            file_at(files, i)->shoot = file_at(files, file_at(files, i)->still)->shoot;
    return shoots;
}
