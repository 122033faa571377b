/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One look: from a first idea over the exact holes to the film's edge.
 */
#include <math.h>
#include <string.h>

#include "gate/perforation.h"

#define MAX_GUESSES 6
#define GOOD_GUESS  0.35 /* score from which the prior's neighbourhood is not left */

struct rw_gate_finder {
    const rw_gauge *gauge;
    gate_coarse *coarse;
    gate_bench *bench;
    float curve[GATE_CODES];
};

const char *rw_gate_method_name(rw_gate_method method)
{
    static const char *const names[] = {"none", "perforation", "gate", "picture"};
    g_return_val_if_fail((unsigned)method < G_N_ELEMENTS(names), names[0]);
    return names[method];
}

rw_gate_finder *rw_gate_finder_new(const rw_gauge *gauge)
{
    g_return_val_if_fail(gauge && gauge->n_perforations > 0, NULL);
    rw_gate_finder *f = g_new0(rw_gate_finder, 1);
    f->gauge = gauge;
    f->coarse = gate_coarse_new(gauge);
    f->bench = gate_bench_new();
    gate_curve_fill(f->curve);
    return f;
}

void rw_gate_finder_free(rw_gate_finder **finder)
{
    if (!finder || !*finder)
        return;
    gate_coarse_free(&(*finder)->coarse);
    gate_bench_free(&(*finder)->bench);
    g_clear_pointer(finder, g_free);
}

/* How far a hole can be believed, 0..1. */
static double hole_worth(const rw_hole_sight *h)
{
    if (!h->found)
        return 0;
    int good = 0;
    for (int j = 0; j < 4; j++)
        good += h->side[j].inliers >= 0.7;
    double straight = h->inliers * h->inliers * exp(-h->residual / 2);
    return CLAMP(straight * (good >= 4 ? 1 : good == 3 ? 0.85 : good == 2 ? 0.6 : 0.3), 0, 1);
}

/* Measures every hole that a guess promises; returns the worth of the best. */
static double measure_guess(rw_gate_finder *f, const gate_view *view, gate_guess *g,
                            bool scale_known, rw_gate_sight *sight)
{
    const rw_gauge *gauge = f->gauge;
    int order[RW_GATE_MAX_HOLES + 2], n = 0;
    for (int i = 0; i < gauge->n_perforations; i++)
        order[n++] = i;
    order[n++] = -1;
    order[n++] = gauge->n_perforations;
    double best = 0;
    sight->n_holes = 0;
    for (int k = 0; k < n && sight->n_holes < RW_GATE_MAX_HOLES; k++) {
        bool own = order[k] >= 0 && order[k] < gauge->n_perforations;
        if (!own && best == 0)
            break;
        rw_hole_sight hole;
        if (!gate_measure_hole(f->bench, view, gauge, g, scale_known, order[k], &hole))
            continue;
        double worth = hole_worth(&hole);
        if (worth < (best > 0 ? 0.15 : 0.05))
            continue;
        if (worth > best) {
            /* What the better hole tells puts the others right. */
            const rw_perforation *p = &gauge->perforations[0];
            double s = (hole.width * p->width + hole.height * p->height) /
                       (p->width * p->width + p->height * p->height);
            if (!scale_known)
                g->scale = s;
            g->angle = hole.angle;
            gate_axes a = gate_axes_of(g->side, g->angle);
            double along =
                (gate_hole_centre(gauge, order[k]).y - gate_hole_centre(gauge, 0).y) * g->scale;
            g->cx = hole.cx - along * a.y.x;
            g->cy = hole.cy - along * a.y.y;
            best = worth;
        }
        sight->hole[sight->n_holes++] = hole;
    }
    return best;
}

/* From pixels of the view to stored pixels. */
static void store(const rw_pixels *pixels, rw_gate_sight *s)
{
    double r = pixels->eighths > 0 ? 8.0 / pixels->eighths : 1, shift = (r - 1) / 2;
    for (int i = 0; i < s->n_holes; i++) {
        rw_hole_sight *h = &s->hole[i];
        h->cx = h->cx * r + shift;
        h->cy = h->cy * r + shift;
        double *length[] = {&h->width,       &h->height,     &h->sd,   &h->residual,
                            &h->edge_across, &h->edge_along, &h->halo, &h->halo_sd};
        for (size_t k = 0; k < G_N_ELEMENTS(length); k++)
            *length[k] *= r;
        for (int j = 0; j < 4; j++) {
            h->side[j].offset *= r;
            h->side[j].along *= r;
            h->side[j].sd *= r;
        }
    }
    s->film_edge_x = s->film_edge_x * r + shift;
    s->film_edge_y = s->film_edge_y * r + shift;
    s->film_edge_sd *= r;
}

static rw_gate_prior prior_in_view(const rw_gate_prior *prior, const rw_pixels *pixels)
{
    rw_gate_prior p = {0};
    if (prior) {
        double r = pixels->eighths > 0 ? 8.0 / pixels->eighths : 1, shift = (r - 1) / 2;
        p = *prior;
        p.px_per_mm /= r;
        p.hole_x = (p.hole_x - shift) / r;
        p.hole_y = (p.hole_y - shift) / r;
    }
    return p;
}

/* Tries the guesses in turn and keeps the one that measures best. */
static double best_guess(rw_gate_finder *f, const gate_view *view, const rw_gate_prior *prior,
                         gate_guess *best, rw_gate_sight *sight)
{
    gate_guess guess[MAX_GUESSES];
    bool known = prior->px_per_mm > 0;
    int n = gate_coarse_search(f->coarse, view, prior, guess, MAX_GUESSES);
    double most = 0;
    for (int i = 0; i < n && (i == 0 || guess[i].score > 0.5 * guess[0].score); i++) {
        rw_gate_sight s = *sight;
        gate_guess g = guess[i];
        double worth = measure_guess(f, view, &g, known, &s) * sqrt(guess[i].score);
        if (worth > most) {
            most = worth;
            *best = g;
            *sight = s;
        }
        if (most > 0.8 * sqrt(guess[0].score))
            break; /* none of the others can be better by much */
    }
    return most;
}

void rw_gate_finder_look(rw_gate_finder *f, const rw_pixels *pixels, const rw_gate_prior *prior,
                         rw_gate_sight *sight)
{
    memset(sight, 0, sizeof *sight);
    sight->version = RW_GATE_VERSION;
    sight->stored_width = pixels->full_width;
    sight->stored_height = pixels->full_height;
    gate_view view = {pixels, f->curve};
    rw_gate_prior near = prior_in_view(prior, pixels);
    gate_guess best = {0};
    double worth = best_guess(f, &view, &near, &best, sight);
    if (worth < GOOD_GUESS * 0.5 && near.px_per_mm > 0) {
        rw_gate_prior side_only = {.side = near.side};
        rw_gate_sight other = *sight;
        other.n_holes = 0;
        gate_guess g = {0};
        double elsewhere = best_guess(f, &view, &side_only, &g, &other);
        if (elsewhere > worth && fabs(g.scale / near.px_per_mm - 1) < 0.02) {
            worth = elsewhere;
            best = g;
            *sight = other;
        }
    }
    if (worth <= 0) {
        memset(sight->hole, 0, sizeof sight->hole);
        sight->n_holes = 0;
        return;
    }
    sight->side = (int32_t)best.side;
    int top = 0;
    for (int i = 1; i < sight->n_holes; i++)
        if (hole_worth(&sight->hole[i]) > hole_worth(&sight->hole[top]))
            top = i;
    gate_measure_film_edge(f->bench, &view, f->gauge, &best, &sight->hole[top], sight);
    sight->confidence = hole_worth(&sight->hole[top]) * CLAMP(best.score / 0.6, 0, 1);
    store(pixels, sight);
}
