/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "base/lanes.h"
#include "base/select.h"
#include "restore/noise.h"

/* ---- measuring ---- */

#define BLOCK     8
#define MOST      6000    /* blocks of a survey */
#define LEAST     24      /* blocks that a knot's figure needs */
#define LEAST_RMS 0.0012f /* of the root: below this is what 8-bit stills round away */
#define USUAL_RMS 0.012f

typedef struct noise_block {
    float root[3]; /* mean of the block */
    float diff[3][BLOCK *
                  BLOCK]; /* half the difference in power: (now - other) / sqrt 2, of the root */
    float variance[3];
    float texture; /* mean square gradient of the block, all channels */
} noise_block;

struct rw_noise_survey {
    int count;
    noise_block block[MOST];
};

rw_noise_survey *rw_noise_survey_new(void)
{
    rw_noise_survey *survey = g_new(rw_noise_survey, 1);
    survey->count = 0;
    return survey;
}

void rw_noise_survey_free(rw_noise_survey **survey)
{
    g_clear_pointer(survey, g_free);
}

static void take_roots(float root[BLOCK * BLOCK], const float *linear, ptrdiff_t stride)
{
    for (int y = 0; y < BLOCK; y++)
        for (int x = 0; x < BLOCK; x++) {
            const float v = linear[y * stride + x];
            root[y * BLOCK + x] = v > 0.0f ? (v < 1.5f ? v : 1.5f) : 0.0f;
        }
    for (int i = 0; i < BLOCK * BLOCK; i += 16) /* the vectors' root: sqrtf would set errno */
        f16_store(root + i, f16_sqrt(f16_load(root + i)));
}

/* Whole-pixel vectors, so that no interpolation thins the grain of the other frame. */
static bool take_block(noise_block *b, const rw_frame *now, const rw_frame *other, int x0, int y0,
                       int dx, int dy)
{
    if (x0 + dx < 0 || y0 + dy < 0 || x0 + dx + BLOCK > other->width ||
        y0 + dy + BLOCK > other->height)
        return false;
    b->texture = 0.0f;
    for (int c = 0; c < 3; c++) {
        const int p = now->plane[c] ? c : 0;
        const float *a = now->plane[p] + y0 * now->stride + x0;
        const float *o = other->plane[p] + (y0 + dy) * other->stride + x0 + dx;
        float mean = 0.0f, shift = 0.0f, sum[BLOCK][BLOCK], ra[BLOCK * BLOCK], ro[BLOCK * BLOCK];
        take_roots(ra, a, now->stride);
        take_roots(ro, o, other->stride);
        for (int i = 0; i < BLOCK * BLOCK; i++) {
            sum[i / BLOCK][i % BLOCK] = 0.5f * (ra[i] + ro[i]);
            b->diff[c][i] = 0.70710678f * (ra[i] - ro[i]);
        }
        for (int i = 0; i < BLOCK * BLOCK; i++) {
            mean += sum[i / BLOCK][i % BLOCK];
            shift += b->diff[c][i];
        }
        b->root[c] = mean / (BLOCK * BLOCK);
        shift /= BLOCK * BLOCK;
        float variance = 0.0f;
        for (int i = 0; i < BLOCK * BLOCK; i++) {
            b->diff[c][i] -= shift;
            variance += b->diff[c][i] * b->diff[c][i];
        }
        /* the mean took a share of the grain with it; grain is larger than a pixel, so more than
         * 1/64 of it */
        b->variance[c] = variance / (BLOCK * BLOCK - 4);
        for (int y = 0; y + 3 < BLOCK; y++) /* over 3 px: grain weighs less, edges more */
            for (int x = 0; x + 3 < BLOCK; x++) {
                const float gx = sum[y][x + 3] - sum[y][x], gy = sum[y + 3][x] - sum[y][x];
                b->texture += gx * gx + gy * gy;
            }
    }
    /* clipped light and deep black have no grain to show */
    const float low = MIN(b->root[0], MIN(b->root[1], b->root[2]));
    const float high = MAX(b->root[0], MAX(b->root[1], b->root[2]));
    return low > 0.01f && high < 0.985f;
}

void rw_noise_look(rw_noise_survey *survey, const rw_frame *now, const rw_frame *other,
                   const rw_motion_field *field)
{
    const int cols = now->width / BLOCK, rows = now->height / BLOCK;
    const int room = MIN(MOST - survey->count, MOST / 2);
    /* an even raster of at most `room` blocks */
    const int step = MAX(1, (int)ceil(sqrt((double)cols * rows / MAX(room, 1))));
    for (int j = 0; j < rows; j += step) {
        for (int i = (j / step) % step; i < cols && survey->count < MOST; i += step) {
            const ptrdiff_t o = (2 * j + 1) * field->stride + 2 * i + 1;
            if (field->trust[o] < 0.6f)
                continue;
            const int dx = (int)lrintf(field->dx[o]), dy = (int)lrintf(field->dy[o]);
            if (take_block(&survey->block[survey->count], now, other, i * BLOCK, j * BLOCK, dx, dy))
                survey->count++;
        }
    }
}

/* rms of the grain about one knot: a low percentile of the blocks' variances among the half with
 * the least texture, so that what moves or is mismatched has no say. 0: too few blocks. */
static float knot_rms(const rw_noise_survey *s, int c, float root, float reach, float *texture,
                      float *variance)
{
    int n = 0;
    for (int i = 0; i < s->count; i++)
        if (fabsf(s->block[i].root[c] - root) < reach)
            texture[n++] = s->block[i].texture;
    if (n < 2 * LEAST)
        return 0.0f;
    qsort(texture, (size_t)n, sizeof *texture, rw_compare_floats);
    const float limit = texture[n / 2];
    int m = 0;
    for (int i = 0; i < s->count; i++)
        if (fabsf(s->block[i].root[c] - root) < reach && s->block[i].texture <= limit)
            variance[m++] = s->block[i].variance[c];
    qsort(variance, (size_t)m, sizeof *variance, rw_compare_floats);
    /* the low percentile and the means taken off the blocks each make it a little small */
    return 1.07f * sqrtf(variance[(int)(0.42f * (float)m)]);
}

/* Knots without a figure of their own take it from the nearest that has one: towards the dark in
 * proportion to the root (grain of even density), towards the light as it is. */
static void fill_knots(float sigma[RW_NOISE_KNOTS])
{
    const float step = RW_NOISE_TOP / (RW_NOISE_KNOTS - 1);
    float filled[RW_NOISE_KNOTS];
    for (int k = 0; k < RW_NOISE_KNOTS; k++) {
        filled[k] = sigma[k];
        int below = k, above = k;
        while (below >= 0 && sigma[below] == 0.0f)
            below--;
        while (above < RW_NOISE_KNOTS && sigma[above] == 0.0f)
            above++;
        if (below == k)
            continue;
        if (below >= 0 && above < RW_NOISE_KNOTS) {
            const float f = (float)(k - below) / (float)(above - below);
            filled[k] = sigma[below] + f * (sigma[above] - sigma[below]);
        } else if (below >= 0) {
            filled[k] = sigma[below];
        } else if (above < RW_NOISE_KNOTS) {
            filled[k] = sigma[above] * MAX((float)k * step, 0.02f) / ((float)above * step);
        } else {
            filled[k] = USUAL_RMS;
        }
    }
    for (int k = 0; k < RW_NOISE_KNOTS; k++) { /* a little smoothing, and never nothing */
        const float a = filled[MAX(k - 1, 0)], b = filled[MIN(k + 1, RW_NOISE_KNOTS - 1)];
        sigma[k] = MAX(0.25f * (a + b) + 0.5f * filled[k], LEAST_RMS);
    }
}

static float knot_value(const float sigma[RW_NOISE_KNOTS], float root)
{
    const float x = MIN(root / RW_NOISE_TOP * (RW_NOISE_KNOTS - 1), RW_NOISE_KNOTS - 1.0f);
    const int i = MIN((int)x, RW_NOISE_KNOTS - 2);
    return sigma[i] + (x - (float)i) * (sigma[i + 1] - sigma[i]);
}

/* The integral of 1 / sigma over a piece in which sigma goes from a to b. */
static double rise(double width, double a, double b)
{
    const double x = b / a - 1.0;
    return width / a * (fabs(x) < 1e-4 ? 1.0 - 0.5 * x : log1p(x) / x);
}

static void build_curve(rw_noise *n, int c)
{
    const double width = (double)RW_NOISE_TOP / RW_NOISE_PIECES;
    double u = 0.0;
    for (int k = 0; k < RW_NOISE_PIECES; k++) {
        const double a = (double)n->sigma[c][k], b = (double)n->sigma[c][k + 1];
        const double d = rise(width, a, b);
        const double s = MIN(width / a, 3.0 * d), e = MIN(width / b, 3.0 * d);
        n->curve[c][0][k] = (float)u;
        n->curve[c][1][k] = (float)s;
        n->curve[c][2][k] = (float)(3.0 * d - 2.0 * s - e);
        n->curve[c][3][k] = (float)(s + e - 2.0 * d);
        u += d;
    }
    n->top[c] = (float)u;
}

static double curve_at(const float curve[4][RW_NOISE_PIECES], double at)
{
    const int k = MIN((int)at, RW_NOISE_PIECES - 1);
    const double t = at - k;
    double u = 0.0;
    for (int i = 3; i >= 0; i--)
        u = u * t + (double)curve[i][k];
    return u;
}

#define FINE 64 /* steps of a piece between which the curve is as good as straight */

/* The curve the other way. */
static void build_way_back(rw_noise *n, int c)
{
    const double top = (double)n->top[c];
    double below = 0.0, above = 0.0; /* the curve at steps i - 1 and i */
    int i = 0;
    for (int k = 0; k < RW_NOISE_BACK + 2; k++) {
        const double want = top * k / RW_NOISE_BACK;
        while (above < want && i < FINE * RW_NOISE_PIECES) {
            i++;
            below = above;
            above = curve_at(n->curve[c], (double)i / FINE);
        }
        const double f = above > below ? (want - above) / (above - below) : 0.0;
        n->root[c][k] = (float)((i + f) * (double)RW_NOISE_TOP / (FINE * RW_NOISE_PIECES));
    }
}

static void cosine_basis(float basis[8][8])
{
    for (int k = 0; k < 8; k++)
        for (int x = 0; x < 8; x++)
            basis[k][x] =
                (float)((k ? 0.5 : 0.35355339059327379) * cos((2 * x + 1) * k * G_PI / 16));
}

static void transform(float out[64], const float in[64], float basis[8][8])
{
    float mid[64];
    for (int y = 0; y < 8; y++)
        for (int k = 0; k < 8; k++) {
            float s = 0.0f;
            for (int x = 0; x < 8; x++)
                s += basis[k][x] * in[8 * y + x];
            mid[8 * y + k] = s;
        }
    for (int k = 0; k < 8; k++)
        for (int j = 0; j < 8; j++) {
            float s = 0.0f;
            for (int y = 0; y < 8; y++)
                s += basis[j][y] * mid[8 * y + k];
            out[8 * j + k] = s;
        }
}

/* The mean power of each coefficient over the quiet blocks. The blocks' own means are gone, so the
 * first coefficient takes the power of its neighbours. */
static void measure_power(const rw_noise_survey *s, rw_noise *n)
{
    float basis[8][8];
    cosine_basis(basis);
    double sum[3][64] = {{0}};
    int count = 0;
    for (int i = 0; i < s->count; i++) {
        const noise_block *b = &s->block[i];
        float scale[3];
        bool quiet = true;
        for (int c = 0; c < 3; c++) {
            const float sigma = knot_value(n->sigma[c], b->root[c]);
            scale[c] = 1.0f / sigma;
            quiet = quiet && b->variance[c] < 1.7f * sigma * sigma;
        }
        if (!quiet)
            continue;
        float yuv[3][64], coded[64];
        for (int k = 0; k < 64; k++) {
            const float r = b->diff[0][k] * scale[0], g = b->diff[1][k] * scale[1];
            const float bl = b->diff[2][k] * scale[2];
            yuv[0][k] = 0.57735027f * (r + g + bl);
            yuv[1][k] = 0.70710678f * (r - bl);
            yuv[2][k] = 0.40824829f * (r + bl - 2.0f * g);
        }
        for (int p = 0; p < 3; p++) {
            transform(coded, yuv[p], basis);
            for (int k = 0; k < 64; k++)
                sum[p][k] += (double)(coded[k] * coded[k]);
        }
        count++;
    }
    for (int p = 0; p < 3; p++) {
        double total = 0.0;
        sum[p][0] = 1.1 * 0.5 * (sum[p][1] + sum[p][8]);
        for (int k = 0; k < 64; k++) {
            n->power[p][k] = count >= LEAST ? (float)MAX(sum[p][k] / count, 0.002) : 1.0f;
            total += (double)n->power[p][k];
        }
        n->rms[p] = (float)sqrt(total / 64.0);
    }
}

void rw_noise_settle(rw_noise_survey *s, rw_noise *n)
{
    float *texture = g_new(float, 2 * MOST), *variance = texture + MOST;
    const float step = RW_NOISE_TOP / (RW_NOISE_KNOTS - 1);
    for (int c = 0; c < 3; c++) {
        for (int k = 0; k < RW_NOISE_KNOTS; k++)
            n->sigma[c][k] = knot_rms(s, c, (float)k * step, 0.6f * step, texture, variance);
        fill_knots(n->sigma[c]);
        build_curve(n, c);
        build_way_back(n, c);
    }
    g_free(texture);
    measure_power(s, n);
}

static float light_at(const float root[RW_NOISE_BACK + 2], float at)
{
    at = CLAMP(at, 0.0f, (float)RW_NOISE_BACK);
    const int i = (int)at;
    const float r = root[i] + (at - (float)i) * (root[i + 1] - root[i]);
    return r * r;
}

void rw_noise_keep_light(rw_noise *n, float share)
{
    float *kept = g_new(float, RW_NOISE_BACK + 2);
    /* of the three channels, as the spectrum has it; about one */
    float power = 0.0f;
    for (int p = 0; p < 3; p++)
        power += n->rms[p] * n->rms[p] / 3.0f;
    for (int c = 0; c < 3; c++) {
        const float h = sqrtf(share * power) * RW_NOISE_BACK / n->top[c];
        for (int k = 0; k < RW_NOISE_BACK + 2; k++) {
            /* at the top only as far as the curve goes; below black there is no light */
            const float at = (float)k, reach = MIN(h, MAX((float)RW_NOISE_BACK - at, 0.0f));
            kept[k] =
                sqrtf(0.5f * (light_at(n->root[c], at - reach) + light_at(n->root[c], at + reach)));
        }
        memcpy(n->root[c], kept, (RW_NOISE_BACK + 2) * sizeof *kept);
    }
    g_free(kept);
}

/* ---- even samples ---- */

static ptrdiff_t film_stride(int width)
{
    return ((ptrdiff_t)width + 2 * RW_FILM_BORDER + 31) & ~(ptrdiff_t)15;
}

bool rw_film_alloc(rw_film *film, rw_pool *pool, int width, int height, int planes, GError **error)
{
    memset(film, 0, sizeof *film);
    const ptrdiff_t stride = film_stride(width);
    const size_t plane = (size_t)stride * (size_t)(height + 2 * RW_FILM_BORDER);
    film->buffer = rw_pool_take(pool, plane * (size_t)planes * sizeof(float), error);
    if (!film->buffer)
        return false;
    film->width = width;
    film->height = height;
    for (int p = 0; p < planes; p++)
        film->plane[p] =
            (rw_plane){.px = (float *)rw_buffer_data(film->buffer) + (size_t)p * plane +
                             RW_FILM_BORDER * stride + RW_FILM_BORDER,
                       .width = width,
                       .height = height,
                       .stride = stride};
    return true;
}

void rw_film_repeat_edge(rw_plane p)
{
    for (int y = 0; y < p.height; y++) {
        float *row = p.px + y * p.stride;
        for (int x = 1; x <= RW_FILM_BORDER; x++)
            row[-x] = row[0];
        for (int x = p.width; x < (int)p.stride - RW_FILM_BORDER; x++)
            row[x] = row[p.width - 1];
    }
    const float *first = p.px - RW_FILM_BORDER, *last = first + (p.height - 1) * p.stride;
    const size_t bytes = (size_t)p.stride * sizeof(float);
    for (int y = 1; y <= RW_FILM_BORDER; y++) {
        memcpy(p.px - RW_FILM_BORDER - y * p.stride, first, bytes);
        memcpy(p.px - RW_FILM_BORDER + (p.height - 1 + y) * p.stride, last, bytes);
    }
}

bool rw_film_init(rw_film *film, rw_pool *pool, const rw_frame *frame, const rw_noise *noise,
                  int planes, GError **error)
{
    if (!rw_film_alloc(film, pool, frame->width, frame->height, planes, error))
        return false;
    rw_film_dsp dsp;
    rw_film_dsp_init(&dsp, rw_cpu_level());
    for (int y = 0; y < frame->height; y++) {
        const float *rgb[3];
        float *yuv[3] = {NULL, NULL, NULL};
        for (int c = 0; c < 3; c++)
            rgb[c] = frame->plane[frame->plane[c] ? c : 0] + y * frame->stride;
        for (int p = 0; p < planes; p++)
            yuv[p] = film->plane[p].px + y * film->plane[p].stride;
        dsp.forward(yuv, rgb, frame->width, noise, planes);
    }
    for (int p = 0; p < planes; p++)
        rw_film_repeat_edge(film->plane[p]);
    return true;
}

void rw_film_clear(rw_film *film)
{
    rw_buffer_unref(&film->buffer);
    memset(film, 0, sizeof *film);
}

/* ---- the table of kernels ---- */

#define DECLARE(isa)                                                                               \
    rw_film_forward_fn rw_film_forward_##isa;                                                      \
    rw_film_back_fn rw_film_back_##isa;
#define USE(isa)                                                                                   \
    *dsp = (rw_film_dsp)                                                                           \
    {                                                                                              \
        .forward = rw_film_forward_##isa, .back = rw_film_back_##isa                               \
    }

RW_CPU_DECLARE(DECLARE)

void rw_film_dsp_init(rw_film_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
