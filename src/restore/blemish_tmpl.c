/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>

#include "base/lanes.h"
#include "restore/blemish.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

rw_blemish_weigh_fn NAME(rw_blemish_weigh);
rw_blemish_gather_fn NAME(rw_blemish_gather);
rw_blemish_lack_fn NAME(rw_blemish_lack);
rw_blemish_ramp_fn NAME(rw_blemish_ramp);

static inline void sort2(f16 *a, f16 *b)
{
    const f16 low = f16_min(*a, *b), high = f16_max(*a, *b);
    *a = low;
    *b = high;
}

/* Rows are read and written in whole sixteens beyond n. */
void NAME(rw_blemish_weigh)(float *middle, float *spread, const float *const *near, int count,
                            int n)
{
    const f16 half = f16_set(0.5f);
    for (int i = 0; i < n; i += 16) {
        f16 v[4], inner_low, inner_high, low, high;
        for (int k = 0; k < count; k++)
            v[k] = f16_load(near[k] + i);
        if (count == 4) {
            sort2(&v[0], &v[1]);
            sort2(&v[2], &v[3]);
            low = f16_min(v[0], v[2]);
            high = f16_max(v[1], v[3]);
            inner_low = f16_max(v[0], v[2]);
            inner_high = f16_min(v[1], v[3]);
            sort2(&inner_low, &inner_high);
        } else if (count == 3) {
            sort2(&v[0], &v[1]);
            low = f16_min(v[0], v[2]);
            high = f16_max(v[1], v[2]);
            inner_low = inner_high = f16_max(v[0], f16_min(v[1], v[2]));
        } else {
            low = inner_low = f16_min(v[0], v[1]);
            high = inner_high = f16_max(v[0], v[1]);
        }
        f16_store(middle + i, f16_mul(half, f16_add(inner_low, inner_high)));
        f16_store(spread + i, f16_sub(high, low));
    }
}

void NAME(rw_blemish_gather)(float *cross, const float *row, float value, int n)
{
    const f16 v = f16_set(value);
    for (int i = 0; i < n; i += 16)
        f16_store(cross + i, f16_muladd(f16_load(cross + i), v, f16_load(row + i)));
}

float NAME(rw_blemish_lack)(const float *x, ptrdiff_t x_stride, const float *near,
                            ptrdiff_t near_stride, int rows)
{
    const f16 most = f16_set(2.5f), least = f16_set(-2.5f);
    f16 sum = f16_set(0.0f);
    for (int y = 0; y < rows; y++) {
        const f16 e = f16_sub(f16_load(x + y * x_stride), f16_load(near + y * near_stride));
        sum = f16_add(sum, f16_max(f16_min(e, most), least));
    }
    return f16_sum(sum);
}

void NAME(rw_blemish_ramp)(float *row, const float *knot, int count)
{
    static const float part[16] = {0.03125f, 0.09375f, 0.15625f, 0.21875f, 0.28125f, 0.34375f,
                                   0.40625f, 0.46875f, 0.53125f, 0.59375f, 0.65625f, 0.71875f,
                                   0.78125f, 0.84375f, 0.90625f, 0.96875f};
    const f16 along = f16_load(part);
    for (int i = 0; i < count; i++) {
        const f16 left = f16_set(knot[i]), step = f16_set(knot[i + 1] - knot[i]);
        const f16 more = f16_muladd(left, along, step);
        f16_store(row + 16 * i, f16_add(f16_load(row + 16 * i), more));
    }
}
