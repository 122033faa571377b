/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>

#include "finish/compose.h"

#define SAME_SHAPE 0.02
#define ENOUGH     1.4 /* decoded pixels per frame pixel */
#define MIN_SIDE   16
#define MAX_SIDE   16384

rw_framing rw_framing_make(const rw_gauge *gauge, int way_up, bool mirror, double x, double y,
                           double scale)
{
    rw_rect p = gauge->projectable;
    double width = p.width * scale, height = p.height * scale;
    double cx = p.x + p.width / 2 + (mirror ? -x : x);
    double cy = p.y + p.height / 2 + (way_up < 0 ? -y : y);
    return (rw_framing){{cx - width / 2, cy - height / 2, width, height}, way_up, mirror};
}

static int even(double side)
{
    return 2 * (int)floor(side / 2 + 0.5);
}

static bool parse_sides(const char *text, int *width, int *height)
{
    char *end = NULL;
    gint64 w = g_ascii_strtoll(text, &end, 10);
    if (end == text || *end != 'x')
        return false;
    const char *second = end + 1;
    gint64 h = g_ascii_strtoll(second, &end, 10);
    if (end == second || *end != '\0' || !g_ascii_isdigit(*second))
        return false;
    if (w < MIN_SIDE || h < MIN_SIDE || w > MAX_SIDE || h > MAX_SIDE || w % 2 || h % 2)
        return false;
    *width = (int)w;
    *height = (int)h;
    return true;
}

bool rw_size_parse(const char *size, rw_rect rect, double px_per_mm, int *width, int *height,
                   GError **error)
{
    if (g_str_equal(size, "hd")) {
        *width = 1440;
        *height = 1080;
        return true;
    }
    if (g_str_equal(size, "uhd")) {
        *width = 2880;
        *height = 2160;
        return true;
    }
    if (g_str_equal(size, "native")) {
        *width = CLAMP(even(rect.width * px_per_mm), MIN_SIDE, MAX_SIDE);
        *height = CLAMP(even(rect.height * px_per_mm), MIN_SIDE, MAX_SIDE);
        return true;
    }
    if (parse_sides(size, width, height))
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                "\"%s\" is no size; give hd, uhd, native or WIDTHxHEIGHT with even sides from %d "
                "to %d.",
                size, MIN_SIDE, MAX_SIDE);
    return false;
}

/* Whole pixels nearest to a stretch of `length` in the middle of `side`. */
static void centre(double length, int side, int *at, int *extent)
{
    int black = (int)floor((side - length) / 2 + 0.5);
    black = CLAMP(black, 0, side / 2);
    *at = black;
    *extent = side - 2 * black;
}

rw_composition rw_composition_make(const rw_framing *f, int width, int height)
{
    double across = width / f->rect.width, along = height / f->rect.height;
    bool fill = fabs(across / along - 1) <= SAME_SHAPE;
    double k = fill ? MAX(across, along) : MIN(across, along);
    double kx = f->mirror ? -k : k, ky = f->way_up < 0 ? -k : k;
    double cx = f->rect.x + f->rect.width / 2, cy = f->rect.y + f->rect.height / 2;
    rw_composition c = {.width = width, .height = height, .px_per_mm = k, .detail = k};
    c.film_to_frame =
        (rw_affine){{{kx, 0, (width - 1) / 2.0 - kx * cx}, {0, ky, (height - 1) / 2.0 - ky * cy}}};
    centre(fill ? width : k * f->rect.width, width, &c.picture.x, &c.picture.width);
    centre(fill ? height : k * f->rect.height, height, &c.picture.y, &c.picture.height);
    return c;
}

rw_composition rw_composition_scaled(const rw_composition *c, int width)
{
    double k = (double)width / c->width;
    int height = MAX(2, even(c->height * k));
    rw_affine shrink = {{{k, 0, k / 2 - 0.5}, {0, k, k / 2 - 0.5}}};
    rw_composition s = {
        .width = width, .height = height, .px_per_mm = c->px_per_mm * k, .detail = c->detail * k};
    s.film_to_frame = rw_affine_then(c->film_to_frame, shrink);
    centre(c->picture.width * k, width, &s.picture.x, &s.picture.width);
    centre(c->picture.height * k, height, &s.picture.y, &s.picture.height);
    return s;
}

int rw_scaled_decode(double still_px_per_frame_px)
{
    static const int eighths[] = {1, 2, 4, 5, 6};
    for (size_t i = 0; i < G_N_ELEMENTS(eighths); i++)
        if (still_px_per_frame_px * eighths[i] / 8 >= ENOUGH)
            return eighths[i];
    return 8;
}
