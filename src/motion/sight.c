/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * sight.c - where each block of a frame lies on an earlier frame.
 *
 * Three steps per pair. A full search on the coarse planes gives every block a surface of
 * differences; the surfaces vote, and their peaks are movements that many blocks could share. Each
 * block then starts from its own best place and from the peaks, and keeps whichever leads to
 * the best match. Gradient steps at level 1 and level 0 take it below the pixel: the inverse-
 * compositional form (Baker and Matthews 2004), with the template's gradients freed of what a
 * change of gain or offset could explain, so that flicker does not move anything.
 */
#include <math.h>

#include "motion/block.h"
#include "motion/steady.h"

#define SIDE   (2 * RW_STEADY_RANGE + 1)
#define PEAKS  3
#define STARTS (PEAKS + 1)

int rw_steady_link_back(int link)
{
    return 1 << link;
}

rw_point rw_steady_block_centre(const rw_steady_sight *sight, int block)
{
    int x, y;
    rw_steady_block_origin(sight->width, sight->height, block, &x, &y);
    return (rw_point){x + 0.5 * (RW_STEADY_BLOCK - 1), y + 0.5 * (RW_STEADY_BLOCK - 1)};
}

/* A block of the frame as template: zero mean, gradients that neither a constant nor the block
 * itself explains. gxx, gxy, gyy are sums of products of those gradients. */
typedef struct template
{
    int x, y; /* first pixel */
    float energy, gxx, gxy, gyy;
    float *t, *gx, *gy;
}
template;

/* All blocks of one level; width px each way. */
typedef struct template_set {
    int width;
    template block[RW_STEADY_BLOCKS];
    float *memory;
} template_set;

static double sum_product(const float *a, const float *b, int n)
{
    double sum = 0;
    for (int i = 0; i < n; i++)
        sum += (double)a[i] * (double)b[i];
    return sum;
}

static void take_mean(float *a, int n)
{
    double sum = 0;
    for (int i = 0; i < n; i++)
        sum += (double)a[i];
    float mean = (float)(sum / n);
    for (int i = 0; i < n; i++)
        a[i] -= mean;
}

static void free_of(float *g, const float *t, double energy, int n)
{
    take_mean(g, n);
    if (energy <= 0)
        return;
    float share = (float)(sum_product(g, t, n) / energy);
    for (int i = 0; i < n; i++)
        g[i] -= share * t[i];
}

static void template_cut(template *b, rw_plane p, int width)
{
    int n = width * width;
    for (int y = 0; y < width; y++)
        for (int x = 0; x < width; x++) {
            const float *at = p.px + (b->y + y) * p.stride + b->x + x;
            int i = y * width + x;
            b->t[i] = *at;
            b->gx[i] = 0.5f * (at[1] - at[-1]);
            b->gy[i] = 0.5f * (at[p.stride] - at[-p.stride]);
        }
    take_mean(b->t, n);
    double energy = sum_product(b->t, b->t, n);
    free_of(b->gx, b->t, energy, n);
    free_of(b->gy, b->t, energy, n);
    b->energy = (float)energy;
    b->gxx = (float)sum_product(b->gx, b->gx, n);
    b->gxy = (float)sum_product(b->gx, b->gy, n);
    b->gyy = (float)sum_product(b->gy, b->gy, n);
}

static void template_set_make(template_set *set, const rw_steady_imprint *im, int level)
{
    set->width = RW_STEADY_BLOCK >> level;
    size_t n = (size_t)set->width * (size_t)set->width;
    set->memory = g_new(float, 3 * n * RW_STEADY_BLOCKS);
    for (int i = 0; i < RW_STEADY_BLOCKS; i++) {
        template *b = &set->block[i];
        rw_steady_block_origin(im->level[0].width, im->level[0].height, i, &b->x, &b->y);
        b->x >>= level;
        b->y >>= level;
        b->t = set->memory + 3 * n * (size_t)i;
        b->gx = b->t + n;
        b->gy = b->gx + n;
        template_cut(b, im->level[level], set->width);
    }
}

/* ---- coarse search ---- */

/* The window of a block on the coarse plane: first pixel. The plane's pixel i has its centre at
 * level 0 pixel 4 i + 1.5. */
static void coarse_window(const rw_steady_imprint *im, int block, int *x, int *y)
{
    int bx, by;
    rw_steady_block_origin(im->level[0].width, im->level[0].height, block, &bx, &by);
    *x = (bx + RW_STEADY_BLOCK / 2) / 4 - RW_BLOCK_SEARCH_W / 2;
    *y = (by + RW_STEADY_BLOCK / 2) / 4 - RW_BLOCK_SEARCH_H / 2;
}

typedef struct coarse_search {
    uint16_t surface[RW_STEADY_BLOCKS][SIDE * SIDE];
    float votes[SIDE * SIDE];
    int best[RW_STEADY_BLOCKS]; /* index into the surface */
    int peak[PEAKS], n_peaks;
} coarse_search;

/* A block's vote for a movement falls from 1 at its best place to 0 where the difference is a
 * quarter above it: an edge votes for a line, a plain block for everything, which decides
 * nothing. */
static void vote(coarse_search *s, int block)
{
    const uint16_t *surface = s->surface[block];
    int best = 0;
    for (int i = 1; i < SIDE * SIDE; i++)
        if (surface[i] < surface[best])
            best = i;
    s->best[block] = best;
    float least = (float)surface[best];
    float fall = 1.0f / (0.25f * least + 3.0f * RW_BLOCK_SEARCH_W * RW_BLOCK_SEARCH_H);
    for (int i = 0; i < SIDE * SIDE; i++)
        s->votes[i] += MAX(0.0f, 1.0f - ((float)surface[i] - least) * fall);
}

static void find_peaks(coarse_search *s)
{
    float votes[SIDE * SIDE];
    memcpy(votes, s->votes, sizeof votes);
    s->n_peaks = 0;
    while (s->n_peaks < PEAKS) {
        int best = 0;
        for (int i = 1; i < SIDE * SIDE; i++)
            if (votes[i] > votes[best])
                best = i;
        if (votes[best] <= 0)
            break;
        s->peak[s->n_peaks++] = best;
        for (int y = MAX(0, best / SIDE - 2); y <= MIN(SIDE - 1, best / SIDE + 2); y++)
            for (int x = MAX(0, best % SIDE - 2); x <= MIN(SIDE - 1, best % SIDE + 2); x++)
                votes[y * SIDE + x] = 0;
    }
}

static void search(coarse_search *s, const rw_block_dsp *dsp, const rw_steady_imprint *now,
                   const rw_steady_imprint *before)
{
    memset(s->votes, 0, sizeof s->votes);
    for (int b = 0; b < RW_STEADY_BLOCKS; b++) {
        int x, y;
        coarse_window(now, b, &x, &y);
        dsp->surface(now->coarse + y * now->coarse_stride + x, now->coarse_stride,
                     before->coarse + (y - RW_STEADY_RANGE) * before->coarse_stride + x -
                         RW_STEADY_RANGE,
                     before->coarse_stride, SIDE, s->surface[b]);
        vote(s, b);
    }
    find_peaks(s);
}

/* ---- refinement ---- */

typedef struct place {
    float dx, dy; /* px of the level */
    float match;  /* correlation, -1 when it ran out of the picture */
} place;

/* Correlation at a place and the step towards a better one. False outside of the picture. */
static bool step(const rw_block_dsp *dsp, const template *b, int width, rw_plane p, place *at,
                 float *sx, float *sy)
{
    float px = (float)b->x + at->dx, py = (float)b->y + at->dy;
    float left = floorf(px), top = floorf(py);
    if (!(left >= 0 && top >= 0 && left + (float)width < (float)p.width &&
          top + (float)width < (float)p.height))
        return false;
    float sum[5];
    dsp->gather(b->t, b->gx, b->gy, p.px + (ptrdiff_t)top * p.stride + (ptrdiff_t)left, p.stride,
                px - left, py - top, width, sum);
    float energy = sum[4] - sum[3] * sum[3] / (float)(width * width);
    at->match = energy > 0 && b->energy > 0 ? sum[2] / sqrtf(energy * b->energy) : 0;
    *sx = *sy = 0;
    float gain = sum[2] / MAX(b->energy, 1e-20f);
    if (gain <= 0.05f)
        return true;
    /* Along an edge nothing holds the block: a small weight keeps it where it is. */
    float ease = 0.01f * (b->gxx + b->gyy) + 1e-12f;
    float xx = b->gxx + ease, yy = b->gyy + ease, xy = b->gxy;
    float det = (xx * yy - xy * xy) * gain;
    *sx = CLAMP(-(yy * sum[0] - xy * sum[1]) / det, -1.0f, 1.0f);
    *sy = CLAMP(-(xx * sum[1] - xy * sum[0]) / det, -1.0f, 1.0f);
    return true;
}

/* Up to `steps` steps; ends on the place at which match was read. */
static place refine(const rw_block_dsp *dsp, const template *b, int width, rw_plane p, place at,
                    int steps)
{
    for (int i = 0;; i++) {
        float sx, sy;
        if (!step(dsp, b, width, p, &at, &sx, &sy)) {
            at.match = -1;
            return at;
        }
        if (i == steps || sx * sx + sy * sy < 4e-6f)
            return at;
        at.dx += sx;
        at.dy += sy;
    }
}

/* The larger of the two: a block on an edge is worth keeping. */
static double firmness(const template_set *set, int level, int block, float match)
{
    const template *b = &set->block[block];
    double n = set->width * set->width / MAX((double)b->energy, 1e-20);
    rw_sym2 i = rw_steady_information(
        level, MAX((double)match, 0.0),
        (rw_sym2){(double)b->gxx * n, (double)b->gxy * n, (double)b->gyy * n});
    return i.xx + i.yy;
}

/* Level at which the place was found, or -1. The place is in px of level 0. */
static int refine_block(const rw_block_dsp *dsp, const coarse_search *s, const template_set sets[2],
                        const rw_steady_imprint *before, int block, place *found)
{
    int start[STARTS], n = 0;
    start[n++] = s->best[block];
    for (int i = 0; i < s->n_peaks; i++)
        if (s->peak[i] != s->best[block])
            start[n++] = s->peak[i];
    place half = {.match = -1};
    for (int i = 0; i < n; i++) {
        place p = {.dx = 2.0f * (float)(start[i] % SIDE - RW_STEADY_RANGE),
                   .dy = 2.0f * (float)(start[i] / SIDE - RW_STEADY_RANGE)};
        p = refine(dsp, &sets[1].block[block], sets[1].width, before->level[1], p, 3);
        if (p.match > half.match)
            half = p;
    }
    if (half.match <= 0)
        return -1;
    place full = {2 * half.dx, 2 * half.dy, 0};
    full = refine(dsp, &sets[0].block[block], sets[0].width, before->level[0], full, 6);
    half = refine(dsp, &sets[1].block[block], sets[1].width, before->level[1], half, 4);
    half.dx *= 2;
    half.dy *= 2;
    bool fine = full.match > 0 && firmness(&sets[0], 0, block, full.match) >=
                                      firmness(&sets[1], 1, block, half.match);
    *found = fine ? full : half;
    return found->match > 0 ? !fine : -1;
}

static uint8_t encode_match(float match, int level)
{
    long code = lrintf(-8.0f * log2f(1.0f - MIN(match, 0.99999f)));
    return (uint8_t)(2 * CLAMP(code, 1, 127) + level);
}

static void look_link(rw_steady_sight *sight, int link, const rw_block_dsp *dsp,
                      const template_set sets[2], const rw_steady_imprint *now,
                      const rw_steady_imprint *before)
{
    if (before->level[0].width != now->level[0].width ||
        before->level[0].height != now->level[0].height)
        return; /* a still of another size: nothing can be said */
    coarse_search *s = g_new(coarse_search, 1);
    search(s, dsp, now, before);
    for (int b = 0; b < RW_STEADY_BLOCKS; b++) {
        place p;
        int level = refine_block(dsp, s, sets, before, b, &p);
        if (level < 0 || fabsf(p.dx) > 127 || fabsf(p.dy) > 127)
            continue;
        sight->dx[link][b] = (int16_t)lrintf(256.0f * p.dx);
        sight->dy[link][b] = (int16_t)lrintf(256.0f * p.dy);
        sight->match[link][b] = encode_match(p.match, level);
    }
    g_free(s);
}

void rw_steady_look(const rw_steady_imprint *now,
                    const rw_steady_imprint *const before[RW_STEADY_LINKS], rw_steady_sight *sight)
{
    memset(sight, 0, sizeof *sight);
    sight->version = RW_STEADY_VERSION;
    sight->width = now->level[0].width;
    sight->height = now->level[0].height;
    sight->contrast = now->contrast;
    sight->to_still = now->to_still;
    template_set sets[2];
    for (int level = 0; level < 2; level++)
        template_set_make(&sets[level], now, level);
    for (int level = 0; level < 2; level++)
        for (int i = 0; i < RW_STEADY_BLOCKS; i++) {
            const template *b = &sets[level].block[i];
            int n = sets[level].width * sets[level].width;
            float scale = b->energy > 0 ? (float)n / b->energy : 0;
            sight->xx[level][i] = b->gxx * scale;
            sight->xy[level][i] = b->gxy * scale;
            sight->yy[level][i] = b->gyy * scale;
        }
    rw_block_dsp dsp;
    rw_block_dsp_init(&dsp, rw_cpu_level());
    for (int link = 0; link < RW_STEADY_LINKS; link++)
        if (before[link])
            look_link(sight, link, &dsp, sets, now, before[link]);
    for (int level = 0; level < 2; level++)
        g_free(sets[level].memory);
}
