/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/coarse.h"

#include <math.h>
#include <string.h>

#define LONG_SIDE  400   /* pixels of the small picture */
#define TOP_SHARE  0.998 /* the clear light is brighter than this share of the still */
#define MAX_SEEDS  48
#define SCALE_STEP 1.035

/* The small picture and its integral image. */
struct gate_coarse {
    const rw_gauge *gauge;
    int width, height, shrink; /* shrink: pixels of the view per small pixel */
    double top;                /* level of the clear light */
    float *px;
    double *sum; /* (width + 1) x (height + 1) */
    size_t room;
};

gate_coarse *gate_coarse_new(const rw_gauge *gauge)
{
    gate_coarse *c = g_new0(gate_coarse, 1);
    c->gauge = gauge;
    return c;
}

void gate_coarse_free(gate_coarse **coarse)
{
    if (!*coarse)
        return;
    g_free((*coarse)->px);
    g_free((*coarse)->sum);
    g_clear_pointer(coarse, g_free);
}

rw_point gate_hole_centre(const rw_gauge *gauge, int index)
{
    const rw_perforation *first = &gauge->perforations[0];
    return (rw_point){first->x + first->width / 2,
                      first->y + first->height / 2 + index * gauge->pitch};
}

/* ---- the small picture ---- */

/* The mean of up to 4 x 4 pixels spread over each block: enough for a first idea. */
static void shrink_view(gate_coarse *c, const gate_view *view)
{
    int n = c->shrink, step = MAX(1, n / 4), first = (n - 1) % step / 2;
    for (int y = 0; y < c->height; y++) {
        float *row = c->px + (size_t)y * (size_t)c->width;
        memset(row, 0, (size_t)c->width * sizeof *row);
        int lines = 0;
        for (int j = first; j < n; j += step, lines++)
            for (int x = 0; x < c->width; x++)
                for (int i = first; i < n; i += step)
                    row[x] += gate_linear(view, x * n + i, y * n + j);
        float scale = 1.0f / (float)(lines * lines);
        for (int x = 0; x < c->width; x++)
            row[x] *= scale;
    }
}

static void integrate(gate_coarse *c)
{
    int w = c->width;
    memset(c->sum, 0, (size_t)(w + 1) * sizeof *c->sum);
    for (int y = 0; y < c->height; y++) {
        const double *above = c->sum + (size_t)y * (size_t)(w + 1);
        double *row = c->sum + (size_t)(y + 1) * (size_t)(w + 1), run = 0;
        row[0] = 0;
        for (int x = 0; x < w; x++) {
            run += c->px[(size_t)y * (size_t)w + (size_t)x];
            row[x + 1] = above[x + 1] + run;
        }
    }
}

/* The level that TOP_SHARE of the picture stays below. */
static double find_top(const gate_coarse *c)
{
    enum { BINS = 512 };
    int count[BINS] = {0};
    int n = c->width * c->height, seen = 0, bin = BINS;
    for (int i = 0; i < n; i++)
        count[MIN(BINS - 1, (int)(c->px[i] * BINS))]++;
    int want = (int)((1 - TOP_SHARE) * n);
    while (bin > 1 && seen <= want)
        seen += count[--bin];
    return (bin + 0.5) / BINS;
}

static void prepare(gate_coarse *c, const gate_view *view)
{
    int w = view->pixels->width, h = view->pixels->height;
    c->shrink = MAX(1, (MAX(w, h) + LONG_SIDE / 2) / LONG_SIDE);
    c->width = w / c->shrink;
    c->height = h / c->shrink;
    size_t need = (size_t)(c->width + 1) * (size_t)(c->height + 1);
    if (need > c->room) {
        c->px = g_renew(float, c->px, need);
        c->sum = g_renew(double, c->sum, need);
        c->room = need;
    }
    shrink_view(c, view);
    integrate(c);
    c->top = find_top(c);
}

/* The integral up to real coordinates, in the picture's own coordinates shifted by half a pixel:
 * (0, 0) is the outer corner. Inside the picture only. */
static double sum_to(const gate_coarse *c, double x, double y)
{
    int ix = MIN((int)x, c->width - 1), iy = MIN((int)y, c->height - 1);
    double fx = x - ix, fy = y - iy;
    const double *p = c->sum + (size_t)iy * (size_t)(c->width + 1) + ix, *q = p + c->width + 1;
    return (p[0] * (1 - fx) + p[1] * fx) * (1 - fy) + (q[0] * (1 - fx) + q[1] * fx) * fy;
}

typedef struct box {
    double x0, y0, x1, y1;
} box;

/* Mean over the part of a box (pixel centres at integers) that lies in the picture; *share tells
 * how much of it does. */
static double box_mean(const gate_coarse *c, box b, double *share)
{
    double x0 = CLAMP(b.x0 + 0.5, 0, c->width), x1 = CLAMP(b.x1 + 0.5, 0, c->width);
    double y0 = CLAMP(b.y0 + 0.5, 0, c->height), y1 = CLAMP(b.y1 + 0.5, 0, c->height);
    double area = (x1 - x0) * (y1 - y0), whole = (b.x1 - b.x0) * (b.y1 - b.y0);
    *share = whole > 0 ? area / whole : 0;
    if (area <= 1e-9)
        return 0;
    return (sum_to(c, x1, y1) - sum_to(c, x0, y1) - sum_to(c, x1, y0) + sum_to(c, x0, y0)) / area;
}

/* ---- scores ---- */

/* Box around a point of the still, given by its distances along the film's axes. */
static box film_box(rw_point at, const gate_axes *a, double x0, double x1, double y0, double y1)
{
    rw_point p = {at.x + a->x.x * x0 + a->y.x * y0, at.y + a->x.y * x0 + a->y.y * y0};
    rw_point q = {at.x + a->x.x * x1 + a->y.x * y1, at.y + a->x.y * x1 + a->y.y * y1};
    return (box){MIN(p.x, q.x), MIN(p.y, q.y), MAX(p.x, q.x), MAX(p.y, q.y)};
}

typedef struct hole_score {
    double seen;     /* share of the hole on the still */
    double contrast; /* mean over its visible sides, the worst of them counted half, 0..1 */
    int sides;       /* visible */
} hole_score;

/* Contrast of a strip just inside of each side against one just outside; band: their width, px. */
static hole_score score_hole(const gate_coarse *c, rw_point at, const gate_axes *a, double hw,
                             double hh, double band)
{
    hole_score s = {0};
    double level = box_mean(c, film_box(at, a, -hw, hw, -hh, hh), &s.seen) / c->top;
    if (s.seen < 0.3 || level < 0.4)
        return s;
    double worst = 1, total = 0;
    for (int side = 0; side < 4; side++) {
        bool across = side == RW_SIDE_OUTER || side == RW_SIDE_INNER;
        double sign = side == RW_SIDE_OUTER || side == RW_SIDE_BEFORE ? -1 : 1;
        double edge = (across ? hw : hh) * sign, half = (across ? hh : hw) * 0.75;
        double in0 = edge - 0.3 * sign, in1 = edge - (0.3 + band) * sign;
        double out0 = edge + 0.3 * sign, out1 = edge + (0.3 + band) * sign;
        double share, in_share;
        double out = box_mean(c,
                              across ? film_box(at, a, out0, out1, -half, half)
                                     : film_box(at, a, -half, half, out0, out1),
                              &share);
        double in = box_mean(c,
                             across ? film_box(at, a, in0, in1, -half, half)
                                    : film_box(at, a, -half, half, in0, in1),
                             &in_share);
        if (share < 0.4 || in_share < 0.4)
            continue;
        double contrast = CLAMP((in - out) / c->top, 0, 1);
        worst = MIN(worst, contrast);
        total += contrast;
        s.sides++;
    }
    if (s.sides >= 2)
        s.contrast = (total - worst / 2) / (s.sides - 0.5) * MIN(1, level);
    return s;
}

static rw_point film_offset(const gate_axes *a, double scale, double x, double y)
{
    return (rw_point){scale * (a->x.x * x + a->y.x * y), scale * (a->x.y * x + a->y.y * y)};
}

/* How much of the picture the hypothesis puts on the still, and how near to its middle, 0..1. */
static double score_framing(const gate_coarse *c, const gate_guess *g, const gate_axes *a)
{
    const rw_rect *pic = &c->gauge->camera_aperture;
    rw_point hole = gate_hole_centre(c->gauge, 0);
    rw_point at = {g->cx, g->cy}, origin = film_offset(a, g->scale, -hole.x, -hole.y);
    at.x += origin.x;
    at.y += origin.y;
    box b = film_box(at, a, pic->x * g->scale, (pic->x + pic->width) * g->scale, pic->y * g->scale,
                     (pic->y + pic->height) * g->scale);
    double share;
    box_mean(c, b, &share);
    double dx = ((b.x0 + b.x1) / 2 - (c->width - 1) / 2.0) / c->width;
    double dy = ((b.y0 + b.y1) / 2 - (c->height - 1) / 2.0) / c->height;
    double fill = share * (b.x1 - b.x0) * (b.y1 - b.y0) / ((double)c->width * c->height);
    double off = dx * dx + dy * dy;
    return share < 0.6 ? 0 : share * exp(-6 * off) * MIN(1, 0.7 + fill);
}

/* The column of the holes is unexposed between them: dark against the clear light. */
static double score_rebate(const gate_coarse *c, const gate_guess *g, const gate_axes *a)
{
    const rw_gauge *gauge = c->gauge;
    const rw_perforation *p = &gauge->perforations[0];
    double gap = gauge->pitch - p->height, hw = p->width / 2 * g->scale, total = 0, weight = 0;
    for (int i = -1; i <= gauge->n_perforations; i++) {
        rw_point d = film_offset(a, g->scale, 0, i * gauge->pitch);
        rw_point at = {g->cx + d.x, g->cy + d.y};
        double y0 = (p->height / 2 + 0.04 * gap) * g->scale;
        double y1 = (p->height / 2 + 0.96 * gap) * g->scale, share;
        double level = box_mean(c, film_box(at, a, -hw, hw, y0, y1), &share);
        total += share * CLAMP(1 - level / c->top, 0, 1);
        weight += share;
    }
    return weight > 0.05 ? total / weight : 0.5;
}

/* All holes that the hypothesis shows, weighed by how much of them is seen. */
static double score_holes(const gate_coarse *c, const gate_guess *g, const gate_axes *a)
{
    const rw_gauge *gauge = c->gauge;
    const rw_perforation *p = &gauge->perforations[0];
    double hw = p->width / 2 * g->scale, hh = p->height / 2 * g->scale, best = 0;
    double band = MAX(1, 0.045 * p->width * g->scale), total = 0, weight = 0;
    for (int i = -1; i <= gauge->n_perforations; i++) {
        rw_point d = film_offset(a, g->scale, 0, i * gauge->pitch);
        rw_point at = {g->cx + d.x, g->cy + d.y};
        double share;
        box_mean(c, film_box(at, a, -hw, hw, -hh, hh), &share);
        if (share < 0.35)
            continue;
        hole_score s = score_hole(c, at, a, hw, hh, band);
        bool own = i >= 0 && i < gauge->n_perforations;
        double w = share * (own ? 1 : 0.5);
        total += w * s.contrast;
        weight += w;
        if (own && s.sides >= 2)
            best = MAX(best, s.contrast * MIN(1, 0.5 + share / 2));
    }
    /* One good hole carries it: its neighbour may be torn. */
    return weight > 0 ? 0.7 * best + 0.3 * total / weight : 0;
}

static double score_guess(const gate_coarse *c, gate_guess *g)
{
    gate_axes a = gate_axes_of(g->side, 0);
    double framing = score_framing(c, g, &a);
    g->score = framing <= 0
                   ? 0
                   : score_holes(c, g, &a) * (0.5 + 0.25 * framing + 0.25 * score_rebate(c, g, &a));
    return g->score;
}

/* ---- search ---- */

/* Keeps the best n apart from each other. */
static void keep_seed(gate_guess *seeds, int *n, int max, const gate_guess *g, double apart)
{
    for (int i = 0; i < *n; i++) {
        gate_guess *s = &seeds[i];
        bool same = s->side == g->side && fabs(s->cx - g->cx) < apart &&
                    fabs(s->cy - g->cy) < apart && fabs(log(s->scale / g->scale)) < 0.12;
        if (same) {
            if (g->score > s->score)
                *s = *g;
            return;
        }
    }
    int at = *n;
    if (*n < max)
        (*n)++;
    else {
        at = 0;
        for (int i = 1; i < max; i++)
            if (seeds[i].score < seeds[at].score)
                at = i;
        if (seeds[at].score >= g->score)
            return;
    }
    seeds[at] = *g;
}

/* Holes of one size anywhere on the still; sideways: the film runs along the rows. */
static void seed_size(const gate_coarse *c, double scale, bool sideways, gate_guess *seeds, int *n)
{
    const rw_perforation *p = &c->gauge->perforations[0];
    rw_gate_side side = sideways ? RW_SIDE_TOP : RW_SIDE_LEFT;
    gate_axes a = gate_axes_of(side, 0);
    double hw = p->width / 2 * scale, hh = p->height / 2 * scale, least = MIN(hw, hh);
    double step = MAX(1, least / 6), band = MAX(1, least * 0.25);
    double across = sideways ? hh : hw, down = sideways ? hw : hh;
    for (double y = -0.3 * down; y < c->height + 0.3 * down; y += step)
        for (double x = -0.3 * across; x < c->width + 0.3 * across; x += step) {
            rw_point at = {x, y};
            hole_score s = score_hole(c, at, &a, hw, hh, band);
            if (s.sides < 3 || s.contrast < 0.25)
                continue;
            gate_guess g = {side, scale, 0, x, y, s.contrast * (0.6 + 0.4 * s.seen)};
            keep_seed(seeds, n, MAX_SEEDS, &g, least);
        }
}

/* Climbs in place and scale, with halving steps. */
static void refine_guess(const gate_coarse *c, gate_guess *g)
{
    const rw_perforation *p = &c->gauge->perforations[0];
    double step = MAX(1, p->width * g->scale / 8), grow = 0.03;
    score_guess(c, g);
    for (int round = 0; round < 6; round++) {
        bool moved = true;
        for (int tries = 0; moved && tries < 8; tries++) {
            moved = false;
            const double move[8][3] = {{step, 0, 0},    {-step, 0, 0},   {0, step, 0},
                                       {0, -step, 0},   {0, 0, grow},    {0, 0, -grow},
                                       {0, step, grow}, {0, -step, grow}};
            for (int i = 0; i < 8; i++) {
                gate_guess t = *g;
                t.cx += move[i][0];
                t.cy += move[i][1];
                t.scale *= 1 + move[i][2];
                if (score_guess(c, &t) > g->score) {
                    *g = t;
                    moved = true;
                }
            }
        }
        step /= 1.7;
        grow /= 1.7;
    }
}

static int by_score(const void *a, const void *b)
{
    double x = ((const gate_guess *)a)->score, y = ((const gate_guess *)b)->score;
    return (x < y) - (x > y);
}

/* A seed is one hole; it may be any of the frame's, seen from either side. */
static int expand_seeds(const gate_coarse *c, const gate_guess *seeds, int n_seeds,
                        rw_gate_side only, gate_guess *guess, int max)
{
    int n = 0;
    for (int i = 0; i < n_seeds; i++)
        for (int flip = 0; flip < 2; flip++)
            for (int hole = 0; hole < c->gauge->n_perforations; hole++) {
                gate_guess g = seeds[i];
                if (flip)
                    g.side = g.side == RW_SIDE_TOP ? RW_SIDE_BOTTOM : RW_SIDE_RIGHT;
                if (only != RW_SIDE_UNKNOWN && g.side != only)
                    continue;
                gate_axes a = gate_axes_of(g.side, 0);
                rw_point d = film_offset(&a, g.scale, 0, -hole * c->gauge->pitch);
                g.cx += d.x;
                g.cy += d.y;
                if (score_framing(c, &g, &a) <= 0)
                    continue;
                refine_guess(c, &g);
                if (g.score > 0.1)
                    keep_seed(guess, &n, max, &g, 0.3 * g.scale);
            }
    return n;
}

static int search_everywhere(const gate_coarse *c, rw_gate_side only, gate_guess *guess, int max)
{
    const rw_gauge *gauge = c->gauge;
    gate_guess seeds[MAX_SEEDS];
    int n = 0;
    for (int sideways = 0; sideways < 2; sideways++) {
        bool lies = only == RW_SIDE_TOP || only == RW_SIDE_BOTTOM;
        if (only != RW_SIDE_UNKNOWN && lies != sideways)
            continue;
        double across = sideways ? c->height : c->width, along = sideways ? c->width : c->height;
        double most = MIN(across / (gauge->projectable.width * 0.85),
                          along / (gauge->projectable.height * 0.8));
        double least = across / (gauge->camera_aperture.width * 3.2);
        for (double scale = most; scale > least; scale /= SCALE_STEP)
            seed_size(c, scale, sideways, seeds, &n);
    }
    return expand_seeds(c, seeds, n, only, guess, max);
}

/* Round the usual place: a weave's width across, half a pitch along, for a splice may jump. */
static int search_near(const gate_coarse *c, const rw_gate_prior *prior, gate_guess *guess, int max)
{
    double s = prior->px_per_mm, pitch = c->gauge->pitch;
    gate_axes a = gate_axes_of(prior->side, 0);
    /* Bounded work, whatever the prior claims. */
    double step = MAX(2, s / 40);
    int n = 0, across = (int)(0.35 * s / step), along = (int)(0.55 * pitch * s / step);
    for (int j = -along; j <= along; j++)
        for (int i = -across; i <= across; i++) {
            gate_guess g = {prior->side,
                            s,
                            0,
                            prior->hole_x + step * (i * a.x.x + j * a.y.x),
                            prior->hole_y + step * (i * a.x.y + j * a.y.y),
                            0};
            double away = step * hypot(i, j) / (pitch * s);
            g.score = score_holes(c, &g, &a) * (1 - 0.3 * away);
            if (g.score > 0.2)
                keep_seed(guess, &n, max, &g, 0.4 * s);
        }
    for (int i = 0; i < n; i++) {
        double scale = guess[i].scale;
        refine_guess(c, &guess[i]);
        guess[i].scale = CLAMP(guess[i].scale, scale * 0.98, scale * 1.02);
        double away = hypot(guess[i].cx - prior->hole_x, guess[i].cy - prior->hole_y) / (pitch * s);
        guess[i].score *= 1 - 0.3 * MIN(1, away);
    }
    return n;
}

/* Small pixels <-> pixels of the view. */
static double grow(const gate_coarse *c, double v)
{
    return (v + 0.5) * c->shrink - 0.5;
}

static double shrink(const gate_coarse *c, double v)
{
    return (v + 0.5) / c->shrink - 0.5;
}

int gate_coarse_search(gate_coarse *c, const gate_view *view, const rw_gate_prior *prior,
                       gate_guess *guess, int max)
{
    if (view->pixels->width < 64 || view->pixels->height < 64)
        return 0;
    prepare(c, view);
    int n;
    if (prior && prior->side != RW_SIDE_UNKNOWN && prior->px_per_mm > 0) {
        rw_gate_prior small = {prior->side, prior->px_per_mm / c->shrink, shrink(c, prior->hole_x),
                               shrink(c, prior->hole_y)};
        n = search_near(c, &small, guess, max);
    } else
        n = search_everywhere(c, prior ? prior->side : RW_SIDE_UNKNOWN, guess, max);
    qsort(guess, (size_t)n, sizeof *guess, by_score);
    for (int i = 0; i < n; i++) {
        guess[i].cx = grow(c, guess[i].cx);
        guess[i].cy = grow(c, guess[i].cy);
        guess[i].scale *= c->shrink;
    }
    return n;
}
