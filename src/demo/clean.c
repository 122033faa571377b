/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/clean.h"

#include <math.h>

#include "demo/fmath.h"

rw_affine rw_demo_film_to_clean(const rw_gauge *gauge, int width, int height)
{
    rw_rect p = gauge->projectable;
    double sx = width / p.width, sy = height / p.height;
    return (rw_affine){{{sx, 0, -p.x * sx - 0.5}, {0, sy, -p.y * sy - 0.5}}};
}

uint8_t *rw_demo_clean_draw(const rw_demo_reel *reel, const rw_demo_cel *cel, bool with_weave,
                            int width, int height)
{
    const rw_gauge *gauge = reel->gauge;
    const double *p = reel->params->number;
    const rw_demo_rows *rows = rw_demo_rows_best();
    rw_affine film_to_clean = rw_demo_film_to_clean(gauge, width, height), clean_to_film;
    bool possible = rw_affine_invert(film_to_clean, &clean_to_film);
    g_assert(possible);
    rw_point weave = with_weave ? rw_demo_camera_weave(reel, cel->film) : (rw_point){0, 0};
    rw_rect a = gauge->camera_aperture;
    rw_affine to_corner = {{{1, 0, -a.x - weave.x}, {0, 1, -a.y - weave.y}}};
    rw_affine map =
        rw_affine_then(rw_affine_then(clean_to_film, to_corner), rw_demo_cel_map(cel, gauge));
    rw_demo_developer plain = {0};
    float darkest = demo_exp2f((float)(-p[DEMO_FILM_DMAX] * DEMO_LOG2_10));
    float lightest = demo_exp2f((float)(-p[DEMO_FILM_DMIN] * DEMO_LOG2_10));
    float scale = 16383.0f / (lightest - darkest);
    uint8_t table[16384];
    for (int i = 0; i < 16384; i++)
        table[i] = (uint8_t)(demo_srgb_encode((float)i / 16383.0f) * 255.0f + 0.5f);

    float *density = g_new(float, 4 * (size_t)width), *light = g_new(float, 4 * (size_t)width);
    uint8_t *out = g_malloc(4 * (size_t)width * (size_t)height);
    for (int y = 0; y < height; y++) {
        rw_point at = rw_affine_apply(map, 0, y);
        rw_demo_walk walk = {at.x, at.y, map.m[0][0], 0};
        rows->spline(&cel->density, &walk, width, density);
        rows->develop(&plain, density, NULL, width, light);
        uint8_t *row = out + (size_t)y * 4 * (size_t)width;
        for (int x = 0; x < width; x++) {
            for (int c = 0; c < 3; c++) {
                float l = (light[4 * x + c] - darkest) * scale;
                row[4 * x + 2 - c] = table[(int)(demo_clampf(l, 0, 16383) + 0.5f)];
            }
            row[4 * x + 3] = 0;
        }
    }
    g_free(density);
    g_free(light);
    return out;
}

typedef struct mask {
    uint8_t *px;
    int width, height;
} mask;

static void mark(const mask *m, int x, int y, uint8_t kind)
{
    uint8_t *p = &m->px[(size_t)y * (size_t)m->width + (size_t)x];
    *p = MAX(*p, kind);
}

/* to_clean: from the spot's own mm; from_clean: the way back. */
static void mark_spot(const mask *m, const rw_demo_spot *spot, rw_affine to_clean,
                      rw_affine from_clean)
{
    rw_rect box = rw_demo_box(to_clean, spot->box);
    int x0 = MAX(0, (int)floor(box.x)), x1 = MIN(m->width - 1, (int)ceil(box.x + box.width));
    int y0 = MAX(0, (int)floor(box.y)), y1 = MIN(m->height - 1, (int)ceil(box.y + box.height));
    float pixel = (float)from_clean.m[0][0];
    for (int y = y0; y <= y1; y++)
        for (int x = x0; x <= x1; x++) {
            rw_point at = rw_affine_apply(from_clean, x, y);
            if (rw_demo_spot_alpha(spot, at.x, at.y, pixel) >= DEMO_MASK_ALPHA)
                mark(m, x, y, (uint8_t)spot->kind);
        }
}

static void mark_scratches(const rw_demo_reel *reel, int64_t film, const mask *m,
                           rw_affine from_clean)
{
    for (int i = 0; i < reel->plan->n_scratches; i++) {
        const rw_demo_scratch *s = &reel->plan->scratches[i];
        for (int y = 0; y < m->height; y++) {
            rw_point at = rw_affine_apply(from_clean, 0, y);
            double opacity, px = from_clean.m[0][0];
            double frame = (double)film + at.y / reel->gauge->pitch;
            double x = rw_demo_scratch_at(reel, i, frame, &opacity);
            if (opacity < (double)DEMO_MASK_ALPHA)
                continue;
            double left = (x - s->width / 2 - at.x) / px, right = (x + s->width / 2 - at.x) / px;
            for (int k = MAX(0, (int)ceil(left - 0.5)); k <= MIN(m->width - 1, floor(right + 0.5));
                 k++)
                mark(m, k, y, s->light ? DEMO_SPOT_SCRATCH_LIGHT : DEMO_SPOT_SCRATCH_DARK);
        }
    }
}

uint8_t *rw_demo_mask_draw(const rw_demo_reel *reel, int64_t film, const rw_demo_view *view,
                           int width, int height)
{
    mask m = {g_malloc0((size_t)width * (size_t)height), width, height};
    rw_affine to_clean = rw_demo_film_to_clean(reel->gauge, width, height), from_clean;
    bool possible = rw_affine_invert(to_clean, &from_clean);
    g_assert(possible);
    rw_demo_spot spots[DEMO_MOST_SPOTS];
    int n = rw_demo_film_spots(reel, film, spots, DEMO_MOST_SPOTS);
    for (int i = 0; i < n; i++)
        if (spots[i].kind >= DEMO_SPOT_SPECK_DARK)
            mark_spot(&m, &spots[i], to_clean, from_clean);
    mark_scratches(reel, film, &m, from_clean);
    if (view && view->n_hairs) {
        const rw_demo_layout *l = &reel->layout;
        double s = l->px_per_mm;
        rw_affine canon_to_field = {{{1 / s, 0, -(l->canon_width - 1) / 2.0 / s},
                                     {0, 1 / s, -(l->canon_height - 1) / 2.0 / s}}};
        rw_affine back = rw_affine_then(rw_affine_then(from_clean, view->film_to_canon),
                                        canon_to_field),
                  there;
        possible = rw_affine_invert(back, &there);
        g_assert(possible);
        for (int i = 0; i < view->n_hairs; i++)
            mark_spot(&m, &view->hair[i], there, back);
    }
    return m.px;
}
