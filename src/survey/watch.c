/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A transfer while it runs. Stills are measured as in a survey, and the same judges look at the
 * last ones after each still; what they hold against the newest stills is told at once, and once.
 */
#include <math.h>
#include <string.h>
#include <sys/statvfs.h>

#include <glib/gstdio.h>
#include <reelwright/survey.h>

#include "base/cpu.h"
#include "base/fs.h"
#include "base/ordered.h"
#include "survey/eye.h"
#include "survey/finding.h"
#include "survey/hair.h"
#include "survey/pair.h"
#include "survey/tree.h"

enum {
    FIRST = 4,       /* stills that the basis is taken from */
    WINDOW = 96,     /* stills that judges look back on */
    FRESH = 4,       /* findings at the last so many stills are news */
    BATCH = 8,       /* stills measured before the judges look again */
    HAIR_HURRY = 4,  /* frames after which a plain hair is told; */
    HAIR_CALM = 8,   /* any other is after these */
    HAIR_START = 24, /* stills before the first is told: the picture must have been seen a while */
    HAIR_REST = 60,  /* stills before another is told: the first one is still being cleaned away */
    SLOW = 60        /* stills over which focus is averaged */
};

typedef struct seen {
    char *path;
    int64_t bytes, time_us;
    rw_readings readings;
    rw_gate_sight sight;
    rw_step step;
    rw_look look;
} seen;

typedef struct watcher {
    const rw_watch_options *options;
    const char *folder;
    const rw_gauge *gauge;
    rw_limits limits;
    rw_basis basis;
    bool settled;
    GPtrArray *queue; /* paths that wait for the basis, or make up the batch */
    GArray *window;   /* of seen, oldest first */
    int64_t count;    /* stills seen */
    int64_t doubled, missing;
    double bytes;    /* of all of them */
    GArray *edges;   /* double: edge widths of the last SLOW stills */
    double sharpest; /* slow edge width at its best */
    bool focus_told;
    GHashTable *told; /* "kind:still" */
    rw_matcher *matcher;
    rw_glance *last;
    rw_hair_finder *hair[2];
    size_t hairs_seen[2];
    int64_t hair_told;  /* at this count of stills; INT64_MIN never */
    int64_t started_us; /* monotonic; first still that came while we watched */
    int64_t came;       /* stills since then */
} watcher;

static void clear_seen(gpointer data)
{
    seen *s = data;
    g_free(s->path);
}

/* ---- telling ---- */

static rw_watch_event base_event(const watcher *w, rw_watch_type type, int64_t n, const char *path)
{
    rw_watch_event e = {.type = type,
                        .n = n,
                        .path = path,
                        .seconds_left = NAN,
                        .free_bytes = -1,
                        .stills_left = -1,
                        .confidence = NAN,
                        .first = -1};
    double frames = (double)(w->count - w->doubled + w->missing);
    double elapsed = (double)(g_get_monotonic_time() - w->started_us) * 1e-6;
    e.footage_mm = frames * w->gauge->pitch;
    if (w->came > 2 && elapsed > 0)
        e.stills_per_s = (double)(w->came - 1) / elapsed;
    if (w->options->reel_mm > 0 && e.stills_per_s > 0)
        e.seconds_left =
            MAX(0, w->options->reel_mm - e.footage_mm) / w->gauge->pitch / e.stills_per_s;
    e.free_bytes = rw_free_space(w->folder, NULL);
    if (e.free_bytes >= 0 && w->count > 0)
        e.stills_left = (int64_t)((double)e.free_bytes / MAX(1, w->bytes / (double)w->count));
    return e;
}

static void tell_still(const watcher *w, const seen *s)
{
    rw_watch_event e = base_event(w, RW_WATCH_STILL, w->count - 1, s->path);
    w->options->event(&e, w->options->user);
}

static void warn(watcher *w, rw_kind kind, int64_t first, const char *path, double confidence,
                 const char *advice, const char *detail)
{
    rw_watch_event e = base_event(w, RW_WATCH_WARNING, w->count - 1, path);
    e.kind = rw_finding_kinds()[kind].name;
    e.first = first;
    e.confidence = confidence;
    e.advice = advice;
    e.detail = detail;
    w->options->event(&e, w->options->user);
}

/* What a person at the projector does now; the findings' own advice is for afterwards. */
static const char *advice_now(rw_kind kind)
{
    switch (kind) {
    case RW_KIND_MISSING:
        return "Stop: a film frame went by untaken. Wind back to the frame before and go on.";
    case RW_KIND_DOUBLED:
        return "The film did not move on: look at the transport. Nothing is lost.";
    case RW_KIND_SMEARED:
        return "Stop: the film moves while the shutter is open. Let the camera fire later.";
    case RW_KIND_SOFT:
    case RW_KIND_FOCUS_DRIFT:
        return "Stop and refocus on the grain.";
    case RW_KIND_EXPOSURE:
        return "Look at the lamp and the camera's exposure; both should be locked.";
    case RW_KIND_CLIPPED:
        return "Give less exposure: highlights are clipped.";
    case RW_KIND_HAIR:
        return "Stop and clean the gate.";
    case RW_KIND_UNREADABLE:
        return "Look at the card and its reader; shoot this frame again.";
    case RW_KIND_LOST:
        return "Look at the film in the gate: its perforation cannot be seen.";
    default:
        return rw_finding_kinds()[kind].advice;
    }
}

/* ---- the judges ---- */

/* Kinds that concern the person at the projector; the rest can wait for the survey. */
static bool is_urgent(rw_kind kind)
{
    return kind == RW_KIND_MISSING || kind == RW_KIND_DOUBLED || kind == RW_KIND_SMEARED ||
           kind == RW_KIND_SOFT || kind == RW_KIND_CLIPPED || kind == RW_KIND_EXPOSURE ||
           kind == RW_KIND_UNREADABLE || kind == RW_KIND_LOST;
}

static rw_track *window_track(const watcher *w)
{
    size_t count = w->window->len;
    rw_track *t = rw_track_new(w->gauge, &w->basis, count);
    for (size_t i = 0; i < count; i++) {
        const seen *s = &g_array_index(w->window, seen, i);
        t->still[i] = w->count - (int64_t)count + (int64_t)i + 1;
        t->time_us[i] = s->time_us;
        t->readings[i] = s->readings;
        t->sight[i] = s->sight;
        t->step[i] = s->step;
        t->look[i] = s->look;
    }
    t->open_end = true;
    rw_track_solve(t);
    return t;
}

static bool is_news(watcher *w, const rw_verdict *v, size_t count)
{
    size_t latest = v->kind == RW_KIND_EXPOSURE ? 16 : FRESH; /* a jump shows after some stills */
    if (!is_urgent(v->kind) || v->last + latest + BATCH < count)
        return false;
    /* what lasts is told once */
    bool lasts = v->kind == RW_KIND_CLIPPED || v->kind == RW_KIND_LOST;
    int64_t still = w->count - (int64_t)count + (int64_t)v->anchor;
    if (v->kind == RW_KIND_EXPOSURE && v->first == 0)
        still = 0; /* flicker and drift of the window as a whole */
    char *key = lasts ? g_strdup_printf("%d:%" G_GINT64_FORMAT, v->kind, still / WINDOW)
                      : g_strdup_printf("%d:%" G_GINT64_FORMAT, v->kind, still);
    return g_hash_table_add(w->told, key);
}

/* Returns whether the newest still repeats the one before. */
static bool judge(watcher *w)
{
    rw_track *t = window_track(w);
    rw_verdicts *verdicts = rw_verdicts_new();
    rw_judge_all(t, &w->limits, verdicts);
    for (size_t i = 0; i < rw_verdicts_count(verdicts); i++) {
        const rw_verdict *v = rw_verdicts_get(verdicts, i);
        if (v->confidence < 0.7 || !is_news(w, v, t->count))
            continue;
        int64_t first = w->count - (int64_t)t->count + (int64_t)v->first;
        w->doubled += v->kind == RW_KIND_DOUBLED;
        w->missing += v->kind == RW_KIND_MISSING ? (int64_t)v->missing : 0;
        warn(w, v->kind, first, g_array_index(w->window, seen, v->anchor).path, v->confidence,
             advice_now(v->kind), v->evidence->str);
    }
    bool repeat = rw_verdicts_cover(verdicts, RW_KIND_DOUBLED, t->count - 1);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
    return repeat;
}

/* Edge width now and at its best, each over SLOW stills; warns once a third of the tolerance is
 * used up, and again only after it was good. */
static void judge_focus(watcher *w)
{
    if (w->edges->len < SLOW)
        return;
    const double *edges = (const double *)(const void *)w->edges->data;
    double now = rw_trimmed_mean(edges, SLOW, 0.2);
    if (isnan(now))
        return;
    if (w->sharpest <= 0 || now < w->sharpest)
        w->sharpest = now;
    double growth = now / w->sharpest - 1, third = w->limits.v[RW_LIMIT_FOCUS_TOLERANCE] / 3;
    if (growth < 0.5 * third)
        w->focus_told = false;
    if (growth < third || w->focus_told)
        return;
    w->focus_told = true;
    g_autofree char *detail =
        g_strdup_printf("\"edge_growth_percent\":%.1f,\"edge_px\":%.2f,\"sharpest_edge_px\":%.2f",
                        100 * growth, now, w->sharpest);
    warn(w, RW_KIND_FOCUS_DRIFT, w->count - SLOW, NULL, 0.8, advice_now(RW_KIND_FOCUS_DRIFT),
         detail);
}

static void tell_hair(watcher *w, const rw_hair_finder *finder, size_t index)
{
    rw_hair hair;
    rw_hair_finder_get(finder, index, &hair);
    if (w->count < HAIR_START || (w->hair_told != INT64_MIN && w->count - w->hair_told < HAIR_REST))
        return; /* a part of what was told */
    w->hair_told = w->count;
    g_autofree char *detail =
        g_strdup_printf("\"darker_percent\":%.0f", 100 * (1 - exp(-hair.contrast)));
    warn(w, RW_KIND_HAIR, hair.first, NULL, hair.confidence, advice_now(RW_KIND_HAIR), detail);
}

static void feed_hair(watcher *w, const rw_glance *glance, bool repeat)
{
    if (!glance->small.luma || !glance->certain || repeat)
        return; /* on a repeat everything stands */
    rw_affine map = rw_hair_film_to_small(&w->basis, glance->place);
    rw_rect a = w->gauge->camera_aperture;
    rw_point film = rw_affine_apply(map, a.x + a.width / 2, a.y + a.height / 2);
    rw_hair_frame frame = {.position = w->count - 1,
                           .luma = glance->small.luma,
                           .width = glance->small.width,
                           .height = glance->small.height,
                           .picture = rw_hair_picture(&w->basis, w->gauge),
                           .film_x = film.x,
                           .film_y = film.y};
    for (int k = 0; k < 2; k++) {
        rw_hair_finder_feed(w->hair[k], &frame);
        for (; w->hairs_seen[k] < rw_hair_finder_count(w->hair[k]); w->hairs_seen[k]++)
            tell_hair(w, w->hair[k], w->hairs_seen[k]);
    }
}

/* ---- measuring ---- */

static void *start_hand(void *user, GError **error)
{
    (void)error;
    watcher *w = user;
    return rw_eye_new(w->gauge, &w->basis);
}

static void stop_hand(void *state, void *user)
{
    (void)user;
    rw_eye *eye = state;
    rw_eye_free(&eye);
}

static void free_glance(void *result, void *user)
{
    (void)user;
    rw_glance *glance = result;
    rw_glance_free(&glance);
}

static bool work(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)error;
    watcher *w = user;
    *result = rw_eye_look(state, g_ptr_array_index(w->queue, (guint)n));
    return true;
}

static const rw_imprint *print_of(const rw_glance *glance)
{
    return glance && glance->imprint.rows > 0 ? &glance->imprint : NULL;
}

static bool consume(int64_t n, void *result, void *user, GError **error)
{
    (void)error;
    watcher *w = user;
    rw_glance *glance = result;
    const char *path = g_ptr_array_index(w->queue, (guint)n);
    seen s = {.path = g_strdup(path),
              .time_us = INT64_MIN,
              .sight = glance->sight,
              .readings = glance->readings,
              .look = rw_look_make(&glance->colour)};
    rw_still_info info;
    GStatBuf facts;
    if (rw_still_probe(path, &info, NULL) && info.has_time)
        s.time_us = info.time_us;
    if (g_stat(path, &facts) == 0)
        s.bytes = facts.st_size;
    rw_pair_read(w->matcher, w->gauge, print_of(w->last), print_of(glance), &s.readings, &s.step);
    w->count++;
    w->came++;
    w->bytes += (double)s.bytes;
    if (w->window->len == WINDOW)
        g_array_remove_index(w->window, 0);
    g_array_append_val(w->window, s);
    double edge = sqrt(s.readings.v[RW_M_EDGE_ACROSS] * s.readings.v[RW_M_EDGE_ALONG]);
    if (!isnan(edge)) {
        if (w->edges->len == SLOW)
            g_array_remove_index(w->edges, 0);
        g_array_append_val(w->edges, edge);
    }
    if (glance->fault[0]) {
        rw_watch_event e = base_event(w, RW_WATCH_REFUSED, w->count - 1, path);
        e.detail = glance->fault;
        w->options->event(&e, w->options->user);
    } else {
        tell_still(w, &s);
    }
    bool repeat = judge(w);
    feed_hair(w, glance, repeat);
    judge_focus(w);
    rw_glance_free(&w->last);
    w->last = glance;
    return true;
}

/* Measures all that is in the queue and empties it. */
static bool run_queue(watcher *w, GError **error)
{
    static const rw_ordered_ops ops = {start_hand, work, consume, free_glance, stop_hand};
    int threads = w->options->threads > 0 ? w->options->threads : rw_cpu_count();
    if (w->queue->len == 0)
        return true;
    if (!w->settled) {
        rw_basis_find(&w->basis, w->gauge, (const char *const *)w->queue->pdata, w->queue->len);
        w->matcher = rw_matcher_new(w->basis.band);
        w->settled = true;
    }
    bool ok = rw_ordered_run(&ops, 0, (int64_t)w->queue->len - 1, threads, threads + 1,
                             w->options->cancel, w, error);
    g_ptr_array_set_size(w->queue, 0);
    return ok;
}

static bool is_cancelled(const watcher *w)
{
    return w->options->cancel && atomic_load(w->options->cancel);
}

static bool follow(watcher *w, rw_tree *tree, GError **error)
{
    int64_t last_news = g_get_monotonic_time();
    while (!is_cancelled(w)) {
        char *path = rw_tree_next(tree, w->queue->len ? 0 : 250);
        int64_t now = g_get_monotonic_time();
        if (path) {
            last_news = now;
            if (w->started_us == 0)
                w->started_us = now;
            g_ptr_array_add(w->queue, path);
        }
        guint enough = w->settled ? BATCH : FIRST;
        /* the first ones are waited for a moment, so that the basis rests on several */
        bool late = w->settled ? !path : !path && now - last_news > 3 * G_USEC_PER_SEC;
        if (w->queue->len >= enough || (w->queue->len && late)) {
            if (!run_queue(w, error))
                return false;
            last_news = g_get_monotonic_time();
        }
        if (!path && w->queue->len == 0 && w->options->idle_s > 0 && rw_tree_waiting(tree) == 0 &&
            (double)(now - last_news) * 1e-6 > w->options->idle_s)
            return true;
        if (!path && w->queue->len)
            g_usleep(20000);
    }
    return true;
}

bool rw_watch_run(const char *folder, const rw_watch_options *options, GError **error)
{
    rw_tree *tree = rw_tree_open(folder, error);
    if (!tree)
        return false;
    watcher w = {.options = options, .folder = folder, .gauge = options->gauge};
    rw_limits_init(&w.limits);
    w.queue = g_ptr_array_new_with_free_func(g_free);
    w.window = g_array_new(FALSE, FALSE, sizeof(seen));
    g_array_set_clear_func(w.window, clear_seen);
    w.edges = g_array_new(FALSE, FALSE, sizeof(double));
    w.told = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    w.hair[0] = rw_hair_finder_new(HAIR_HURRY);
    w.hair[1] = rw_hair_finder_new(HAIR_CALM);
    w.hair_told = INT64_MIN;
    g_autoptr(GError) inner = NULL;
    bool ok = follow(&w, tree, &inner);
    if (!ok && g_error_matches(inner, RW_ERROR, RW_ERROR_CANCELLED))
        ok = true; /* that is how a watch ends */
    else if (!ok)
        g_propagate_error(error, g_steal_pointer(&inner));
    rw_tree_close(&tree);
    rw_glance_free(&w.last);
    rw_matcher_free(&w.matcher);
    rw_hair_finder_free(&w.hair[0]);
    rw_hair_finder_free(&w.hair[1]);
    g_ptr_array_unref(w.queue);
    g_array_unref(w.window);
    g_array_unref(w.edges);
    g_hash_table_unref(w.told);
    return ok;
}
