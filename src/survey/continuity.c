/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <assert.h>
#include <math.h>
#include <string.h>

#include "survey/continuity.h"

/* Standard deviation of the place of a still that is not to be trusted, pixels: it moved, or its
 * perforation is torn, mostly along the film. */
#define LOOSE_ACROSS 0.7
#define LOOSE_ALONG  2.0
/* Registration's errors beside the usual ones: three times as large, ... */
#define SHARE_LARGE 0.06
#define LARGE       3
/* ... and really astray: seldom, and not far. */
#define SHARE_ASTRAY 0.0015
#define ASTRAY       1.2
/* What blur adds to the error of the place, across and along the film; and now and then a strip
 * that is drawn out along the film is found at an end of it. */
#define BLUR_ACROSS      0.12
#define BLUR_ALONG       0.25
#define SHARE_DRAWN      0.04
#define DRAWN_OUT_ACROSS 0.2
#define DRAWN_OUT_ALONG  2.5
/* Where a strip of a few rows is found: its place across is sure, along the film it is not. */
#define VAGUE_ACROSS 0.1
#define VAGUE_ALONG  2.2
/* Of what a strip's grain says, this much is left of it after blur, and so uncertain. */
#define LEFT_BY_BLUR   0.6
#define SPREAD_OF_BLUR 0.2
/* Share of strips whose grain says nothing, though they were found. */
#define ANY         0.004
#define ANY_IN_BLUR 0.08
/* A strip that is another frame's: unlike by 1, or something of the scene is found elsewhere. */
#define OTHER_SPREAD 0.06
#define SHARE_ALIKE  0.25
/* Pixels to either side within which a strip is looked for. */
#define REACH 8.5

static double normal(double x, double variance)
{
    return exp(-0.5 * x * x / variance) / sqrt(2 * M_PI * variance);
}

typedef struct place {
    double x, y, var_x, var_y; /* what is known of a still's misplacement */
} place;

static double density_at(double x, double y, double var_x, double var_y)
{
    return normal(x, var_x) * normal(y, var_y);
}

static double squared(double x)
{
    return x * x;
}

/* A strip that was found: x, y are what is left when both stills' misplacements are taken out as
 * far as they are known. */
static double found_at(const rw_join *j, double x, double y, double var_x, double var_y,
                       double noise)
{
    double more = squared(LARGE * noise) - squared(noise);
    double share = j->blurred ? SHARE_DRAWN : SHARE_ASTRAY;
    double far_x = squared(j->blurred ? DRAWN_OUT_ACROSS : ASTRAY);
    double far_y = squared(j->blurred ? DRAWN_OUT_ALONG : ASTRAY);
    return (1 - SHARE_LARGE - share) * density_at(x, y, var_x, var_y) +
           SHARE_LARGE * density_at(x, y, var_x + more, var_y + more) +
           share * density_at(x, y, var_x + far_x, var_y + far_y);
}

/* Likelihood of the unlikeness of a strip that is the next picture's and was found, ... */
static double found_so_unlike(const rw_join *j)
{
    if (isnan(j->unlikeness) || isnan(j->usual))
        return 1;
    double grain = 1 - j->usual, spread = j->spread, mean = j->usual;
    if (j->blurred) {
        mean = 1 - LEFT_BY_BLUR * grain;
        spread = hypot(spread, SPREAD_OF_BLUR * grain);
    }
    double any = j->blurred ? ANY_IN_BLUR : ANY;
    return (1 - any) * normal(j->unlikeness - mean, spread * spread) + any;
}

/* ... and of one that is not. */
static double other_so_unlike(const rw_join *j)
{
    if (isnan(j->unlikeness) || isnan(j->usual))
        return 1;
    double spread = fmax(OTHER_SPREAD, j->spread);
    double alike = fmin(j->usual, 0.8), range = 1.2 - alike;
    bool within = j->unlikeness > alike && j->unlikeness < 1.2;
    return (1 - SHARE_ALIKE) * normal(j->unlikeness - 1, spread * spread) +
           (within ? SHARE_ALIKE / range : 0.01);
}

static place unknown_place(void)
{
    return (place){0, 0, LOOSE_ACROSS * LOOSE_ACROSS, LOOSE_ALONG * LOOSE_ALONG};
}

/* What a strip that is found near its place, give or take var, tells of the second still's. */
static double follow(const rw_join *j, const place *before, place *now, double var_x, double var_y,
                     double noise)
{
    place free = j->loose ? unknown_place() : (place){0, 0, 0, 0};
    double left_x = j->x + before->x, left_y = j->y + before->y;
    double known_x = before->var_x + var_x, known_y = before->var_y + var_y;
    double likelihood =
        found_at(j, left_x, left_y, free.var_x + known_x, free.var_y + known_y, noise);
    double gain_x = free.var_x / (free.var_x + known_x);
    double gain_y = free.var_y / (free.var_y + known_y);
    *now = (place){gain_x * left_x, gain_y * left_y, (1 - gain_x) * free.var_x,
                   (1 - gain_y) * free.var_y};
    return likelihood;
}

typedef struct walk {
    const rw_join *chain;
    size_t count;
    double noise;
    double with[RW_LONGEST_CHAIN]; /* likelihoods of all that has a gap at each join */
    double all;
} walk;

/* Sums over all that may have happened from join k on. */
static void explore(walk *w, size_t k, place before, double likelihood, unsigned gaps)
{
    if (k == w->count) {
        w->all += likelihood;
        for (size_t i = 0; i < w->count; i++)
            w->with[i] += gaps >> i & 1 ? likelihood : 0;
        return;
    }
    const rw_join *j = &w->chain[k];
    double gap = 1 / (1 + exp(-j->odds)), none = 1 - gap;
    place lost = j->loose ? unknown_place() : (place){0, 0, 0, 0}, now;
    if (isnan(j->x) || isnan(j->y)) {
        explore(w, k + 1, lost, likelihood * none, gaps);
        explore(w, k + 1, lost, likelihood * gap, gaps | 1u << k);
        return;
    }
    double var_x = w->noise * w->noise, var_y = var_x;
    if (j->blurred) {
        var_x += BLUR_ACROSS * BLUR_ACROSS;
        var_y += BLUR_ALONG * BLUR_ALONG;
    }
    double anywhere = other_so_unlike(j) / (4 * REACH * REACH);
    double found = follow(j, &before, &now, var_x, var_y, w->noise) * found_so_unlike(j);
    double vague = density_at(j->x + before.x, j->y + before.y,
                              var_x + before.var_x + squared(VAGUE_ACROSS) + lost.var_x,
                              var_y + before.var_y + squared(VAGUE_ALONG) + lost.var_y) *
                   0.5 * (found_so_unlike(j) + other_so_unlike(j));
    found = (1 - j->vague) * found + j->vague * vague;
    explore(w, k + 1, now, likelihood * none * (1 - j->lost) * found, gaps);
    explore(w, k + 1, lost, likelihood * none * j->lost * anywhere, gaps);
    /* another frame's: its scene is found where the picture moved to, or chance finds anything */
    double wander = j->wander * j->wander;
    double near = follow(j, &before, &now, var_x + wander, var_y + wander, w->noise);
    explore(w, k + 1, now, likelihood * gap * 0.5 * near * other_so_unlike(j), gaps | 1u << k);
    explore(w, k + 1, lost, likelihood * gap * 0.5 * anywhere, gaps | 1u << k);
}

void rw_chain_weigh(const rw_join *chain, size_t count, bool first_is_loose, double noise,
                    double probability[])
{
    assert(count <= RW_LONGEST_CHAIN);
    walk w = {.chain = chain, .count = count, .noise = noise};
    explore(&w, 0, first_is_loose ? unknown_place() : (place){0, 0, 0, 0}, 1, 0);
    for (size_t i = 0; i < count; i++)
        probability[i] = w.all > 0 ? w.with[i] / w.all : 0;
}
