/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "survey/pair.h"

void rw_pair_read(rw_matcher *matcher, const rw_gauge *gauge, const rw_imprint *before,
                  const rw_imprint *now, rw_readings *readings, rw_step *step)
{
    double *v = readings->v;
    for (int i = RW_M_FIRST_OF_PAIR; i < RW_N_MEASURES; i++)
        v[i] = NAN;
    memset(step->weight, 0, sizeof step->weight);
    memset(step->dx, 0, sizeof step->dx);
    memset(step->dy, 0, sizeof step->dy);
    if (!before || !now)
        return;
    rw_pair_grain g = rw_matcher_grain(matcher, before, now);
    v[RW_M_SAME] = g.same.correlation;
    v[RW_M_SAME_WEAKEST] = g.same.weakest;
    v[RW_M_FAR] = g.far.correlation;
    v[RW_M_FAR_BESIDE] = g.beside_far;
    v[RW_M_FAR_X] = g.far.patches ? g.far.shift_x : NAN;
    v[RW_M_FAR_Y] = g.far.patches ? g.far.shift_y : NAN;
    v[RW_M_NEAR] = g.near.correlation;
    v[RW_M_NEAR_BESIDE] = g.beside_near;
    v[RW_M_NEAR_X] = g.near.patches ? g.near.shift_x : NAN;
    v[RW_M_NEAR_Y] = g.near.patches ? g.near.shift_y : NAN;

    rw_step_reading r;
    rw_step_read(before->view, now->view, step, &r);
    double mm_x = gauge->camera_aperture.width / RW_VIEW_WIDTH;
    double mm_y = gauge->camera_aperture.height / RW_VIEW_HEIGHT;
    v[RW_M_MOTION_X] = r.dx * mm_x;
    v[RW_M_MOTION_Y] = r.dy * mm_y;
    v[RW_M_MOTION] = r.speed * 0.5 * (mm_x + mm_y);
    v[RW_M_DIFFERENCE] = r.difference;
    v[RW_M_RESIDUAL] = r.residual;
    v[RW_M_TONES] = r.histogram;
}
