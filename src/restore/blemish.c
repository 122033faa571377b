/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "restore/blemish.h"

#define SEED       3.2f  /* sigmas: a pixel that begins an object */
#define GROW       2.0f  /* and one that joins it */
#define SPREAD     0.35f /* of the neighbours' range is taken off a pixel's distance */
#define LEAST      3     /* px of an object */
#define EDGE       1.0f  /* px of a neighbour's edge that are not trusted */
#define LEVEL      16    /* px: cells on which a frame's light is levelled with its neighbours' */
#define HOPELESS   0.15f
#define TWIN_REACH 64 /* half-size px at most */
#define TWIN_SIDE  (2 * TWIN_REACH + 1)
#define TWIN_ROW   (TWIN_SIDE + 16)

/* ---- planes ---- */

/* Working planes of one frame, all of stride floats and of height rows without border, but for
 * those of films. */
typedef struct desk {
    const rw_blemish_dsp *dsp;
    int width, height, count; /* count: neighbours that exist */
    ptrdiff_t stride;
    float sigma; /* of smoothed grain, before everything is divided by it */
    const rw_motion_field *field[4];
    int offset[4]; /* frames away: -2, -1, 1, 2 */
    bool has_odd[2];
    rw_film film;   /* smoothed Y of the frame in units of sigma */
    float *near[4]; /* laid over */
    float *middle, *spread, *odd[2], *score;
    rw_plane small[2]; /* odd at half size, with border */
    rw_plane busy;     /* at half size */
    double *energy[2]; /* running sums of odd squared over its plane and border */
    float *raster[2];  /* of likeness, TWIN_SIDE squared */
    rw_buffer *buffer;
} desk;

static ptrdiff_t padded(int width)
{
    return ((ptrdiff_t)width + 47) & ~(ptrdiff_t)15;
}

/* The grain's rms after the 1 2 1 by 1 2 1 smoothing, from its spectrum. */
static float smoothed_rms(const rw_noise *noise)
{
    double sum = 0.0;
    for (int v = 0; v < 8; v++)
        for (int u = 0; u < 8; u++) {
            const double h = 0.25 * (1.0 + cos(G_PI * u / 8)) * (1.0 + cos(G_PI * v / 8));
            sum += (double)noise->power[0][8 * v + u] * h * h;
        }
    return (float)sqrt(sum / 64.0);
}

/* 1 2 1 by 1 2 1, in place of the plane's inside, times scale. scratch: three rows. */
static void smooth_plane(rw_plane p, float scale, float *scratch)
{
    rw_motion_dsp dsp;
    rw_motion_dsp_init(&dsp, rw_cpu_level());
    const size_t width = (size_t)p.width + 32;
    float *row[3] = {scratch, scratch + width, scratch + 2 * width};
    for (int i = -1; i <= 1; i++)
        memcpy(row[i + 1], p.px + i * p.stride - 1, width * sizeof(float));
    for (int y = 0; y < p.height; y++) {
        const float *rows[3] = {row[0] + 1, row[1] + 1, row[2] + 1};
        float *out = p.px + y * p.stride;
        dsp.smooth(out, rows, p.width);
        for (int x = 0; x < p.width; x++)
            out[x] *= scale;
        float *free_row = row[0];
        row[0] = row[1];
        row[1] = row[2];
        row[2] = free_row;
        if (y + 2 <= p.height) /* the border's first row repeats the last */
            memcpy(row[2], p.px + (y + 2) * p.stride - 1, width * sizeof(float));
    }
    rw_film_repeat_edge(p);
}

static bool make_smooth_film(rw_film *film, rw_pool *pool, const rw_frame *frame,
                             const rw_noise *noise, float scale, float *scratch, GError **error)
{
    if (!rw_film_init(film, pool, frame, noise, 1, error))
        return false;
    smooth_plane(film->plane[0], scale, scratch);
    return true;
}

/* Mean clipped difference x - near over a cell that the picture's edge cuts off. */
static float edge_mean(const desk *d, rw_plane x, const float *near, int x0, int y0)
{
    const int x1 = MIN(x0 + LEVEL, d->width), y1 = MIN(y0 + LEVEL, d->height);
    float sum = 0.0f;
    for (int y = y0; y < y1; y++)
        for (int k = x0; k < x1; k++)
            sum += CLAMP(x.px[y * x.stride + k] - near[y * d->stride + k], -2.5f, 2.5f);
    return sum / (float)((x1 - x0) * (y1 - y0));
}

/* The same over each cell. */
static void cell_means(float *mean, const desk *d, rw_plane x, const float *near, int cols,
                       int rows)
{
    for (int j = 0; j < rows; j++)
        for (int i = 0; i < cols; i++) {
            const int x0 = i * LEVEL, y0 = j * LEVEL, y1 = MIN(y0 + LEVEL, d->height);
            mean[j * cols + i] =
                x0 + LEVEL <= d->width
                    ? d->dsp->lack(x.px + y0 * x.stride + x0, x.stride, near + y0 * d->stride + x0,
                                   d->stride, y1 - y0) /
                          (float)(LEVEL * (y1 - y0))
                    : edge_mean(d, x, near, x0, y0);
        }
}

/* Adds to near what it lacks in light against x: the mean of the clipped differences over cells,
 * smoothed over five of them, so that flicker is no dirt and dirt no flicker. */
static void level_light(const desk *d, rw_plane x, float *near, float *scratch)
{
    const int cols = (d->width + LEVEL - 1) / LEVEL, rows = (d->height + LEVEL - 1) / LEVEL;
    float *mean = scratch, *smooth = mean + cols * rows, *line = smooth + cols * rows;
    cell_means(mean, d, x, near, cols, rows);
    for (int j = 0; j < rows; j++)
        for (int i = 0; i < cols; i++) {
            float sum = 0.0f, weight = 0.0f;
            for (int y = MAX(j - 2, 0); y <= MIN(j + 2, rows - 1); y++)
                for (int k = MAX(i - 2, 0); k <= MIN(i + 2, cols - 1); k++) {
                    sum += mean[y * cols + k];
                    weight += 1.0f;
                }
            smooth[j * cols + i] = sum / weight;
        }
    for (int y = 0; y < d->height; y++) {
        const float v = CLAMP(((float)y + 0.5f) / LEVEL - 0.5f, 0.0f, (float)rows - 1.0f);
        const int j = MIN((int)v, rows - 1), j2 = MIN(j + 1, rows - 1);
        for (int i = 0; i < cols; i++)
            line[i] = smooth[j * cols + i] +
                      (v - (float)j) * (smooth[j2 * cols + i] - smooth[j * cols + i]);
        float *to = near + y * d->stride;
        for (int k = 0; k < LEVEL / 2; k++)
            to[k] += line[0];
        /* from the middle of each cell to that of the next; what lies beyond the last middle has
         * its light, and rows are padded by more than a cell */
        line[cols] = line[cols - 1];
        d->dsp->ramp(to + LEVEL / 2, line, cols);
    }
}

/* Means of two by two. */
static void halve(rw_plane out, const float *in, ptrdiff_t stride, int width, int height)
{
    for (int y = 0; y < out.height; y++) {
        const float *a = in + 2 * y * stride, *b = 2 * y + 1 < height ? a + stride : a;
        for (int x = 0; x < out.width; x++) {
            const int x2 = MIN(2 * x + 1, width - 1);
            out.px[y * out.stride + x] = 0.25f * (a[2 * x] + a[x2] + b[2 * x] + b[x2]);
        }
    }
}

/* Running means over 2 reach + 1 of n samples, `step` apart, of TOGETHER lines that lie side by
 * side: a line of memory is fetched once. */
#define TOGETHER 16

static void running_mean(float *line, ptrdiff_t step, ptrdiff_t across, int lines, int n, int reach,
                         float *scratch)
{
    double sum[TOGETHER] = {0.0};
    for (int i = 0; i < n; i++)
        for (int l = 0; l < lines; l++)
            scratch[i * TOGETHER + l] = line[i * step + l * across];
    for (int i = -reach; i < n; i++) {
        for (int l = 0; i + reach < n && l < lines; l++)
            sum[l] += (double)scratch[(i + reach) * TOGETHER + l];
        for (int l = 0; i - reach > 0 && l < lines; l++)
            sum[l] -= (double)scratch[(i - reach - 1) * TOGETHER + l];
        const double count = MIN(i + reach, n - 1) - MAX(i - reach, 0) + 1;
        for (int l = 0; i >= 0 && l < lines; l++)
            line[i * step + l * across] = (float)(sum[l] / count);
    }
}

/* Mean over a box of (2 reach + 1)^2, rows, then columns. */
static void box_mean(rw_plane p, int reach, float *scratch)
{
    for (int y = 0; y < p.height; y++)
        running_mean(p.px + y * p.stride, 1, p.stride, 1, p.width, reach, scratch);
    for (int x = 0; x < p.width; x += TOGETHER)
        running_mean(p.px + x, p.stride, 1, MIN(TOGETHER, p.width - x), p.height, reach, scratch);
}

/* half-size px: as far as a pattern and its search may reach, and a vector */
#define SMALL_BORDER 160

static ptrdiff_t energy_row(rw_plane p)
{
    return p.width + 2 * SMALL_BORDER + 1;
}

/* Sums of squares over all above and left of a place: that of (x, y) is at
 * [(y + border) row + x + border], exclusive. */
static void sum_squares(double *sum, rw_plane p)
{
    const ptrdiff_t row = energy_row(p);
    memset(sum, 0, (size_t)row * sizeof *sum);
    for (int y = 0; y < p.height + 2 * SMALL_BORDER; y++) {
        const float *in = p.px + (y - SMALL_BORDER) * p.stride - SMALL_BORDER;
        double *above = sum + y * row, *out = above + row, line = 0.0;
        out[0] = 0.0;
        for (int x = 0; x < p.width + 2 * SMALL_BORDER; x++) {
            line += (double)(in[x] * in[x]);
            out[x + 1] = above[x + 1] + line;
        }
    }
}

static void measure_oddness(desk *d, float *scratch)
{
    for (int k = 0; k < 2; k++) {
        rw_plane p = d->small[k];
        if (!d->has_odd[k])
            memset(d->odd[k], 0, (size_t)d->stride * (size_t)d->height * sizeof(float));
        halve(p, d->odd[k], d->stride, d->width, d->height);
        for (int y = -SMALL_BORDER; y < p.height + SMALL_BORDER;
             y++) { /* beyond the edge: nothing */
            float *row = p.px + y * p.stride;
            const bool outside = y < 0 || y >= p.height;
            for (int x = -SMALL_BORDER; x < (int)p.stride - SMALL_BORDER; x++)
                if (outside || x < 0 || x >= p.width)
                    row[x] = 0.0f;
        }
    }
    for (int k = 0; k < 2; k++)
        sum_squares(d->energy[k], d->small[k]);
    for (int y = 0; y < d->busy.height; y++)
        for (int x = 0; x < d->busy.width; x++) {
            const ptrdiff_t o = y * d->small[0].stride + x;
            const float a = fabsf(d->small[0].px[o]), b = fabsf(d->small[1].px[o]);
            d->busy.px[y * d->busy.stride + x] = CLAMP(0.5f * (a + b) - 1.0f, 0.0f, 4.0f);
        }
    box_mean(d->busy, 16, scratch);
}

static void desk_clear(desk *d)
{
    rw_film_clear(&d->film);
    rw_buffer_unref(&d->buffer);
}

static bool desk_take(desk *d, rw_pool *pool, GError **error)
{
    const size_t plane = (size_t)d->stride * (size_t)d->height;
    const int hw = (d->width + 1) / 2, hh = (d->height + 1) / 2;
    const ptrdiff_t half_stride = padded(hw + 2 * SMALL_BORDER);
    const size_t half = (size_t)half_stride * (size_t)(hh + 2 * SMALL_BORDER);
    const size_t sums = (size_t)(hw + 2 * SMALL_BORDER + 1) * (size_t)(hh + 2 * SMALL_BORDER + 1);
    const size_t raster = TWIN_SIDE * TWIN_SIDE;
    d->buffer = rw_pool_take(
        pool, (9 * plane + 3 * half + 2 * raster + 16 + 4 * sums) * sizeof(float), error);
    if (!d->buffer)
        return false;
    float *data = rw_buffer_data(d->buffer);
    float **const places[9] = {&d->near[0], &d->near[1], &d->near[2], &d->near[3], &d->middle,
                               &d->spread,  &d->odd[0],  &d->odd[1],  &d->score};
    for (int i = 0; i < 9; i++, data += plane)
        *places[i] = data;
    rw_plane *const halves[3] = {&d->small[0], &d->small[1], &d->busy};
    for (int i = 0; i < 3; i++, data += half)
        *halves[i] = (rw_plane){.px = data + SMALL_BORDER * half_stride + SMALL_BORDER,
                                .width = hw,
                                .height = hh,
                                .stride = half_stride};
    d->raster[0] = data;
    d->raster[1] = data + raster;
    data += (2 * raster + 15) & ~(size_t)15; /* doubles stand at their own boundary */
    d->energy[0] = (double *)(void *)data;
    d->energy[1] = d->energy[0] + sums;
    return true;
}

static void weigh_rows(desk *d, const rw_blemish_dsp *dsp)
{
    const rw_plane x = d->film.plane[0];
    for (int y = 0; y < d->height; y++) {
        const ptrdiff_t o = y * d->stride;
        const float *near[4];
        for (int k = 0; k < d->count; k++)
            near[k] = d->near[k] + o;
        dsp->weigh(d->middle + o, d->spread + o, near, d->count, d->width);
        const float *row = x.px + y * x.stride;
        for (int k = 0; k < d->width; k++)
            d->score[o + k] = fabsf(row[k] - d->middle[o + k]) - SPREAD * d->spread[o + k];
    }
}

/* What is odd about the neighbour, in its own place: it less the frame laid over it. */
static void lay_back(desk *d, int side, rw_plane near, const rw_motion_field *back, float *scratch)
{
    const rw_plane out = {d->odd[side], d->width, d->height, d->stride};
    rw_motion_warp(back, d->film.plane[0], out, scratch);
    level_light(d, near, d->odd[side], scratch);
    for (int y = 0; y < d->height; y++)
        for (int x = 0; x < d->width; x++)
            out.px[y * out.stride + x] = near.px[y * near.stride + x] - out.px[y * out.stride + x];
    d->has_odd[side] = true;
}

static bool desk_lay(desk *d, rw_pool *pool, const rw_blemish_window *w, const rw_noise *noise,
                     const rw_blemish_dsp *dsp, GError **error)
{
    *d = (desk){.dsp = dsp, .width = w->now->width, .height = w->now->height};
    d->stride = padded(d->width);
    d->sigma = smoothed_rms(noise);
    for (int k = 0; k < 4; k++) {
        if (!w->near[k] || !w->field[k])
            continue;
        d->field[d->count] = w->field[k];
        d->offset[d->count++] = k;
    }
    if (d->count < 2)
        return true;
    rw_buffer *scratch = rw_pool_take(
        pool,
        (TOGETHER / 2 * (size_t)(MAX(d->width, d->height) + 64) +
         3 * (size_t)((d->width / LEVEL + 2) * (d->height / LEVEL + 2)) + (size_t)d->height) *
            sizeof(float),
        error);
    if (!scratch)
        return false;
    float *room = rw_buffer_data(scratch);
    bool ok = desk_take(d, pool, error) &&
              make_smooth_film(&d->film, pool, w->now, noise, 1.0f / d->sigma, room, error);
    for (int k = 0; ok && k < d->count; k++) {
        rw_film film;
        ok = make_smooth_film(&film, pool, w->near[d->offset[k]], noise, 1.0f / d->sigma, room,
                              error);
        if (!ok)
            break;
        rw_plane out = {d->near[k], d->width, d->height, d->stride};
        rw_motion_warp(d->field[k], film.plane[0], out, room);
        level_light(d, d->film.plane[0], d->near[k], room);
        const int side = d->offset[k] == 1 ? 0 : 1;
        const bool next = d->offset[k] == 1 || d->offset[k] == 2;
        if (next && w->back[side])
            lay_back(d, side, film.plane[0], w->back[side], room);
        rw_film_clear(&film);
    }
    if (ok) {
        weigh_rows(d, dsp);
        measure_oddness(d, room);
    } else {
        desk_clear(d);
    }
    rw_buffer_unref(&scratch);
    return ok;
}

/* ---- objects ---- */

/* At the picture's edge the motion may lead out of a neighbour: then it says nothing of the place.
 */
static bool is_shown(const desk *d, int x, int y)
{
    for (int k = 0; k < d->count; k++) {
        if (d->offset[k] == 0 || d->offset[k] == 3)
            continue; /* the frames next to this one decide */
        const rw_motion_field *f = d->field[k];
        const ptrdiff_t o = (y / RW_MOTION_CELL) * f->stride + x / RW_MOTION_CELL;
        const float px = (float)x + f->dx[o], py = (float)y + f->dy[o];
        if (px < EDGE || py < EDGE || px > (float)d->width - 1.0f - EDGE ||
            py > (float)d->height - 1.0f - EDGE)
            return false;
    }
    return true;
}

static bool is_suspect(const desk *d, int x, int y, float bar)
{
    return d->score[y * d->stride + x] > bar && is_shown(d, x, y);
}

typedef struct walk {
    int32_t *label;
    GArray *stack; /* int32_t places */
} walk;

/* Marks all suspects that touch the seed with the object's number; returns its box and area. */
static void flood(const desk *d, walk *w, int seed_x, int seed_y, int32_t number, rw_blemish *b)
{
    *b = (rw_blemish){seed_x, seed_y, seed_x, seed_y, 0, 0, 0, {0}};
    int32_t place = seed_y * d->width + seed_x;
    const bool light = d->film.plane[0].px[seed_y * d->film.plane[0].stride + seed_x] >
                       d->middle[seed_y * d->stride + seed_x];
    w->label[place] = number;
    g_array_set_size(w->stack, 0);
    g_array_append_val(w->stack, place);
    while (w->stack->len) {
        place = g_array_index(w->stack, int32_t, w->stack->len - 1);
        g_array_set_size(w->stack, w->stack->len - 1);
        const int x = place % d->width, y = place / d->width;
        b->area++;
        b->x0 = MIN(b->x0, x);
        b->x1 = MAX(b->x1, x);
        b->y0 = MIN(b->y0, y);
        b->y1 = MAX(b->y1, y);
        for (int j = MAX(y - 1, 0); j <= MIN(y + 1, d->height - 1); j++)
            for (int i = MAX(x - 1, 0); i <= MIN(x + 1, d->width - 1); i++) {
                int32_t next = j * d->width + i;
                const ptrdiff_t o = j * d->stride + i;
                if (w->label[next] || !is_suspect(d, i, j, GROW) ||
                    (d->film.plane[0].px[j * d->film.plane[0].stride + i] > d->middle[o]) != light)
                    continue;
                w->label[next] = number;
                g_array_append_val(w->stack, next);
            }
    }
}

static void unmark(const desk *d, int32_t *label, const rw_blemish *b, int32_t number)
{
    for (int y = b->y0; y <= b->y1; y++)
        for (int x = b->x0; x <= b->x1; x++)
            if (label[y * d->width + x] == number)
                label[y * d->width + x] = 0;
}

static void gather_objects(const desk *d, rw_blemish_map *map)
{
    GArray *objects = g_array_new(FALSE, FALSE, sizeof(rw_blemish));
    walk w = {map->label, g_array_new(FALSE, FALSE, sizeof(int32_t))};
    for (int y = 0; y < d->height; y++)
        for (int x = 0; x < d->width; x++) {
            if (map->label[y * d->width + x] || !is_suspect(d, x, y, SEED))
                continue;
            rw_blemish b;
            const int32_t number = (int32_t)objects->len + 1;
            flood(d, &w, x, y, number, &b);
            if (b.area < LEAST)
                unmark(d, map->label, &b, number);
            else
                g_array_append_val(objects, b);
        }
    g_array_free(w.stack, TRUE);
    map->count = (int)objects->len;
    map->object = (rw_blemish *)(void *)g_array_free(objects, FALSE);
}

/* ---- features ---- */

static float difference(const desk *d, int x, int y)
{
    const rw_plane f = d->film.plane[0];
    return f.px[y * f.stride + x] - d->middle[y * d->stride + x];
}

/* Sums inside the object. */
static void measure_inside(const desk *d, const int32_t *label, int32_t number, rw_blemish *b)
{
    double score = 0, peak = 0, signed_sum = 0, quarrel = 0, light = 0;
    for (int y = b->y0; y <= b->y1; y++)
        for (int x = b->x0; x <= b->x1; x++) {
            if (label[y * d->width + x] != number)
                continue;
            const double e = (double)difference(d, x, y);
            score += fabs(e);
            signed_sum += e;
            peak = fmax(peak, fabs(e));
            quarrel += (double)d->spread[y * d->stride + x];
            light += (double)d->film.plane[0].px[y * d->film.plane[0].stride + x];
        }
    const double n = b->area, contrast = fmax(score / n, 0.5);
    b->contrast = (float)(signed_sum / n);
    b->feature[BLEMISH_AREA] = (float)log(n);
    b->feature[BLEMISH_SCORE] = (float)log(contrast);
    b->feature[BLEMISH_PEAK] = (float)log(fmax(peak, 0.5));
    b->feature[BLEMISH_SIGN] = b->contrast < 0 ? -1.0f : 1.0f;
    b->feature[BLEMISH_QUARREL] = (float)(quarrel / n / contrast);
    b->feature[BLEMISH_LIGHT] = (float)(light / n * (double)d->sigma);
}

#define RING 4 /* px round the object's box */

/* How many of the object's pixels lie above and left of a place of the widened box. */
typedef struct tally {
    int x0, y0, width, height; /* the widened box, inside the picture */
    int32_t *sum;              /* (width + 1) x (height + 1); g_free */
} tally;

static tally tally_up(const desk *d, const int32_t *label, int32_t number, const rw_blemish *b)
{
    tally t = {.x0 = MAX(b->x0 - RING, 0), .y0 = MAX(b->y0 - RING, 0)};
    t.width = MIN(b->x1 + RING, d->width - 1) - t.x0 + 1;
    t.height = MIN(b->y1 + RING, d->height - 1) - t.y0 + 1;
    const int row = t.width + 1;
    t.sum = g_new0(int32_t, (gsize)row * (gsize)(t.height + 1));
    for (int y = 0; y < t.height; y++) {
        const int32_t *l = label + (t.y0 + y) * d->width + t.x0;
        int32_t *above = t.sum + y * row, *own = above + row, run = 0;
        for (int x = 0; x < t.width; x++) {
            run += l[x] == number;
            own[x + 1] = above[x + 1] + run;
        }
    }
    return t;
}

/* Pixels of the object up to reach px away along rows and columns. */
static int32_t count_near(const tally *t, int x, int y, int reach)
{
    const int l = MAX(x - t->x0 - reach, 0), r = MIN(x - t->x0 + reach + 1, t->width);
    const int a = MAX(y - t->y0 - reach, 0), b = MIN(y - t->y0 + reach + 1, t->height);
    const int32_t *above = t->sum + a * (t->width + 1), *below = t->sum + b * (t->width + 1);
    return below[r] - below[l] - above[r] + above[l];
}

/* The ring: pixels 2 to 4 px outside the object's own. */
static bool in_ring(const tally *t, int x, int y)
{
    return count_near(t, x, y, RING) > 0 && count_near(t, x, y, 1) == 0;
}

static void measure_ring(const desk *d, const int32_t *label, int32_t number, rw_blemish *b)
{
    double ring = 0, quarrel = 0, trust = 0, n = 0, low[2] = {1e9, 1e9}, high[2] = {-1e9, -1e9};
    /* a large object's ring is sampled */
    const int step = MAX(1, (int)sqrt((b->x1 - b->x0 + 9.0) * (b->y1 - b->y0 + 9.0) / 900.0));
    tally t = tally_up(d, label, number, b);
    for (int y = t.y0; y < t.y0 + t.height; y += step)
        for (int x = t.x0; x < t.x0 + t.width; x += step) {
            if (!in_ring(&t, x, y))
                continue;
            ring += fmin(fabs((double)difference(d, x, y)), 8.0);
            quarrel += fmin((double)d->spread[y * d->stride + x], 12.0);
            for (int k = 0; k < d->count; k++) {
                const rw_motion_field *f = d->field[k];
                const ptrdiff_t o = (y / RW_MOTION_CELL) * f->stride + x / RW_MOTION_CELL;
                trust += (double)f->trust[o] / d->count;
                if (k == 0) {
                    low[0] = fmin(low[0], (double)f->dx[o]);
                    high[0] = fmax(high[0], (double)f->dx[o]);
                    low[1] = fmin(low[1], (double)f->dy[o]);
                    high[1] = fmax(high[1], (double)f->dy[o]);
                }
            }
            n += 1;
        }
    g_free(t.sum);
    if (n == 0)
        return;
    b->feature[BLEMISH_RING] = (float)(ring / n);
    b->feature[BLEMISH_QUARREL_RING] = (float)(quarrel / n);
    b->feature[BLEMISH_TRUST] = (float)(trust / n);
    b->feature[BLEMISH_ROUGH] = (float)fmin(high[0] - low[0] + high[1] - low[1], 12.0);
}

/* Mean step across the object's outline over its contrast. */
static void measure_edge(const desk *d, const int32_t *label, int32_t number, rw_blemish *b)
{
    double sum = 0, n = 0;
    for (int y = MAX(b->y0, 2); y <= MIN(b->y1, d->height - 3); y++)
        for (int x = MAX(b->x0, 2); x <= MIN(b->x1, d->width - 3); x++) {
            if (label[y * d->width + x] != number)
                continue;
            static const int way[4][2] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1}};
            for (int k = 0; k < 4; k++) {
                const int ox = x + way[k][0], oy = y + way[k][1];
                if (label[oy * d->width + ox] == number)
                    continue;
                sum += (double)(difference(d, x - way[k][0], y - way[k][1]) -
                                difference(d, ox + way[k][0], oy + way[k][1])) /
                       3.0;
                n += 1;
            }
        }
    if (n > 0)
        b->feature[BLEMISH_EDGE] =
            (float)(sum / n /
                    (double)(b->contrast < 0 ? MIN(b->contrast, -0.5f) : MAX(b->contrast, 0.5f)));
}

/* Dust takes the same share of every colour: the spread of the three channels' changes over their
 * mean change, against the frame after (or before). */
static void measure_colour(const desk *d, const rw_blemish_window *w, const int32_t *label,
                           int32_t number, rw_blemish *b)
{
    const int k = w->near[2] && w->field[2] ? 2 : 1;
    const rw_frame *other = w->near[k];
    if (!other || !w->field[k] || !other->plane[1] || !w->now->plane[1])
        return;
    double change[3] = {0}, n = 0;
    const int step = MAX(1, (int)sqrt(b->area / 300.0));
    for (int y = b->y0; y <= b->y1; y += step)
        for (int x = b->x0; x <= b->x1; x += step) {
            if (label[y * d->width + x] != number)
                continue;
            const rw_point v = rw_motion_field_at(w->field[k], x, y);
            const int ox = CLAMP(x + (int)lrint(v.x), 0, d->width - 1);
            const int oy = CLAMP(y + (int)lrint(v.y), 0, d->height - 1);
            for (int c = 0; c < 3; c++) {
                const double own = (double)w->now->plane[c][y * w->now->stride + x];
                const double was = (double)other->plane[c][oy * other->stride + ox];
                change[c] +=
                    (sqrt(fmax(own, 0)) - sqrt(fmax(was, 0))) / (sqrt(fmax(was, 0)) + 0.05);
            }
            n += 1;
        }
    if (n == 0)
        return;
    const double low = fmin(change[0], fmin(change[1], change[2]));
    const double high = fmax(change[0], fmax(change[1], change[2]));
    const double mean = fabs(change[0] + change[1] + change[2]) / 3.0;
    b->feature[BLEMISH_COLOUR] = (float)fmin((high - low) / (mean + 0.03 * n), 3.0);
}

/* ---- twins: the same thing elsewhere on the frame before or after ---- */

typedef struct pattern {
    int width, height, step; /* samples; step: half-size pixels from one to the next */
    float value[40 * 40];
    double energy;
} pattern;

/* What is odd about this frame there, at half size: the object in a margin of nothing. */
static void cut_pattern(const desk *d, const int32_t *label, int32_t number, const rw_blemish *b,
                        pattern *p, int *x0, int *y0)
{
    *x0 = b->x0 / 2 - 2; /* half-size px */
    *y0 = b->y0 / 2 - 2;
    const int w = b->x1 / 2 + 3 - *x0, h = b->y1 / 2 + 3 - *y0;
    p->step = MAX(1, (MAX(w, h) + 39) / 40);
    p->width = MIN(w / p->step, 40);
    p->height = MIN(h / p->step, 40);
    p->energy = 0;
    for (int j = 0; j < p->height; j++)
        for (int i = 0; i < p->width; i++) {
            float sum = 0;
            for (int k = 0; k < 4; k++) {
                const int x = 2 * (*x0 + i * p->step) + (k & 1),
                          y = 2 * (*y0 + j * p->step) + (k >> 1);
                if (x >= 0 && y >= 0 && x < d->width && y < d->height &&
                    label[y * d->width + x] == number)
                    sum += 0.25f * difference(d, x, y);
            }
            p->value[j * 40 + i] = sum;
            p->energy += (double)(sum * sum);
        }
}

/* Likeness 2 ab / (aa + bb) of the pattern to what is odd on another frame, for every shift within
 * reach; raster of TWIN_SIDE a row, the unmoved one at (reach, reach). bb is taken over the whole
 * box of the pattern: a twin stands in a margin of nothing, too. */
static void likeness_raster(float *raster, const pattern *p, rw_plane odd, const double *energy,
                            int x0, int y0, int reach, const rw_blemish_dsp *dsp)
{
    const int side = 2 * reach + 1, w = p->width * p->step, h = p->height * p->step;
    const ptrdiff_t row = energy_row(odd);
    const double share = 1.0 / (p->step * p->step);
    for (int dy = -reach; dy <= reach; dy++) {
        float cross[TWIN_ROW] = {0}, *out = raster + (dy + reach) * TWIN_SIDE;
        const int top = y0 + dy, left = x0 - reach;
        if (top < -SMALL_BORDER || top + h > odd.height + SMALL_BORDER || left < -SMALL_BORDER ||
            left + w + TWIN_ROW > odd.width + SMALL_BORDER) {
            memset(out, 0, (size_t)side * sizeof *out);
            continue;
        }
        for (int j = 0; j < p->height; j++)
            for (int i = 0; i < p->width; i++)
                if (p->value[j * 40 + i] != 0.0f)
                    dsp->gather(cross,
                                odd.px + (top + j * p->step) * odd.stride + left + i * p->step,
                                p->value[j * 40 + i], side);
        const double *a = energy + (top + SMALL_BORDER) * row + left + SMALL_BORDER;
        const double *b = a + h * row;
        for (int k = 0; k < side; k++)
            out[k] = (float)(2.0 * (double)cross[k] /
                             (p->energy + share * (b[k + w] - b[k] - a[k + w] + a[k]) + 1e-6));
    }
    for (int dy = -1; dy <= 1; dy++) /* in its own place it is no twin */
        for (int dx = -1; dx <= 1; dx++)
            raster[(reach + dy) * TWIN_SIDE + reach + dx] = 0.0f;
}

static float best_of(const float *raster, int reach)
{
    float best = 0.0f;
    for (int y = 0; y <= 2 * reach; y++)
        for (int x = 0; x <= 2 * reach; x++)
            best = MAX(best, raster[y * TWIN_SIDE + x]);
    return best;
}

/* The best pair of opposite shifts, give or take two: what flies on. */
static float best_pair(const float *before, const float *after, int reach)
{
    float best = 0.0f;
    for (int y = 0; y <= 2 * reach; y++)
        for (int x = 0; x <= 2 * reach; x++) {
            if (before[y * TWIN_SIDE + x] <= best)
                continue;
            float other = 0.0f;
            for (int j = -2; j <= 2; j++)
                for (int i = -2; i <= 2; i++) {
                    const int u = 2 * reach - x + i, v = 2 * reach - y + j;
                    if (u >= 0 && v >= 0 && u <= 2 * reach && v <= 2 * reach)
                        other = MAX(other, after[v * TWIN_SIDE + u]);
                }
            best = MAX(best, MIN(other, before[y * TWIN_SIDE + x]));
        }
    return best;
}

/* How the ground round the object moves to the frame before or after: the median of the vectors at
 * the corners of its widened box. */
static rw_point ground_motion(const desk *d, int side, const rw_blemish *b)
{
    const rw_motion_field *f = NULL;
    for (int k = 0; k < d->count; k++)
        if (d->offset[k] == 1 + side)
            f = d->field[k];
    if (!f)
        return (rw_point){0, 0};
    double x[4], y[4];
    for (int k = 0; k < 4; k++) {
        const rw_point v =
            rw_motion_field_at(f, k & 1 ? b->x1 + 16 : b->x0 - 16, k & 2 ? b->y1 + 16 : b->y0 - 16);
        x[k] = v.x;
        y[k] = v.y;
        for (int i = k; i > 0 && x[i] < x[i - 1]; i--) {
            const double t = x[i];
            x[i] = x[i - 1];
            x[i - 1] = t;
        }
        for (int i = k; i > 0 && y[i] < y[i - 1]; i--) {
            const double t = y[i];
            y[i] = y[i - 1];
            y[i - 1] = t;
        }
    }
    return (rw_point){0.5 * (x[1] + x[2]), 0.5 * (y[1] + y[2])};
}

static void find_twins(const desk *d, const int32_t *label, int32_t number, rw_blemish *b,
                       const rw_blemish_dsp *dsp)
{
    pattern p;
    int x0, y0;
    cut_pattern(d, label, number, b, &p, &x0, &y0);
    const int reach = CLAMP(d->width / 16, 16, TWIN_REACH);
    float like[2] = {0, 0};
    for (int k = 0; k < 2; k++)
        if (d->has_odd[k]) {
            const rw_point v = ground_motion(d, k, b);
            likeness_raster(d->raster[k], &p, d->small[k], d->energy[k], x0 + (int)lrint(0.5 * v.x),
                            y0 + (int)lrint(0.5 * v.y), reach, dsp);
            like[k] = best_of(d->raster[k], reach);
        }
    b->feature[BLEMISH_TWIN] = MAX(like[0], like[1]);
    b->feature[BLEMISH_TWIN_PAIR] =
        d->has_odd[0] && d->has_odd[1] ? best_pair(d->raster[0], d->raster[1], reach) : 0.0f;
}

/* The rule was fitted on windows with two frames on each side. At a scene's end, with frames on one
 * side only, what comes into sight looks like dirt: far more must speak for it. Measured: 4.2 off
 * the log odds keep false alarms where they are. */
static float handicap_of(const desk *d)
{
    bool before = false, after = false;
    for (int k = 0; k < d->count; k++) {
        before = before || d->offset[k] < 2;
        after = after || d->offset[k] >= 2;
    }
    return before && after ? (d->count == 4 ? 0.0f : 0.8f) : 4.2f;
}

/* A likeness this close on both sides, along one flight, is no chance, whatever else speaks for
 * dirt: the rule was fitted on the things of a few scenes, the world has more. */
#define SURE_TWIN 0.85f
#define SURE_PAIR 0.75f
#define FLIES     6.0f /* off the log odds */

static float flight_of(const rw_blemish *b)
{
    return b->feature[BLEMISH_TWIN] > SURE_TWIN && b->feature[BLEMISH_TWIN_PAIR] > SURE_PAIR ? FLIES
                                                                                             : 0.0f;
}

static float less_sure(float confidence, float by)
{
    if (by == 0.0f)
        return confidence;
    const float c = CLAMP(confidence, 1e-6f, 1.0f - 1e-6f);
    return 1.0f / (1.0f + expf(by - logf(c / (1.0f - c))));
}

bool rw_blemish_find(rw_blemish_map *map, rw_pool *pool, const rw_blemish_window *window,
                     const rw_noise *noise, bool with_all_features, GError **error)
{
    *map = (rw_blemish_map){.width = window->now->width, .height = window->now->height};
    rw_blemish_dsp dsp;
    rw_blemish_dsp_init(&dsp, rw_cpu_level());
    desk d;
    if (!desk_lay(&d, pool, window, noise, &dsp, error))
        return false;
    map->label = g_try_new0(int32_t, (gsize)map->width * (gsize)map->height);
    if (!map->label) {
        desk_clear(&d);
        g_set_error(error, RW_ERROR, RW_ERROR_MEMORY,
                    "No room for a map of %d by %d pixels. Use fewer threads or a smaller size.",
                    map->width, map->height);
        return false;
    }
    if (d.count >= 2) {
        gather_objects(&d, map);
        const float handicap = handicap_of(&d);
        for (int i = 0; i < map->count; i++) {
            rw_blemish *b = &map->object[i];
            measure_inside(&d, map->label, i + 1, b);
            measure_ring(&d, map->label, i + 1, b);
            measure_edge(&d, map->label, i + 1, b);
            measure_colour(&d, window, map->label, i + 1, b);
            b->feature[BLEMISH_BUSY] =
                d.busy.px[(b->y0 + b->y1) / 4 * d.busy.stride + (b->x0 + b->x1) / 4];
            /* twins only ever speak against an object: without hope there is no need to look */
            b->confidence = less_sure(rw_blemish_judge(b->feature), handicap);
            if (b->confidence > HOPELESS || with_all_features) {
                find_twins(&d, map->label, i + 1, b, &dsp);
                b->confidence = less_sure(rw_blemish_judge(b->feature), handicap + flight_of(b));
            }
        }
    }
    desk_clear(&d);
    return true;
}

void rw_blemish_map_clear(rw_blemish_map *map)
{
    g_clear_pointer(&map->object, g_free);
    g_clear_pointer(&map->label, g_free);
    map->count = 0;
}

/* ---- the table of kernels ---- */

#define DECLARE(isa)                                                                               \
    rw_blemish_weigh_fn rw_blemish_weigh_##isa;                                                    \
    rw_blemish_gather_fn rw_blemish_gather_##isa;                                                  \
    rw_blemish_lack_fn rw_blemish_lack_##isa;                                                      \
    rw_blemish_ramp_fn rw_blemish_ramp_##isa;
#define USE(isa)                                                                                   \
    *dsp = (rw_blemish_dsp)                                                                        \
    {                                                                                              \
        .weigh = rw_blemish_weigh_##isa, .gather = rw_blemish_gather_##isa,                        \
        .lack = rw_blemish_lack_##isa, .ramp = rw_blemish_ramp_##isa                               \
    }

RW_CPU_DECLARE(DECLARE)

void rw_blemish_dsp_init(rw_blemish_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
