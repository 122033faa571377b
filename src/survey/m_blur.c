/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Film that moved during the exposure, and stills that are soft all round.
 *
 * A short way blurs along the film and leaves across as it was: edges of the perforation and the
 * grain both show it. A long way leaves a sharp but pale picture under a ghost: grain of every
 * fineness gets weaker alike, the perforation has no edge that can be measured, and light that
 * passed through it lies on the unexposed film beside it; a whole pitch leaves even the edges as
 * they were. Bad focus takes fine grain and leaves coarse.
 */
#include <math.h>

#include "survey/finding.h"

enum { REACH = 25, LEAST = 4 };

/* One still against its neighbours; logarithms of powers and widths; NAN unknown. */
typedef struct blur {
    double edge;   /* along / across, against the reel's usual */
    double across; /* edge across */
    double grain;  /* grain along / across */
    double fine;   /* fine grain */
    double ratio;  /* fine / coarse grain */
    double lit;    /* light on unexposed film between perforations, share of the clear light */
} blur;

typedef struct usual {
    double edge, edge_sd, grain_sd, fine_sd, lit_sd;
    double doubt; /* by how much more something must stand out while there is little to go by */
} usual;

/* What is usual round position i: in its scene, or in a short one just around it. */
static double around(const rw_track *t, size_t i, rw_measure m)
{
    double values[2 * REACH + 1], any[2 * REACH + 1];
    size_t n = 0, n_any = 0, first = i > REACH ? i - REACH : 0;
    for (size_t k = first; k <= i + REACH && k < t->count; k++) {
        double v = rw_track_value(t, k, m);
        if (k == i || isnan(v))
            continue;
        any[n_any++] = v;
        if (t->scene[k] == t->scene[i])
            values[n++] = v;
    }
    return n >= LEAST ? rw_median(values, n) : rw_median(any, n_any);
}

static double edge_ratio(const rw_track *t, size_t i)
{
    return log(rw_track_value(t, i, RW_M_EDGE_ALONG) / rw_track_value(t, i, RW_M_EDGE_ACROSS));
}

static double against(const rw_track *t, size_t i, rw_measure m)
{
    return rw_track_value(t, i, m) - around(t, i, m);
}

static blur blur_of(const rw_track *t, size_t i, const usual *u)
{
    return (blur){
        .edge = edge_ratio(t, i) - u->edge,
        .across = log(rw_track_value(t, i, RW_M_EDGE_ACROSS) / around(t, i, RW_M_EDGE_ACROSS)),
        .grain = against(t, i, RW_M_GRAIN_ALONG),
        .fine = against(t, i, RW_M_GRAIN_FINE),
        .ratio = against(t, i, RW_M_GRAIN_RATIO),
        .lit = against(t, i, RW_M_BLACK) / around(t, i, RW_M_CLEAR),
    };
}

static double or_zero(double x)
{
    return isnan(x) ? 0 : x;
}

/* Spread of a measure from still to still. */
static double step_sd(const rw_track *t, rw_measure m)
{
    g_autofree double *step = g_new(double, t->count);
    for (size_t i = 0; i < t->count; i++)
        step[i] = i ? rw_track_value(t, i, m) - rw_track_value(t, i - 1, m) : NAN;
    return rw_robust_sd(step, t->count, 0) / sqrt(2);
}

static usual usual_of(const rw_track *t)
{
    g_autofree double *edge = g_new(double, t->count);
    for (size_t i = 0; i < t->count; i++)
        edge[i] = edge_ratio(t, i);
    usual u = {.edge = rw_median(edge, t->count), .doubt = t->count < 16 ? 1.6 : 1};
    u.edge_sd = or_zero(rw_robust_sd(edge, t->count, u.edge));
    u.grain_sd = or_zero(step_sd(t, RW_M_GRAIN_ALONG));
    u.fine_sd = or_zero(step_sd(t, RW_M_GRAIN_FINE));
    u.lit_sd = or_zero(step_sd(t, RW_M_BLACK));
    return u;
}

static void add_evidence(rw_verdict *v, const rw_track *t, size_t i, const blur *b)
{
    rw_verdict_number(v, "edge_along_px", rw_track_value(t, i, RW_M_EDGE_ALONG));
    rw_verdict_number(v, "edge_across_px", rw_track_value(t, i, RW_M_EDGE_ACROSS));
    rw_verdict_number(v, "edge_ratio_to_usual", exp(b->edge));
    rw_verdict_number(v, "grain_along_to_usual", exp(b->grain / 2));
    rw_verdict_number(v, "fine_grain_to_usual", exp(b->fine / 2));
    rw_verdict_number(v, "fine_to_coarse_to_usual", exp(b->ratio / 2));
}

static bool has_edges(const rw_track *t)
{
    return t->basis.found;
}

/* What a person should know of it. */
static void say_smeared(rw_verdict *v, const blur *b, bool edges)
{
    if (b->edge > 0 && !(b->lit > 0.03))
        rw_verdict_because(v,
                           "Edges met along the film are %.1f times as wide against those across "
                           "it as is usual here, and fine grain has %.0f %% of its strength.",
                           exp(b->edge), 100 * exp(b->fine / 2));
    else if (b->lit > 0.03)
        rw_verdict_because(
            v,
            "Light of the perforations is drawn over %.0f %% as bright a streak between "
            "them, and fine grain has %.0f %% of its strength: the film moved a long "
            "way.",
            100 * b->lit, 100 * exp(b->fine / 2));
    else if (!edges) /* without a perforation the two are hard to tell apart */
        rw_verdict_because(
            v,
            "Fine grain has %.0f %% of its strength (%.0f %% along the film): the film "
            "moved, or the picture is far out of focus.",
            100 * exp(b->fine / 2), 100 * exp((b->fine + MIN(0, b->grain)) / 2));
    else
        rw_verdict_because(v,
                           "The perforation has no clean edges, and fine grain has %.0f %% of its "
                           "strength (%.0f %% along the film): the film moved a long way.",
                           100 * exp(b->fine / 2), 100 * exp((b->fine + MIN(0, b->grain)) / 2));
}

static void say_soft(rw_verdict *v, const blur *b)
{
    g_autofree char *edges =
        isnan(b->across) ? g_strdup("Fine grain")
                         : g_strdup_printf("Edges are %.1f times as wide as on the stills around, "
                                           "alike in both directions; fine grain",
                                           exp(b->across));
    rw_verdict_because(v, "%s has %.0f %% of its strength.", edges, 100 * exp(b->fine / 2));
}

/* Blur takes a third and more of its effect on fine grain from the ratio of fine to coarse, too; a
 * ghost a tenth. */
#define RATIO_OF_BLUR 0.2

typedef struct signs {
    bool edge;    /* the edges are blurred along the film */
    bool even;    /* the edges are much wider, and alike in both directions */
    bool grain;   /* the grain is blurred along the film */
    bool weaker;  /* fine grain is weaker */
    bool pale;    /* ... and grain of every fineness with it */
    bool no_edge; /* the perforation has no edges to measure, or odd ones */
    bool lit;     /* a perforation was drawn over the film between two */
} signs;

static signs read_signs(const blur *b, const usual *u, const rw_limits *limits)
{
    double by_edge = u->doubt * MAX(log(limits->v[RW_LIMIT_SMEAR]), 6 * u->edge_sd);
    double by_grain = u->doubt * MAX(0.7, 6 * u->grain_sd);
    double by_fine = u->doubt * MAX(0.5, 6 * u->fine_sd);
    bool weaker = b->fine<-by_fine, wide = b->across> log(1 + limits->v[RW_LIMIT_SOFT]);
    return (signs){
        .edge = b->edge > by_edge,
        .even = wide && fabs(b->edge) <= 0.7 * by_edge,
        .grain = b->grain < -by_grain,
        .weaker = weaker,
        .pale = weaker && b->ratio > RATIO_OF_BLUR * b->fine,
        .no_edge = isnan(b->edge) || fabs(b->edge) > 0.5 * by_edge || wide,
        .lit = b->lit > u->doubt * MAX(0.03, 8 * u->lit_sd),
    };
}

/* Confidence that a still is soft; 0: it is not. */
static double soft(const signs *s, const blur *b, bool edges)
{
    if (s->weaker && (s->lit || (s->even && s->pale)))
        return 0; /* a ghost */
    if (s->even)
        return s->weaker ? 0.97 : isnan(b->fine) ? 0.7 : 0;
    if (s->weaker && !s->pale && !s->grain && !edges)
        return 0.8;
    return 0;
}

static double smeared(const signs *s, bool edges)
{
    if (s->edge)
        return s->grain || s->weaker ? 0.97 : 0.85;
    if (s->grain && (s->no_edge || !edges))
        return s->weaker ? 0.95 : 0.75;
    if (s->weaker && s->lit)
        return 0.95;
    /* bad focus leaves edges that are wide; a ghost leaves none */
    if (s->weaker && s->no_edge && edges)
        return s->pale ? 0.92 : 0.85;
    if (s->pale && !edges)
        return 0.6;
    return 0;
}

void rw_judge_blur(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    if (track->count < LEAST + 2)
        return; /* nothing to compare with yet */
    usual u = usual_of(track);
    for (size_t i = 0; i < track->count; i++) {
        if (rw_track_value(track, i, RW_M_STATE) != RW_STATE_GOOD)
            continue;
        blur b = blur_of(track, i, &u);
        signs s = read_signs(&b, &u, limits);
        double as_soft = soft(&s, &b, has_edges(track));
        double as_smear = as_soft > 0 ? 0 : smeared(&s, has_edges(track));
        if (as_smear <= 0 && as_soft <= 0)
            continue;
        rw_verdict *v = as_smear > 0
                            ? rw_verdicts_add(verdicts, RW_KIND_SMEARED, RW_REDO, i, i, as_smear)
                            : rw_verdicts_add(verdicts, RW_KIND_SOFT, RW_REDO, i, i, as_soft);
        add_evidence(v, track, i, &b);
        if (as_smear > 0)
            say_smeared(v, &b, has_edges(track));
        else
            say_soft(v, &b);
    }
}
