/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/ladder.h"
#include "base/select.h"

#include <math.h>
#include <string.h>

#include "gate/edge.h"

#define REACH         0.22  /* mm to either side of where an edge is looked for */
#define NEED          0.06  /* mm that must be on the still */
#define CORNER        0.30  /* mm of a side that its rounded corners take */
#define CLEAR_OF_HOLE 0.14  /* mm kept from a perforation and its glow */
#define LEAST_GAP     0.12  /* mm of dark between pictures from which a frame line can be told */
#define LEAST_FALL    0.003 /* of full scale: a darker picture shows no edge */
#define MAX_TILT      0.01  /* rad of an edge against the film */
#define STRAIGHT      0.05  /* px: no side is straighter */
#define LEAST_SHARE   0.35  /* of a side that must lie on its line */
#define SURE_HOLE     0.3   /* confidence of a look that has really seen a perforation */
#define LEAST_HOLES   0.1   /* share of such looks from which the reel shows perforations */

struct rw_rung_looker {
    const rw_gauge *gauge;
    float curve[GATE_CODES];
    gate_run runs[2 * GATE_RUNS_MAX];
    gate_points points;
};

rw_rung_looker *rw_rung_looker_new(const rw_gauge *gauge)
{
    rw_rung_looker *l = g_new0(rw_rung_looker, 1);
    l->gauge = gauge;
    gate_curve_fill(l->curve);
    return l;
}

void rw_rung_looker_free(rw_rung_looker **looker)
{
    g_clear_pointer(looker, g_free);
}

/* ---- one edge ---- */

static const rw_edge_sight unseen = {0, 0, INFINITY, 0};

/* Where one run falls to half its own light, coming from the dark. Light goes through film as a
 * power of the exposure, so that half of the light is reached at the same place whether the picture
 * is bright there or dim. */
static bool half_place(const gate_run *run, const gate_profile *p, double *place)
{
    double light = gate_run_mean(run, p->place - 4.5 * p->sigma - 1, p->place - 2 * p->sigma);
    double fall = light - p->dark;
    if (!(fall > LEAST_FALL) || fall < 2 * p->dark)
        return false;
    double half = p->dark + fall / 2, beyond = p->place + 4 * p->sigma + 1;
    int last = MIN(run->n - 1, (int)((beyond - run->u0) / run->du));
    for (int i = last; i > 0; i--)
        if (run->v[i] < half && run->v[i - 1] >= half) {
            double part = (run->v[i - 1] - half) / (run->v[i - 1] - run->v[i]);
            *place = run->u0 + (i - 1 + part) * run->du;
            return fabs(*place - p->place) < 3 * p->sigma + 1;
        }
    return false;
}

/* The straight edge that the runs share. */
static rw_edge_sight fit_edge(rw_rung_looker *l, gate_line line, int n_runs, double reach)
{
    gate_profile profile;
    if (n_runs < 24 || !gate_fit_profile(l->runs, n_runs, reach, reach, &profile) ||
        profile.fall < LEAST_FALL || profile.fall < 2 * profile.dark)
        return unseen;
    gate_points *points = &l->points;
    memset(points, 0, sizeof *points);
    points->read = n_runs;
    for (int i = 0; i < n_runs && points->n < GATE_RUNS_MAX; i++) {
        double place;
        if (!half_place(&l->runs[i], &profile, &place))
            continue;
        points->t[points->n] = l->runs[i].along;
        points->off[points->n++] = place;
    }
    gate_slope slope;
    if (points->n < 16 || !gate_fit_sides(&points, 1, MAX_TILT, STRAIGHT, &slope) ||
        points->inliers < LEAST_SHARE || !isfinite(points->sd))
        return unseen;
    double lever = isfinite(slope.sd) ? slope.sd * points->mean : 0;
    return (rw_edge_sight){line.at.x + line.normal.x * points->d,
                           line.at.y + line.normal.y * points->d, hypot(points->sd, lever),
                           points->inliers};
}

static rw_edge_sight to_stored(rw_edge_sight e, const rw_pixels *pixels)
{
    if (!isfinite(e.sd))
        return e;
    rw_affine a = rw_pixels_to_stored(pixels->eighths > 0 ? pixels->eighths : 8);
    rw_point p = rw_affine_apply(a, e.x, e.y);
    return (rw_edge_sight){p.x, p.y, e.sd * a.m[0][0], e.inliers};
}

/* ---- the exposure's edges ---- */

/* The line of one side at its middle, in decoded px; scale: px per mm across it. */
static gate_line side_line(const rw_gauge *gauge, rw_affine film, int side, double *scale)
{
    const rw_rect *a = &gauge->camera_aperture;
    bool across = side == RW_EDGE_NEAR || side == RW_EDGE_FAR;
    double x = side == RW_EDGE_NEAR  ? a->x
               : side == RW_EDGE_FAR ? a->x + a->width
                                     : a->x + a->width / 2;
    double y = side == RW_EDGE_TOP    ? a->y
               : side == RW_EDGE_FOOT ? a->y + a->height
                                      : a->y + a->height / 2;
    double sign = side == RW_EDGE_NEAR || side == RW_EDGE_TOP ? -1 : 1;
    int column = across ? 0 : 1;
    double nx = sign * film.m[0][column], ny = sign * film.m[1][column], length = hypot(nx, ny);
    *scale = length;
    return (gate_line){rw_affine_apply(film, x, y), {nx / length, ny / length}};
}

/* Which way along the line's tangent the film's own coordinate grows. */
static double tangent_sign(gate_line line, rw_affine film, bool across)
{
    int column = across ? 1 : 0;
    return -line.normal.y * film.m[0][column] + line.normal.x * film.m[1][column] < 0 ? -1 : 1;
}

/* Reads the runs between two places on the side, mm from its middle. */
static int read_stretch(rw_rung_looker *l, const gate_view *view, gate_line line, double sign,
                        double from, double to, double scale, int n)
{
    if (to - from < 0.2)
        return n;
    double t0 = MIN(sign * from, sign * to) * scale, t1 = MAX(sign * from, sign * to) * scale;
    return n + gate_read_runs(view, line, t0, t1, REACH * scale, REACH * scale, NEED * scale,
                              GATE_RUNS_MAX / 2, l->runs + n);
}

static rw_edge_sight look_exposure(rw_rung_looker *l, const gate_view *view, rw_affine film,
                                   int side)
{
    const rw_gauge *g = l->gauge;
    bool across = side == RW_EDGE_NEAR || side == RW_EDGE_FAR;
    if (!across && g->pitch - g->camera_aperture.height < LEAST_GAP)
        return unseen; /* the next picture begins where this one ends */
    double scale;
    gate_line line = side_line(g, film, side, &scale);
    double sign = tangent_sign(line, film, across);
    double half = (across ? g->camera_aperture.height : g->camera_aperture.width) / 2 - CORNER;
    int n = 0;
    if (side == RW_EDGE_NEAR) { /* the holes lie close by: only what is clear of them */
        double from = -half;
        for (int i = 0; i < g->n_perforations; i++) {
            const rw_perforation *p = &g->perforations[i];
            double middle = g->camera_aperture.y + g->camera_aperture.height / 2;
            n = read_stretch(l, view, line, sign, from, MIN(p->y - middle - CLEAR_OF_HOLE, half),
                             scale, n);
            from = MAX(from, p->y + p->height - middle + CLEAR_OF_HOLE);
        }
        n = read_stretch(l, view, line, sign, from, half, scale, n);
    } else
        n = read_stretch(l, view, line, sign, -half, half, scale, n);
    return to_stored(fit_edge(l, line, n, REACH * scale), view->pixels);
}

/* ---- the opening of the gate ---- */

#define PROFILE 512 /* bins across the still */

/* Mean light of columns or rows, in bins. */
static int light_profile(const gate_view *view, bool rows, double *bins)
{
    const rw_pixels *p = view->pixels;
    int size = rows ? p->height : p->width, other = rows ? p->width : p->height;
    int n = MIN(PROFILE, size), step = MAX(1, other / 128);
    for (int b = 0; b < n; b++) {
        int at = (int)(((double)b + 0.5) * size / n), count = 0;
        double sum = 0;
        for (int i = other / 8; i < other - other / 8; i += step, count++)
            sum += (double)(rows ? gate_linear(view, i, at) : gate_linear(view, at, i));
        bins[b] = count ? sum / count : 0;
    }
    return n;
}

/* First and last bin that is lit; false unless both ends of the still are dark. */
static bool lit_span(const double *bins, int n, int *first, int *last)
{
    double sorted[PROFILE];
    memcpy(sorted, bins, sizeof *bins * (size_t)n);
    qsort(sorted, (size_t)n, sizeof *sorted, rw_compare_doubles);
    double level = 0.15 * sorted[n / 2];
    for (*first = 0; *first < n && bins[*first] < level; ++*first)
        ;
    for (*last = n - 1; *last >= 0 && bins[*last] < level; --*last)
        ;
    int least = MAX(2, n / 100);
    return *first >= least && *last<n - least && * last - *first> n / 3;
}

static void look_opening(rw_rung_looker *l, const gate_view *view, rw_rung_sight *sight)
{
    double bins[PROFILE];
    int from[2], to[2], size[2] = {view->pixels->width, view->pixels->height};
    for (int axis = 0; axis < 2; axis++) {
        int n = light_profile(view, axis == 1, bins);
        if (!lit_span(bins, n, &from[axis], &to[axis]))
            return;
        from[axis] = from[axis] * size[axis] / n;
        to[axis] = (to[axis] + 1) * size[axis] / n;
    }
    double mx = (from[0] + to[0]) / 2.0, my = (from[1] + to[1]) / 2.0;
    double reach = MIN(0.02 * size[0], (double)GATE_RUN_MAX / 2 - 8);
    const gate_line lines[RW_EDGES] = {{{from[0], my}, {-1, 0}},
                                       {{to[0], my}, {1, 0}},
                                       {{mx, from[1]}, {0, -1}},
                                       {{mx, to[1]}, {0, 1}}};
    for (int i = 0; i < RW_EDGES; i++) {
        int axis = i < 2 ? 1 : 0;
        double half = 0.4 * (to[axis] - from[axis]);
        int n = gate_read_runs(view, lines[i], -half, half, reach, reach, reach / 4, GATE_RUNS_MAX,
                               l->runs);
        sight->opening[i] = to_stored(fit_edge(l, lines[i], n, reach), view->pixels);
    }
}

void rw_rung_look(rw_rung_looker *l, const rw_pixels *pixels, const rw_affine *film_to_still,
                  rw_rung_sight *sight)
{
    memset(sight, 0, sizeof *sight);
    sight->version = RW_RUNG_VERSION;
    sight->stored_width = pixels->full_width;
    sight->stored_height = pixels->full_height;
    for (int i = 0; i < RW_EDGES; i++)
        sight->exposure[i] = sight->opening[i] = unseen;
    gate_view view = {pixels, l->curve};
    if (!film_to_still) {
        look_opening(l, &view, sight);
        return;
    }
    rw_affine to_decoded;
    if (!rw_affine_invert(rw_pixels_to_stored(pixels->eighths > 0 ? pixels->eighths : 8),
                          &to_decoded))
        return;
    rw_affine film = rw_affine_then(*film_to_still, to_decoded);
    for (int i = 0; i < RW_EDGES; i++)
        sight->exposure[i] = look_exposure(l, &view, film, i);
}

/* ---- over the reel ---- */

/* Film coordinate of an exposure edge; NAN when it or the film's place is not known. */
static double edge_place(const rw_rung_sight *s, const rw_gate_fit *fit, int side, double *sd)
{
    const rw_edge_sight *e = &s->exposure[side];
    rw_affine film;
    if (s->version != RW_RUNG_VERSION || !isfinite(e->sd) || fit->confidence < 0.5 ||
        fit->method != RW_GATE_PERFORATION || !rw_affine_invert(fit->film_to_still, &film))
        return NAN;
    rw_point p = rw_affine_apply(film, e->x, e->y);
    *sd = e->sd * sqrt(fabs(rw_affine_determinant(film)));
    return side == RW_EDGE_NEAR || side == RW_EDGE_FAR ? p.x : p.y;
}

static double median_of(double *v, size_t n)
{
    return n ? gate_median(v, (int)n) : NAN;
}

/* Two opposite edges of all frames: their deviations, NAN where unknown, and standard errors. */
typedef struct pair_series {
    double *off[2], *sd[2];
} pair_series;

static void read_pair(pair_series *p, const rw_rung_sight *sights, const rw_gate_fit *fits,
                      size_t count, int first_side)
{
    double *spare = g_new(double, count);
    for (int k = 0; k < 2; k++) {
        size_t n = 0;
        for (size_t i = 0; i < count; i++) {
            p->off[k][i] = edge_place(&sights[i], &fits[i], first_side + k, &p->sd[k][i]);
            if (!isnan(p->off[k][i]))
                spare[n++] = p->off[k][i];
        }
        double usual = median_of(spare, n);
        for (size_t i = 0; i < count; i++)
            p->off[k][i] -= usual;
    }
    g_free(spare);
}

/* By how much the two edges disagree beyond what they claim. */
static double disagreement(const pair_series *p, size_t count)
{
    double *v = g_new(double, count);
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        if (!isnan(p->off[0][i]) && !isnan(p->off[1][i]))
            v[n++] = fabs(p->off[0][i] - p->off[1][i]) / hypot(p->sd[0][i], p->sd[1][i]);
    double factor = n >= 8 ? 1.4826 * median_of(v, n) : 2;
    g_free(v);
    return MAX(factor, 1);
}

static void weave_of_pair(const rw_rung_sight *sights, const rw_gate_fit *fits, size_t count,
                          int first_side, rw_camera_weave *weave)
{
    double *memory = g_new0(double, 4 * count);
    pair_series p = {{memory, memory + count}, {memory + 2 * count, memory + 3 * count}};
    read_pair(&p, sights, fits, count, first_side);
    double factor = disagreement(&p, count);
    for (size_t i = 0; i < count; i++) {
        double sum = 0, weight = 0;
        for (int k = 0; k < 2; k++)
            if (!isnan(p.off[k][i])) {
                double w = 1 / (p.sd[k][i] * p.sd[k][i]);
                sum += w * p.off[k][i];
                weight += w;
            }
        double value = weight > 0 ? sum / weight : 0, sd = weight > 0 ? factor / sqrt(weight) : 0;
        if (first_side == RW_EDGE_NEAR) {
            weave[i].x = value;
            weave[i].sd_x = sd;
        } else {
            weave[i].y = value;
            weave[i].sd_y = sd;
        }
    }
    g_free(memory);
}

void rw_ladder_weave(const rw_gauge *gauge, const rw_rung_sight *sights, const rw_gate_fit *fits,
                     size_t count, rw_camera_weave *weave)
{
    (void)gauge;
    memset(weave, 0, sizeof *weave * count);
    weave_of_pair(sights, fits, count, RW_EDGE_NEAR, weave);
    weave_of_pair(sights, fits, count, RW_EDGE_TOP, weave);
}

/* ---- reels without a perforation ---- */

static bool opening_seen(const rw_rung_sight *s)
{
    for (int i = 0; i < RW_EDGES; i++)
        if (!isfinite(s->opening[i].sd))
            return false;
    return s->version == RW_RUNG_VERSION;
}

static rw_rect opening_of(const rw_rung_sight *s)
{
    const rw_edge_sight *o = s->opening;
    return (rw_rect){o[RW_EDGE_NEAR].x, o[RW_EDGE_TOP].y, o[RW_EDGE_FAR].x - o[RW_EDGE_NEAR].x,
                     o[RW_EDGE_FOOT].y - o[RW_EDGE_TOP].y};
}

bool rw_ladder_opening(const rw_rung_sight *sights, size_t count, rw_rect *usual)
{
    double *v = g_new(double, count),
           *out[4] = {&usual->x, &usual->y, &usual->width, &usual->height};
    size_t n = 0;
    for (int k = 0; k < 4; k++) {
        n = 0;
        for (size_t i = 0; i < count; i++)
            if (opening_seen(&sights[i])) {
                rw_rect o = opening_of(&sights[i]);
                v[n++] = k == 0 ? o.x : k == 1 ? o.y : k == 2 ? o.width : o.height;
            }
        *out[k] = median_of(v, n);
    }
    g_free(v);
    return n > 0 && 2 * n >= count;
}

/* The projectable picture put in the middle of a rectangle of stored px, as large as fits in. */
static rw_affine nominal_place(const rw_gauge *gauge, rw_rect r)
{
    rw_rect p = gauge->projectable;
    double scale = MIN(r.width / p.width, r.height / p.height);
    return (rw_affine){{{scale, 0, r.x + r.width / 2 - scale * (p.x + p.width / 2)},
                        {0, scale, r.y + r.height / 2 - scale * (p.y + p.height / 2)}}};
}

static rw_rect largest_still(const rw_rung_sight *sights, size_t count)
{
    rw_rect r = {-0.5, -0.5, 1, 1};
    for (size_t i = 0; i < count; i++) {
        r.width = MAX(r.width, sights[i].stored_width);
        r.height = MAX(r.height, sights[i].stored_height);
    }
    return r;
}

bool rw_ladder_has_holes(const rw_gate_sight *gate, size_t count)
{
    size_t sure = 0, seen = 0;
    for (size_t i = 0; i < count; i++) {
        seen += gate[i].stored_width > 0;
        sure += gate[i].stored_width > 0 && gate[i].confidence >= SURE_HOLE;
    }
    return (double)sure >= LEAST_HOLES * (double)seen && sure > 0;
}

void rw_ladder_climb(const rw_gauge *gauge, const rw_gate_sight *gate_sights,
                     const rw_rung_sight *sights, rw_gate_fit *fits, size_t count)
{
    if (rw_ladder_has_holes(gate_sights, count))
        return;
    rw_rect usual = {0, 0, 0, 0};
    bool gate = rw_ladder_opening(sights, count, &usual);
    rw_affine place = nominal_place(gauge, gate ? usual : largest_still(sights, count));
    for (size_t i = 0; i < count; i++) {
        fits[i].film_to_still = place;
        fits[i].method = gate ? RW_GATE_GATE : RW_GATE_PICTURE;
        fits[i].dx = fits[i].dy = 0;
        fits[i].damaged = false;
        fits[i].confidence = sights[i].stored_width > 0 ? 0.6 : 0;
        if (!gate || !opening_seen(&sights[i]))
            continue;
        rw_rect o = opening_of(&sights[i]);
        fits[i].dx = o.x + o.width / 2 - usual.x - usual.width / 2;
        fits[i].dy = o.y + o.height / 2 - usual.y - usual.height / 2;
        fits[i].film_to_still.m[0][2] += fits[i].dx;
        fits[i].film_to_still.m[1][2] += fits[i].dy;
        fits[i].confidence = 0.8;
    }
}
