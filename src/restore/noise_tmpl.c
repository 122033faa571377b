/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/lanes.h"
#include "restore/noise.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

rw_film_forward_fn NAME(rw_film_forward);
rw_film_back_fn NAME(rw_film_back);

#define ROOT3 0.57735027f /* 1 / sqrt 3 */
#define ROOT2 0.70710678f
#define ROOT6 0.40824829f

static inline f16 times(f16 a, float b)
{
    return f16_mul(a, f16_set(b));
}

/* What is no number becomes 0. */
static inline f16 within(f16 x, float top)
{
    return f16_min(f16_max(x, f16_set(0.0f)), f16_set(top));
}

/* The last piece is left at its very end, which lies below 16 by less than the curve can tell. */
#define END 15.999999f

static inline f16 even_out(f16 light, const float curve[4][RW_NOISE_PIECES])
{
    const f16 root = f16_sqrt(f16_max(light, f16_set(0.0f)));
    const f16 at = within(times(root, RW_NOISE_PIECES / RW_NOISE_TOP), END);
    const i16 piece = f16_whole(at);
    const f16 t = f16_sub(at, f16_from(piece));
    f16 u = f16_of16(curve[3], piece);
    for (int k = 2; k >= 0; k--)
        u = f16_muladd(f16_of16(curve[k], piece), u, t);
    return u;
}

void NAME(rw_film_forward)(float *const yuv[3], const float *const rgb[3], int n,
                           const rw_noise *noise, int planes)
{
    for (int x = 0; x < n; x += 16) {
        f16 u[3];
        for (int c = 0; c < 3; c++)
            u[c] = even_out(f16_load_some(rgb[c] + x, n - x), noise->curve[c]);
        f16_store_some(yuv[0] + x, times(f16_add(f16_add(u[0], u[1]), u[2]), ROOT3), n - x);
        if (planes < 3)
            continue;
        f16_store_some(yuv[1] + x, times(f16_sub(u[0], u[2]), ROOT2), n - x);
        f16_store_some(yuv[2] + x, times(f16_sub(f16_add(u[0], u[2]), times(u[1], 2.0f)), ROOT6),
                       n - x);
    }
}

void NAME(rw_film_back)(float *const rgb[3], const float *const yuv[3], int n,
                        const rw_noise *noise)
{
    for (int x = 0; x < n; x += 16) {
        const f16 y = times(f16_load_some(yuv[0] + x, n - x), ROOT3),
                  a = times(f16_load_some(yuv[1] + x, n - x), ROOT2);
        const f16 b = times(f16_load_some(yuv[2] + x, n - x), ROOT6);
        const f16 u[3] = {f16_add(f16_add(y, a), b), f16_sub(y, times(b, 2.0f)),
                          f16_add(f16_sub(y, a), b)};
        for (int c = 0; c < 3; c++) {
            const float scale = RW_NOISE_BACK / noise->top[c];
            const f16 root =
                f16_between(noise->root[c], within(times(u[c], scale), (float)RW_NOISE_BACK));
            f16_store_some(rgb[c] + x, f16_mul(root, root), n - x);
        }
    }
}
