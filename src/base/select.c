/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/select.h"

#define DEFINE(type)                                                                               \
    int rw_compare_##type##s(const void *a, const void *b)                                         \
    {                                                                                              \
        const type x = *(const type *)a, y = *(const type *)b;                                     \
        return (x > y) - (x < y);                                                                  \
    }                                                                                              \
                                                                                                   \
    type rw_select_##type(type *v, int n, int k)                                                   \
    {                                                                                              \
        int low = 0, high = n - 1;                                                                 \
        while (low < high) {                                                                       \
            const type pivot = v[low + (high - low) / 2];                                          \
            int i = low, j = high;                                                                 \
            while (i <= j) {                                                                       \
                while (v[i] < pivot)                                                               \
                    i++;                                                                           \
                while (v[j] > pivot)                                                               \
                    j--;                                                                           \
                if (i <= j) {                                                                      \
                    const type t = v[i];                                                           \
                    v[i++] = v[j];                                                                 \
                    v[j--] = t;                                                                    \
                }                                                                                  \
            }                                                                                      \
            if (k <= j)                                                                            \
                high = j;                                                                          \
            else if (k >= i)                                                                       \
                low = i;                                                                           \
            else                                                                                   \
                break;                                                                             \
        }                                                                                          \
        return v[k];                                                                               \
    }

DEFINE(double)
DEFINE(float)
