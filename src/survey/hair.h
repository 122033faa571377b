/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * hair.h - thin dark things that stand still before the camera: hair and lint in the gate.
 *
 * A hair is a dark ridge at one place of the still for many frames. So are branches on a tripod
 * scene. They are told apart by what moves: the picture's other ridges do not last while this one
 * does; or the film weaves a little in the gate and the picture with it, and this one does not.
 *
 *     rw_hair_finder *finder = rw_hair_finder_new(8);
 *     for each still in order: rw_hair_finder_feed(finder, &frame);
 *     for (size_t i = 0; i < rw_hair_finder_count(finder); i++) rw_hair_finder_get(finder, i,
 * &hair); rw_hair_finder_free(&finder);
 *
 * Memory is that of 24 small pictures whatever the length of the reel.
 */
#ifndef RW_SURVEY_HAIR_H
#define RW_SURVEY_HAIR_H

#include "survey/basis.h"

typedef struct rw_hair_frame {
    int64_t position;
    const uint8_t *luma;   /* coded, width * height, as stored: not moved to the film */
    int width, height;     /* the same for all frames; others are passed over */
    rw_irect picture;      /* where the picture usually lies; the same for all frames */
    double film_x, film_y; /* where the film lies in this still, pixels; any origin */
} rw_hair_frame;

typedef enum rw_hair_proof {
    RW_HAIR_OUTLASTS, /* it outlasts the picture's own detail */
    RW_HAIR_STANDS    /* it stands while the film weaves */
} rw_hair_proof;

typedef struct rw_hair {
    int64_t first, last; /* positions of onset and of the last still that shows it */
    rw_irect box;
    double length;   /* pixels, diagonal of the box */
    double contrast; /* mean ln(light beside / light on it) */
    double confidence;
    rw_hair_proof proof;
} rw_hair;

typedef struct rw_hair_finder rw_hair_finder;
/* patience: frames that a thing must be seen before it is judged, 3..16. */
rw_hair_finder *rw_hair_finder_new(int patience);
void rw_hair_finder_free(rw_hair_finder **finder);
void rw_hair_finder_feed(rw_hair_finder *finder, const rw_hair_frame *frame);
/* In the order in which they were proved. */
size_t rw_hair_finder_count(const rw_hair_finder *finder);
void rw_hair_finder_get(const rw_hair_finder *finder, size_t i, rw_hair *hair);

/* From film mm to the small picture of a still that was decoded as the basis says. */
rw_affine rw_hair_film_to_small(const rw_basis *basis, rw_affine film_to_still);
/* The box of the small picture in which a hair is looked for: as wide as the picture, less its soft
 * edge, and as high as a gate may be open, which shows strips of the neighbouring pictures, too. */
rw_irect rw_hair_picture(const rw_basis *basis, const rw_gauge *gauge);

#endif
