/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "steady/scene.h"

/* A run longer than this is measured in stretches that overlap, so that memory stays in bounds. */
#define STRETCH 400
#define OVERLAP 80

/* ---- poses ---- */

/* Names the stills of a scene, what was seen on them and in which order. */
static bool name_run(rw_reel *reel, const int64_t *stills, size_t count, uint64_t *name,
                     bool *found, GError **error)
{
    uint64_t hash = 14695981039346656037u;
    *found = false;
    for (size_t i = 0; i < count; i++) {
        g_autoptr(GError) inner = NULL;
        double mark = rw_steady_get_mark(reel, stills[i], &inner);
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
        *found = *found || !isnan(mark);
        uint64_t parts[2] = {(uint64_t)stills[i], isnan(mark) ? 0 : (uint64_t)mark};
        for (int k = 0; k < 2; k++)
            for (int b = 0; b < 64; b += 8)
                hash = (hash ^ (parts[k] >> b & 255)) * 1099511628211u;
    }
    *name = hash;
    return true;
}

static bool load_poses(rw_reel *reel, const int64_t *stills, size_t count, uint64_t run,
                       rw_steady_pose *poses, bool *whole, GError **error)
{
    *whole = true;
    for (size_t i = 0; i < count && *whole; i++) {
        rw_steady_stored_pose stored;
        g_autoptr(GError) inner = NULL;
        *whole = rw_steady_get_pose(reel, stills[i], &stored, &inner) && stored.run == run;
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
        if (*whole)
            poses[i] = stored.pose;
    }
    return true;
}

static bool save_poses(rw_reel *reel, const int64_t *stills, size_t count, uint64_t run,
                       const rw_steady_pose *poses, GError **error)
{
    bool ok = rw_reel_begin(reel, error);
    for (size_t i = 0; ok && i < count; i++) {
        rw_steady_stored_pose stored = {run, poses[i]};
        ok = rw_steady_put_pose(reel, stills[i], &stored, error);
    }
    ok = ok && rw_reel_commit(reel, error);
    if (!ok)
        rw_reel_rollback(reel);
    return ok;
}

static bool measure_stretch(rw_reel *reel, const rw_gauge *gauge, const int64_t *stills,
                            const rw_affine *places, const rw_camera_weave *weave, size_t count,
                            rw_steady_pose *poses, GError **error)
{
    rw_steady_input *inputs = g_new0(rw_steady_input, count);
    rw_steady_record *records = g_new(rw_steady_record, count);
    g_autoptr(GError) inner = NULL;
    for (size_t i = 0; i < count && !inner; i++) {
        inputs[i].film_to_still = places[i];
        if (rw_steady_get_record(reel, stills[i], &records[i], &inner))
            inputs[i].sight = &records[i].sight;
        if (weave) {
            inputs[i].edge_x = weave[i].x;
            inputs[i].edge_y = weave[i].y;
            inputs[i].edge_sd_x = weave[i].sd_x;
            inputs[i].edge_sd_y = weave[i].sd_y;
        }
    }
    if (!inner)
        rw_steady_measure(inputs, (int)count, gauge->projectable, poses);
    g_free(records);
    g_free(inputs);
    bool ok = !inner;
    if (!ok)
        g_propagate_error(error, g_steal_pointer(&inner));
    return ok;
}

static bool measured(const rw_steady_pose *pose)
{
    return isfinite(pose->sd);
}

/* What takes the new stretch's idea of the scene to the old one's: both know the overlap. The
 * median of each number, for a frame or two may be off. */
static rw_affine tie_stretches(const rw_steady_pose *old, const rw_steady_pose *new, size_t count)
{
    double values[6][OVERLAP];
    size_t n = 0;
    for (size_t i = 0; i < count; i++) {
        rw_affine back;
        if (!measured(&old[i]) || !measured(&new[i]) ||
            !rw_affine_invert(new[i].scene_to_still, &back))
            continue;
        rw_affine tie = rw_affine_then(old[i].scene_to_still, back);
        for (int k = 0; k < 6; k++) {
            size_t at = n;
            double v = tie.m[k / 3][k % 3];
            for (; at > 0 && values[k][at - 1] > v; at--)
                values[k][at] = values[k][at - 1];
            values[k][at] = v;
        }
        n++;
    }
    rw_affine tie = rw_affine_identity();
    for (int k = 0; k < 6 && n; k++)
        tie.m[k / 3][k % 3] = values[k][n / 2];
    return tie;
}

/* Old and new poses of the overlap, mixed from all old to all new. */
static void mix_poses(rw_steady_pose *old, const rw_steady_pose *new, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        double share = (double)(i + 1) / (double)(count + 1);
        if (!measured(&old[i]) || !measured(&new[i])) {
            if (!measured(&old[i]))
                old[i] = new[i];
            continue;
        }
        for (int k = 0; k < 6; k++) {
            double *v = &old[i].scene_to_still.m[k / 3][k % 3];
            *v += share * (new[i].scene_to_still.m[k / 3][k % 3] - *v);
        }
    }
}

static bool measure_poses(rw_reel *reel, const rw_gauge *gauge, const int64_t *stills,
                          const rw_affine *places, const rw_camera_weave *weave, size_t count,
                          rw_steady_pose *poses, GError **error)
{
    size_t done = MIN(count, (size_t)STRETCH);
    bool ok = measure_stretch(reel, gauge, stills, places, weave, done, poses, error);
    while (ok && done < count) {
        size_t from = done - OVERLAP, n = MIN(count - from, (size_t)STRETCH);
        rw_steady_pose *next = g_new(rw_steady_pose, n);
        ok = measure_stretch(reel, gauge, stills + from, places + from, weave ? weave + from : NULL,
                             n, next, error);
        if (ok) {
            rw_affine tie = tie_stretches(poses + from, next, OVERLAP);
            for (size_t i = 0; i < n; i++)
                next[i].scene_to_still = rw_affine_then(tie, next[i].scene_to_still);
            mix_poses(poses + from, next, OVERLAP);
            memcpy(poses + done, next + OVERLAP, sizeof *next * (n - OVERLAP));
        }
        g_free(next);
        done = from + n;
    }
    return ok;
}

bool rw_steady_poses(rw_reel *reel, const rw_gauge *gauge, const int64_t *stills,
                     const rw_affine *places, const rw_camera_weave *weave, size_t count,
                     rw_steady_pose *poses, bool *found, GError **error)
{
    uint64_t run;
    bool whole;
    for (size_t i = 0; i < count; i++)
        poses[i] = (rw_steady_pose){
            .scene_to_still = places[i], .sd = INFINITY, .left_x = NAN, .left_y = NAN};
    *found = false;
    if (count == 0)
        return true;
    if (!name_run(reel, stills, count, &run, found, error))
        return false;
    if (!*found)
        return true;
    if (!load_poses(reel, stills, count, run, poses, &whole, error))
        return false;
    if (whole)
        return true;
    GError *failed = NULL;
    if (!measure_poses(reel, gauge, stills, places, weave, count, poses, &failed)) {
        g_propagate_error(error, failed);
        return false;
    }
    save_poses(reel, stills, count, run, poses, NULL);
    return true;
}

/* ---- a scene's inputs ---- */

typedef struct material {
    rw_reel *reel;
    const rw_gauge *gauge;
    const rw_affine *place; /* of all stills; NULL: each its own */
    size_t count;           /* frames */
    GArray *rows;           /* rw_frame_row */
    GArray *places;         /* rw_geometry_row */
    rw_steady_input *inputs;
    rw_steady_pose *poses;
} material;

/* The upright rectangle of film that a rectangle of the still shows. */
static rw_rect on_film(rw_affine still_to_film, double x0, double y0, double x1, double y1)
{
    rw_point a = rw_affine_apply(still_to_film, x0, y0), b = rw_affine_apply(still_to_film, x1, y0);
    rw_point c = rw_affine_apply(still_to_film, x0, y1), d = rw_affine_apply(still_to_film, x1, y1);
    double xs[4] = {a.x, b.x, c.x, d.x}, ys[4] = {a.y, b.y, c.y, d.y};
    /* the film may lie turned: of each axis the inner two of the four corners bound it */
    for (int i = 0; i < 4; i++)
        for (int k = i + 1; k < 4; k++) {
            if (xs[k] < xs[i]) {
                double t = xs[i];
                xs[i] = xs[k];
                xs[k] = t;
            }
            if (ys[k] < ys[i]) {
                double t = ys[i];
                ys[i] = ys[k];
                ys[k] = t;
            }
        }
    return (rw_rect){xs[1], ys[1], xs[2] - xs[1], ys[2] - ys[1]};
}

static rw_rect intersect(rw_rect a, rw_rect b)
{
    double left = MAX(a.x, b.x), top = MAX(a.y, b.y);
    double right = MIN(a.x + a.width, b.x + b.width), foot = MIN(a.y + a.height, b.y + b.height);
    return (rw_rect){left, top, MAX(right - left, 0), MAX(foot - top, 0)};
}

#define EDGE_SOFT 0.004 /* of the opening's width: its edge is not sharp */

/* Half a pixel within the still's outermost, within the exposure, within the gate. */
static rw_rect shown_by(const material *m, const rw_geometry_row *place, const rw_rung_sight *s)
{
    rw_affine film;
    if (s->stored_width <= 0 ||
        !rw_affine_invert(m->place ? *m->place : place->film_to_still, &film))
        return (rw_rect){0, 0, 0, 0};
    rw_rect r = on_film(film, 0, 0, s->stored_width - 1, s->stored_height - 1);
    const rw_edge_sight *o = s->opening;
    if (g_str_equal(place->method, "perforation"))
        return intersect(r, m->gauge->camera_aperture);
    for (int i = 0; i < RW_EDGES; i++)
        if (!isfinite(o[i].sd))
            return r;
    double soft = EDGE_SOFT * (o[RW_EDGE_FAR].x - o[RW_EDGE_NEAR].x);
    return intersect(r, on_film(film, o[RW_EDGE_NEAR].x + soft, o[RW_EDGE_TOP].y + soft,
                                o[RW_EDGE_FAR].x - soft, o[RW_EDGE_FOOT].y - soft));
}

static bool fill_input(material *m, size_t i, rw_camera_weave *weave, GError **error)
{
    const rw_frame_row *row = &g_array_index(m->rows, rw_frame_row, i);
    const rw_geometry_row *place = &g_array_index(m->places, rw_geometry_row, i);
    rw_steady_input *input = &m->inputs[i];
    rw_rung_sight rungs;
    g_autoptr(GError) inner = NULL;
    *weave = (rw_camera_weave){0, 0, 0, 0};
    *input =
        (rw_steady_input){.film_to_still = rw_affine_identity(), .doubled = row->doubled_of >= 0};
    if (row->still <= 0 || !*place->method)
        return true;
    input->film_to_still = m->place ? *m->place : place->film_to_still;
    input->unplaced = place->confidence < 0.5;
    if (rw_steady_get_rungs(m->reel, row->still, &rungs, &inner))
        input->have = shown_by(m, place, &rungs);
    if (!inner && rw_steady_get_weave(m->reel, row->still, weave, &inner)) {
        input->edge_x = weave->x;
        input->edge_y = weave->y;
        input->edge_sd_x = weave->sd_x;
        input->edge_sd_y = weave->sd_y;
    }
    if (!inner)
        return true;
    g_propagate_error(error, g_steal_pointer(&inner));
    return false;
}

static bool placed_by_person(const material *m, size_t i)
{
    return g_str_equal(g_array_index(m->places, rw_geometry_row, i).method, "person");
}

/* Where a person said where the film lies on a few frames, that holds whatever the picture says.
 * Who moves most of a scene does not speak of its unsteadiness. */
static void heed_person(const material *m, rw_steady_pose *poses)
{
    size_t said = 0;
    for (size_t i = 0; i < m->count; i++)
        said += placed_by_person(m, i);
    for (size_t i = 0; i < m->count && 2 * said < m->count; i++)
        if (placed_by_person(m, i))
            poses[i].sd = INFINITY;
}

/* Poses belong to stills in the order in which they were looked at; frames without one have none.
 */
static bool fill_poses(material *m, const rw_camera_weave *weave, bool *found, GError **error)
{
    int64_t *stills = g_new(int64_t, m->count);
    rw_affine *places = g_new(rw_affine, m->count);
    rw_camera_weave *woven = g_new(rw_camera_weave, m->count);
    rw_steady_pose *poses = g_new(rw_steady_pose, m->count);
    size_t *at = g_new(size_t, m->count), n = 0;
    for (size_t i = 0; i < m->count; i++) {
        m->poses[i] = (rw_steady_pose){rw_affine_identity(), INFINITY, 0, NAN, NAN};
        int64_t still = g_array_index(m->rows, rw_frame_row, i).still;
        if (still <= 0)
            continue;
        stills[n] = still;
        places[n] = m->inputs[i].film_to_still;
        woven[n] = weave[i];
        at[n++] = i;
    }
    bool ok = rw_steady_poses(m->reel, m->gauge, stills, places, woven, n, poses, found, error);
    for (size_t k = 0; ok && k < n; k++)
        m->poses[at[k]] = poses[k];
    heed_person(m, m->poses);
    g_free(stills);
    g_free(places);
    g_free(woven);
    g_free(poses);
    g_free(at);
    return ok;
}

static bool gather(material *m, bool *found, GError **error)
{
    rw_camera_weave *weave = g_new(rw_camera_weave, m->count);
    bool ok = true;
    for (size_t i = 0; ok && i < m->count; i++)
        ok = fill_input(m, i, &weave[i], error);
    ok = ok && fill_poses(m, weave, found, error);
    g_free(weave);
    return ok;
}

/* ---- the plan ---- */

static void leave_alone(rw_steady_run *run, rw_rect want)
{
    for (int i = 0; i < run->count; i++)
        run->frame[i] = (rw_steady_frame){
            .correction = rw_affine_identity(), .left_x = NAN, .left_y = NAN, .held = true};
    run->scene = (rw_steady_scene){.mode = RW_STEADY_OFF, .crop = want, .crop_share = 1};
    g_strlcpy(run->scene.reason, "Off: this scene was surveyed before steadying was measured.",
              sizeof run->scene.reason);
}

rw_steady_run *rw_steady_run_new(rw_reel *reel, int64_t first, int64_t last, const rw_affine *place,
                                 rw_rect want, const rw_steady_params *params, GError **error)
{
    material m = {.reel = reel, .place = place, .count = (size_t)(last - first + 1)};
    m.gauge = rw_reel_gauge(reel, error);
    m.rows = m.gauge ? rw_reel_frames(reel, first, last, error) : NULL;
    m.places = m.rows ? rw_reel_placements(reel, first, last, error) : NULL;
    rw_steady_run *run = NULL;
    if (m.places && m.rows->len == m.count && m.places->len == m.count) {
        run = g_new0(rw_steady_run, 1);
        run->first = first;
        run->count = (int)m.count;
        run->frame = g_new0(rw_steady_frame, m.count);
        run->have = g_new0(rw_rect, m.count);
        m.inputs = g_new0(rw_steady_input, m.count);
        m.poses = g_new0(rw_steady_pose, m.count);
        if (!gather(&m, &run->found, error))
            rw_steady_run_free(&run);
        else if (run->found)
            rw_steady_plan(m.inputs, m.poses, run->count, m.gauge->projectable, want, params,
                           run->frame, &run->scene);
        else
            leave_alone(run, want);
        for (int i = 0; run && i < run->count; i++)
            run->have[i] = m.inputs[i].have;
    } else if (m.places) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "%s/reel.db lacks some of the frames %" G_GINT64_FORMAT " to %" G_GINT64_FORMAT
                    " of a scene.",
                    rw_reel_path(reel), first, last);
    }
    g_free(m.inputs);
    g_free(m.poses);
    if (m.rows)
        g_array_unref(m.rows);
    if (m.places)
        g_array_unref(m.places);
    return run;
}

void rw_steady_run_free(rw_steady_run **run)
{
    if (!*run)
        return;
    g_free((*run)->frame);
    g_free((*run)->have);
    g_clear_pointer(run, g_free);
}
