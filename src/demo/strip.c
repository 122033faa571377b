/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/strip.h"

#include <math.h>

#include "demo/fmath.h"
#include "demo/random.h"

#define BORDER RW_DEMO_CEL_BORDER

/* White noise on a lattice, smoothed by [1 2 1]/4 each way and read through a cubic B-spline, is
 * a cloud of variance 1/2 + 1/3 lattice steps squared; its variance is 0.30089 squared: the sum of
 * [1 4 6 4 1]/16 times the B-spline of degree 7 at -2 .. 2, which is 151/315, 397/1680, 1/42. */
#define CLOUD_SIGMA 0.9128709
#define CLOUD_GAIN  3.3235

struct rw_demo_strip {
    rw_demo_source *source;
    const rw_gauge *gauge;
    const rw_demo_params *params;
    const rw_demo_rows *rows;
    uint64_t seed, clock;
    GPtrArray *cels;
    GMutex lock;
    GCond ready;
};

rw_demo_strip *rw_demo_strip_new(rw_demo_source *source, const rw_gauge *gauge,
                                 const rw_demo_params *params, uint64_t seed)
{
    rw_demo_strip *s = g_new0(rw_demo_strip, 1);
    s->source = source;
    s->gauge = gauge;
    s->params = params;
    s->rows = rw_demo_rows_best();
    s->seed = seed;
    s->cels = g_ptr_array_new();
    g_mutex_init(&s->lock);
    g_cond_init(&s->ready);
    return s;
}

static void empty_cel(rw_demo_cel *cel)
{
    g_free((float *)(uintptr_t)cel->density.px);
    g_free((float *)(uintptr_t)cel->grain.px);
    *cel = (rw_demo_cel){0};
}

void rw_demo_strip_free(rw_demo_strip **strip)
{
    rw_demo_strip *s = *strip;
    if (!s)
        return;
    for (guint i = 0; i < s->cels->len; i++) {
        rw_demo_cel *cel = g_ptr_array_index(s->cels, i);
        g_assert(cel->users == 0);
        empty_cel(cel);
        g_free(cel);
    }
    g_ptr_array_free(s->cels, TRUE);
    g_mutex_clear(&s->lock);
    g_cond_clear(&s->ready);
    g_clear_pointer(strip, g_free);
}

double rw_demo_grain_aperture_share(double size)
{
    /* variance = mean of the clouds' autocovariance, a Gaussian of standard deviation size sqrt 2,
     * over all pairs of points of the disc: integral of 2 pi r C(r) overlap(r) dr / area. */
    const double radius = 0.024, area = DEMO_PI * radius * radius, step = radius / 400;
    double overlap = 0, sum = 0; /* from the far end inwards: overlap(2 radius) = 0 */
    for (int i = 799; i >= 0; i--) {
        double r = (i + 0.5) * step, x = r / 2;
        overlap += 4 * sqrt(radius * radius - x * x) * step / 2;
        double c = (double)demo_exp2f((float)(-r * r / (4 * size * size) * 1.4426950408889634));
        sum += 2 * DEMO_PI * r * c * overlap / area * step;
    }
    return sqrt(sum / area);
}

static float *padded(int width, int height)
{
    return g_new(float, (size_t)width *(size_t)height * 4);
}

/* Samples to the coefficients of the spline through them, along one line of `n` steps of `step`
 * floats, `lanes` floats wide: a recursive filter there and back (Unser, Aldroubi and Eden 1993;
 * from memory), the line's ends going on for ever. */
static void spline_through(float *px, int n, size_t step, size_t lanes)
{
    const float z = -0.26794919f; /* sqrt 3 - 2 */
    const float gain = 6, first = gain / (1 - z), last = z / (z * z - 1);
    for (size_t i = 0; i < lanes; i++)
        px[i] *= first;
    for (int k = 1; k < n; k++) {
        float *p = px + (size_t)k * step, *before = p - step;
        for (size_t i = 0; i < lanes; i++)
            p[i] = gain * p[i] + z * before[i];
    }
    float *end = px + (size_t)(n - 1) * step;
    for (size_t i = 0; i < lanes; i++)
        end[i] = last * (end[i] + z * (end - step)[i]);
    for (int k = n - 2; k >= 0; k--) {
        float *p = px + (size_t)k * step, *after = p + step;
        for (size_t i = 0; i < lanes; i++)
            p[i] = z * (after[i] - p[i]);
    }
}

static void develop_picture(const rw_demo_strip *s, const rw_demo_picture *picture,
                            rw_demo_cel *cel)
{
    float lightest = demo_exp2f((float)(-s->params->number[DEMO_FILM_DMIN] * DEMO_LOG2_10));
    float darkest = demo_exp2f((float)(-s->params->number[DEMO_FILM_DMAX] * DEMO_LOG2_10));
    int w = picture->width + 2 * BORDER, h = picture->height + 2 * BORDER;
    float *out = padded(w, h);
    double mean = 0;
    for (int y = 0; y < h; y++) {
        int from = CLAMP(y - BORDER, 0, picture->height - 1);
        const float *in = picture->px + (size_t)from * (size_t)picture->width * 4;
        float *row = out + (size_t)y * (size_t)w * 4, *inner = row + 4 * BORDER;
        float sum = 0;
        for (int i = 0; i < 4 * picture->width; i++) {
            float t = darkest + (lightest - darkest) * demo_clampf(in[i], 0, 1);
            sum += t;
            inner[i] = -demo_log2f(t);
        }
        mean += (double)sum;
        for (int x = 0; x < BORDER; x++) {
            memcpy(row + 4 * x, inner, 4 * sizeof(float));
            memcpy(inner + 4 * (picture->width + x), inner + 4 * (picture->width - 1),
                   4 * sizeof(float));
        }
    }
    for (int y = 0; y < h; y++)
        spline_through(out + (size_t)y * (size_t)w * 4, w, 4, 4);
    spline_through(out, h, (size_t)w * 4, (size_t)w * 4);
    cel->mean_light = mean / (4.0 * picture->width * h);
    cel->density = (rw_demo_raster){out, w, h};
}

/* Three layers' grain from four independent lanes: each its own, and a common part. */
static void mix_layers(float *px, size_t n, float own, float common)
{
    for (size_t i = 0; i < n; i++) {
        float *p = px + 4 * i, shared = common * p[3];
        for (int c = 0; c < 3; c++)
            p[c] = own * p[c] + shared;
    }
}

static void grow_grain(const rw_demo_strip *s, rw_demo_cel *cel)
{
    double size = s->params->number[DEMO_GRAIN_SIZE] * 1e-3;
    cel->grain_pitch = size / CLOUD_SIGMA;
    int w = (int)(s->gauge->camera_aperture.width / cel->grain_pitch) + 2 + 2 * BORDER;
    int h = (int)(s->gauge->camera_aperture.height / cel->grain_pitch) + 2 + 2 * BORDER;
    float *out = padded(w, h), *line = padded(w + 2, 4);
    uint32_t key = (uint32_t)rw_demo_key(s->seed, "grain", cel->film);
    /* three noise rows of w + 2 pixels in turn, and one for their sum */
    float *noise[3], *column = line + 3 * (size_t)(w + 2) * 4;
    for (int i = 0; i < 3; i++)
        noise[i] = line + (size_t)i * (size_t)(w + 2) * 4;
    for (int y = -2; y < h; y++) {
        s->rows->white(key, (uint32_t)(y + 2) * (uint32_t)(w + 2), w + 2, noise[(y + 3) % 3]);
        if (y < 0)
            continue;
        const float *a = noise[(y + 1) % 3], *b = noise[(y + 2) % 3], *c = noise[y % 3];
        for (int i = 0; i < 4 * (w + 2); i++)
            column[i] = (a[i] + 2 * b[i] + c[i]) * (float)(CLOUD_GAIN / 16);
        float *row = out + (size_t)y * (size_t)w * 4;
        for (int i = 0; i < 4 * w; i++)
            row[i] = column[i] + 2 * column[i + 4] + column[i + 8];
    }
    double colour = s->params->number[DEMO_GRAIN_COLOUR];
    mix_layers(out, (size_t)w * (size_t)h, (float)sqrt(colour), (float)sqrt(1 - colour));
    g_free(line);
    cel->grain = (rw_demo_raster){out, w, h};
}

static bool make_cel(const rw_demo_strip *s, rw_demo_cel *cel, GError **error)
{
    rw_demo_picture picture;
    if (!rw_demo_source_draw(s->source, cel->film, &picture, error))
        return false;
    develop_picture(s, &picture, cel);
    rw_demo_picture_clear(&picture);
    if (rw_demo_value(s->params, DEMO_GRAIN_RMS) > 0)
        grow_grain(s, cel);
    return true;
}

/* With the lock held: the cel of this film frame, or an idle one to make it in. Once a few idle
 * ones have gathered the one longest out of use is taken again. */
static rw_demo_cel *find_cel(rw_demo_strip *s, int64_t film)
{
    rw_demo_cel *oldest = NULL;
    guint idle = 0;
    for (guint i = 0; i < s->cels->len; i++) {
        rw_demo_cel *cel = g_ptr_array_index(s->cels, i);
        if ((cel->ready || cel->busy) && cel->film == film)
            return cel;
        if (cel->users == 0 && !cel->busy) {
            idle++;
            if (!oldest || cel->used < oldest->used)
                oldest = cel;
        }
    }
    if (oldest && (idle > 4 || !oldest->ready)) {
        empty_cel(oldest);
    } else {
        oldest = g_new0(rw_demo_cel, 1);
        g_ptr_array_add(s->cels, oldest);
    }
    oldest->film = film;
    return oldest;
}

rw_demo_cel *rw_demo_strip_take(rw_demo_strip *s, int64_t film, GError **error)
{
    g_mutex_lock(&s->lock);
    rw_demo_cel *cel;
    while ((cel = find_cel(s, film))->busy)
        g_cond_wait(&s->ready, &s->lock);
    cel->used = ++s->clock;
    bool ok = true;
    if (!cel->ready) {
        cel->busy = true;
        g_mutex_unlock(&s->lock);
        ok = make_cel(s, cel, error);
        g_mutex_lock(&s->lock);
        cel->busy = false;
        cel->ready = ok;
        if (!ok)
            empty_cel(cel);
        g_cond_broadcast(&s->ready);
    }
    if (ok)
        cel->users++;
    g_mutex_unlock(&s->lock);
    return ok ? cel : NULL;
}

void rw_demo_strip_return(rw_demo_strip *s, rw_demo_cel **cel)
{
    if (!*cel)
        return;
    g_mutex_lock(&s->lock);
    (*cel)->users--;
    *cel = NULL;
    g_mutex_unlock(&s->lock);
}

rw_affine rw_demo_cel_map(const rw_demo_cel *cel, const rw_gauge *gauge)
{
    double sx = (cel->density.width - 2 * BORDER) / gauge->camera_aperture.width;
    double sy = (cel->density.height - 2 * BORDER) / gauge->camera_aperture.height;
    return (rw_affine){{{sx, 0, BORDER - 0.5}, {0, sy, BORDER - 0.5}}};
}
