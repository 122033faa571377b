/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * made_noise.h - noise that is the same on every machine and in every order.
 */
#ifndef RW_TESTS_MADE_NOISE_H
#define RW_TESTS_MADE_NOISE_H

#include <stdint.h>

/* 0..1 */
static inline double made_uniform(uint32_t a, uint32_t b)
{
    uint32_t h = a * 0x9e3779b1u ^ b * 0x85ebca77u;
    h ^= h >> 15;
    h *= 0x2c1b3c6du;
    h ^= h >> 12;
    h *= 0x297a2d39u;
    h ^= h >> 15;
    return h / 4294967296.0;
}

/* Nearly normal, sd 1: number a of channel b. */
static inline double made_noise(uint32_t a, uint32_t b)
{
    double sum = 0;
    for (uint32_t k = 0; k < 12; k++)
        sum += made_uniform(a * 12 + k + 1, b) - 0.5;
    return sum;
}

#endif
