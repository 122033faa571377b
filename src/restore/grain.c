/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "restore/grain.h"

/* ---- scales ---- */

/* 1 3 3 1 by 1 3 3 1 means round (2x + 0.5, 2y + 0.5). */
static void halve_plane(rw_plane out, rw_plane in, const rw_motion_dsp *dsp, float *scratch)
{
    for (int y = 0; y < out.height; y++) {
        const float *r[4];
        for (int k = 0; k < 4; k++)
            r[k] = in.px + (2 * y - 1 + k) * in.stride;
        dsp->halve(out.px + y * out.stride, r, scratch, out.width);
    }
    rw_film_repeat_edge(out);
}

static bool halve_film(rw_film *out, rw_pool *pool, const rw_film *in, int planes, GError **error)
{
    if (!rw_film_alloc(out, pool, (in->width + 1) / 2, (in->height + 1) / 2, planes, error))
        return false;
    rw_motion_dsp dsp;
    rw_motion_dsp_init(&dsp, rw_cpu_level());
    float *scratch = g_new(float, 2 * out->width + 48);
    for (int p = 0; p < planes; p++)
        halve_plane(out->plane[p], in->plane[p], &dsp, scratch);
    g_free(scratch);
    return true;
}

/* Power at a frequency, in eighths of pi, from that of the transform's coefficients. */
static double power_at(const float power[64], double v, double u)
{
    const double cv = CLAMP(v, 0.0, 7.0), cu = CLAMP(u, 0.0, 7.0);
    const int j = MIN((int)cv, 6), i = MIN((int)cu, 6);
    const double fv = cv - j, fu = cu - i;
    return (1 - fv) * ((1 - fu) * (double)power[8 * j + i] + fu * (double)power[8 * j + i + 1]) +
           fv * ((1 - fu) * (double)power[8 * j + 8 + i] + fu * (double)power[8 * j + 9 + i]);
}

/* The grain's spectrum after halving: of each frequency and of the one that folds onto it. */
static void halve_power(float out[64], const float in[64])
{
    for (int v = 0; v < 8; v++)
        for (int u = 0; u < 8; u++) {
            double sum = 0.0;
            for (int fold = 0; fold < 4; fold++) {
                const double y = fold & 2 ? 8.0 - 0.5 * v : 0.5 * v;
                const double x = fold & 1 ? 8.0 - 0.5 * u : 0.5 * u;
                const double hy = pow(cos(y * G_PI / 16), 6), hx = pow(cos(x * G_PI / 16), 6);
                sum += 0.25 * hy * hx * power_at(in, y, x);
            }
            out[8 * v + u] = (float)fmax(sum, 1e-4);
        }
}

/* out += the half-size plane d, smoothed over 3 px there, between its pixels by straight lines. */
static void add_enlarged(rw_plane out, rw_plane d, float *scratch)
{
    rw_film_repeat_edge(d);
    for (int y = 0; y < out.height; y++) {
        const int j = (y - 1) >> 1; /* rows j and j + 1 lie round y */
        const float fy = y & 1 ? 0.25f : 0.75f;
        for (int x = -1; x <= d.width; x++) {
            float v[2];
            for (int k = 0; k < 2; k++) {
                const float *p = d.px + (j + k) * d.stride + x;
                const ptrdiff_t s = d.stride;
                v[k] = 0.0625f * (p[-s - 1] + p[-s + 1] + p[s - 1] + p[s + 1] +
                                  2.0f * (p[-s] + p[s] + p[-1] + p[1]) + 4.0f * p[0]);
            }
            scratch[x + 1] = v[0] + fy * (v[1] - v[0]);
        }
        float *row = out.px + y * out.stride;
        for (int x = 0; x < out.width; x++) {
            const int i = ((x - 1) >> 1) + 1;
            const float fx = x & 1 ? 0.25f : 0.75f;
            row[x] += scratch[i] + fx * (scratch[i + 1] - scratch[i]);
        }
    }
}

/* ---- one scale ---- */

/* Vectors of the patches: the mean of the four cells in a patch's middle, or, where they move
 * apart, that of the cell which the middle of the patch lies in. */
static void patch_vectors(float *dx, float *dy, int cols, int rows, const rw_motion_field *f,
                          int scale)
{
    for (int j = 0; j < rows; j++)
        for (int i = 0; i < cols; i++) {
            /* middle of the patch at 4 i - 0.5 of this scale; its cells begin there */
            const int r = CLAMP(scale * j, 0, f->rows - 1), l = CLAMP(scale * i, 0, f->cols - 1);
            const int r0 = MAX(scale * j - 1, 0), l0 = MAX(scale * i - 1, 0);
            const ptrdiff_t o[4] = {MIN(r0, f->rows - 1) * f->stride + MIN(l0, f->cols - 1),
                                    MIN(r0, f->rows - 1) * f->stride + l,
                                    r * f->stride + MIN(l0, f->cols - 1), r * f->stride + l};
            float x = 0.0f, y = 0.0f, low[2] = {1e9f, 1e9f}, high[2] = {-1e9f, -1e9f};
            for (int k = 0; k < 4; k++) {
                x += 0.25f * f->dx[o[k]];
                y += 0.25f * f->dy[o[k]];
                low[0] = MIN(low[0], f->dx[o[k]]);
                high[0] = MAX(high[0], f->dx[o[k]]);
                low[1] = MIN(low[1], f->dy[o[k]]);
                high[1] = MAX(high[1], f->dy[o[k]]);
            }
            if (high[0] - low[0] + high[1] - low[1] > 1.5f) {
                x = f->dx[o[3]];
                y = f->dy[o[3]];
            }
            dx[j * cols + i] = x / (float)scale;
            dy[j * cols + i] = y / (float)scale;
        }
}

static void clear_plane(rw_plane p)
{
    memset(p.px - RW_FILM_BORDER * p.stride - RW_FILM_BORDER, 0,
           (size_t)p.stride * (size_t)(p.height + 2 * RW_FILM_BORDER) * sizeof(float));
}

static void run_pass(rw_grain_job *job, rw_film *out, rw_film *norm, bool wiener)
{
    rw_grain_dsp dsp;
    rw_grain_dsp_init(&dsp, rw_cpu_level());
    const int planes = wiener ? job->planes : 1;
    for (int p = 0; p < planes; p++) {
        job->sum[p] = out->plane[p];
        job->norm[p] = norm->plane[p];
        clear_plane(job->sum[p]);
        clear_plane(job->norm[p]);
    }
    for (int j = 0; j < job->rows; j++)
        dsp.row(job, j, wiener);
    for (int p = 0; p < planes; p++) {
        for (int y = 0; y < job->height; y++) {
            float *s = job->sum[p].px + y * job->sum[p].stride;
            const float *n = job->norm[p].px + y * job->norm[p].stride;
            for (int x = 0; x < job->width; x++)
                s[x] /= n[x];
        }
        rw_film_repeat_edge(job->sum[p]);
    }
}

/* One scale: out gets the quiet picture. */
static bool run_scale(rw_film *out, rw_pool *pool, const rw_film *now, const rw_film *near,
                      const rw_motion_field *const *field, int count, int planes, int scale,
                      float power[3][64], GError **error)
{
    rw_grain_job job = {
        .width = now->width, .height = now->height, .planes = planes, .count = count};
    job.cols = (job.width + 3) / RW_GRAIN_STEP + 1;
    job.rows = (job.height + 3) / RW_GRAIN_STEP + 1;
    const size_t patches = (size_t)job.cols * (size_t)job.rows;
    rw_buffer *vectors =
        rw_pool_take(pool, MAX(2 * (size_t)count, 1) * patches * sizeof(float), error);
    rw_film norm = {0}, pilot = {0};
    bool ok = vectors && rw_film_alloc(&norm, pool, job.width, job.height, planes, error) &&
              rw_film_alloc(&pilot, pool, job.width, job.height, 1, error) &&
              rw_film_alloc(out, pool, job.width, job.height, planes, error);
    if (ok) {
        float *data = rw_buffer_data(vectors);
        for (int k = 0; k < count; k++) {
            job.dx[k] = data + (2 * (size_t)k) * patches;
            job.dy[k] = data + (2 * (size_t)k + 1) * patches;
            patch_vectors(data + (2 * (size_t)k) * patches, data + (2 * (size_t)k + 1) * patches,
                          job.cols, job.rows, field[k], scale);
            for (int p = 0; p < planes; p++)
                job.near[k][p] = near[k].plane[p];
        }
        for (int p = 0; p < planes; p++) {
            job.now[p] = now->plane[p];
            for (int v = 0; v < 8; v++)
                for (int u = 0; u < 8; u++)
                    job.power[p][8 * u + v] = power[p][8 * v + u];
        }
        run_pass(&job, &pilot, &norm, false);
        job.pilot = pilot.plane[0];
        run_pass(&job, out, &norm, true);
    }
    rw_film_clear(&norm);
    rw_film_clear(&pilot);
    if (vectors)
        rw_buffer_unref(&vectors);
    return ok;
}

/* ---- both scales ---- */

static bool run_scales(rw_film *out, rw_pool *pool, rw_film *film,
                       const rw_motion_field *const *field, int count, int planes,
                       const rw_noise *noise, GError **error)
{
    float power[3][64], half_power[3][64];
    memcpy(power, noise->power, sizeof power);
    for (int p = 0; p < planes; p++)
        halve_power(half_power[p], power[p]);
    rw_film half[RW_GRAIN_NEAR + 1] = {0}, low = {0}, own_low = {0};
    bool ok = run_scale(out, pool, &film[0], film + 1, field, count, planes, 1, power, error);
    for (int k = 0; ok && k <= count; k++)
        ok = halve_film(&half[k], pool, &film[k], planes, error);
    ok = ok &&
         run_scale(&low, pool, &half[0], half + 1, field, count, planes, 2, half_power, error) &&
         halve_film(&own_low, pool, out, planes, error);
    if (ok) {
        float *scratch = g_new(float, low.width + 16);
        for (int p = 0; p < planes; p++) {
            rw_plane a = low.plane[p], b = own_low.plane[p];
            for (int y = 0; y < a.height; y++)
                for (int x = 0; x < a.width; x++)
                    a.px[y * a.stride + x] -= b.px[y * b.stride + x];
            add_enlarged(out->plane[p], a, scratch);
        }
        g_free(scratch);
    }
    for (int k = 0; k <= count; k++)
        rw_film_clear(&half[k]);
    rw_film_clear(&low);
    rw_film_clear(&own_low);
    return ok;
}

static void give_back(rw_frame *out, const rw_film *quiet, const rw_film *own,
                      const rw_noise *noise, float keep)
{
    rw_film_dsp dsp;
    rw_film_dsp_init(&dsp, rw_cpu_level());
    for (int y = 0; y < out->height; y++) {
        float *yuv[3], *rgb[3];
        for (int p = 0; p < 3; p++) {
            yuv[p] = quiet->plane[p].px + y * quiet->plane[p].stride;
            rgb[p] = out->plane[p] + y * out->stride;
            const float *was = own->plane[p].px + y * own->plane[p].stride;
            for (int x = 0; x < out->width; x++)
                yuv[p][x] += keep * (was[x] - yuv[p][x]);
        }
        const float *const in[3] = {yuv[0], yuv[1], yuv[2]};
        dsp.back(rgb, in, out->width, noise);
    }
}

bool rw_grain_quiet(rw_frame *out, rw_pool *pool, const rw_grain_window *w, const rw_noise *noise,
                    float keep, GError **error)
{
    rw_film film[RW_GRAIN_NEAR + 1] = {0}, quiet = {0};
    const rw_motion_field *field[RW_GRAIN_NEAR];
    int count = 0;
    bool ok = rw_film_init(&film[0], pool, w->now, noise, 3, error);
    for (int k = 0; ok && k < RW_GRAIN_NEAR; k++) {
        if (!w->near[k] || !w->field[k])
            continue;
        field[count] = w->field[k];
        ok = rw_film_init(&film[++count], pool, w->near[k], noise, 3, error);
    }
    ok = ok && run_scales(&quiet, pool, film, field, count, 3, noise, error);
    if (ok)
        give_back(out, &quiet, &film[0], noise, keep);
    for (int k = 0; k <= RW_GRAIN_NEAR; k++)
        rw_film_clear(&film[k]);
    rw_film_clear(&quiet);
    return ok;
}

/* ---- the table of kernels ---- */

#define DECLARE(isa) rw_grain_row_fn rw_grain_row_##isa;
#define USE(isa)     dsp->row = rw_grain_row_##isa
RW_CPU_DECLARE(DECLARE)

void rw_grain_dsp_init(rw_grain_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}
