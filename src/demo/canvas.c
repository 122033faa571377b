/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/canvas.h"

#include <math.h>

#include "demo/fmath.h"
#include "demo/random.h"

/* ---- noise ---- */

static void add_octave(float *tile, uint64_t seed, const char *name, int cell, float strength)
{
    int n = DEMO_TILE / cell;
    float *knots = g_new(float, (size_t)n *(size_t)n);
    rw_demo_stream s = rw_demo_stream_open(seed, name, cell);
    for (int i = 0; i < n * n; i++)
        knots[i] = strength * (float)rw_demo_between(&s, -1, 1);
    for (int y = 0; y < DEMO_TILE; y++) {
        int j = y / cell, j1 = (j + 1) % n;
        float v = demo_smooth(0, 1, (float)(y % cell) / (float)cell);
        for (int x = 0; x < DEMO_TILE; x++) {
            int i = x / cell, i1 = (i + 1) % n;
            float u = demo_smooth(0, 1, (float)(x % cell) / (float)cell);
            tile[y * DEMO_TILE + x] +=
                demo_mix(demo_mix(knots[j * n + i], knots[j * n + i1], u),
                         demo_mix(knots[j1 * n + i], knots[j1 * n + i1], u), v);
        }
    }
    g_free(knots);
}

static void normalise(float *tile, int n)
{
    double sum = 0, squares = 0;
    for (int i = 0; i < n; i++) {
        sum += (double)tile[i];
        squares += (double)tile[i] * (double)tile[i];
    }
    float mean = (float)(sum / n), scale = (float)(1 / sqrt(squares / n - (sum / n) * (sum / n)));
    for (int i = 0; i < n; i++)
        tile[i] = (tile[i] - mean) * scale;
}

rw_demo_noise *rw_demo_noise_new(uint64_t seed, const char *name, int largest, float fall)
{
    rw_demo_noise *noise = g_new0(rw_demo_noise, 1);
    float *top = g_new0(float, DEMO_TILE *DEMO_TILE), strength = 1;
    for (int cell = largest; cell >= 1; cell /= 2, strength *= fall)
        add_octave(top, seed, name, cell, strength);
    normalise(top, DEMO_TILE * DEMO_TILE);
    noise->level[0] = top;
    for (int k = 1; k < DEMO_LEVELS; k++) {
        int n = DEMO_TILE >> k;
        const float *in = noise->level[k - 1];
        float *out = noise->level[k] = g_new(float, (size_t)n *(size_t)n);
        for (int y = 0; y < n; y++)
            for (int x = 0; x < n; x++) {
                const float *p = in + 4 * y * n + 2 * x;
                out[y * n + x] = 0.25f * (p[0] + p[1] + p[2 * n] + p[2 * n + 1]);
            }
    }
    return noise;
}

void rw_demo_noise_free(rw_demo_noise **noise)
{
    if (!*noise)
        return;
    for (int k = 0; k < DEMO_LEVELS; k++)
        g_free((*noise)->level[k]);
    g_clear_pointer(noise, g_free);
}

float rw_demo_noise_at(const rw_demo_noise *noise, float x, float y, float footprint)
{
    int k = 0;
    while (k < DEMO_LEVELS - 1 && footprint > 1.6f) {
        footprint *= 0.5f;
        x = x * 0.5f - 0.25f;
        y = y * 0.5f - 0.25f;
        k++;
    }
    int mask = (DEMO_TILE >> k) - 1;
    float fx = floorf(x), fy = floorf(y), u = x - fx, v = y - fy;
    int i = (int)fx & mask, j = (int)fy & mask, i1 = (i + 1) & mask, j1 = (j + 1) & mask;
    const float *t = noise->level[k];
    int n = mask + 1;
    return demo_mix(demo_mix(t[j * n + i], t[j * n + i1], u),
                    demo_mix(t[j1 * n + i], t[j1 * n + i1], u), v);
}

/* ---- colour, outlines ---- */

rw_demo_rgb rw_demo_rgb_hex(uint32_t hex)
{
    rw_demo_rgb r;
    for (int c = 0; c < 3; c++)
        r.c[c] = demo_srgb_decode((float)(hex >> (16 - 8 * c) & 255u) / 255.0f);
    return r;
}

rw_demo_rgb rw_demo_rgb_mix(rw_demo_rgb a, rw_demo_rgb b, float t)
{
    for (int c = 0; c < 3; c++)
        a.c[c] = demo_mix(a.c[c], b.c[c], t);
    return a;
}

rw_demo_rgb rw_demo_rgb_scale(rw_demo_rgb a, float by)
{
    for (int c = 0; c < 3; c++)
        a.c[c] *= by;
    return a;
}

rw_demo_pose rw_demo_pose_at(float x, float y, float scale, float turns)
{
    return (rw_demo_pose){x, y, scale, demo_sinf(turns + 0.25f), demo_sinf(turns)};
}

void rw_demo_path_to(rw_demo_path *path, float x, float y)
{
    if (path->n < (int)G_N_ELEMENTS(path->pt)) {
        path->pt[path->n][0] = x;
        path->pt[path->n++][1] = y;
    }
}

void rw_demo_path_bend(rw_demo_path *path, float cx, float cy, float x, float y)
{
    float x0 = path->pt[path->n - 1][0], y0 = path->pt[path->n - 1][1];
    for (int i = 1; i <= 12; i++) {
        float t = (float)i / 12, a = (1 - t) * (1 - t), b = 2 * t * (1 - t), c = t * t;
        rw_demo_path_to(path, a * x0 + b * cx + c * x, a * y0 + b * cy + c * y);
    }
}

rw_demo_path rw_demo_path_ellipse(float x, float y, float rx, float ry)
{
    rw_demo_path p = {.n = 0};
    for (int i = 0; i < 32; i++)
        rw_demo_path_to(&p, x + rx * demo_sinf((float)i / 32 + 0.25f),
                        y + ry * demo_sinf((float)i / 32));
    return p;
}

rw_demo_path rw_demo_path_limb(float x0, float y0, float r0, float x1, float y1, float r1)
{
    rw_demo_path p = {.n = 0};
    float dx = x1 - x0, dy = y1 - y0, length = sqrtf(dx * dx + dy * dy) + 1e-6f;
    dx /= length;
    dy /= length;
    for (int end = 0; end < 2; end++) {
        float r = end ? r1 : r0, cx = end ? x1 : x0, cy = end ? y1 : y0, sign = end ? 1 : -1;
        for (int i = 0; i <= 8; i++) { /* half a turn from one tangent point to the other */
            float a = (float)i / 16 - 0.25f, c = demo_sinf(a + 0.25f), s = demo_sinf(a);
            rw_demo_path_to(&p, cx + sign * r * (c * dx - s * dy),
                            cy + sign * r * (c * dy + s * dx));
        }
    }
    return p;
}

/* ---- filling: signed areas are gathered per pixel, a running sum along the row gives coverage --
 */

typedef struct area {
    float *cell;
    int x0, y0, width, height;
} area;

/* What a straight edge leaves in one row of cells. dy: its height, signed; what lies beyond the
 * row's ends counts there. */
static void edge_in_row(float *row, int width, float x0, float x1, float dy)
{
    if (x0 > x1) {
        float t = x0;
        x0 = x1;
        x1 = t;
    }
    float end = (float)width;
    if (x0 >= end || x1 <= 0 || x1 - x0 < 1e-6f) {
        float x = demo_clampf(0.5f * (x0 + x1), 0, end);
        int i = (int)x;
        row[i] += dy * (1 - (x - (float)i));
        row[i + 1] += dy * (x - (float)i);
        return;
    }
    float per = dy / (x1 - x0);
    row[0] += x0 < 0 ? -x0 * per : 0;
    row[width] += x1 > end ? (x1 - end) * per : 0;
    x0 = MAX(x0, 0);
    x1 = MIN(x1, end);
    for (int i = (int)x0; i <= (int)x1; i++) {
        float a = MAX(x0, (float)i), b = MIN(x1, (float)(i + 1));
        float part = (b - a) * per, mid = (a + b) * 0.5f - (float)i;
        row[i] += part * (1 - mid);
        row[i + 1] += part * mid;
    }
}

static void add_edge(const area *a, const float *p, const float *q)
{
    float sign = 1, x0 = p[0] - (float)a->x0 + 0.5f, y0 = p[1] - (float)a->y0 + 0.5f;
    float x1 = q[0] - (float)a->x0 + 0.5f, y1 = q[1] - (float)a->y0 + 0.5f;
    if (y0 == y1)
        return;
    if (y0 > y1) {
        float t = y0;
        y0 = y1;
        y1 = t;
        t = x0;
        x0 = x1;
        x1 = t;
        sign = -1;
    }
    float slope = (x1 - x0) / (y1 - y0);
    int first = MAX(0, (int)floorf(y0)), last = MIN(a->height - 1, (int)floorf(y1));
    for (int y = first; y <= last; y++) {
        float top = MAX(y0, (float)y), low = MIN(y1, (float)(y + 1));
        if (low <= top)
            continue;
        float xa = x0 + (top - y0) * slope, xb = x0 + (low - y0) * slope;
        float *row = a->cell + (size_t)y * (size_t)(a->width + 2);
        edge_in_row(row, a->width, xa, xb, sign * (low - top));
    }
}

/* Cells to coverage, 0..1. */
static void settle(const area *a)
{
    for (int y = 0; y < a->height; y++) {
        float sum = 0, *row = a->cell + (size_t)y * (size_t)(a->width + 2);
        for (int x = 0; x < a->width; x++) {
            sum += row[x];
            row[x] = MIN(sum < 0 ? -sum : sum, 1.0f);
        }
    }
}

/* Mean over 2 r + 1 values, `step` apart, what lies outside being 0. */
static void box_line(const float *in, float *out, int n, int step, int r)
{
    double sum = 0;
    for (int i = 0; i < MIN(r, n); i++)
        sum += (double)in[i * step];
    for (int i = 0; i < n; i++) {
        if (i + r < n)
            sum += (double)in[(i + r) * step];
        if (i - r - 1 >= 0)
            sum -= (double)in[(i - r - 1) * step];
        out[i * step] = (float)sum / (float)(2 * r + 1);
    }
}

/* How much each pixel of the area turns to the sun, about -1 .. 1; free with g_free. The coverage
 * blurred is a hill; its slope is the surface's. */
static float *swell(const area *a, float radius, bool flipped)
{
    int w = a->width + 2, h = a->height, r = (int)demo_clampf(radius + 0.5f, 1, 60);
    size_t n = (size_t)w * (size_t)h;
    float *hill = g_new(float, n), *other = g_new0(float, n);
    memcpy(hill, a->cell, n * sizeof *hill);
    for (int y = 0; y < h; y++)
        hill[y * w + w - 1] = hill[y * w + w - 2] = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (int y = 0; y < h; y++)
            box_line(hill + y * w, other + y * w, w, 1, r);
        for (int x = 0; x < w; x++)
            box_line(other + x, hill + x, h, w, r);
    }
    float down = flipped ? -0.8f : 0.8f, scale = 1.6f * (float)r;
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            float gx = hill[y * w + MIN(x + 1, w - 1)] - hill[y * w + MAX(x - 1, 0)];
            float gy = hill[MIN(y + 1, h - 1) * w + x] - hill[MAX(y - 1, 0) * w + x];
            other[y * w + x] = demo_clampf((0.6f * gx + down * gy) * scale, -1, 1);
        }
    g_free(hill);
    return other;
}

static void paint_pixel(float *px, float x, float y, const rw_demo_paint *paint, float footprint,
                        float light, float coverage)
{
    float gx = paint->bx - paint->ax, gy = paint->by - paint->ay, length = gx * gx + gy * gy;
    float t = length > 0 ? ((x - paint->ax) * gx + (y - paint->ay) * gy) / length : 0;
    t = demo_clampf(t, 0, 1);
    if (paint->noise)
        light +=
            paint->strength * rw_demo_noise_at(paint->noise, x * paint->grain_x, y * paint->grain_y,
                                               footprint * MAX(paint->grain_x, paint->grain_y));
    light = MAX(light, 0.05f);
    for (int c = 0; c < 3; c++) {
        float to = demo_mix(paint->from.c[c], paint->to.c[c], t) * light;
        px[c] += coverage * (to - px[c]);
    }
    px[3] += coverage * (1 - px[3]);
}

static void paint_area(rw_demo_picture *picture, const area *a, const rw_demo_pose *pose,
                       const rw_demo_paint *paint)
{
    float back = 1 / pose->scale;
    settle(a);
    float *relief = paint->relief > 0 ? swell(a, paint->round * pose->scale, paint->flipped) : NULL;
    for (int y = 0; y < a->height; y++) {
        const float *row = a->cell + (size_t)y * (size_t)(a->width + 2);
        float *px =
            picture->px + 4 * ((size_t)(a->y0 + y) * (size_t)picture->width + (size_t)a->x0);
        for (int x = 0; x < a->width; x++) {
            float coverage = row[x] * paint->opacity;
            if (coverage < 0.002f)
                continue;
            float dx = ((float)(a->x0 + x) - pose->x) * back;
            float dy = ((float)(a->y0 + y) - pose->y) * back;
            if (paint->flipped)
                dy = -dy;
            float light = relief ? 1 + paint->relief * relief[y * (a->width + 2) + x] : 1;
            paint_pixel(px + 4 * x, dx * pose->cosine + dy * pose->sine,
                        dy * pose->cosine - dx * pose->sine, paint, back, light, coverage);
        }
    }
    g_free(relief);
}

void rw_demo_canvas_fill(rw_demo_picture *picture, const rw_demo_path *path,
                         const rw_demo_pose *pose, const rw_demo_paint *paint)
{
    float pt[G_N_ELEMENTS(path->pt)][2], left = 1e9f, right = -1e9f, top = 1e9f, low = -1e9f;
    for (int i = 0; i < path->n; i++) {
        float x = path->pt[i][0], y = path->pt[i][1];
        float along = (x * pose->sine + y * pose->cosine) * pose->scale;
        pt[i][0] = pose->x + (x * pose->cosine - y * pose->sine) * pose->scale;
        pt[i][1] = pose->y + (paint->flipped ? -along : along);
        left = MIN(left, pt[i][0]);
        right = MAX(right, pt[i][0]);
        top = MIN(top, pt[i][1]);
        low = MAX(low, pt[i][1]);
    }
    area a;
    a.x0 = (int)demo_clampf(floorf(left), 0, (float)picture->width);
    a.y0 = (int)demo_clampf(floorf(top), 0, (float)picture->height);
    a.width = (int)demo_clampf(ceilf(right) + 1, 0, (float)picture->width) - a.x0;
    a.height = (int)demo_clampf(ceilf(low) + 1, 0, (float)picture->height) - a.y0;
    if (path->n < 3 || a.width <= 0 || a.height <= 0)
        return;
    a.cell = g_new0(float, (size_t)(a.width + 2) * (size_t)a.height);
    for (int i = 0; i < path->n; i++)
        add_edge(&a, pt[i], pt[(i + 1) % path->n]);
    paint_area(picture, &a, pose, paint);
    g_free(a.cell);
}

void rw_demo_canvas_dab(rw_demo_picture *picture, float x, float y, float rx, float ry,
                        rw_demo_rgb colour, float opacity, float edge)
{
    int x0 = MAX(0, (int)floorf(x - rx - 1)), x1 = MIN(picture->width - 1, (int)ceilf(x + rx + 1));
    int y0 = MAX(0, (int)floorf(y - ry - 1)), y1 = MIN(picture->height - 1, (int)ceilf(y + ry + 1));
    float inner = 1 - edge, fade = 1 / MAX(edge, 1 / MAX(MIN(rx, ry), 0.5f));
    for (int j = y0; j <= y1; j++)
        for (int i = x0; i <= x1; i++) {
            float dx = ((float)i - x) / rx, dy = ((float)j - y) / ry;
            float r = sqrtf(dx * dx + dy * dy);
            float a = opacity * demo_clampf(1 - (r - inner) * fade, 0, 1);
            float *p = picture->px + 4 * ((size_t)j * (size_t)picture->width + (size_t)i);
            for (int c = 0; c < 3; c++)
                p[c] += a * (colour.c[c] - p[c]);
            p[3] += a * (1 - p[3]);
        }
}

static void soften_line(const float *in, float *out, int n, ptrdiff_t step, const float *tap, int r)
{
    for (int i = 0; i < n; i++) {
        float sum[4] = {0};
        for (int k = -r; k <= r; k++) {
            const float *p = in + CLAMP(i + k, 0, n - 1) * step;
            for (int c = 0; c < 4; c++)
                sum[c] += tap[k < 0 ? -k : k] * p[c];
        }
        memcpy(out + i * step, sum, sizeof sum);
    }
}

static int triangle(float half, float tap[16])
{
    int r = (int)demo_clampf(ceilf(half) - 1, 0, 15);
    float sum = 0;
    for (int k = 0; k <= r; k++) {
        tap[k] = MAX(half, 1) - (float)k;
        sum += k ? 2 * tap[k] : tap[k];
    }
    for (int k = 0; k <= r; k++)
        tap[k] /= sum;
    return r;
}

void rw_demo_canvas_soften(rw_demo_picture *picture, float across, float along)
{
    int w = picture->width, h = picture->height;
    float tap[16], *other = g_new(float, 4 * (size_t)w * (size_t)h);
    int r = triangle(across, tap);
    for (int y = 0; y < h; y++) {
        size_t row = 4 * (size_t)y * (size_t)w;
        soften_line(picture->px + row, other + row, w, 4, tap, r);
    }
    r = triangle(along, tap);
    ptrdiff_t row = 4 * (ptrdiff_t)w;
    for (int y = 0; y < h; y++) { /* row by row: columns would leave the cache */
        float *out = picture->px + y * row;
        const float *p = other + y * row;
        for (int i = 0; i < 4 * w; i++)
            out[i] = tap[0] * p[i];
        for (int k = 1; k <= r; k++) {
            const float *a = other + MAX(y - k, 0) * row, *b = other + MIN(y + k, h - 1) * row;
            for (int i = 0; i < 4 * w; i++)
                out[i] += tap[k] * (a[i] + b[i]);
        }
    }
    g_free(other);
}
