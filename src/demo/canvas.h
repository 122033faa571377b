/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * canvas.h - painting for the built-in scenes: outlines filled with exact coverage, and noise.
 *
 * Colours are linear light. Coordinates are pixels of the picture (centres at integers); a brush's
 * outline is given in units of its own and placed by a transform. The fourth float of a pixel is
 * its coverage: what is painted on zeros can be laid over another picture.
 */
#ifndef RW_DEMO_CANVAS_H
#define RW_DEMO_CANVAS_H

#include "demo/source.h"

/* A periodic square of noise with its reductions: level k is (TILE >> k) across. Mean 0, standard
 * deviation 1 at level 0. */
#define DEMO_TILE   512
#define DEMO_LEVELS 8
typedef struct rw_demo_noise {
    float *level[DEMO_LEVELS];
} rw_demo_noise;

/* Octaves of value noise from cells of `largest` pixels (a power of two) down to 1; each finer one
 * is `fall` times as strong. */
rw_demo_noise *rw_demo_noise_new(uint64_t seed, const char *name, int largest, float fall);
void rw_demo_noise_free(rw_demo_noise **noise);
/* At (x, y) of the tile, averaged over about `footprint` of its pixels. */
float rw_demo_noise_at(const rw_demo_noise *noise, float x, float y, float footprint);

typedef struct rw_demo_rgb {
    float c[3];
} rw_demo_rgb;
/* 0xRRGGBB, sRGB. */
rw_demo_rgb rw_demo_rgb_hex(uint32_t hex);
rw_demo_rgb rw_demo_rgb_mix(rw_demo_rgb a, rw_demo_rgb b, float t);
rw_demo_rgb rw_demo_rgb_scale(rw_demo_rgb a, float by);

typedef struct rw_demo_paint {
    rw_demo_rgb from, to;       /* along the gradient */
    float ax, ay, bx, by;       /* its ends, in the outline's units; equal: `from` alone */
    const rw_demo_noise *noise; /* may be NULL */
    float grain_x, grain_y;     /* tile pixels per outline unit */
    float strength;             /* light is multiplied by 1 + strength * noise */
    float opacity;
    float round, relief; /* the outline swells: over `round` units from its edge it turns to or
                          * from the sun (high on the left), by `relief` of its light */
    bool flipped;        /* drawn upside down about y = 0: a mirror image in water */
} rw_demo_paint;

/* Where outlines go: pixel = origin + (x * cos - y * sin, x * sin + y * cos) * scale. */
typedef struct rw_demo_pose {
    float x, y, scale, cosine, sine;
} rw_demo_pose;
rw_demo_pose rw_demo_pose_at(float x, float y, float scale, float turns);

/* A closed outline. Curves are flattened as they are added. */
typedef struct rw_demo_path {
    float pt[512][2];
    int n;
} rw_demo_path;
void rw_demo_path_to(rw_demo_path *path, float x, float y);
/* A quadratic curve from the last point. */
void rw_demo_path_bend(rw_demo_path *path, float cx, float cy, float x, float y);
rw_demo_path rw_demo_path_ellipse(float x, float y, float rx, float ry);
/* A limb: two round ends and the tangents between them. */
rw_demo_path rw_demo_path_limb(float x0, float y0, float r0, float x1, float y1, float r1);

void rw_demo_canvas_fill(rw_demo_picture *picture, const rw_demo_path *path,
                         const rw_demo_pose *pose, const rw_demo_paint *paint);
/* A soft round dab; edge: share of the radius over which it fades. */
void rw_demo_canvas_dab(rw_demo_picture *picture, float x, float y, float rx, float ry,
                        rw_demo_rgb colour, float opacity, float edge);

/* Blurs by a triangle whose half widths are given in pixels: what a lens, and a pan, do. */
void rw_demo_canvas_soften(rw_demo_picture *picture, float across, float along);

#endif
