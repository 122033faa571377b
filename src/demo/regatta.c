/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/regatta.h"

#include "demo/fmath.h"
#include "demo/random.h"

#define TILE 256

struct rw_demo_regatta {
    uint64_t seed;
    int64_t frames;
    int width, height;
    float *tile; /* TILE x TILE, periodic, several octaves, -1 .. 1 */
};

static float *make_tile(uint64_t seed)
{
    float *t = g_new0(float, TILE * TILE);
    for (int step = 64; step >= 1; step /= 2)
        for (int y = 0; y < TILE; y++)
            for (int x = 0; x < TILE; x++) {
                int n = TILE / step, i = x / step, j = y / step;
                float u = demo_smooth(0, 1, (float)(x % step) / (float)step);
                float v = demo_smooth(0, 1, (float)(y % step) / (float)step);
                float k[4];
                for (int c = 0; c < 4; c++) {
                    int64_t at = ((j + c / 2) % n) * n + (i + c % 2) % n + step * 100000;
                    k[c] = (float)(rw_demo_key(seed, "tile", at) >> 40) * 0x1p-23f - 1;
                }
                t[y * TILE + x] += demo_mix(demo_mix(k[0], k[1], u), demo_mix(k[2], k[3], u), v) *
                                   (float)step / 100;
            }
    return t;
}

rw_demo_regatta *rw_demo_regatta_new(uint64_t seed, int64_t frames, int width, int height)
{
    rw_demo_regatta *r = g_new0(rw_demo_regatta, 1);
    *r = (rw_demo_regatta){seed, frames, width, height, make_tile(seed)};
    return r;
}

void rw_demo_regatta_free(rw_demo_regatta **regatta)
{
    if (!*regatta)
        return;
    g_free((*regatta)->tile);
    g_clear_pointer(regatta, g_free);
}

rw_demo_scene *rw_demo_regatta_scenes(const rw_demo_regatta *regatta, int *count)
{
    rw_demo_scene *s = g_new0(rw_demo_scene, 1);
    s[0] = (rw_demo_scene){0, regatta->frames - 1, "the pond"};
    *count = 1;
    return s;
}

static float texture(const rw_demo_regatta *r, float x, float y)
{
    x += 4096 * TILE;
    y += 4096 * TILE;
    int i = (int)x, j = (int)y;
    float u = x - (float)i, v = y - (float)j;
    const float *t = r->tile;
    int i1 = (i + 1) % TILE, j1 = (j + 1) % TILE * TILE;
    i %= TILE;
    j = j % TILE * TILE;
    return demo_mix(demo_mix(t[j + i], t[j + i1], u), demo_mix(t[j1 + i], t[j1 + i1], u), v);
}

void rw_demo_regatta_draw(const rw_demo_regatta *r, int64_t film, rw_demo_picture *picture)
{
    float time = (float)film;
    for (int y = 0; y < r->height; y++)
        for (int x = 0; x < r->width; x++) {
            float fy = (float)y / (float)r->height, fx = (float)x / (float)r->width;
            float *p = picture->px + 4 * ((size_t)y * (size_t)r->width + (size_t)x);
            float depth = 1 / demo_clampf(fy - 0.38f, 0.02f, 1);
            float wave = texture(r, fx * depth * 90 + time * 0.4f, depth * 60 - time) +
                         0.5f * texture(r, fx * depth * 170 - time, depth * 130 + time * 0.7f);
            float cloud = texture(r, fx * 130, fy * 260), leaf = texture(r, fx * 700, fy * 700);
            float edge = 0.30f + 0.05f * texture(r, fx * 200, 9);
            float tree = demo_smooth(edge, edge + 0.01f, fy), water = demo_smooth(0.4f, 0.405f, fy);
            float sky[3] = {0.35f, 0.5f, 0.8f}, wood[3] = {0.05f, 0.09f, 0.03f};
            float pond[3] = {0.06f, 0.1f, 0.13f};
            for (int c = 0; c < 3; c++) {
                float l = demo_mix(sky[c], 0.85f, demo_clampf(0.4f + cloud, 0, 1));
                l = demo_mix(l, wood[c] * (1.3f + leaf), tree);
                p[c] = demo_mix(l, pond[c] * (1.5f + 1.5f * wave), water);
            }
            p[3] = 0;
        }
}
