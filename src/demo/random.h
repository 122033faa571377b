/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * random.h - one stream of random numbers per (seed, term, frame).
 *
 * Every term opens its own stream for every frame, so a term that is switched off takes nothing
 * from the others and any frame can be made alone. Sequential numbers: xoshiro256** (Blackman and
 * Vigna 2018); its state comes from splitmix64. Per-pixel numbers: a hash of key and pixel counter,
 * so that rows can be made in any order.
 */
#ifndef RW_DEMO_RANDOM_H
#define RW_DEMO_RANDOM_H

#include <stdint.h>

typedef struct rw_demo_stream {
    uint64_t s[4];
} rw_demo_stream;

uint64_t rw_demo_key(uint64_t seed, const char *term, int64_t frame);
rw_demo_stream rw_demo_stream_open(uint64_t seed, const char *term, int64_t frame);
uint64_t rw_demo_stream_next(rw_demo_stream *stream);
double rw_demo_uniform(rw_demo_stream *stream); /* 0 <= x < 1 */
double rw_demo_between(rw_demo_stream *stream, double lo, double hi);
int rw_demo_below(rw_demo_stream *stream, int n); /* 0 .. n-1 */
/* Mean 0, standard deviation 1: the sum of twelve uniforms, so never beyond 6. */
double rw_demo_normal(rw_demo_stream *stream);
/* A count with the given mean (Poisson, by products of uniforms; mean at most 100). */
int rw_demo_poisson(rw_demo_stream *stream, double mean);

/* A smooth random curve of `frame`: values -1..1 at whole multiples of `period`, cubic between. */
double rw_demo_wander(uint64_t seed, const char *term, double frame, double period);

#endif
