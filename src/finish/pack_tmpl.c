/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>
#include <stdint.h>

#include "base/lanes.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

void NAME(rw_pack_matrix)(float *const to[3], const float *const rgb[3], int width);
void NAME(rw_pack_store8)(uint8_t *to, const float *from, int width, float scale, float offset,
                          uint32_t row_key);
void NAME(rw_pack_store16)(uint16_t *to, const float *from, int width, float scale, float offset,
                           uint32_t row_key, int plain, int top);

/* ITU-R BT.709-6, items 3.2 and 3.3. */
void NAME(rw_pack_matrix)(float *const to[3], const float *const rgb[3], int width)
{
    for (int x = 0; x < width; x += 16) {
        f16 r = f16_load(rgb[0] + x), g = f16_load(rgb[1] + x), b = f16_load(rgb[2] + x);
        f16 y = f16_mul(r, f16_set(0.2126f));
        y = f16_muladd(y, g, f16_set(0.7152f));
        y = f16_muladd(y, b, f16_set(0.0722f));
        f16_store(to[0] + x, y);
        f16_store(to[1] + x, f16_mul(f16_sub(b, y), f16_set(1.0f / 1.8556f)));
        f16_store(to[2] + x, f16_mul(f16_sub(r, y), f16_set(1.0f / 1.5748f)));
    }
}

/* One sample; plain C that compilers turn into vectors of whatever width there is. Additive
 * recurrence on the plastic number spreads neighbours' dither evenly (M. Roberts, 2018). */
static inline int32_t quantise(float v, float scale, float offset, uint32_t key)
{
    float dither = (float)(int32_t)(key >> 8) * 0x1p-24f;
    return (int32_t)(v * scale + offset + dither);
}

static inline int32_t clip(int32_t v, int32_t top)
{
    return v < 0 ? 0 : v > top ? top : v;
}

#define COLUMN 3242174889u

void NAME(rw_pack_store8)(uint8_t *restrict to, const float *restrict from, int width, float scale,
                          float offset, uint32_t row_key)
{
    for (int x = 0; x < width; x++)
        to[x] =
            (uint8_t)clip(quantise(from[x], scale, offset, row_key + (uint32_t)x * COLUMN), 255);
}

void NAME(rw_pack_store16)(uint16_t *restrict to, const float *restrict from, int width,
                           float scale, float offset, uint32_t row_key, int plain, int top)
{
    if (plain)
        for (int x = 0; x < width; x++)
            to[x] = (uint16_t)clip((int32_t)(from[x] * scale + offset + 0.5f), top);
    else
        for (int x = 0; x < width; x++)
            to[x] = (uint16_t)clip(quantise(from[x], scale, offset, row_key + (uint32_t)x * COLUMN),
                                   top);
}
