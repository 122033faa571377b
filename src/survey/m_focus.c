/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Focus that wanders over the reel.
 *
 * The trend is read from two witnesses: the width of the perforations' edges, and the grain of the
 * picture (grain.h). Both are taken as medians over many frames. Where both are there both must
 * tell the same story; the perforation alone could be bent, the grain alone could be another stock.
 */
#include <math.h>

#include "survey/finding.h"

enum { SLOW = 51, LEAST = 60 };

/* 10-90 % width of an edge blurred by a Gaussian of sd 1 (2 * 1.28155). */
#define WIDTH_PER_SD 2.5631

typedef struct trend {
    double *edge;  /* slow edge width, stored px; NAN unknown */
    double *grain; /* slow blur variance from grain against a reference, stored px^2 */
    size_t count;
} trend;

static void smooth(const double *from, double *to, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        size_t first = i > SLOW / 2 ? i - SLOW / 2 : 0, last = MIN(i + SLOW / 2, count - 1);
        to[i] = rw_median(from + first, last - first + 1);
    }
}

/* Grain's own dependence on the picture's level, as a straight line through the reel: fitted and
 * taken off, so that a change from bright to dark scenes is no change of focus. */
static void take_off_level(const rw_track *t, double *values)
{
    double sx = 0, sy = 0, sxx = 0, sxy = 0, n = 0;
    double middle = rw_median(values, t->count), sd = rw_robust_sd(values, t->count, middle);
    for (size_t i = 0; i < t->count; i++) {
        double x = rw_track_value(t, i, RW_M_GRAIN_LEVEL), y = values[i];
        if (isnan(x) || isnan(y) || fabs(y - middle) > 3 * sd)
            continue;
        sx += x;
        sy += y;
        sxx += x * x;
        sxy += x * y;
        n++;
    }
    double spread = sxx - sx * sx / MAX(n, 1);
    double slope = spread > 25 * n ? (sxy - sx * sy / n) / spread : 0;
    for (size_t i = 0; i < t->count; i++)
        values[i] -= slope * rw_track_value(t, i, RW_M_GRAIN_LEVEL);
}

static trend find_trend(const rw_track *t)
{
    size_t n = t->count;
    trend r = {g_new(double, n), g_new(double, n), n};
    g_autofree double *edge = g_new(double, n), *ratio = g_new(double, n), *fine = g_new(double, n);
    g_autofree double *slow_ratio = g_new(double, n), *slow_fine = g_new(double, n);
    for (size_t i = 0; i < n; i++) {
        edge[i] = rw_track_value(t, i, RW_M_EDGE_ACROSS);
        ratio[i] = rw_track_value(t, i, RW_M_GRAIN_RATIO);
        fine[i] = rw_track_value(t, i, RW_M_GRAIN_FINE);
    }
    take_off_level(t, ratio);
    take_off_level(t, fine);
    smooth(edge, r.edge, n);
    smooth(ratio, slow_ratio, n);
    smooth(fine, slow_fine, n);
    double ratio_0 = rw_quantile(slow_ratio, n, 0.9), fine_0 = rw_quantile(slow_fine, n, 0.9);
    double scale = 8.0 / t->basis.eighths;
    for (size_t i = 0; i < n; i++)
        r.grain[i] =
            rw_grain_blur_change(&t->basis.bands, slow_ratio[i] - ratio_0, slow_fine[i] - fine_0) *
            scale * scale;
    return r;
}

static void trend_clear(trend *r)
{
    g_free(r->edge);
    g_free(r->grain);
}

/* Defocus on the film that adds a Gaussian blur of variance v (stored px^2): a blur disc of
 * diameter c has variance c^2 / 16; c at the sensor is defocus * m^2 / N_e (geometric optics, see
 * the planner), N_e = N (1 + m), m = px/mm on the film times mm/px on the sensor. um. */
static double defocus_um(const rw_track *t, const rw_limits *limits, double variance)
{
    double number = limits->v[RW_LIMIT_F_NUMBER];
    if (number <= 0)
        number = t->basis.f_number > 0 ? t->basis.f_number : 4;
    double pixel = limits->v[RW_LIMIT_SENSOR_WIDTH] / MAX(t->basis.width, t->basis.height);
    double m = t->summary.px_per_mm * pixel;
    return 4 * sqrt(variance) * pixel * number * (1 + m) / (m * m) * 1000;
}

void rw_judge_focus(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    double notice = limits->v[RW_LIMIT_FOCUS_NOTICE];
    double tolerance = limits->v[RW_LIMIT_FOCUS_TOLERANCE];
    if (track->count < LEAST)
        return;
    trend r = find_trend(track);
    double sharpest = rw_quantile(r.edge, r.count, 0.05);
    double base = sharpest / WIDTH_PER_SD;
    bool edges = !isnan(sharpest);
    double typical_sd = edges ? base : 1.0; /* without an edge: a lens that spreads one pixel */
    double worst = 0;
    size_t worst_at = 0, first = r.count, last = 0, leaves = r.count;
    for (size_t i = 0; i < r.count; i++) {
        double growth = edges ? r.edge[i] / sharpest - 1
                              : sqrt(1 + MAX(0, r.grain[i]) / (typical_sd * typical_sd)) - 1;
        double by_grain = sqrt(1 + MAX(0, r.grain[i]) / (typical_sd * typical_sd)) - 1;
        if (edges && !isnan(r.grain[i]) && by_grain < 0.25 * growth)
            continue; /* the grain is as sharp as ever */
        if (!(growth > notice))
            continue;
        first = MIN(first, i);
        last = i;
        if (growth > tolerance)
            leaves = MIN(leaves, i);
        if (growth > worst) {
            worst = growth;
            worst_at = i;
        }
    }
    if (first < r.count) {
        rw_severity severity = worst > 2 * tolerance ? RW_REDO
                               : worst > tolerance   ? RW_LOOK
                                                     : RW_NOTE;
        rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_FOCUS_DRIFT, severity,
                                        leaves < r.count ? leaves : first, last, 0.85);
        double variance = typical_sd * typical_sd * ((1 + worst) * (1 + worst) - 1);
        rw_verdict_number(v, "edge_growth_percent", 100 * worst);
        rw_verdict_number(v, "sharpest_edge_px", sharpest);
        rw_verdict_number(v, "added_blur_px", sqrt(variance));
        rw_verdict_number(v, "added_blur_by_grain_px", sqrt(MAX(0, r.grain[worst_at])));
        rw_verdict_number(v, "defocus_um", defocus_um(track, limits, variance));
        rw_verdict_number(v, "worst_position", (double)worst_at);
        if (leaves < r.count)
            rw_verdict_number(v, "leaves_tolerance_position", (double)leaves);
    }
    trend_clear(&r);
}
