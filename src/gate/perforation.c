/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/perforation.h"

#include <math.h>
#include <string.h>

#define MAX_TILT 0.09      /* radians: about 5 degrees */
#define SEARCH_MM 0.09     /* how far a first idea may be off */
#define CORNER_MM 0.03     /* kept away from the round of the corners */
#define CLIPPED 0.985      /* linear level from which light counts as clipped */
#define SIDE_TRUST 0.55    /* share of inliers from which a side is used */
#define SIDE_SOUND 0.88    /* below, the hole counts as damaged */
#define DIRT_SOUND 0.015   /* share of the inside that may be unclear */

gate_bench *gate_bench_new(void)
{
    gate_bench *b = g_new0(gate_bench, 1);
    gate_normal_fill(&b->normal);
    b->runs = g_new(gate_run, 4 * GATE_RUNS_MAX);
    return b;
}

void gate_bench_free(gate_bench **bench)
{
    if (*bench)
        g_free((*bench)->runs);
    g_clear_pointer(bench, g_free);
}

/* A hole while it is being measured. */
typedef struct shape {
    rw_gate_side side;
    gate_axes axes;
    double angle, cx, cy;
    double half[2]; /* across, along; px */
    double scale;
    const rw_perforation *hole;
    double gap; /* px from the inner side to the picture: light may begin there again */
} shape;

static bool is_across(int side)
{
    return side == RW_SIDE_OUTER || side == RW_SIDE_INNER;
}

static gate_line side_line(const shape *s, int side)
{
    rw_point n = gate_side_normal(&s->axes, side);
    double d = s->half[is_across(side) ? 0 : 1];
    return (gate_line){{s->cx + n.x * d, s->cy + n.y * d}, n};
}

/* Half the straight part of a side. */
static double straight_half(const shape *s, int side)
{
    double length = is_across(side) ? s->half[1] : s->half[0];
    return MAX(2, length - (s->hole->radius + CORNER_MM) * s->scale);
}

static void turn(shape *s, double slope)
{
    s->angle += slope;
    s->axes = gate_axes_of(s->side, s->angle);
}

/* Moves the shape onto the sides found: offsets d[] from the shape's own sides, NAN where unseen.
 * A side without its opposite keeps the size that the scale gives. */
static void move_to(shape *s, const double *d)
{
    double shift[2] = {0, 0};
    for (int axis = 0; axis < 2; axis++) {
        double lo = d[2 * axis], hi = d[2 * axis + 1];
        if (isfinite(lo) && isfinite(hi)) {
            shift[axis] = (hi - lo) / 2;
            s->half[axis] += (hi + lo) / 2;
        } else if (isfinite(lo))
            shift[axis] = -lo;
        else if (isfinite(hi))
            shift[axis] = hi;
    }
    s->cx += shift[0] * s->axes.x.x + shift[1] * s->axes.y.x;
    s->cy += shift[0] * s->axes.x.y + shift[1] * s->axes.y.y;
}

/* ---- first: the steepest fall of light near each supposed side ---- */

static void find_falls(gate_bench *b, const gate_view *view, const shape *s, double reach)
{
    int width = (int)CLAMP(0.025 * s->scale, 2, 12);
    for (int side = 0; side < 4; side++) {
        gate_points *p = &b->points[side];
        double half = straight_half(s, side), most = 0;
        double fall[GATE_RUNS_MAX];
        p->read = gate_read_runs(view, side_line(s, side), -half, half, reach, reach, reach / 2, 60,
                                 b->runs);
        p->n = p->read;
        for (int i = 0; i < p->read; i++) {
            p->t[i] = b->runs[i].along;
            p->off[i] = gate_run_step(&b->runs[i], width, &fall[i]);
        }
        double sorted[GATE_RUNS_MAX];
        memcpy(sorted, fall, (size_t)p->n * sizeof *fall);
        most = p->n ? gate_median(sorted, p->n) : 0;
        int kept = 0;
        for (int i = 0; i < p->n; i++)
            if (fall[i] > MAX(0.004, 0.4 * most)) {
                p->t[kept] = p->t[i];
                p->off[kept++] = p->off[i];
            }
        p->n = kept;
    }
}

/* Two sides of one axis that are as far apart as no hole of this scale: one of them is something
 * else. The one with fewer witnesses goes. */
static void drop_odd_side(gate_bench *b, const shape *s, double tolerance, double *d)
{
    const double size[2] = {s->hole->width, s->hole->height};
    for (int axis = 0; axis < 2; axis++) {
        double lo = d[2 * axis], hi = d[2 * axis + 1];
        double measured = 2 * s->half[axis] + lo + hi, nominal = size[axis] * s->scale;
        if (!isfinite(measured) || fabs(measured - nominal) < tolerance * nominal + 2)
            continue;
        gate_points *p = b->points;
        d[p[2 * axis].inliers < p[2 * axis + 1].inliers ? 2 * axis : 2 * axis + 1] = NAN;
    }
}

static void scale_from_size(shape *s, const double *d)
{
    double sum = 0, weight = 0;
    const double size[2] = {s->hole->width, s->hole->height};
    for (int axis = 0; axis < 2; axis++)
        if (isfinite(d[2 * axis]) && isfinite(d[2 * axis + 1])) {
            sum += 2 * s->half[axis] * size[axis];
            weight += size[axis] * size[axis];
        }
    if (weight > 0)
        s->scale = sum / weight;
    for (int axis = 0; axis < 2; axis++)
        if (!isfinite(d[2 * axis]) || !isfinite(d[2 * axis + 1]))
            s->half[axis] = size[axis] * s->scale / 2;
}

static bool find_shape(gate_bench *b, const gate_view *view, shape *s, bool scale_known)
{
    gate_points *side[4] = {&b->points[0], &b->points[1], &b->points[2], &b->points[3]};
    double reach = CLAMP(SEARCH_MM * s->scale, 6, 90);
    for (int round = 0; round < 2; round++) {
        gate_slope fit;
        double d[4];
        find_falls(b, view, s, reach);
        if (!gate_fit_sides(side, 4, MAX_TILT, &fit))
            return false;
        for (int j = 0; j < 4; j++)
            d[j] = side[j]->inliers >= 0.35 ? side[j]->d : NAN;
        drop_odd_side(b, s, scale_known ? 0.012 : 0.06, d);
        turn(s, fit.slope);
        move_to(s, d);
        scale_from_size(s, d);
        if (round && ((!isfinite(d[0]) && !isfinite(d[1])) || (!isfinite(d[2]) && !isfinite(d[3]))))
            return false;
        reach = CLAMP(reach / 2, 6, 45);
    }
    return true;
}

/* ---- then: the exact place of each side ---- */

typedef struct side_read {
    int n; /* runs */
    double reach_in, reach_out;
    gate_profile profile;
    bool usable;
} side_read;

/* Reads a side and finds the blurred edge that its runs share. */
static void read_side(gate_bench *b, const gate_view *view, const shape *s, int side, side_read *r)
{
    gate_run *runs = b->runs + side * GATE_RUNS_MAX;
    double half = straight_half(s, side), in = CLAMP(0.06 * s->scale, 8, 60);
    double out = side == RW_SIDE_INNER ? MIN(in, 0.8 * s->gap) : in;
    r->n = gate_read_runs(view, side_line(s, side), -half, half, in, out, MIN(in, out) / 2,
                          GATE_RUNS_MAX, runs);
    r->usable = r->n >= 12 && gate_fit_profile(runs, r->n, 2, in, out, &r->profile);
    if (!r->usable)
        return;
    double reach = 2.5 * r->profile.sigma + 1.5;
    r->reach_in = MIN(reach, in);
    r->reach_out = MIN(reach, MAX(out - MAX(r->profile.place, 0), 1.5));
    if (side == RW_SIDE_INNER) /* the picture's own blur reaches into the gap */
        r->reach_out = MIN(r->reach_out, MAX(1, s->gap - 2 * r->profile.sigma));
}

static void place_side(gate_bench *b, int side, const side_read *r)
{
    gate_points *p = &b->points[side];
    p->n = 0;
    p->read = r->n;
    p->inliers = 0;
    p->sd = INFINITY;
    for (int i = 0; r->usable && i < r->n; i++) {
        const gate_run *run = &b->runs[side * GATE_RUNS_MAX + i];
        double place;
        if (!gate_run_place(&b->normal, run, &r->profile, r->reach_in, r->reach_out, &place))
            continue;
        p->t[p->n] = run->along;
        p->off[p->n++] = place;
    }
}

static double edge_width(const side_read *a, const side_read *b)
{
    double sum = 0;
    int n = 0;
    for (const side_read *r = a;; r = b) {
        if (r->usable) {
            sum += r->profile.sigma;
            n++;
        }
        if (r == b)
            break;
    }
    return n ? 2.5631 * sum / n : NAN; /* 10 to 90 % of a normal edge, in sigmas */
}

/* Light above full scale is cut off: what is left of the edge lies farther out than the edge. The
 * part below full scale still tells where the whole one was. */
static void measure_halo(gate_bench *b, const side_read *read, const double *d, rw_hole_sight *hole)
{
    double halo[4];
    int n = 0;
    hole->halo = hole->halo_sd = 0;
    if (hole->light < CLIPPED)
        return;
    for (int j = 0; j < 4; j++) {
        gate_profile p;
        const side_read *r = &read[j];
        if (!isfinite(d[j]) ||
            !gate_fit_profile(b->runs + j * GATE_RUNS_MAX, r->n, 0.85, r->reach_in, r->reach_out, &p))
            continue;
        halo[n++] = d[j] - p.place;
    }
    if (n == 0) {
        hole->halo_sd = 1;
        return;
    }
    double mean = 0, var = 0;
    for (int i = 0; i < n; i++)
        mean += halo[i] / n;
    for (int i = 0; i < n; i++)
        var += (halo[i] - mean) * (halo[i] - mean);
    hole->halo = mean;
    hole->halo_sd = n > 1 ? sqrt(var / (n - 1) / n) : fabs(mean);
}

/* Median level inside, and the share that is darker than clear film lets through. */
static void look_inside(const gate_view *view, const shape *s, rw_hole_sight *hole)
{
    enum { GRID = 40 };
    double value[GRID * GRID], sorted[GRID * GRID];
    double inset = (0.3 * s->hole->radius + 0.05) * s->scale;
    int n = 0;
    for (int j = 0; j < GRID; j++)
        for (int i = 0; i < GRID; i++) {
            double u = (s->half[0] - inset) * (2 * (i + 0.5) / GRID - 1);
            double v = (s->half[1] - inset) * (2 * (j + 0.5) / GRID - 1);
            int x = (int)lrint(s->cx + u * s->axes.x.x + v * s->axes.y.x);
            int y = (int)lrint(s->cy + u * s->axes.x.y + v * s->axes.y.y);
            if (gate_inside(view, x, y))
                value[n++] = gate_linear(view, x, y);
        }
    memcpy(sorted, value, (size_t)n * sizeof *value);
    hole->light = gate_median(sorted, n);
    int dark = 0;
    for (int i = 0; i < n; i++)
        dark += value[i] < 0.7 * hole->light;
    hole->dirt = n ? (double)dark / n : 0;
}

/* Standard error of the centre along one axis from its two sides. */
static double axis_sd(const double *d, const gate_points *lo, const gate_points *hi)
{
    bool l = isfinite(d[0]), h = isfinite(d[1]);
    return l && h ? hypot(lo->sd, hi->sd) / 2 : l ? lo->sd : h ? hi->sd : INFINITY;
}

/* Where each side's line passes, for the caller to weigh by itself. */
static void report_sides(const gate_bench *b, const shape *s, const rw_point *on_side,
                         rw_hole_sight *hole)
{
    int seen = 0;
    double share = 0;
    for (int j = 0; j < 4; j++) {
        const gate_points *p = &b->points[j];
        rw_side_sight *side = &hole->side[j];
        if (p->read < 12)
            continue;
        rw_point n = gate_side_normal(&s->axes, j);
        double dx = on_side[j].x - s->cx, dy = on_side[j].y - s->cy;
        side->inliers = p->inliers;
        side->sd = p->sd;
        side->offset = n.x * dx + n.y * dy;
        side->along = -n.y * dx + n.x * dy;
        seen++;
        share += p->inliers;
    }
    hole->inliers = seen ? share / seen : 0;
}

/* One exact round: reads all sides where the shape puts them and moves the shape onto them. *moved:
 * by how much, px. */
static bool place_shape(gate_bench *b, const gate_view *view, shape *s, bool scale_known,
                        rw_hole_sight *hole, double *moved)
{
    gate_points *side[4] = {&b->points[0], &b->points[1], &b->points[2], &b->points[3]};
    side_read read[4];
    gate_slope fit;
    for (int j = 0; j < 4; j++) {
        read_side(b, view, s, j, &read[j]);
        place_side(b, j, &read[j]);
    }
    if (!gate_fit_sides(side, 4, MAX_TILT, &fit))
        return false;
    double d[4];
    rw_point on_side[4];
    *moved = fabs(fit.slope) * MAX(s->half[0], s->half[1]);
    for (int j = 0; j < 4; j++) {
        gate_points *p = side[j];
        gate_line line = side_line(s, j);
        double off = p->d - fit.slope * p->mean;
        on_side[j] = (rw_point){line.at.x + line.normal.x * off - line.normal.y * p->mean,
                                line.at.y + line.normal.y * off + line.normal.x * p->mean};
        d[j] = p->inliers >= SIDE_TRUST ? p->d : NAN;
        *moved = MAX(*moved, isfinite(d[j]) ? fabs(d[j]) : 0);
    }
    bool trusted[4];
    for (int j = 0; j < 4; j++)
        trusted[j] = isfinite(d[j]);
    drop_odd_side(b, s, scale_known ? 0.012 : 0.04, d);
    hole->damaged = false;
    for (int j = 0; j < 4; j++)
        hole->damaged |= trusted[j] != isfinite(d[j]) ||
                         (side[j]->read >= 12 && side[j]->inliers < SIDE_SOUND);
    measure_halo(b, read, d, hole);
    turn(s, fit.slope);
    move_to(s, d);
    scale_from_size(s, d);
    report_sides(b, s, on_side, hole);
    for (int j = 0; j < 4; j++)
        if (trusted[j] && !isfinite(d[j]))
            hole->side[j].inliers = MIN(hole->side[j].inliers, SIDE_TRUST / 2);
    hole->cx = s->cx;
    hole->cy = s->cy;
    hole->width = 2 * s->half[0];
    hole->height = 2 * s->half[1];
    hole->angle = s->angle;
    hole->angle_sd = fit.sd;
    hole->residual = fit.residual;
    hole->sd = MAX(axis_sd(d, side[0], side[1]), axis_sd(d + 2, side[2], side[3]));
    hole->edge_across = edge_width(&read[RW_SIDE_OUTER], &read[RW_SIDE_INNER]);
    hole->edge_along = edge_width(&read[RW_SIDE_BEFORE], &read[RW_SIDE_AFTER]);
    return isfinite(hole->sd);
}

static shape shape_of(const rw_gauge *gauge, const gate_guess *guess, int index)
{
    shape s = {.side = guess->side, .angle = guess->angle, .scale = guess->scale};
    rw_point first = gate_hole_centre(gauge, 0), at = gate_hole_centre(gauge, index);
    s.axes = gate_axes_of(s.side, s.angle);
    double along = (at.y - first.y) * s.scale;
    s.cx = guess->cx + along * s.axes.y.x;
    s.cy = guess->cy + along * s.axes.y.y;
    s.hole = &gauge->perforations[0];
    s.half[0] = s.hole->width * s.scale / 2;
    s.half[1] = s.hole->height * s.scale / 2;
    s.gap = MAX(0, gauge->camera_aperture.x - s.hole->x - s.hole->width) * s.scale;
    return s;
}

bool gate_measure_hole(gate_bench *bench, const gate_view *view, const rw_gauge *gauge,
                       const gate_guess *guess, bool scale_known, int index, rw_hole_sight *hole)
{
    memset(hole, 0, sizeof *hole);
    hole->index = index;
    shape s = shape_of(gauge, guess, index);
    if (!find_shape(bench, view, &s, scale_known))
        return false;
    look_inside(view, &s, hole);
    double moved = 2;
    for (int round = 0; round < 3 && moved > 0.5; round++)
        if (!place_shape(bench, view, &s, scale_known, hole, &moved))
            return false;
    hole->damaged |= hole->dirt > DIRT_SOUND;
    hole->found = true;
    return true;
}

/* ---- the edge of the film ---- */

/* Whether light grows or falls outwards is not known: the rebate is dark, and beyond it lies either
 * the gate or the bare lamp. The line is tried both ways; points[0] and the profile are left from
 * the better one. */
static bool read_film_edge(gate_bench *b, const gate_view *view, gate_line line, double reach,
                           side_read *r)
{
    double length = view->pixels->width + view->pixels->height;
    gate_points *p = &b->points[0];
    r->n = gate_read_runs(view, line, -length, length, reach, reach, reach / 2, GATE_RUNS_MAX,
                          b->runs);
    r->usable = r->n >= 24 && gate_fit_profile(b->runs, r->n, 2, reach, reach, &r->profile) &&
                r->profile.fall > 0.01 && r->profile.fall > 6 * r->profile.rms;
    r->reach_in = r->reach_out = MIN(reach, 2.5 * r->profile.sigma + 1.5);
    place_side(b, 0, r);
    return r->usable && p->n >= 24;
}

void gate_measure_film_edge(gate_bench *bench, const gate_view *view, const rw_gauge *gauge,
                            const gate_guess *fit, const rw_hole_sight *hole, rw_gate_sight *sight)
{
    const rw_perforation *perforation = &gauge->perforations[0];
    gate_axes axes = gate_axes_of(fit->side, fit->angle);
    double across = (perforation->x + perforation->width / 2) * fit->scale;
    rw_point at = {hole->cx - across * axes.x.x, hole->cy - across * axes.x.y};
    double slack = CLAMP(SEARCH_MM * fit->scale, 6, 100);
    gate_points *side[1] = {&bench->points[0]};
    for (int way = 0; way < 2; way++) {
        double sign = way ? 1 : -1;
        gate_line line = {at, {sign * axes.x.x, sign * axes.x.y}};
        double reach = slack;
        side_read read;
        gate_slope slope;
        bool good = false;
        for (int round = 0; round < 3; round++) {
            good = read_film_edge(bench, view, line, reach, &read) &&
                   gate_fit_sides(side, 1, 0.02, &slope) && side[0]->inliers > 0.5;
            if (!good)
                break;
            rw_point n = line.normal;
            double d = side[0]->d;
            line.at = (rw_point){line.at.x + n.x * d, line.at.y + n.y * d};
            double c = cos(slope.slope), s = sin(slope.slope);
            line.normal = (rw_point){c * n.x - s * n.y, s * n.x + c * n.y};
            reach = MAX(6, 4 * read.profile.sigma + 3);
        }
        if (!good || (sight->film_edge_found && side[0]->sd > sight->film_edge_sd))
            continue;
        double mean = side[0]->mean;
        sight->film_edge_found = true;
        sight->film_edge_x = line.at.x - line.normal.y * mean;
        sight->film_edge_y = line.at.y + line.normal.x * mean;
        rw_point n = {sign * line.normal.x, sign * line.normal.y};
        sight->film_edge_angle = fit->angle + asin(axes.x.x * n.y - axes.x.y * n.x);
        sight->film_edge_angle_sd = slope.sd;
        sight->film_edge_sd = side[0]->sd;
    }
}
