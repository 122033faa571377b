/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "steady/scene.h"
#include "survey/steady.h"

#define STAGE "survey"

/* ---- what part of the stills is looked at ---- */

enum { AREA_VERSION = 1, SAMPLES = 9 };

static rw_rect find_area(const rw_gauge *gauge, const rw_basis *basis, const char *const *paths,
                         size_t count)
{
    if (basis->found)
        return rw_picture_area(gauge, &basis->film_to_still, NULL, 0, basis->width, basis->height);
    rw_rung_sight samples[SAMPLES];
    rw_pixels pixels;
    size_t n = 0, wanted = MIN(count, (size_t)SAMPLES);
    rw_decoder *decoder = rw_decoder_new();
    rw_rung_looker *looker = rw_rung_looker_new(gauge);
    for (size_t i = 0; i < wanted; i++)
        if (rw_decoder_decode(decoder, paths[(2 * i + 1) * count / (2 * wanted)], basis->eighths,
                              &pixels, NULL))
            rw_rung_look(looker, &pixels, NULL, &samples[n++]);
    rw_rung_looker_free(&looker);
    rw_decoder_free(&decoder);
    return rw_picture_area(gauge, NULL, samples, n, basis->width, basis->height);
}

bool rw_steady_area(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis,
                    const char *const *paths, size_t count, rw_rect *area, GError **error)
{
    /* another basis is another area */
    g_autofree char *name =
        g_compute_checksum_for_data(G_CHECKSUM_SHA256, (const guchar *)basis, sizeof *basis);
    g_autoptr(GError) inner = NULL;
    g_autoptr(GBytes) known =
        rw_reel_get_fact(reel, STAGE, AREA_VERSION, name, "steady.area", &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    if (known && g_bytes_get_size(known) == sizeof *area) {
        memcpy(area, g_bytes_get_data(known, NULL), sizeof *area);
        return true;
    }
    *area = find_area(gauge, basis, paths, count);
    return rw_reel_put_fact(reel, STAGE, AREA_VERSION, name, "steady.area", area, sizeof *area,
                            error);
}

/* ---- one still ---- */

struct rw_steady_eye {
    rw_rect area;
    rw_rung_looker *looker;
};

rw_steady_eye *rw_steady_eye_new(const rw_gauge *gauge, rw_rect area)
{
    rw_steady_eye *eye = g_new0(rw_steady_eye, 1);
    eye->area = area;
    eye->looker = rw_rung_looker_new(gauge);
    return eye;
}

void rw_steady_eye_free(rw_steady_eye **eye)
{
    if (!*eye)
        return;
    rw_rung_looker_free(&(*eye)->looker);
    g_clear_pointer(eye, g_free);
}

void rw_steady_eye_look(rw_steady_eye *eye, const rw_pixels *pixels, const rw_affine *place,
                        rw_steady_glance *glance)
{
    rw_rung_look(eye->looker, pixels, place, &glance->rungs);
    glance->imprint = rw_picture_imprint(pixels, eye->area);
}

void rw_steady_glance_clear(rw_steady_glance *glance)
{
    rw_steady_imprint_unref(&glance->imprint);
}

/* ---- the belt ---- */

/* No lock: what is read was put before the reader's item was handed out, and no place is put again
 * while it is read. */
struct rw_belt {
    int lag, room;
    rw_steady_imprint **place;
};

rw_belt *rw_belt_new(int lag)
{
    rw_belt *belt = g_new0(rw_belt, 1);
    belt->lag = lag;
    belt->room = 2 * lag + rw_steady_link_back(RW_STEADY_LINKS - 1) + 2;
    belt->place = g_new0(rw_steady_imprint *, belt->room);
    return belt;
}

void rw_belt_free(rw_belt **belt)
{
    rw_belt *b = *belt;
    if (!b)
        return;
    for (int i = 0; i < b->room; i++)
        rw_steady_imprint_unref(&b->place[i]);
    g_free(b->place);
    g_clear_pointer(belt, g_free);
}

int rw_belt_lag(const rw_belt *belt)
{
    return belt->lag;
}

void rw_belt_put(rw_belt *belt, int64_t n, rw_steady_imprint *imprint)
{
    rw_steady_imprint **place = &belt->place[n % belt->room];
    rw_steady_imprint_unref(place);
    *place = imprint;
}

void rw_belt_look(const rw_belt *belt, int64_t n, const int64_t before[RW_STEADY_LINKS],
                  rw_steady_sight *sight)
{
    const rw_steady_imprint *now = belt->place[n % belt->room], *links[RW_STEADY_LINKS];
    memset(sight, 0, sizeof *sight);
    if (!now)
        return;
    for (int l = 0; l < RW_STEADY_LINKS; l++)
        links[l] = before[l] >= 0 ? belt->place[before[l] % belt->room] : NULL;
    rw_steady_look(now, links, sight);
}

void rw_steady_links(const int64_t *stills, size_t i, int64_t before[RW_STEADY_LINKS])
{
    for (int l = 0; l < RW_STEADY_LINKS; l++) {
        size_t back = (size_t)rw_steady_link_back(l);
        before[l] = i >= back ? stills[i - back] : 0;
    }
}

/* ---- conclusions ---- */

static bool load_rungs(rw_reel *reel, const rw_track *t, rw_rung_sight *rungs, GError **error)
{
    for (size_t i = 0; i < t->count; i++) {
        g_autoptr(GError) inner = NULL;
        if (!rw_steady_get_rungs(reel, t->still[i], &rungs[i], &inner))
            memset(&rungs[i], 0, sizeof rungs[i]);
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
    }
    return true;
}

static bool put_weave(rw_reel *reel, const rw_track *t, const rw_camera_weave *weave,
                      GError **error)
{
    bool ok = rw_reel_begin(reel, error);
    for (size_t i = 0; ok && i < t->count; i++)
        ok = rw_steady_put_weave(reel, t->still[i], &weave[i], error);
    ok = ok && rw_reel_commit(reel, error);
    if (!ok)
        rw_reel_rollback(reel);
    return ok;
}

/* Where only the picture says how the film moved, the confidence is the picture's. */
static void trust_poses(rw_track *t, size_t first, size_t last, const rw_steady_pose *poses)
{
    static const double sure = 0.5; /* px: half confidence */
    for (size_t i = first; i <= last; i++) {
        rw_gate_fit *fit = &t->fit[i];
        if (fit->method == RW_GATE_PERFORATION)
            continue;
        double sd = poses[i - first].sd;
        fit->confidence = isfinite(sd) ? 1 / (1 + sd * sd / (sure * sure)) : 0;
    }
}

static bool measure_scenes(rw_reel *reel, rw_track *t, const rw_camera_weave *weave, GError **error)
{
    bool ok = true;
    for (size_t i = 0; ok && i < t->count;) {
        size_t last = rw_track_scene_last(t, i), count = last - i + 1;
        rw_affine *places = g_new(rw_affine, count);
        rw_steady_pose *poses = g_new(rw_steady_pose, count);
        bool found;
        for (size_t k = 0; k < count; k++)
            places[k] = t->fit[i + k].film_to_still;
        ok = rw_steady_poses(reel, t->gauge, t->still + i, places, weave + i, count, poses, &found,
                             error);
        if (ok && found && count > 2)
            trust_poses(t, i, last, poses);
        g_free(places);
        g_free(poses);
        i = last + 1;
    }
    return ok;
}

/* ---- cuts that are none ---- */

#define FIRM_MATCH 37   /* code of rw_steady_sight.match: a correlation of 0.8 */
#define SAME_PLACE 3.0  /* px of the imprint */
#define SAME_SHARE 0.35 /* of all blocks that must agree */

static int compare_shorts(const void *a, const void *b)
{
    int x = *(const int16_t *)a, y = *(const int16_t *)b;
    return x - y;
}

/* Share of the blocks that found their own picture again, all in one place. *far: how far that lies
 * off, px of the imprint. */
static double agreement(const rw_steady_sight *s, int link, double *far)
{
    *far = 0;
    int16_t x[RW_STEADY_BLOCKS], y[RW_STEADY_BLOCKS];
    int n = 0, agree = 0;
    for (int b = 0; b < RW_STEADY_BLOCKS; b++)
        if (s->match[link][b] >= FIRM_MATCH) {
            x[n] = s->dx[link][b];
            y[n++] = s->dy[link][b];
        }
    if (n < 8)
        return 0;
    qsort(x, (size_t)n, sizeof *x, compare_shorts);
    qsort(y, (size_t)n, sizeof *y, compare_shorts);
    *far = hypot(x[n / 2], y[n / 2]) / 256;
    for (int b = 0; b < RW_STEADY_BLOCKS; b++)
        agree += s->match[link][b] >= FIRM_MATCH &&
                 hypot(s->dx[link][b] - x[n / 2], s->dy[link][b] - y[n / 2]) < 256 * SAME_PLACE;
    return (double)agree / RW_STEADY_BLOCKS;
}

#define DIM 0.3 /* of the contrast before a cut: less is no picture */

/* A frame that shows next to nothing, or found none of the earlier ones again: black, out of focus,
 * smeared. contrast: of the frame before. */
static bool is_blind(const rw_steady_sight *s, double contrast)
{
    if ((double)s->contrast < DIM * contrast)
        return true;
    for (int l = 0; l < RW_STEADY_LINKS; l++) {
        int firm = 0;
        for (int b = 0; b < RW_STEADY_BLOCKS; b++)
            firm += s->match[l][b] >= FIRM_MATCH;
        if (firm >= 8)
            return false;
    }
    return true;
}

/* Frames: a shorter scene may be none, and in so many that show something a picture may be found
 * again. */
enum { BRIEF = 6 };

#define HARDLY_MOVED 8.0 /* px of the imprint, over an interruption */

/* What one of the first frames after a cut found of what was shown before it. */
typedef struct reunion {
    bool found;
    size_t at;  /* the frame */
    double far; /* px of the imprint by which the picture lies off */
} reunion;

/* Looks for what the frame before position i showed. */
static bool find_again(rw_reel *reel, const rw_track *t, size_t i, reunion *r, GError **error)
{
    g_autoptr(GError) inner = NULL;
    rw_steady_record last;
    double contrast = rw_steady_get_record(reel, t->still[i - 1], &last, &inner)
                          ? (double)last.sight.contrast
                          : 0;
    size_t farthest = i + (size_t)rw_steady_link_back(RW_STEADY_LINKS - 1);
    *r = (reunion){0};
    for (size_t k = i, seen = 0; k < MIN(farthest, t->count) && seen < BRIEF && !r->found; k++) {
        rw_steady_record record;
        bool known = rw_steady_get_record(reel, t->still[k], &record, &inner) &&
                     record.sight.version == RW_STEADY_VERSION;
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
        if (!known || is_blind(&record.sight, contrast))
            continue;
        seen++;
        for (int l = 0; l < RW_STEADY_LINKS && !r->found; l++) {
            double far;
            if (k < i + (size_t)rw_steady_link_back(l) &&
                agreement(&record.sight, l, &far) >= SAME_SHARE)
                *r = (reunion){true, k, far};
        }
    }
    return true;
}

/* A smeared still, a flash, some black frames look like a scene of their own, until the frames on
 * both sides of them are laid over each other. Two long scenes that lie over each other are
 * something else: the camera stopped and started again in one place. Unless the picture was only
 * hidden for a moment: then it is found again where it was, though not at once. */
static bool is_brief(const rw_track *t, size_t before, size_t i)
{
    return i - before < BRIEF || rw_track_scene_last(t, i) - i + 1 < BRIEF;
}

/* before: where the scene before i began, as it was cut. */
static bool goes_on(rw_reel *reel, const rw_track *t, size_t before, size_t i, bool *on,
                    GError **error)
{
    reunion r;
    if (!find_again(reel, t, i, &r, error))
        return false;
    bool hidden = r.at > i && r.at - i <= BRIEF && r.far < HARDLY_MOVED;
    *on = r.found && (hidden || is_brief(t, before, i));
    return true;
}

static bool mend_cuts(rw_reel *reel, rw_track *t, GError **error)
{
    size_t before = 0;
    for (size_t i = 1; i < t->count; i++) {
        bool on = false;
        if (t->scene[i] != i)
            continue;
        if (!goes_on(reel, t, before, i, &on, error))
            return false;
        for (size_t k = i; on && k < t->count && t->scene[k] == i; k++)
            t->scene[k] = t->scene[i - 1];
        before = i;
    }
    return true;
}

bool rw_steady_climb(rw_reel *reel, rw_track *t, GError **error)
{
    if (t->count == 0)
        return true;
    if (!mend_cuts(reel, t, error))
        return false;
    rw_rung_sight *rungs = g_new(rw_rung_sight, t->count);
    rw_camera_weave *weave = g_new0(rw_camera_weave, t->count);
    bool ok = load_rungs(reel, t, rungs, error);
    if (ok) {
        rw_ladder_climb(t->gauge, t->sight, rungs, t->fit, t->count);
        rw_ladder_weave(t->gauge, rungs, t->fit, t->count, weave);
        ok = put_weave(reel, t, weave, error) && measure_scenes(reel, t, weave, error);
    }
    g_free(rungs);
    g_free(weave);
    return ok;
}
