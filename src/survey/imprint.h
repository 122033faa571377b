/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * imprint.h - what is kept of a still so that it can be compared with any other later: a small view
 * of the picture, and patches of grain at fixed places of the film.
 *
 * Grain is the film's fingerprint. Two stills of one frame show the same grain however alike or
 * unlike the neighbouring pictures are, and two frames never do. Patches lie inside the picture,
 * along both frame lines, and across them in the neighbouring pictures, of which most stills show a
 * strip. The strip that still t shows of the next frame must carry the same grain as the edge of
 * still t + 1: that proves, without any clock and on a scene where nothing moves, that no frame of
 * the film lies between the two.
 *
 *     rw_imprint *imprint = g_new(rw_imprint, 1);
 *     rw_imprint_make(imprint, gauge, &pixels, &small, film_to_px);
 *     rw_matcher *matcher = rw_matcher_new(band);              // one per thread
 *     rw_pair_grain grain = rw_matcher_grain(matcher, before, imprint);
 *
 * An imprint is plain data without pointers, 135 kB, and lives in memory only as long as it has
 * neighbours to be compared with.
 */
#ifndef RW_SURVEY_IMPRINT_H
#define RW_SURVEY_IMPRINT_H

#include <reelwright/film.h>
#include <reelwright/still.h>

#include "survey/picture.h"

enum {
    RW_VIEW_WIDTH = 128,
    RW_VIEW_HEIGHT = 96,
    RW_PATCH_WIDTH = 128, /* decoded pixels across the film */
    RW_PATCH_HEIGHT = 32, /* along it */
    RW_PATCH_SIZE = RW_PATCH_WIDTH * RW_PATCH_HEIGHT,
    RW_STRIP_PATCHES = 7, /* side by side along a frame line; fewer when pixels are few */
    RW_N_PATCHES = 4 * RW_STRIP_PATCHES + 2
};

/* The first patch of each set. "near" is the side of smaller y. Along the frame lines only the
 * middle `rows` of a patch are sure to be picture. */
typedef enum rw_patch_set {
    RW_PATCH_IN_NEAR = 0,                     /* this picture, along its near frame line */
    RW_PATCH_IN_FAR = RW_STRIP_PATCHES,       /* this picture, along its far frame line */
    RW_PATCH_OUT_NEAR = 2 * RW_STRIP_PATCHES, /* the picture before the near frame line, along its
                                               * far edge */
    RW_PATCH_OUT_FAR = 3 * RW_STRIP_PATCHES,  /* the picture after the far frame line, along its
                                               * near edge */
    RW_PATCH_MIDDLE = 4 * RW_STRIP_PATCHES    /* two in the middle of this picture */
} rw_patch_set;

typedef struct rw_patch {
    float scale;        /* coded levels per step of grain; 0: the patch is not on the still */
    float off_x, off_y; /* its first sample lies this far beyond its place on the film, pixels */
    int8_t grain[RW_PATCH_SIZE]; /* high-pass, in steps */
} rw_patch;

typedef struct rw_imprint {
    int32_t rows;    /* of picture in the patches along the frame lines; 0: no picture */
    int32_t columns; /* patches along a frame line */
    uint8_t view[RW_VIEW_HEIGHT * RW_VIEW_WIDTH]; /* coded luma of the camera aperture */
    rw_patch patch[RW_N_PATCHES];
} rw_imprint;

/* film_to_px maps film mm to decoded pixels. The patches are whole blocks of decoded pixels,
 * turned to the film's axes but never resampled: resampling would blur the grain. */
void rw_imprint_make(rw_imprint *imprint, const rw_gauge *gauge, const rw_pixels *pixels,
                     const rw_small *small, rw_affine film_to_px);
/* The same for a still of another rig, turned or scaled a little differently, to be compared with
 * stills whose film_to_px is `like`: the patches are sampled on like's pixel grid, by cubic
 * interpolation where the grids differ by more than a small part of a pixel over a patch. */
void rw_imprint_make_like(rw_imprint *imprint, const rw_gauge *gauge, const rw_pixels *pixels,
                          const rw_small *small, rw_affine film_to_px, rw_affine like);

/* The band of spatial frequencies in which the film's grain stands out on this reel's stills,
 * cycles per decoded pixel. */
typedef struct rw_grain_band {
    double low, high;
} rw_grain_band;

typedef struct rw_matcher rw_matcher;
rw_matcher *rw_matcher_new(rw_grain_band band);
void rw_matcher_free(rw_matcher **matcher);

/* How alike the grain of patches is, at the shift that suits all of them best. */
typedef struct rw_grain_match {
    double correlation; /* -1..1: mean over the patches; NAN when none could be compared */
    double weakest;     /* of the weakest patch but one (of the weakest when there are three) */
    double shift_x, shift_y; /* of b against a, from where film_to_px puts it, decoded pixels */
    int patches;
} rw_grain_match;

/* The three questions about two stills taken one after the other. */
typedef struct rw_pair_grain {
    rw_grain_match same; /* do they show the same frame? */
    /* Does b show the frame that follows a on the far, on the near side? `beside` is how alike a's
     * own picture is to b in that place: what a motionless scene gives without any such relation.
     */
    rw_grain_match far, near;
    double beside_far, beside_near;
} rw_pair_grain;

/* Its parts: do a and b show the same frame; does b show the frame that follows a on the far (else
 * the near) side; and how alike is a's own picture to b where the next one's strip should be. */
rw_grain_match rw_matcher_same(rw_matcher *matcher, const rw_imprint *a, const rw_imprint *b);
rw_grain_match rw_matcher_next(rw_matcher *matcher, const rw_imprint *a, const rw_imprint *b,
                               bool far);
rw_grain_match rw_matcher_beside(rw_matcher *matcher, const rw_imprint *a, const rw_imprint *b,
                                 bool far);

rw_pair_grain rw_matcher_grain(rw_matcher *matcher, const rw_imprint *a, const rw_imprint *b);

#endif
