/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * pipeline.h - stills in, finished images out, in order.
 *
 *     level 0        registered pictures: decode and the one resample
 *     level 1 .. S   a picture after each stage, from a window of the level below
 *     level S + 1    images: a finished picture (or two, blended) as samples of the delivery
 */
#ifndef RW_FINISH_PIPELINE_H
#define RW_FINISH_PIPELINE_H

#include "base/pool.h"
#include "finish/pack.h"
#include "finish/plan.h"
#include <reelwright/stage.h>

typedef struct rw_made_image {
    rw_packed packed;
    int64_t frames[2]; /* film frames really shown */
    int n_frames;
    int64_t picture; /* the first of them */
    rw_affine still_to_out;
    double gain[3];
    int64_t repaired[RW_BLEMISH_KINDS]; /* pixels */
    rw_packed mask; /* of what was repaired, for the mask's movie; empty when there is none */
    GArray *spots;  /* rw_spot: boxes in px of the image, x and y of the film; or NULL */
    bool replaced;  /* its still could not be read */
    char *note;     /* one line to tell, or NULL */
} rw_made_image;

/* image is the pipeline's; take references to keep the samples. */
typedef bool rw_pipeline_sink(int64_t i, const rw_made_image *image, void *data, GError **error);

/* Pictures that images first..last need, at the first level. */
void rw_pipeline_pictures(const rw_plan *plan, int64_t first, int64_t last, int64_t *first_picture,
                          int64_t *last_picture);
bool rw_pipeline_run(rw_plan *plan, int64_t first, int64_t last, rw_pool *pool,
                     const atomic_bool *cancel, rw_pipeline_sink *sink, void *data, GError **error);

#endif
