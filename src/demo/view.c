/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/view.h"

#include <math.h>

#include "demo/fmath.h"

#define PIXEL_VARIANCE (1.0 / 12) /* of one pixel's box */
#define SKIRT_WIDER    3.0

static const double *numbers(const rw_demo_reel *reel)
{
    return reel->params->number;
}

static double value(const rw_demo_reel *reel, rw_demo_param param)
{
    return rw_demo_value(reel->params, param);
}

/* A stream of something that is new in each still. */
static rw_demo_stream still_stream(const rw_demo_reel *reel, const char *term,
                                   const rw_demo_shot *shot)
{
    return rw_demo_stream_open(reel->seed, term, 4 * shot->film + shot->take);
}

rw_point rw_demo_camera_weave(const rw_demo_reel *reel, int64_t film)
{
    rw_demo_stream s = rw_demo_stream_open(reel->seed, "camera-weave", film);
    double height = reel->gauge->camera_aperture.height / 100;
    double x = rw_demo_normal(&s), y = rw_demo_normal(&s);
    return (rw_point){value(reel, DEMO_CAMERA_WEAVE_ACROSS) * height * x,
                      value(reel, DEMO_CAMERA_WEAVE_ALONG) * height * y};
}

double rw_demo_shutter(const rw_demo_reel *reel, int64_t film)
{
    rw_demo_stream s = rw_demo_stream_open(reel->seed, "shutter", film);
    double light = 1 + value(reel, DEMO_SHUTTER_FLICKER) / 100 * rw_demo_normal(&s);
    return MAX(light, 0);
}

/* The film lies wrong after a joint and finds its place in three frames. */
static rw_point splice_jump(const rw_demo_reel *reel, int64_t film)
{
    static const double left[] = {1, 0.45, 0.15};
    rw_point jump = {0, 0};
    for (int64_t back = 0; back < 3; back++) {
        if (!(rw_demo_plan_events(reel->plan, film - back) & DEMO_SPLICED))
            continue;
        rw_demo_stream s = rw_demo_stream_open(reel->seed, "splice", film - back);
        double size = numbers(reel)[DEMO_SPLICE_JUMP] * left[back];
        jump.x += size * 0.4 * rw_demo_normal(&s);
        jump.y += size * rw_demo_normal(&s);
    }
    return jump;
}

static void place_film(const rw_demo_reel *reel, rw_demo_view *v)
{
    const rw_demo_layout *l = &reel->layout;
    rw_demo_shot first = v->shot;
    bool again = v->shot.take == DEMO_AGAIN;
    if (!again)
        first.take = 0; /* a doubled frame has not moved */
    rw_demo_stream s = still_stream(reel, "weave", &first);
    v->weave.x = value(reel, DEMO_WEAVE_ACROSS) * rw_demo_normal(&s);
    v->weave.y = value(reel, DEMO_WEAVE_ALONG) * rw_demo_normal(&s);
    v->splice_jump = splice_jump(reel, v->shot.film);

    s = still_stream(reel, "rotation", &first);
    double degrees = value(reel, DEMO_ROTATION_ANGLE) +
                     value(reel, DEMO_ROTATION_DRIFT) *
                         rw_demo_wander(reel->seed, "rotation.drift", (double)v->shot.film, 300) +
                     value(reel, DEMO_ROTATION_JITTER) * rw_demo_normal(&s) +
                     (again ? value(reel, DEMO_RESHOOT_TURN) : 0);
    v->angle = degrees / 360;
    rw_point shrink = {1 - value(reel, DEMO_SHRINKAGE_ACROSS) / 100,
                       1 - value(reel, DEMO_SHRINKAGE_ALONG) / 100};
    double elsewhere = again ? value(reel, DEMO_RESHOOT_SHIFT) : 0;
    rw_point shift = {v->weave.x + v->splice_jump.x + elsewhere,
                      v->weave.y + v->splice_jump.y + elsewhere};
    v->film_to_canon = rw_demo_film_to_canon(l, shrink, v->angle, shift);
    v->film_to_still = rw_demo_film_to_still(l, v->film_to_canon);
}

static int steps_until(const rw_demo_reel *reel, int64_t film)
{
    const rw_demo_list *list = &reel->params->list[DEMO_STEP_AT];
    int n = 0;
    while (n < list->count && list->at[n] <= film)
        n++;
    return n;
}

static void light_up(const rw_demo_reel *reel, rw_demo_view *v)
{
    const double *p = numbers(reel);
    rw_demo_stream s = still_stream(reel, "lamp", &v->shot);
    v->flicker = value(reel, DEMO_LAMP_FLICKER) / 100 * rw_demo_normal(&s);
    double shade = value(reel, DEMO_LAMP_SPATIAL) / 100;
    /* standard deviations of the five functions over the square */
    static const double spread[DEMO_SHADES] = {0.57735, 0.57735, 0.33333, 0.29814, 0.29814};
    for (int i = 0; i < DEMO_SHADES; i++)
        v->shade[i] = shade * rw_demo_normal(&s) / spread[i] / sqrt((double)DEMO_SHADES);

    double ripple = value(reel, DEMO_LAMP_RIPPLE) / 100, hz = 2 * p[DEMO_LAMP_MAINS];
    double cycles = hz * p[DEMO_EXPOSURE_TIME];
    double start = hz * (double)v->shot.time_ms / 1000;
    v->flicker += ripple * demo_sin(cycles / 2) / (DEMO_PI * cycles) *
                  demo_cos(start - floor(start) + cycles / 2);
    v->drift = value(reel, DEMO_LAMP_DRIFT) / 100 *
               rw_demo_wander(reel->seed, "lamp.drift", (double)v->shot.film, p[DEMO_LAMP_PERIOD]);

    if (reel->params->on[DEMO_TERM_STEP] && steps_until(reel, v->shot.film) % 2)
        v->stops += p[DEMO_STEP_STOPS];
    double last = p[DEMO_CLIP_LAST] < 0 ? 1e18 : p[DEMO_CLIP_LAST];
    if (reel->params->on[DEMO_TERM_CLIP] && p[DEMO_CLIP_FIRST] >= 0 &&
        (double)v->shot.film >= p[DEMO_CLIP_FIRST] && (double)v->shot.film <= last)
        v->stops += p[DEMO_CLIP_STOPS];
    if (v->shot.take == DEMO_AGAIN)
        v->stops += value(reel, DEMO_RESHOOT_STOPS);
    v->gain = MAX(0, 1 + v->flicker) * (1 + v->drift) * (double)demo_exp2f((float)v->stops);
}

int rw_demo_blur_kernel(double sigma, double skirt, double scale, float tap[DEMO_MOST_TAPS])
{
    sigma = MAX(sigma * scale, 1e-3);
    int radius = (int)MIN(DEMO_MOST_TAPS - 1, ceil(sigma * (skirt > 0 ? 2.6 * SKIRT_WIDER : 3.6)));
    double weight[DEMO_MOST_TAPS], sum = 0;
    for (int k = 0; k <= radius; k++) {
        double q = k / sigma, w = k / (sigma * SKIRT_WIDER);
        weight[k] = (1 - skirt) * (double)demo_exp2f((float)(-0.72134752 * q * q)) +
                    skirt / SKIRT_WIDER * (double)demo_exp2f((float)(-0.72134752 * w * w));
        sum += k ? 2 * weight[k] : weight[k];
    }
    for (int k = 0; k <= radius; k++)
        tap[k] = (float)(weight[k] / sum);
    return radius;
}

/* Of a straight edge: the kernel and one pixel's box. */
static double edge_width(double sigma, double skirt)
{
    enum { FINE = 16 };
    float tap[DEMO_MOST_TAPS];
    double scale = MIN((double)FINE, DEMO_MOST_TAPS / (sigma * 8 + 1)); /* samples per pixel */
    int radius = rw_demo_blur_kernel(sigma, skirt, scale, tap);
    /* light at u samples from the edge = sum of taps, each a ramp one pixel wide */
    double at10 = 0, step = 0.02 * scale;
    for (double u = -(radius + scale); u < 0; u += step) {
        double light = 0;
        for (int k = -radius; k <= radius; k++)
            light += (double)tap[ABS(k)] * demo_clamp((u - k) / scale + 0.5, 0, 1);
        if (light >= 0.1) {
            at10 = u;
            break;
        }
    }
    return -2 * at10 / scale;
}

static void set_focus(const rw_demo_reel *reel, rw_demo_view *v)
{
    const double *p = numbers(reel);
    double first = p[DEMO_FOCUS_FIRST] < 0 ? 0 : p[DEMO_FOCUS_FIRST];
    double last = p[DEMO_FOCUS_LAST] < 0 ? (double)reel->plan->frames - 1 : p[DEMO_FOCUS_LAST];
    double ramp = demo_clamp(((double)v->shot.film - first) / MAX(1.0, last - first), 0, 1);
    double growth = 1 + value(reel, DEMO_FOCUS_PERCENT) / 100 * ramp;
    if (rw_demo_plan_events(reel->plan, v->shot.film) & DEMO_SOFT)
        growth *= 1 + p[DEMO_SOFT_PERCENT] / 100;
    /* growth is of the whole edge, pixel included */
    double lens = value(reel, DEMO_LENS_BLUR) * 1e-3 * reel->layout.px_per_mm;
    double whole = (lens * lens + PIXEL_VARIANCE) * growth * growth;
    v->sigma = sqrt(MAX(0, whole - PIXEL_VARIANCE));
    v->edge_width = edge_width(v->sigma, value(reel, DEMO_LENS_SKIRT) / 100);
}

static void set_smear(const rw_demo_reel *reel, rw_demo_view *v)
{
    if (!(rw_demo_plan_events(reel->plan, v->shot.film) & DEMO_SMEARED) || v->shot.take > 0)
        return;
    const double *p = numbers(reel);
    rw_demo_stream s = rw_demo_stream_open(reel->seed, "smear", v->shot.film);
    double pitch = reel->gauge->pitch, u = rw_demo_uniform(&s);
    double travel = p[DEMO_SMEAR_TRAVEL];
    if (travel <= 0) /* mostly short; one in five goes the whole way and mixes two pictures */
        travel = u < 0.2 ? pitch : 0.03 * (double)demo_exp2f((float)(4.5 * (u - 0.2) / 0.8));
    v->smear_moving = p[DEMO_SMEAR_SHARE] / 100;
    if (travel >= 0.999 * pitch)
        v->smear_second = (1 - v->smear_moving) * rw_demo_between(&s, 0.1, 0.4);
    v->smear_travel = rw_demo_uniform(&s) < 0.5 ? travel : -travel;
}

/* From an edge of the gate (or, when none shows, of the field) inwards. */
static void grow_hairs(const rw_demo_reel *reel, rw_demo_view *v)
{
    const rw_demo_layout *l = &reel->layout;
    if (v->shot.film < reel->plan->hair_first || v->shot.film > reel->plan->hair_last)
        return;
    rw_rect picture = reel->gauge->camera_aperture;
    double half_field = l->canon_height / l->px_per_mm / 2;
    double top = MAX(l->gate.y - l->centre.y, -half_field);
    double low = MIN(l->gate.y + l->gate.height - l->centre.y, half_field);
    v->n_hairs = (int)value(reel, DEMO_HAIR_COUNT);
    for (int i = 0; i < v->n_hairs; i++) {
        rw_demo_stream s = rw_demo_stream_open(reel->seed, "hair", i);
        bool below = rw_demo_uniform(&s) < 0.5;
        rw_point start = {picture.x - l->centre.x + picture.width * rw_demo_between(&s, 0.15, 0.85),
                          below ? low + 0.03 : top - 0.03};
        double turns = (below ? -0.25 : 0.25) + rw_demo_between(&s, -0.09, 0.09);
        double length = numbers(reel)[DEMO_HAIR_LENGTH] * rw_demo_between(&s, 0.75, 1.3);
        v->hair[i] = rw_demo_fibre(&s, DEMO_SPOT_GATE_HAIR, start, turns, length,
                                   rw_demo_between(&s, 0.011, 0.02), 0.22, 0.96);
    }
}

void rw_demo_view_draw(const rw_demo_reel *reel, const rw_demo_shot *shot, rw_demo_view *view)
{
    memset(view, 0, sizeof *view);
    view->shot = *shot;
    place_film(reel, view);
    light_up(reel, view);
    set_focus(reel, view);
    set_smear(reel, view);
    grow_hairs(reel, view);
}

static int drop_dirt(const rw_demo_reel *reel, int64_t film, rw_demo_spot *spots, int room)
{
    const double *p = numbers(reel);
    rw_demo_stream s = rw_demo_stream_open(reel->seed, "dirt", film);
    double px = reel->gauge->projectable.width / 1440;
    double small = p[DEMO_DIRT_SMALL], large = MAX(p[DEMO_DIRT_LARGE], small);
    float octaves = demo_log2f((float)(large / small));
    rw_rect a = rw_demo_rect_grow(reel->gauge->camera_aperture, 0.05);
    int count = rw_demo_poisson(&s, value(reel, DEMO_DIRT_RATE));
    count = MIN(count, room);
    for (int i = 0; i < count; i++) {
        rw_point at;
        at.x = rw_demo_between(&s, a.x, a.x + a.width);
        at.y = rw_demo_between(&s, a.y, a.y + a.height);
        bool light = rw_demo_uniform(&s) < p[DEMO_DIRT_LIGHT] / 100;
        bool fibre = rw_demo_uniform(&s) < p[DEMO_DIRT_HAIR] / 100;
        double u = rw_demo_uniform(&s), opacity = p[DEMO_DIRT_OPACITY] / 100;
        opacity *= rw_demo_between(&s, 0.45, 1.0);
        double turns = rw_demo_uniform(&s), wide = rw_demo_between(&s, 2.0, 3.5);
        if (fibre)
            spots[i] =
                rw_demo_fibre(&s, light ? DEMO_SPOT_FIBRE_LIGHT : DEMO_SPOT_FIBRE_DARK, at, turns,
                              large * px * (0.35 + 0.65 * u), px * wide, 0.35, opacity);
        else
            spots[i] = rw_demo_speck(&s, light ? DEMO_SPOT_SPECK_LIGHT : DEMO_SPOT_SPECK_DARK, at,
                                     small * px * (double)demo_exp2f(octaves * (float)(u * u * u)),
                                     opacity);
    }
    return count;
}

/* Damage eats into the last perforation of the frame's list from its sides. */
static int damage_perforation(const rw_demo_reel *reel, int64_t film, rw_demo_spot *spots, int room)
{
    unsigned events = rw_demo_plan_events(reel->plan, film);
    rw_perforation h = reel->gauge->perforations[reel->gauge->n_perforations - 1];
    int n = 0;
    for (int kind = 0; kind < 2; kind++) {
        bool torn = kind == 0;
        if (!(events & (torn ? DEMO_TORN : DEMO_DIRTY)))
            continue;
        rw_demo_stream s =
            rw_demo_stream_open(reel->seed, torn ? "damage.torn" : "damage.dirty", film);
        int marks = torn ? 2 + rw_demo_below(&s, 2) : 1 + rw_demo_below(&s, 3);
        for (int i = 0; i < marks && n < room; i++) {
            /* along the hole's outline: top, picture side, bottom, edge side */
            int side = torn && i == 0 ? rw_demo_below(&s, 2) * 2 : rw_demo_below(&s, 4);
            double u = rw_demo_between(&s, 0.1, 0.9);
            rw_point at = {side == 1   ? h.x + h.width
                           : side == 3 ? h.x
                                       : h.x + u * h.width,
                           side == 0   ? h.y
                           : side == 2 ? h.y + h.height
                                       : h.y + u * h.height};
            double size = rw_demo_between(&s, torn ? 0.22 : 0.12, torn ? 0.5 : 0.34);
            spots[n] =
                rw_demo_speck(&s, torn ? DEMO_SPOT_TEAR : DEMO_SPOT_PERFORATION_DIRT, at, size, 1);
            spots[n].soft = torn ? 0.004f : 0.03f;
            n++;
        }
        bool ripped = torn && rw_demo_uniform(&s) < 0.5; /* open to the film's edge */
        double y = h.y + h.height * rw_demo_between(&s, 0.25, 0.75);
        for (int i = 0; ripped && i < 7 && n < room; i++) {
            rw_point at = {h.x * (1 - i / 6.0), y};
            spots[n] = rw_demo_speck(&s, DEMO_SPOT_TEAR, at, rw_demo_between(&s, 0.13, 0.3), 1);
            spots[n++].soft = 0.004f;
            y += 0.06 * rw_demo_normal(&s);
        }
    }
    return n;
}

int rw_demo_film_spots(const rw_demo_reel *reel, int64_t film, rw_demo_spot *spots, int room)
{
    int n = reel->params->on[DEMO_TERM_DIRT] ? drop_dirt(reel, film, spots, room) : 0;
    return n + damage_perforation(reel, film, spots + n, room - n);
}

double rw_demo_scratch_at(const rw_demo_reel *reel, int i, double at, double *opacity)
{
    const rw_demo_scratch *s = &reel->plan->scratches[i];
    char name[32];
    g_snprintf(name, sizeof name, "scratch.path %d", i);
    double in = demo_clamp(at - s->first, 0, 1) * demo_clamp(s->last - at, 0, 1);
    /* it bites deeper here and there, and skips */
    double strength = 0.65 + 0.6 * rw_demo_wander(reel->seed, name, at * 5 + 1e5, 1) +
                      0.9 * rw_demo_wander(reel->seed, name, at * 47 + 3e5, 1);
    *opacity = s->opacity * in * demo_clamp(strength, 0, 1.2);
    return s->x + numbers(reel)[DEMO_SCRATCH_DRIFT] *
                      (rw_demo_wander(reel->seed, name, at, 30) +
                       0.1 * rw_demo_wander(reel->seed, name, at * 3 + 5e5, 1));
}
