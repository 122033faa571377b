/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/view.h"

#include <math.h>

void gate_curve_fill(float *curve)
{
    for (int i = 0; i < GATE_CODES; i++) {
        double c = (double)i / (GATE_CODES - 1);
        curve[i] = (float)(c <= 0.04045 ? c / 12.92 : pow((c + 0.055) / 1.055, 2.4));
    }
}

/* Light is a convex curve of the code, so the curve of a mean code lies below the mean of the
 * light by curve'' / 2 times the variance of the codes that were averaged. A cell of r stored
 * pixels across a slope of g codes per cell has a variance of g^2 (1 - 1/r^2) / 12. */
static void undo_coded_average(const float *code, int n, double ratio, float *linear)
{
    float share = (float)((1 - 1 / (ratio * ratio)) / 24);
    for (int i = 0; i < n; i++) {
        float g = i > 0 && i < n - 1 ? (code[i + 1] - code[i - 1]) / 2 : 0;
        float c = code[i];
        /* The second derivative of the curve: 2.4 * 1.4 / 1.055^2 * ((c + 0.055) / 1.055)^0.4 */
        float bend = c <= 0.04045f ? 0 : 3.0188f * powf((c + 0.055f) / 1.055f, 0.4f);
        linear[i] += bend * share * g * g;
    }
}

void gate_read_run(const gate_view *view, int x, int y, bool down, int n, float *out)
{
    const rw_pixels *p = view->pixels;
    bool shrunk = p->eighths > 0 && p->eighths < 8;
    float code[GATE_RUN_MAX];
    for (int i = 0; i < n; i++) {
        int luma = down ? gate_luma(p, x, y + i) : gate_luma(p, x + i, y);
        out[i] = view->curve[luma];
        if (shrunk)
            code[i] = (float)luma / (GATE_CODES - 1);
    }
    if (shrunk)
        undo_coded_average(code, n, 8.0 / p->eighths, out);
}

gate_axes gate_axes_of(rw_gate_side side, double angle)
{
    rw_point x = {1, 0}, y = {0, 1};
    if (side == RW_SIDE_RIGHT)
        x = (rw_point){-1, 0};
    else if (side == RW_SIDE_TOP || side == RW_SIDE_BOTTOM) {
        x = (rw_point){0, side == RW_SIDE_TOP ? 1 : -1};
        y = (rw_point){1, 0};
    }
    double c = cos(angle), s = sin(angle);
    return (gate_axes){{c * x.x - s * x.y, s * x.x + c * x.y},
                       {c * y.x - s * y.y, s * y.x + c * y.y}};
}

rw_point gate_side_normal(const gate_axes *axes, int side)
{
    rw_point n = side == RW_SIDE_OUTER || side == RW_SIDE_INNER ? axes->x : axes->y;
    return side == RW_SIDE_OUTER || side == RW_SIDE_BEFORE ? (rw_point){-n.x, -n.y} : n;
}
