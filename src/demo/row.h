/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * row.h - the inner loops of the demo: one row of pixels each, plain numbers in and out.
 *
 * All pictures here are interleaved, four floats a pixel (R, G, B and one spare). Compiled once per
 * CPU level; every level gives the same bits, since each output is its own fixed sequence of
 * operations and none is fused.
 */
#ifndef RW_DEMO_ROW_H
#define RW_DEMO_ROW_H

#include <stdint.h>

/* A raster and a straight walk over it: sample i lies at (x + i dx, y + i dy) in its pixels.
 * The walk may leave the raster: the border is repeated. Rasters are at least 4 x 4. */
typedef struct rw_demo_raster {
    const float *px;
    int width, height;
} rw_demo_raster;

typedef struct rw_demo_walk {
    double x, y, dx, dy;
} rw_demo_walk;

/* Density (in stops: log2) to transmittance, with grain and fading on the way.
 * s = k sqrt(max(E - floor, 0) + toe), E += s g + (ln 2 / 2) s^2, so that the mean light stays;
 * E = offset + matrix (E - base) when fades. */
typedef struct rw_demo_developer {
    float grain_k[4], grain_floor, grain_toe;
    int fades;
    float base, matrix[3][3], offset[3];
} rw_demo_developer;

/* A rectangle with rounded corners in pixels of a turned system: pixel i of the row lies at
 * (x + i dx, y + i dy) from its centre. Coverage goes from 1 to 0 over `soft` across the edge. */
typedef struct rw_demo_window {
    float half_width, half_height, radius, soft;
} rw_demo_window;

typedef struct rw_demo_sensor {
    float shot2, read2; /* variances: of full scale, in the dark */
    uint32_t key;
} rw_demo_sensor;

typedef struct rw_demo_rows {
    /* Cubic B-splines with the raster as their coefficients. */
    void (*spline)(const rw_demo_raster *raster, const rw_demo_walk *walk, int n, float *out);
    void (*develop)(const rw_demo_developer *developer, const float *density, const float *grain,
                    int n, float *light);
    void (*window)(const rw_demo_window *window, double x, double y, double dx, double dy, int n,
                   float *coverage);
    /* Symmetric kernel: tap[0] in the middle, tap[k] at both sides. `in` may be read `radius`
     * pixels beyond both ends. */
    void (*blur_across)(const float *in, const float *tap, int radius, int n, float *out);
    /* rows[0 .. 2 radius] */
    void (*blur_along)(const float *const *rows, const float *tap, int radius, int n, float *out);
    /* Adds noise, clips to 0..1 and gives table indices 0 .. 16383, three a pixel. counter: of the
     * row's first pixel. */
    void (*expose)(const rw_demo_sensor *sensor, const float *light, uint32_t counter, int n,
                   uint16_t *index);
    /* n pixels of four uniform deviates of variance 1, from pixel `counter` on. */
    void (*white)(uint32_t key, uint32_t counter, int n, float *out);
} rw_demo_rows;

/* The best set for this machine, or the plain C one. */
const rw_demo_rows *rw_demo_rows_best(void);
const rw_demo_rows *rw_demo_rows_at(int cpu_level); /* rw_cpu; falls back to lower ones */

#endif
