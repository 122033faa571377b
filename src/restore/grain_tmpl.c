/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/lanes.h"
#include "restore/grain.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

rw_grain_row_fn NAME(rw_grain_row);

/* As many patches at once as fill a vector: each lies in eight lanes of its own, and no lane hears
 * of another patch, so how many go together changes nothing. */
#if F16_WIDTH == 16
#define TOGETHER 2
typedef f16 lanes;
#define LANES(f)    f16_##f
#define LANES_PARTS F16_PARTS
#else
#define TOGETHER    1
typedef f8 lanes;
#define LANES(f)    f8_##f
#define LANES_PARTS F8_PARTS
#endif

static inline lanes load_each(const float *const p[TOGETHER])
{
#if TOGETHER == 2
    const __m512 low = _mm512_castps256_ps512(_mm256_loadu_ps(p[0]));
    return (lanes){{(f16_part)_mm512_insertf32x8(low, _mm256_loadu_ps(p[1]), 1)}};
#else
    return f8_load(p[0]);
#endif
}

/* The same eight for every patch. */
static inline lanes load_same(const float *p)
{
#if TOGETHER == 2
    return (lanes){{(f16_part)_mm512_broadcast_f32x8(_mm256_loadu_ps(p))}};
#else
    return f8_load(p);
#endif
}

static inline lanes set_each(const float x[TOGETHER])
{
#if TOGETHER == 2
    const __m512 low = _mm512_castps256_ps512(_mm256_set1_ps(x[0]));
    return (lanes){{(f16_part)_mm512_insertf32x8(low, _mm256_set1_ps(x[1]), 1)}};
#else
    return f8_set(x[0]);
#endif
}

static inline void sum_each(float sum[TOGETHER], lanes a)
{
    float lane[8 * TOGETHER];
    LANES(store)(lane, a);
    for (int t = 0; t < TOGETHER; t++)
        sum[t] = rw_sum8(lane + 8 * t);
}

static inline f8 lanes_of(lanes a, int t)
{
#if TOGETHER == 2
    const __m512 v = (__m512)a.v[0];
    return (f8){{(f8_part)(t ? _mm512_extractf32x8_ps(v, 1) : _mm512_castps512_ps256(v))}};
#else
    (void)t;
    return a;
#endif
}

static inline lanes add(lanes a, lanes b)
{
    return LANES(add)(a, b);
}

static inline lanes sub(lanes a, lanes b)
{
    return LANES(sub)(a, b);
}

static inline lanes mul(lanes a, lanes b)
{
    return LANES(mul)(a, b);
}

static inline lanes muladd(lanes a, lanes b, lanes c)
{
    return LANES(muladd)(a, b, c);
}

#define STRETCH 32 /* patches of a row that are done plane by plane */

typedef struct patch {
    lanes row[8];
} patch;

/* ---- the 8 point cosine transform down the columns, orthonormal ---- */

#define C1 0.49039264f /* cos(k pi / 16) / 2 */
#define C2 0.46193977f
#define C3 0.41573481f
#define C4 0.35355339f
#define C5 0.27778512f
#define C6 0.19134172f
#define C7 0.09754516f

static inline lanes times(lanes a, float c)
{
    return mul(a, LANES(set)(c));
}

static inline lanes sum4(lanes a, float ca, lanes b, float cb, lanes c, float cc, lanes d, float cd)
{
    return add(add(times(a, ca), times(b, cb)), add(times(c, cc), times(d, cd)));
}

static inline void down(patch *p)
{
    const lanes *x = p->row;
    const lanes s0 = add(x[0], x[7]), s1 = add(x[1], x[6]);
    const lanes s2 = add(x[2], x[5]), s3 = add(x[3], x[4]);
    const lanes d0 = sub(x[0], x[7]), d1 = sub(x[1], x[6]);
    const lanes d2 = sub(x[2], x[5]), d3 = sub(x[3], x[4]);
    const lanes a = add(s0, s3), b = add(s1, s2), c = sub(s0, s3), d = sub(s1, s2);
    p->row[0] = times(add(a, b), C4);
    p->row[4] = times(sub(a, b), C4);
    p->row[2] = add(times(c, C2), times(d, C6));
    p->row[6] = sub(times(c, C6), times(d, C2));
    p->row[1] = sum4(d0, C1, d1, C3, d2, C5, d3, C7);
    p->row[3] = sum4(d0, C3, d1, -C7, d2, -C1, d3, -C5);
    p->row[5] = sum4(d0, C5, d1, -C1, d2, C7, d3, C3);
    p->row[7] = sum4(d0, C7, d1, -C5, d2, C3, d3, -C1);
}

static inline void up(patch *p)
{
    const lanes *c = p->row;
    const lanes a = times(add(c[0], c[4]), C4), b = times(sub(c[0], c[4]), C4);
    const lanes e = add(times(c[2], C2), times(c[6], C6));
    const lanes f = sub(times(c[2], C6), times(c[6], C2));
    const lanes s0 = add(a, e), s3 = sub(a, e), s1 = add(b, f), s2 = sub(b, f);
    const lanes d0 = sum4(c[1], C1, c[3], C3, c[5], C5, c[7], C7);
    const lanes d1 = sum4(c[1], C3, c[3], -C7, c[5], -C1, c[7], -C5);
    const lanes d2 = sum4(c[1], C5, c[3], -C1, c[5], C7, c[7], C3);
    const lanes d3 = sum4(c[1], C7, c[3], -C5, c[5], C3, c[7], -C1);
    p->row[0] = add(s0, d0);
    p->row[7] = sub(s0, d0);
    p->row[1] = add(s1, d1);
    p->row[6] = sub(s1, d1);
    p->row[2] = add(s2, d2);
    p->row[5] = sub(s2, d2);
    p->row[3] = add(s3, d3);
    p->row[4] = sub(s3, d3);
}

#if TOGETHER == 2
static inline void transpose(patch *p)
{
    f16_part a[8], b[8];
    for (int i = 0; i < 8; i += 2) {
        const f16_part x = p->row[i].v[0], y = p->row[i + 1].v[0];
        a[i] = __builtin_shufflevector(x, y, 0, 16, 2, 18, 4, 20, 6, 22, 8, 24, 10, 26, 12, 28, 14,
                                       30);
        a[i + 1] = __builtin_shufflevector(x, y, 1, 17, 3, 19, 5, 21, 7, 23, 9, 25, 11, 27, 13, 29,
                                           15, 31);
    }
    for (int i = 0; i < 8; i += 4)
        for (int k = 0; k < 2; k++) {
            const f16_part x = a[i + k], y = a[i + k + 2];
            b[i + k] = __builtin_shufflevector(x, y, 0, 1, 16, 17, 4, 5, 20, 21, 8, 9, 24, 25, 12,
                                               13, 28, 29);
            b[i + k + 2] = __builtin_shufflevector(x, y, 2, 3, 18, 19, 6, 7, 22, 23, 10, 11, 26, 27,
                                                   14, 15, 30, 31);
        }
    for (int k = 0; k < 4; k++) {
        p->row[k].v[0] = __builtin_shufflevector(b[k], b[k + 4], 0, 1, 2, 3, 16, 17, 18, 19, 8, 9,
                                                 10, 11, 24, 25, 26, 27);
        p->row[k + 4].v[0] = __builtin_shufflevector(b[k], b[k + 4], 4, 5, 6, 7, 20, 21, 22, 23, 12,
                                                     13, 14, 15, 28, 29, 30, 31);
    }
}
#elif F8_WIDTH == 8
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

/* Patches are read from more places at a time than the machine foresees: asks for the rows that
 * the row of patches above did not read, as far ahead as the next stretch. */
static inline void look_ahead(const float *at, ptrdiff_t stride)
{
    for (int k = 5; k <= 9; k++)
        __builtin_prefetch(at + k * stride + STRETCH * RW_GRAIN_STEP);
}

/* Patches are at (x[t], y). */
static inline void cut(patch *p, rw_plane in, const int *x, int y)
{
    const float *at[TOGETHER];
    for (int t = 0; t < TOGETHER; t++)
        at[t] = in.px + y * in.stride + x[t];
    look_ahead(at[0], in.stride);
    for (int k = 0; k < 8; k++) {
        p->row[k] = load_each(at);
        for (int t = 0; t < TOGETHER; t++)
            at[t] += in.stride;
    }
}

static inline void cubic(float f, float c[4])
{
    c[0] = ((-0.5f * f + 1.0f) * f - 0.5f) * f;
    c[1] = (1.5f * f - 2.5f) * f * f + 1.0f;
    c[2] = ((-1.5f * f + 2.0f) * f + 0.5f) * f;
    c[3] = (0.5f * f - 0.5f) * f * f;
}

static inline void cubic_each(lanes c[4], const float f[TOGETHER])
{
    float each[TOGETHER][4];
    for (int t = 0; t < TOGETHER; t++)
        cubic(f[t], each[t]);
    for (int k = 0; k < 4; k++) {
        float of[TOGETHER];
        for (int t = 0; t < TOGETHER; t++)
            of[t] = each[t][k];
        c[k] = set_each(of);
    }
}

static inline lanes mix4(const lanes v[4], const lanes c[4])
{
    return add(add(mul(v[0], c[0]), mul(v[1], c[1])), add(mul(v[2], c[2]), mul(v[3], c[3])));
}

static inline lanes load_moved(const float *const at[TOGETHER], ptrdiff_t by)
{
    const float *moved[TOGETHER];
    for (int t = 0; t < TOGETHER; t++)
        moved[t] = at[t] + by;
    return load_each(moved);
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
static inline void fetch(patch *p, rw_plane in, const int *x, int y, const float *dx,
                         const float *dy)
{
    const float *at[TOGETHER];
    float fx[TOGETHER], fy[TOGETHER];
    lanes cx[4], cy[4], line[11];
    for (int t = 0; t < TOGETHER; t++)
        at[t] = locate(in, x[t], y, dx[t], dy[t], &fx[t], &fy[t]);
    look_ahead(at[0], in.stride);
    cubic_each(cx, fx);
    cubic_each(cy, fy);
    for (int k = 0; k < 11; k++) {
        const ptrdiff_t o = (k - 1) * in.stride;
        const lanes v[4] = {load_moved(at, o - 1), load_moved(at, o), load_moved(at, o + 1),
                            load_moved(at, o + 2)};
        line[k] = mix4(v, cx);
    }
    for (int k = 0; k < 8; k++)
        p->row[k] = mix4(line + k, cy);
}

/* Bilinear: good enough for a pilot, and for colour, whose detail is coarse. */
static inline void fetch_roughly(patch *p, rw_plane in, const int *x, int y, const float *dx,
                                 const float *dy)
{
    const float *at[TOGETHER];
    float fx[TOGETHER], fy[TOGETHER];
    for (int t = 0; t < TOGETHER; t++)
        at[t] = locate(in, x[t], y, dx[t], dy[t], &fx[t], &fy[t]);
    look_ahead(at[0], in.stride);
    const lanes one = LANES(set)(1.0f), right = set_each(fx), low = set_each(fy);
    const lanes left = sub(one, right), high = sub(one, low);
    lanes above = add(mul(load_each(at), left), mul(load_moved(at, 1), right));
    for (int k = 1; k <= 8; k++) {
        const ptrdiff_t o = k * in.stride;
        const lanes below = add(mul(load_moved(at, o), left), mul(load_moved(at, o + 1), right));
        p->row[k - 1] = add(mul(above, high), mul(below, low));
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

#define LOW_ROWS    2 /* the rows that the low and the middle band reach into */
#define MIDDLE_ROWS 6

/* Mean of squared differences over what grain gives, in the low and the middle band. */
static inline void compare(const patch *a, const patch *b, const lanes inverse_power[8],
                           float e[2][TOGETHER])
{
    lanes low = LANES(set)(0.0f), middle = low;
    for (int k = 0; k < MIDDLE_ROWS; k++) {
        const lanes d = sub(a->row[k], b->row[k]);
        const lanes q = mul(mul(d, d), inverse_power[k]);
        if (k < LOW_ROWS)
            low = muladd(low, q, load_same(in_low[k]));
        middle = muladd(middle, q, load_same(in_middle[k]));
    }
    sum_each(e[0], low);
    sum_each(e[1], middle);
    for (int t = 0; t < TOGETHER; t++) {
        e[0][t] /= IN_LOW;
        e[1][t] /= IN_MIDDLE;
    }
}

/* Weight of a neighbour in a band whose difference is e times what grain gives. */
static inline float weight_of(float e, float margin)
{
    const float over = e - 1.0f - margin;
    return over > 0.0f ? 1.0f / (1.0f + 3.0f * over) : 1.0f;
}

/* ---- one row ---- */

static const float taper[8] = {0.35f, 0.6f, 0.85f, 1.0f, 1.0f, 0.85f, 0.6f, 0.35f};

/* Patches of a stretch that wait to be added up. */
typedef struct done {
    float px[64], weight;
} done;

static inline void add_up(const rw_grain_job *job, int p, int x, int y, const done *v)
{
    const rw_plane s = job->sum[p], n = job->norm[p];
    const f8 across = f8_load(taper);
    for (int k = 0; k < 8; k++) {
        float *sum = s.px + (y + k) * s.stride + x, *norm = n.px + (y + k) * n.stride + x;
        const f8 w = f8_mul(across, f8_set(v->weight * taper[k]));
        f8_store(sum, f8_muladd(f8_load(sum), w, f8_load(v->px + 8 * k)));
        f8_store(norm, f8_add(f8_load(norm), w));
    }
}

typedef float weights[RW_GRAIN_NEAR][BANDS]; /* of the neighbours of one patch */

/* By the light of the frame. share: what the difference of two patches is worth when both, or one
 * of them, hold grain. */
static inline void weigh(const rw_grain_job *job, const patch *ref, const patch *near, float share,
                         const lanes inverse_power[8], weights *const w[TOGETHER])
{
    for (int k = 0; k < job->count; k++) {
        float e[2][TOGETHER];
        compare(ref, &near[k], inverse_power, e);
        for (int t = 0; t < TOGETHER; t++) {
            float *of = (*w[t])[k];
            of[0] = weight_of(e[0][t] * share, 0.8f);
            of[1] = weight_of(e[1][t] * share, 0.3f);
            of[1] = of[1] < of[0] ? of[1] : 0.5f * (of[1] + of[0]);
            of[2] = of[1];
        }
    }
}

/* Shares of the patch itself (the last) and its neighbours, band by band, and what is left of the
 * grain's power. */
static inline void share_out(lanes share[RW_GRAIN_NEAR + 1][BANDS], lanes rest[BANDS], int count,
                             weights *const w[TOGETHER])
{
    for (int b = 0; b < BANDS; b++) {
        float sum[TOGETHER], square[TOGETHER], part[TOGETHER];
        for (int t = 0; t < TOGETHER; t++) {
            sum[t] = square[t] = 1.0f;
            for (int k = 0; k < count; k++) {
                const float v = (*w[t])[k][b];
                sum[t] += v;
                square[t] += v * v;
            }
            part[t] = 1.0f / sum[t];
            square[t] /= sum[t] * sum[t];
        }
        share[RW_GRAIN_NEAR][b] = set_each(part);
        rest[b] = set_each(square);
        for (int k = 0; k < count; k++) {
            for (int t = 0; t < TOGETHER; t++)
                part[t] = (*w[t])[k][b] / sum[t];
            share[k][b] = set_each(part);
        }
    }
}

/* What a row of coefficients gets that each belong to one of the bands. */
static inline lanes by_band(int row, const lanes of[BANDS])
{
    if (row >= MIDDLE_ROWS)
        return of[2];
    const lanes middle = load_same(in_middle[row]), one = LANES(set)(1.0f);
    if (row >= LOW_ROWS)
        return add(mul(middle, of[1]), mul(sub(one, middle), of[2]));
    const lanes low = load_same(in_low[row]);
    return add(add(mul(low, of[0]), mul(middle, of[1])), mul(sub(sub(one, low), middle), of[2]));
}

/* The weighted mean of a patch and its neighbours; left[r]: what is left of the grain's power. */
static inline void merge(patch *mean, lanes left[8], const patch *near, int count,
                         weights *const w[TOGETHER])
{
    lanes share[RW_GRAIN_NEAR + 1][BANDS], rest[BANDS];
    share_out(share, rest, count, w);
    for (int r = 0; r < 8; r++) {
        lanes m = mul(by_band(r, share[RW_GRAIN_NEAR]), mean->row[r]);
        for (int k = 0; k < count; k++)
            m = muladd(m, by_band(r, share[k]), near[k].row[r]);
        mean->row[r] = m;
        left[r] = by_band(r, rest);
    }
}

#define HARD 2.6f /* times the grain's rms: what is smaller is grain */

static inline lanes keep_large(lanes c, lanes limit2, lanes *kept)
{
    const lanes c2 = mul(c, c);
    lanes r;
    for (int i = 0; i < LANES_PARTS; i++) {
        const __typeof__(c2.v[0] > limit2.v[0]) m = c2.v[i] > limit2.v[i];
        r.v[i] = (__typeof__(r.v[0]))((__typeof__(m))c.v[i] & m);
        kept->v[i] += (__typeof__(r.v[0]))(m & (int32_t)0x3f800000);
    }
    return r;
}

/* Hard threshold; a patch's weight: the fewer coefficients stay, the surer. */
static inline void shrink_hard(patch *p, const lanes left[8], const lanes power[8],
                               float weight[TOGETHER])
{
    lanes kept = LANES(set)(0.0f);
    float dc[8 * TOGETHER], first[8 * TOGETHER];
    LANES(store)(dc, p->row[0]);
    for (int r = 0; r < 8; r++)
        p->row[r] = keep_large(p->row[r], times(mul(left[r], power[r]), HARD * HARD), &kept);
    LANES(store)(first, p->row[0]);
    for (int t = 0; t < TOGETHER; t++) /* the mean of the patch always stays */
        first[8 * t] = dc[8 * t];
    p->row[0] = LANES(load)(first);
    sum_each(weight, kept);
    for (int t = 0; t < TOGETHER; t++)
        weight[t] = 1.0f / (1.0f + weight[t]);
}

static inline void shrink_wiener(patch *p, const patch *pilot, const lanes left[8],
                                 const lanes power[8], float weight[TOGETHER])
{
    lanes gain2 = LANES(set)(0.0f);
    for (int r = 0; r < 8; r++) {
        const lanes s = mul(pilot->row[r], pilot->row[r]);
        const lanes n = mul(left[r], power[r]);
        lanes g;
        for (int i = 0; i < LANES_PARTS; i++)
            g.v[i] = s.v[i] / (s.v[i] + n.v[i]);
        p->row[r] = mul(p->row[r], g);
        gain2 = muladd(gain2, g, g);
    }
    sum_each(weight, gain2);
    for (int t = 0; t < TOGETHER; t++)
        weight[t] = 1.0f / (0.5f + weight[t]);
}

/* Patches column[0], column[1] ... of row j, of one plane. Their weights come from the first plane
 * and serve the others. */
static inline void do_patches(const rw_grain_job *job, int p, const int column[TOGETHER], int count,
                              int j, bool wiener, const lanes power[8],
                              const lanes inverse_power[8], weights *const w[TOGETHER],
                              done *to[TOGETHER])
{
    const int y = RW_GRAIN_STEP * j - 4;
    int x[TOGETHER];
    patch own, pilot, near[RW_GRAIN_NEAR];
    lanes left[8];
    for (int t = 0; t < TOGETHER; t++)
        x[t] = RW_GRAIN_STEP * column[t] - 4;
    cut(&own, job->now[p], x, y);
    forward(&own);
    for (int k = 0; k < job->count; k++) {
        float dx[TOGETHER], dy[TOGETHER];
        for (int t = 0; t < TOGETHER; t++) {
            dx[t] = job->dx[k][j * job->cols + column[t]];
            dy[t] = job->dy[k][j * job->cols + column[t]];
        }
        if (wiener)
            fetch(&near[k], job->near[k][p], x, y, dx, dy);
        else
            fetch_roughly(&near[k], job->near[k][p], x, y, dx, dy);
        forward(&near[k]);
    }
    if (wiener) {
        cut(&pilot, job->pilot, x, y);
        forward(&pilot);
    }
    if (p == 0)
        weigh(job, wiener ? &pilot : &own, near, wiener ? 0.9f : 0.5f, inverse_power, w);
    merge(&own, left, near, job->count, w);
    float weight[TOGETHER];
    if (wiener)
        shrink_wiener(&own, &pilot, left, power, weight);
    else
        shrink_hard(&own, left, power, weight);
    inverse(&own);
    for (int t = 0; t < count; t++) {
        for (int r = 0; r < 8; r++)
            f8_store(to[t]->px + 8 * r, lanes_of(own.row[r], t));
        to[t]->weight = weight[t];
    }
}

/* Every step-th patch from first up to before end; w: of the patches from base on. */
static inline void do_stretch(const rw_grain_job *job, int p, int first, int end, int step, int j,
                              bool wiener, const lanes inverse_power[8], weights *w, int base)
{
    lanes power[8];
    done ready[STRETCH], *to[TOGETHER];
    for (int r = 0; r < 8; r++)
        power[r] = load_same(job->power[p] + 8 * r);
    for (int i = first; i < end; i += step * TOGETHER) {
        int column[TOGETHER], count = 0;
        weights *of[TOGETHER], unused;
        for (int t = 0; t < TOGETHER; t++) { /* the last may stand alone */
            const int own = i + t * step;
            column[t] = own < end ? own : i;
            to[t] = own < end ? &ready[own - base] : NULL;
            of[t] = own < end ? &w[own - base] : &unused;
            if (own < end)
                count++;
            else
                memcpy(unused, w[i - base], sizeof unused);
        }
        do_patches(job, p, column, count, j, wiener, power, inverse_power, of, to);
    }
    /* every second, then those between: what was just written is not read again at once */
    for (int turn = 0; turn < 2; turn++)
        for (int i = first + turn * step; i < end; i += 2 * step)
            add_up(job, p, RW_GRAIN_STEP * i - 4, RW_GRAIN_STEP * j - 4, &ready[i - base]);
}

void NAME(rw_grain_row)(const rw_grain_job *job, int j, bool wiener)
{
    lanes inverse_power[8];
    for (int r = 0; r < 8; r++) {
        float inverse[8];
        for (int k = 0; k < 8; k++)
            inverse[k] = 1.0f / job->power[0][8 * r + k];
        inverse_power[r] = load_same(inverse);
    }
    /* Stretches of a row, plane by plane: few streams of memory at a time. A pilot may be coarse,
     * and so is colour, which goes without one: every second patch, as the black squares of a
     * chess board. */
    weights w[STRETCH];
    memset(w, 0, sizeof w);
    for (int i0 = 0; i0 < job->cols; i0 += STRETCH) {
        const int end = i0 + STRETCH < job->cols ? i0 + STRETCH : job->cols;
        for (int p = 0; p < (wiener ? job->planes : 1); p++) {
            const bool all = wiener && p == 0;
            do_stretch(job, p, all ? i0 : i0 + (j & 1), end, all ? 1 : 2, j, all, inverse_power, w,
                       i0);
        }
    }
}
