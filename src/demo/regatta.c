/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/regatta.h"

#include <math.h>

#include "demo/fmath.h"
#include "demo/park.h"
#include "demo/random.h"

#define HORIZON_ABOVE 7.0f   /* units: the water's vanishing line above the far shore */
#define EYE_HEIGHT    300.0f /* noise pixels of world per unit at distance 1 */
#define EYE_LENGTH    1000.0f
#define LENS_BLUR     1.55f /* units */
#define USUAL_SCENE   110   /* frames */

typedef enum scene_kind { POND, PAN, CLOSE, MEADOW, KINDS } scene_kind;

static const char *const names[KINDS] = {"the pond from a tripod", "a pan along the far bank",
                                         "boats close by", "the near bank with a dog"};

struct rw_demo_regatta {
    uint64_t seed;
    int64_t frames;
    int width, height;
    rw_demo_park park;
    rw_demo_scene *scenes;
    int n_scenes;
};

/* One scene at one moment. Lengths in units of 1/720 of the height. */
typedef struct moment {
    const rw_demo_regatta *regatta;
    scene_kind kind;
    int scene;
    float t;                   /* frames since the scene began */
    float across;              /* width of the picture in units */
    float bank_x, zoom, shore; /* left end on the bank's panorama, scale, height of the waterline */
    float sway_x, sway_y;
} moment;

static void plan_scenes(rw_demo_regatta *r)
{
    int n = (int)MAX(4, (r->frames + USUAL_SCENE / 2) / USUAL_SCENE);
    n = (int)MIN(n, r->frames);
    r->scenes = g_new0(rw_demo_scene, n);
    r->n_scenes = n;
    rw_demo_stream s = rw_demo_stream_open(r->seed, "scenes", 0);
    for (int i = 0; i < n; i++) {
        double jitter = i && n <= r->frames / 4 ? rw_demo_between(&s, -0.2, 0.2) : 0;
        r->scenes[i].first = (int64_t)(((double)i + jitter) * (double)r->frames / n);
        r->scenes[i].name = names[i % KINDS];
        if (i)
            r->scenes[i - 1].last = r->scenes[i].first - 1;
    }
    r->scenes[n - 1].last = r->frames - 1;
}

rw_demo_regatta *rw_demo_regatta_new(uint64_t seed, int64_t frames, int width, int height)
{
    rw_demo_regatta *r = g_new0(rw_demo_regatta, 1);
    *r = (rw_demo_regatta){.seed = seed, .frames = frames, .width = width, .height = height};
    rw_demo_park_plant(&r->park, seed, width, height);
    plan_scenes(r);
    return r;
}

void rw_demo_regatta_free(rw_demo_regatta **regatta)
{
    if (!*regatta)
        return;
    rw_demo_park_clear(&(*regatta)->park);
    g_free((*regatta)->scenes);
    g_clear_pointer(regatta, g_free);
}

rw_demo_scene *rw_demo_regatta_scenes(const rw_demo_regatta *regatta, int *count)
{
    *count = regatta->n_scenes;
    return g_memdup2(regatta->scenes, sizeof *regatta->scenes * (size_t)regatta->n_scenes);
}

/* ---- the camera ---- */

static moment moment_at(const rw_demo_regatta *r, int64_t film)
{
    int i = 0;
    while (i + 1 < r->n_scenes && r->scenes[i].last < film)
        i++;
    moment m = {.regatta = r,
                .kind = (scene_kind)(i % KINDS),
                .scene = i,
                .t = (float)(film - r->scenes[i].first)};
    float length = (float)(r->scenes[i].last - r->scenes[i].first + 1);
    m.across = (float)r->width / r->park.unit;
    rw_demo_stream s = rw_demo_stream_open(r->seed, "camera", i);
    float place = (float)rw_demo_uniform(&s);
    float sway = 0;
    switch (m.kind) {
    case POND:
        m.zoom = 1;
        m.shore = 292;
        m.bank_x = i == 0 ? 1130 : place * (DEMO_BANK_WIDTH - m.across);
        break;
    case PAN: {
        m.zoom = 1.2f;
        m.shore = 338;
        /* starts slowly, goes on evenly, comes to rest */
        float p = demo_clampf(m.t / MAX(length - 1, 1), -0.02f, 1.02f);
        float way = MIN(1900, 4.2f * length), eased = demo_mix(p, demo_smooth(0, 1, p), 0.7f);
        float start = (DEMO_BANK_WIDTH - way - m.across / m.zoom) * place;
        m.bank_x = start + way * (i / KINDS % 2 ? 1 - eased : eased);
        sway = 1.6f;
        break;
    }
    case CLOSE:
        m.zoom = 1.7f;
        m.shore = 176;
        m.bank_x = 200 + place * 2000;
        sway = 3.5f;
        break;
    case MEADOW:
    default:
        m.zoom = 1.1f;
        m.shore = 236;
        m.bank_x = place * (DEMO_BANK_WIDTH - m.across);
        break;
    }
    if (sway > 0) { /* held in the hand, or turned by it */
        m.sway_x =
            sway * (float)rw_demo_wander(r->seed, "sway.x", (double)(m.t + 1000 * (float)i), 9);
        m.sway_y =
            sway * (float)rw_demo_wander(r->seed, "sway.y", (double)(m.t + 1000 * (float)i), 7);
    }
    m.bank_x -= m.sway_x / m.zoom;
    m.shore += m.sway_y;
    m.bank_x = demo_clampf(m.bank_x, 0, DEMO_BANK_WIDTH - m.across / m.zoom - 2);
    return m;
}

/* Bilinear, clamped at the borders. */
static void sample_picture(const rw_demo_picture *p, float x, float y, float out[3])
{
    x = demo_clampf(x, 0, (float)p->width - 1.001f);
    y = demo_clampf(y, 0, (float)p->height - 1.001f);
    int i = (int)x, j = (int)y;
    float u = x - (float)i, v = y - (float)j;
    const float *a = p->px + 4 * ((size_t)j * (size_t)p->width + (size_t)i);
    const float *b = a + 4 * (size_t)p->width;
    for (int c = 0; c < 3; c++)
        out[c] = demo_mix(demo_mix(a[c], a[4 + c], u), demo_mix(b[c], b[4 + c], u), v);
}

/* The bank above the shore into `picture`, its mirror image below it into `mirror`. */
static void draw_bank(const moment *m, rw_demo_picture *picture, rw_demo_picture *mirror)
{
    const rw_demo_park *park = &m->regatta->park;
    float unit = park->unit, shore = m->shore * unit, foot = (float)park->bank.height - 1;
    for (int j = 0; j < picture->height; j++) {
        float over = shore - (float)j;
        rw_demo_picture *to = over > 0 ? picture : mirror;
        float y = foot - (over > 0 ? over : -over * 1.04f) / m->zoom;
        float *row = to->px + 4 * (size_t)j * (size_t)picture->width;
        for (int i = 0; i < picture->width; i++) {
            sample_picture(&park->bank, m->bank_x * unit + (float)i / m->zoom, y, row + 4 * i);
            row[4 * i + 3] = 0;
        }
    }
}

/* ---- water ---- */

/* Ripples from the breeze: two slopes and a glint, at (x, z) of the water's plane. */
typedef struct ripple {
    float along, across, glint;
} ripple;

static ripple ripple_at(const rw_demo_park *park, float x, float z, float t, float footprint)
{
    float gust = 0.75f + 0.3f * rw_demo_noise_at(park->cloud, x * 0.05f + 0.12f * t, z * 0.09f, 1);
    float a = rw_demo_noise_at(park->rough, x * 0.20f + 0.30f * t, z * 0.33f + 0.85f * t,
                               footprint * 0.33f);
    float b = rw_demo_noise_at(park->rough, x * 0.47f - 0.55f * t + 91, z * 0.71f + 1.25f * t + 17,
                               footprint * 0.71f);
    float c = rw_demo_noise_at(park->fine, x * 0.8f + 0.9f * t + 33, z * 1.1f - 0.7f * t + 59,
                               footprint * 1.1f);
    return (ripple){(0.55f * a + 0.45f * b + 0.22f * c) * gust, (0.6f * b - 0.35f * a) * gust,
                    0.55f * b + 0.6f * c - 0.2f * a};
}

static void draw_water(const moment *m, rw_demo_picture *picture, const rw_demo_picture *mirror)
{
    const rw_demo_park *park = &m->regatta->park;
    float unit = park->unit, horizon = m->shore - HORIZON_ABOVE;
    rw_demo_rgb deep = rw_demo_rgb_hex(0x3E4A36), near = rw_demo_rgb_hex(0x2C3C34);
    rw_demo_rgb sun = rw_demo_rgb_hex(0xFFF8E6);
    float sun_x = m->across * (m->kind == CLOSE ? 0.72f : 0.3f);
    for (int j = MAX(0, (int)ceilf(m->shore * unit)); j < picture->height; j++) {
        float y = (float)j / unit, d = y - horizon, scale = EYE_HEIGHT / d;
        float z = EYE_HEIGHT * EYE_LENGTH / d, footprint = 0.55f * z / (d * unit);
        float closeness = demo_clampf((y - m->shore) / 420, 0, 1);
        float bounce = (5 + 34 * closeness) * unit, sheen = demo_mix(0.80f, 0.42f, closeness);
        rw_demo_rgb body = rw_demo_rgb_mix(deep, near, closeness);
        float *row = picture->px + 4 * (size_t)j * (size_t)picture->width;
        for (int i = 0; i < picture->width; i++) {
            float sx = (float)i / unit - m->sway_x, x = (sx - m->across / 2) * scale;
            ripple r = ripple_at(park, x, z, m->t, footprint);
            float at_x = (float)i + r.across * bounce * 0.30f;
            float at_y = (float)j + r.along * bounce - bounce * 0.4f;
            float reflected[3];
            at_y = MAX(at_y, m->shore * unit + 1);
            sample_picture(mirror, at_x, at_y, reflected);
            float share = demo_clampf(sheen + 0.20f * r.along, 0.08f, 0.95f);
            /* slopes that face the sun flash where its path lies */
            float off = (sx - sun_x) / (150 + 130 * closeness);
            float flash = demo_smooth(1.35f, 2.05f, r.glint + 0.35f / (1 + off * off) - 0.15f) *
                          (0.25f + 0.75f / (1 + off * off * 3));
            for (int c = 0; c < 3; c++) {
                float l =
                    body.c[c] * (1 + 0.22f * r.along) * (1 - share) + reflected[c] * share * 0.92f;
                row[4 * i + c] = demo_mix(l, sun.c[c], flash * 0.9f);
            }
            row[4 * i + 3] = 0;
        }
    }
    /* the shore's edge lies in shadow */
    int edge = (int)(m->shore * unit);
    for (int k = 0; k < (int)(4 * unit) && edge + k < picture->height && edge + k >= 0; k++)
        for (int i = 0; i < 4 * picture->width; i++)
            picture->px[4 * (size_t)(edge + k) * (size_t)picture->width + (size_t)i] *=
                0.62f + 0.095f * (float)k / unit;
}

/* ---- what moves ---- */

typedef struct sailing {
    rw_demo_boat boat;
    float x, y, length, forward, heel; /* units */
} sailing;

#define MOST_BOATS 14

static int place_boats(const moment *m, sailing *fleet)
{
    static const int count[KINDS] = {6, 13, 3, 4};
    static const float nearest[KINDS] = {0.62f, 0.5f, 0.86f, 0.22f};
    int n = count[m->kind];
    float room = 720 - m->shore;
    for (int i = 0; i < n; i++) { /* far to near */
        rw_demo_stream s = rw_demo_stream_open(m->regatta->seed, "sailing", 100 * m->scene + i);
        float depth = ((float)i + 0.35f + 0.5f * (float)rw_demo_uniform(&s)) / (float)n;
        sailing *b = &fleet[i];
        float down = room * nearest[m->kind] * depth * depth + 14;
        b->boat = rw_demo_boat_build(m->regatta->seed, 10 * m->scene + i);
        b->y = m->shore + down;
        b->length = (m->kind == CLOSE ? 0.58f : 0.42f) * (down + 34);
        b->forward = rw_demo_uniform(&s) < 0.68 ? 1 : -1;
        float speed = b->length * (float)rw_demo_between(&s, 0.016, 0.028) * b->forward;
        float start = (float)rw_demo_between(&s, -0.1, 0.95) * m->across;
        if (m->kind == CLOSE) /* in the picture by the middle of the scene */
            start = m->across * (0.2f + 0.3f * (float)i) - speed * 22;
        float along = start + speed * m->t;
        if (m->kind == PAN) /* the bank's width is the fleet's */
            along = (float)rw_demo_between(&s, 0.05, 0.95) * DEMO_BANK_WIDTH * m->zoom +
                    speed * m->t - m->bank_x * m->zoom;
        b->x = along + m->sway_x;
        float phase = (float)rw_demo_uniform(&s);
        b->y += 0.011f * b->length * demo_sinf(m->t / 17 + phase);
        b->heel = b->forward * (-0.018f) + 0.010f * demo_sinf(m->t / 23 + 2 * phase) +
                  0.005f * demo_sinf(m->t / 9 + phase);
    }
    return n;
}

static void draw_wake(const moment *m, rw_demo_picture *picture, const sailing *b)
{
    const rw_demo_park *park = &m->regatta->park;
    rw_demo_rgb foam = rw_demo_rgb_hex(0xE4E8E2), trough = rw_demo_rgb_hex(0x26332C);
    float u = park->unit;
    rw_demo_stream s =
        rw_demo_stream_open(m->regatta->seed, "wake", (int64_t)(b->x * 8) + 977 * m->scene);
    /* the hull's shadow on the water */
    rw_demo_canvas_dab(picture, b->x * u, (b->y + 0.02f * b->length) * u, 0.5f * b->length * u,
                       0.028f * b->length * u, trough, 0.55f, 0.8f);
    int n = (int)demo_clampf(b->length * 0.35f, 10, 90);
    for (int i = 0; i < n; i++) {
        float back = (float)rw_demo_uniform(&s), side = rw_demo_uniform(&s) < 0.5 ? -1 : 1;
        float x = b->x - b->forward * b->length * (back * 1.5f - 0.48f);
        float apart = side * 0.05f * back * (float)rw_demo_between(&s, 0.7, 1.1);
        float y = b->y + b->length * (0.006f + apart + 0.012f * (float)rw_demo_uniform(&s));
        float size = b->length * (float)rw_demo_between(&s, 0.006, 0.02);
        rw_demo_canvas_dab(picture, x * u, y * u, size * 2.4f * u, size * 0.32f * u, foam,
                           0.55f * (1 - back * 0.8f), 0.7f);
    }
}

static void draw_fleet(const moment *m, rw_demo_picture *picture, const sailing *fleet, int n,
                       bool mirrored)
{
    const rw_demo_park *park = &m->regatta->park;
    float u = park->unit;
    for (int i = 0; i < n; i++) {
        const sailing *b = &fleet[i];
        if (b->x < -0.7f * b->length || b->x > m->across + 0.7f * b->length)
            continue;
        if (!mirrored)
            draw_wake(m, picture, b);
        rw_demo_boat_draw(park, picture, &b->boat, b->x * u, b->y * u, b->length * u, b->forward,
                          mirrored ? -b->heel : b->heel, mirrored, mirrored ? 0.9f : 1);
    }
}

/* Out-of-the-hand reeds pass before a pan, faster than the bank. */
static void draw_reeds(const moment *m, rw_demo_picture *picture)
{
    const rw_demo_park *park = &m->regatta->park;
    float u = park->unit, span = m->across + 260;
    for (int i = 0; i < 46; i++) {
        rw_demo_stream s = rw_demo_stream_open(m->regatta->seed, "reeds", 100 * m->scene + i);
        float cluster = floorf((float)i / 12) * 0.31f;
        float home = (cluster + (float)rw_demo_between(&s, 0, 0.12)) * span;
        float x = home - m->bank_x * m->zoom * 1.9f;
        x = x - span * floorf(x / span) - 130 + m->sway_x;
        float tall = (float)rw_demo_between(&s, 150, 330),
              lean = (float)rw_demo_between(&s, -40, 40);
        float sway = 7 * demo_sinf(m->t / 31 + (float)rw_demo_uniform(&s)) + lean;
        float wide = (float)rw_demo_between(&s, 2.2, 4.6);
        rw_demo_path leaf = {.n = 0};
        rw_demo_path_to(&leaf, x - wide, 740);
        rw_demo_path_bend(&leaf, x - wide * 0.6f + sway * 0.2f, 730 - tall * 0.6f, x + sway,
                          730 - tall);
        rw_demo_path_bend(&leaf, x + wide * 0.8f + sway * 0.2f, 730 - tall * 0.55f, x + wide, 740);
        rw_demo_rgb c = rw_demo_rgb_mix(rw_demo_rgb_hex(0x3A4A1C), rw_demo_rgb_hex(0x93A052),
                                        (float)rw_demo_uniform(&s));
        rw_demo_pose pose = rw_demo_pose_at(0, 0, u, 0);
        rw_demo_paint paint = {.from = c,
                               .to = rw_demo_rgb_scale(c, 0.35f),
                               .ay = 730 - tall,
                               .by = 735,
                               .noise = park->rough,
                               .grain_x = 3,
                               .grain_y = 0.25f,
                               .strength = 0.14f,
                               .opacity = 1};
        rw_demo_canvas_fill(picture, &leaf, &pose, &paint);
        if (i % 4 == 0) {
            rw_demo_path stalk =
                rw_demo_path_limb(x + sway * 0.93f, 742 - tall, 1.5f, x, 745, 2.2f);
            rw_demo_canvas_fill(picture, &stalk, &pose, &paint);
            rw_demo_path head =
                rw_demo_path_limb(x + sway * 0.93f, 742 - tall, 5.5f, x + sway, 700 - tall, 5.0f);
            paint.round = 3;
            paint.relief = 0.5f;
            paint.from = rw_demo_rgb_hex(0x6B4526);
            paint.to = rw_demo_rgb_hex(0x2E1C10);
            paint.ax = x + sway - 6;
            paint.bx = x + sway + 6;
            paint.ay = paint.by = 0;
            rw_demo_canvas_fill(picture, &head, &pose, &paint);
        }
    }
}

static void lay_over(rw_demo_picture *picture, const rw_demo_picture *layer, int top)
{
    for (int j = 0; j < layer->height && j + top < picture->height; j++) {
        const float *in = layer->px + 4 * (size_t)j * (size_t)layer->width;
        float *out = picture->px + 4 * (size_t)(j + top) * (size_t)picture->width;
        for (int i = 0; i < 4 * picture->width; i += 4)
            for (int c = 0; c < 3; c++)
                out[i + c] = in[i + c] + out[i + c] * (1 - in[i + 3]);
    }
}

static void grass_at_feet(const moment *m, rw_demo_picture *picture, float x, float y, float width)
{
    const rw_demo_park *park = &m->regatta->park;
    int first = (int)floorf((x - width) / 6), last = (int)ceilf((x + width) / 6);
    for (int k = first; k <= last; k++) {
        rw_demo_stream s = rw_demo_stream_open(park->seed, "tuft", k + 100000);
        float bx = 6 * (float)k + (float)rw_demo_between(&s, -3, 3);
        float foot = y + (float)rw_demo_between(&s, 6, 16),
              tall = (float)rw_demo_between(&s, 14, 34);
        float lean = (float)rw_demo_between(&s, -12, 12) + 2 * demo_sinf(m->t / 19 + bx / 90);
        rw_demo_path blade = {.n = 0};
        rw_demo_path_to(&blade, bx - 1.7f, foot);
        rw_demo_path_bend(&blade, bx, foot - tall * 0.6f, bx + lean, foot - tall);
        rw_demo_path_bend(&blade, bx + 1.5f, foot - tall * 0.5f, bx + 1.7f, foot);
        rw_demo_rgb c = rw_demo_rgb_mix(rw_demo_rgb_hex(0x3C541B), rw_demo_rgb_hex(0x9DB04C),
                                        (float)rw_demo_uniform(&s));
        rw_demo_paint paint = {.from = c,
                               .to = rw_demo_rgb_scale(c, 0.5f),
                               .ay = foot - tall,
                               .by = foot,
                               .opacity = 1};
        rw_demo_pose pose = rw_demo_pose_at(0, 0, park->unit, 0);
        rw_demo_canvas_fill(picture, &blade, &pose, &paint);
    }
}

/* A layer of its own for what moves fast: the shutter is open for half of each frame's time. */
static rw_demo_picture new_layer(const moment *m)
{
    int w = m->regatta->width, h = m->regatta->height;
    return (rw_demo_picture){g_new0(float, 4 * (size_t)w * (size_t)h), w, h};
}

static void lay_moving(const moment *m, rw_demo_picture *picture, rw_demo_picture *layer,
                       float per_frame)
{
    float smear = 0.5f * (per_frame < 0 ? -per_frame : per_frame) * m->regatta->park.unit;
    if (smear > 1.5f)
        rw_demo_canvas_soften(layer, MAX(1, smear * 0.7f), 1);
    lay_over(picture, layer, 0);
    rw_demo_picture_clear(layer);
}

static void draw_near_bank(const moment *m, rw_demo_picture *picture)
{
    const rw_demo_park *park = &m->regatta->park;
    float u = park->unit;
    lay_over(picture, &park->meadow, (int)park->meadow_top);
    rw_demo_rgb shade = rw_demo_rgb_hex(0x16220C);
    bool back = m->scene / KINDS % 2;
    /* a child walks along the shore, a dog overtakes, a grown-up passes close by */
    float child = m->across * 0.18f + 2.6f * m->t, child_y = 560;
    rw_demo_canvas_dab(picture, (child + 40) * u, child_y * u, 62 * u, 9 * u, shade, 0.5f, 0.8f);
    rw_demo_walker_draw(park, picture, child * u, child_y * u, 250 * u, 1, m->t / 21,
                        back ? 11 : 5);
    grass_at_feet(m, picture, child, child_y, 50);

    float run = 13.5f, dog = -220 + run * m->t, dog_y = 640;
    dog = dog - 1500 * floorf((dog + 250) / 1500); /* and comes round again */
    dog = back ? m->across - dog : dog;
    rw_demo_canvas_dab(picture, (dog + 30) * u, (dog_y - 2) * u, 130 * u, 15 * u, shade, 0.5f,
                       0.8f);
    rw_demo_picture layer = new_layer(m);
    rw_demo_dog_draw(park, &layer, dog * u, dog_y * u, 250 * u, back ? -1 : 1, m->t / 8.5f);
    lay_moving(m, picture, &layer, run);
    grass_at_feet(m, picture, dog, dog_y, 190);

    float pace = -6.2f, walker = m->across + 190 + pace * m->t, walker_y = 760;
    layer = new_layer(m);
    rw_demo_walker_draw(park, &layer, walker * u, walker_y * u, 620 * u, -1, m->t / 24,
                        back ? 20 : 14);
    lay_moving(m, picture, &layer, pace);
}

void rw_demo_regatta_draw(const rw_demo_regatta *r, int64_t film, rw_demo_picture *picture)
{
    moment m = moment_at(r, film);
    rw_demo_picture mirror = {g_new(float, 4 * (size_t)r->width * (size_t)r->height), r->width,
                              r->height};
    sailing fleet[MOST_BOATS];
    int n = place_boats(&m, fleet);
    draw_bank(&m, picture, &mirror);
    draw_fleet(&m, &mirror, fleet, n, true);
    draw_water(&m, picture, &mirror);
    draw_fleet(&m, picture, fleet, n, false);
    if (m.kind == PAN)
        draw_reeds(&m, picture);
    if (m.kind == MEADOW)
        draw_near_bank(&m, picture);
    rw_demo_picture_clear(&mirror);
    /* the original camera's lens, and its turning while the shutter was open */
    float blur = MAX(1, LENS_BLUR * r->park.unit), turned = 0;
    moment next = moment_at(r, film + 1);
    if (next.scene == m.scene)
        turned = (next.bank_x - m.bank_x) * m.zoom * 0.5f * r->park.unit;
    rw_demo_canvas_soften(picture, MAX(blur, 0.8f * (turned < 0 ? -turned : turned)), blur);
}
