/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "restore/noise.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

rw_film_forward_fn NAME(rw_film_forward);
rw_film_back_fn NAME(rw_film_back);

#define ROOT3 0.57735027f /* 1 / sqrt 3 */
#define ROOT2 0.70710678f
#define ROOT6 0.40824829f
#define CHUNK 64

/* Straight line between table entries; x is in entries and lies in 0 .. last. */
static inline float look_up(const float *table, float x)
{
    const int i = (int)x;
    const float f = x - (float)i;
    return table[i] + f * (table[i + 1] - table[i]);
}

static inline float within(float x, float top)
{
    x = x > 0.0f ? x : 0.0f; /* what is no number becomes 0 */
    return x < top ? x : top;
}

static void even_out(float *restrict u, const float *restrict in, int n, const float *table)
{
    const float scale = RW_NOISE_FORWARD / RW_NOISE_TOP;
    for (int x = 0; x < n; x++) {
        const float root = __builtin_sqrtf(in[x] > 0.0f ? in[x] : 0.0f);
        u[x] = look_up(table, within(root * scale, (float)RW_NOISE_FORWARD));
    }
}

void NAME(rw_film_forward)(float *const yuv[3], const float *const rgb[3], int n,
                           const rw_noise *noise, int planes)
{
    float u[3][CHUNK];
    for (int x0 = 0; x0 < n; x0 += CHUNK) {
        const int m = n - x0 < CHUNK ? n - x0 : CHUNK;
        for (int c = 0; c < 3; c++)
            even_out(u[c], rgb[c] + x0, m, noise->even[c]);
        for (int x = 0; x < m; x++)
            yuv[0][x0 + x] = ROOT3 * (u[0][x] + u[1][x] + u[2][x]);
        if (planes < 3)
            continue;
        for (int x = 0; x < m; x++) {
            yuv[1][x0 + x] = ROOT2 * (u[0][x] - u[2][x]);
            yuv[2][x0 + x] = ROOT6 * (u[0][x] + u[2][x] - 2.0f * u[1][x]);
        }
    }
}

void NAME(rw_film_back)(float *const rgb[3], const float *const yuv[3], int n,
                        const rw_noise *noise)
{
    float u[3][CHUNK];
    for (int x0 = 0; x0 < n; x0 += CHUNK) {
        const int m = n - x0 < CHUNK ? n - x0 : CHUNK;
        for (int x = 0; x < m; x++) {
            const float y = ROOT3 * yuv[0][x0 + x], a = ROOT2 * yuv[1][x0 + x];
            const float b = ROOT6 * yuv[2][x0 + x];
            u[0][x] = y + a + b;
            u[1][x] = y - 2.0f * b;
            u[2][x] = y - a + b;
        }
        for (int c = 0; c < 3; c++) {
            const float *table = noise->root[c];
            const float scale = RW_NOISE_BACK / noise->top[c];
            float *out = rgb[c] + x0;
            for (int x = 0; x < m; x++) {
                const float root = look_up(table, within(u[c][x] * scale, (float)RW_NOISE_BACK));
                out[x] = root * root;
            }
        }
    }
}
