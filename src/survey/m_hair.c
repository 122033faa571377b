/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Hair in the gate, from the small pictures in film order.
 */
#include <math.h>

#include "base/cpu.h"
#include "base/ordered.h"
#include "base/progress.h"
#include "survey/cache.h"
#include "survey/finding.h"
#include "survey/hair.h"
#include "survey/picture.h"

enum {
    PATIENCE = 8,
    TOGETHER = 8 /* what appears within so many frames is one finding */
};

/* Pixels of the small picture for a stored one. */
static double scale_to_small(const rw_basis *basis)
{
    int decoded = basis->width * basis->eighths / 8;
    return basis->eighths / 8.0 / rw_small_factor(decoded, RW_SMALL_WIDTH);
}

rw_affine rw_hair_film_to_small(const rw_basis *basis, rw_affine film_to_still)
{
    double scale = scale_to_small(basis);
    rw_affine small = {{{scale, 0, 0.5 * scale - 0.5}, {0, scale, 0.5 * scale - 0.5}}};
    return rw_affine_then(film_to_still, small);
}

rw_irect rw_hair_picture(const rw_basis *basis, const rw_gauge *gauge)
{
    static const double edge_mm = 0.06;
    rw_affine map = rw_hair_film_to_small(basis, basis->film_to_still);
    rw_rect a = gauge->camera_aperture;
    double x0 = INFINITY, y0 = INFINITY, x1 = -INFINITY, y1 = -INFINITY;
    for (int k = 0; k < 4; k++) {
        double y = a.y + a.height / 2 + (k & 2 ? 1 : -1) * gauge->pitch;
        rw_point p = rw_affine_apply(map, k & 1 ? a.x + a.width - edge_mm : a.x + edge_mm, y);
        x0 = MIN(x0, p.x);
        x1 = MAX(x1, p.x);
        y0 = MIN(y0, p.y);
        y1 = MAX(y1, p.y);
    }
    return (rw_irect){(int)ceil(x0), (int)ceil(y0), (int)(floor(x1) - ceil(x0)),
                      (int)(floor(y1) - ceil(y0))};
}

/* ---- the pictures, one after the other ---- */

typedef struct showing {
    rw_hair_finder *finder;
    const rw_track *track;
    const char *reel_path;
    GArray *positions; /* size_t */
    rw_irect picture;
    rw_point path; /* of the picture so far, film mm */
    rw_progress *progress;
} showing;

typedef struct slide {
    uint8_t *luma; /* NULL: there is none */
    int width, height;
} slide;

static void free_slide(void *result, void *user)
{
    (void)user;
    slide *s = result;
    g_free(s->luma);
    g_free(s);
}

static bool read_slide(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)state, (void)error;
    const showing *show = user;
    size_t i = g_array_index(show->positions, size_t, n);
    slide *s = g_new0(slide, 1);
    s->luma = rw_cache_read_luma(show->reel_path, show->track->still[i], &s->width, &s->height);
    *result = s;
    return true;
}

/* The middle of the frame on the film. Where no perforation tells how the film lies, it is let go
 * with the picture: a hair is still told by what it does not go with. */
static rw_point film_point(showing *show, size_t i)
{
    const rw_track *t = show->track;
    rw_rect a = t->gauge->camera_aperture;
    rw_point middle = {a.x + a.width / 2, a.y + a.height / 2};
    double x = rw_track_value(t, i, RW_M_MOTION_X), y = rw_track_value(t, i, RW_M_MOTION_Y);
    if (i > t->scene[i] && !isnan(x) && !isnan(y)) {
        show->path.x += x;
        show->path.y += y;
    }
    rw_gate_method method = t->fit[i].method;
    if (method == RW_GATE_PICTURE || method == RW_GATE_NONE) {
        middle.x += show->path.x;
        middle.y += show->path.y;
    }
    return middle;
}

static bool feed(int64_t n, void *result, void *user, GError **error)
{
    (void)error;
    showing *show = user;
    slide *s = result;
    const rw_track *t = show->track;
    size_t i = g_array_index(show->positions, size_t, n);
    rw_affine map = rw_hair_film_to_small(&t->basis, t->fit[i].film_to_still);
    rw_point middle = film_point(show, i), film = rw_affine_apply(map, middle.x, middle.y);
    rw_hair_frame frame = {.position = (int64_t)i,
                           .luma = s->luma,
                           .width = s->width,
                           .height = s->height,
                           .picture = show->picture,
                           .film_x = film.x,
                           .film_y = film.y};
    if (s->luma)
        rw_hair_finder_feed(show->finder, &frame);
    free_slide(s, NULL);
    if (show->progress)
        rw_progress_step(show->progress, n + 1);
    return true;
}

static bool show_all(showing *show, const rw_survey_options *options, GError **error)
{
    static const rw_ordered_ops ops = {.work = read_slide, .consume = feed, .discard = free_slide};
    int threads = options->threads > 0 ? options->threads : rw_cpu_count();
    if (show->positions->len == 0)
        return true;
    if (options->progress)
        show->progress = rw_progress_new("hairs", "stills", show->positions->len);
    bool ok = rw_ordered_run(&ops, 0, (int64_t)show->positions->len - 1, threads, 2 * threads + 2,
                             options->cancel, show, error);
    rw_progress_free(&show->progress);
    return ok;
}

static int by_first(const void *a, const void *b)
{
    const rw_hair *x = a, *y = b;
    if (x->first != y->first)
        return x->first < y->first ? -1 : 1;
    return (x->box.y > y->box.y) - (x->box.y < y->box.y);
}

static bool lies_near(const rw_irect *a, const rw_irect *b, int apart)
{
    return a->x - apart < b->x + b->width && b->x - apart < a->x + a->width &&
           a->y - apart < b->y + b->height && b->y - apart < a->y + a->height;
}

/* Parts of one hair, or of one shower of dirt: they came together, or touch, or went together and
 * lie within a hair's length: a part before dark ground is seen later. */
static bool belongs(const rw_hair *whole, const rw_hair *part)
{
    enum { TOUCHING = 12, A_HAIR = 80 };
    bool during = part->first <= whole->last + TOGETHER;
    bool left_together =
        part->last - whole->last <= TOGETHER && whole->last - part->last <= TOGETHER;
    return part->first - whole->first <= TOGETHER ||
           (during && lies_near(&whole->box, &part->box, TOUCHING)) ||
           (during && left_together && lies_near(&whole->box, &part->box, A_HAIR));
}

/* The first of the surest parts tells when it came: something of the scene may have stood there
 * before. */
static void join(rw_hair *whole, const rw_hair *part)
{
    static const double surer = 0.1;
    if (part->confidence > whole->confidence + surer)
        whole->first = part->first;
    int x1 = MAX(whole->box.x + whole->box.width, part->box.x + part->box.width);
    int y1 = MAX(whole->box.y + whole->box.height, part->box.y + part->box.height);
    whole->box.x = MIN(whole->box.x, part->box.x);
    whole->box.y = MIN(whole->box.y, part->box.y);
    whole->box.width = x1 - whole->box.x;
    whole->box.height = y1 - whole->box.y;
    whole->last = MAX(whole->last, part->last);
    whole->length = MAX(whole->length, part->length);
    whole->contrast = MAX(whole->contrast, part->contrast);
    whole->confidence = MAX(whole->confidence, part->confidence);
}

static void report(const rw_track *t, const rw_hair *whole, int parts, rw_verdicts *verdicts)
{
    rw_affine map = rw_hair_film_to_small(&t->basis, t->basis.film_to_still);
    double mm = 1 / sqrt(fabs(rw_affine_determinant(map)));
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_HAIR, RW_LOOK, (size_t)whole->first,
                                    (size_t)whole->last, whole->confidence);
    /* of the still as stored, for whoever looks for it */
    double width = t->basis.width * scale_to_small(&t->basis);
    double height = t->basis.height * scale_to_small(&t->basis);
    double x = 100 * (whole->box.x + whole->box.width / 2.0) / width;
    double y = 100 * (whole->box.y + whole->box.height / 2.0) / height;
    rw_verdict_number(v, "parts", parts);
    rw_verdict_number(v, "place_x_percent", x);
    rw_verdict_number(v, "place_y_percent", y);
    rw_verdict_number(v, "length_mm", whole->length * mm);
    rw_verdict_number(v, "darker_percent", 100 * (1 - exp(-whole->contrast)));
    bool outlasts = whole->proof == RW_HAIR_OUTLASTS;
    rw_verdict_word(v, "proof", outlasts ? "outlasts the picture" : "stands while the film weaves");
    rw_verdict_because(v,
                       "Something thin and dark, %.2f mm long, %s; it lies %.0f %% from the "
                       "left and %.0f %% from the top of the still.",
                       whole->length * mm,
                       outlasts ? "stays when the picture behind it changes"
                                : "stays at its place while the film weaves",
                       x, y);
}

/* hairs in order of onset; used up. */
static void report_all(const rw_track *t, rw_hair *hairs, size_t count, rw_verdicts *verdicts)
{
    g_autofree bool *used = g_new0(bool, count + 1);
    for (size_t i = 0; i < count; i++) {
        int parts = 1;
        if (used[i])
            continue;
        for (size_t k = i + 1; k < count; k++)
            if (!used[k] && belongs(&hairs[i], &hairs[k])) {
                join(&hairs[i], &hairs[k]);
                used[k] = true;
                parts++;
            }
        report(t, &hairs[i], parts, verdicts);
    }
}

/* Those that came to something, by their onset. */
static void report_found(const rw_track *track, const rw_hair_finder *finder, rw_verdicts *verdicts)
{
    size_t count = rw_hair_finder_count(finder);
    g_autofree rw_hair *hairs = g_new(rw_hair, count + 1);
    for (size_t i = 0; i < count; i++)
        rw_hair_finder_get(finder, i, &hairs[i]);
    qsort(hairs, count, sizeof *hairs, by_first);
    report_all(track, hairs, count, verdicts);
    rw_verdicts_sort(verdicts);
}

bool rw_judge_hair(const rw_track *track, const char *reel_path, const rw_survey_options *options,
                   rw_verdicts *verdicts, GError **error)
{
    showing show = {.finder = rw_hair_finder_new(PATIENCE),
                    .track = track,
                    .reel_path = reel_path,
                    .positions = g_array_new(FALSE, FALSE, sizeof(size_t)),
                    .picture = rw_hair_picture(&track->basis, track->gauge)};
    for (size_t i = 0; i < track->count; i++)
        if (!rw_verdicts_cover(verdicts, RW_KIND_DOUBLED, i)) /* on a repeat everything stands */
            g_array_append_val(show.positions, i);
    bool ok = show_all(&show, options, error);
    if (ok)
        report_found(track, show.finder, verdicts);
    rw_hair_finder_free(&show.finder);
    g_array_unref(show.positions);
    return ok;
}
