/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/picture.h"
#include "gate/luma.h"

#include <math.h>

#define INSET_FILM  0.015 /* of the projectable picture, each side: film weaves */
#define INSET_GATE  0.03  /* of the gate's opening: its edge is soft and its corners are round */
#define INSET_STILL 0.01

static rw_rect inset(rw_rect r, double share)
{
    double dx = r.width * share, dy = r.height * share;
    return (rw_rect){r.x + dx, r.y + dy, r.width - 2 * dx, r.height - 2 * dy};
}

static rw_rect clip(rw_rect r, int width, int height)
{
    double left = MAX(r.x, -0.5), top = MAX(r.y, -0.5);
    double right = MIN(r.x + r.width, width - 0.5), foot = MIN(r.y + r.height, height - 0.5);
    return (rw_rect){left, top, MAX(right - left, 0), MAX(foot - top, 0)};
}

/* The upright rectangle round a rectangle of film. */
static rw_rect on_still(rw_affine film_to_still, rw_rect film)
{
    double left = INFINITY, top = INFINITY, right = -INFINITY, foot = -INFINITY;
    for (int i = 0; i < 4; i++) {
        rw_point p = rw_affine_apply(film_to_still, film.x + (i & 1) * film.width,
                                     film.y + (i >> 1) * film.height);
        left = MIN(left, p.x);
        right = MAX(right, p.x);
        top = MIN(top, p.y);
        foot = MAX(foot, p.y);
    }
    return (rw_rect){left, top, right - left, foot - top};
}

rw_rect rw_picture_area(const rw_gauge *gauge, const rw_affine *film_to_still,
                        const rw_rung_sight *samples, size_t n_samples, int width, int height)
{
    if (film_to_still) {
        rw_rect film = on_still(*film_to_still, inset(gauge->projectable, INSET_FILM));
        return clip(film, width, height);
    }
    rw_rect opening;
    if (rw_ladder_opening(samples, n_samples, &opening))
        return clip(inset(opening, INSET_GATE), width, height);
    return inset((rw_rect){-0.5, -0.5, width, height}, INSET_STILL);
}

/* The part of a still that is measured, a line of luma at a time. */
typedef struct part {
    const rw_pixels *pixels;
    rw_irect area;
    gate_luma_fn *rgb_line;
} part;

static void luma_8(const uint8_t *px, int channels, int n, float *out)
{
    for (int x = 0; x < n; x++, px += channels)
        out[x] = channels == 1 ? px[0] * (1.0f / 255)
                               : (float)(px[0] * 77 + px[1] * 150 + px[2] * 29) * (1.0f / 65280);
}

static void luma_16(const uint16_t *px, int channels, int n, float *out)
{
    for (int x = 0; x < n; x++, px += channels)
        out[x] = channels == 1
                     ? px[0] * (1.0f / 65535)
                     : (px[0] * 0.299f + px[1] * 0.587f + px[2] * 0.114f) * (1.0f / 65535);
}

static void luma_line(int y, float *line, void *user)
{
    const part *of = user;
    const rw_pixels *p = of->pixels;
    const uint8_t *row = (const uint8_t *)p->data + (ptrdiff_t)(of->area.y + y) * p->stride;
    ptrdiff_t first = (ptrdiff_t)of->area.x * p->channels;
    if (p->bits == 16)
        luma_16((const uint16_t *)(const void *)row + first, p->channels, of->area.width, line);
    else if (p->channels == 3)
        of->rgb_line(row + first, (size_t)of->area.width, line);
    else
        luma_8(row + first, p->channels, of->area.width, line);
}

rw_steady_imprint *rw_picture_imprint(const rw_pixels *pixels, rw_rect area)
{
    rw_affine to_stored = rw_pixels_to_stored(pixels->eighths > 0 ? pixels->eighths : 8), inverse;
    if (!rw_affine_invert(to_stored, &inverse))
        return NULL;
    /* Whole decoded pixels that lie inside; by rule, so that all stills of one size agree. */
    rw_point a = rw_affine_apply(inverse, area.x, area.y);
    rw_point b = rw_affine_apply(inverse, area.x + area.width, area.y + area.height);
    rw_irect r = {MAX(0, (int)ceil(a.x + 0.5)), MAX(0, (int)ceil(a.y + 0.5)), 0, 0};
    r.width = MIN(pixels->width, (int)floor(b.x + 0.5)) - r.x;
    r.height = MIN(pixels->height, (int)floor(b.y + 0.5)) - r.y;
    if (r.width <= 0 || r.height <= 0)
        return NULL;
    rw_affine to_decoded = {{{1, 0, r.x}, {0, 1, r.y}}};
    part of = {pixels, r, gate_luma_best(rw_cpu_level())};
    return rw_steady_imprint_new_by_lines(r.width, r.height, rw_affine_then(to_decoded, to_stored),
                                          luma_line, &of);
}
