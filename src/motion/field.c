/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "base/lanes.h"
#include "base/select.h"
#include "motion/field.h"

#define BORDER      RW_MOTION_BORDER
#define VARIANCE    6.0f
#define DRIFT       0.01f
#define CONTENT     1.2f  /* times the noise: a match that need not be bettered */
#define WIDE_LEVEL  1     /* half resolution */
#define WIDE_REACH  16    /* px of that level */
#define SMALL_STEP  0.1f  /* px: the next would be far smaller yet */
#define CELL_AREA   64.0f /* px of the window that chooses for a cell */
#define CELL_PRICE  0.3f  /* of leaving the own block's vector, in units of lambda */
#define WINDOW_AREA ((float)(RW_MOTION_WINDOW * RW_MOTION_WINDOW))

/* ---- the pyramid ---- */

static ptrdiff_t level_stride(int width)
{
    return ((ptrdiff_t)width + 2 * BORDER + 31) & ~(ptrdiff_t)15;
}

static size_t level_floats(int width, int height)
{
    return (size_t)level_stride(width) * (size_t)(height + 2 * BORDER);
}

/* Luma on 0..255, roughly even to the eye. Green counts half: it carries the least grain. */
static void luma_row(float *out, const rw_frame *frame, int y)
{
    const float *r = frame->plane[0] + y * frame->stride;
    const bool colour = frame->plane[1] != NULL;
    const float *g = colour ? frame->plane[1] + y * frame->stride : r;
    const float *b = colour ? frame->plane[2] + y * frame->stride : r;
    const int width = frame->width;
    for (int x = 0; x < width; x++)
        out[x] = 0.5f * g[x] + 0.25f * (r[x] + b[x]);
    if (frame->domain == RW_DOMAIN_DENSITY) {
        for (int x = 0; x < width; x++)
            out[x] = 1.0f - 0.4f * out[x];
    }
    /* what is no number becomes 0 */
    for (int x = 0; x < width; x++)
        out[x] = out[x] > 0.0f ? (out[x] < 4.0f ? out[x] : 4.0f) : 0.0f;
    if (frame->domain == RW_DOMAIN_LINEAR) {
        for (int x = 0; x < width; x++)
            out[x] = sqrtf(out[x]);
    }
    for (int x = 0; x < width; x++)
        out[x] *= 255.0f;
    out[-1] = out[0];
    for (int x = 0; x < 17; x++)
        out[width + x] = out[width - 1];
}

/* Fills the border of a level whose inside is done by repeating its edge. */
static void repeat_edge(rw_plane p)
{
    for (int y = 0; y < p.height; y++) {
        float *row = p.px + y * p.stride;
        for (int x = 1; x <= BORDER; x++)
            row[-x] = row[0];
        for (int x = 0; x < (int)p.stride - p.width - BORDER; x++)
            row[p.width + x] = row[p.width - 1];
    }
    const float *first = p.px - BORDER, *last = first + (p.height - 1) * p.stride;
    for (int y = 1; y <= BORDER; y++) {
        memcpy(p.px - BORDER - y * p.stride, first, (size_t)p.stride * sizeof(float));
        memcpy(p.px - BORDER + (p.height - 1 + y) * p.stride, last,
               (size_t)p.stride * sizeof(float));
    }
}

/* Level 0: luma, lightly smoothed, so that grain weighs less than shape. */
static void build_base(rw_plane out, const rw_frame *frame, const rw_motion_dsp *dsp,
                       float *scratch)
{
    const ptrdiff_t row_floats = level_stride(frame->width);
    float *ring[3];
    for (int i = 0; i < 3; i++)
        ring[i] = scratch + i * row_floats + 16;
    luma_row(ring[0], frame, 0);
    luma_row(ring[1], frame, 0);
    for (int y = 0; y < frame->height; y++) {
        luma_row(ring[(y + 2) % 3], frame, MIN(y + 1, frame->height - 1));
        const float *rows[3] = {ring[y % 3], ring[(y + 1) % 3], ring[(y + 2) % 3]};
        dsp->smooth(out.px + y * out.stride, rows, frame->width);
    }
}

static void build_half(rw_plane out, rw_plane in, const rw_motion_dsp *dsp, float *scratch)
{
    for (int y = 0; y < out.height; y++) {
        const float *rows[4];
        for (int i = 0; i < 4; i++)
            rows[i] = in.px + (2 * y - 1 + i) * in.stride;
        dsp->halve(out.px + y * out.stride, rows, scratch, out.width);
    }
}

/* How many levels a picture of this size has, and the floats of all of them. */
static int count_levels(int w, int h, size_t *floats)
{
    int levels = 0;
    *floats = 0;
    while (levels < RW_MOTION_LEVELS && (levels == 0 || MIN(w, h) >= 24)) {
        *floats += level_floats(w, h);
        levels++;
        w = (w + 1) / 2;
        h = (h + 1) / 2;
    }
    return levels;
}

#define TAKEN_WITH ((size_t)8192) /* bytes that the pool rounds up by and adds, at most */

size_t rw_motion_picture_bytes(int width, int height)
{
    size_t floats;
    count_levels(width, height, &floats);
    return floats * (sizeof(float) + sizeof(int16_t)) + TAKEN_WITH;
}

bool rw_motion_picture_init(rw_motion_picture *picture, rw_pool *pool, const rw_frame *frame,
                            GError **error)
{
    memset(picture, 0, sizeof *picture);
    size_t total;
    const int levels = count_levels(frame->width, frame->height, &total);
    rw_buffer *scratch =
        rw_pool_take(pool, 3 * (size_t)level_stride(frame->width) * sizeof(float) + 256, error);
    if (!scratch)
        return false;
    picture->buffer = rw_pool_take(pool, total * (sizeof(float) + sizeof(int16_t)), error);
    if (!picture->buffer) {
        rw_buffer_unref(&scratch);
        return false;
    }
    picture->width = frame->width;
    picture->height = frame->height;
    picture->levels = levels;
    rw_motion_dsp dsp;
    rw_motion_dsp_init(&dsp, rw_cpu_level());
    float *data = rw_buffer_data(picture->buffer);
    int16_t *codes = (int16_t *)(void *)(data + total);
    int w = frame->width, h = frame->height;
    for (int i = 0; i < levels; i++) {
        rw_plane *p = &picture->level[i];
        *p = (rw_plane){.width = w, .height = h, .stride = level_stride(w)};
        float *begin = data;
        p->px = begin + BORDER * p->stride + BORDER;
        picture->code[i] = codes + BORDER * p->stride + BORDER;
        if (i == 0)
            build_base(*p, frame, &dsp, rw_buffer_data(scratch));
        else
            build_half(*p, picture->level[i - 1], &dsp, rw_buffer_data(scratch));
        repeat_edge(*p);
        dsp.code(codes, begin, level_floats(w, h));
        data += level_floats(w, h);
        codes += level_floats(w, h);
        w = (w + 1) / 2;
        h = (h + 1) / 2;
    }
    rw_buffer_unref(&scratch);
    return true;
}

void rw_motion_picture_clear(rw_motion_picture *picture)
{
    rw_buffer_unref(&picture->buffer);
    memset(picture, 0, sizeof *picture);
}

/* ---- the search ---- */

typedef struct vec {
    float x, y;
} vec;

/* How firmly the texture of a block holds its vector: the gradients' second moments. */
typedef struct hold {
    float xx, xy, yy;
} hold;

/* Vectors of one level, in pixels of that level. A round of looking at neighbours writes v and cost
 * of a second grid; held and gap are the same for both. */
typedef struct grid {
    int cols, rows;
    vec *v;
    float *cost; /* sum over the window, without the smoothness term */
    hold *held;
    float *gap; /* squared px by which there and back again misses the start */
} grid;

typedef struct search {
    const rw_motion_dsp *dsp;
    rw_plane a, b;
    const int16_t *code_a, *code_b; /* of the same strides */
    float cap;                      /* of one pixel's difference */
    float lambda; /* price of one pixel of disagreement with the neighbours, on the window's sum */
} search;

static int blocks(int pixels)
{
    return (pixels + RW_MOTION_BLOCK - 1) / RW_MOTION_BLOCK;
}

static const float *window_of(rw_plane p, int i, int j)
{
    return p.px + (RW_MOTION_BLOCK * j - 4) * p.stride + RW_MOTION_BLOCK * i - 4;
}

/* Keeps the displaced window and one more row and column inside the border. */
static vec keep_inside(const search *s, int i, int j, vec v)
{
    const float x = (float)(RW_MOTION_BLOCK * i - 4), y = (float)(RW_MOTION_BLOCK * j - 4);
    const float margin = (float)BORDER - 2.0f;
    v.x = CLAMP(v.x, -margin - x, (float)s->b.width + margin - 18.0f - x);
    v.y = CLAMP(v.y, -margin - y, (float)s->b.height + margin - 18.0f - y);
    return v;
}

static const int16_t *codes_of(const int16_t *code, ptrdiff_t stride, int i, int j)
{
    return code + (RW_MOTION_BLOCK * j - 4) * stride + RW_MOTION_BLOCK * i - 4;
}

static float cost_whole(const search *s, int i, int j, vec v)
{
    const int16_t *b = codes_of(s->code_b, s->b.stride, i, j);
    return s->dsp->sad(codes_of(s->code_a, s->a.stride, i, j), s->a.stride,
                       b + (ptrdiff_t)v.y * s->b.stride + (ptrdiff_t)v.x, s->b.stride, s->cap);
}

static float cost_sub(const search *s, int i, int j, vec v)
{
    const int16_t *b = codes_of(s->code_b, s->b.stride, i, j);
    const float fx = floorf(v.x), fy = floorf(v.y);
    return s->dsp->sad_sub(codes_of(s->code_a, s->a.stride, i, j), s->a.stride,
                           b + (ptrdiff_t)fy * s->b.stride + (ptrdiff_t)fx, s->b.stride, v.x - fx,
                           v.y - fy, s->cap);
}

static float distance(vec a, vec b)
{
    return fabsf(a.x - b.x) + fabsf(a.y - b.y);
}

static bool same(vec a, vec b)
{
    return a.x == b.x && a.y == b.y;
}

/* A short list without near repeats. */
typedef struct candidates {
    int count;
    vec v[16];
} candidates;

/* A quarter of a pixel is left to the gradient steps. */
static void offer_unlike(const search *s, candidates *c, int i, int j, vec v, float like)
{
    v = keep_inside(s, i, j, v);
    for (int k = 0; k < c->count; k++)
        if (distance(c->v[k], v) < like)
            return;
    c->v[c->count++] = v;
}

static void offer(const search *s, candidates *c, int i, int j, vec v)
{
    offer_unlike(s, c, i, j, v, 0.25f);
}

/* Walks downhill in steps of a pixel; leaving the place it was sent to must pay. */
static void descend(const search *s, int i, int j, int steps, float price, vec *v, float *cost)
{
    const vec home = *v;
    float total = *cost;
    static const vec way[4] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1}};
    int from = -1;
    while (steps-- > 0) {
        vec start = *v;
        int took = -1;
        for (int k = 0; k < 4; k++) {
            if (from >= 0 && k == (from ^ 1))
                continue; /* where we came from */
            vec next = keep_inside(s, i, j, (vec){start.x + way[k].x, start.y + way[k].y});
            if (same(next, start))
                continue;
            float c = cost_sub(s, i, j, next), with_price = c + price * distance(next, home);
            if (with_price < total) {
                total = with_price;
                *cost = c;
                *v = next;
                took = k;
            }
        }
        if (took < 0)
            return;
        from = took;
    }
}

/* The coarsest level: everything within reach, near vectors first. */
static void search_all(const search *s, grid *g, int reach)
{
    for (int j = 0; j < g->rows; j++) {
        for (int i = 0; i < g->cols; i++) {
            float best = INFINITY, best_cost = 0.0f;
            vec best_v = {0, 0};
            for (int y = -reach; y <= reach; y++) {
                for (int x = -reach; x <= reach; x++) {
                    vec v = keep_inside(s, i, j, (vec){(float)x, (float)y});
                    float c = cost_whole(s, i, j, v);
                    float total = c + 0.25f * s->lambda * (fabsf(v.x) + fabsf(v.y));
                    if (total < best) {
                        best = total;
                        best_cost = c;
                        best_v = v;
                    }
                }
            }
            g->v[j * g->cols + i] = best_v;
            g->cost[j * g->cols + i] = best_cost;
        }
    }
}

static vec at(const grid *g, int i, int j)
{
    i = CLAMP(i, 0, g->cols - 1);
    j = CLAMP(j, 0, g->rows - 1);
    return g->v[j * g->cols + i];
}

/* The first of the four blocks of the coarser level round this one, the nearest first. */
static void offer_parents(const search *s, candidates *c, const grid *coarse, int i, int j,
                          int count)
{
    const int pi = i >> 1, pj = j >> 1, qi = pi + ((i & 1) ? 1 : -1), qj = pj + ((j & 1) ? 1 : -1);
    const vec parents[4] = {at(coarse, pi, pj), at(coarse, qi, pj), at(coarse, pi, qj),
                            at(coarse, qi, qj)};
    for (int k = 0; k < count; k++)
        offer_unlike(s, c, i, j, (vec){2.0f * parents[k].x, 2.0f * parents[k].y}, 0.5f);
}

static void search_near(const search *s, grid *g, const grid *coarse, const grid *hint, int parents)
{
    for (int j = 0; j < g->rows; j++) {
        for (int i = 0; i < g->cols; i++) {
            candidates c = {0};
            offer_parents(s, &c, coarse, i, j, parents);
            const vec first = c.v[0];
            offer(s, &c, i, j, (vec){0, 0});
            if (hint)
                offer(s, &c, i, j, at(hint, i, j));
            float best = INFINITY, best_cost = 0.0f;
            vec best_v = first;
            for (int k = 0; k < c.count; k++) {
                float cost = cost_sub(s, i, j, c.v[k]);
                float total = cost + 0.35f * s->lambda * MIN(distance(c.v[k], first), 4.0f);
                if (total < best) {
                    best = total;
                    best_cost = cost;
                    best_v = c.v[k];
                }
            }
            g->v[j * g->cols + i] = best_v;
            g->cost[j * g->cols + i] = best_cost;
        }
    }
}

/* Blocks whose match is worse than grain makes one look for a better one near by. */
static void search_on(const search *s, grid *g, float noise)
{
    const float content = CONTENT * noise * WINDOW_AREA;
    for (int j = 0; j < g->rows; j++)
        for (int i = 0; i < g->cols; i++) {
            const int n = j * g->cols + i;
            if (g->cost[n] > content)
                descend(s, i, j, 3, 0.3f * s->lambda, &g->v[n], &g->cost[n]);
        }
}

/* A small thing that flies fast is lost on the coarse levels, where it is little beside what it
 * flies past. Blocks that found no good match look everywhere about them. */
static void search_wide(const search *s, grid *g, int reach, float noise)
{
    const float poor = (1.8f * noise + 0.6f) * WINDOW_AREA;
    for (int j = 0; j < g->rows; j++) {
        for (int i = 0; i < g->cols; i++) {
            const int n = j * g->cols + i;
            if (g->cost[n] < poor)
                continue;
            const vec home = g->v[n];
            float best = g->cost[n] - 2.0f * s->lambda;
            for (int y = -reach; y <= reach; y += 2) {
                for (int x = -reach; x <= reach; x += 2) {
                    const vec v = keep_inside(
                        s, i, j, (vec){rintf(home.x) + (float)x, rintf(home.y) + (float)y});
                    const float c = cost_whole(s, i, j, v);
                    if (c < best) {
                        best = c;
                        g->cost[n] = c;
                        g->v[n] = v;
                    }
                }
            }
        }
    }
}

/* The vectors of the eight blocks around. */
typedef struct company {
    f8 x, y;
} company;

static company company_of(const grid *g, int i, int j)
{
    static const int way[8][2] = {{-1, -1}, {0, -1}, {1, -1}, {-1, 0},
                                  {1, 0},   {-1, 1}, {0, 1},  {1, 1}};
    float x[8], y[8];
    for (int k = 0; k < 8; k++) {
        const vec v = at(g, i + way[k][0], j + way[k][1]);
        x[k] = v.x;
        y[k] = v.y;
    }
    return (company){f8_load(x), f8_load(y)};
}

/* How much v disagrees with them. */
static float disagreement(const company *r, vec v)
{
    const f8 gap = f8_add(f8_abs(f8_sub(r->x, f8_set(v.x))), f8_abs(f8_sub(r->y, f8_set(v.y))));
    return f8_sum(f8_min(gap, f8_set(4.0f))) * 0.125f;
}

/* One round in which every block looks at its neighbours' vectors of the round before. */
static void agree(const search *s, grid *out, const grid *in)
{
    static const int way[8][2] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1},
                                  {-2, 0}, {2, 0}, {0, -2}, {0, 2}};
    for (int j = 0; j < in->rows; j++) {
        for (int i = 0; i < in->cols; i++) {
            const int n = j * in->cols + i;
            out->v[n] = in->v[n];
            out->cost[n] = in->cost[n];
            candidates c = {.count = 1, .v = {in->v[n]}};
            for (int k = 0; k < 8; k++)
                offer_unlike(s, &c, i, j, at(in, i + way[k][0], j + way[k][1]), 0.5f);
            if (c.count == 1)
                continue;
            const company r = company_of(in, i, j);
            float best = in->cost[n] + s->lambda * disagreement(&r, in->v[n]);
            for (int k = 1; k < c.count; k++) {
                float bound = s->lambda * disagreement(&r, c.v[k]);
                if (bound >= best)
                    continue;
                float cost = cost_sub(s, i, j, c.v[k]);
                if (cost + bound < best) {
                    best = cost + bound;
                    out->v[n] = c.v[k];
                    out->cost[n] = cost;
                }
            }
        }
    }
}

static void read_normal(const search *s, int i, int j, vec v, float e[5])
{
    const float fx = floorf(v.x), fy = floorf(v.y);
    s->dsp->normal(window_of(s->a, i, j), s->a.stride,
                   window_of(s->b, i, j) + (ptrdiff_t)fy * s->b.stride + (ptrdiff_t)fx, s->b.stride,
                   v.x - fx, v.y - fy, s->cap, e);
}

/* Gradient steps. A block without texture, or one that runs away, stays where it is. */
static void refine(const search *s, grid *g, int steps, float noise)
{
    const float floor_energy = 0.1f * noise * noise * WINDOW_AREA + 4.0f;
    for (int j = 0; j < g->rows; j++) {
        for (int i = 0; i < g->cols; i++) {
            const int n = j * g->cols + i;
            const vec start = g->v[n];
            vec v = start;
            for (int k = 0; k < steps; k++) {
                float e[5];
                read_normal(s, i, j, v, e);
                g->held[n] = (hold){e[0], e[1], e[2]};
                const float xx = e[0] + floor_energy, yy = e[2] + floor_energy;
                const float det = xx * yy - e[1] * e[1];
                vec step = {(yy * e[3] - e[1] * e[4]) / det, (xx * e[4] - e[1] * e[3]) / det};
                step.x = CLAMP(step.x, -1.0f, 1.0f);
                step.y = CLAMP(step.y, -1.0f, 1.0f);
                v = keep_inside(s, i, j, (vec){v.x + step.x, v.y + step.y});
                if (fabsf(v.x - start.x) > 1.5f || fabsf(v.y - start.y) > 1.5f)
                    break;
                if (fabsf(step.x) + fabsf(step.y) < SMALL_STEP)
                    break;
            }
            if (same(v, start))
                continue;
            float cost = cost_sub(s, i, j, v);
            if (cost < g->cost[n]) {
                g->cost[n] = cost;
                g->v[n] = v;
            }
        }
    }
}

/* ---- the frame as a whole ---- */

/* Vector of the block (i, j) under the model of the whole frame: m[0] + m[1] i + m[2] j, twice. */
typedef struct whole {
    double x[3], y[3];
} whole;

static vec whole_at(const whole *w, int i, int j)
{
    return (vec){(float)(w->x[0] + w->x[1] * i + w->x[2] * j),
                 (float)(w->y[0] + w->y[1] * i + w->y[2] * j)};
}

static bool solve3(double a[3][4], double out[3])
{
    for (int c = 0; c < 3; c++) {
        int p = c;
        for (int r = c + 1; r < 3; r++)
            if (fabs(a[r][c]) > fabs(a[p][c]))
                p = r;
        if (fabs(a[p][c]) < 1e-9)
            return false;
        for (int k = 0; k < 4; k++) {
            const double t = a[c][k];
            a[c][k] = a[p][k];
            a[p][k] = t;
        }
        for (int r = 0; r < 3; r++) {
            if (r == c)
                continue;
            const double f = a[r][c] / a[c][c];
            for (int k = c; k < 4; k++)
                a[r][k] -= f * a[c][k];
        }
    }
    for (int c = 0; c < 3; c++)
        out[c] = a[c][3] / a[c][c];
    return true;
}

static double median_of(const grid *g, bool along_y)
{
    float sample[512];
    const int count = g->cols * g->rows, step = count / 512 + 1;
    int n = 0;
    for (int i = 0; i < count && n < 512; i += step)
        sample[n++] = along_y ? g->v[i].y : g->v[i].x;
    qsort(sample, (size_t)n, sizeof *sample, rw_compare_floats);
    return (double)sample[n / 2];
}

/* Robust fit: blocks vote by how firmly they are held, those far from the model not at all. */
static bool fit_whole(const grid *g, float grain, whole *w)
{
    double reach = 16.0;
    *w = (whole){{median_of(g, false)}, {median_of(g, true)}};
    for (int round = 0; round < 12; round++) {
        double ax[3][4] = {{0}}, ay[3][4] = {{0}};
        for (int j = 0; j < g->rows; j += 3) { /* a ninth of the blocks is plenty */
            for (int i = 0; i < g->cols; i += 3) {
                const int n = j * g->cols + i;
                const vec m = whole_at(w, i, j), v = g->v[n];
                const double dx = (double)(v.x - m.x), dy = (double)(v.y - m.y);
                const double gap = (dx * dx + dy * dy) / (reach * reach);
                if (gap >= 1.0 || g->gap[n] > 1.0f)
                    continue;
                const hold h = g->held[n];
                const double most = 40.0 * (double)grain, t = (1.0 - gap) * (1.0 - gap);
                const double wx = t * fmin(fmax((double)(h.xx - grain), 0.0), most);
                const double wy = t * fmin(fmax((double)(h.yy - grain), 0.0), most);
                const double row[4] = {1.0, i, j, 0.0};
                for (int a = 0; a < 3; a++) {
                    for (int b = 0; b < 3; b++) {
                        ax[a][b] += wx * row[a] * row[b];
                        ay[a][b] += wy * row[a] * row[b];
                    }
                    ax[a][3] += wx * row[a] * (double)v.x;
                    ay[a][3] += wy * row[a] * (double)v.y;
                }
            }
        }
        if (!solve3(ax, w->x) || !solve3(ay, w->y))
            return false;
        reach = fmax(0.7 * reach, 0.5);
    }
    return true;
}

/* Neighbours that move alike share what they know: each vector becomes the mean of those around,
 * weighed by how firmly texture holds each and by how near the vectors are already; all relative to
 * the whole frame's model, so that a pan with a zoom stays one. A smooth block so leans on its
 * textured neighbours, an edge lends only the direction across itself. What a neighbour says is
 * worth no more than the drift of true motion from block to block allows. */
static void settle(grid *out, const grid *in, float noise)
{
    static const int around[12][2] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1}, {-1, -1}, {1, -1},
                                      {-1, 1}, {1, 1}, {-2, 0}, {2, 0}, {0, -2},  {0, 2}};
    /* variance of a vector is about VARIANCE noise^2 / moments, of drift DRIFT per block^2 */
    const float drift_share = DRIFT / (VARIANCE * noise * noise);
    const float alike = 1.0f / (0.6f * 0.6f); /* 1/px^2: vectors farther apart have no say */
    for (int j = 0; j < in->rows; j++) {
        for (int i = 0; i < in->cols; i++) {
            const int n = j * in->cols + i;
            const vec own = in->v[n];
            hold sum = in->held[n];
            float bx = 0, by = 0;
            for (int q = 0; q < 12; q++) {
                const int x = i + around[q][0], y = j + around[q][1];
                if (x < 0 || y < 0 || x >= in->cols || y >= in->rows)
                    continue;
                const int k = y * in->cols + x;
                const vec d = {in->v[k].x - own.x, in->v[k].y - own.y};
                const float gap = (d.x * d.x + d.y * d.y) * alike;
                if (gap >= 1.0f)
                    continue;
                const float near = q < 4 ? 1.0f : q < 8 ? 2.0f : 4.0f;
                const hold h = in->held[k];
                const float w =
                    (1.0f - gap) * (1.0f - gap) / (1.0f + drift_share * near * MAX(h.xx, h.yy));
                const float hx = w * h.xx, hy = w * h.yy, hxy = w * h.xy;
                sum.xx += hx;
                sum.yy += hy;
                sum.xy += hxy;
                bx += hx * d.x + hxy * d.y;
                by += hxy * d.x + hy * d.y;
            }
            /* the cross term may exceed what is left of the others after the grain is taken off */
            const float most = 0.95f * sqrtf(sum.xx * sum.yy), xy = CLAMP(sum.xy, -most, most);
            const float det = sum.xx * sum.yy - xy * xy;
            vec step = {0, 0};
            if (det > 0.0f)
                step = (vec){(sum.yy * bx - xy * by) / det, (sum.xx * by - xy * bx) / det};
            step.x = CLAMP(step.x, -1.0f, 1.0f);
            step.y = CLAMP(step.y, -1.0f, 1.0f);
            out->v[n] = (vec){own.x + step.x, own.y + step.y};
        }
    }
}

/* Vectors relative to the model and moments without what grain adds; and, with sign 1, back again
 * (the moments stay). */
static void relate(grid *g, const whole *model, float grain, float sign)
{
    for (int j = 0; j < g->rows; j++) {
        for (int i = 0; i < g->cols; i++) {
            const int n = j * g->cols + i;
            const vec m = whole_at(model, i, j);
            g->v[n] = (vec){g->v[n].x + sign * m.x, g->v[n].y + sign * m.y};
            if (sign < 0.0f) {
                hold *h = &g->held[n];
                h->xx = MAX(h->xx - grain, 0.0f) + 0.05f * grain;
                h->yy = MAX(h->yy - grain, 0.0f) + 0.05f * grain;
            }
        }
    }
}

/* The cost per pixel of a good match: the 30th percentile over a sample of the blocks. */
static float match_noise(const grid *g)
{
    float sample[512];
    const int count = g->cols * g->rows, step = count / 512 + 1;
    int n = 0;
    for (int i = 0; i < count && n < 512; i += step)
        sample[n++] = g->cost[i];
    qsort(sample, (size_t)n, sizeof *sample, rw_compare_floats);
    return MAX(sample[n * 3 / 10] / WINDOW_AREA, 0.05f);
}

/* What grain alone adds to a block's second moments: those of the flattest blocks, but no more than
 * white noise of the pair's strength would give after the smoothing of level 0. */
static float grain_energy(const grid *g, float noise)
{
    float sample[512];
    const int count = g->cols * g->rows, step = count / 512 + 1;
    int n = 0;
    for (int i = 0; i < count && n < 512; i += step)
        sample[n++] = MIN(g->held[i].xx, g->held[i].yy);
    qsort(sample, (size_t)n, sizeof *sample, rw_compare_floats);
    return MIN(sample[n / 10] * 1.2f, 0.4f * WINDOW_AREA * noise * noise) + 1.0f;
}

static void set_prices(search *s, float noise)
{
    s->cap = 6.0f + 4.0f * noise;
    s->lambda = (0.4f * noise + 0.03f) * WINDOW_AREA;
}

static void swap_grids(grid *a, grid *b)
{
    grid t = *a;
    *a = *b;
    *b = t;
}

static void swap_vectors(grid *a, grid *b)
{
    vec *t = a->v;
    a->v = b->v;
    b->v = t;
}

/* hint's vectors in pixels of a level, sampled at that level's blocks. */
static void scale_hint(grid *out, const rw_motion_field *hint, float times, int level, int cols,
                       int rows)
{
    out->cols = cols;
    out->rows = rows;
    const float scale = times / (float)(1 << level);
    for (int j = 0; j < rows; j++) {
        for (int i = 0; i < cols; i++) {
            const int hi = MIN((2 * i + 1) << level, hint->cols - 1);
            const int hj = MIN((2 * j + 1) << level, hint->rows - 1);
            out->v[j * cols + i] = (vec){hint->dx[hj * hint->stride + hi] * scale,
                                         hint->dy[hj * hint->stride + hi] * scale};
        }
    }
}

/* A vector that differs from the whole frame's by no more than its grain explains moves with the
 * frame: z2 is the squared difference in units of what grain makes of a vector. On related vectors.
 */
static void lean(grid *g, float noise)
{
    for (int n = 0; n < g->cols * g->rows; n++) {
        const vec d = g->v[n];
        if (d.x * d.x + d.y * d.y > 1.0f)
            continue;
        const float z2 = (g->held[n].xx * d.x * d.x + g->held[n].yy * d.y * d.y) / (noise * noise);
        const float keep = z2 / (z2 + 20.0f);
        g->v[n] = (vec){keep * d.x, keep * d.y};
    }
}

/* Squared distance by which following the vector there and the other field back misses. */
static void measure_gaps(const grid *g, const grid *back)
{
    for (int j = 0; j < g->rows; j++) {
        for (int i = 0; i < g->cols; i++) {
            const int n = j * g->cols + i;
            const vec v = g->v[n];
            const vec r = at(back, (int)rintf((float)i + v.x / RW_MOTION_BLOCK),
                             (int)rintf((float)j + v.y / RW_MOTION_BLOCK));
            g->gap[n] = (v.x + r.x) * (v.x + r.x) + (v.y + r.y) * (v.y + r.y);
        }
    }
}

/* The best of the sound blocks' vectors around; false when there is no sound block. */
static bool mend_block(const search *s, const grid *g, int n, float price, vec *v, float *cost)
{
    const int i = n % g->cols, j = n / g->cols;
    candidates c = {0};
    for (int y = MAX(j - 1, 0); y <= MIN(j + 1, g->rows - 1); y++)
        for (int x = MAX(i - 1, 0); x <= MIN(i + 1, g->cols - 1); x++)
            if (g->gap[y * g->cols + x] == 0.0f)
                offer(s, &c, i, j, g->v[y * g->cols + x]);
    float best = g->cost[n] - price;
    *v = g->v[n];
    *cost = g->cost[n];
    for (int k = 0; k < c.count; k++) {
        const float its = cost_sub(s, i, j, c.v[k]), total = its - 2.0f * price;
        if (total < best) {
            best = total;
            *v = c.v[k];
            *cost = its;
        }
    }
    return c.count > 0;
}

/* A block under a speck, or whose match lies under one, finds its likeness elsewhere: then there
 * and back disagree. Such blocks take a vector of the sound blocks around, unless their own is
 * better by more than a speck could make it. Works inwards ring by ring: what one ring finds is
 * seen by the next. list: room for a number of each block. */
static void mend(const search *s, grid *found, grid *now, int32_t *list, float noise)
{
    const float limit = 1.5f, price = 4.0f * noise * WINDOW_AREA;
    int left = 0;
    for (int n = 0; n < now->cols * now->rows; n++) {
        const bool astray = now->gap[n] > limit;
        now->gap[n] = astray ? 1.0f : 0.0f;
        if (astray)
            list[left++] = n;
    }
    for (int ring = 0; ring < 6 && left > 0; ring++) {
        int mended = 0; /* to the front of the list */
        for (int k = 0; k < left; k++) {
            const int32_t n = list[k];
            if (!mend_block(s, now, n, price, &found->v[n], &found->cost[n]))
                continue;
            list[k] = list[mended];
            list[mended++] = n;
        }
        for (int k = 0; k < mended; k++) {
            const int32_t n = list[k];
            now->v[n] = found->v[n];
            now->cost[n] = found->cost[n];
            now->gap[n] = 0.0f;
        }
        if (mended == 0)
            return;
        left -= mended;
        memmove(list, list + mended, (size_t)left * sizeof *list);
    }
}

/* One of the two directions of a pair. */
typedef struct direction {
    search s;
    grid now, spare, coarse, hint;
    float noise;
    float *place[3]; /* memory of three grids in turn */
    float *hint_place, *shared;
    int32_t *list; /* of blocks */
} direction;

/* Floats for a block: three times a vector and its cost; the hint; moments and gap; the list. */
#define GRID_FLOATS      3
#define DIRECTION_FLOATS (3 * GRID_FLOATS + 2 + 4 + 1)

static void give_room(direction *d, float *data, size_t count)
{
    for (int k = 0; k < 3; k++, data += GRID_FLOATS * count)
        d->place[k] = data;
    d->hint_place = data;
    d->shared = data + 2 * count;
    d->list = (int32_t *)(void *)(d->shared + 4 * count);
}

static void take_grid(grid *g, float *data, float *shared, int cols, int rows)
{
    *g = (grid){.cols = cols,
                .rows = rows,
                .v = (vec *)data,
                .cost = data + 2 * cols * rows,
                .held = (hold *)shared,
                .gap = shared + 3 * cols * rows};
}

static void take_level(direction *d, const rw_motion_picture *from, const rw_motion_picture *to,
                       const rw_motion_field *hint, float times, int level)
{
    d->s.a = from->level[level];
    d->s.b = to->level[level];
    d->s.code_a = from->code[level];
    d->s.code_b = to->code[level];
    const int cols = blocks(d->s.a.width), rows = blocks(d->s.a.height);
    int n = 0;
    grid *const wanted[2] = {&d->now, &d->spare};
    for (int k = 0; k < 3; k++) /* the two places that the coarser level does not hold */
        if ((float *)d->coarse.v != d->place[k] && n < 2)
            take_grid(wanted[n++], d->place[k], d->shared, cols, rows);
    d->hint = (grid){.v = (vec *)d->hint_place};
    if (hint)
        scale_hint(&d->hint, hint, times, level, cols, rows);
}

/* What two pairs of near pictures told of a far pair is nearly right: at full resolution it takes
 * little looking round. There the neighbours are heard once, after the gradient steps. */
static void search_level(direction *d, int level, bool hinted)
{
    const bool told = hinted && level == 0;
    set_prices(&d->s, d->noise * 1.5f);
    if (d->coarse.v)
        search_near(&d->s, &d->now, &d->coarse, hinted ? &d->hint : NULL, told ? 1 : 4);
    else
        search_all(&d->s, &d->now, 8);
    d->noise = match_noise(&d->now);
    if (d->coarse.v && !told) {
        search_on(&d->s, &d->now, d->noise);
        d->noise = match_noise(&d->now);
    }
    if (level == WIDE_LEVEL && !hinted)
        search_wide(&d->s, &d->now, WIDE_REACH, d->noise);
    set_prices(&d->s, d->noise);
    for (int round = 0; round < (told ? 0 : level ? 2 : 1); round++) {
        agree(&d->s, &d->spare, &d->now);
        swap_grids(&d->now, &d->spare);
    }
}

static void finish_level(direction *d, int level)
{
    mend(&d->s, &d->spare, &d->now, d->list, d->noise);
    refine(&d->s, &d->now, level == 0 ? 2 : 1, d->noise);
    if (level == 0) {
        agree(&d->s, &d->spare, &d->now);
        swap_grids(&d->now, &d->spare);
        const float energy = grain_energy(&d->now, d->noise);
        whole w;
        const bool fits = fit_whole(&d->now, energy, &w);
        if (!fits)
            w = (whole){{0}, {0}};
        relate(&d->now, &w, energy, -1.0f);
        for (int round = 0; round < 2; round++) {
            settle(&d->spare, &d->now, d->noise);
            swap_vectors(&d->now, &d->spare);
        }
        if (fits)
            lean(&d->now, d->noise);
        relate(&d->now, &w, energy, 1.0f);
    }
    d->coarse = d->now;
}

static int cells(int pixels)
{
    return (pixels + RW_MOTION_CELL - 1) / RW_MOTION_CELL;
}

static ptrdiff_t field_stride(int width)
{
    return (cells(width) + 15) & ~15;
}

size_t rw_motion_field_bytes(int width, int height)
{
    return 4 * (size_t)field_stride(width) * (size_t)cells(height) * sizeof(float) + TAKEN_WITH;
}

static bool take_field(rw_motion_field *field, rw_pool *pool, int width, int height, GError **error)
{
    memset(field, 0, sizeof *field);
    field->width = width;
    field->height = height;
    field->cols = cells(width);
    field->rows = cells(height);
    field->stride = field_stride(width);
    const size_t plane = (size_t)field->stride * (size_t)field->rows;
    field->buffer = rw_pool_take(pool, 4 * plane * sizeof(float), error);
    if (!field->buffer)
        return false;
    float *data = rw_buffer_data(field->buffer);
    field->dx = data;
    field->dy = data + plane;
    field->cost = data + 2 * plane;
    field->trust = data + 3 * plane;
    return true;
}

/* Light that the second picture lacks: the mean difference of a sample of good matches. */
static float light_offset(const search *s, const grid *g)
{
    float sample[256];
    const int count = g->cols * g->rows, step = count / 256 + 1;
    int n = 0;
    for (int k = 0; k < count && n < 256; k += step) {
        const int i = k % g->cols, j = k / g->cols;
        const float *a = window_of(s->a, i, j);
        const float *b = window_of(s->b, i, j) + (ptrdiff_t)rintf(g->v[k].y) * s->b.stride +
                         (ptrdiff_t)rintf(g->v[k].x);
        float sum = 0.0f;
        for (int y = 0; y < RW_MOTION_WINDOW; y++)
            for (int x = 0; x < RW_MOTION_WINDOW; x++)
                sum += a[y * s->a.stride + x] - b[y * s->b.stride + x];
        sample[n++] = sum / WINDOW_AREA;
    }
    qsort(sample, (size_t)n, sizeof *sample, rw_compare_floats);
    return sample[n / 2];
}

static float cost_of_cell(const search *s, int ci, int cj, vec v, float offset)
{
    const int x = RW_MOTION_CELL * ci - 2, y = RW_MOTION_CELL * cj - 2;
    v = keep_inside(s, ci / 2, cj / 2, v);
    const float fx = floorf(v.x), fy = floorf(v.y);
    return s->dsp->sad8(s->a.px + y * s->a.stride + x, s->a.stride,
                        s->b.px + (y + (ptrdiff_t)fy) * s->b.stride + x + (ptrdiff_t)fx,
                        s->b.stride, v.x - fx, v.y - fy, offset, s->cap);
}

/* Where the blocks round a cell move apart, the cell takes the vector that suits it best. */
static vec choose_for_cell(const search *s, const grid *g, int ci, int cj, float offset,
                           float *cost)
{
    const int i = ci / 2, j = cj / 2;
    const float price = CELL_PRICE * s->lambda * (CELL_AREA / WINDOW_AREA);
    vec best_v = at(g, i, j);
    candidates c = {0};
    offer(s, &c, i, j, best_v);
    for (int y = -1; y <= 1; y++)
        for (int x = -1; x <= 1; x++)
            offer_unlike(s, &c, i, j, at(g, i + x, j + y), 0.5f);
    float best = INFINITY;
    for (int k = 0; k < c.count; k++) {
        const float here = cost_of_cell(s, ci, cj, c.v[k], offset) + (k ? price : 0.0f);
        if (here < best) {
            best = here;
            best_v = c.v[k];
            *cost = (here - (k ? price : 0.0f)) / CELL_AREA;
        }
    }
    return best_v;
}

/* From blocks to cells. Where the four blocks round a cell move alike it takes the vector between
 * theirs. */
static void store_field(rw_motion_field *field, const search *s, const grid *g, float noise)
{
    const float offset = light_offset(s, g);
    field->noise = noise;
    for (int cj = 0; cj < field->rows; cj++) {
        const int j = cj / 2, near_j = CLAMP(cj & 1 ? j + 1 : j - 1, 0, g->rows - 1);
        const vec *own = g->v + j * g->cols, *other = g->v + near_j * g->cols;
        const ptrdiff_t row = cj * field->stride;
        for (int ci = 0; ci < field->cols; ci++) {
            const int i = ci / 2, near_i = CLAMP(ci & 1 ? i + 1 : i - 1, 0, g->cols - 1);
            const vec v[4] = {own[i], own[near_i], other[i], other[near_i]};
            field->cost[row + ci] = g->cost[j * g->cols + i] / WINDOW_AREA;
            field->trust[row + ci] = 1.0f;
            vec chosen = {0.5625f * v[0].x + 0.1875f * (v[1].x + v[2].x) + 0.0625f * v[3].x,
                          0.5625f * v[0].y + 0.1875f * (v[1].y + v[2].y) + 0.0625f * v[3].y};
            if (distance(v[0], v[1]) + distance(v[0], v[2]) + distance(v[0], v[3]) > 1.5f)
                chosen = choose_for_cell(s, g, ci, cj, offset, &field->cost[row + ci]);
            field->dx[row + ci] = chosen.x;
            field->dy[row + ci] = chosen.y;
        }
    }
}

/* ---- what a field is good for ---- */

rw_point rw_motion_field_at(const rw_motion_field *field, double x, double y)
{
    const double u = CLAMP((x - 1.5) / RW_MOTION_CELL, 0.0, (double)field->cols - 1.0);
    const double v = CLAMP((y - 1.5) / RW_MOTION_CELL, 0.0, (double)field->rows - 1.0);
    const int i = MIN((int)u, MAX(field->cols - 2, 0)), j = MIN((int)v, MAX(field->rows - 2, 0));
    const int i2 = MIN(i + 1, field->cols - 1), j2 = MIN(j + 1, field->rows - 1);
    const double fu = u - i, fv = v - j;
    const ptrdiff_t o[4] = {j * field->stride + i, j * field->stride + i2, j2 * field->stride + i,
                            j2 * field->stride + i2};
    const double w[4] = {(1 - fu) * (1 - fv), fu * (1 - fv), (1 - fu) * fv, fu * fv};
    rw_point p = {0.0, 0.0};
    for (int k = 0; k < 4; k++) {
        p.x += w[k] * (double)field->dx[o[k]];
        p.y += w[k] * (double)field->dy[o[k]];
    }
    return p;
}

/* One row of the vectors' one part, between cells by straight lines. */
static void spread_row(float *out, const float *above, const float *below, float f, int cols,
                       int width)
{
    static const float part[4] = {0.125f, 0.375f, 0.625f, 0.875f};
    for (int i = 0; i <= cols; i++) { /* the pixels between the centres of cells i - 1 and i */
        const int l = MAX(i - 1, 0), r = MIN(i, cols - 1);
        const float left = above[l] + f * (below[l] - above[l]);
        const float right = above[r] + f * (below[r] - above[r]);
        for (int k = 0; k < 4; k++) {
            const int x = RW_MOTION_CELL * i - 2 + k;
            if (x >= 0 && x < width)
                out[x] = left + part[k] * (right - left);
        }
    }
}

void rw_motion_warp(const rw_motion_field *field, rw_plane in, rw_plane out, float *scratch)
{
    rw_motion_dsp dsp;
    rw_motion_dsp_init(&dsp, rw_cpu_level());
    float *dx = scratch, *dy = scratch + field->width + 32;
    for (int y = 0; y < out.height; y++) {
        const float v = CLAMP(((float)y - 1.5f) / RW_MOTION_CELL, 0.0f, (float)field->rows - 1.0f);
        const int j = MIN((int)v, field->rows - 1), j2 = MIN(j + 1, field->rows - 1);
        const float f = v - (float)j;
        spread_row(dx, field->dx + j * field->stride, field->dx + j2 * field->stride, f,
                   field->cols, field->width);
        spread_row(dy, field->dy + j * field->stride, field->dy + j2 * field->stride, f,
                   field->cols, field->width);
        dsp.warp(out.px + y * out.stride, in.px, in.stride, in.width, in.height, dx, dy, y,
                 out.width);
    }
}

/* High where there and back again returns to the start and where the match is as good as the pair's
 * noise allows. */
static void weigh(rw_motion_field *field, const rw_motion_field *back)
{
    const float noise = field->noise + 0.5f;
    const float right = (float)back->cols - 1.0f, bottom = (float)back->rows - 1.0f;
    for (int j = 0; j < field->rows; j++) {
        for (int i = 0; i < field->cols; i++) {
            const ptrdiff_t o = j * field->stride + i;
            const float dx = field->dx[o], dy = field->dy[o];
            /* the cells round the place that the vector leads to */
            const float u = CLAMP((float)i + dx / RW_MOTION_CELL, 0.0f, right);
            const float v = CLAMP((float)j + dy / RW_MOTION_CELL, 0.0f, bottom);
            const int x = MIN((int)u, MAX(back->cols - 2, 0));
            const int y = MIN((int)v, MAX(back->rows - 2, 0));
            const ptrdiff_t p = y * back->stride + x, across = x + 1 < back->cols ? 1 : 0;
            const ptrdiff_t down = y + 1 < back->rows ? back->stride : 0;
            const float fu = u - (float)x, fv = v - (float)y;
            const float w[4] = {(1.0f - fu) * (1.0f - fv), fu * (1.0f - fv), (1.0f - fu) * fv,
                                fu * fv};
            const ptrdiff_t q[4] = {p, p + across, p + down, p + down + across};
            float gap_x = dx, gap_y = dy;
            for (int k = 0; k < 4; k++) {
                gap_x += w[k] * back->dx[q[k]];
                gap_y += w[k] * back->dy[q[k]];
            }
            /* a gap of one pixel and a cost of twice the noise each halve the trust or more */
            const float way = 1.0f / (1.0f + gap_x * gap_x + gap_y * gap_y);
            const float over = field->cost[o] / noise - 1.3f;
            field->trust[o] = over > 0.0f ? way * expf(-over * over) : way;
        }
    }
}

/* Floats of one direction at the finest level. */
static size_t direction_floats(int width, int height)
{
    return DIRECTION_FLOATS * (size_t)(blocks(width) * blocks(height));
}

size_t rw_motion_pair_scratch(int width, int height)
{
    return 2 * direction_floats(width, height) * sizeof(float) + TAKEN_WITH;
}

bool rw_motion_pair_estimate(rw_motion_field *there, rw_motion_field *back, rw_pool *pool,
                             const rw_motion_picture *a, const rw_motion_picture *b,
                             const rw_motion_field *hint_there, const rw_motion_field *hint_back,
                             float hint_times, GError **error)
{
    g_return_val_if_fail(a->width == b->width && a->height == b->height, false);
    memset(back, 0, sizeof *back);
    if (!take_field(there, pool, a->width, a->height, error))
        return false;
    const size_t room = direction_floats(a->width, a->height);
    rw_buffer *scratch = NULL;
    if (!take_field(back, pool, a->width, a->height, error) ||
        !(scratch = rw_pool_take(pool, 2 * room * sizeof(float), error))) {
        rw_motion_field_clear(there);
        rw_motion_field_clear(back);
        return false;
    }
    rw_motion_dsp dsp;
    rw_motion_dsp_init(&dsp, rw_cpu_level());
    direction d[2];
    memset(d, 0, sizeof d);
    for (int k = 0; k < 2; k++) {
        d[k].s.dsp = &dsp;
        d[k].noise = 3.0f;
        give_room(&d[k], (float *)rw_buffer_data(scratch) + (size_t)k * room,
                  room / DIRECTION_FLOATS);
    }
    for (int level = a->levels - 1; level >= 0; level--) {
        take_level(&d[0], a, b, hint_there, hint_times, level);
        take_level(&d[1], b, a, hint_back, hint_times, level);
        search_level(&d[0], level, hint_there != NULL);
        search_level(&d[1], level, hint_back != NULL);
        measure_gaps(&d[0].now, &d[1].now);
        measure_gaps(&d[1].now, &d[0].now);
        finish_level(&d[0], level);
        finish_level(&d[1], level);
    }
    store_field(there, &d[0].s, &d[0].now, d[0].noise);
    store_field(back, &d[1].s, &d[1].now, d[1].noise);
    rw_buffer_unref(&scratch);
    weigh(there, back);
    weigh(back, there);
    return true;
}

void rw_motion_field_clear(rw_motion_field *field)
{
    rw_buffer_unref(&field->buffer);
    memset(field, 0, sizeof *field);
}
