/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/lanes.h"
#include "restore/grain.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

rw_grain_row_fn NAME(rw_grain_row);

typedef struct patch {
    f8 row[8];
} patch;

/* ---- the 8 point cosine transform down the columns, orthonormal ---- */

#define C1 0.49039264f /* cos(k pi / 16) / 2 */
#define C2 0.46193977f
#define C3 0.41573481f
#define C4 0.35355339f
#define C5 0.27778512f
#define C6 0.19134172f
#define C7 0.09754516f

static inline f8 times(f8 a, float c)
{
    return f8_mul(a, f8_set(c));
}

static inline f8 sum4(f8 a, float ca, f8 b, float cb, f8 c, float cc, f8 d, float cd)
{
    return f8_add(f8_add(times(a, ca), times(b, cb)), f8_add(times(c, cc), times(d, cd)));
}

static inline void down(patch *p)
{
    const f8 *x = p->row;
    const f8 s0 = f8_add(x[0], x[7]), s1 = f8_add(x[1], x[6]);
    const f8 s2 = f8_add(x[2], x[5]), s3 = f8_add(x[3], x[4]);
    const f8 d0 = f8_sub(x[0], x[7]), d1 = f8_sub(x[1], x[6]);
    const f8 d2 = f8_sub(x[2], x[5]), d3 = f8_sub(x[3], x[4]);
    const f8 a = f8_add(s0, s3), b = f8_add(s1, s2), c = f8_sub(s0, s3), d = f8_sub(s1, s2);
    p->row[0] = times(f8_add(a, b), C4);
    p->row[4] = times(f8_sub(a, b), C4);
    p->row[2] = f8_add(times(c, C2), times(d, C6));
    p->row[6] = f8_sub(times(c, C6), times(d, C2));
    p->row[1] = sum4(d0, C1, d1, C3, d2, C5, d3, C7);
    p->row[3] = sum4(d0, C3, d1, -C7, d2, -C1, d3, -C5);
    p->row[5] = sum4(d0, C5, d1, -C1, d2, C7, d3, C3);
    p->row[7] = sum4(d0, C7, d1, -C5, d2, C3, d3, -C1);
}

static inline void up(patch *p)
{
    const f8 *c = p->row;
    const f8 a = times(f8_add(c[0], c[4]), C4), b = times(f8_sub(c[0], c[4]), C4);
    const f8 e = f8_add(times(c[2], C2), times(c[6], C6));
    const f8 f = f8_sub(times(c[2], C6), times(c[6], C2));
    const f8 s0 = f8_add(a, e), s3 = f8_sub(a, e), s1 = f8_add(b, f), s2 = f8_sub(b, f);
    const f8 d0 = sum4(c[1], C1, c[3], C3, c[5], C5, c[7], C7);
    const f8 d1 = sum4(c[1], C3, c[3], -C7, c[5], -C1, c[7], -C5);
    const f8 d2 = sum4(c[1], C5, c[3], -C1, c[5], C7, c[7], C3);
    const f8 d3 = sum4(c[1], C7, c[3], -C5, c[5], C3, c[7], -C1);
    p->row[0] = f8_add(s0, d0);
    p->row[7] = f8_sub(s0, d0);
    p->row[1] = f8_add(s1, d1);
    p->row[6] = f8_sub(s1, d1);
    p->row[2] = f8_add(s2, d2);
    p->row[5] = f8_sub(s2, d2);
    p->row[3] = f8_add(s3, d3);
    p->row[4] = f8_sub(s3, d3);
}

#if F8_WIDTH == 8
static inline void transpose(patch *p)
{
    f8_part a[8], b[8];
    for (int i = 0; i < 8; i += 2) {
        a[i] =
            __builtin_shufflevector(p->row[i].v[0], p->row[i + 1].v[0], 0, 8, 2, 10, 4, 12, 6, 14);
        a[i + 1] =
            __builtin_shufflevector(p->row[i].v[0], p->row[i + 1].v[0], 1, 9, 3, 11, 5, 13, 7, 15);
    }
    for (int i = 0; i < 8; i += 4)
        for (int k = 0; k < 2; k++) {
            b[i + k] = __builtin_shufflevector(a[i + k], a[i + k + 2], 0, 1, 8, 9, 4, 5, 12, 13);
            b[i + k + 2] =
                __builtin_shufflevector(a[i + k], a[i + k + 2], 2, 3, 10, 11, 6, 7, 14, 15);
        }
    for (int k = 0; k < 4; k++) {
        p->row[k].v[0] = __builtin_shufflevector(b[k], b[k + 4], 0, 1, 2, 3, 8, 9, 10, 11);
        p->row[k + 4].v[0] = __builtin_shufflevector(b[k], b[k + 4], 4, 5, 6, 7, 12, 13, 14, 15);
    }
}
#else
static inline void transpose4(f8_part out[4], f8_part a, f8_part b, f8_part c, f8_part d)
{
    const f8_part ab0 = __builtin_shufflevector(a, b, 0, 4, 1, 5);
    const f8_part ab1 = __builtin_shufflevector(a, b, 2, 6, 3, 7);
    const f8_part cd0 = __builtin_shufflevector(c, d, 0, 4, 1, 5);
    const f8_part cd1 = __builtin_shufflevector(c, d, 2, 6, 3, 7);
    out[0] = __builtin_shufflevector(ab0, cd0, 0, 1, 4, 5);
    out[1] = __builtin_shufflevector(ab0, cd0, 2, 3, 6, 7);
    out[2] = __builtin_shufflevector(ab1, cd1, 0, 1, 4, 5);
    out[3] = __builtin_shufflevector(ab1, cd1, 2, 3, 6, 7);
}

static inline void transpose(patch *p)
{
    f8_part q[4][4];
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++)
            transpose4(q[2 * i + j], p->row[4 * i].v[j], p->row[4 * i + 1].v[j],
                       p->row[4 * i + 2].v[j], p->row[4 * i + 3].v[j]);
    for (int k = 0; k < 4; k++) {
        p->row[k].v[0] = q[0][k];
        p->row[k].v[1] = q[2][k];
        p->row[k + 4].v[0] = q[1][k];
        p->row[k + 4].v[1] = q[3][k];
    }
}
#endif

/* Coefficients come out transposed: row u, column v. */
static inline void forward(patch *p)
{
    down(p);
    transpose(p);
    down(p);
}

static inline void inverse(patch *p)
{
    up(p);
    transpose(p);
    up(p);
}

/* ---- patches ---- */

static inline void cut(patch *p, rw_plane in, int x, int y)
{
    const float *at = in.px + y * in.stride + x;
    for (int k = 0; k < 8; k++)
        p->row[k] = f8_load(at + k * in.stride);
}

static inline void cubic(float f, float c[4])
{
    c[0] = ((-0.5f * f + 1.0f) * f - 0.5f) * f;
    c[1] = (1.5f * f - 2.5f) * f * f + 1.0f;
    c[2] = ((-1.5f * f + 2.0f) * f + 0.5f) * f;
    c[3] = (0.5f * f - 0.5f) * f * f;
}

static inline f8 along(const float *p, const float c[4])
{
    return f8_add(f8_add(times(f8_load(p - 1), c[0]), times(f8_load(p), c[1])),
                  f8_add(times(f8_load(p + 1), c[2]), times(f8_load(p + 2), c[3])));
}

/* Place and fraction of the patch at (x + dx, y + dy), kept within the border. */
static inline const float *locate(rw_plane in, int x, int y, float dx, float dy, float *fx,
                                  float *fy)
{
    const float margin = (float)RW_FILM_BORDER - 4.0f;
    float px = (float)x + dx, py = (float)y + dy;
    const float right = (float)in.width + margin - 9.0f, bottom = (float)in.height + margin - 9.0f;
    px = (px > -margin ? (px < right ? px : right) : -margin) + (float)RW_FILM_BORDER;
    py = (py > -margin ? (py < bottom ? py : bottom) : -margin) + (float)RW_FILM_BORDER;
    const int i = (int)px, j = (int)py;
    *fx = px - (float)i;
    *fy = py - (float)j;
    return in.px + (j - RW_FILM_BORDER) * in.stride + i - RW_FILM_BORDER;
}

/* Bicubic. */
static inline void fetch(patch *p, rw_plane in, int x, int y, float dx, float dy)
{
    float fx, fy, cx[4], cy[4];
    const float *at = locate(in, x, y, dx, dy, &fx, &fy) - in.stride;
    cubic(fx, cx);
    cubic(fy, cy);
    f8 line[11];
    for (int k = 0; k < 11; k++)
        line[k] = along(at + k * in.stride, cx);
    for (int k = 0; k < 8; k++)
        p->row[k] = f8_add(f8_add(times(line[k], cy[0]), times(line[k + 1], cy[1])),
                           f8_add(times(line[k + 2], cy[2]), times(line[k + 3], cy[3])));
}

/* Bilinear: good enough for a pilot. */
static inline void fetch_roughly(patch *p, rw_plane in, int x, int y, float dx, float dy)
{
    float fx, fy;
    const float *at = locate(in, x, y, dx, dy, &fx, &fy);
    f8 above = f8_add(times(f8_load(at), 1.0f - fx), times(f8_load(at + 1), fx));
    for (int k = 0; k < 8; k++) {
        at += in.stride;
        const f8 below = f8_add(times(f8_load(at), 1.0f - fx), times(f8_load(at + 1), fx));
        p->row[k] = f8_add(times(above, 1.0f - fy), times(below, fy));
        above = below;
    }
}

/* ---- weights ---- */

#define BANDS 3
/* Band of row u, column v by u + v: 0..1, 2..5, 6..14; the last is judged by the middle one. */
static const float in_low[8][8] = {{1, 1}, {1}};
static const float in_middle[8][8] = {{0, 0, 1, 1, 1, 1}, {0, 1, 1, 1, 1}, {1, 1, 1, 1},
                                      {1, 1, 1},          {1, 1},          {1}};
#define IN_LOW    3.0f
#define IN_MIDDLE 18.0f

/* Mean of squared differences over what grain gives, in the low and the middle band. */
static inline void compare(const patch *a, const patch *b, const f8 inverse_power[8], float e[2])
{
    f8 low = f8_set(0.0f), middle = f8_set(0.0f);
    for (int k = 0; k < 8; k++) {
        const f8 d = f8_sub(a->row[k], b->row[k]);
        const f8 q = f8_mul(f8_mul(d, d), inverse_power[k]);
        low = f8_muladd(low, q, f8_load(in_low[k]));
        middle = f8_muladd(middle, q, f8_load(in_middle[k]));
    }
    e[0] = f8_sum(low) / IN_LOW;
    e[1] = f8_sum(middle) / IN_MIDDLE;
}

/* Weight of a neighbour in a band whose difference is e times what grain gives. */
static inline float weight_of(float e, float margin)
{
    const float over = e - 1.0f - margin;
    return over > 0.0f ? 1.0f / (1.0f + 3.0f * over) : 1.0f;
}

/* ---- one row ---- */

static const float taper[8] = {0.35f, 0.6f, 0.85f, 1.0f, 1.0f, 0.85f, 0.6f, 0.35f};

static inline void add_up(const rw_grain_job *job, int p, int x, int y, const patch *v,
                          float weight)
{
    const rw_plane s = job->sum[p], n = job->norm[p];
    const f8 across = f8_load(taper);
    for (int k = 0; k < 8; k++) {
        float *sum = s.px + (y + k) * s.stride + x, *norm = n.px + (y + k) * n.stride + x;
        const f8 w = times(across, weight * taper[k]);
        f8_store(sum, f8_muladd(f8_load(sum), w, v->row[k]));
        f8_store(norm, f8_add(f8_load(norm), w));
    }
}

/* The neighbours' weights by the light of the frame: w[neighbour][band]. share: what the difference
 * of two patches is worth when both, or one of them, hold grain. */
static inline void weigh(const rw_grain_job *job, const patch *ref, const patch *near, float share,
                         const f8 inverse_power[8], float w[RW_GRAIN_NEAR][BANDS])
{
    for (int k = 0; k < job->count; k++) {
        float e[2];
        compare(ref, &near[k], inverse_power, e);
        w[k][0] = weight_of(e[0] * share, 0.8f);
        w[k][1] = weight_of(e[1] * share, 0.3f);
        w[k][1] = w[k][1] < w[k][0] ? w[k][1] : 0.5f * (w[k][1] + w[k][0]);
        w[k][2] = w[k][1];
    }
}

/* The weighted mean of a patch and its neighbours; scale[k]: what is left of the grain's power. */
static inline void merge(patch *mean, f8 left[8], const patch *near, int count,
                         float w[RW_GRAIN_NEAR][BANDS])
{
    float share[RW_GRAIN_NEAR + 1][BANDS], rest[BANDS];
    for (int b = 0; b < BANDS; b++) {
        float sum = 1.0f, square = 1.0f;
        for (int k = 0; k < count; k++) {
            sum += w[k][b];
            square += w[k][b] * w[k][b];
        }
        share[RW_GRAIN_NEAR][b] = 1.0f / sum;
        for (int k = 0; k < count; k++)
            share[k][b] = w[k][b] / sum;
        rest[b] = square / (sum * sum);
    }
    const f8 one = f8_set(1.0f);
    for (int r = 0; r < 8; r++) {
        const f8 low = f8_load(in_low[r]), middle = f8_load(in_middle[r]);
        const f8 high = f8_sub(f8_sub(one, low), middle);
        f8 m = f8_set(0.0f);
        for (int k = -1; k < count; k++) {
            const float *s = share[k < 0 ? RW_GRAIN_NEAR : k];
            const f8 by = f8_add(f8_add(times(low, s[0]), times(middle, s[1])), times(high, s[2]));
            m = f8_muladd(m, by, k < 0 ? mean->row[r] : near[k].row[r]);
        }
        mean->row[r] = m;
        left[r] = f8_add(f8_add(times(low, rest[0]), times(middle, rest[1])), times(high, rest[2]));
    }
}

#define STRETCH 32   /* patches of a row that are done plane by plane */
#define HARD    2.6f /* times the grain's rms: what is smaller is grain */

static inline f8 keep_large(f8 c, f8 limit2, f8 *kept)
{
    const f8 c2 = f8_mul(c, c);
    f8 r;
    for (int i = 0; i < F8_PARTS; i++) {
        const f8_mask_part m = c2.v[i] > limit2.v[i];
        r.v[i] = (f8_part)((f8_mask_part)c.v[i] & m);
        kept->v[i] += (f8_part)(m & (int32_t)0x3f800000);
    }
    return r;
}

/* Hard threshold; returns the patch's weight: the fewer coefficients stay, the surer. */
static inline float shrink_hard(patch *p, const f8 left[8], const f8 power[8])
{
    f8 kept = f8_set(0.0f);
    float dc[8];
    f8_store(dc, p->row[0]);
    for (int r = 0; r < 8; r++)
        p->row[r] = keep_large(p->row[r], times(f8_mul(left[r], power[r]), HARD * HARD), &kept);
    float first[8]; /* the mean of the patch always stays */
    f8_store(first, p->row[0]);
    first[0] = dc[0];
    p->row[0] = f8_load(first);
    return 1.0f / (1.0f + f8_sum(kept));
}

static inline float shrink_wiener(patch *p, const patch *pilot, const f8 left[8], const f8 power[8])
{
    f8 gain2 = f8_set(0.0f);
    for (int r = 0; r < 8; r++) {
        const f8 s = f8_mul(pilot->row[r], pilot->row[r]);
        const f8 n = f8_mul(left[r], power[r]);
        f8 g;
        for (int i = 0; i < F8_PARTS; i++)
            g.v[i] = s.v[i] / (s.v[i] + n.v[i]);
        p->row[r] = f8_mul(p->row[r], g);
        gain2 = f8_muladd(gain2, g, g);
    }
    return 1.0f / (0.5f + f8_sum(gain2));
}

/* One patch of one plane. Its weights come from the first plane and serve the others. */
static inline void do_patch(const rw_grain_job *job, int p, int i, int j, bool wiener,
                            const f8 power[8], const f8 inverse_power[8],
                            float w[RW_GRAIN_NEAR][BANDS])
{
    const int x = RW_GRAIN_STEP * i - 4, y = RW_GRAIN_STEP * j - 4, at = j * job->cols + i;
    patch own, pilot, near[RW_GRAIN_NEAR];
    f8 left[8];
    cut(&own, job->now[p], x, y);
    forward(&own);
    for (int k = 0; k < job->count; k++) {
        if (wiener)
            fetch(&near[k], job->near[k][p], x, y, job->dx[k][at], job->dy[k][at]);
        else
            fetch_roughly(&near[k], job->near[k][p], x, y, job->dx[k][at], job->dy[k][at]);
        forward(&near[k]);
    }
    if (wiener) {
        cut(&pilot, job->pilot[p], x, y);
        forward(&pilot);
    }
    if (p == 0)
        weigh(job, wiener ? &pilot : &own, near, wiener ? 0.9f : 0.5f, inverse_power, w);
    merge(&own, left, near, job->count, w);
    const float weight =
        wiener ? shrink_wiener(&own, &pilot, left, power) : shrink_hard(&own, left, power);
    inverse(&own);
    add_up(job, p, x, y, &own, weight);
}

void NAME(rw_grain_row)(const rw_grain_job *job, int j, bool wiener)
{
    f8 inverse_power[8];
    for (int r = 0; r < 8; r++)
        for (int i = 0; i < F8_PARTS; i++)
            inverse_power[r].v[i] = 1.0f / f8_load(job->power[0] + 8 * r).v[i];
    /* Stretches of a row, plane by plane: few streams of memory at a time. A pilot may be coarse:
     * every second patch, as the black squares of a chess board. */
    const int step = wiener ? 1 : 2, first = wiener ? 0 : j & 1;
    float w[STRETCH][RW_GRAIN_NEAR][BANDS];
    for (int i0 = first; i0 < job->cols; i0 += STRETCH * step) {
        const int end = i0 + STRETCH * step < job->cols ? i0 + STRETCH * step : job->cols;
        for (int p = 0; p < job->planes; p++) {
            f8 power[8];
            for (int r = 0; r < 8; r++)
                power[r] = f8_load(job->power[p] + 8 * r);
            for (int i = i0, k = 0; i < end; i += step, k++)
                do_patch(job, p, i, j, wiener, power, inverse_power, w[k]);
        }
    }
}
