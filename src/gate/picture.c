/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/picture.h"

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

static void luma_8(const rw_pixels *p, rw_irect r, float *out)
{
    for (int y = 0; y < r.height; y++) {
        const uint8_t *px = (const uint8_t *)p->data + (r.y + y) * p->stride + r.x * p->channels;
        for (int x = 0; x < r.width; x++, px += p->channels)
            *out++ = p->channels == 1
                         ? px[0] * (1.0f / 255)
                         : (float)(px[0] * 77 + px[1] * 150 + px[2] * 29) * (1.0f / 65280);
    }
}

static void luma_16(const rw_pixels *p, rw_irect r, float *out)
{
    for (int y = 0; y < r.height; y++) {
        const uint16_t *px =
            (const uint16_t *)(const void *)((const uint8_t *)p->data + (r.y + y) * p->stride) +
            r.x * p->channels;
        for (int x = 0; x < r.width; x++, px += p->channels)
            *out++ = p->channels == 1
                         ? px[0] * (1.0f / 65535)
                         : (px[0] * 0.299f + px[1] * 0.587f + px[2] * 0.114f) * (1.0f / 65535);
    }
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
    float *luma = g_new(float, (size_t)r.width *(size_t)r.height);
    if (pixels->bits == 16)
        luma_16(pixels, r, luma);
    else
        luma_8(pixels, r, luma);
    rw_affine to_decoded = {{{1, 0, r.x}, {0, 1, r.y}}};
    rw_steady_imprint *im = rw_steady_imprint_new((rw_plane){luma, r.width, r.height, r.width},
                                                  rw_affine_then(to_decoded, to_stored),
                                                  (rw_irect){0, 0, r.width, r.height});
    g_free(luma);
    return im;
}
