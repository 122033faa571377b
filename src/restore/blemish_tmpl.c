/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>

#include "base/lanes.h"
#include "restore/blemish.h"

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

rw_blemish_weigh_fn NAME(rw_blemish_weigh);
rw_blemish_gather_fn NAME(rw_blemish_gather);

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
