/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reel_pair.h"

#include <math.h>

/* What a drawing may leave out; the rest of the demo's faults is always off here. */
static const char *const optional[] = {"lamp", "shutter", "grain", "noise",
                                       "dirt", "scratch", "hair",  NULL};
static const char *const faults[] = {"missing", "doubled", "smear", "splice", "damage",
                                     "alien",   "step",    "clip",  "soft",   NULL};

static rw_demo_options *options_of(const reel_spec *spec, const char *terms, GError **error)
{
    const rw_gauge *gauge = rw_gauge_find("super8");
    rw_demo_options *o = rw_demo_options_new(gauge);
    o->frames = spec->count;
    o->seed = spec->seed;
    o->framing = RW_DEMO_FRAME_PICTURE;
    /* a little more than the projectable picture, so that every pixel of a frame was photographed
     */
    o->px_per_mm = spec->width / gauge->projectable.width;
    o->width = ((int)(spec->width * 1.09) + 15) & ~15;
    o->height = ((int)(spec->height * 1.09) + 15) & ~15;
    o->truth_width = spec->width;
    o->truth_height = spec->height;
    if (spec->footage) {
        o->footage = g_new0(char *, 2);
        o->footage[0] = g_strdup(spec->footage);
        o->first_frame = spec->first;
        o->footage_reduce = 1.5;
    }
    bool ok = true;
    for (int i = 0; ok && faults[i]; i++)
        ok = rw_demo_options_off(o, faults[i], error);
    g_auto(GStrv) wanted = g_strsplit(terms, " ", -1);
    for (int i = 0; ok && optional[i]; i++)
        if (!g_strv_contains((const char *const *)wanted, optional[i]))
            ok = rw_demo_options_off(o, optional[i], error);
    for (int i = 0; ok && spec->on && spec->on[i]; i++)
        ok = rw_demo_options_set(o, spec->on[i], error);
    if (!ok)
        rw_demo_options_free(&o);
    return o;
}

static void cubic(double f, double c[4])
{
    c[0] = ((-0.5 * f + 1.0) * f - 0.5) * f;
    c[1] = (1.5 * f - 2.5) * f * f + 1.0;
    c[2] = ((-1.5 * f + 2.0) * f + 0.5) * f;
    c[3] = (0.5 * f - 0.5) * f * f;
}

static void resample(uint8_t *out, int w, int h, const uint8_t *in, int iw, int ih, rw_affine to_in)
{
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            const rw_point p = rw_affine_apply(to_in, x, y);
            const int i = (int)floor(p.x), j = (int)floor(p.y);
            double cx[4], cy[4], s[3] = {0};
            cubic(p.x - i, cx);
            cubic(p.y - j, cy);
            for (int b = 0; b < 4; b++)
                for (int a = 0; a < 4; a++) {
                    const uint8_t *q = in + 3 * ((size_t)CLAMP(j - 1 + b, 0, ih - 1) * (size_t)iw +
                                                 (size_t)CLAMP(i - 1 + a, 0, iw - 1));
                    for (int k = 0; k < 3; k++)
                        s[k] += cy[b] * cx[a] * q[k];
                }
            for (int k = 0; k < 3; k++)
                out[3 * ((size_t)y * (size_t)w + (size_t)x) + (size_t)k] =
                    (uint8_t)CLAMP(s[k] + 0.5, 0.0, 255.0);
        }
}

bool reel_draw(clip *out, const reel_spec *spec, const char *terms, rw_affine *still_to_frame,
               GError **error)
{
    rw_demo_options *o = options_of(spec, terms, error);
    if (!o)
        return false;
    rw_demo *demo = rw_demo_new(o, error);
    const int iw = o->width, ih = o->height;
    const rw_rect area = o->gauge->projectable;
    rw_demo_options_free(&o);
    if (!demo)
        return false;
    clip_alloc(out, spec->width, spec->height, spec->count);
    const double sx = spec->width / area.width, sy = spec->height / area.height;
    const rw_affine frame_to_film = {
        {{1 / sx, 0, area.x + 0.5 / sx}, {0, 1 / sy, area.y + 0.5 / sy}}};
    bool ok = true;
    for (int n = 0; ok && n < spec->count; n++) {
        rw_demo_still still;
        ok = rw_demo_get_still(demo, n, &still);
        uint8_t *pixels = ok ? rw_demo_render(demo, n, error) : NULL;
        ok = pixels != NULL;
        if (!ok)
            break;
        const rw_affine to_still = rw_affine_then(frame_to_film, still.film_to_still);
        resample(clip_frame(out, n), spec->width, spec->height, pixels, iw, ih, to_still);
        if (still_to_frame)
            ok = rw_affine_invert(to_still, &still_to_frame[n]);
        g_free(pixels);
    }
    rw_demo_free(&demo);
    if (!ok)
        clip_clear(out);
    return ok;
}

#define LIGHT_SCALE 40.0 /* px per mm of the stills in which the clear light is read */

/* Median light of the middle of the perforation, as a still's codes tell it; NAN where it clips. */
static double clear_of(const uint8_t *pixels, int w, int h, const rw_perforation *hole, rw_affine m)
{
    int count[256] = {0}, all = 0;
    for (double v = 0.2; v < 0.8; v += 0.01)
        for (double u = 0.2; u < 0.8; u += 0.01) {
            const rw_point p =
                rw_affine_apply(m, hole->x + u * hole->width, hole->y + v * hole->height);
            const int x = (int)lrint(p.x), y = (int)lrint(p.y);
            if (x < 0 || y < 0 || x >= w || y >= h)
                continue;
            count[pixels[3 * ((size_t)y * (size_t)w + (size_t)x) + 1]]++;
            all++;
        }
    int below = 0, code = 0;
    while (code < 255 && below + count[code] <= all / 2)
        below += count[code++];
    /* within the code, by how many lie below */
    const double fine = code - 0.5 + (all / 2.0 - below) / MAX(count[code], 1);
    const double v = fine / 255.0;
    return all && code < 253 ? pow((v + 0.055) / 1.055, 2.4) : NAN;
}

bool reel_clear_light(double *light, const reel_spec *spec, const char *terms, GError **error)
{
    rw_demo_options *o = options_of(spec, terms, error);
    if (!o)
        return false;
    o->framing = RW_DEMO_FRAME_PERFORATION;
    o->px_per_mm = LIGHT_SCALE;
    o->width = 320;
    o->height = 208;
    const int w = o->width, h = o->height;
    const rw_perforation hole = o->gauge->perforations[0];
    rw_demo *demo = rw_demo_new(o, error);
    rw_demo_options_free(&o);
    bool ok = demo != NULL;
    for (int n = 0; ok && n < spec->count; n++) {
        rw_demo_still still;
        uint8_t *pixels =
            rw_demo_get_still(demo, n, &still) ? rw_demo_render(demo, n, error) : NULL;
        ok = pixels != NULL;
        if (ok)
            light[n] = clear_of(pixels, w, h, &hole, still.film_to_still);
        g_free(pixels);
    }
    rw_demo_free(&demo);
    return ok;
}
