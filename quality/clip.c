/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "clip.h"

#include <math.h>
#include <stdio.h>

void clip_alloc(clip *c, int width, int height, int count)
{
    *c = (clip){.width = width, .height = height, .count = count};
    c->rgb = g_malloc0((size_t)width * (size_t)height * 3 * (size_t)count);
}

void clip_clear(clip *c)
{
    g_clear_pointer(&c->rgb, g_free);
}

uint8_t *clip_frame(const clip *c, int n)
{
    return c->rgb + (size_t)n * (size_t)c->width * (size_t)c->height * 3;
}

bool clip_load(clip *c, const char *file, int first, int count, int width, int height,
               GError **error)
{
    clip_alloc(c, width, height, count);
    g_autofree char *quoted = g_shell_quote(file);
    g_autofree char *command = g_strdup_printf(
        "ffmpeg -v error -i %s -vf \"select='between(n,%d,%d)',scale=%d:%d:flags=area\" "
        "-vsync 0 -f rawvideo -pix_fmt rgb24 -",
        quoted, first, first + count - 1, width, height);
    FILE *pipe = popen(command, "r");
    const size_t want = (size_t)width * (size_t)height * 3 * (size_t)count;
    const size_t got = pipe ? fread(c->rgb, 1, want, pipe) : 0;
    if (pipe)
        pclose(pipe);
    if (got != want) {
        g_set_error(error, G_FILE_ERROR, G_FILE_ERROR_FAILED,
                    "%s gave %zu of %zu bytes of frames %d to %d.", file, got, want, first,
                    first + count - 1);
        clip_clear(c);
        return false;
    }
    return true;
}

/* ---- chance ---- */

typedef struct chance {
    uint64_t state;
} chance;

static uint64_t mix64(uint64_t z)
{
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static double uniform(chance *r)
{
    r->state += 0x9e3779b97f4a7c15u;
    return (double)(mix64(r->state) >> 11) * 0x1.0p-53;
}

static double between(chance *r, double low, double high)
{
    return low + (high - low) * uniform(r);
}

/* ---- a ball ---- */

void clip_throw_ball(clip *c, uint64_t seed)
{
    chance r = {mix64(seed)};
    const double radius = between(&r, 7.0, 11.0);
    double x = -20.0, y = between(&r, 0.3, 0.5) * c->height;
    double vx = between(&r, 18.0, 30.0), vy = -between(&r, 6.0, 10.0);
    const double colour[3] = {between(&r, 150, 240), between(&r, 120, 220), between(&r, 30, 90)};
    for (int n = 0; n < c->count; n++) {
        uint8_t *p = clip_frame(c, n);
        for (int py = 0; py < c->height; py++) {
            for (int px = 0; px < c->width; px++) {
                double cover = 0.0, shade = 0.0;
                if (fabs(px - x) > fabs(vx) + radius + 2 || fabs(py - y) > fabs(vy) + radius + 2)
                    continue;
                for (int k = 0; k < 9; k++) {
                    const double t = (k - 4) / 16.0;
                    const double dx = px - (x + vx * t), dy = py - (y + vy * t);
                    const double a = CLAMP(radius + 0.5 - hypot(dx, dy), 0.0, 1.0);
                    cover += a / 9.0;
                    shade += a / 9.0 * (1.0 - 0.4 * (dx + dy) / radius);
                }
                uint8_t *q = p + ((size_t)py * (size_t)c->width + (size_t)px) * 3;
                for (int k = 0; k < 3 && cover > 0.0; k++)
                    q[k] = (uint8_t)CLAMP(q[k] * (1.0 - cover) + colour[k] * shade * 0.85 + 0.5, 0,
                                          255);
            }
        }
        x += vx;
        y += vy;
        vy += 0.9;
        if (x > c->width + 30 || y > c->height + 30) {
            x = -20.0;
            y = between(&r, 0.2, 0.6) * c->height;
            vy = -between(&r, 6.0, 10.0);
        }
    }
}
