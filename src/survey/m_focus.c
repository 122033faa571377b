/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Focus that wanders over the reel.
 *
 * Two witnesses: the width of the perforations' edges, which knows nothing of what was filmed, and
 * the grain of the picture (grain.h), which does a little: every scene is allowed a level of its
 * own there, so that only what happens within scenes counts. Where both can be seen both must tell
 * the same story; the perforation alone could be bent, the grain alone could be another stock.
 *
 * A trend is a line through a knot every KNOT frames, fitted to all of them at once. The sharpest
 * and the softest knot of many noisy ones look sharper and softer than they are; so they are chosen
 * on one half of the frames and read on the other.
 */
#include <math.h>

#include "survey/finding.h"

enum {
    KNOT = 125,
    LEAST = 60,
    MOST_UNKNOWNS = 1200, /* knots and scenes */
    EVERY = 2             /* "parity" of all frames */
};

/* 10-90 % width of an edge blurred by a Gaussian of sd 1 (2 * 1.28155). */
#define WIDTH_PER_SD 2.5631
/* Standard errors by which a growth must stand out. */
#define SURE 4

/* ---- a line with knots ---- */

typedef struct line {
    size_t knots, count, unknowns;
    double *at;     /* value at each knot; owned */
    double *factor; /* of the normal equations; owned */
    double sd;      /* of one frame's misfit */
    bool usable;    /* enough frames carried it */
} line;

/* What a line is fitted to. */
typedef struct series {
    const double *value; /* NAN unknown */
    const double *level; /* a straight dependence on this is taken off; NULL none */
    const size_t *group; /* number of the group that each frame's own offset is shared with; NULL */
    size_t count, groups;
} series;

static size_t knots_for(size_t count)
{
    return 1 + MAX((size_t)1, (size_t)lrint((double)count / KNOT));
}

/* The two knots next to frame i, and the share of the second. */
static size_t knot_of(size_t knots, size_t count, size_t i, double *share)
{
    double at = (double)i * (double)(knots - 1) / (double)MAX(count - 1, 1);
    size_t k = MIN((size_t)at, knots - 2);
    *share = at - (double)k;
    return k;
}

/* The unknowns that frame i has a part in, and its parts; returns how many. */
static int row_of(const series *s, size_t knots, size_t i, size_t at[4], double part[4])
{
    double share;
    int n = 2;
    at[0] = knot_of(knots, s->count, i, &share);
    at[1] = at[0] + 1;
    part[0] = 1 - share;
    part[1] = share;
    if (s->level) {
        at[n] = knots;
        part[n++] = s->level[i] / 100;
    }
    if (s->groups) {
        at[n] = knots + (s->level ? 1 : 0) + s->group[i];
        part[n++] = 1;
    }
    return n;
}

/* Cholesky's factor of the n x n matrix a, in its lower half; false when it is singular. */
static bool factorise(double *a, size_t n)
{
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j <= i; j++) {
            double sum = a[i * n + j];
            for (size_t k = 0; k < j; k++)
                sum -= a[i * n + k] * a[j * n + k];
            if (i == j && !(sum > 1e-12))
                return false;
            a[i * n + j] = i == j ? sqrt(sum) : sum / a[j * n + j];
        }
    return true;
}

static void solve(const double *factor, size_t n, double *b)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < i; k++)
            b[i] -= factor[i * n + k] * b[k];
        b[i] /= factor[i * n + i];
    }
    for (size_t i = n; i-- > 0;) {
        for (size_t k = i + 1; k < n; k++)
            b[i] -= factor[k * n + i] * b[k];
        b[i] /= factor[i * n + i];
    }
}

static bool takes_part(const series *s, size_t i, size_t parity)
{
    return (parity == EVERY || i % 2 == parity) && !isnan(s->value[i]) &&
           (!s->level || !isnan(s->level[i]));
}

static double misfit(const series *s, size_t knots, const double *x, size_t i)
{
    size_t at[4];
    double part[4], sum = s->value[i];
    int n = row_of(s, knots, i, at, part);
    for (int k = 0; k < n; k++)
        sum -= part[k] * x[at[k]];
    return sum;
}

/* One least-squares fit to the frames whose misfit to the last one is below `limit`. Leaves the
 * matrix's factor; false when there is too little to go by. */
static bool fit_once(const series *s, size_t knots, size_t parity, double limit, double *x,
                     double *factor, size_t n, size_t *used)
{
    static const double ridge = 1e-3; /* an offset that could as well be the line's stays small */
    g_autofree double *right = g_new0(double, n);
    *used = 0;
    for (size_t i = 0; i < n * n; i++)
        factor[i] = 0;
    for (size_t i = 0; i < n; i++)
        factor[i * n + i] = ridge;
    for (size_t i = 0; i < s->count; i++) {
        if (!takes_part(s, i, parity) || fabs(misfit(s, knots, x, i)) > limit)
            continue;
        size_t at[4];
        double part[4];
        int parts = row_of(s, knots, i, at, part);
        (*used)++;
        for (int a = 0; a < parts; a++) {
            right[at[a]] += part[a] * s->value[i];
            for (int b = 0; b < parts; b++)
                factor[at[a] * n + at[b]] += part[a] * part[b];
        }
    }
    if (*used < LEAST / 4 || !factorise(factor, n))
        return false;
    solve(factor, n, right);
    for (size_t i = 0; i < n; i++)
        x[i] = right[i];
    return true;
}

static double misfit_sd(const series *s, size_t knots, size_t parity, const double *x)
{
    g_autofree double *off = g_new(double, s->count);
    for (size_t i = 0; i < s->count; i++)
        off[i] = takes_part(s, i, parity) ? misfit(s, knots, x, i) : NAN;
    return rw_robust_sd(off, s->count, 0);
}

/* Twice, the second time without what lies far off. */
static line fit_line(const series *s, size_t parity)
{
    line l = {.knots = knots_for(s->count), .count = s->count};
    size_t n = l.unknowns = l.knots + (s->level ? 1 : 0) + s->groups, used = 0;
    g_autofree double *x = g_new0(double, n);
    l.at = g_new0(double, l.knots);
    if (n > MOST_UNKNOWNS)
        return l;
    l.factor = g_new(double, n *n);
    if (!fit_once(s, l.knots, parity, INFINITY, x, l.factor, n, &used))
        return l;
    l.sd = misfit_sd(s, l.knots, parity, x);
    l.usable = fit_once(s, l.knots, parity, 3 * l.sd + 1e-9, x, l.factor, n, &used);
    for (size_t k = 0; k < l.knots; k++)
        l.at[k] = x[k];
    return l;
}

static void line_clear(line *l)
{
    g_clear_pointer(&l->at, g_free);
    g_clear_pointer(&l->factor, g_free);
}

/* Standard error of the difference between two knots. */
static double line_rise_sd(const line *l, size_t a, size_t b)
{
    g_autofree double *x = g_new0(double, l->unknowns);
    x[a] += 1;
    x[b] -= 1;
    solve(l->factor, l->unknowns, x);
    return l->sd * sqrt(MAX(0, x[a] - x[b]));
}

static double line_at(const line *l, size_t i)
{
    double share;
    size_t k = knot_of(l->knots, l->count, i, &share);
    return l->at[k] * (1 - share) + l->at[k + 1] * share;
}

static size_t line_frame(const line *l, size_t knot)
{
    return (knot * (l->count - 1) + (l->knots - 1) / 2) / (l->knots - 1);
}

static size_t line_least(const line *l)
{
    size_t least = 0;
    for (size_t k = 1; k < l->knots; k++)
        if (l->at[k] < l->at[least])
            least = k;
    return least;
}

static size_t line_most(const line *l)
{
    size_t most = 0;
    for (size_t k = 1; k < l->knots; k++)
        if (l->at[k] > l->at[most])
            most = k;
    return most;
}

/* ---- the witnesses ---- */

/* A line fitted to all frames, and to either half of them. */
typedef struct trend {
    line all, half[2];
} trend;

static trend trend_of(const series *s)
{
    return (trend){fit_line(s, EVERY), {fit_line(s, 0), fit_line(s, 1)}};
}

static bool is_usable(const trend *r)
{
    return r->all.usable && r->half[0].usable && r->half[1].usable;
}

static void trend_clear(trend *r)
{
    line_clear(&r->all);
    line_clear(&r->half[0]);
    line_clear(&r->half[1]);
}

/* From the least knot to the most, each half read where the other puts them. */
static double trend_rise(const trend *r)
{
    double sum = 0;
    for (size_t h = 0; h < 2; h++) {
        const line *choose = &r->half[h], *read = &r->half[1 - h];
        sum += read->at[line_most(choose)] - read->at[line_least(choose)];
    }
    return sum / 2;
}

/* Positions whose own fault would speak of something else. */
static bool *list_excuses(const rw_track *t, const rw_verdicts *verdicts)
{
    bool *excused = g_new0(bool, t->count + 1);
    for (size_t i = 0; i < t->count; i++)
        excused[i] = rw_verdicts_cover(verdicts, RW_KIND_SMEARED, i) ||
                     rw_verdicts_cover(verdicts, RW_KIND_SOFT, i);
    return excused;
}

static double *list_logs(const rw_track *t, rw_measure m, const bool *excused)
{
    double *out = g_new(double, t->count);
    for (size_t i = 0; i < t->count; i++)
        out[i] = excused[i] ? NAN : log(rw_track_value(t, i, m));
    return out;
}

/* ln edge width: of both directions where both are seen, each less its own usual. */
static double *list_edges(const rw_track *t, const bool *excused)
{
    double *across = list_logs(t, RW_M_EDGE_ACROSS, excused);
    g_autofree double *along = list_logs(t, RW_M_EDGE_ALONG, excused);
    double a = rw_median(across, t->count), b = rw_median(along, t->count);
    double usual = isnan(a) ? b : isnan(b) ? a : (a + b) / 2;
    for (size_t i = 0; i < t->count; i++) {
        double x = across[i] - a, y = along[i] - b;
        across[i] = usual + (isnan(x) ? y : isnan(y) ? x : (x + y) / 2);
    }
    return across;
}

static trend edge_trend(const rw_track *t, const bool *excused)
{
    g_autofree double *edges = list_edges(t, excused);
    size_t known = 0;
    for (size_t i = 0; i < t->count; i++)
        known += isnan(edges[i]) ? 0 : 1;
    if (known < MAX((size_t)LEAST, t->count / 4))
        return (trend){0};
    return trend_of(&(series){.value = edges, .count = t->count});
}

/* Grain depends on the picture's level, and every scene has its own. */
static trend grain_trend(const rw_track *t, rw_measure m, const bool *excused)
{
    g_autofree double *value = g_new(double, t->count), *level = g_new(double, t->count);
    g_autofree size_t *group = g_new(size_t, t->count);
    size_t groups = 0;
    for (size_t i = 0; i < t->count; i++) {
        value[i] = excused[i] ? NAN : rw_track_value(t, i, m);
        level[i] = rw_track_value(t, i, RW_M_GRAIN_LEVEL);
        if (i == 0 || t->scene[i] == i)
            groups++;
        group[i] = groups - 1;
    }
    return trend_of(&(series){value, level, group, t->count, groups});
}

/* Both ways of reading the grain. */
typedef struct grain {
    trend ratio, fine;
    const rw_grain_bands *bands;
    double scale; /* stored pixels for a decoded one */
} grain;

static grain read_grain(const rw_track *t, const bool *excused)
{
    return (grain){grain_trend(t, RW_M_GRAIN_RATIO, excused),
                   grain_trend(t, RW_M_GRAIN_FINE, excused), &t->basis.bands,
                   8.0 / t->basis.eighths};
}

static bool grain_usable(const grain *g)
{
    return is_usable(&g->ratio) && is_usable(&g->fine);
}

static void grain_clear(grain *g)
{
    trend_clear(&g->ratio);
    trend_clear(&g->fine);
}

/* Variance of blur that explains these changes, stored px^2. */
static double variance_of(const grain *g, double ratio, double fine)
{
    return rw_grain_blur_change(g->bands, ratio, fine) * g->scale * g->scale;
}

/* ... and its standard error between two knots. */
static double variance_sd(const grain *g, size_t a, size_t b)
{
    static const double much = 1e3; /* fine grain that does not object */
    double unit = rw_grain_blur_change(g->bands, -1, -much) * g->scale * g->scale;
    return unit * line_rise_sd(&g->ratio.all, a, b);
}

/* Defocus on the film that adds a Gaussian blur of variance v (stored px^2): a blur disc of
 * diameter c has variance c^2 / 16; c at the sensor is defocus * m^2 / N_e (geometric optics, see
 * the planner), N_e = N (1 + m), m = px/mm on the film times mm/px on the sensor. um. */
static double defocus_um(const rw_track *t, const rw_limits *limits, double variance)
{
    double number = limits->v[RW_LIMIT_F_NUMBER];
    if (number <= 0)
        number = t->basis.f_number > 0 ? t->basis.f_number : 4;
    double pixel = limits->v[RW_LIMIT_SENSOR_WIDTH] / MAX(t->basis.width, t->basis.height);
    double m = t->summary.px_per_mm * pixel;
    return 4 * sqrt(variance) * pixel * number * (1 + m) / (m * m) * 1000;
}

/* ---- the story ---- */

/* Growth of edge width along the reel, as it is believed. */
typedef struct story {
    double growth;     /* share, softest against sharpest */
    double edge_px;    /* width of the sharpest edge */
    double variance;   /* of the blur that was added, stored px^2 */
    double by_grain;   /* the same as the grain tells it; NAN */
    double *here;      /* growth at each position; owned */
    size_t worst;      /* position */
    bool edges;        /* rests on edges */
    bool contradicted; /* the grain is as sharp as ever */
} story;

static double growth_of(double variance, double sd)
{
    return sqrt(1 + MAX(0, variance) / (sd * sd)) - 1;
}

static story told_by_edges(const rw_track *t, const trend *edge, const grain *g)
{
    static const double least_share = 0.25; /* of the growth that the grain must confirm */
    const line *all = &edge->all;
    size_t sharp = line_least(all), soft = line_most(all);
    double rise = trend_rise(edge), over = MAX(0, all->at[soft] - all->at[sharp] - rise);
    double base = all->at[sharp] + over / 2, sd = exp(base) / WIDTH_PER_SD;
    bool sure = rise > SURE * line_rise_sd(all, sharp, soft);
    story s = {.growth = sure ? exp(rise) - 1 : 0,
               .edge_px = exp(base),
               .by_grain = NAN,
               .here = g_new(double, t->count),
               .worst = line_frame(all, soft),
               .edges = true};
    s.variance = sd * sd * ((1 + s.growth) * (1 + s.growth) - 1);
    for (size_t i = 0; i < t->count; i++)
        s.here[i] = exp(line_at(all, i) - base) - 1;
    if (!grain_usable(g))
        return s;
    s.by_grain = variance_of(g, g->ratio.all.at[soft] - g->ratio.all.at[sharp],
                             g->fine.all.at[soft] - g->fine.all.at[sharp]);
    bool heard = 2 * variance_sd(g, sharp, soft) < (1 - least_share) * s.variance;
    s.contradicted = heard && growth_of(s.by_grain, sd) < least_share * s.growth;
    return s;
}

/* Where no edges are seen: a lens that spreads one pixel is taken for granted. */
static story told_by_grain(const rw_track *t, const grain *g)
{
    static const double sd = 1;
    const line *ratio = &g->ratio.all, *fine = &g->fine.all;
    size_t sharp = line_most(ratio), soft = line_least(ratio);
    double sum = 0;
    for (size_t h = 0; h < 2; h++) { /* chosen on one half of the frames, read on the other */
        size_t a = line_most(&g->ratio.half[h]), b = line_least(&g->ratio.half[h]);
        const line *r = &g->ratio.half[1 - h], *f = &g->fine.half[1 - h];
        sum += variance_of(g, r->at[b] - r->at[a], f->at[b] - f->at[a]) / 2;
    }
    bool sure = sum > SURE * variance_sd(g, sharp, soft);
    story s = {.variance = sure ? sum : 0,
               .growth = sure ? growth_of(sum, sd) : 0,
               .edge_px = NAN,
               .by_grain = sum,
               .here = g_new(double, t->count),
               .worst = line_frame(ratio, soft)};
    for (size_t i = 0; i < t->count; i++)
        s.here[i] = growth_of(variance_of(g, line_at(ratio, i) - ratio->at[sharp],
                                          line_at(fine, i) - fine->at[sharp]),
                              sd);
    return s;
}

static void report(const rw_track *t, const rw_limits *limits, const story *s,
                   rw_verdicts *verdicts)
{
    double notice = limits->v[RW_LIMIT_FOCUS_NOTICE];
    double tolerance = limits->v[RW_LIMIT_FOCUS_TOLERANCE];
    size_t first = t->count, last = 0, leaves = t->count;
    for (size_t i = 0; i < t->count; i++) {
        if (s->here[i] > tolerance && s->growth > tolerance)
            leaves = MIN(leaves, i);
        if (!(s->here[i] > notice))
            continue;
        first = MIN(first, i);
        last = i;
    }
    if (first == t->count)
        first = last = s->worst;
    rw_severity severity = s->growth > 2 * tolerance ? RW_REDO
                           : s->growth > tolerance   ? RW_LOOK
                                                     : RW_NOTE;
    rw_verdict *v =
        rw_verdicts_add(verdicts, RW_KIND_FOCUS_DRIFT, severity, leaves < t->count ? leaves : first,
                        last, s->edges ? 0.85 : 0.6);
    rw_verdict_number(v, "edge_growth_percent", 100 * s->growth);
    rw_verdict_number(v, "sharpest_edge_px", s->edge_px);
    rw_verdict_number(v, "added_blur_px", sqrt(s->variance));
    rw_verdict_number(v, "added_blur_by_grain_px", sqrt(MAX(0, s->by_grain)));
    rw_verdict_number(v, "defocus_um", defocus_um(t, limits, s->variance));
    rw_verdict_frame(v, "worst_frame", s->worst);
    rw_verdict_because(v,
                       s->edges
                           ? "Edges of the perforations grow by %.0f %% from the sharpest part "
                             "of the reel to the softest: about %.0f um of defocus."
                           : "Fine grain weakens within the scenes as if edges grew by %.0f "
                             "%% over the reel: about %.0f um of defocus.",
                       100 * s->growth, defocus_um(t, limits, s->variance));
    if (leaves < t->count)
        rw_verdict_frame(v, "leaves_tolerance_frame", leaves);
}

void rw_judge_focus(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    if (track->count < LEAST)
        return;
    g_autofree bool *excused = list_excuses(track, verdicts);
    trend edge = edge_trend(track, excused);
    grain g = read_grain(track, excused);
    story s = {0};
    if (is_usable(&edge))
        s = told_by_edges(track, &edge, &g);
    else if (grain_usable(&g))
        s = told_by_grain(track, &g);
    if (s.growth > limits->v[RW_LIMIT_FOCUS_NOTICE] && !s.contradicted)
        report(track, limits, &s, verdicts);
    g_free(s.here);
    grain_clear(&g);
    trend_clear(&edge);
}
