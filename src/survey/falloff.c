/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "colour/falloff.h"
#include "survey/falloff.h"

enum { ACROSS = 4, ALONG = 5, MOST_CELLS = 4 * ACROSS * ALONG };

typedef struct cell {
    double q, stops; /* squared distance from the middle against the corners'; log2 light */
} cell;

/* Parts of a perforation, clear of its edges and of the glow beside them. */
static int read_cells(const rw_pixels *pixels, rw_affine map, const rw_perforation *p, cell *cells)
{
    static const double inset = 0.18;
    enum { ENOUGH = 60 };
    int n = 0;
    double w = (1 - 2 * inset) * p->width / ACROSS, h = (1 - 2 * inset) * p->height / ALONG;
    for (int j = 0; j < ALONG; j++)
        for (int i = 0; i < ACROSS; i++) {
            rw_rect part = {p->x + inset * p->width + i * w, p->y + inset * p->height + j * h, w,
                            h};
            rw_light light = rw_light_of(pixels, map, part, 120);
            if (light.samples < ENOUGH || light.clipped > 0.01 || !(light.median > 0.02))
                continue;
            rw_point at = rw_affine_apply(map, part.x + w / 2, part.y + h / 2);
            double x = at.x - (pixels->width - 1) / 2.0, y = at.y - (pixels->height - 1) / 2.0;
            double corner = hypot(pixels->width, pixels->height) / 2;
            cells[n++] = (cell){(x * x + y * y) / (corner * corner), log2(light.median)};
        }
    return n;
}

double rw_falloff_of(const rw_pixels *pixels, rw_affine film_to_px, const rw_gauge *gauge)
{
    static const double least_spread = 0.02; /* of q: else the slope is noise */
    cell cells[MOST_CELLS];
    int n = 0;
    for (int k = 0; k < gauge->n_perforations && n + ACROSS * ALONG <= MOST_CELLS; k++)
        n += read_cells(pixels, film_to_px, &gauge->perforations[k], cells + n);
    double q = 0, s = 0, qq = 0, qs = 0, brightest = -INFINITY;
    for (int i = 0; i < n; i++)
        brightest = fmax(brightest, cells[i].stops);
    int used = 0;
    for (int i = 0; i < n; i++) {
        if (cells[i].stops < brightest - 0.35)
            continue; /* dirt */
        q += cells[i].q;
        s += cells[i].stops;
        qq += cells[i].q * cells[i].q;
        qs += cells[i].q * cells[i].stops;
        used++;
    }
    if (used < ACROSS * ALONG / 2)
        return NAN;
    double spread = qq / used - q / used * q / used;
    if (!(spread > least_spread * least_spread))
        return NAN;
    return -(qs / used - q / used * s / used) / spread;
}

bool rw_falloff_conclude(rw_reel *reel, const rw_track *track, GError **error)
{
    enum { ENOUGH = 12 };
    static const double least = 0.04, most = 2, surely = 5;
    g_autofree double *v = g_new(double, track->count + 1);
    size_t known = 0;
    for (size_t i = 0; i < track->count; i++) {
        v[i] = rw_track_value(track, i, RW_M_FALLOFF);
        if (!isnan(v[i]))
            known++;
    }
    double stops = rw_median(v, track->count), sd = rw_robust_sd(v, track->count, stops);
    double error_of_median = 1.2533 * sd / sqrt(fmax(1, (double)known)); /* of a normal sample */
    bool told =
        known >= ENOUGH && stops > least && stops < most && stops > surely * error_of_median;
    rw_falloff fact = {RW_FALLOFF_VERSION, track->basis.width, track->basis.height,
                       told ? (float)stops : 0};
    return rw_reel_put_fact(reel, "survey", RW_SURVEY_FACTS_VERSION, "", "falloff", &fact,
                            sizeof fact, error);
}
