/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/geometry.h"

#include "demo/fmath.h"

/* A 36 x 24 mm sensor at magnification 5. */
#define FIELD_ACROSS 7.2
#define FIELD_ALONG  4.8

rw_rect rw_demo_rect_union(rw_rect a, rw_rect b)
{
    double x = MIN(a.x, b.x), y = MIN(a.y, b.y);
    return (rw_rect){x, y, MAX(a.x + a.width, b.x + b.width) - x,
                     MAX(a.y + a.height, b.y + b.height) - y};
}

rw_rect rw_demo_rect_grow(rw_rect r, double by)
{
    return (rw_rect){r.x - by, r.y - by, r.width + 2 * by, r.height + 2 * by};
}

rw_rect rw_demo_box(rw_affine map, rw_rect rect)
{
    rw_rect box = {0};
    for (int i = 0; i < 4; i++) {
        rw_point p = rw_affine_apply(map, rect.x + (i & 1 ? rect.width : 0),
                                     rect.y + (i & 2 ? rect.height : 0));
        rw_rect r = {p.x, p.y, 0, 0};
        box = i ? rw_demo_rect_union(box, r) : r;
    }
    return box;
}

/* The picture and the last perforation that touches it, whole. */
static rw_rect picture_and_perforation(const rw_gauge *gauge)
{
    rw_perforation p = gauge->perforations[gauge->n_perforations - 1];
    return rw_demo_rect_union(gauge->camera_aperture, (rw_rect){p.x, p.y, p.width, p.height});
}

static double fit(const rw_demo_layout *l, double across, double along)
{
    return MIN(l->canon_width / across, l->canon_height / along);
}

static double fill(const rw_demo_layout *l, double across, double along)
{
    return MAX(l->canon_width / across, l->canon_height / along);
}

void rw_demo_layout_init(rw_demo_layout *layout, const rw_demo_options *options, double gate_margin)
{
    const rw_gauge *gauge = options->gauge;
    bool sideways = options->turn % 180 != 0;
    rw_demo_layout *l = layout;
    *l = (rw_demo_layout){
        .gauge = gauge,
        .width = options->width,
        .height = options->height,
        .canon_width = sideways ? options->height : options->width,
        .canon_height = sideways ? options->width : options->height,
        .turn = options->turn,
        .mirrored = options->mirrored,
        .time_direction = options->turn == 0 || options->turn == 270 ? 1 : -1,
        .gate_in_view = true,
    };
    rw_rect framed = gauge->camera_aperture;
    switch (options->framing) {
    case RW_DEMO_FRAME_PERFORATION:
        framed = picture_and_perforation(gauge);
        l->px_per_mm =
            fit(l, MAX(FIELD_ACROSS, framed.width * 1.06), MAX(FIELD_ALONG, framed.height * 1.06));
        l->gate = rw_demo_rect_grow(framed, gate_margin);
        break;
    case RW_DEMO_FRAME_GATE:
        l->px_per_mm = fit(l, framed.width * 1.06, framed.height * 1.06);
        l->gate = rw_demo_rect_grow(framed, -0.03);
        break;
    case RW_DEMO_FRAME_PICTURE:
        l->px_per_mm = fill(l, framed.width * 0.94, framed.height * 0.94);
        l->gate = framed;
        l->gate_in_view = false;
        break;
    }
    if (options->px_per_mm > 0)
        l->px_per_mm = options->px_per_mm;
    l->centre = (rw_point){framed.x + framed.width / 2, framed.y + framed.height / 2};
}

rw_affine rw_demo_film_to_canon(const rw_demo_layout *l, rw_point shrink, double angle,
                                rw_point shift)
{
    double c = demo_cos(angle) * l->px_per_mm, s = demo_sin(angle) * l->px_per_mm;
    rw_affine r = {{{c * shrink.x, -s * shrink.y, 0}, {s * shrink.x, c * shrink.y, 0}}};
    rw_point at = rw_affine_apply(r, l->centre.x, l->centre.y);
    r.m[0][2] = (l->canon_width - 1) / 2.0 - at.x + shift.x * l->px_per_mm;
    r.m[1][2] = (l->canon_height - 1) / 2.0 - at.y + shift.y * l->px_per_mm;
    return r;
}

rw_affine rw_demo_canon_to_still(const rw_demo_layout *l)
{
    double w = l->canon_width - 1, h = l->canon_height - 1;
    rw_affine mirror = l->mirrored ? (rw_affine){{{-1, 0, w}, {0, 1, 0}}} : rw_affine_identity();
    rw_affine turn = rw_affine_identity();
    if (l->turn == 90)
        turn = (rw_affine){{{0, -1, h}, {1, 0, 0}}};
    else if (l->turn == 180)
        turn = (rw_affine){{{-1, 0, w}, {0, -1, h}}};
    else if (l->turn == 270)
        turn = (rw_affine){{{0, 1, 0}, {-1, 0, w}}};
    return rw_affine_then(mirror, turn);
}

rw_affine rw_demo_film_to_still(const rw_demo_layout *l, rw_affine film_to_canon)
{
    rw_affine y_to_t = {{{1, 0, 0}, {0, l->time_direction, 0}}};
    return rw_affine_then(rw_affine_then(y_to_t, film_to_canon), rw_demo_canon_to_still(l));
}
