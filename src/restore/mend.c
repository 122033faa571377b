/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * mend.c - puts in the place of a blemish what the neighbouring frames show there.
 */
#include <math.h>

#include "restore/blemish.h"

#define MARGIN  8 /* px round an object's box */
#define RING_IN 3 /* px: the ring in which a neighbour must fit: this far from the object */
#define RING    7 /* to this far */

/* One way of laying one neighbour over the object. */
typedef struct source {
    const rw_frame *frame;
    const rw_motion_field *field;
    bool smooth;         /* vectors from the ring alone, by the plane that fits them */
    double vx[3], vy[3]; /* that plane: v = a + b x + c y, from the box's middle */
    float gain[3];       /* of the neighbour's light */
    double misfit;       /* in the ring, relative to its light; less is better */
} source;

/* The object in its box with margin. distance: px to the object, RING + 1 at most. */
typedef struct place {
    int x0, y0, width, height;
    uint8_t *distance;
} place;

static void cubic(float f, float c[4])
{
    c[0] = ((-0.5f * f + 1.0f) * f - 0.5f) * f;
    c[1] = (1.5f * f - 2.5f) * f * f + 1.0f;
    c[2] = ((-1.5f * f + 2.0f) * f + 0.5f) * f;
    c[3] = (0.5f * f - 0.5f) * f * f;
}

static void look(const rw_frame *f, double x, double y, float rgb[3])
{
    x = CLAMP(x, 0.0, f->width - 1.0);
    y = CLAMP(y, 0.0, f->height - 1.0);
    const int i = (int)x, j = (int)y;
    float cx[4], cy[4];
    cubic((float)(x - i), cx);
    cubic((float)(y - j), cy);
    for (int c = 0; c < 3; c++) {
        const float *p = f->plane[f->plane[c] ? c : 0];
        float sum = 0.0f;
        for (int b = 0; b < 4; b++) {
            const float *row = p + CLAMP(j - 1 + b, 0, f->height - 1) * f->stride;
            float line = 0.0f;
            for (int a = 0; a < 4; a++)
                line += cx[a] * row[CLAMP(i - 1 + a, 0, f->width - 1)];
            sum += cy[b] * line;
        }
        rgb[c] = MAX(sum, 0.0f);
    }
}

static void look_through(const source *s, const place *p, int x, int y, float rgb[3])
{
    double dx, dy;
    if (s->smooth) {
        const double u = x - p->width * 0.5, v = y - p->height * 0.5;
        dx = s->vx[0] + s->vx[1] * u + s->vx[2] * v;
        dy = s->vy[0] + s->vy[1] * u + s->vy[2] * v;
    } else {
        const rw_point m = rw_motion_field_at(s->field, p->x0 + x, p->y0 + y);
        dx = m.x;
        dy = m.y;
    }
    look(s->frame, p->x0 + x + dx, p->y0 + y + dy, rgb);
    for (int c = 0; c < 3; c++)
        rgb[c] *= s->gain[c];
}

/* Chess-board distance to the object's pixels, by two sweeps. */
static void measure_distance(place *p, const rw_blemish_map *map, int32_t number)
{
    for (int y = 0; y < p->height; y++)
        for (int x = 0; x < p->width; x++)
            p->distance[y * p->width + x] =
                map->label[(p->y0 + y) * map->width + p->x0 + x] == number ? 0 : RING + 1;
    for (int turn = 0; turn < 2; turn++)
        for (int k = 0; k < p->width * p->height; k++) {
            const int n = turn ? p->width * p->height - 1 - k : k;
            const int x = n % p->width, y = n / p->width, s = turn ? 1 : -1;
            const int near[4][2] = {{x + s, y}, {x - 1, y + s}, {x, y + s}, {x + 1, y + s}};
            for (int i = 0; i < 4; i++)
                if (near[i][0] >= 0 && near[i][0] < p->width && near[i][1] >= 0 &&
                    near[i][1] < p->height)
                    p->distance[n] = (uint8_t)MIN(
                        p->distance[n], p->distance[near[i][1] * p->width + near[i][0]] + 1);
        }
}

static bool in_ring(const place *p, const rw_blemish_map *map, int x, int y)
{
    const uint8_t d = p->distance[y * p->width + x];
    return d >= RING_IN && d <= RING && map->label[(p->y0 + y) * map->width + p->x0 + x] == 0;
}

/* The plane through the ring's vectors, once more without those far from it. */
static void fit_vectors(source *s, const place *p)
{
    for (int round = 0; round < 3; round++) {
        double a[3][5] = {{0}};
        for (int y = 0; y < p->height; y += 2)
            for (int x = 0; x < p->width; x += 2) {
                const uint8_t d = p->distance[y * p->width + x];
                if (d < RING_IN + 2)
                    continue;
                const rw_point m = rw_motion_field_at(s->field, p->x0 + x, p->y0 + y);
                const double u = x - p->width * 0.5, v = y - p->height * 0.5;
                double w = 1.0;
                if (round) {
                    const double ex = m.x - (s->vx[0] + s->vx[1] * u + s->vx[2] * v);
                    const double ey = m.y - (s->vy[0] + s->vy[1] * u + s->vy[2] * v);
                    w = 1.0 / (1.0 + 4.0 * (ex * ex + ey * ey));
                }
                const double row[5] = {1.0, u, v, m.x, m.y};
                for (int i = 0; i < 3; i++)
                    for (int k = 0; k < 5; k++)
                        a[i][k] += w * row[i] * row[k];
            }
        a[1][1] += 40.0; /* slopes only where the ring is long enough to tell them */
        a[2][2] += 40.0;
        a[0][0] += 1e-6;
        for (int c = 0; c < 3; c++)
            for (int r = 0; r < 3; r++) {
                if (r == c)
                    continue;
                const double f = a[r][c] / a[c][c];
                for (int k = c; k < 5; k++)
                    a[r][k] -= f * a[c][k];
            }
        for (int c = 0; c < 3; c++) {
            s->vx[c] = a[c][3] / a[c][c];
            s->vy[c] = a[c][4] / a[c][c];
        }
    }
}

/* Gain and misfit of a source in the ring. */
static void weigh_source(source *s, const place *p, const rw_frame *now, const rw_blemish_map *map)
{
    double own[3] = {0}, other[3] = {0}, error = 0.0, light = 0.0, n = 0.0;
    const int step = MAX(1, (int)sqrt(p->width * p->height / 4000.0));
    for (int c = 0; c < 3; c++)
        s->gain[c] = 1.0f;
    for (int pass = 0; pass < 2; pass++) {
        for (int y = 0; y < p->height; y += step)
            for (int x = 0; x < p->width; x += step) {
                if (!in_ring(p, map, x, y))
                    continue;
                float rgb[3];
                look_through(s, p, x, y, rgb);
                for (int c = 0; c < 3; c++) {
                    const double v =
                        (double)now
                            ->plane[now->plane[c] ? c : 0][(p->y0 + y) * now->stride + p->x0 + x];
                    if (pass == 0) {
                        own[c] += v;
                        other[c] += (double)rgb[c];
                    } else {
                        /* of roots: even to the eye */
                        error += fmin(fabs(sqrt(fmax(v, 0)) - sqrt((double)rgb[c])), 0.15);
                        light += sqrt(fmax(v, 0));
                    }
                }
                n += 1.0;
            }
        for (int c = 0; pass == 0 && c < 3; c++)
            s->gain[c] = (float)CLAMP((own[c] + 1e-3) / (other[c] + 1e-3), 0.8, 1.25);
    }
    s->misfit = n > 16.0 ? error / (light + 0.05 * n) : INFINITY;
}

/* How much two sources disagree inside: the mean difference of their roots over their light. */
static double quarrel(const source *a, const source *b, const place *p)
{
    double error = 0.0, light = 1e-3;
    const int step = MAX(1, (int)sqrt(p->width * p->height / 4000.0));
    for (int y = 0; y < p->height; y += step)
        for (int x = 0; x < p->width; x += step) {
            if (p->distance[y * p->width + x] > 1)
                continue;
            float ra[3], rb[3];
            look_through(a, p, x, y, ra);
            look_through(b, p, x, y, rb);
            for (int c = 0; c < 3; c++) {
                const double va = sqrt((double)ra[c]), vb = sqrt((double)rb[c]);
                error += fmin(fabs(va - vb), 0.15);
                light += 0.5 * (va + vb);
            }
        }
    return error / light;
}

/* The source that fits best in the ring and that some other one bears out inside. */
static int choose(source *s, int count, const place *p)
{
    int best = -1;
    double best_cost = INFINITY;
    for (int i = 0; i < count; i++) {
        if (!isfinite(s[i].misfit))
            continue;
        double nearest = INFINITY;
        for (int k = 0; k < count; k++)
            if (s[k].frame != s[i].frame && isfinite(s[k].misfit))
                nearest = fmin(nearest, quarrel(&s[i], &s[k], p));
        if (!isfinite(nearest))
            nearest = s[i].misfit;
        const double cost = s[i].misfit + 0.7 * nearest;
        if (cost < best_cost) {
            best_cost = cost;
            best = i;
        }
    }
    return best;
}

/* Share of the patch by distance: whole on the object and a pixel round it, for specks have soft
 * edges, then running out. */
static float share(uint8_t distance)
{
    static const float of[] = {1.0f, 1.0f, 0.66f, 0.25f};
    return distance < G_N_ELEMENTS(of) ? of[distance] : 0.0f;
}

static int64_t paint(rw_frame *out, const source *s, const place *p, const rw_blemish_map *map,
                     int32_t number, uint8_t *mask)
{
    int64_t changed = 0;
    for (int y = 0; y < p->height; y++)
        for (int x = 0; x < p->width; x++) {
            const float a = share(p->distance[y * p->width + x]);
            const int32_t other = map->label[(p->y0 + y) * map->width + p->x0 + x];
            if (a == 0.0f || (other && other != number))
                continue;
            float rgb[3];
            look_through(s, p, x, y, rgb);
            const ptrdiff_t o = (p->y0 + y) * out->stride + p->x0 + x;
            for (int c = 0; c < 3 && out->plane[c]; c++)
                out->plane[c][o] += a * (rgb[c] - out->plane[c][o]);
            if (mask) {
                uint8_t *m = &mask[(p->y0 + y) * map->width + p->x0 + x];
                *m = (uint8_t)MAX(*m, (int)(255.0f * a));
            }
            changed++;
        }
    return changed;
}

static int64_t repair_object(rw_frame *out, const rw_blemish_window *w, const rw_blemish_map *map,
                             int32_t number, rw_blemish *b, uint8_t *mask)
{
    place p = {.x0 = MAX(b->x0 - MARGIN, 0), .y0 = MAX(b->y0 - MARGIN, 0)};
    p.width = MIN(b->x1 + MARGIN, map->width - 1) - p.x0 + 1;
    p.height = MIN(b->y1 + MARGIN, map->height - 1) - p.y0 + 1;
    p.distance = g_malloc((gsize)p.width * (gsize)p.height);
    measure_distance(&p, map, number);
    source s[8];
    int count = 0;
    for (int k = 0; k < 4; k++) {
        if (!w->near[k] || !w->field[k])
            continue;
        for (int smooth = 0; smooth < 2; smooth++) {
            source *t = &s[count++];
            *t = (source){.frame = w->near[k], .field = w->field[k], .smooth = smooth};
            if (smooth)
                fit_vectors(t, &p);
            weigh_source(t, &p, w->now, map);
        }
    }
    const int best = choose(s, count, &p);
    int64_t changed = 0;
    if (best >= 0)
        changed = paint(out, &s[best], &p, map, number, mask);
    else
        b->confidence = 0.0f;
    g_free(p.distance);
    return changed;
}

int64_t rw_blemish_repair(rw_frame *out, const rw_blemish_window *window, rw_blemish_map *map,
                          float threshold, uint8_t *mask)
{
    int64_t changed = 0;
    for (int i = 0; i < map->count; i++)
        if (map->object[i].confidence >= threshold)
            changed += repair_object(out, window, map, i + 1, &map->object[i], mask);
    return changed;
}
