/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * consensus.c - the background of a scene and its path, from the sights of its frames.
 *
 * Each observation says where a block of frame t lies on frame t - d. A path of the picture
 * explains it (background) or not. Two facts tell background from what moves before it: background
 * keeps to the path over every distance d, while a body that happens to move along agrees over
 * short ones only; and a block that was background a moment ago mostly still is. So each block of
 * each frame has a log-odds, gathered over its links and over its neighbours in time. Against
 * "background" (a normal law about the path, as narrow as the block's texture and grain allow)
 * stands "something else" (a Cauchy law whose width grows with d). Expectation and maximisation
 * alternate: given the path, the odds; given the odds, the path by least squares over all links at
 * once, so that error does not add up.
 *
 * Several starts are tried, because the likelihood has side peaks: the largest set of blocks that
 * keep step with each other, over long distances or over all, and all blocks alike with the noise
 * overstated and then let down; each without turn and zoom and with them. See run_tight.
 */
#include <math.h>

#include "base/select.h"
#include "motion/consensus.h"
#include "motion/steady.h"

#define B RW_STEADY_BLOCKS
#define L RW_STEADY_LINKS

#define FLOOR_SD    0.05   /* px: no block is trusted further */
#define WORST_SD    4.0    /* px: blocks that say less than this are left out */
#define PRIOR       (-4.0) /* log-odds of background, of a block that nothing is known of */
#define KAPPA_MAX   1.5    /* a block's noise may be this much above its forecast */
#define TIME_SD     12.0   /* frames over which a block keeps its part */
#define SPACE_SD    60.0   /* px of travel over which it does */
#define SPEED       0.6    /* px per frame: scale of what moves before the background */
#define DRIFT_LINKS 2      /* the links that tell drift */
#define DRIFT_SD    3.0    /* frames over which a block drifts evenly */
#define DRIFT_MOST  60.0   /* px per frame */
#define LEVER       540.0  /* px: turn and scale are counted as the shift they make here */
#define LOOSE_TIE   50.0   /* px between neighbours that nothing else ties */
#define LEAST_TIE   0.002  /* px at LEVER: turn and scale differ by so much at least */
#define START_TIE   0.02
#define BAND        (4 * 33)

typedef struct observation {
    float x, y;       /* of the block on its frame, px */
    float tx, ty;     /* seen there on the earlier frame */
    float xx, xy, yy; /* information, 1/px^2 */
    float inlier;     /* probability, given background */
    float weight;     /* for the path */
    float q;          /* squared residual in its own sd */
    int block;
} observation;

struct rw_consensus {
    int count;
    observation *obs;
    size_t *first; /* of link l of frame t at t * L + l; one more at the end */
    rw_consensus_frame *frame;
    float *odds, *background, *kappa2; /* count * B */
    float *outliers;                   /* count * L: share of background blocks that a link loses */
    bool rigid;                        /* neither turn nor scale differ from frame to frame */
    bool drifting;            /* blocks may drift against the path, evenly for a while: parallax */
    float *drift_x, *drift_y; /* count * B, px per frame back; 0 unless drifting */
    double tie_turn, tie_scale; /* sd between neighbours, px at LEVER */
    double *band, *right;
};

/* ---- observations ---- */

static rw_sym2 sym2_invert(rw_sym2 a)
{
    double det = a.xx * a.yy - a.xy * a.xy;
    return (rw_sym2){a.yy / det, -a.xy / det, a.xx / det};
}

/* j a j^T */
static rw_sym2 sym2_carry(rw_sym2 a, const double j[2][2])
{
    double px = j[0][0] * a.xx + j[0][1] * a.xy, py = j[0][0] * a.xy + j[0][1] * a.yy;
    double qx = j[1][0] * a.xx + j[1][1] * a.xy, qy = j[1][0] * a.xy + j[1][1] * a.yy;
    return (rw_sym2){px * j[0][0] + py * j[0][1], px * j[1][0] + py * j[1][1],
                     qx * j[1][0] + qy * j[1][1]};
}

static rw_sym2 block_covariance(const rw_steady_sight *s, int link, int block)
{
    int level = s->match[link][block] & 1;
    double r = 1 - exp2(-(s->match[link][block] / 2) / 8.0);
    rw_sym2 info = rw_steady_information(
        level, r, (rw_sym2){s->xx[level][block], s->xy[level][block], s->yy[level][block]});
    info.xx += 1e-4;
    info.yy += 1e-4;
    return sym2_invert(info);
}

static rw_affine imprint_to_px(const rw_consensus_view *v)
{
    return rw_affine_then(v->sight->to_still, v->still_to_px);
}

static bool observe(observation *o, const rw_steady_sight *s, rw_affine here, rw_affine there,
                    int link, int block)
{
    if (s->match[link][block] < 4)
        return false;
    rw_point c = rw_steady_block_centre(s, block);
    rw_point p = rw_affine_apply(here, c.x, c.y);
    rw_point q =
        rw_affine_apply(there, c.x + s->dx[link][block] / 256.0, c.y + s->dy[link][block] / 256.0);
    const double j[2][2] = {{there.m[0][0], there.m[0][1]}, {there.m[1][0], there.m[1][1]}};
    rw_sym2 cov = sym2_carry(block_covariance(s, link, block), j);
    cov.xx += FLOOR_SD * FLOOR_SD;
    cov.yy += FLOOR_SD * FLOOR_SD;
    if (MIN(cov.xx, cov.yy) > WORST_SD * WORST_SD)
        return false;
    rw_sym2 info = sym2_invert(cov);
    *o = (observation){.x = (float)p.x,
                       .y = (float)p.y,
                       .tx = (float)q.x,
                       .ty = (float)q.y,
                       .xx = (float)info.xx,
                       .xy = (float)info.xy,
                       .yy = (float)info.yy,
                       .block = block};
    return true;
}

static bool comparable(const rw_consensus_view *a, const rw_consensus_view *b)
{
    return a->sight && b->sight && a->sight->width == b->sight->width &&
           a->sight->height == b->sight->height;
}

static size_t observe_all(rw_consensus *c, const rw_consensus_view *views, observation *out)
{
    size_t n = 0;
    observation spare;
    for (int t = 0; t < c->count; t++)
        for (int l = 0; l < L; l++) {
            int back = rw_steady_link_back(l);
            c->first[t * L + l] = n;
            if (t < back || !comparable(&views[t], &views[t - back]))
                continue;
            rw_affine here = imprint_to_px(&views[t]), there = imprint_to_px(&views[t - back]);
            for (int b = 0; b < B; b++)
                n += observe(out ? &out[n] : &spare, views[t].sight, here, there, l, b);
        }
    c->first[c->count * L] = n;
    return n;
}

rw_consensus *rw_consensus_new(const rw_consensus_view *views, int count)
{
    rw_consensus *c = g_new0(rw_consensus, 1);
    size_t frames = (size_t)count;
    c->count = count;
    c->first = g_new(size_t, frames * L + 1);
    c->obs = g_new(observation, observe_all(c, views, NULL) + 1);
    observe_all(c, views, c->obs);
    c->frame = g_new0(rw_consensus_frame, frames);
    c->odds = g_new0(float, frames *B);
    c->background = g_new0(float, frames *B);
    c->kappa2 = g_new0(float, frames *B);
    c->outliers = g_new0(float, frames *L);
    c->drift_x = g_new0(float, frames *B);
    c->drift_y = g_new0(float, frames *B);
    c->band = g_new(double, frames * 4 * BAND);
    c->right = g_new(double, frames * 4);
    return c;
}

void rw_consensus_free(rw_consensus **c)
{
    if (!*c)
        return;
    g_free((*c)->obs);
    g_free((*c)->first);
    g_free((*c)->frame);
    g_free((*c)->odds);
    g_free((*c)->background);
    g_free((*c)->kappa2);
    g_free((*c)->outliers);
    g_free((*c)->drift_x);
    g_free((*c)->drift_y);
    g_free((*c)->band);
    g_free((*c)->right);
    g_clear_pointer(c, g_free);
}

const float *rw_consensus_background(const rw_consensus *c, int frame)
{
    return c->background + (size_t)frame * B;
}

/* ---- the path, given weights ---- */

/* Where frame t's picture lies on frame u's. */
typedef struct hop {
    double complex turn, shift;
} hop;

static hop hop_between(const rw_consensus *c, int t, int u)
{
    if (u < 0) /* before the scene's head: no observation reaches there */
        return (hop){.turn = 1};
    const rw_consensus_frame *a = &c->frame[t], *b = &c->frame[u];
    hop h = {.turn = b->turn / a->turn};
    h.shift = b->shift - h.turn * a->shift;
    return h;
}

/* Where the path puts the observation on the earlier frame. */
static double complex expected(const rw_consensus *c, int t, int l, hop h, const observation *o)
{
    double complex there = h.turn * (o->x + I * o->y) + h.shift;
    if (c->drifting)
        there += (double)rw_steady_link_back(l) *
                 ((double)c->drift_x[t * B + o->block] + I * (double)c->drift_y[t * B + o->block]);
    return there;
}

/* Eight columns of the residual's derivative: shift x, y, scale, turn of the earlier frame, and
 * the same of this one, negative. */
static void derivative(hop h, double complex here, double complex there, double complex d[8])
{
    d[0] = 1;
    d[1] = I;
    d[2] = there / LEVER;
    d[3] = I * there / LEVER;
    d[4] = -h.turn;
    d[5] = -h.turn * I;
    d[6] = -h.turn * here / LEVER;
    d[7] = -h.turn * I * here / LEVER;
}

typedef struct normal8 {
    double a[8][8], b[8];
} normal8;

static void normal8_add(normal8 *n, const double complex d[8], const observation *o,
                        double complex e)
{
    double w = o->weight, xx = w * o->xx, xy = w * o->xy, yy = w * o->yy;
    double ex = creal(e), ey = cimag(e);
    for (int i = 0; i < 8; i++) {
        double px = xx * creal(d[i]) + xy * cimag(d[i]);
        double py = xy * creal(d[i]) + yy * cimag(d[i]);
        n->b[i] += px * ex + py * ey;
        for (int j = 0; j <= i; j++)
            n->a[i][j] += px * creal(d[j]) + py * cimag(d[j]);
    }
}

static normal8 link_normal(const rw_consensus *c, int t, int l)
{
    normal8 n = {0};
    hop h = hop_between(c, t, t - rw_steady_link_back(l));
    for (size_t i = c->first[t * L + l]; i < c->first[t * L + l + 1]; i++) {
        const observation *o = &c->obs[i];
        if (o->weight < 1e-7f)
            continue;
        double complex here = o->x + I * o->y, there = expected(c, t, l, h, o), d[8];
        derivative(h, here, there, d);
        normal8_add(&n, d, o, o->tx + I * o->ty - there);
    }
    return n;
}

static double *band_at(rw_consensus *c, int row, int column)
{
    return &c->band[(size_t)row * BAND + (size_t)(column - row + BAND - 1)];
}

static void add_link(rw_consensus *c, int t, int l)
{
    normal8 n = link_normal(c, t, l);
    int base[2] = {4 * (t - rw_steady_link_back(l)), 4 * t};
    for (int i = 0; i < 8; i++) {
        int row = base[i / 4] + i % 4;
        c->right[row] += n.b[i];
        for (int j = 0; j <= i; j++)
            *band_at(c, row, base[j / 4] + j % 4) += n.a[i][j];
    }
}

static void add_tie(rw_consensus *c, int a, int b, double difference, double sd)
{
    double w = 1 / (sd * sd);
    *band_at(c, a, a) += w;
    *band_at(c, b, b) += w;
    *band_at(c, MAX(a, b), MIN(a, b)) -= w;
    c->right[a] += w * difference;
    c->right[b] -= w * difference;
}

/* Neighbours hang together: loosely in shift, so that a frame without a link lies between them,
 * and in turn and scale as closely as the scene's own behaviour says. */
static void add_ties(rw_consensus *c)
{
    for (int t = 1; t < c->count; t++) {
        double complex step = c->frame[t].shift - c->frame[t - 1].shift;
        double complex turn = clog(c->frame[t].turn / c->frame[t - 1].turn) * LEVER;
        add_tie(c, 4 * (t - 1), 4 * t, creal(step), LOOSE_TIE);
        add_tie(c, 4 * (t - 1) + 1, 4 * t + 1, cimag(step), LOOSE_TIE);
        add_tie(c, 4 * (t - 1) + 2, 4 * t + 2, creal(turn), c->tie_scale);
        add_tie(c, 4 * (t - 1) + 3, 4 * t + 3, cimag(turn), c->tie_turn);
    }
    for (int i = 0; i < 4; i++) /* the whole may lie anywhere: hold the first where it is */
        *band_at(c, i, i) += 1e4;
}

/* Cholesky's method on the band, in place; the answer is left in c->right. */
static void solve_band(rw_consensus *c)
{
    int n = 4 * c->count;
    double *x = c->right;
    for (int i = 0; i < n; i++) {
        double *row = c->band + (size_t)i * BAND;
        int from = MAX(0, i - BAND + 1);
        for (int j = from; j <= i; j++) {
            const double *other = c->band + (size_t)j * BAND;
            int start = MAX(from, j - BAND + 1);
            double sum = row[j - i + BAND - 1];
            const double *p = row + (start - i + BAND - 1), *q = other + (start - j + BAND - 1);
            for (int k = 0; k < j - start; k++)
                sum -= p[k] * q[k];
            row[j - i + BAND - 1] = j < i ? sum / other[BAND - 1] : sqrt(MAX(sum, 1e-12));
        }
        double sum = x[i];
        for (int j = from; j < i; j++)
            sum -= row[j - i + BAND - 1] * x[j];
        x[i] = sum / row[BAND - 1];
    }
    for (int i = n - 1; i >= 0; i--) {
        const double *row = c->band + (size_t)i * BAND;
        x[i] /= row[BAND - 1];
        for (int j = MAX(0, i - BAND + 1); j < i; j++)
            x[j] -= row[j - i + BAND - 1] * x[i];
    }
}

/* sd of the shift from the frame's own equations. */
static double shift_sd(rw_consensus *c, int t)
{
    double xx = *band_at(c, 4 * t, 4 * t), yy = *band_at(c, 4 * t + 1, 4 * t + 1);
    double xy = *band_at(c, 4 * t + 1, 4 * t);
    double mean = 0.5 * (xx + yy), apart = hypot(0.5 * (xx - yy), xy);
    double least = mean - apart - (t ? 0 : 1e4);
    return least > 4 / (LOOSE_TIE * LOOSE_TIE) ? 1 / sqrt(least) : HUGE_VAL;
}

static void solve_path(rw_consensus *c)
{
    size_t n = (size_t)c->count * 4;
    memset(c->band, 0, sizeof(double) * n * BAND);
    memset(c->right, 0, sizeof(double) * n);
    for (int t = 0; t < c->count; t++)
        for (int l = 0; l < L; l++)
            if (c->first[t * L + l + 1] > c->first[t * L + l])
                add_link(c, t, l);
    add_ties(c);
    for (int t = 0; t < c->count; t++)
        c->frame[t].sd = shift_sd(c, t);
    solve_band(c);
    for (int t = 0; t < c->count; t++) {
        const double *x = c->right + 4 * t;
        double complex grow = 1 + (x[2] + I * x[3]) / LEVER;
        c->frame[t].turn *= grow;
        c->frame[t].shift = grow * c->frame[t].shift + x[0] + I * x[1];
    }
}

/* ---- the odds, given the path ---- */

/* Cauchy's law in the plane about 0, with scale s. */
static double cauchy(double square, double s)
{
    double v = s * s + square;
    return s / (2 * G_PI * v * sqrt(v));
}

/* Fills q and inlier of one link's observations and adds their log-odds to the blocks. */
static void judge_link(rw_consensus *c, int t, int l, double heat)
{
    hop h = hop_between(c, t, t - rw_steady_link_back(l));
    double lost = c->outliers[t * L + l], scale = SPEED * rw_steady_link_back(l);
    for (size_t i = c->first[t * L + l]; i < c->first[t * L + l + 1]; i++) {
        observation *o = &c->obs[i];
        double complex e = o->tx + I * o->ty - expected(c, t, l, h, o);
        double ex = creal(e), ey = cimag(e), kappa2 = c->kappa2[t * B + o->block] * heat * heat;
        double det = sqrt(o->xx * o->yy - o->xy * o->xy);
        double q = o->xx * ex * ex + 2 * o->xy * ex * ey + o->yy * ey * ey;
        double near = det / (2 * G_PI * kappa2) * exp(-0.5 * q / kappa2);
        double other = cauchy(ex * ex + ey * ey, sqrt(scale * scale + kappa2 / det));
        double ratio = (1 - lost) * near / other + lost;
        o->q = (float)q;
        o->inlier = (float)((1 - lost) * near / other / ratio);
        c->odds[t * B + o->block] += (float)log(ratio);
    }
}

/* Means of rows over time, weighted by nearness in time and travel. */
static void spread_in_time(const rw_consensus *c, double time_sd, const float *in, float *out)
{
    int reach = (int)(2 * time_sd);
    for (int t = 0; t < c->count; t++) {
        float *to = out + (size_t)t * B;
        memset(to, 0, sizeof(float) * B);
        for (int u = MAX(0, t - reach); u <= MIN(c->count - 1, t + reach); u++) {
            double dt = (u - t) / time_sd;
            double ds = cabs(c->frame[u].shift - c->frame[t].shift) / SPACE_SD;
            float w = (float)exp(-0.5 * (dt * dt + ds * ds));
            const float *from = in + (size_t)u * B;
            for (int b = 0; b < B; b++)
                to[b] += w * from[b];
        }
    }
}

/* Weights of spread_in_time, summed. */
static double spread_total(const rw_consensus *c, int t)
{
    int reach = (int)(2 * TIME_SD);
    double sum = 0;
    for (int u = MAX(0, t - reach); u <= MIN(c->count - 1, t + reach); u++) {
        double dt = (u - t) / TIME_SD;
        double ds = cabs(c->frame[u].shift - c->frame[t].shift) / SPACE_SD;
        sum += exp(-0.5 * (dt * dt + ds * ds));
    }
    return sum;
}

/* What speaks against background before anything is seen: all of PRIOR where every link reaches,
 * less where the camera moves so fast that only the short ones can say anything. */
static double prior_odds(const rw_consensus *c, int t)
{
    double reach = 0;
    for (int l = 0; l < L; l++)
        reach += 1 - (double)c->outliers[t * L + l];
    return PRIOR * MIN(1.6 * reach / L, 1.0);
}

/* Background probabilities; returns the score per frame. */
static double judge_blocks(rw_consensus *c, double heat, float *spare)
{
    double score = 0;
    spread_in_time(c, TIME_SD, c->odds, spare);
    for (int t = 0; t < c->count; t++) {
        double total = spread_total(c, t), prior = prior_odds(c, t) / heat;
        for (int b = 0; b < B; b++) {
            double odds = CLAMP(spare[t * B + b] / total + prior, -30.0, 500.0);
            c->background[t * B + b] = (float)(1 / (1 + exp(-odds)));
            score += odds > 30 ? odds : log1p(exp(odds));
        }
    }
    return score / c->count;
}

/* Weights of the observations, and how many of a link's background blocks it loses. */
static void weigh(rw_consensus *c, double heat)
{
    for (int t = 0; t < c->count; t++)
        for (int l = 0; l < L; l++) {
            double lost = 0.2, all = 1;
            for (size_t i = c->first[t * L + l]; i < c->first[t * L + l + 1]; i++) {
                observation *o = &c->obs[i];
                float p = c->background[t * B + o->block];
                lost += (double)((p + 0.02f) * (1 - o->inlier));
                all += (double)(p + 0.02f);
                o->weight =
                    p * o->inlier / (float)((double)c->kappa2[t * B + o->block] * heat * heat);
            }
            c->outliers[t * L + l] = (float)CLAMP(lost / all, 0.05, 0.98);
        }
}

/* How far above its forecast each block's noise is. */
static void learn_noise(rw_consensus *c, float *sums, float *spare)
{
    size_t n = (size_t)c->count * B;
    float *squares = sums, *weights = sums + n, *smooth_squares = spare,
          *smooth_weights = spare + n;
    memset(sums, 0, sizeof(float) * 2 * n);
    for (int t = 0; t < c->count; t++)
        for (size_t i = c->first[t * L]; i < c->first[(t + 1) * L]; i++) {
            const observation *o = &c->obs[i];
            float p = c->background[t * B + o->block] * o->inlier;
            squares[t * B + o->block] += p * o->q;
            weights[t * B + o->block] += p;
        }
    spread_in_time(c, TIME_SD, squares, smooth_squares);
    spread_in_time(c, TIME_SD, weights, smooth_weights);
    for (size_t i = 0; i < n; i++)
        c->kappa2[i] = (float)CLAMP((smooth_squares[i] + 0.5) / (2 * smooth_weights[i] + 0.5), 1.0,
                                    KAPPA_MAX * KAPPA_MAX);
}

/* What all blocks drift alike is the path's. */
static void take_common_drift(rw_consensus *c, int t, const float *weight)
{
    float *x = c->drift_x + (size_t)t * B, *y = c->drift_y + (size_t)t * B;
    double sum = 1e-9, sum_x = 0, sum_y = 0;
    for (int b = 0; b < B; b++) {
        sum += (double)weight[b];
        sum_x += (double)(weight[b] * x[b]);
        sum_y += (double)(weight[b] * y[b]);
    }
    for (int b = 0; b < B; b++) {
        x[b] -= (float)(sum_x / sum);
        y[b] -= (float)(sum_y / sum);
    }
}

/* How evenly each block drifts against the path, by the short links. */
static void learn_drift(rw_consensus *c, float *sums, float *spare)
{
    size_t n = (size_t)c->count * B;
    float *x = sums, *y = sums + n, *w = sums + 2 * n;
    memset(sums, 0, sizeof(float) * 3 * n);
    for (int t = 0; t < c->count; t++)
        for (int l = 0; l < DRIFT_LINKS; l++) {
            int back = rw_steady_link_back(l);
            if (t < back)
                continue;
            hop h = hop_between(c, t, t - back);
            for (size_t i = c->first[t * L + l]; i < c->first[t * L + l + 1]; i++) {
                const observation *o = &c->obs[i];
                double complex e = o->tx + I * o->ty - (h.turn * (o->x + I * o->y) + h.shift);
                float weight = o->inlier + 0.1f;
                if (cabs(e) > DRIFT_MOST * back)
                    continue;
                x[t * B + o->block] += weight * (float)creal(e) / (float)back;
                y[t * B + o->block] += weight * (float)cimag(e) / (float)back;
                w[t * B + o->block] += weight;
            }
        }
    float *smooth[3] = {spare, spare + n, spare + 2 * n};
    for (int k = 0; k < 3; k++)
        spread_in_time(c, DRIFT_SD, sums + (size_t)k * n, smooth[k]);
    for (size_t i = 0; i < n; i++) {
        c->drift_x[i] = smooth[0][i] / (smooth[2][i] + 0.2f);
        c->drift_y[i] = smooth[1][i] / (smooth[2][i] + 0.2f);
    }
    for (int t = 0; t < c->count; t++)
        take_common_drift(c, t, smooth[2] + (size_t)t * B);
}

static double median(double *v, int n)
{
    if (n == 0)
        return 0;
    qsort(v, (size_t)n, sizeof *v, rw_compare_doubles);
    return v[n / 2];
}

/* How much neighbours differ in scale (which 2) or turn (3): each link of one frame by itself
 * gives a figure and its variance; what the figures scatter beyond those is the scene's own. */
static double learn_tie(const rw_consensus *c, int which)
{
    double *figure = g_new(double, c->count), *variance = g_new(double, c->count);
    int n = 0;
    for (int t = 1; t < c->count; t++) {
        normal8 link = link_normal(c, t, 0);
        double a[4][4], inverse = 0, step = 0;
        for (int i = 0; i < 4; i++)
            for (int j = 0; j < 4; j++)
                a[i][j] = link.a[4 + MAX(i, j)][4 + MIN(i, j)];
        /* Gauss and Jordan on [a | b e_which] */
        double rhs[4][2] = {{0}};
        for (int i = 0; i < 4; i++) {
            rhs[i][0] = link.b[4 + i];
            rhs[i][1] = i == which;
            a[i][i] += 1e-6;
        }
        for (int k = 0; k < 4; k++)
            for (int i = 0; i < 4; i++)
                if (i != k) {
                    double f = a[i][k] / a[k][k];
                    for (int j = 0; j < 4; j++)
                        a[i][j] -= f * a[k][j];
                    rhs[i][0] -= f * rhs[k][0];
                    rhs[i][1] -= f * rhs[k][1];
                }
        step = rhs[which][0] / a[which][which];
        inverse = rhs[which][1] / a[which][which];
        if (!(inverse > 0 && inverse < 25))
            continue;
        double complex now = clog(c->frame[t].turn / c->frame[t - 1].turn) * LEVER;
        figure[n] = fabs((which == 2 ? creal(now) : cimag(now)) + step);
        variance[n++] = inverse;
    }
    double scatter = 1.4826 * median(figure, n), own = median(variance, n);
    g_free(figure);
    g_free(variance);
    return sqrt(MAX(scatter * scatter - 2 * own, 0));
}

static void learn_ties(rw_consensus *c)
{
    c->tie_scale = MAX(learn_tie(c, 2), LEAST_TIE);
    c->tie_turn = MAX(learn_tie(c, 3), LEAST_TIE);
}

/* ---- starts ---- */

static void reset_noise(rw_consensus *c)
{
    for (size_t i = 0; i < (size_t)c->count * B; i++)
        c->kappa2[i] = 1;
    for (size_t i = 0; i < (size_t)c->count * L; i++)
        c->outliers[i] = 0.2f;
}

static void start_still(rw_consensus *c)
{
    for (int t = 0; t < c->count; t++)
        c->frame[t] = (rw_consensus_frame){.turn = 1};
    reset_noise(c);
    c->tie_scale = c->tie_turn = c->rigid ? LEAST_TIE : START_TIE;
}

static void start_even(rw_consensus *c)
{
    start_still(c);
    for (size_t i = 0; i < c->first[c->count * L]; i++)
        c->obs[i].weight = 1;
}

#define STEP_CHUNK 48 /* frames over which blocks are asked to keep step */
#define STEP_EVERY 3  /* of which every so many is looked at */
#define STEP_SD    0.15

/* Log-odds that two blocks of one link move as one. */
static double in_step(const observation *a, const observation *b, rw_sym2 ca, rw_sym2 cb,
                      double scale)
{
    double ex = (a->tx - a->x) - (b->tx - b->x), ey = (a->ty - a->y) - (b->ty - b->y);
    double xx = ca.xx + cb.xx + STEP_SD * STEP_SD, yy = ca.yy + cb.yy + STEP_SD * STEP_SD;
    double xy = ca.xy + cb.xy, det = xx * yy - xy * xy, root = sqrt(det);
    double q = (yy * ex * ex - 2 * xy * ex * ey + xx * ey * ey) / det;
    double near = exp(-0.5 * q) / (2 * G_PI * root);
    double other = cauchy(ex * ex + ey * ey, sqrt(scale * scale + root));
    return log(0.9 * near / other + 0.1);
}

static void gather_steps(const rw_consensus *c, int t, int from, double *together)
{
    for (int l = from; l < L; l++) {
        const observation *o = &c->obs[c->first[t * L + l]];
        int n = (int)(c->first[t * L + l + 1] - c->first[t * L + l]);
        rw_sym2 cov[B];
        for (int i = 0; i < n; i++)
            cov[i] = sym2_invert((rw_sym2){o[i].xx, o[i].xy, o[i].yy});
        double scale = SPEED * rw_steady_link_back(l);
        for (int i = 0; i < n; i++)
            for (int j = 0; j < i; j++)
                together[o[i].block * B + o[j].block] +=
                    in_step(&o[i], &o[j], cov[i], cov[j], scale);
    }
}

/* The strongest direction of the matrix of blocks in step: the largest body. */
static void leading_body(const double *together, double body[B])
{
    double next[B];
    for (int i = 0; i < B; i++)
        body[i] = 1;
    for (int round = 0; round < 100; round++) {
        double most = 0;
        memset(next, 0, sizeof next);
        for (int i = 0; i < B; i++)
            for (int j = 0; j < i; j++) {
                double v = MAX(together[i * B + j], 0.0);
                next[i] += v * body[j];
                next[j] += v * body[i];
            }
        for (int i = 0; i < B; i++)
            most = MAX(most, next[i]);
        for (int i = 0; i < B; i++)
            body[i] = most > 0 ? next[i] / most : 0;
    }
}

static void start_in_step(rw_consensus *c, int from_link)
{
    start_still(c);
    double *together = g_new(double, B *B), body[B];
    for (int from = 0; from < c->count; from += STEP_CHUNK) {
        int to = MIN(from + STEP_CHUNK, c->count);
        memset(together, 0, sizeof(double) * B * B);
        for (int t = from; t < to; t += STEP_EVERY)
            gather_steps(c, t, from_link, together);
        leading_body(together, body);
        for (size_t i = c->first[from * L]; i < c->first[to * L]; i++)
            c->obs[i].weight = (float)(body[c->obs[i].block] * body[c->obs[i].block]);
    }
    g_free(together);
}

/* ---- the run ---- */

/* Rounds of expectation and maximisation from the path as it lies. */
static double run_rounds(rw_consensus *c, const double *heat, int rounds)
{
    size_t n = (size_t)c->count * B;
    float *spare = g_new(float, 6 * n);
    double score = 0;
    for (int i = 0; i < rounds; i++) {
        memset(c->odds, 0, sizeof(float) * n);
        for (int t = 0; t < c->count; t++)
            for (int l = 0; l < L; l++)
                judge_link(c, t, l, heat[i]);
        score = judge_blocks(c, heat[i], spare);
        if (heat[i] <= 1)
            learn_noise(c, spare, spare + 2 * n);
        weigh(c, heat[i]);
        if (c->drifting)
            learn_drift(c, spare, spare + 3 * n);
        if (heat[i] <= 1 && !c->rigid)
            learn_ties(c);
        solve_path(c);
    }
    g_free(spare);
    return score;
}

/* The same from the weights that a start gave. */
static double run_from_here(rw_consensus *c, const double *heat, int rounds)
{
    solve_path(c);
    return run_rounds(c, heat, rounds);
}

static void start_drift(rw_consensus *c)
{
    float *spare = g_new(float, 6 * (size_t)c->count * B);
    for (size_t i = 0; i < c->first[c->count * L]; i++)
        c->obs[i].inlier = 1;
    learn_drift(c, spare, spare + 3 * (size_t)c->count * B);
    g_free(spare);
}

static void count_background(rw_consensus *c)
{
    for (int t = 0; t < c->count; t++) {
        double sum = 0;
        for (int b = 0; b < B; b++)
            sum += (double)c->background[t * B + b];
        c->frame[t].background = sum / B;
    }
}

static const double cooling[] = {16, 12, 8, 6, 4, 3, 2, 1.5, 1, 1, 1, 1, 1, 1};
static const double cold[] = {1, 1, 1, 1, 1, 1, 1, 1};

/* A way of looking at the scene and what came of it. */
typedef struct outcome {
    rw_consensus_frame *frame;
    float *background;
    double tie_turn, tie_scale, score;
} outcome;

static void outcome_clear(outcome *o)
{
    g_free(o->frame);
    g_free(o->background);
}

static outcome keep_outcome(const rw_consensus *c, double score)
{
    size_t frames = (size_t)c->count;
    outcome o = {g_new(rw_consensus_frame, frames), g_new(float, frames *B), c->tie_turn,
                 c->tie_scale, score};
    memcpy(o.frame, c->frame, sizeof *o.frame * frames);
    memcpy(o.background, c->background, sizeof *o.background * frames * B);
    return o;
}

/* ---- frames that lost the others ---- */

#define LOST_SD    0.02 /* px, or so many times what is usual in the scene */
#define LOST_TIMES 2.5
#define FOUND_NEAR 0.5 /* px within which blocks agree on a place, half of them */
#define FOUND_SUM  3.0 /* blocks' worth of agreement without which there is no place */

/* Where a frame's shift would be if a block were background, and how likely that is. */
typedef struct claim {
    double complex at;
    double weight;
} claim;

/* What a block of frame t that was seen on frame u says of t; or of u, where t is known. */
static double complex implied_by_now(const rw_consensus *c, int t, int u, const observation *o)
{
    double complex turn = c->frame[u].turn / c->frame[t].turn;
    return o->x + I * o->y + (c->frame[u].shift - (o->tx + I * o->ty)) / turn;
}

static double complex implied_by_then(const rw_consensus *c, int t, int u, const observation *o)
{
    double complex turn = c->frame[u].turn / c->frame[t].turn;
    return o->tx + I * o->ty - turn * (o->x + I * o->y - c->frame[t].shift);
}

/* Claims of link l of frame t about one of its two frames; how many. */
static size_t gather_claims(const rw_consensus *c, int t, int l, bool of_then, double lost_sd,
                            claim *claims)
{
    int u = t - rw_steady_link_back(l);
    size_t n = 0;
    if (u < 0 || t >= c->count || !(c->frame[of_then ? t : u].sd < lost_sd))
        return 0;
    for (size_t i = c->first[t * L + l]; i < c->first[t * L + l + 1]; i++) {
        const observation *o = &c->obs[i];
        double weight = (double)c->background[t * B + o->block];
        if (weight > 0.2)
            claims[n++] =
                (claim){of_then ? implied_by_then(c, t, u, o) : implied_by_now(c, t, u, o), weight};
    }
    return n;
}

/* A start that had little to go by on one frame may leave it beside the truth for good. Its blocks
 * are known from the frames around: most of them say where it lies. */
static bool find_frame(rw_consensus *c, int t, double lost_sd)
{
    claim *claims = g_new(claim, 2 * L * B);
    double complex best = 0;
    double most = FOUND_SUM;
    size_t n = 0;
    c->frame[t].turn = c->frame[t ? t - 1 : 1].turn;
    for (int l = 0; l < L; l++) {
        n += gather_claims(c, t, l, false, lost_sd, claims + n);
        n += gather_claims(c, t + rw_steady_link_back(l), l, true, lost_sd, claims + n);
    }
    for (size_t i = 0; i < n; i++) {
        double sum = 0;
        for (size_t k = 0; k < n; k++) {
            double apart = cabs(claims[k].at - claims[i].at) / FOUND_NEAR;
            sum += claims[k].weight / (1 + apart * apart);
        }
        if (sum > most) {
            most = sum;
            best = claims[i].at;
        }
    }
    bool found = most > FOUND_SUM;
    if (found)
        c->frame[t].shift = best;
    g_free(claims);
    return found;
}

static bool find_lost(rw_consensus *c)
{
    bool any = false;
    double *sd = g_new(double, c->count);
    for (int t = 0; t < c->count; t++)
        sd[t] = c->frame[t].sd;
    double lost_sd = MAX(LOST_SD, LOST_TIMES * median(sd, c->count));
    for (int t = 0; t < c->count && c->count > 1; t++)
        if (!(c->frame[t].sd < lost_sd))
            any = find_frame(c, t, lost_sd) || any;
    g_free(sd);
    return any;
}

static void take_outcome(rw_consensus *c, const outcome *o)
{
    memcpy(c->frame, o->frame, sizeof *c->frame * (size_t)c->count);
    memcpy(c->background, o->background, sizeof(float) * (size_t)c->count * B);
    c->tie_turn = o->tie_turn;
    c->tie_scale = o->tie_scale;
}

/* Bodies that keep step over long distances are the safest start, all blocks alike the least safe:
 * a half-still foreground may buy a few points with many blocks. A camera that neither turns nor
 * zooms is the safest to suppose: at the picture's edges a slow body poses as either. What is less
 * safe must be likelier by so much. */
#define MUST_LEAD      1.15
#define FREE_MUST_LEAD 1.25
#define LONG_LINK      3 /* from which on a start asks for steps kept over long distances only */

/* Ways of looking at the scene, the safest first: leaves the likeliest of them in place, less safe
 * ones only where they lead. */
static double choose_way(rw_consensus *c, outcome *o, int count)
{
    int best = 0;
    for (int i = 1; i < count; i++)
        if (o[i].score > MUST_LEAD * o[best].score)
            best = i;
    double score = o[best].score;
    take_outcome(c, &o[best]);
    for (int i = 0; i < count; i++)
        outcome_clear(&o[i]);
    return score;
}

static double run_rigid(rw_consensus *c)
{
    outcome o[3];
    c->rigid = true;
    start_in_step(c, LONG_LINK);
    o[0] = keep_outcome(c, run_from_here(c, cold, G_N_ELEMENTS(cold)));
    start_in_step(c, 0);
    o[1] = keep_outcome(c, run_from_here(c, cold, G_N_ELEMENTS(cold)));
    start_even(c);
    o[2] = keep_outcome(c, run_from_here(c, cooling, G_N_ELEMENTS(cooling)));
    return choose_way(c, o, 3);
}

/* Goes on from where the rigid one ended, or from all blocks alike. */
static double run_free(rw_consensus *c)
{
    outcome o[2];
    c->rigid = false;
    c->tie_scale = c->tie_turn = START_TIE;
    reset_noise(c);
    o[0] = keep_outcome(c, run_rounds(c, cold, G_N_ELEMENTS(cold)));
    start_even(c);
    o[1] = keep_outcome(c, run_from_here(c, cooling, G_N_ELEMENTS(cooling)));
    return choose_way(c, o, 2);
}

static void run_tight(rw_consensus *c)
{
    c->drifting = false;
    double rigid = run_rigid(c);
    outcome kept = keep_outcome(c, rigid);
    double free = run_free(c);
    if (free <= FREE_MUST_LEAD * rigid) {
        take_outcome(c, &kept);
        c->rigid = true;
    }
    outcome_clear(&kept);
    reset_noise(c);
    for (int i = 0; i < 2 && find_lost(c); i++)
        run_rounds(c, cold, 4);
    run_rounds(c, cold, 2); /* odds and weights are this path's again */
    c->rigid = false;
}

static void run_drifting(rw_consensus *c)
{
    start_even(c);
    c->drifting = true;
    start_drift(c);
    run_from_here(c, cooling, G_N_ELEMENTS(cooling));
}

/* ---- frames that hang on nothing ---- */

#define HOLD_SHARE 0.1 /* of the blocks by which a link usually holds two frames together */

/* Blocks by which a link holds its two frames together. */
static double hold_of(const rw_consensus *c, int t, int l)
{
    double sum = 0;
    for (size_t i = c->first[t * L + l]; i < c->first[t * L + l + 1]; i++)
        sum += (double)(c->background[t * B + c->obs[i].block] * c->obs[i].inlier);
    return sum;
}

static double usual_hold(const rw_consensus *c)
{
    double *v = g_new(double, c->count *L);
    int n = 0;
    for (int i = 0; i < c->count * L; i++)
        if (c->first[i + 1] > c->first[i])
            v[n++] = hold_of(c, i / L, i % L);
    double usual = median(v, n);
    g_free(v);
    return usual;
}

static int root_of(int *parent, int t)
{
    while (parent[t] != t)
        t = parent[t] = parent[parent[t]];
    return t;
}

/* Frames that show something else altogether, a hand before the lens, agree among themselves and
 * say nothing of where the scene lies on them: whatever does not hang on the largest part of the
 * scene is not known. */
static void forget_islands(rw_consensus *c)
{
    double least = MAX(HOLD_SHARE * usual_hold(c), 1e-3);
    int *parent = g_new(int, c->count), *size = g_new0(int, c->count), largest = 0;
    for (int t = 0; t < c->count; t++)
        parent[t] = t;
    for (int t = 0; t < c->count; t++)
        for (int l = 0; l < L; l++)
            if (c->first[t * L + l + 1] > c->first[t * L + l] && hold_of(c, t, l) >= least)
                parent[root_of(parent, t)] = root_of(parent, t - rw_steady_link_back(l));
    for (int t = 0; t < c->count; t++)
        size[root_of(parent, t)]++;
    for (int t = 1; t < c->count; t++)
        if (size[t] > size[largest])
            largest = t;
    for (int t = 0; t < c->count; t++)
        if (root_of(parent, t) != largest)
            c->frame[t].sd = HUGE_VAL;
    g_free(parent);
    g_free(size);
}

void rw_consensus_left(const rw_consensus *c, int t, double *x, double *y)
{
    double weight = 0;
    double complex sum = 0;
    *x = *y = NAN;
    if (t == 0 || isinf(c->frame[t].sd) || isinf(c->frame[t - 1].sd))
        return;
    hop h = hop_between(c, t, t - 1);
    for (size_t i = c->first[t * L]; i < c->first[t * L + 1]; i++) {
        const observation *o = &c->obs[i];
        double w =
            (double)c->background[t * B + o->block] * (double)o->inlier * (double)MIN(o->xx, o->yy);
        sum += w * (o->tx + I * o->ty - expected(c, t, 0, h, o));
        weight += w;
    }
    if (weight > 0) {
        *x = -creal(sum) / weight;
        *y = -cimag(sum) / weight;
    }
}

rw_consensus_frame *rw_consensus_run(rw_consensus *c, bool drifting)
{
    if (drifting)
        run_drifting(c);
    else
        run_tight(c);
    forget_islands(c);
    count_background(c);
    return c->frame;
}
