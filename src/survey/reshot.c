/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/progress.h"
#include "survey/cache.h"
#include "survey/eye.h"
#include "survey/hair.h"
#include "survey/reshot.h"
#include "survey/store.h"

enum {
    MARGIN = 2, /* frames beyond a batch's length on each side of a place that are looked at */
    MOST_AROUND = 60,
    THUMB_WIDTH = 32,
    THUMB_HEIGHT = 24,
    THUMB = THUMB_WIDTH * THUMB_HEIGHT,
    WIDE = 160,      /* positions that a still of unknown place is compared with, likest first */
    NEAR_BEFORE = 3, /* round the still before it in the row */
    NEAR_AFTER = 8,
    HELD = 400, /* imprints in memory */
    PEERS = 4,  /* late stills beside it that a following still is held against */
    BATCH = 8   /* stills a transaction */
};

/* Likeness of grain beyond what the next likest place leaves, and pixels from where the film's
 * geometry promises it. Measured on made-up reels: true places 0.42 to 0.65 of likeness within 0.2
 * px, the next likest below 0.2, and on a motionless scene at most half of what is left. */
#define LEAST_LIKE 0.15
#define BEYOND     0.15 /* share of what the next likest leaves, of a piece of film about at home */
#define ABOUT_PX   3.0
/* Once it is known by how much the two rigs differ, film is at home to half a pixel; pictures that
 * are only alike are off by the unsteadiness of the camera that shot them. Then less likeness is
 * enough. */
#define HOME_PX      0.5
#define BEYOND_AT    0.08
#define BEYOND_STRIP 0.02

#define STAGE         "survey"
#define LINKS_VERSION 1

typedef float thumb[THUMB];

typedef struct placer {
    rw_reel *reel;
    const rw_track *track;
    rw_verdicts *verdicts;
    const rw_survey_options *options;
    rw_reshot *result;
    bool *bad, *repeat, *doubt, *clear; /* as rw_spine has them */
    bool *near;                         /* positions worth comparing with */
    size_t *gap;
    int side;      /* on which the next picture's strip shows: 1 far, -1 near, 0 none */
    rw_point home; /* where it is usually found */
    thumb *thumbs; /* by position; filled where near */
    rw_matcher *matcher;
    rw_eye *eye;          /* for the spine's stills */
    GHashTable *imprints; /* position -> rw_imprint */
    GQueue held;          /* positions, oldest first */
} placer;

/* ---- which stills are late ---- */

int rw_reshot_batch_of(rw_reel *reel, int64_t still, GError **error)
{
    double batch = rw_reel_get_measure(reel, still, "batch", 0, error);
    return isnan(batch) ? 0 : (int)batch;
}

/* A reel that was surveyed before late stills were told from others: late are those that no frame
 * shows or showed. */
static int first_without_frame(rw_reel *reel, GError **error)
{
    g_autoptr(GArray) stills = rw_reel_stills(reel, error);
    g_autoptr(GArray) frames = stills ? rw_reel_frames(reel, 0, INT64_MAX / 2, error) : NULL;
    if (!frames)
        return -1;
    g_autoptr(GError) inner = NULL;
    GHashTable *shown = g_hash_table_new(g_int64_hash, g_int64_equal);
    for (guint i = 0; i < frames->len; i++) {
        rw_frame_row *row = &g_array_index(frames, rw_frame_row, i);
        g_hash_table_add(shown, &row->still);
        g_hash_table_add(shown, &row->replaced);
    }
    int first = 0;
    for (guint i = 0; i < stills->len && !inner; i++) {
        rw_still_row *row = &g_array_index(stills, rw_still_row, i);
        if (row->state == RW_STILL_COMPANION || g_hash_table_contains(shown, &row->id))
            continue;
        int batch = rw_reshot_batch_of(reel, row->id, &inner);
        if (batch > 1 && (first == 0 || batch < first))
            first = batch;
    }
    g_hash_table_unref(shown);
    if (!inner)
        return first;
    g_propagate_error(error, g_steal_pointer(&inner));
    return -1;
}

int rw_reshot_first_batch(rw_reel *reel, GError **error)
{
    g_autoptr(GError) inner = NULL;
    g_autofree char *text = rw_reel_get_meta(reel, RW_META_LATE, &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return -1;
    }
    return text ? (int)g_ascii_strtoll(text, NULL, 10) : first_without_frame(reel, error);
}

/* ---- what wants a new still ---- */

/* Kinds that another still mends. */
static bool is_mendable(const rw_verdict *v)
{
    switch (v->kind) {
    case RW_KIND_SMEARED:
    case RW_KIND_SOFT:
    case RW_KIND_UNREADABLE:
    case RW_KIND_CLIPPED:
    case RW_KIND_HAIR:
        return true;
    case RW_KIND_FOCUS_DRIFT:
        return v->severity != RW_NOTE;
    default:
        return false;
    }
}

static void mark_around(placer *p, size_t i, size_t reach)
{
    size_t first = i > reach ? i - reach : 0;
    for (size_t k = first; k <= i + reach && k < p->track->count; k++)
        p->near[k] = true;
}

static void read_verdicts(placer *p, size_t reach)
{
    for (size_t n = 0; n < rw_verdicts_count(p->verdicts); n++) {
        const rw_verdict *v = rw_verdicts_get(p->verdicts, n);
        if (v->dismissed)
            continue;
        if (v->kind == RW_KIND_DOUBLED && v->sure)
            p->repeat[v->first] = true;
        if (v->kind == RW_KIND_MISSING) {
            if (v->sure)
                p->gap[v->first] = v->missing;
            p->doubt[v->first] = true;
            mark_around(p, v->first, reach);
        }
        for (size_t i = v->first; is_mendable(v) && i <= v->last; i++) {
            p->bad[i] = true;
            mark_around(p, i, reach);
        }
    }
}

static rw_spine spine_of(const placer *p)
{
    return (rw_spine){p->track->count, p->bad, p->repeat, p->gap, p->doubt, p->side != 0, p->clear};
}

static void listen_round(placer *p)
{
    g_autofree double *share = g_new(double, p->track->count + 1);
    rw_track_hearing(p->track, p->verdicts, share);
    for (size_t i = 0; i < p->track->count; i++)
        p->clear[i] = share[i] >= 0.85;
}

/* ---- small pictures: where to look first ---- */

static void make_thumb(const uint8_t *view, float *out)
{
    double sum = 0, squares = 0;
    for (int j = 0; j < THUMB_HEIGHT; j++)
        for (int i = 0; i < THUMB_WIDTH; i++) {
            const int fx = RW_VIEW_WIDTH / THUMB_WIDTH, fy = RW_VIEW_HEIGHT / THUMB_HEIGHT;
            int total = 0;
            for (int y = 0; y < fy; y++)
                for (int x = 0; x < fx; x++)
                    total += view[(j * fy + y) * RW_VIEW_WIDTH + i * fx + x];
            out[j * THUMB_WIDTH + i] = (float)total;
            sum += total;
        }
    for (int i = 0; i < THUMB; i++) {
        out[i] -= (float)(sum / THUMB);
        squares += (double)(out[i] * out[i]);
    }
    float scale = squares > 0 ? (float)(1 / sqrt(squares)) : 0;
    for (int i = 0; i < THUMB; i++)
        out[i] *= scale;
}

static double thumb_likeness(const float *a, const float *b)
{
    double sum = 0;
    for (int i = 0; i < THUMB; i++)
        sum += (double)(a[i] * b[i]);
    return sum;
}

static void read_thumb(placer *p, size_t i)
{
    const rw_track *t = p->track;
    uint8_t view[RW_VIEW_WIDTH * RW_VIEW_HEIGHT];
    rw_small small = {.factor = 1};
    small.luma =
        rw_cache_read_luma(rw_reel_path(p->reel), t->still[i], &small.width, &small.height);
    if (small.luma) {
        rw_view_make(&small, rw_hair_film_to_small(&t->basis, t->fit[i].film_to_still),
                     t->gauge->camera_aperture, view, RW_VIEW_WIDTH, RW_VIEW_HEIGHT);
        make_thumb(view, p->thumbs[i]);
    }
    g_free(small.luma);
}

/* ---- the spine's stills ---- */

/* NULL when there is no picture to compare. Owned by the placer until others push it out. */
static const rw_imprint *imprint_at(placer *p, size_t i)
{
    gpointer key = GSIZE_TO_POINTER(i);
    rw_imprint *imprint;
    if (g_hash_table_lookup_extended(p->imprints, key, NULL, (gpointer *)&imprint))
        return imprint;
    rw_still_row row;
    if (!rw_reel_get_still(p->reel, p->track->still[i], &row, NULL))
        return NULL;
    g_autofree char *path = rw_reel_file(p->reel, row.path);
    rw_still_row_clear(&row);
    rw_glance *glance = rw_eye_look(p->eye, path);
    imprint = glance->imprint.rows > 0 ? g_memdup2(&glance->imprint, sizeof glance->imprint) : NULL;
    rw_glance_free(&glance);
    if (p->held.length == HELD)
        g_hash_table_remove(p->imprints, g_queue_pop_head(&p->held));
    g_queue_push_tail(&p->held, key);
    g_hash_table_insert(p->imprints, key, imprint);
    return imprint;
}

/* ---- comparing ---- */

/* How like a piece of grain is to another, and where it was found. */
typedef struct likeness {
    size_t where; /* position, or index in the row */
    double like, x, y;
} likeness;

/* One question: which of several is it? */
typedef struct question {
    GArray *answers; /* of likeness */
    double usual;    /* likeness that the scene alone gives there */
} question;

/* All that was asked about one late still. */
typedef struct inquiry {
    question at, after, before; /* of positions */
    question same, follows;     /* of the late stills right before it */
    size_t ahead; /* position that its picture likes less than the one before; RW_NOWHERE */
} inquiry;

static void question_init(question *q)
{
    *q = (question){g_array_new(FALSE, FALSE, sizeof(likeness)), 0};
}

static void inquiry_init(inquiry *i)
{
    question_init(&i->at);
    question_init(&i->after);
    question_init(&i->before);
    question_init(&i->same);
    question_init(&i->follows);
}

static void inquiry_clear(inquiry *i)
{
    g_array_unref(i->at.answers);
    g_array_unref(i->after.answers);
    g_array_unref(i->before.answers);
    g_array_unref(i->same.answers);
    g_array_unref(i->follows.answers);
}

static void answer(question *q, size_t where, const rw_grain_match *m)
{
    likeness a = {where, isnan(m->correlation) ? -1 : m->correlation, m->shift_x, m->shift_y};
    g_array_append_val(q->answers, a);
}

/* The likest, and how far it stands out: share of what the next likest, or the scene, leaves. */
static likeness likest(const question *q, double *beyond)
{
    likeness best = {RW_NOWHERE, -1, 0, 0};
    double second = MAX(q->usual, 0);
    for (guint i = 0; i < q->answers->len; i++) {
        likeness a = g_array_index(q->answers, likeness, i);
        if (a.like > best.like) {
            second = MAX(second, best.like);
            best = a;
        } else {
            second = MAX(second, a.like);
        }
    }
    *beyond = (best.like - second) / (1 - MIN(second, 0.99));
    return best;
}

/* What is known of a batch's rig against the spine's. */
typedef struct rig_offset {
    bool placed; /* both are registered by perforations */
    bool known;
    rw_point off; /* decoded pixels */
} rig_offset;

/* Where, or RW_NOWHERE when nothing stands out. home: where it should be found. */
static size_t decide(const question *q, const rig_offset *rig, rw_point home, double beyond_home)
{
    double beyond;
    likeness best = likest(q, &beyond);
    double off = hypot(best.x - home.x, best.y - home.y);
    bool at_home = rig->known && off < HOME_PX && beyond > beyond_home;
    bool about = (off < ABOUT_PX || !rig->placed) && beyond > BEYOND;
    return best.like > LEAST_LIKE && (at_home || about) ? best.where : RW_NOWHERE;
}

/* Likeness that b has with a's own picture where it should have it with the next one's: what a
 * motionless scene alone gives. */
static double beside(placer *p, const rw_imprint *a, const rw_imprint *b)
{
    double like = rw_matcher_beside(p->matcher, a, b, p->side > 0).correlation;
    return isnan(like) ? 0 : like;
}

/* Compares a late still with positions; repeats of a position count as that position. */
static void look_at(placer *p, const rw_imprint *now, const size_t *positions, size_t count,
                    inquiry *in)
{
    for (size_t i = 0; i < count; i++) {
        size_t k = positions[i];
        const rw_imprint *there = p->repeat[k] ? NULL : imprint_at(p, k);
        if (!there)
            continue;
        rw_grain_match m = rw_matcher_same(p->matcher, there, now);
        answer(&in->at, k, &m);
        if (p->side == 0)
            continue;
        m = rw_matcher_next(p->matcher, there, now, p->side > 0);
        answer(&in->after, k, &m);
        m = rw_matcher_next(p->matcher, now, there, p->side > 0);
        answer(&in->before, k, &m);
    }
    double beyond;
    likeness a = likest(&in->after, &beyond), b = likest(&in->before, &beyond);
    in->after.usual = a.where == RW_NOWHERE ? 0 : beside(p, imprint_at(p, a.where), now);
    in->before.usual = b.where == RW_NOWHERE ? 0 : beside(p, now, imprint_at(p, b.where));
}

static void forget(inquiry *in)
{
    g_array_set_size(in->at.answers, 0);
    g_array_set_size(in->after.answers, 0);
    g_array_set_size(in->before.answers, 0);
    in->after.usual = in->before.usual = 0;
}

/* What stands out without knowing the rig: where to look for the next still. */
static size_t roughly(const placer *p, const rig_offset *rig, const inquiry *in)
{
    const rw_point nowhere = {0, 0};
    size_t at = decide(&in->at, rig, nowhere, BEYOND);
    size_t after = at == RW_NOWHERE ? decide(&in->after, rig, p->home, BEYOND) : at;
    return after == RW_NOWHERE ? decide(&in->before, rig, p->home, BEYOND) : after;
}

static size_t near_list(const placer *p, size_t around, size_t *out)
{
    size_t n = 0, first = around > NEAR_BEFORE ? around - NEAR_BEFORE : 0;
    for (size_t k = first; k <= around + NEAR_AFTER && k < p->track->count; k++)
        if (p->near[k])
            out[n++] = k;
    return n;
}

typedef struct ranked {
    size_t position;
    double likeness;
} ranked;

static int by_likeness(const void *a, const void *b)
{
    const ranked *x = a, *y = b;
    if (x->likeness != y->likeness)
        return x->likeness > y->likeness ? -1 : 1;
    return x->position < y->position ? -1 : 1;
}

static size_t wide_list(const placer *p, const float *thumb_now, size_t *out)
{
    g_autofree ranked *all = g_new(ranked, p->track->count + 1);
    size_t n = 0;
    for (size_t k = 0; k < p->track->count; k++)
        if (p->near[k])
            all[n++] = (ranked){k, thumb_likeness(p->thumbs[k], thumb_now)};
    qsort(all, n, sizeof *all, by_likeness);
    n = MIN(n, (size_t)WIDE);
    for (size_t k = 0; k < n; k++)
        out[k] = all[k].position;
    return n;
}

/* First where the row of stills should have come to, then everywhere. */
static void find(placer *p, const rig_offset *rig, const rw_imprint *now, const float *thumb_now,
                 size_t *expected, inquiry *in)
{
    g_autofree size_t *list = g_new(size_t, MAX(WIDE, NEAR_BEFORE + NEAR_AFTER + 1));
    if (now->rows == 0)
        return;
    size_t found = RW_NOWHERE;
    if (*expected != RW_NOWHERE) {
        look_at(p, now, list, near_list(p, *expected, list), in);
        found = roughly(p, rig, in);
    }
    if (found == RW_NOWHERE) {
        forget(in);
        look_at(p, now, list, wide_list(p, thumb_now, list), in);
        found = roughly(p, rig, in);
    }
    if (found != RW_NOWHERE)
        *expected = found;
}

/* How a late still goes on from the one before it: held against the others round it. */
static void ask_peers(placer *p, rw_glance *const *row, size_t i, inquiry *in)
{
    const rw_imprint *now = &row[i]->imprint;
    for (size_t k = i > PEERS ? i - PEERS : 0; k < i && now->rows > 0; k++) {
        const rw_imprint *there = &row[k]->imprint;
        if (there->rows == 0)
            continue;
        rw_grain_match m = rw_matcher_same(p->matcher, there, now);
        answer(&in->same, k, &m);
        if (p->side == 0)
            continue;
        m = rw_matcher_next(p->matcher, there, now, p->side > 0);
        answer(&in->follows, k, &m);
    }
    /* a motionless scene is alike, too, but what follows is not the same */
    in->same.usual = 0.5;
    if (in->follows.answers->len)
        in->follows.usual = beside(p, &row[i - 1]->imprint, now);
}

/* ---- deciding, once all of a batch was asked ---- */

static double median_of(GArray *values)
{
    return rw_median((const double *)(const void *)values->data, values->len);
}

static double spread_of(GArray *values, double median)
{
    return rw_robust_sd((const double *)(const void *)values->data, values->len, median);
}

/* By how much the batch's film lies off its place against the spine's: from stills whose frame is
 * beyond doubt. */
static void learn_rig(rig_offset *rig, const inquiry *in, size_t count)
{
    enum { LEAST = 3 };
    static const double stands_out = 0.12, spread_px = 0.6;
    g_autoptr(GArray) x = g_array_new(FALSE, FALSE, sizeof(double));
    g_autoptr(GArray) y = g_array_new(FALSE, FALSE, sizeof(double));
    for (size_t i = 0; i < count; i++) {
        double beyond;
        likeness best = likest(&in[i].at, &beyond);
        if (best.where == RW_NOWHERE || beyond < stands_out)
            continue;
        g_array_append_val(x, best.x);
        g_array_append_val(y, best.y);
    }
    rw_point off = {median_of(x), median_of(y)};
    rig->known = rig->placed && x->len >= LEAST && spread_of(x, off.x) < spread_px &&
                 spread_of(y, off.y) < spread_px;
    if (rig->known)
        rig->off = off;
}

static void conclude(const placer *p, const rig_offset *rig, const inquiry *in, size_t i,
                     rw_late *late)
{
    rw_point after = {p->home.x + rig->off.x, p->home.y + rig->off.y};
    rw_point before = {p->home.x - rig->off.x, p->home.y - rig->off.y};
    const rw_point same = {0, 0};
    late->at = decide(&in->at, rig, rig->off, BEYOND_AT);
    late->after = decide(&in->after, rig, after, BEYOND_STRIP);
    late->before = decide(&in->before, rig, before, BEYOND_STRIP);
    late->follows = i > 0 && decide(&in->follows, rig, p->home, BEYOND_STRIP) == i - 1;
    late->repeats = i > 0 && !late->follows && decide(&in->same, rig, same, BEYOND) == i - 1;
    size_t b = late->before != RW_NOWHERE  ? late->before
               : late->after != RW_NOWHERE ? late->after + 1
                                           : RW_NOWHERE;
    late->ahead = b != RW_NOWHERE && b == in->ahead;
}

/* The position nearest to those found that the picture likes better than the one before it, if
 * there is a change at all: the head of a scene. */
static size_t find_head(const placer *p, const inquiry *in, const float *now)
{
    double beyond;
    likeness b = likest(&in->before, &beyond), a = likest(&in->after, &beyond);
    for (int k = 0; k < 2; k++) {
        size_t at = k == 0 ? b.where : a.where == RW_NOWHERE ? a.where : a.where + 1;
        if (at != RW_NOWHERE && at > 0 && at < p->track->count &&
            thumb_likeness(p->thumbs[at], now) > thumb_likeness(p->thumbs[at - 1], now))
            return at;
    }
    return RW_NOWHERE;
}

/* ---- one batch ---- */

typedef struct row {
    int batch;
    GArray *ids;      /* int64_t */
    GPtrArray *paths; /* char *, absolute or as given */
    rw_basis basis;
    rw_late *late;
} row;

static void row_clear(row *r)
{
    g_array_unref(r->ids);
    g_ptr_array_unref(r->paths);
    g_free(r->late);
}

/* Names all that the links of a batch follow from. */
static char *links_key(const placer *p, const row *r)
{
    g_autoptr(GChecksum) sum = g_checksum_new(G_CHECKSUM_SHA256);
    const rw_track *t = p->track;
    g_checksum_update(sum, (const guchar *)t->still, (gssize)(t->count * sizeof *t->still));
    g_checksum_update(sum, (const guchar *)p->near, (gssize)(t->count * sizeof *p->near));
    g_checksum_update(sum, (const guchar *)p->repeat, (gssize)(t->count * sizeof *p->repeat));
    g_checksum_update(sum, (const guchar *)r->ids->data, (gssize)(r->ids->len * sizeof(int64_t)));
    return g_strdup(g_checksum_get_string(sum));
}

/* The links found before, if all they follow from is as it was. */
static bool load_links(placer *p, row *r, const char *key)
{
    g_autofree char *name = g_strdup_printf("links.%d", r->batch);
    GBytes *bytes = rw_reel_get_fact(p->reel, STAGE, LINKS_VERSION, "", name, NULL);
    gsize size = 0, n = r->ids->len, most = 64 + sizeof(rw_basis) + n * sizeof(rw_late);
    const char *data = bytes ? g_bytes_get_data(bytes, &size) : NULL;
    bool ok = size == most && memcmp(data, key, 64) == 0 && !p->options->again;
    for (gsize i = 0; ok && i < n; i++)
        ok = rw_cache_has(rw_reel_path(p->reel), g_array_index(r->ids, int64_t, i)) ||
             rw_reel_get_measure(p->reel, g_array_index(r->ids, int64_t, i), "state", 0, NULL) ==
                 RW_STATE_UNREADABLE;
    if (ok) {
        memcpy(&r->basis, data + 64, sizeof r->basis);
        memcpy(r->late, data + 64 + sizeof r->basis, n * sizeof(rw_late));
        ok = r->basis.version == RW_BASIS_VERSION;
    }
    if (bytes)
        g_bytes_unref(bytes);
    return ok;
}

static bool store_links(placer *p, const row *r, const char *key, GError **error)
{
    g_autofree char *name = g_strdup_printf("links.%d", r->batch);
    g_autoptr(GByteArray) data = g_byte_array_new();
    g_byte_array_append(data, (const guint8 *)key, 64);
    g_byte_array_append(data, (const guint8 *)&r->basis, sizeof r->basis);
    g_byte_array_append(data, (const guint8 *)r->late, r->ids->len * (guint)sizeof(rw_late));
    return rw_reel_put_fact(p->reel, STAGE, LINKS_VERSION, "", name, data->data, data->len, error);
}

/* What is common to the batch's stills. What decides how grain is read stays the reel's own. */
static void settle_basis(placer *p, row *r)
{
    const rw_basis *main = &p->track->basis;
    rw_basis_find(&r->basis, p->track->gauge, (const char *const *)r->paths->pdata, r->paths->len);
    if (!r->basis.found || r->basis.width != main->width || r->basis.height != main->height) {
        r->basis = *main;
        r->basis.found = false; /* of this batch nothing is known */
    }
    r->basis.bands = main->bands;
    r->basis.band = main->band;
}

static bool keep(placer *p, int64_t still, const rw_glance *glance, GError **error)
{
    if (glance->picture && !rw_cache_write(rw_reel_path(p->reel), still, glance->picture,
                                           glance->picture_bytes, error))
        return false;
    return rw_store_put_still(p->reel, still, glance, error);
}

static bool check_cancelled(const placer *p, GError **error)
{
    if (!p->options->cancel || !atomic_load(p->options->cancel))
        return true;
    g_set_error(
        error, RW_ERROR, RW_ERROR_CANCELLED,
        "The survey of %s was stopped while stills shot again were placed; the same command "
        "goes on.",
        rw_reel_path(p->reel));
    return false;
}

/* One still: looked at, kept, asked about. The last PEERS glances stay. */
static bool take(placer *p, row *r, rw_eye *eye, rw_glance **glances, inquiry *in, size_t i,
                 const rig_offset *rig, size_t *expected, GError **error)
{
    thumb now;
    glances[i] = rw_eye_look(eye, g_ptr_array_index(r->paths, i));
    r->late[i].still = g_array_index(r->ids, int64_t, i);
    if (!keep(p, r->late[i].still, glances[i], error))
        return false;
    rw_small_clear(&glances[i]->small);
    g_clear_pointer(&glances[i]->picture, g_free);
    make_thumb(glances[i]->imprint.view, now);
    find(p, rig, &glances[i]->imprint, now, expected, &in[i]);
    ask_peers(p, glances, i, &in[i]);
    in[i].ahead = find_head(p, &in[i], now);
    if (i >= PEERS)
        rw_glance_free(&glances[i - PEERS]);
    p->result->measured++;
    return true;
}

static bool ask_all(placer *p, row *r, inquiry *in, const rig_offset *rig, rw_progress *progress,
                    GError **error)
{
    g_autofree rw_glance **glances = g_new0(rw_glance *, r->ids->len + 1);
    rw_eye *eye = rw_eye_new(p->track->gauge, &r->basis);
    rw_eye_imitate(eye, &p->track->basis);
    size_t expected = RW_NOWHERE;
    bool ok = true, open = false;
    for (guint i = 0; ok && i < r->ids->len; i++) {
        ok = check_cancelled(p, error) && (open || (open = rw_reel_begin(p->reel, error))) &&
             take(p, r, eye, glances, in, i, rig, &expected, error);
        if (ok && (i + 1) % BATCH == 0) {
            ok = rw_reel_commit(p->reel, error);
            open = !ok;
        }
        if (progress)
            rw_progress_step(progress, i + 1);
    }
    if (open && (!ok || !rw_reel_commit(p->reel, error))) {
        rw_reel_rollback(p->reel);
        ok = false;
    }
    for (guint i = 0; i < r->ids->len; i++)
        rw_glance_free(&glances[i]);
    rw_eye_free(&eye);
    return ok;
}

static bool take_row(placer *p, row *r, rw_progress *progress, GError **error)
{
    size_t n = r->ids->len;
    inquiry *in = g_new0(inquiry, n + 1);
    rig_offset rig = {.placed = p->track->basis.found && r->basis.found};
    for (size_t i = 0; i < n; i++)
        inquiry_init(&in[i]);
    bool ok = ask_all(p, r, in, &rig, progress, error);
    if (ok)
        learn_rig(&rig, in, n);
    for (size_t i = 0; i < n; i++) {
        if (ok)
            conclude(p, &rig, &in[i], i, &r->late[i]);
        inquiry_clear(&in[i]);
    }
    g_free(in);
    return ok;
}

static bool measure_row(placer *p, row *r, GError **error)
{
    g_autofree char *key = links_key(p, r);
    if (load_links(p, r, key))
        return true;
    if (!p->thumbs) {
        p->thumbs = g_new0(thumb, p->track->count + 1);
        for (size_t i = 0; i < p->track->count; i++)
            if (p->near[i])
                read_thumb(p, i);
    }
    rw_progress *progress =
        p->options->progress ? rw_progress_new("place", "stills shot again", r->ids->len) : NULL;
    settle_basis(p, r);
    bool ok = take_row(p, r, progress, error);
    rw_progress_free(&progress);
    return ok && store_links(p, r, key, error);
}

/* ---- fit to stand in the film? ---- */

/* The spine with late stills among it, for the judge of blur. from[i]: index of the late still
 * at position i of it, RW_NOWHERE for one of the spine. */
static rw_track *merge(const placer *p, const rw_track *rows, const rw_slot *slots, guint n_slots,
                       size_t *from)
{
    const rw_track *t = p->track;
    rw_track *m = rw_track_new(t->gauge, &t->basis, t->count + n_slots);
    size_t n = 0;
    guint s = 0;
    for (size_t i = 0; i <= t->count; i++) {
        for (; s < n_slots && slots[s].before <= i; s++) {
            size_t k = 0;
            while (k < rows->count && rows->still[k] != slots[s].still)
                k++;
            if (k == rows->count)
                continue; /* empty, or another batch's */
            m->readings[n] = rows->readings[k];
            m->scene[n] = t->scene[MIN(i, t->count - 1)];
            from[n++] = k;
        }
        if (i == t->count)
            break;
        m->readings[n] = t->readings[i];
        m->scene[n] = t->scene[i];
        from[n++] = RW_NOWHERE;
    }
    m->count = n;
    return m;
}

/* Marks the late stills that are blurred themselves; returns whether there are any. */
static bool mark_blurred(const placer *p, const rw_track *rows, const GArray *slots, row *r)
{
    g_autofree size_t *from = g_new(size_t, p->track->count + slots->len + 1);
    rw_limits limits;
    rw_limits_init(&limits);
    rw_track *m = merge(p, rows, (const rw_slot *)(const void *)slots->data, slots->len, from);
    rw_verdicts *verdicts = rw_verdicts_new();
    rw_judge_blur(m, &limits, verdicts);
    bool any = false;
    for (size_t i = 0; i < rw_verdicts_count(verdicts); i++) {
        size_t k = from[rw_verdicts_get(verdicts, i)->first];
        if (k == RW_NOWHERE)
            continue;
        r->late[k].bad = any = true;
    }
    rw_verdicts_free(&verdicts);
    rw_track_free(&m);
    return any;
}

/* Of late stills whose frame is known and whose neighbour on the film has a good still: how many
 * also find that neighbour's strip, in both directions. A film that lies a little further aside in
 * the gate shows none of them, and then silence means nothing. */
static bool is_heard(const placer *p, const row *r)
{
    size_t asked = 0, found = 0;
    for (guint i = 0; i < r->ids->len; i++) {
        size_t k = r->late[i].at;
        if (k == RW_NOWHERE || k == 0 || k + 1 >= p->track->count || p->bad[k])
            continue;
        if (!p->bad[k + 1] && !p->repeat[k + 1] && !p->doubt[k + 1]) {
            asked++;
            found += r->late[i].before == k + 1;
        }
        if (!p->bad[k - 1] && !p->repeat[k] && !p->repeat[k - 1] && !p->doubt[k]) {
            asked++;
            found += r->late[i].after == k - 1;
        }
    }
    return (double)found > 0.7 * (double)asked;
}

static GArray *copy_slots(const GArray *slots)
{
    GArray *copy = g_array_sized_new(FALSE, FALSE, sizeof(rw_slot), slots->len);
    g_array_append_vals(copy, slots->data, slots->len);
    return copy;
}

static void fill_slots(placer *p, row *r, const rw_track *rows)
{
    rw_spine spine = spine_of(p);
    g_autofree bool *nowhere = g_new0(bool, p->track->count + 1);
    if (!is_heard(p, r))
        spine.clear = nowhere;
    g_autofree rw_late_role *role = g_new(rw_late_role, r->ids->len + 1);
    GArray *before = copy_slots(p->result->slots);
    for (guint i = 0; i < r->ids->len; i++) {
        double clipped = rw_track_value(rows, i, RW_M_CLIPPED);
        r->late[i].bad = rw_track_value(rows, i, RW_M_STATE) != RW_STATE_GOOD || clipped > 0.05;
    }
    rw_slots_fill(p->result->slots, &spine, r->late, r->ids->len, role);
    if (mark_blurred(p, rows, p->result->slots, r)) {
        g_array_unref(p->result->slots);
        p->result->slots = copy_slots(before);
        rw_slots_fill(p->result->slots, &spine, r->late, r->ids->len, role);
    }
    g_array_unref(before);
    for (guint i = 0; i < r->ids->len; i++) {
        rw_reshot_still s = {r->late[i].still, role[i], rows->fit[i]};
        g_array_append_val(p->result->stills, s);
    }
}

static bool place_row(placer *p, row *r, GError **error)
{
    r->late = g_new0(rw_late, r->ids->len + 1);
    if (!measure_row(p, r, error))
        return false;
    rw_track *rows =
        rw_store_load_track(p->reel, p->track->gauge, &r->basis,
                            (const int64_t *)(const void *)r->ids->data, r->ids->len, error);
    if (!rows)
        return false;
    rw_track_solve(rows);
    fill_slots(p, r, rows);
    rw_track_free(&rows);
    return true;
}

/* ---- all of them ---- */

static void clear_row(gpointer data)
{
    row_clear(data);
}

/* Late stills by batch. GArray of row. */
static GArray *list_rows(rw_reel *reel, int first, GError **error)
{
    g_autoptr(GArray) stills = rw_reel_stills(reel, error);
    g_autoptr(GError) inner = NULL;
    if (!stills)
        return NULL;
    GArray *rows = g_array_new(FALSE, TRUE, sizeof(row));
    g_array_set_clear_func(rows, clear_row);
    for (guint i = 0; i < stills->len && !inner; i++) {
        const rw_still_row *s = &g_array_index(stills, rw_still_row, i);
        int batch = s->state == RW_STILL_COMPANION ? 0 : rw_reshot_batch_of(reel, s->id, &inner);
        if (batch < first)
            continue;
        row *last = rows->len ? &g_array_index(rows, row, rows->len - 1) : NULL;
        if (!last || last->batch != batch) {
            row fresh = {.batch = batch,
                         .ids = g_array_new(FALSE, FALSE, sizeof(int64_t)),
                         .paths = g_ptr_array_new_with_free_func(g_free)};
            g_array_append_val(rows, fresh);
            last = &g_array_index(rows, row, rows->len - 1);
        }
        g_array_append_val(last->ids, s->id);
        g_ptr_array_add(last->paths, rw_reel_file(reel, s->path));
    }
    if (!inner)
        return rows;
    g_array_unref(rows);
    g_propagate_error(error, g_steal_pointer(&inner));
    return NULL;
}

static void placer_init(placer *p)
{
    size_t n = p->track->count + 1;
    p->bad = g_new0(bool, n);
    p->repeat = g_new0(bool, n);
    p->doubt = g_new0(bool, n);
    p->near = g_new0(bool, n);
    p->clear = g_new0(bool, n);
    p->gap = g_new0(size_t, n);
    p->side = rw_track_next_side(p->track, &p->home);
    p->matcher = rw_matcher_new(p->track->basis.band);
    p->eye = rw_eye_new(p->track->gauge, &p->track->basis);
    p->imprints = g_hash_table_new_full(NULL, NULL, NULL, g_free);
    g_queue_init(&p->held);
}

static void placer_clear(placer *p)
{
    g_free(p->bad);
    g_free(p->repeat);
    g_free(p->doubt);
    g_free(p->near);
    g_free(p->clear);
    g_free(p->gap);
    g_free(p->thumbs);
    rw_matcher_free(&p->matcher);
    rw_eye_free(&p->eye);
    g_hash_table_unref(p->imprints);
    g_queue_clear(&p->held);
}

static bool place_all(placer *p, GError **error)
{
    GArray *rows = p->result->batch > 0 ? list_rows(p->reel, p->result->batch, error) : NULL;
    if (!rows && p->result->batch > 0)
        return false;
    guint longest = 0;
    for (guint i = 0; rows && i < rows->len; i++)
        longest = MAX(longest, g_array_index(rows, row, i).ids->len);
    listen_round(p);
    read_verdicts(p, MIN(longest + MARGIN, (size_t)MOST_AROUND));
    rw_spine spine = spine_of(p);
    p->result->slots = rw_slots_new(&spine);
    bool ok = true;
    for (guint i = 0; ok && rows && i < rows->len; i++)
        ok = place_row(p, &g_array_index(rows, row, i), error);
    if (rows)
        g_array_unref(rows);
    return ok;
}

rw_reshot *rw_reshot_place(rw_reel *reel, const rw_track *track, rw_verdicts *verdicts,
                           const rw_survey_options *options, GError **error)
{
    int first = rw_reshot_first_batch(reel, error);
    if (first < 0)
        return NULL;
    rw_reshot *result = g_new0(rw_reshot, 1);
    result->batch = first;
    result->stills = g_array_new(FALSE, FALSE, sizeof(rw_reshot_still));
    placer p = {
        .reel = reel, .track = track, .verdicts = verdicts, .options = options, .result = result};
    placer_init(&p);
    bool ok = place_all(&p, error);
    placer_clear(&p);
    if (!ok)
        rw_reshot_free(&result);
    return result;
}

void rw_reshot_free(rw_reshot **reshot)
{
    if (!*reshot)
        return;
    if ((*reshot)->slots)
        g_array_unref((*reshot)->slots);
    g_array_unref((*reshot)->stills);
    g_clear_pointer(reshot, g_free);
}

const rw_reshot_still *rw_reshot_find(const rw_reshot *reshot, int64_t still)
{
    for (guint i = 0; i < reshot->stills->len; i++) {
        const rw_reshot_still *s = &g_array_index(reshot->stills, rw_reshot_still, i);
        if (s->still == still)
            return s;
    }
    return NULL;
}

bool rw_reshot_store(const rw_reshot *reshot, rw_reel *reel, GError **error)
{
    if (reshot->batch == 0)
        return true;
    g_autofree char *batch = g_strdup_printf("%d", reshot->batch);
    bool ok = rw_reel_put_meta(reel, RW_META_LATE, batch, error);
    for (guint i = 0; ok && i < reshot->stills->len; i++) {
        const rw_reshot_still *s = &g_array_index(reshot->stills, rw_reshot_still, i);
        ok = rw_reel_put_measure(reel, s->still, RW_RESHOT_ROLE, RW_RESHOT_ROLE_VERSION, s->role,
                                 error);
    }
    return ok;
}
