/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * survey_strip.h - a short strip of Super 8 drawn for the survey's unit tests: a black strip with
 * pictures of a scene plus grain that belongs to each frame alone. Grey, 8 bit.
 */
#ifndef RW_TESTS_SURVEY_STRIP_H
#define RW_TESTS_SURVEY_STRIP_H

#include <math.h>
#include <string.h>

#include <reelwright/film.h>
#include <reelwright/still.h>

typedef struct strip {
    const rw_gauge *gauge;
    double px_per_mm;
    double texture; /* coded amplitude of the scene's own fine detail */
    double pan;     /* mm per frame across the film */
    double grain;   /* coded sd */
    double noise;   /* coded sd of the camera, new in every still */
    double blur;    /* px sd of the lens */
    double smear;   /* px sd along the film */
    int width, height;
} strip;

#define STRIP_DEFAULTS                                                                             \
    {                                                                                              \
        .gauge = rw_gauge_find("super8"), .px_per_mm = 166, .texture = 0, .grain = 6, .noise = 1,  \
        .width = 1200, .height = 800                                                               \
    }

static inline uint32_t strip_hash(uint32_t a, uint32_t b, uint32_t c)
{
    uint32_t h = a * 0x9e3779b1u ^ b * 0x85ebca77u ^ c * 0xc2b2ae3du;
    h ^= h >> 15;
    h *= 0x2c1b3c6du;
    h ^= h >> 12;
    h *= 0x297a2d39u;
    return h ^ h >> 15;
}

/* Nearly normal, sd 1. */
static inline double strip_noise(uint32_t a, uint32_t b, uint32_t c)
{
    double sum = 0;
    for (uint32_t k = 0; k < 4; k++)
        sum += strip_hash(a + k * 0x51ed27u, b, c) / 4294967296.0 - 0.5;
    return sum * 1.7320508;
}

/* Grain of film frame f on a lattice fixed to the film, read between its points. */
static inline double strip_grain(int f, double x, double y, double px_per_mm)
{
    double u = x * px_per_mm + 1000, v = y * px_per_mm + 1000;
    double fu = u - floor(u), fv = v - floor(v);
    uint32_t i = (uint32_t)u, j = (uint32_t)v, k = (uint32_t)(f + 100);
    double top = strip_noise(i, j, k) * (1 - fu) + strip_noise(i + 1, j, k) * fu;
    double bottom = strip_noise(i, j + 1, k) * (1 - fu) + strip_noise(i + 1, j + 1, k) * fu;
    return top * (1 - fv) + bottom * fv;
}

static inline double strip_scene(const strip *s, int f, double x, double y)
{
    double u = x - s->pan * f;
    double soft = 110 + 40 * sin(1.3 * u) + 25 * cos(1.7 * y + 0.4 * u);
    double fine = sin(160 * u + 3 * sin(5 * y)) * cos(140 * y + 2 * u) + sin(83 * u - 97 * y);
    return soft + s->texture * fine;
}

/* Film value at (x, y) mm in the coordinates of frame n. */
static inline double strip_film(const strip *s, int n, double x, double y)
{
    double pitch = s->gauge->pitch;
    int step = (int)floor(y / pitch + 0.5);
    double in = y - step * pitch;
    rw_rect a = s->gauge->camera_aperture;
    const rw_perforation *p = &s->gauge->perforations[0];
    if (x > p->x && x < p->x + p->width && in > p->y && in < p->y + p->height)
        return 235;
    if (x < a.x || x > a.x + a.width || fabs(in) > a.height / 2)
        return 12;
    return strip_scene(s, n + step, x, in) + s->grain * strip_grain(n + step, x, in, s->px_per_mm);
}

/* film mm -> pixels of a still whose frame centre stands (dx, dy) px from the nominal place. */
static inline rw_affine strip_film_to_px(const strip *s, double dx, double dy)
{
    double k = s->px_per_mm;
    return (rw_affine){{{k, 0, 0.02 * s->width + dx}, {0, k, 0.5 * s->height + dy}}};
}

static inline void strip_blur(double *line, int n, int step, double sd)
{
    if (sd <= 0)
        return;
    int r = (int)ceil(3 * sd);
    g_autofree double *copy = g_new(double, n), *weight = g_new(double, 2 * r + 1);
    double total = 0;
    for (int k = -r; k <= r; k++)
        total += weight[k + r] = exp(-0.5 * k * k / (sd * sd));
    for (int i = 0; i < n; i++)
        copy[i] = line[i * step];
    for (int i = 0; i < n; i++) {
        double sum = 0;
        for (int k = -r; k <= r; k++)
            sum += weight[k + r] * copy[CLAMP(i + k, 0, n - 1)];
        line[i * step] = sum / total;
    }
}

/* Takes still number `shot` of film frame n. The picture belongs to the caller: g_free. */
static inline uint8_t *strip_shoot(const strip *s, int n, int shot, double dx, double dy,
                                   rw_pixels *pixels)
{
    rw_affine to_film;
    rw_affine_invert(strip_film_to_px(s, dx, dy), &to_film);
    g_autofree double *light = g_new(double, (gsize)s->width *(gsize)s->height);
    for (int j = 0; j < s->height; j++)
        for (int i = 0; i < s->width; i++) {
            rw_point at = rw_affine_apply(to_film, i, j);
            light[j * s->width + i] = strip_film(s, n, at.x, at.y);
        }
    for (int j = 0; j < s->height; j++)
        strip_blur(light + j * s->width, s->width, 1, s->blur);
    for (int i = 0; i < s->width; i++)
        strip_blur(light + i, s->height, s->width, hypot(s->blur, s->smear));
    uint8_t *out = g_malloc((gsize)s->width * (gsize)s->height);
    for (int k = 0; k < s->width * s->height; k++) {
        double v = light[k] + s->noise * strip_noise((uint32_t)k, (uint32_t)shot, 77777u);
        out[k] = (uint8_t)CLAMP(lrint(v), 0, 255);
    }
    *pixels = (rw_pixels){.data = out,
                          .width = s->width,
                          .height = s->height,
                          .stride = s->width,
                          .bits = 8,
                          .channels = 1,
                          .eighths = 8,
                          .full_width = s->width,
                          .full_height = s->height};
    return out;
}

#endif
