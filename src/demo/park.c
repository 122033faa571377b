/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/park.h"

#include <math.h>

#include "demo/fmath.h"
#include "demo/random.h"

#define SKYLINE  250.0f /* heights in the panorama, units from its top */
#define GROUND   372.0f
#define PATH_TOP 404.0f
#define PATH_LOW 413.0f
#define WALL     430.0f
#define BLADES   7000

static float between(rw_demo_stream *s, float lo, float hi)
{
    return (float)rw_demo_between(s, (double)lo, (double)hi);
}

/* ---- sky ---- */

static float cloud_density(const rw_demo_park *park, float x, float y)
{
    float n = 0.8f * rw_demo_noise_at(park->cloud, x * 0.55f, y * 1.15f, 0.6f) +
              0.35f * rw_demo_noise_at(park->rough, x * 0.9f + 77, y * 1.6f, 1);
    return n - 0.25f - 0.9f * demo_smooth(120, 330, y) * 0.4f;
}

static void paint_sky(const rw_demo_park *park, rw_demo_picture *p)
{
    rw_demo_rgb high = rw_demo_rgb_hex(0x5588C0), low = rw_demo_rgb_hex(0xC3D6DF);
    rw_demo_rgb lit = rw_demo_rgb_hex(0xF4EFE4), shade = rw_demo_rgb_hex(0xA2AEBA);
    int rows = (int)(GROUND * park->unit);
    for (int j = 0; j < rows; j++)
        for (int i = 0; i < p->width; i++) {
            float x = (float)i / park->unit, y = (float)j / park->unit;
            rw_demo_rgb c = rw_demo_rgb_mix(high, low, demo_smooth(-40, 320, y));
            float d = cloud_density(park, x, y), up = cloud_density(park, x - 14, y - 22);
            float sun = demo_clampf(0.55f + 0.55f * (d - up), 0, 1);
            c = rw_demo_rgb_mix(c, rw_demo_rgb_mix(shade, lit, sun),
                                demo_smooth(-0.1f, 0.75f, d) * 0.92f);
            memcpy(p->px + 4 * ((size_t)j * (size_t)p->width + (size_t)i), c.c, sizeof c.c);
        }
}

static void paint_far_woods(const rw_demo_park *park, rw_demo_picture *p)
{
    rw_demo_rgb far = rw_demo_rgb_hex(0x8FA6A2), near = rw_demo_rgb_hex(0x587054);
    for (int layer = 0; layer < 3; layer++) {
        rw_demo_rgb base = rw_demo_rgb_mix(far, near, 0.5f * (float)layer);
        for (int i = 0; i < p->width; i++) {
            float x = (float)i / park->unit;
            float top = SKYLINE + 22.0f * (float)layer -
                        16.0f * rw_demo_noise_at(park->cloud, x * 0.35f, 100.0f * (float)layer, 1) -
                        5.0f * rw_demo_noise_at(park->rough, x * 1.1f, 31.0f * (float)layer, 1);
            int first = MAX(0, (int)(top * park->unit)), last = (int)(GROUND * park->unit);
            for (int j = first; j < last; j++) {
                float y = (float)j / park->unit;
                float n =
                    rw_demo_noise_at(park->rough, x * 1.7f, y * 1.7f + 50.0f * (float)layer, 1);
                float edge = demo_clampf(y - top, 0, 1);
                float *px = p->px + 4 * ((size_t)j * (size_t)p->width + (size_t)i);
                for (int c = 0; c < 3; c++)
                    px[c] =
                        demo_mix(px[c], base.c[c] * (1 + (0.12f + 0.1f * (float)layer) * n), edge);
            }
        }
    }
}

/* ---- trees ---- */

typedef struct species {
    uint32_t shadow, body, light;
    float width, height; /* of the crown against its size */
    float leaf;
} species;

static const species kinds[] = {
    {0x1B2A14, 0x47602E, 0x8FA054, 1.0f, 0.95f, 1.9f},  /* lime */
    {0x15241A, 0x39523A, 0x71885C, 0.95f, 1.05f, 1.7f}, /* oak */
    {0x101D19, 0x263E31, 0x506A50, 0.5f, 1.5f, 1.5f},   /* spruce */
    {0x2B3419, 0x6C7F40, 0xAEB872, 0.72f, 1.15f, 1.5f}, /* birch */
    {0x231312, 0x4B2E2A, 0x85554A, 0.95f, 0.95f, 1.7f}, /* copper beech */
    {0x303A1E, 0x76874A, 0xB2BA7C, 1.15f, 0.9f, 1.6f},  /* willow */
};

static void leaf_cluster(const rw_demo_park *park, rw_demo_picture *p, rw_demo_stream *s,
                         const species *kind, float cx, float cy, float rx, float ry, float haze,
                         float lift)
{
    rw_demo_rgb shadow = rw_demo_rgb_hex(kind->shadow), body = rw_demo_rgb_hex(kind->body);
    rw_demo_rgb light = rw_demo_rgb_hex(kind->light), air = rw_demo_rgb_hex(0x9FB2AE);
    int leaves = (int)(rx * ry / (kind->leaf * kind->leaf) * 1.7f);
    for (int i = 0; i < leaves; i++) {
        float a = between(s, 0, 1), r = sqrtf(between(s, 0, 1));
        float dx = r * demo_sinf(a + 0.25f), dy = r * demo_sinf(a);
        /* the sun stands high on the left */
        float sun = 0.45f - 0.42f * dx - 0.62f * dy + between(s, -0.26f, 0.26f) + lift;
        rw_demo_rgb c = sun < 0.5f ? rw_demo_rgb_mix(shadow, body, demo_clampf(2 * sun, 0, 1))
                                   : rw_demo_rgb_mix(body, light, demo_clampf(2 * sun - 1, 0, 1));
        c = rw_demo_rgb_mix(rw_demo_rgb_scale(c, between(s, 0.82f, 1.2f)), air, haze);
        float size = kind->leaf * between(s, 0.45f, 1.1f) * park->unit;
        rw_demo_canvas_dab(p, (cx + dx * rx) * park->unit, (cy + dy * ry) * park->unit, size,
                           size * between(s, 0.5f, 1.0f), c, 0.9f, 0.45f);
    }
}

static void trunk(const rw_demo_park *park, rw_demo_picture *p, float x, float y0, float y1,
                  float thick, uint32_t hex)
{
    rw_demo_pose pose = rw_demo_pose_at(0, 0, park->unit, 0);
    rw_demo_path path = rw_demo_path_limb(x, y0, thick, x + 2, y1, thick * 0.5f);
    rw_demo_paint paint = {.from = rw_demo_rgb_scale(rw_demo_rgb_hex(hex), 1.25f),
                           .to = rw_demo_rgb_scale(rw_demo_rgb_hex(hex), 0.45f),
                           .ax = x - thick,
                           .bx = x + thick,
                           .noise = park->rough,
                           .grain_x = 4,
                           .grain_y = 0.6f,
                           .strength = 0.3f,
                           .opacity = 1};
    rw_demo_canvas_fill(p, &path, &pose, &paint);
}

static void plant_tree(const rw_demo_park *park, rw_demo_picture *p, rw_demo_stream *s, int kind,
                       float x, float foot, float size, float haze)
{
    const species *k = &kinds[kind];
    float rx = size * k->width * 0.55f, ry = size * k->height * 0.5f;
    float cy = foot - size * 0.34f - ry;
    trunk(park, p, x, foot, cy + ry * 0.2f, size * 0.035f, kind == 3 ? 0xB9B3A4 : 0x4A3C2E);
    int clusters = kind == 2 ? 9 : 15;
    for (int i = 0; i < clusters; i++) {
        float t = (float)i / (float)(clusters - 1), spread = kind == 2 ? 1.05f - t : 1;
        float a = between(s, 0, 1),
              r = kind == 2 ? between(s, 0, 0.4f) : sqrtf(between(s, 0, 1)) * 0.8f;
        float dx = r * demo_sinf(a + 0.25f) * spread;
        float dy = kind == 2 ? 1 - 2 * t : r * demo_sinf(a);
        /* low and far ones first: they lie in the shade of the others */
        float lift = kind == 2 ? 0 : demo_mix(-0.3f, 0.12f, t) - 0.25f * dy - 0.15f * dx;
        leaf_cluster(park, p, s, k, x + dx * rx, cy + dy * ry, rx * (0.34f + 0.16f * spread),
                     ry * (kind == 2 ? 0.2f : 0.4f), haze, lift);
    }
    if (kind == 5) /* hanging twigs */
        for (int i = 0; i < 46; i++) {
            float tx = x + between(s, -1, 1) * rx * 1.25f;
            float ty = cy + between(s, -0.2f, 0.9f) * ry;
            for (int n = 0; n < 16; n++) {
                rw_demo_rgb c =
                    rw_demo_rgb_mix(rw_demo_rgb_hex(k->shadow), rw_demo_rgb_hex(k->light),
                                    between(s, 0.15f, 0.95f));
                rw_demo_canvas_dab(p, (tx + 0.6f * between(s, -1, 1)) * park->unit,
                                   (ty + 3.4f * (float)n) * park->unit, 1.1f * park->unit,
                                   2.6f * park->unit, c, 0.7f, 0.5f);
            }
        }
}

static void plant_trees(const rw_demo_park *park, rw_demo_picture *p)
{
    rw_demo_stream s = rw_demo_stream_open(park->seed, "trees", 0);
    for (int row = 0; row < 2; row++) {
        float x = -60;
        while (x < DEMO_BANK_WIDTH + 60) {
            float size = row ? between(&s, 120, 215) : between(&s, 85, 140);
            int kind = rw_demo_below(&s, row ? 6 : 5);
            plant_tree(park, p, &s, kind, x, row ? GROUND + 12 : GROUND + 2, size,
                       row ? 0.0f : 0.22f);
            x += row ? size * between(&s, 0.75f, 1.9f) : size * between(&s, 0.35f, 0.6f);
        }
    }
    for (int i = 0; i < 60; i++) { /* shrubs hide where the trees stand */
        float x = between(&s, 0, DEMO_BANK_WIDTH), y = GROUND + between(&s, -4, 8);
        float rx = between(&s, 14, 34), ry = between(&s, 7, 15);
        leaf_cluster(park, p, &s, &kinds[rw_demo_below(&s, 4)], x, y, rx, ry, 0.05f, -0.05f);
    }
}

/* ---- the bank ---- */

static void paint_lawn(const rw_demo_park *park, rw_demo_picture *p)
{
    rw_demo_rgb far = rw_demo_rgb_hex(0x7F9A45), near = rw_demo_rgb_hex(0x64753B);
    rw_demo_rgb gravel = rw_demo_rgb_hex(0xC4B592), stone = rw_demo_rgb_hex(0x8C8778);
    for (int j = (int)(GROUND * park->unit); j < p->height; j++)
        for (int i = 0; i < p->width; i++) {
            float x = (float)i / park->unit, y = (float)j / park->unit;
            float n = rw_demo_noise_at(park->rough, x * 2.2f, y * 3.1f, 1);
            float patch = rw_demo_noise_at(park->cloud, x * 0.6f, y * 3.0f, 1);
            rw_demo_rgb c = rw_demo_rgb_mix(far, near, (y - GROUND) / (WALL - GROUND));
            c = rw_demo_rgb_scale(c, 1 + 0.2f * n + 0.14f * patch);
            float bend = 3 * demo_sinf(x / 900);
            float path = demo_smooth(PATH_TOP - 1, PATH_TOP + 1, y + bend) *
                         (1 - demo_smooth(PATH_LOW - 1, PATH_LOW + 1, y + bend));
            c = rw_demo_rgb_mix(c, rw_demo_rgb_scale(gravel, 1 + 0.1f * n), path);
            /* two courses of blocks, joints between them */
            float course = y < WALL + 8 ? 0.0f : 1.0f;
            float along = x + 11 * course, block = floorf(along / 22), in = along - 22 * block;
            float tone = rw_demo_noise_at(park->rough, block * 37 + 5, course * 91, 1);
            float joint = 1 - 0.55f * (demo_smooth(1.4f, 0.3f, in) +
                                       demo_smooth(1.2f, 0.2f, y - WALL - 8 * course));
            rw_demo_rgb wall = rw_demo_rgb_scale(stone, (1 + 0.16f * tone + 0.16f * n) * joint *
                                                            (course > 0 ? 0.62f : 1.0f));
            c = rw_demo_rgb_mix(c, wall, demo_smooth(WALL - 0.6f, WALL + 0.6f, y));
            memcpy(p->px + 4 * ((size_t)j * (size_t)p->width + (size_t)i), c.c, sizeof c.c);
        }
}

static void box(const rw_demo_park *park, rw_demo_picture *p, float x0, float y0, float x1,
                float y1, uint32_t from, uint32_t to)
{
    rw_demo_pose pose = rw_demo_pose_at(0, 0, park->unit, 0);
    rw_demo_path path = {.n = 0};
    rw_demo_path_to(&path, x0, y0);
    rw_demo_path_to(&path, x1, y0);
    rw_demo_path_to(&path, x1, y1);
    rw_demo_path_to(&path, x0, y1);
    rw_demo_paint paint = {.from = rw_demo_rgb_hex(from),
                           .to = rw_demo_rgb_hex(to),
                           .ax = x0,
                           .ay = y0,
                           .bx = x1,
                           .by = y1,
                           .noise = park->rough,
                           .grain_x = 2,
                           .grain_y = 2,
                           .strength = 0.05f,
                           .opacity = 1};
    rw_demo_canvas_fill(p, &path, &pose, &paint);
}

static void build_pavilion(const rw_demo_park *park, rw_demo_picture *p, float x)
{
    rw_demo_pose pose = rw_demo_pose_at(0, 0, park->unit, 0);
    box(park, p, x, 318, x + 168, 392, 0xE9E0CC, 0xC9BCA2);
    for (int i = 0; i < 5; i++) {
        float wx = x + 9 + 32 * (float)i;
        box(park, p, wx, 334, wx + 20, 392, 0xF5F0E2, 0xE3DAC6);
        box(park, p, wx + 2, 337, wx + 18, i % 2 ? 370 : 391, 0x2F3A40, 0x58666A);
        box(park, p, wx + 9, 337, wx + 11, i % 2 ? 370 : 391, 0xEDE6D5, 0xEDE6D5);
    }
    rw_demo_path roof = {.n = 0};
    rw_demo_path_to(&roof, x - 14, 320);
    rw_demo_path_to(&roof, x + 26, 284);
    rw_demo_path_to(&roof, x + 142, 284);
    rw_demo_path_to(&roof, x + 182, 320);
    rw_demo_paint tiles = {.from = rw_demo_rgb_hex(0xB5583B),
                           .to = rw_demo_rgb_hex(0x7C3526),
                           .ax = x,
                           .bx = x + 182,
                           .noise = park->fine,
                           .grain_x = 0.7f,
                           .grain_y = 1.6f,
                           .strength = 0.16f,
                           .opacity = 1};
    rw_demo_canvas_fill(p, &roof, &pose, &tiles);
    box(park, p, x - 14, 319, x + 182, 322, 0xF3EAD8, 0xB9AE98);
    for (int i = 0; i < 40; i++) { /* bunting */
        static const uint32_t colours[] = {0xC8352B, 0xF2F0E6, 0x2B5AA8, 0xE9B82C, 0x3C8A4C};
        float t = (float)i / 39, fx = x - 40 + 250 * t, fy = 306 + 40 * t * (1 - t);
        rw_demo_path flag = {.n = 0};
        rw_demo_path_to(&flag, fx, fy);
        rw_demo_path_to(&flag, fx + 5, fy);
        rw_demo_path_to(&flag, fx + 2.5f, fy + 7);
        rw_demo_paint paint = {.from = rw_demo_rgb_hex(colours[i % 5]), .opacity = 1};
        rw_demo_canvas_fill(p, &flag, &pose, &paint);
    }
}

static void spectators(const rw_demo_park *park, rw_demo_picture *p)
{
    rw_demo_stream s = rw_demo_stream_open(park->seed, "spectators", 0);
    float x = 30;
    while (x < DEMO_BANK_WIDTH - 20) {
        float foot = between(&s, PATH_TOP, WALL - 1), height = between(&s, 30, 44);
        if (rw_demo_uniform(&s) < 0.25)
            height *= 0.65f;
        rw_demo_canvas_dab(p, (x + 7) * park->unit, foot * park->unit, 12 * park->unit,
                           2.2f * park->unit, rw_demo_rgb_hex(0x2B3A1C), 0.5f, 0.8f);
        float forward = rw_demo_uniform(&s) < 0.5 ? -1 : 1, stride = between(&s, 0, 0.12f);
        rw_demo_walker_draw(park, p, x * park->unit, foot * park->unit, height * park->unit,
                            forward, stride, rw_demo_below(&s, 64));
        x += rw_demo_uniform(&s) < 0.45 ? between(&s, 11, 22) : between(&s, 50, 170);
    }
}

/* ---- the near bank ---- */

static float shore_at(const rw_demo_park *park, float x)
{
    return 14 * demo_sinf(x / 700 + 0.1f) + 5 * rw_demo_noise_at(park->cloud, x, 7, 1);
}

/* Earth, trodden grass, and what grows between the blades. */
static void lay_turf(const rw_demo_park *park, rw_demo_picture *m)
{
    rw_demo_rgb wet = rw_demo_rgb_hex(0x35361F), far = rw_demo_rgb_hex(0x707C3E);
    rw_demo_rgb near = rw_demo_rgb_hex(0x3F5122);
    for (int j = 0; j < m->height; j++)
        for (int i = 0; i < m->width; i++) {
            float x = (float)i / park->unit, y = (float)j / park->unit,
                  down = y - 22 - shore_at(park, x);
            float squeeze = 1 / (0.25f + down / 160);
            float n = rw_demo_noise_at(park->rough, x * 1.3f, y * 1.6f * MAX(squeeze, 0.7f), 1);
            float patch = rw_demo_noise_at(park->cloud, x * 0.8f, y * 2, 1);
            rw_demo_rgb c = rw_demo_rgb_mix(far, near, demo_smooth(0, 240, down));
            c = rw_demo_rgb_mix(wet, c, demo_smooth(0, 14, down + 3 * n));
            c = rw_demo_rgb_scale(c, MAX(0.2f, 1 + 0.24f * n + 0.16f * patch));
            float a = demo_clampf(down + 1.2f * n, 0, 1);
            float *p = m->px + 4 * ((size_t)j * (size_t)m->width + (size_t)i);
            for (int k = 0; k < 3; k++)
                p[k] = c.c[k] * a;
            p[3] = a;
        }
}

static void grow_meadow(rw_demo_park *park, int width, int height)
{
    rw_demo_picture *m = &park->meadow;
    float u = park->unit;
    park->meadow_top = floorf(0.60f * (float)height);
    m->width = width;
    m->height = height - (int)park->meadow_top;
    m->px = g_new0(float, 4 * (size_t)m->width * (size_t)m->height);
    rw_demo_stream s = rw_demo_stream_open(park->seed, "meadow", 0);
    float depth = (float)m->height / u;
    lay_turf(park, m);
    for (int i = 0; i < BLADES; i++) { /* far blades first */
        float t = (float)i / BLADES, y = 26 + t * t * (depth + 30), size = 8 + 46 * t;
        float x = between(&s, -20, (float)width / u + 20), lean = between(&s, -0.5f, 0.5f);
        float shore = shore_at(park, x);
        rw_demo_path blade = {.n = 0};
        float wide = (0.8f + 1.5f * t) * between(&s, 0.6f, 1.3f),
              tall = size * between(&s, 0.5f, 1.2f);
        rw_demo_path_to(&blade, x - wide, y + shore);
        rw_demo_path_bend(&blade, x - wide * 0.4f + lean * tall * 0.3f, y + shore - tall * 0.6f,
                          x + lean * tall, y + shore - tall);
        rw_demo_path_bend(&blade, x + wide * 0.6f + lean * tall * 0.3f, y + shore - tall * 0.55f,
                          x + wide, y + shore);
        float tone = 0.5f + 0.5f * rw_demo_noise_at(park->cloud, x * 1.2f, y * 2.4f, 1) * 0.6f +
                     between(&s, -0.35f, 0.35f);
        rw_demo_rgb c = rw_demo_rgb_mix(rw_demo_rgb_hex(0x33431B), rw_demo_rgb_hex(0x98A557),
                                        demo_clampf(tone, 0, 1));
        rw_demo_paint paint = {.from = c,
                               .to = rw_demo_rgb_scale(c, 0.45f),
                               .ay = y + shore - tall,
                               .by = y + shore,
                               .opacity = 1};
        rw_demo_pose pose = rw_demo_pose_at(0, 0, u, 0);
        rw_demo_canvas_fill(m, &blade, &pose, &paint);
        if (i % 61 == 0) { /* daisies and dandelions */
            rw_demo_rgb petal = rw_demo_rgb_hex(i % 3 ? 0xF4F2E6 : 0xE0BE3C);
            float r = (1.2f + 2.2f * t) * u;
            rw_demo_canvas_dab(m, x * u, (y + shore - tall) * u, r, r * 0.7f, petal, 0.95f, 0.3f);
            rw_demo_canvas_dab(m, x * u, (y + shore - tall) * u, r * 0.35f, r * 0.3f,
                               rw_demo_rgb_hex(0xD79A1C), 0.9f, 0.4f);
        }
    }
}

void rw_demo_park_plant(rw_demo_park *park, uint64_t seed, int width, int height)
{
    *park = (rw_demo_park){.seed = seed, .unit = (float)height / 720.0f};
    park->cloud = rw_demo_noise_new(seed, "cloud", 128, 0.55f);
    park->rough = rw_demo_noise_new(seed, "rough", 32, 0.85f);
    park->fine = rw_demo_noise_new(seed, "fine", 8, 0.8f);
    park->bank.width = (int)(DEMO_BANK_WIDTH * park->unit);
    park->bank.height = (int)(DEMO_BANK_HEIGHT * park->unit);
    park->bank.px = g_new0(float, 4 * (size_t)park->bank.width * (size_t)park->bank.height);
    paint_sky(park, &park->bank);
    paint_far_woods(park, &park->bank);
    paint_lawn(park, &park->bank);
    plant_trees(park, &park->bank);
    build_pavilion(park, &park->bank, 1450);
    spectators(park, &park->bank);
    grow_meadow(park, width, height);
}

void rw_demo_park_clear(rw_demo_park *park)
{
    rw_demo_noise_free(&park->cloud);
    rw_demo_noise_free(&park->rough);
    rw_demo_noise_free(&park->fine);
    rw_demo_picture_clear(&park->bank);
    rw_demo_picture_clear(&park->meadow);
}
