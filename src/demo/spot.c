/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/spot.h"

#include <math.h>

#include "demo/fmath.h"

const char *rw_demo_spot_name(rw_demo_spot_kind kind)
{
    switch (kind) {
    case DEMO_SPOT_SPECK_DARK:
        return "dark speck";
    case DEMO_SPOT_FIBRE_DARK:
        return "dark fibre";
    case DEMO_SPOT_SPECK_LIGHT:
        return "light speck";
    case DEMO_SPOT_FIBRE_LIGHT:
        return "light fibre";
    case DEMO_SPOT_SCRATCH_DARK:
        return "dark scratch";
    case DEMO_SPOT_SCRATCH_LIGHT:
        return "light scratch";
    case DEMO_SPOT_GATE_HAIR:
        return "gate hair";
    case DEMO_SPOT_TEAR:
        return "torn";
    case DEMO_SPOT_PERFORATION_DIRT:
        return "dirty";
    }
    return "";
}

static float speck_distance(const rw_demo_spot *s, float dx, float dy)
{
    float x = s->c * dx + s->s * dy, y = (s->c * dy - s->s * dx) * s->aspect;
    float length = sqrtf(x * x + y * y);
    if (length < 1e-6f)
        return -s->radius;
    float c1 = x / length, s1 = y / length, c = c1, sn = s1, r = 1;
    for (int k = 0; k < DEMO_WOBBLES; k++) { /* harmonics 2, 3 ... by turning on */
        float t = c * c1 - sn * s1;
        sn = sn * c1 + c * s1;
        c = t;
        r += s->wobble[k][0] * c + s->wobble[k][1] * sn;
    }
    return length - s->radius * r;
}

static float fibre_distance(const rw_demo_spot *s, float dx, float dy)
{
    float best = 1e9f;
    for (int i = 0; i + 1 < s->joints; i++) {
        float ax = s->joint[i][0], ay = s->joint[i][1];
        float bx = s->joint[i + 1][0] - ax, by = s->joint[i + 1][1] - ay;
        float px = dx - ax, py = dy - ay;
        float t = demo_clampf((px * bx + py * by) / (bx * bx + by * by + 1e-12f), 0, 1);
        px -= t * bx;
        py -= t * by;
        best = MIN(best, px * px + py * py);
    }
    return sqrtf(best) - s->half_width;
}

float rw_demo_spot_alpha(const rw_demo_spot *spot, double x, double y, float softest)
{
    float dx = (float)(x - spot->centre.x), dy = (float)(y - spot->centre.y);
    float d = spot->joints ? fibre_distance(spot, dx, dy) : speck_distance(spot, dx, dy);
    return spot->opacity * demo_clampf(0.5f - d / MAX(spot->soft, softest), 0, 1);
}

rw_demo_spot rw_demo_speck(rw_demo_stream *stream, rw_demo_spot_kind kind, rw_point centre,
                           double diameter, double opacity)
{
    double angle = rw_demo_uniform(stream), soft = rw_demo_between(stream, 0.08, 0.35);
    rw_demo_spot s = {
        .kind = kind,
        .centre = centre,
        .opacity = (float)opacity,
        .soft = (float)(diameter * soft),
        .radius = (float)(diameter / 2),
        .aspect = (float)rw_demo_between(stream, 1.0, 2.2),
        .c = (float)demo_cos(angle),
        .s = (float)demo_sin(angle),
    };
    double most = 1;
    for (int k = 0; k < DEMO_WOBBLES; k++) {
        double amount = rw_demo_between(stream, 0, 0.34) / (1 + 0.5 * k);
        double phase = rw_demo_uniform(stream);
        s.wobble[k][0] = (float)(amount * demo_cos(phase));
        s.wobble[k][1] = (float)(amount * demo_sin(phase));
        most += amount;
    }
    double reach = diameter / 2 * most + s.soft / 2 + 0.03;
    s.box = (rw_rect){centre.x - reach, centre.y - reach, 2 * reach, 2 * reach};
    return s;
}

rw_demo_spot rw_demo_fibre(rw_demo_stream *stream, rw_demo_spot_kind kind, rw_point start,
                           double turns, double length, double width, double bend, double opacity)
{
    rw_demo_spot s = {
        .kind = kind,
        .centre = start,
        .opacity = (float)opacity,
        .soft = (float)(width * rw_demo_between(stream, 0.3, 0.6)),
        .joints = DEMO_JOINTS,
        .half_width = (float)(width / 2),
    };
    double x = 0, y = 0, step = length / (DEMO_JOINTS - 1), left = 0, right = 0, top = 0, low = 0;
    double curl = bend * rw_demo_normal(stream);
    for (int i = 0; i < DEMO_JOINTS; i++) {
        s.joint[i][0] = (float)x;
        s.joint[i][1] = (float)y;
        left = MIN(left, x);
        right = MAX(right, x);
        top = MIN(top, y);
        low = MAX(low, y);
        curl = 0.8 * curl + 0.6 * bend * rw_demo_normal(stream);
        turns += curl / (DEMO_JOINTS - 1);
        x += step * demo_cos(turns);
        y += step * demo_sin(turns);
    }
    double reach = width / 2 + s.soft / 2 + 0.03;
    s.box = (rw_rect){start.x + left - reach, start.y + top - reach, right - left + 2 * reach,
                      low - top + 2 * reach};
    return s;
}

void rw_demo_spot_move(rw_demo_spot *spot, double dx, double dy)
{
    spot->centre.x += dx;
    spot->centre.y += dy;
    spot->box.x += dx;
    spot->box.y += dy;
}
