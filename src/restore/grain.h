/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * grain.h - the quieting of grain, along motion and within the picture.
 *
 * On even samples (noise.h), patch by patch (8 x 8, every 4 px), on two scales:
 *   1. the patch and what lies in its place on the neighbours go through the cosine transform;
 *   2. band by band each neighbour is weighed by how far it differs beyond what grain explains, so
 *      that what moved out of step is left out and leaves no ghost;
 *   3. the weighted mean is shrunk: first coefficients below a multiple of the measured grain
 *      spectrum are dropped (hard threshold), which gives a pilot; then, with the pilot as the
 *      signal's power, each coefficient gets its Wiener gain S / (S + N); colour, whose detail is
 *      coarse, stays at the threshold;
 *   4. overlapping patches are added up.
 * The half-size scale does the same and gives the low frequencies, where grain is strongest and an
 * 8 x 8 patch sees too little of it.
 * After: sliding cosine transform shrinkage (Donoho and Johnstone 1994, Yaroslavsky 1996), pilot
 * and Wiener pass (Ghael et al. 1997; Dabov et al. 2007), scales (Pierazzo et al. 2017). From
 * memory.
 */
#ifndef RW_RESTORE_GRAIN_H
#define RW_RESTORE_GRAIN_H

#include "base/cpu.h"
#include "restore/noise.h"

#define RW_GRAIN_PATCH 8
#define RW_GRAIN_STEP  4
#define RW_GRAIN_NEAR  4 /* neighbours at most */

/* One scale of one frame. All planes have RW_FILM_BORDER px of border. */
typedef struct rw_grain_job {
    int width, height, planes, count; /* count: neighbours */
    rw_plane now[3], near[RW_GRAIN_NEAR][3];
    /* per patch (cols x rows of them, the first at -4, -4): vectors in px of this scale, and the
     * spread of vectors over the patch */
    int cols, rows;
    const float *dx[RW_GRAIN_NEAR], *dy[RW_GRAIN_NEAR];
    float power[3][64];       /* of the grain; transposed: row u, column v */
    rw_plane pilot;           /* of the first plane; read by the second pass */
    rw_plane sum[3], norm[3]; /* added to; px before (0, 0) are written too */
} rw_grain_job;

/* Row j of patches: the pilot pass (wiener false; of the first plane only) or the second. */
typedef void rw_grain_row_fn(const rw_grain_job *job, int j, bool wiener);

typedef struct rw_grain_dsp {
    rw_grain_row_fn *row;
} rw_grain_dsp;
void rw_grain_dsp_init(rw_grain_dsp *dsp, rw_cpu level);

typedef struct rw_grain_window {
    const rw_frame *now;
    const rw_frame *near[RW_GRAIN_NEAR];         /* NULL: none */
    const rw_motion_field *field[RW_GRAIN_NEAR]; /* from now to each */
} rw_grain_window;

/* out: an allocated frame of now's size. keep: share of the grain that is given back, 0..1. */
bool rw_grain_quiet(rw_frame *out, rw_pool *pool, const rw_grain_window *window,
                    const rw_noise *noise, float keep, GError **error);

#endif
