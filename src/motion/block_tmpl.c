/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>
#include <stdlib.h>

#include "base/lanes.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

void NAME(rw_block_surface)(const uint8_t *window, ptrdiff_t stride, const uint8_t *other,
                            ptrdiff_t other_stride, int side, uint16_t *out);
void NAME(rw_block_gather)(const float *t, const float *gx, const float *gy, const float *picture,
                           ptrdiff_t stride, float fx, float fy, int width, float out[5]);

/* 16 x 12, the search window of block.h; a loop that compilers turn into one instruction a row. */
static inline unsigned difference(const uint8_t *a, ptrdiff_t a_stride, const uint8_t *b,
                                  ptrdiff_t b_stride)
{
#if defined(__SSE2__)
    __m128i sum = _mm_setzero_si128();
    for (int y = 0; y < 12; y++)
        sum =
            _mm_add_epi64(sum, _mm_sad_epu8(_mm_loadu_si128((const __m128i *)(a + y * a_stride)),
                                            _mm_loadu_si128((const __m128i *)(b + y * b_stride))));
    return (unsigned)_mm_cvtsi128_si32(_mm_add_epi64(sum, _mm_srli_si128(sum, 8)));
#else
    unsigned sum = 0;
    for (int y = 0; y < 12; y++)
        for (int x = 0; x < 16; x++)
            sum += (unsigned)abs(a[y * a_stride + x] - b[y * b_stride + x]);
    return sum;
#endif
}

void NAME(rw_block_surface)(const uint8_t *window, ptrdiff_t stride, const uint8_t *other,
                            ptrdiff_t other_stride, int side, uint16_t *out)
{
    for (int y = 0; y < side; y++)
        for (int x = 0; x < side; x++)
            *out++ =
                (uint16_t)difference(window, stride, other + y * other_stride + x, other_stride);
}

static inline f16 along_row(const float *p, f16 fx)
{
    f16 left = f16_load(p);
    return f16_muladd(left, fx, f16_sub(f16_load(p + 1), left));
}

void NAME(rw_block_gather)(const float *t, const float *gx, const float *gy, const float *picture,
                           ptrdiff_t stride, float fx, float fy, int width, float out[5])
{
    f16 vx = f16_set(fx), vy = f16_set(fy), s[5];
    for (int i = 0; i < 5; i++)
        s[i] = f16_set(0.0f);
    for (int x = 0; x < width; x += 16) {
        f16 above = along_row(picture + x, vx);
        for (int y = 0; y < width; y++) {
            f16 below = along_row(picture + (y + 1) * stride + x, vx);
            f16 v = f16_muladd(above, vy, f16_sub(below, above));
            above = below;
            ptrdiff_t at = (ptrdiff_t)y * width + x;
            s[0] = f16_muladd(s[0], f16_load(gx + at), v);
            s[1] = f16_muladd(s[1], f16_load(gy + at), v);
            s[2] = f16_muladd(s[2], f16_load(t + at), v);
            s[3] = f16_add(s[3], v);
            s[4] = f16_muladd(s[4], v, v);
        }
    }
    for (int i = 0; i < 5; i++)
        out[i] = f16_sum(s[i]);
}
