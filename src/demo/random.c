/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/random.h"

#include "demo/fmath.h"

static uint64_t mix(uint64_t *state)
{
    uint64_t z = *state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

uint64_t rw_demo_key(uint64_t seed, const char *term, int64_t frame)
{
    uint64_t name = 0xCBF29CE484222325u; /* FNV-1a */
    for (const char *p = term; *p; p++)
        name = (name ^ (unsigned char)*p) * 0x100000001B3u;
    uint64_t state = seed, key = mix(&state);
    state = key ^ name;
    key = mix(&state);
    state = key ^ (uint64_t)frame;
    return mix(&state);
}

rw_demo_stream rw_demo_stream_open(uint64_t seed, const char *term, int64_t frame)
{
    uint64_t state = rw_demo_key(seed, term, frame);
    rw_demo_stream r;
    for (int i = 0; i < 4; i++)
        r.s[i] = mix(&state);
    return r;
}

static uint64_t rotate(uint64_t x, int k)
{
    return (x << k) | (x >> (64 - k));
}

uint64_t rw_demo_stream_next(rw_demo_stream *stream)
{
    uint64_t *s = stream->s, result = rotate(s[1] * 5, 7) * 9, t = s[1] << 17;
    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = rotate(s[3], 45);
    return result;
}

double rw_demo_uniform(rw_demo_stream *stream)
{
    return (double)(rw_demo_stream_next(stream) >> 11) * 0x1p-53;
}

double rw_demo_between(rw_demo_stream *stream, double lo, double hi)
{
    return lo + (hi - lo) * rw_demo_uniform(stream);
}

int rw_demo_below(rw_demo_stream *stream, int n)
{
    return (int)(rw_demo_uniform(stream) * n);
}

double rw_demo_normal(rw_demo_stream *stream)
{
    double sum = -6;
    for (int i = 0; i < 12; i++)
        sum += rw_demo_uniform(stream);
    return sum;
}

int rw_demo_poisson(rw_demo_stream *stream, double mean)
{
    /* exp(-mean) from halves keeps demo_exp2f in its range of accuracy. */
    double floor = (double)demo_exp2f((float)(-mean * 1.4426950408889634));
    double product = rw_demo_uniform(stream);
    int count = 0;
    while (product > floor && count < 1000) {
        product *= rw_demo_uniform(stream);
        count++;
    }
    return count;
}

static double knot(uint64_t seed, const char *term, int64_t at)
{
    return (double)(rw_demo_key(seed, term, at) >> 11) * 0x1p-52 - 1;
}

double rw_demo_wander(uint64_t seed, const char *term, double frame, double period)
{
    double at = frame / period;
    int64_t i = (int64_t)at - (at < (double)(int64_t)at);
    double t = at - (double)i;
    double p0 = knot(seed, term, i - 1), p1 = knot(seed, term, i), p2 = knot(seed, term, i + 1),
           p3 = knot(seed, term, i + 2);
    /* cubic B-spline: no overshoot */
    double u = 1 - t;
    return (u * u * u * p0 + (3 * t * t * t - 6 * t * t + 4) * p1 +
            (3 * u * u * u - 6 * u * u + 4) * p2 + t * t * t * p3) /
           6;
}
