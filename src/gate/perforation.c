/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/perforation.h"
#include "base/select.h"

#include <math.h>
#include <string.h>

#define MAX_TILT  0.09  /* radians: about 5 degrees */
#define SEARCH_MM 0.09  /* how far a first idea may be off */
#define CORNER_MM 0.03  /* kept away from the round of the corners */
#define CLIPPED   0.985 /* linear level from which light counts as clipped */
#define CLIPPED_PX                                                                                 \
    0.04 /* what the pixels' own grid then does to a side: clipping does not add up */
#define STRAIGHT         0.02 /* px: no side is straighter than this */
#define CLIPPED_STRAIGHT 0.15
#define SIDE_TRUST       0.55  /* share of inliers from which a side is used */
#define SIDE_SOUND       0.94  /* below, the hole counts as damaged */
#define CLIPPED_SOUND    0.7   /* the same where light is clipped */
#define CORNER_SOUND     0.25  /* share of a corner's outline that may be off */
#define DIRT_SOUND       0.015 /* share of the inside that may be unclear */

gate_bench *gate_bench_new(void)
{
    gate_bench *b = g_new0(gate_bench, 1);
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
    double gap;       /* px from the inner side to the picture: light may begin there again */
    double lit[2][2]; /* what shows of it, from the centre, across and along: the gate may hide an
                       * end, straight across */
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

/* The straight part of a side that shows, by its distance from the middle along its tangent; false
 * when the side itself is hidden. */
static bool straight_part(const shape *s, int side, double *from, double *to)
{
    int axis = is_across(side) ? 0 : 1, other = 1 - axis;
    double keep = (s->hole->radius + CORNER_MM) * s->scale;
    double lo = MAX(s->lit[other][0], keep - s->half[other]);
    double hi = MIN(s->lit[other][1], s->half[other] - keep);
    if (side == RW_SIDE_OUTER || side == RW_SIDE_BEFORE ? s->lit[axis][0] > -s->half[axis]
                                                        : s->lit[axis][1] < s->half[axis])
        return false;
    if (hi - lo < 4)
        return false;
    /* Tangents are the normals turned by a quarter: they may run against the film's axis. */
    rw_point n = gate_side_normal(&s->axes, side), axis_of = other ? s->axes.y : s->axes.x;
    bool with = -n.y * axis_of.x + n.x * axis_of.y > 0;
    *from = with ? lo : -hi;
    *to = with ? hi : -lo;
    return true;
}

static void show_all(shape *s)
{
    for (int axis = 0; axis < 2; axis++) {
        s->lit[axis][0] = -2 * s->half[axis];
        s->lit[axis][1] = 2 * s->half[axis];
    }
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
        double from, to, most = 0;
        double fall[GATE_RUNS_MAX];
        p->read = straight_part(s, side, &from, &to)
                      ? gate_read_runs(view, side_line(s, side), from, to, reach, reach, reach / 2,
                                       60, b->runs)
                      : 0;
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
        if (!gate_fit_sides(side, 4, MAX_TILT, STRAIGHT, &fit))
            return false;
        for (int j = 0; j < 4; j++)
            d[j] = side[j]->inliers >= SIDE_TRUST ? side[j]->d : NAN;
        drop_odd_side(b, s, scale_known ? 0.012 : 0.06, d);
        turn(s, fit.slope);
        move_to(s, d);
        scale_from_size(s, d);
        reach = CLAMP(reach / 2, 6, 45);
    }
    return true;
}

/* ---- then: the exact place of each side ---- */

typedef struct side_read {
    int read;           /* runs that cross the side */
    int n;              /* those of them that fall near it; only they are kept */
    double in, out;     /* what the runs cover */
    bool tight;         /* other light lies near */
    double room;        /* px out to it from the edge */
    double reach, band; /* the place is taken from what lies within reach, the plateaus'
                         * levels from a band beyond */
    gate_profile profile;
    bool usable;
} side_read;

/* room: px outwards from the supposed line that are free of other light. */
static void set_reach(side_read *r, double room)
{
    double band = MAX(3, r->profile.sigma);
    r->reach = MAX(3.5, 3 * r->profile.sigma + 1.5);
    r->tight = room < r->profile.place + r->reach + band;
    r->band = band;
    r->room = MAX(1.5, room - r->profile.place);
    if (r->tight) { /* in case there is nothing better */
        r->reach = MAX(1.5, r->room - 1.5);
        r->band = 1.5;
    }
}

/* Leaves out runs that fall elsewhere: the tear's edge must not colour the side's profile. */
static int keep_near(gate_run *runs, int n, int width)
{
    int kept = 0;
    for (int i = 0; i < n; i++) {
        double fall, place = gate_run_step(&runs[i], width, &fall);
        if (fabs(place) > 2.5)
            continue;
        if (kept != i)
            runs[kept] = runs[i];
        kept++;
    }
    return kept;
}

/* Reads a side and finds the blurred edge that its runs share. */
static void read_side(gate_bench *b, const gate_view *view, const shape *s, int side, side_read *r)
{
    gate_run *runs = b->runs + side * GATE_RUNS_MAX;
    double from, to, in = CLAMP(0.06 * s->scale, 12, 60);
    double out = side == RW_SIDE_INNER ? MIN(in, 0.8 * s->gap) : in;
    double need = MIN(MAX(9, 0.02 * s->scale), MIN(in, out));
    r->read =
        straight_part(s, side, &from, &to)
            ? gate_read_runs(view, side_line(s, side), from, to, in, out, need, GATE_RUNS_MAX, runs)
            : 0;
    r->in = in;
    r->out = out;
    r->n = keep_near(runs, r->read, (int)CLAMP(0.02 * s->scale, 2, 8));
    r->usable = r->n >= 12 && gate_fit_profile(runs, r->n, in, out, &r->profile);
    if (!r->usable)
        return;
    set_reach(r, side == RW_SIDE_INNER ? MIN(out, s->gap - 2 * r->profile.sigma) : out);
}

/* Light along the side changes slowly: a straight line through the runs' levels, away from dirt. */
static void fit_light(const gate_points *p, const double *level, double *at0, double *slope)
{
    double sorted[GATE_RUNS_MAX], w = 0, wt = 0, wv = 0, tt = 0, tv = 0;
    memcpy(sorted, level, (size_t)p->n * sizeof *sorted);
    double usual = gate_median(sorted, p->n);
    for (int round = 0; round < 2; round++) {
        for (int i = 0; i < p->n; i++) {
            if (!(fabs(level[i] - usual) < 0.1 * usual))
                continue;
            if (round == 0) {
                w++;
                wt += p->t[i];
                wv += level[i];
            } else {
                tt += (p->t[i] - wt) * (p->t[i] - wt);
                tv += (p->t[i] - wt) * (level[i] - wv);
            }
        }
        if (round == 0 && w > 0) {
            wt /= w;
            wv /= w;
        }
    }
    *slope = tt > 0 ? tv / tt : 0;
    *at0 = (w > 0 ? wv : usual) - *slope * wt;
}

/* Mean of up to seven neighbours' levels: what lies in the dark may change faster. */
static double near_level(const double *level, int n, int i)
{
    double sum = 0;
    int from = MAX(0, i - 3), to = MIN(n - 1, i + 3), count = 0;
    for (int k = from; k <= to; k++)
        if (isfinite(level[k])) {
            sum += level[k];
            count++;
        }
    return count ? sum / count : NAN;
}

/* Levels of the plateaus on either side of each run's edge. */
static void read_levels(const gate_run *runs, const side_read *r, gate_points *p, double *light,
                        double *dark)
{
    double raw[GATE_RUNS_MAX], at0, slope, at = r->profile.place;
    for (int i = 0; i < p->n; i++) {
        p->t[i] = runs[i].along;
        light[i] = gate_run_mean(&runs[i], at - r->reach - r->band, at - r->reach);
        raw[i] = gate_run_mean(&runs[i], at + r->reach, at + r->reach + r->band);
    }
    fit_light(p, light, &at0, &slope);
    for (int i = 0; i < p->n; i++) {
        light[i] = at0 + slope * p->t[i];
        dark[i] = near_level(raw, p->n, i);
    }
}

static void place_side(gate_bench *b, int side, const side_read *r)
{
    gate_points *p = &b->points[side];
    gate_run *runs = b->runs + side * GATE_RUNS_MAX;
    double light[GATE_RUNS_MAX], dark[GATE_RUNS_MAX];
    p->n = r->usable ? r->n : 0;
    p->read = r->read;
    p->inliers = 0;
    p->sd = INFINITY;
    if (p->n == 0)
        return;
    read_levels(runs, r, p, light, dark);
    bool match = r->tight && b->has_shape;
    double wide = 4 * b->shape.sigma + 3;
    int kept = 0, n = p->n;
    for (int i = 0; i < n; i++) {
        double place;
        bool good =
            match ? gate_run_match(&runs[i], &b->shape, light[i], r->profile.place,
                                   MIN(r->in, wide), MIN(r->room, wide), &place)
                  : light[i] - dark[i] > 0.5 * r->profile.fall &&
                        gate_run_place(&runs[i], &r->profile, light[i], dark[i], r->reach, &place);
        if (!good)
            continue;
        if (kept != i)
            runs[kept] = runs[i];
        light[kept] = light[i];
        dark[kept] = dark[i];
        p->t[kept] = p->t[i];
        p->off[kept++] = place;
    }
    p->n = kept;
    if (r->tight || kept < 24)
        return;
    /* The straight line through the places: single ones are too noisy to lay samples over. */
    gate_points *one[1] = {p};
    gate_slope line;
    gate_fit_sides(one, 1, MAX_TILT, STRAIGHT, &line);
    double place[GATE_RUNS_MAX];
    for (int i = 0; i < kept; i++)
        place[i] = p->d - line.slope * p->t[i];
    gate_shape_build(runs, kept, place, light, dark, &r->profile, &b->shape);
    b->has_shape = true;
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

/* Light above full scale is cut off: what is left of the edge lies farther out than the edge. All
 * sides with room are laid over each other to find the whole one. Spoils the runs. */
static void measure_halo(gate_bench *b, const side_read *read, const double *d, rw_hole_sight *hole)
{
    double in = INFINITY, out = INFINITY;
    int n = 0;
    hole->halo = hole->halo_sd = 0;
    if (hole->light < CLIPPED)
        return;
    for (int j = 0; j < 4; j++) {
        const gate_run *runs = b->runs + j * GATE_RUNS_MAX;
        if (!isfinite(d[j]) || !read[j].usable || read[j].tight)
            continue;
        in = MIN(in, read[j].in + d[j]);
        out = MIN(out, read[j].out - d[j]);
        for (int i = 0; i < b->points[j].n; i++) {
            gate_run *to = b->runs + n++;
            if (to != &runs[i])
                *to = runs[i];
            to->u0 -= d[j];
        }
    }
    gate_profile p;
    if (n < 24 || !gate_fit_clipped(b->runs, n, in, out, &p, &hole->halo_sd)) {
        hole->halo_sd = 1;
        return;
    }
    hole->halo = MAX(0, -p.place);
}

enum { GRID = 40 };

/* A line of the grid is hidden when nearly all that the still shows of it, if anything, is dark. */
static bool line_hidden(const double *value, int start, int step, double light)
{
    int seen = 0, dark = 0;
    for (int i = 0; i < GRID; i++) {
        double v = value[start + i * step];
        seen += isfinite(v);
        dark += isfinite(v) && v < 0.3 * light;
    }
    return dark >= 0.9 * seen;
}

/* What the gate hides of the hole at either end, in lines of the grid. */
static void hidden_ends(const double *value, bool along, double light, int *lo, int *hi)
{
    *lo = *hi = 0;
    while (*lo < GRID && line_hidden(value, *lo * (along ? GRID : 1), along ? 1 : GRID, light))
        (*lo)++;
    while (*hi < GRID - *lo &&
           line_hidden(value, (GRID - 1 - *hi) * (along ? GRID : 1), along ? 1 : GRID, light))
        (*hi)++;
}

/* Median level inside, what of the hole shows at all, and the share of that which is darker than
 * clear film lets through. */
static void look_inside(const gate_view *view, shape *s, rw_hole_sight *hole)
{
    double value[GRID * GRID], sorted[GRID * GRID],
        inset = (0.3 * s->hole->radius + 0.05) * s->scale;
    double reach[2] = {s->half[0] - inset, s->half[1] - inset};
    int n = 0, hidden[2][2];
    for (int j = 0; j < GRID; j++)
        for (int i = 0; i < GRID; i++) {
            double u = reach[0] * (2 * (i + 0.5) / GRID - 1),
                   v = reach[1] * (2 * (j + 0.5) / GRID - 1);
            int x = (int)lrint(s->cx + u * s->axes.x.x + v * s->axes.y.x);
            int y = (int)lrint(s->cy + u * s->axes.x.y + v * s->axes.y.y);
            bool inside = gate_inside(view, x, y);
            value[j * GRID + i] = inside ? (double)gate_linear(view, x, y) : NAN;
            if (inside)
                sorted[n++] = value[j * GRID + i];
        }
    /* The brighter half tells the light even where much is hidden. */
    qsort(sorted, (size_t)n, sizeof *sorted, rw_compare_doubles);
    double light = n ? sorted[3 * n / 4] : 0;
    show_all(s);
    for (int axis = 0; axis < 2; axis++) {
        hidden_ends(value, axis == 1, light, &hidden[axis][0], &hidden[axis][1]);
        /* Two lines more: the gate's edge is soft. */
        if (hidden[axis][0])
            s->lit[axis][0] = reach[axis] * (2.0 * (hidden[axis][0] + 2) / GRID - 1);
        if (hidden[axis][1])
            s->lit[axis][1] = reach[axis] * (1 - 2.0 * (hidden[axis][1] + 2) / GRID);
    }
    int shown = 0, dark = 0;
    for (int j = hidden[1][0] ? hidden[1][0] + 2 : 0;
         j < GRID - (hidden[1][1] ? hidden[1][1] + 2 : 0); j++)
        for (int i = hidden[0][0] ? hidden[0][0] + 2 : 0;
             i < GRID - (hidden[0][1] ? hidden[0][1] + 2 : 0); i++) {
            double v = value[j * GRID + i];
            if (!isfinite(v))
                continue;
            sorted[shown++] = v;
            dark += v < 0.7 * light;
        }
    hole->light = gate_median(sorted, shown);
    hole->dirt = shown ? (double)dark / shown : 0;
}

/* Share of the worst corner's outline that light does not follow: dark inside of the round, or
 * light outside of it. */
static double corner_damage(const gate_view *view, const shape *s, double light, double sigma)
{
    enum { STEPS = 9 };
    double r = s->hole->radius * s->scale, worst = 0;
    double away = MAX(0.04 * s->scale, 3 * sigma);
    for (int corner = 0; corner < 4; corner++) {
        double sx = corner & 1 ? 1 : -1, sy = corner & 2 ? 1 : -1;
        /* The picture may be bright on its side of the gap. */
        double room = sx > 0 ? MIN(away, s->gap - 2 * sigma) : away;
        int wrong = 0, seen = 0;
        for (int k = 0; k < 2 * STEPS; k++) {
            double angle = G_PI / 2 * (k / 2 + 0.5) / STEPS;
            double reach = k & 1 ? r - away : r + room;
            if (reach < 0 || (!(k & 1) && room < sigma))
                continue;
            double u = sx * (s->half[0] - r + reach * cos(angle));
            double v = sy * (s->half[1] - r + reach * sin(angle));
            if (u < s->lit[0][0] || u > s->lit[0][1] || v < s->lit[1][0] || v > s->lit[1][1])
                continue;
            int x = (int)lrint(s->cx + u * s->axes.x.x + v * s->axes.y.x);
            int y = (int)lrint(s->cy + u * s->axes.x.y + v * s->axes.y.y);
            if (!gate_inside(view, x, y))
                continue;
            seen++;
            wrong += (gate_linear(view, x, y) > light / 2) != (k & 1);
        }
        if (seen >= STEPS)
            worst = MAX(worst, (double)wrong / seen);
    }
    return worst;
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
    bool clipped = hole->light >= CLIPPED;
    for (int j = 0; j < 4; j++) {
        const gate_points *p = &b->points[j];
        rw_side_sight *side = &hole->side[j];
        if (p->read < 12)
            continue;
        rw_point n = gate_side_normal(&s->axes, j);
        double dx = on_side[j].x - s->cx, dy = on_side[j].y - s->cy;
        side->inliers = p->inliers;
        side->sd = hypot(p->sd, clipped ? CLIPPED_PX : 0);
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
    /* The inner side is placed last: beside it the picture is near, and another side's shape helps;
     * best the opposite one's, whose blur is the same when the film has moved. */
    static const int order[] = {RW_SIDE_BEFORE, RW_SIDE_AFTER, RW_SIDE_OUTER, RW_SIDE_INNER};
    b->has_shape = false;
    for (int k = 0; k < 4; k++) {
        read_side(b, view, s, order[k], &read[order[k]]);
        place_side(b, order[k], &read[order[k]]);
    }
    if (!gate_fit_sides(side, 4, MAX_TILT, hole->light < CLIPPED ? STRAIGHT : CLIPPED_STRAIGHT,
                        &fit))
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
    double sound = hole->light < CLIPPED ? SIDE_SOUND : CLIPPED_SOUND;
    for (int j = 0; j < 4; j++)
        hole->damaged |=
            trusted[j] != isfinite(d[j]) || (side[j]->read >= 12 && side[j]->inliers < sound);
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
    if (hole->light >= CLIPPED) /* steps of the grid look like a slope */
        hole->angle_sd = hypot(fit.sd, 6 * fit.residual / (s->half[0] + s->half[1]));
    hole->residual = fit.residual;
    hole->sd = MAX(axis_sd(d, side[0], side[1]), axis_sd(d + 2, side[2], side[3]));
    hole->edge_across = edge_width(&read[RW_SIDE_OUTER], &read[RW_SIDE_INNER]);
    hole->edge_along = edge_width(&read[RW_SIDE_BEFORE], &read[RW_SIDE_AFTER]);
    return isfinite(d[0]) || isfinite(d[1]) || isfinite(d[2]) || isfinite(d[3]);
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
    show_all(&s);
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
    double sigma = MAX(hole->edge_across, hole->edge_along) / 2.5631;
    if (isfinite(sigma))
        hole->damaged |= corner_damage(view, &s, hole->light, sigma) > CORNER_SOUND;
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
    r->n = r->read = gate_read_runs(view, line, -length, length, reach, reach, reach / 2,
                                    GATE_RUNS_MAX, b->runs);
    r->usable = r->n >= 24 && gate_fit_profile(b->runs, r->n, reach, reach, &r->profile) &&
                r->profile.fall > 0.01 && r->profile.fall > 6 * r->profile.rms;
    set_reach(r, reach);
    r->tight = false;
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
                   gate_fit_sides(side, 1, 0.02, STRAIGHT, &slope) && side[0]->inliers > 0.5;
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
