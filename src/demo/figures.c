/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Boats, a dog, people: outlines in units of their own, filled through canvas.h.
 */
#include "demo/park.h"

#include <math.h>

#include "demo/fmath.h"
#include "demo/random.h"

/* ---- boats ---- */

rw_demo_boat rw_demo_boat_build(uint64_t seed, int n)
{
    static const uint32_t hulls[] = {0xB3241E, 0x1F3F7A, 0xEDEAE0, 0x23603A,
                                     0x2A2A2E, 0x8A5A2C, 0xC98A1B};
    static const uint32_t sails[] = {0xF1ECDD, 0xF1ECDD, 0xEFE6CC, 0xA44A2E, 0xD9B23A, 0x9DB7CF};
    static const uint32_t stripes[] = {0xC8352B, 0x2B5AA8, 0x23603A, 0x2A2A2E};
    rw_demo_stream s = rw_demo_stream_open(seed, "boat", n);
    uint32_t main = sails[rw_demo_below(&s, 6)];
    int paint = rw_demo_below(&s, 3), stripe = rw_demo_below(&s, 4), number = rw_demo_below(&s, 5);
    bool one_cloth = rw_demo_uniform(&s) < 0.7;
    return (rw_demo_boat){
        .hull = rw_demo_rgb_hex(hulls[(n + paint) % 7]),
        .deck = rw_demo_rgb_hex(0xB98B55),
        .main = rw_demo_rgb_hex(main),
        .jib = rw_demo_rgb_hex(one_cloth ? main : 0xF1ECDD),
        .stripe = rw_demo_rgb_hex(stripes[stripe]),
        .number = 2 + number,
        .striped = rw_demo_uniform(&s) < 0.4,
    };
}

typedef struct easel {
    const rw_demo_park *park;
    rw_demo_picture *picture;
    rw_demo_pose pose;
    float forward, opacity;
    bool mirrored;
} easel;

static void fill(const easel *e, rw_demo_path *path, rw_demo_paint paint)
{
    for (int i = 0; i < path->n; i++)
        path->pt[i][0] *= e->forward;
    paint.ax *= e->forward;
    paint.bx *= e->forward;
    paint.opacity = (paint.opacity > 0 ? paint.opacity : 1) * e->opacity;
    if (paint.round > 0)
        paint.relief = paint.relief > 0 ? paint.relief : 0.75f;
    paint.flipped = e->mirrored;
    rw_demo_canvas_fill(e->picture, path, &e->pose, &paint);
}

static void line(const easel *e, float x0, float y0, float x1, float y1, float width,
                 rw_demo_rgb colour, float opacity)
{
    /* thinner than a pixel: as wide as one and fainter */
    float least = 0.5f / e->pose.scale, half = MAX(width / 2, least);
    rw_demo_path path = rw_demo_path_limb(x0, y0, half, x1, y1, half);
    fill(e, &path, (rw_demo_paint){.from = colour, .opacity = opacity * width / 2 / half});
}

static void sail(const easel *e, const rw_demo_path *shape, rw_demo_rgb cloth, float ax, float bx)
{
    rw_demo_path path = *shape;
    fill(e, &path,
         (rw_demo_paint){.from = rw_demo_rgb_scale(cloth, 1.02f),
                         .to = rw_demo_rgb_scale(cloth, 0.6f),
                         .ax = ax,
                         .ay = -0.8f,
                         .bx = bx,
                         .by = -0.5f,
                         .noise = e->park->rough,
                         .grain_x = 70,
                         .grain_y = 40,
                         .strength = 0.035f,
                         .round = 0.14f,
                         .relief = 0.3f});
}

static void draw_sails(const easel *e, const rw_demo_boat *b)
{
    rw_demo_rgb seam = rw_demo_rgb_scale(b->main, 0.55f), spar = rw_demo_rgb_hex(0x9C7440);
    rw_demo_path main = {.n = 0};
    rw_demo_path_to(&main, 0.045f, -1.43f);
    rw_demo_path_bend(&main, 0.03f, -0.8f, 0.035f, -0.24f);
    rw_demo_path_bend(&main, -0.2f, -0.2f, -0.47f, -0.23f);
    rw_demo_path_bend(&main, -0.34f, -0.85f, 0.0f, -1.45f);
    sail(e, &main, b->main, 0.05f, -0.5f);
    for (int i = 1; i < 7; i++) { /* panels */
        float t = (float)i / 7, y = demo_mix(-0.24f, -1.43f, t),
              reach = 0.5f * (1 - t) * (1 + 0.55f * t);
        line(e, 0.035f, y, 0.035f - reach * 0.97f, y - 0.02f, 0.004f, seam, 0.5f);
    }
    if (b->striped) {
        rw_demo_path band = {.n = 0};
        rw_demo_path_to(&band, 0.035f, -0.62f);
        rw_demo_path_to(&band, 0.035f, -0.74f);
        rw_demo_path_to(&band, -0.335f, -0.76f);
        rw_demo_path_to(&band, -0.375f, -0.64f);
        fill(e, &band,
             (rw_demo_paint){.from = b->stripe,
                             .to = rw_demo_rgb_scale(b->stripe, 0.6f),
                             .ax = 0.03f,
                             .bx = -0.4f,
                             .opacity = 0.92f});
    }
    for (int i = 0; i < b->number; i++)
        line(e, -0.06f - 0.032f * (float)i, -0.93f, -0.06f - 0.032f * (float)i, -0.86f, 0.011f,
             rw_demo_rgb_hex(0x23232B), 0.9f);
    rw_demo_path jib = {.n = 0};
    rw_demo_path_to(&jib, 0.075f, -1.28f);
    rw_demo_path_bend(&jib, 0.3f, -0.7f, 0.50f, -0.17f);
    rw_demo_path_bend(&jib, 0.28f, -0.2f, 0.10f, -0.215f);
    rw_demo_path_bend(&jib, 0.12f, -0.7f, 0.075f, -1.28f);
    sail(e, &jib, b->jib, 0.45f, 0.08f);
    line(e, 0.055f, -0.08f, 0.06f, -1.47f, 0.02f, spar, 1);
    line(e, 0.05f, -0.215f, -0.48f, -0.215f, 0.016f, spar, 1);
    line(e, 0.06f, -1.45f, 0.52f, -0.13f, 0.005f, rw_demo_rgb_hex(0x3A3A3A), 0.8f);
    line(e, 0.06f, -1.45f, -0.49f, -0.10f, 0.004f, rw_demo_rgb_hex(0x3A3A3A), 0.7f);
    rw_demo_path pennant = {.n = 0};
    rw_demo_path_to(&pennant, 0.06f, -1.53f);
    rw_demo_path_to(&pennant, -0.09f, -1.505f);
    rw_demo_path_to(&pennant, 0.06f, -1.47f);
    fill(e, &pennant, (rw_demo_paint){.from = b->stripe});
}

static void draw_hull(const easel *e, const rw_demo_boat *b)
{
    rw_demo_path hull = {.n = 0};
    rw_demo_path_to(&hull, 0.54f, -0.135f);
    rw_demo_path_bend(&hull, 0.05f, -0.07f, -0.49f, -0.105f);
    rw_demo_path_bend(&hull, -0.49f, -0.03f, -0.44f, 0.012f);
    rw_demo_path_bend(&hull, -0.05f, 0.03f, 0.40f, 0.012f);
    rw_demo_path_bend(&hull, 0.5f, -0.04f, 0.54f, -0.135f);
    fill(e, &hull,
         (rw_demo_paint){.from = rw_demo_rgb_scale(b->hull, 1.15f),
                         .to = rw_demo_rgb_scale(b->hull, 0.32f),
                         .ay = -0.12f,
                         .by = 0.015f,
                         .noise = e->park->rough,
                         .grain_x = 20,
                         .grain_y = 120,
                         .strength = 0.07f,
                         .round = 0.04f,
                         .relief = 0.5f});
    line(e, -0.47f, -0.098f, 0.0f, -0.083f, 0.018f, b->deck, 1);
    line(e, 0.0f, -0.083f, 0.52f, -0.128f, 0.018f, b->deck, 1);
    line(e, -0.44f, -0.022f, 0.42f, -0.022f, 0.012f, rw_demo_rgb_hex(0xEDE6D2), 0.85f);
    rw_demo_path cabin = {.n = 0};
    rw_demo_path_to(&cabin, -0.22f, -0.09f);
    rw_demo_path_to(&cabin, -0.2f, -0.145f);
    rw_demo_path_to(&cabin, 0.0f, -0.14f);
    rw_demo_path_to(&cabin, 0.03f, -0.085f);
    fill(e, &cabin,
         (rw_demo_paint){.from = rw_demo_rgb_hex(0xE2D3B2),
                         .to = rw_demo_rgb_hex(0x9A8458),
                         .ay = -0.145f,
                         .by = -0.085f});
    for (int i = 0; i < 3; i++)
        line(e, -0.17f + 0.06f * (float)i, -0.118f, -0.145f + 0.06f * (float)i, -0.118f, 0.022f,
             rw_demo_rgb_hex(0x2A3136), 0.9f);
    /* sun glances along the planks */
    line(e, 0.2f, -0.085f, 0.46f, -0.1f, 0.012f, rw_demo_rgb_hex(0xFFF6E0), 0.35f);
}

void rw_demo_boat_draw(const rw_demo_park *park, rw_demo_picture *picture, const rw_demo_boat *boat,
                       float x, float y, float length, float forward, float heel, bool mirrored,
                       float opacity)
{
    easel e = {park, picture, rw_demo_pose_at(x, y, length, heel), forward, opacity, mirrored};
    draw_sails(&e, boat);
    draw_hull(&e, boat);
}

/* ---- a dog, running ---- */

/* Two bones from a joint; swing: how far the foot is before it, lift: off the ground. */
static void leg(const easel *e, float x, float y, float swing, float lift, float thick, bool hind,
                rw_demo_paint paint)
{
    float foot_x = x + swing, foot_y = -lift;
    float knee_x = 0.5f * (x + foot_x) + (hind ? -0.07f : 0.045f), knee_y = 0.48f * (y + foot_y);
    rw_demo_path upper = rw_demo_path_limb(x, y, thick, knee_x, knee_y, thick * 0.6f);
    rw_demo_path lower =
        rw_demo_path_limb(knee_x, knee_y, thick * 0.6f, foot_x, foot_y - 0.02f, thick * 0.42f);
    rw_demo_path paw = rw_demo_path_limb(foot_x, foot_y - 0.02f, thick * 0.45f, foot_x + 0.045f,
                                         foot_y - 0.012f, thick * 0.33f);
    fill(e, &upper, paint);
    fill(e, &lower, paint);
    fill(e, &paw, paint);
}

void rw_demo_dog_draw(const rw_demo_park *park, rw_demo_picture *picture, float x, float y,
                      float length, float forward, float stride)
{
    float bob = 0.035f * demo_sinf(2 * stride), arch = 0.04f * demo_sinf(stride + 0.2f);
    easel e = {park,
               picture,
               rw_demo_pose_at(x, y + bob * length, length, forward * 0.012f * demo_sinf(stride)),
               forward,
               1,
               false};
    rw_demo_rgb coat = rw_demo_rgb_hex(0x8C5326), dark = rw_demo_rgb_hex(0x43240F);
    rw_demo_rgb white = rw_demo_rgb_hex(0xE6DDCB);
    rw_demo_paint fur = {.from = rw_demo_rgb_scale(coat, 1.25f),
                         .to = dark,
                         .ay = -0.86f,
                         .by = -0.40f,
                         .noise = park->rough,
                         .grain_x = 60,
                         .grain_y = 150,
                         .strength = 0.24f,
                         .round = 0.09f,
                         .relief = 0.7f};
    rw_demo_paint far = fur;
    far.from = rw_demo_rgb_scale(coat, 0.5f);
    far.to = rw_demo_rgb_scale(dark, 0.6f);
    rw_demo_paint near = fur;
    near.ay = -0.5f;
    near.by = 0.1f;
    float s0 = demo_sinf(stride), s1 = demo_sinf(stride + 0.12f), s2 = demo_sinf(stride + 0.45f),
          s3 = demo_sinf(stride + 0.57f);
    float c0 = demo_sinf(stride + 0.25f), c1 = demo_sinf(stride + 0.37f),
          c2 = demo_sinf(stride + 0.70f), c3 = demo_sinf(stride + 0.82f);
    leg(&e, -0.36f, -0.56f, 0.26f * s1, 0.13f * MAX(0, c1), 0.075f, true, far);
    leg(&e, 0.30f, -0.54f, 0.27f * s3, 0.13f * MAX(0, c3), 0.062f, false, far);
    rw_demo_path tail = {.n = 0};
    float wag = 0.08f * demo_sinf(2 * stride + 0.3f);
    rw_demo_path_to(&tail, -0.44f, -0.74f);
    rw_demo_path_bend(&tail, -0.66f, -0.84f, -0.80f, -0.98f + wag);
    rw_demo_path_bend(&tail, -0.82f, -0.78f, -0.70f, -0.70f);
    rw_demo_path_bend(&tail, -0.58f, -0.66f, -0.43f, -0.62f);
    fill(&e, &tail, fur);
    rw_demo_path body = {.n = 0};
    rw_demo_path_to(&body, -0.50f, -0.68f);
    rw_demo_path_bend(&body, -0.42f, -0.82f, -0.18f, -0.78f - arch);
    rw_demo_path_bend(&body, 0.10f, -0.76f - arch, 0.34f, -0.84f);
    rw_demo_path_bend(&body, 0.50f, -0.72f, 0.40f, -0.52f);
    rw_demo_path_bend(&body, 0.26f, -0.36f, 0.05f, -0.45f);
    rw_demo_path_bend(&body, -0.16f, -0.54f - arch, -0.30f, -0.48f);
    rw_demo_path_bend(&body, -0.52f, -0.44f, -0.50f, -0.68f);
    fill(&e, &body, fur);
    rw_demo_path chest = rw_demo_path_limb(0.36f, -0.60f, 0.085f, 0.20f, -0.46f, 0.05f);
    fill(&e, &chest,
         (rw_demo_paint){.from = white,
                         .to = rw_demo_rgb_scale(white, 0.5f),
                         .ay = -0.65f,
                         .by = -0.4f,
                         .noise = park->rough,
                         .grain_x = 70,
                         .grain_y = 120,
                         .strength = 0.15f});
    leg(&e, -0.37f, -0.56f, 0.27f * s0, 0.14f * MAX(0, c0), 0.088f, true, near);
    leg(&e, 0.32f, -0.54f, 0.28f * s2, 0.14f * MAX(0, c2), 0.07f, false, near);
    rw_demo_path neck = rw_demo_path_limb(0.33f, -0.72f, 0.13f, 0.52f, -0.93f, 0.10f);
    fill(&e, &neck, fur);
    fur.ay = -1.05f;
    fur.by = -0.80f;
    rw_demo_path head = rw_demo_path_limb(0.54f, -0.95f, 0.105f, 0.63f, -0.92f, 0.075f);
    rw_demo_path snout = rw_demo_path_limb(0.64f, -0.90f, 0.062f, 0.78f, -0.865f, 0.042f);
    fill(&e, &head, fur);
    fill(&e, &snout, fur);
    rw_demo_path blaze = rw_demo_path_limb(0.62f, -0.985f, 0.018f, 0.75f, -0.895f, 0.016f);
    fill(&e, &blaze, (rw_demo_paint){.from = white});
    rw_demo_path nose = rw_demo_path_ellipse(0.815f, -0.872f, 0.022f, 0.02f);
    fill(&e, &nose, (rw_demo_paint){.from = rw_demo_rgb_hex(0x1A1412)});
    rw_demo_path eye = rw_demo_path_ellipse(0.635f, -0.945f, 0.014f, 0.014f);
    fill(&e, &eye, (rw_demo_paint){.from = rw_demo_rgb_hex(0x120C08)});
    float flap = 0.05f * demo_sinf(stride + 0.4f);
    rw_demo_path ear = {.n = 0};
    rw_demo_path_to(&ear, 0.56f, -1.03f);
    rw_demo_path_bend(&ear, 0.46f, -1.04f - flap, 0.40f, -0.86f - flap);
    rw_demo_path_bend(&ear, 0.44f, -0.80f, 0.54f, -0.90f);
    fill(&e, &ear,
         (rw_demo_paint){.from = rw_demo_rgb_scale(coat, 0.7f),
                         .to = dark,
                         .ay = -1.03f,
                         .by = -0.82f,
                         .noise = park->rough,
                         .grain_x = 60,
                         .grain_y = 120,
                         .strength = 0.2f});
}

/* ---- people ---- */

static rw_demo_paint cloth_of(const rw_demo_park *park, uint32_t hex, float x0, float x1)
{
    rw_demo_rgb c = rw_demo_rgb_hex(hex);
    return (rw_demo_paint){.from = rw_demo_rgb_scale(c, 1.2f),
                           .to = rw_demo_rgb_scale(c, 0.4f),
                           .ax = x0,
                           .bx = x1,
                           .noise = park->rough,
                           .grain_x = 90,
                           .grain_y = 34,
                           .strength = 0.14f,
                           .round = 0.032f,
                           .relief = 0.8f};
}

static void walker_leg(const easel *e, float phase, rw_demo_paint cloth)
{
    float swing = 0.15f * demo_sinf(phase), lift = 0.045f * MAX(0, demo_sinf(phase + 0.25f));
    float knee_x = swing * 0.55f + 0.02f, knee_y = -0.26f - lift * 0.4f;
    rw_demo_path thigh = rw_demo_path_limb(0, -0.50f, 0.062f, knee_x, knee_y, 0.045f);
    rw_demo_path shin = rw_demo_path_limb(knee_x, knee_y, 0.045f, swing, -0.05f - lift, 0.032f);
    fill(e, &thigh, cloth);
    fill(e, &shin, cloth);
    rw_demo_path shoe = rw_demo_path_limb(swing - 0.012f, -0.026f - lift, 0.026f, swing + 0.062f,
                                          -0.02f - lift, 0.018f);
    fill(e, &shoe,
         (rw_demo_paint){.from = rw_demo_rgb_hex(0x3B2A20),
                         .to = rw_demo_rgb_hex(0x18110D),
                         .ay = -0.05f,
                         .by = 0});
}

static void walker_arm(const easel *e, float phase, rw_demo_paint cloth, rw_demo_rgb skin)
{
    float swing = 0.13f * demo_sinf(phase);
    float elbow_x = swing * 0.5f - 0.012f, elbow_y = -0.62f, hand_x = swing + 0.03f,
          hand_y = -0.47f - 0.03f * MAX(0, swing);
    rw_demo_path upper = rw_demo_path_limb(0, -0.78f, 0.038f, elbow_x, elbow_y, 0.030f);
    rw_demo_path lower = rw_demo_path_limb(elbow_x, elbow_y, 0.030f, hand_x, hand_y, 0.022f);
    rw_demo_path hand =
        rw_demo_path_limb(hand_x, hand_y, 0.020f, hand_x + 0.008f, hand_y + 0.03f, 0.014f);
    fill(e, &upper, cloth);
    fill(e, &lower, cloth);
    fill(e, &hand,
         (rw_demo_paint){
             .from = skin, .to = rw_demo_rgb_scale(skin, 0.6f), .ay = -0.5f, .by = -0.42f});
}

void rw_demo_walker_draw(const rw_demo_park *park, rw_demo_picture *picture, float x, float y,
                         float height, float forward, float stride, int clothes)
{
    static const uint32_t coats[] = {0xA8382C, 0x2F4F86, 0xD8CDB4, 0x3D6B46,
                                     0xC79A2E, 0x6A4A7C, 0x44484E, 0xB86A3A};
    static const uint32_t trousers[] = {0x34405A, 0x5A4A38, 0x8A8272, 0x2A2C32};
    static const uint32_t hairs[] = {0x2C1C12, 0x6B4A24, 0x9C8A74, 0x17120F};
    rw_demo_rgb skin = rw_demo_rgb_hex(clothes % 3 ? 0xD9A47E : 0x9A6A48);
    easel e = {park,
               picture,
               rw_demo_pose_at(x, y + 0.012f * height * demo_sinf(2 * stride), height, 0),
               forward,
               1,
               false};
    rw_demo_paint coat = cloth_of(park, coats[clothes % 8], -0.1f, 0.12f);
    rw_demo_paint legs = cloth_of(park, trousers[clothes / 8 % 4], -0.08f, 0.1f);
    rw_demo_paint far_coat = coat, far_legs = legs;
    far_coat.from = rw_demo_rgb_scale(coat.from, 0.55f);
    far_legs.from = rw_demo_rgb_scale(legs.from, 0.55f);
    walker_arm(&e, stride, far_coat, rw_demo_rgb_scale(skin, 0.7f));
    walker_leg(&e, stride + 0.5f, far_legs);
    walker_leg(&e, stride, legs);
    rw_demo_path torso = {.n = 0};
    rw_demo_path_to(&torso, -0.085f, -0.80f);
    rw_demo_path_bend(&torso, 0.0f, -0.865f, 0.075f, -0.80f);
    rw_demo_path_bend(&torso, 0.105f, -0.66f, 0.085f, -0.44f);
    rw_demo_path_bend(&torso, 0.0f, -0.415f, -0.095f, -0.44f);
    rw_demo_path_bend(&torso, -0.115f, -0.62f, -0.085f, -0.80f);
    fill(&e, &torso, coat);
    walker_arm(&e, stride + 0.5f, coat, skin);
    rw_demo_path neck = rw_demo_path_limb(0.005f, -0.82f, 0.03f, 0.015f, -0.87f, 0.027f);
    rw_demo_path head = rw_demo_path_limb(0.012f, -0.925f, 0.052f, 0.028f, -0.895f, 0.040f);
    rw_demo_paint face = {.from = skin,
                          .to = rw_demo_rgb_scale(skin, 0.5f),
                          .ax = -0.03f,
                          .bx = 0.08f,
                          .round = 0.03f,
                          .relief = 0.6f};
    fill(&e, &neck, face);
    fill(&e, &head, face);
    rw_demo_path nose = rw_demo_path_limb(0.06f, -0.92f, 0.006f, 0.073f, -0.907f, 0.008f);
    fill(&e, &nose, face);
    rw_demo_path ear = rw_demo_path_ellipse(-0.004f, -0.915f, 0.011f, 0.016f);
    fill(&e, &ear, (rw_demo_paint){.from = rw_demo_rgb_scale(skin, 0.75f)});
    line(&e, 0.047f, -0.928f, 0.056f, -0.926f, 0.007f, rw_demo_rgb_hex(0x2A1A14), 0.85f);
    line(&e, 0.043f, -0.941f, 0.06f, -0.938f, 0.004f, rw_demo_rgb_hex(0x4A3020), 0.7f);
    line(&e, 0.05f, -0.885f, 0.064f, -0.887f, 0.005f, rw_demo_rgb_hex(0x8A4A3C), 0.8f);
    rw_demo_path hair = {.n = 0};
    rw_demo_path_to(&hair, 0.055f, -0.955f);
    rw_demo_path_bend(&hair, 0.02f, -1.01f, -0.035f, -0.965f);
    rw_demo_path_bend(&hair, -0.06f, -0.92f, -0.03f, -0.875f);
    rw_demo_path_bend(&hair, -0.01f, -0.93f, 0.055f, -0.955f);
    fill(&e, &hair,
         (rw_demo_paint){.from = rw_demo_rgb_hex(hairs[clothes / 4 % 4]),
                         .noise = park->fine,
                         .grain_x = 300,
                         .grain_y = 300,
                         .strength = 0.25f});
    if (clothes % 5 == 0) { /* a straw hat */
        rw_demo_path brim = rw_demo_path_limb(-0.07f, -0.955f, 0.010f, 0.09f, -0.95f, 0.010f);
        rw_demo_path crown = rw_demo_path_limb(-0.015f, -0.975f, 0.038f, 0.03f, -0.975f, 0.038f);
        rw_demo_paint straw = cloth_of(park, 0xE0C98A, -0.06f, 0.08f);
        fill(&e, &crown, straw);
        fill(&e, &brim, straw);
    }
}
