/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stddef.h>
#include <stdint.h>

#define JOIN_(a, b) a##_##b
#define JOIN(a, b)  JOIN_(a, b)
#define NAME(f)     JOIN(f, RW_ISA)

void NAME(gate_luma)(const uint8_t *restrict rgb, size_t n, float *restrict out);

/* A plain loop: compilers gather the three channels by shuffles of their own. */
void NAME(gate_luma)(const uint8_t *restrict rgb, size_t n, float *restrict out)
{
    for (size_t i = 0; i < n; i++)
        out[i] =
            (float)(rgb[3 * i] * 77 + rgb[3 * i + 1] * 150 + rgb[3 * i + 2] * 29) * (1.0f / 65280);
}
