/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Compiled once per CPU level with RW_ISA set to its name. C library only.
 */
#include "demo/row.h"

#include <math.h>

#include "demo/fmath.h"

#define PASTE2(a, b) a##b
#define PASTE(a, b)  PASTE2(a, b)
#define ROWS         PASTE(rw_demo_rows_, RW_ISA)

typedef float v4 __attribute__((vector_size(16)));

static inline v4 load4(const float *p)
{
    v4 v;
    memcpy(&v, p, sizeof v);
    return v;
}

static inline void store4(float *p, v4 v)
{
    memcpy(p, &v, sizeof v);
}

enum { BATCH = 64 };

/* Where a batch of samples lies along one axis: the pixel before each, such that i-1 .. i+2 are
 * inside, and the weights of those four, sample after sample. */
typedef struct place {
    int at[BATCH];
    float weight[BATCH][4];
} place;

static inline void split(double first, double step, int n, int size, int *at, float *rest)
{
    for (int i = 0; i < n; i++) {
        double x = first + i * step;
        x = x < 1.0 ? 1.0 : x;
        x = x > size - 2.0 ? size - 2.0 : x;
        int k = (int)x;
        k = k > size - 3 ? size - 3 : k;
        at[i] = k;
        rest[i] = (float)(x - k);
    }
}

/* The cubic B-spline. */
static inline void spline_place(double first, double step, int n, int size, place *p)
{
    float rest[BATCH];
    split(first, step, n, size, p->at, rest);
    for (int i = 0; i < n; i++) {
        float t = rest[i], u = 1.0f - t, t2 = t * t, u2 = u * u;
        p->weight[i][0] = u2 * u * (1.0f / 6);
        p->weight[i][1] = (4.0f - 6.0f * t2 + 3.0f * t2 * t) * (1.0f / 6);
        p->weight[i][2] = (4.0f - 6.0f * u2 + 3.0f * u2 * u) * (1.0f / 6);
        p->weight[i][3] = t2 * t * (1.0f / 6);
    }
}

static inline v4 sum4(const float *p, const float *w)
{
    return (load4(p) * w[0] + load4(p + 4) * w[1]) + (load4(p + 8) * w[2] + load4(p + 12) * w[3]);
}

static inline void gather(const rw_demo_raster *r, const place *x, const place *y, int n,
                          float *out)
{
    size_t stride = (size_t)r->width * 4;
    for (int i = 0; i < n; i++) {
        const float *p = r->px + (size_t)(y->at[i] - 1) * stride + (size_t)(x->at[i] - 1) * 4;
        const float *wx = x->weight[i], *wy = y->weight[i];
        v4 upper = sum4(p, wx) * wy[0] + sum4(p + stride, wx) * wy[1];
        v4 lower = sum4(p + 2 * stride, wx) * wy[2] + sum4(p + 3 * stride, wx) * wy[3];
        store4(out + 4 * i, upper + lower);
    }
}

static void spline(const rw_demo_raster *raster, const rw_demo_walk *walk, int n, float *out)
{
    place x, y;
    for (int i = 0; i < n; i += BATCH) {
        int m = n - i < BATCH ? n - i : BATCH;
        spline_place(walk->x + i * walk->dx, walk->dx, m, raster->width, &x);
        spline_place(walk->y + i * walk->dy, walk->dy, m, raster->height, &y);
        gather(raster, &x, &y, m, out + 4 * i);
    }
}

static void develop(const rw_demo_developer *d, const float *restrict density,
                    const float *restrict grain, int n, float *restrict light)
{
    float k[BATCH]; /* the four channels' again and again: one flat loop vectorises best */
    for (int i = 0; i < BATCH; i++)
        k[i] = d->grain_k[i & 3];
    const float floor = d->grain_floor, toe = d->grain_toe;
    if (grain)
        for (int at = 0; at < 4 * n; at += BATCH) {
            int m = 4 * n - at < BATCH ? 4 * n - at : BATCH;
            for (int i = 0; i < m; i++) {
                float e = density[at + i], over = e - floor;
                float s = sqrtf((over > 0 ? over : 0) + toe) * k[i];
                light[at + i] = e + (s * grain[at + i] + s * s * 0.34657359f);
            }
        }
    else
        memcpy(light, density, sizeof(float) * 4 * (size_t)n);
    if (d->fades)
        for (int i = 0; i < 4 * n; i += 4) {
            float r = light[i] - d->base, g = light[i + 1] - d->base, b = light[i + 2] - d->base;
            for (int c = 0; c < 3; c++) {
                const float *m = d->matrix[c];
                light[i + c] = d->offset[c] + m[0] * r + m[1] * g + m[2] * b;
            }
        }
    for (int i = 0; i < 4 * n; i++) {
        float e = light[i];
        light[i] = demo_exp2f(-(e > 0 ? e : 0));
    }
}

static void window(const rw_demo_window *w, double x, double y, double dx, double dy, int n,
                   float *restrict coverage)
{
    float bx = w->half_width - w->radius, by = w->half_height - w->radius;
    float fx = (float)x, fy = (float)y, fdx = (float)dx, fdy = (float)dy, scale = 1.0f / w->soft;
    for (int i = 0; i < n; i++) {
        float qx = fx + (float)i * fdx, qy = fy + (float)i * fdy;
        qx = (qx < 0 ? -qx : qx) - bx;
        qy = (qy < 0 ? -qy : qy) - by;
        float px = qx > 0 ? qx : 0, py = qy > 0 ? qy : 0, deepest = qx > qy ? qx : qy;
        float d = sqrtf(px * px + py * py) + (deepest < 0 ? deepest : 0) - w->radius;
        float c = 0.5f - d * scale;
        c = c < 0 ? 0 : c;
        coverage[i] = c > 1 ? 1 : c;
    }
}

static inline void add_pair(const float *restrict a, const float *restrict b, float t, int n,
                            float *restrict sum)
{
    for (int i = 0; i < n; i++)
        sum[i] += t * (a[i] + b[i]);
}

static void blur_across(const float *restrict in, const float *restrict tap, int radius, int n,
                        float *restrict out)
{
    enum { BLOCK = 64 };
    for (int at = 0; at < 4 * n; at += BLOCK) {
        int m = 4 * n - at < BLOCK ? 4 * n - at : BLOCK;
        const float *p = in + at;
        float sum[BLOCK];
        for (int i = 0; i < m; i++)
            sum[i] = tap[0] * p[i];
        for (int k = 1; k <= radius; k++)
            add_pair(p - 4 * k, p + 4 * k, tap[k], m, sum);
        memcpy(out + at, sum, sizeof(float) * (size_t)m);
    }
}

static void blur_along(const float *const *rows, const float *restrict tap, int radius, int n,
                       float *restrict out)
{
    enum { BLOCK = 64 };
    for (int at = 0; at < 4 * n; at += BLOCK) {
        int m = 4 * n - at < BLOCK ? 4 * n - at : BLOCK;
        const float *p = rows[radius] + at;
        float sum[BLOCK];
        for (int i = 0; i < m; i++)
            sum[i] = tap[0] * p[i];
        for (int k = 1; k <= radius; k++) {
            add_pair(rows[radius - k] + at, rows[radius + k] + at, tap[k], m, sum);
        }
        memcpy(out + at, sum, sizeof(float) * (size_t)m);
    }
}

/* A hash of the counter: two rounds of multiply and xor-shift. */
static inline uint32_t hash(uint32_t x)
{
    x ^= x >> 16;
    x *= 0x7FEB352Du;
    x ^= x >> 15;
    x *= 0x846CA68Bu;
    x ^= x >> 16;
    return x;
}

static void expose(const rw_demo_sensor *sensor, const float *restrict light, uint32_t counter,
                   int n, uint16_t *restrict index)
{
    enum { BLOCK = 64 };
    const float unit = 0.00676582f; /* 1 / standard deviation of the sum of four bytes */
    const float shot2 = sensor->shot2, read2 = sensor->read2;
    for (int at = 0; at < n; at += BLOCK) {
        int m = n - at < BLOCK ? n - at : BLOCK;
        float value[4 * BLOCK];
        uint32_t first = (counter + (uint32_t)at) * 4u + sensor->key;
        for (int i = 0; i < 4 * m; i++) {
            float l = light[4 * at + i];
            l = l > 0 ? l : 0;
            uint32_t h = hash(first + (uint32_t)i);
            int sum = (int)((h & 255u) + ((h >> 8) & 255u) + ((h >> 16) & 255u) + (h >> 24)) - 510;
            l += (float)sum * unit * sqrtf(shot2 * l + read2);
            l = l < 0 ? 0 : l;
            l = l > 1 ? 1 : l;
            value[i] = l * 16383.0f + 0.5f;
        }
        for (int i = 0; i < m; i++)
            for (int c = 0; c < 3; c++)
                index[3 * (at + i) + c] = (uint16_t)value[4 * i + c];
    }
}

static void white(uint32_t key, uint32_t counter, int n, float *out)
{
    for (int i = 0; i < 2 * n; i++) {
        uint32_t h = hash(key + counter * 2u + (uint32_t)i);
        out[2 * i] = ((float)(int)(h & 65535u) - 32767.5f) * 5.2857e-5f;
        out[2 * i + 1] = ((float)(int)(h >> 16) - 32767.5f) * 5.2857e-5f;
    }
}

extern const rw_demo_rows ROWS;
const rw_demo_rows ROWS = {spline, develop, window, blur_across, blur_along, expose, white};
