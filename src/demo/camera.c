/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/camera.h"

#include <math.h>

#include "demo/fmath.h"

#define MOST_CELS    8
#define MOST_HOLES   (MOST_CELS * 4)
#define HALO_REACH   0.13f /* mm */
#define LEAST_DETAIL 150.0 /* samples per mm of film, or grain would alias */

typedef struct placed_spot {
    rw_demo_spot spot;  /* film mm of the still's own frame, or field mm for a hair */
    int u0, u1, v0, v1; /* samples where it may show */
} placed_spot;

typedef struct rig {
    const rw_demo_reel *reel;
    const rw_demo_rows *rows;
    const rw_demo_view *view;
    int over;          /* samples per pixel, each way */
    double scale;      /* samples per mm */
    int width, height; /* in samples */
    int radius;        /* of the lens's kernel */
    int stride;        /* floats of a film row: width + 2 radius pixels */
    float tap[DEMO_MOST_TAPS];
    rw_affine film_to_sample, sample_to_film;
    rw_demo_developer developer;
    float black[3];

    int first_cel, n_cels; /* film frames relative to the still's own */
    rw_demo_cel *cel[MOST_CELS];
    rw_point camera_weave[MOST_CELS];
    float shutter[MOST_CELS];
    int n_holes;
    rw_point hole[MOST_HOLES]; /* centres, film mm */
    rw_perforation shape;
    placed_spot *spot;
    int n_spots, n_hairs; /* hairs come last */

    int smear;          /* samples of travel */
    int64_t smear_made; /* film rows in the ring: up to this one */
    float *smear_ring;
    double *smear_sum;

    float *density, *grain, *light, *coverage; /* one row each */
    float *film_row, *blur_ring, *lit, *stray;
    const float **blur_rows;
} rig;

/* ---- dyes ---- */

/* Main and side absorptions of cyan, magenta and yellow dye in red, green and blue light; each
 * row's sum is 1, so equal dyes are grey. Common practice, no source: the order of size is what
 * text books print for block densities. */
static const double dyes[3][3] = {{0.86, 0.11, 0.03}, {0.17, 0.72, 0.11}, {0.07, 0.20, 0.73}};

static void invert3(const double a[3][3], double out[3][3])
{
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) {
            int r0 = (j + 1) % 3, r1 = (j + 2) % 3, c0 = (i + 1) % 3, c1 = (i + 2) % 3;
            out[i][j] = a[r0][c0] * a[r1][c1] - a[r0][c1] * a[r1][c0];
        }
    double det = a[0][0] * out[0][0] + a[0][1] * out[1][0] + a[0][2] * out[2][0];
    for (int i = 0; i < 9; i++)
        out[i / 3][i % 3] /= det;
}

/* What is left of each dye at the worst, and the stain added in red, green and blue. */
static const struct {
    double left[3], stain[3];
} fades[4] = {
    {{1, 1, 1}, {0, 0, 0}},
    {{0.35, 0.92, 0.45}, {0.01, 0.03, 0.10}},
    {{0.80, 0.40, 0.70}, {0.00, 0.01, 0.04}},
    {{0.60, 0.58, 0.62}, {0.03, 0.09, 0.24}},
};

static void set_fade(const rw_demo_reel *reel, rw_demo_developer *d)
{
    int kind = (int)rw_demo_value(reel->params, DEMO_FADE_KIND);
    double strength = rw_demo_value(reel->params, DEMO_FADE_STRENGTH) / 100, inverse[3][3];
    if (kind < 1 || kind > 3 || strength <= 0)
        return;
    d->fades = 1;
    invert3(dyes, inverse);
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++) {
            double sum = 0;
            for (int k = 0; k < 3; k++)
                sum += dyes[i][k] * (1 - strength * (1 - fades[kind].left[k])) * inverse[k][j];
            d->matrix[i][j] = (float)sum;
        }
        d->offset[i] = d->base + (float)(strength * fades[kind].stain[i] * DEMO_LOG2_10);
    }
}

void rw_demo_developer_set(const rw_demo_reel *reel, rw_demo_developer *d, float black[3])
{
    static const double layer[3] = {1.0, 0.95, 1.3}; /* blue's crystals are the largest */
    const double *p = reel->params->number;
    double size = p[DEMO_GRAIN_SIZE] * 1e-3;
    double rms = rw_demo_value(reel->params, DEMO_GRAIN_RMS) * 1e-3;
    double point = rms / rw_demo_grain_aperture_share(size) * DEMO_LOG2_10;
    *d = (rw_demo_developer){.base = (float)(p[DEMO_FILM_DMIN] * DEMO_LOG2_10)};
    /* sigma of density D is the given one at 1.0 above the base, and goes with the root */
    d->grain_floor = d->base;
    d->grain_toe = (float)(0.03 * DEMO_LOG2_10);
    for (int c = 0; c < 3; c++)
        d->grain_k[c] = (float)(point * layer[c] / sqrt(1.03 * DEMO_LOG2_10));
    set_fade(reel, d);
    float density[4] = {0}, light[4];
    for (int c = 0; c < 3; c++)
        density[c] = (float)(p[DEMO_FILM_DMAX] * DEMO_LOG2_10);
    rw_demo_rows_best()->develop(d, density, NULL, 1, light);
    memcpy(black, light, 3 * sizeof *black);
}

/* ---- setting up ---- */

static void place_spot(rig *r, const rw_demo_spot *spot, rw_affine to_sample)
{
    rw_rect box = rw_demo_box(to_sample, spot->box);
    placed_spot *p = &r->spot[r->n_spots];
    *p = (placed_spot){*spot, (int)floor(box.x), (int)ceil(box.x + box.width), (int)floor(box.y),
                       (int)ceil(box.y + box.height)};
    p->u0 = MAX(p->u0, -r->radius);
    p->u1 = MIN(p->u1, r->width + r->radius - 1);
    r->n_spots += p->u0 <= p->u1;
}

static void place_spots(rig *r)
{
    r->spot = g_new(placed_spot, DEMO_MOST_SPOTS * r->n_cels + 8);
    rw_demo_spot *spots = g_new(rw_demo_spot, DEMO_MOST_SPOTS);
    for (int i = 0; i < r->n_cels; i++) {
        int j = r->first_cel + i;
        int n = rw_demo_film_spots(r->reel, r->view->shot.film + j, spots, DEMO_MOST_SPOTS);
        for (int k = 0; k < n; k++) {
            rw_demo_spot_move(&spots[k], 0, j * r->reel->gauge->pitch);
            place_spot(r, &spots[k], r->film_to_sample);
        }
    }
    g_free(spots);
    rw_affine field = {{{r->scale, 0, (r->width - 1) / 2.0}, {0, r->scale, (r->height - 1) / 2.0}}};
    int before = r->n_spots;
    for (int i = 0; i < r->view->n_hairs; i++)
        place_spot(r, &r->view->hair[i], field);
    r->n_hairs = r->n_spots - before;
}

static void place_holes(rig *r)
{
    const rw_gauge *g = r->reel->gauge;
    r->shape = g->perforations[0];
    for (int i = 0; i < r->n_cels; i++)
        for (int k = 0; k < g->n_perforations; k++) {
            /* a hole on the frame line belongs to both frames: once is enough */
            if (g->perforation_on_frame_line && k == 0 && i > 0)
                continue;
            rw_perforation h = g->perforations[k];
            r->hole[r->n_holes++] =
                (rw_point){h.x + h.width / 2, h.y + h.height / 2 + (r->first_cel + i) * g->pitch};
        }
}

/* Film frames of which anything shows through the gate, smear included. */
static bool take_cels(rig *r, rw_demo_strip *strip, GError **error)
{
    const rw_gauge *g = r->reel->gauge;
    double border = r->radius + 2;
    rw_rect seen =
        rw_demo_box(r->sample_to_film, (rw_rect){-border, -border - r->smear, r->width + 2 * border,
                                                 r->height + 2 * border + 2 * r->smear});
    int first = (int)floor(seen.y / g->pitch + 0.5 - 0.12);
    int last = (int)floor((seen.y + seen.height) / g->pitch + 0.5 + 0.12);
    first = MAX(first, -MOST_CELS / 2);
    last = MIN(last, first + MOST_CELS - 1);
    r->first_cel = first;
    for (int j = first; j <= last; j++) {
        int64_t film = r->view->shot.film + j;
        r->cel[r->n_cels] = rw_demo_strip_take(strip, film, error);
        if (!r->cel[r->n_cels])
            return false;
        r->camera_weave[r->n_cels] = rw_demo_camera_weave(r->reel, film);
        r->shutter[r->n_cels++] = (float)rw_demo_shutter(r->reel, film);
    }
    return true;
}

static float *new_row(const rig *r)
{
    return g_new0(float, (size_t)r->stride + 64);
}

static void make_room(rig *r)
{
    size_t n = (size_t)r->stride;
    r->density = new_row(r);
    r->grain = new_row(r);
    r->light = new_row(r);
    r->coverage = new_row(r);
    r->film_row = new_row(r);
    r->lit = new_row(r);
    r->stray = new_row(r);
    r->blur_ring = g_new0(float, (size_t)(2 * r->radius + 1) * n);
    r->blur_rows = g_new(const float *, (size_t)(2 * r->radius + 1));
    if (r->smear > 0) {
        r->smear_ring = g_new0(float, (size_t)(r->smear + 1) * n);
        r->smear_sum = g_new0(double, n);
    }
}

static void clear_rig(rig *r, rw_demo_strip *strip)
{
    for (int i = 0; i < r->n_cels; i++)
        rw_demo_strip_return(strip, &r->cel[i]);
    g_free(r->spot);
    g_free(r->density);
    g_free(r->grain);
    g_free(r->light);
    g_free(r->coverage);
    g_free(r->film_row);
    g_free(r->lit);
    g_free(r->stray);
    g_free(r->blur_ring);
    g_free(r->blur_rows);
    g_free(r->smear_ring);
    g_free(r->smear_sum);
}

/* ---- the film, one row of samples ---- */

/* Where the row lies on the film: its first sample (radius before the picture) and its step. */
typedef struct film_line {
    rw_point at, step;
} film_line;

static film_line line_at(const rig *r, double v)
{
    return (film_line){rw_affine_apply(r->sample_to_film, -r->radius, v),
                       {r->sample_to_film.m[0][0], r->sample_to_film.m[1][0]}};
}

/* Samples of the row whose x lies in [x0, x1], as first and number. */
static int span(const rig *r, const film_line *line, double x0, double x1, int *first)
{
    int n = r->stride / 4;
    int a = (int)floor((x0 - line->at.x) / line->step.x);
    int b = (int)ceil((x1 - line->at.x) / line->step.x);
    *first = CLAMP(a, 0, n);
    return CLAMP(b + 1, *first, n) - *first;
}

/* The nearest |distance along the film| to y of the row's samples first .. first + n. */
static bool row_meets(const film_line *line, int first, int n, double y0, double y1)
{
    double a = line->at.y + first * line->step.y, b = a + n * line->step.y;
    return n > 0 && MIN(a, b) <= y1 && MAX(a, b) >= y0;
}

static void expose_cel(rig *r, const film_line *line, int i, float *row)
{
    const rw_gauge *g = r->reel->gauge;
    const rw_demo_cel *cel = r->cel[i];
    const double *p = r->reel->params->number;
    double soft = MAX(p[DEMO_FILM_SOFTNESS], 1 / r->scale);
    rw_rect a = g->camera_aperture;
    a.x += r->camera_weave[i].x;
    a.y += r->camera_weave[i].y + (r->first_cel + i) * g->pitch;
    int first, n = span(r, line, a.x - soft, a.x + a.width + soft, &first);
    if (!row_meets(line, first, n, a.y - soft, a.y + a.height + soft))
        return;
    rw_point from = {line->at.x + first * line->step.x, line->at.y + first * line->step.y};
    rw_affine map = rw_demo_cel_map(cel, g);
    rw_point at = rw_affine_apply(map, from.x - a.x, from.y - a.y);
    rw_demo_walk walk = {at.x, at.y, map.m[0][0] * line->step.x, map.m[1][1] * line->step.y};
    r->rows->spline(&cel->density, &walk, n, r->density);
    if (cel->grain.px) {
        double pitch = cel->grain_pitch;
        rw_demo_walk over = {(from.x - a.x) / pitch + RW_DEMO_CEL_BORDER,
                             (from.y - a.y) / pitch + RW_DEMO_CEL_BORDER, line->step.x / pitch,
                             line->step.y / pitch};
        r->rows->spline(&cel->grain, &over, n, r->grain);
    }
    r->rows->develop(&r->developer, r->density, cel->grain.px ? r->grain : NULL, n, r->light);
    rw_demo_window window = {(float)(a.width / 2), (float)(a.height / 2),
                             (float)p[DEMO_FILM_CORNER], (float)soft};
    r->rows->window(&window, from.x - a.x - a.width / 2, from.y - a.y - a.height / 2, line->step.x,
                    line->step.y, n, r->coverage);
    float *out = row + 4 * first, shutter = r->shutter[i];
    for (int k = 0; k < n; k++)
        for (int c = 0; c < 3; c++) { /* where frames overlap their light adds up */
            float l = shutter * r->coverage[k] * (r->light[4 * k + c] - r->black[c]);
            out[4 * k + c] = MIN(out[4 * k + c] + l, 1.0f);
        }
}

/* Each channel goes from what it is towards `to`. */
static inline void cover(float *px, float alpha, const float to[3])
{
    for (int c = 0; c < 3; c++)
        px[c] += alpha * (to[c] - px[c]);
}

static const float nothing[3] = {0, 0, 0}, all[3] = {1, 1, 1};
static const float bare[3] = {0.86f, 0.88f, 0.80f}; /* emulsion gone */
static const float thin[3] = {0.62f, 0.80f, 0.60f}; /* emulsion scratched to the lower layers */

static void scratch_row(rig *r, const film_line *line, float *row)
{
    const rw_demo_plan *plan = r->reel->plan;
    double pitch = r->reel->gauge->pitch;
    for (int i = 0; i < plan->n_scratches; i++) {
        const rw_demo_scratch *s = &plan->scratches[i];
        double frame = (double)r->view->shot.film + line->at.y / pitch, opacity;
        if (frame < s->first - 1 || frame > s->last + 1)
            continue;
        double x = rw_demo_scratch_at(r->reel, i, frame, &opacity);
        double soft = MAX(s->width * 0.5, 1 / r->scale);
        /* less than a sample wide: as wide, but weaker */
        double width = MAX(s->width, soft), strength = opacity * s->width / width;
        int first, n = span(r, line, x - width, x + width, &first);
        for (int k = first; k < first + n; k++) {
            double d = fabs(line->at.x + k * line->step.x - x) - width / 2;
            float alpha = (float)(strength * demo_clamp(0.5 - d / soft, 0, 1));
            cover(row + 4 * k, alpha, s->light ? thin : nothing);
        }
    }
}

static void spot_row(const rig *r, const placed_spot *p, double v, rw_affine to_mm,
                     const float to[3], float *row)
{
    if (v < p->v0 || v > p->v1)
        return;
    float pixel = (float)(1 / r->scale);
    for (int u = p->u0; u <= p->u1; u++) {
        rw_point at = rw_affine_apply(to_mm, u, v);
        float alpha = rw_demo_spot_alpha(&p->spot, at.x, at.y, pixel);
        if (alpha > 0)
            cover(row + 4 * (u + r->radius), alpha, to);
    }
}

static void film_spots_row(const rig *r, double v, bool in_holes, float *row)
{
    for (int pass = 0; pass < 2; pass++)
        for (int i = 0; i < r->n_spots - r->n_hairs; i++) {
            const placed_spot *p = &r->spot[i];
            rw_demo_spot_kind kind = p->spot.kind;
            bool damage = kind == DEMO_SPOT_TEAR || kind == DEMO_SPOT_PERFORATION_DIRT;
            bool light = kind == DEMO_SPOT_SPECK_LIGHT || kind == DEMO_SPOT_FIBRE_LIGHT ||
                         kind == DEMO_SPOT_TEAR;
            /* light first: dust may lie on bare film, dirt in a torn hole */
            if (damage != in_holes || light != (pass == 0))
                continue;
            spot_row(r, p, v, r->sample_to_film,
                     kind == DEMO_SPOT_TEAR ? all
                     : light                ? bare
                                            : nothing,
                     row);
        }
}

static void splice_row(const rig *r, const film_line *line, float *row)
{
    const double *p = r->reel->params->number;
    double pitch = r->reel->gauge->pitch, half = p[DEMO_SPLICE_TAPE] / 2;
    int reach = (int)ceil(half / pitch) + 1;
    float through = demo_exp2f((float)(-p[DEMO_SPLICE_DENSITY] * DEMO_LOG2_10));
    for (int j = -reach; j <= reach + 1; j++) {
        if (!(rw_demo_plan_events(r->reel->plan, r->view->shot.film + j) & DEMO_SPLICED))
            continue;
        for (int k = 0; k < r->stride / 4; k++) {
            double y = line->at.y + k * line->step.y - (j - 0.5) * pitch;
            float tape = (float)demo_clamp((half - fabs(y)) * r->scale + 0.5, 0, 1);
            float edge = (float)demo_clamp(1.5 - fabs(fabs(y) - half) / 0.02, 0, 1) * 0.35f;
            float joint = (float)demo_clamp(0.5 - (fabs(y) - 0.012) * r->scale, 0, 1) * 0.8f;
            float m = 1 - tape * (1 - through) - (half > 0 ? edge : 0) * 0.5f;
            for (int c = 0; c < 3; c++)
                row[4 * k + c] *= m;
            cover(row + 4 * k, joint, nothing);
        }
    }
}

/* Beyond the strip there is nothing in the light's way. */
static void edge_row(const rig *r, const film_line *line, float *row)
{
    double width = r->reel->gauge->width;
    int n = r->stride / 4;
    if (line->at.x > 1 / r->scale && line->at.x + n * line->step.x < width - 1 / r->scale)
        return;
    for (int k = 0; k < n; k++) {
        double x = line->at.x + k * line->step.x, inside = MIN(x, width - x);
        cover(row + 4 * k, (float)demo_clamp(0.5 - inside * r->scale, 0, 1), all);
    }
}

static void holes_row(rig *r, const film_line *line, float *row)
{
    double soft = 1 / r->scale;
    rw_demo_window window = {(float)(r->shape.width / 2), (float)(r->shape.height / 2),
                             (float)r->shape.radius, (float)soft};
    for (int i = 0; i < r->n_holes; i++) {
        rw_point h = r->hole[i];
        double reach = r->shape.width / 2 + soft;
        int first, n = span(r, line, h.x - reach, h.x + reach, &first);
        reach = r->shape.height / 2 + soft;
        if (!row_meets(line, first, n, h.y - reach, h.y + reach))
            continue;
        r->rows->window(&window, line->at.x + first * line->step.x - h.x,
                        line->at.y + first * line->step.y - h.y, line->step.x, line->step.y, n,
                        r->coverage);
        for (int k = 0; k < n; k++)
            cover(row + 4 * (first + k), r->coverage[k], all);
    }
}

static void film_row(rig *r, int64_t v, float *row)
{
    film_line line = line_at(r, (double)v);
    for (int k = 0; k < r->stride; k += 4) {
        memcpy(row + k, r->black, 3 * sizeof *row);
        row[k + 3] = 0;
    }
    for (int i = 0; i < r->n_cels; i++)
        expose_cel(r, &line, i, row);
    scratch_row(r, &line, row);
    film_spots_row(r, (double)v, false, row);
    if (r->reel->params->on[DEMO_TERM_SPLICE])
        splice_row(r, &line, row);
    edge_row(r, &line, row);
    holes_row(r, &line, row);
    film_spots_row(r, (double)v, true, row);
}

/* ---- movement, gate, lens ---- */

/* Row v as exposed. A film that arrives late shows what lies above (its frame still on its way
 * up), one that leaves early what lies below. */
static void moving_row(rig *r, int64_t v, float *row)
{
    if (r->smear == 0) {
        film_row(r, v, row);
        return;
    }
    int64_t ring = r->smear + 1;
    bool late = r->view->smear_travel > 0;
    int64_t last = late ? v : v + r->smear;
    size_t n = (size_t)r->stride;
    if (r->smear_made == INT64_MIN)
        r->smear_made = last - ring;
    while (r->smear_made < last) {
        int64_t m = ++r->smear_made;
        float *slot = r->smear_ring + (size_t)(((m % ring) + ring) % ring) * n;
        for (size_t i = 0; i < n; i++)
            r->smear_sum[i] -= (double)slot[i];
        film_row(r, m, slot);
        for (size_t i = 0; i < n; i++)
            r->smear_sum[i] += (double)slot[i];
    }
    int64_t other = late ? v - r->smear : v + r->smear;
    const float *rest = r->smear_ring + (size_t)(((v % ring) + ring) % ring) * n;
    const float *second = r->smear_ring + (size_t)(((other % ring) + ring) % ring) * n;
    float moving = (float)(r->view->smear_moving / (double)ring);
    float at_second = (float)r->view->smear_second;
    float at_rest = (float)(1 - r->view->smear_moving - r->view->smear_second);
    for (size_t i = 0; i < n; i++)
        row[i] = moving * (float)r->smear_sum[i] + at_rest * rest[i] + at_second * second[i];
}

static void gate_row(rig *r, int64_t v, float *row)
{
    const rw_demo_layout *l = &r->reel->layout;
    const double *p = r->reel->params->number;
    if (r->reel->params->on[DEMO_TERM_GATE] && l->gate_in_view) {
        double soft = MAX(p[DEMO_GATE_SOFTNESS], 1 / r->scale);
        rw_demo_window window = {(float)(l->gate.width / 2 * r->scale),
                                 (float)(l->gate.height / 2 * r->scale),
                                 (float)(p[DEMO_GATE_CORNER] * r->scale), (float)(soft * r->scale)};
        double x = (l->gate.x + l->gate.width / 2 - l->centre.x) * r->scale + (r->width - 1) / 2.0;
        double y =
            (l->gate.y + l->gate.height / 2 - l->centre.y) * r->scale + (r->height - 1) / 2.0;
        int n = r->stride / 4;
        r->rows->window(&window, -r->radius - x, (double)v - y, 1, 0, n, r->coverage);
        for (int k = 0; k < n; k++)
            for (int c = 0; c < 3; c++)
                row[4 * k + c] *= r->coverage[k];
    }
    rw_affine field = {{{1 / r->scale, 0, -(r->width - 1) / 2.0 / r->scale},
                        {0, 1 / r->scale, -(r->height - 1) / 2.0 / r->scale}}};
    for (int i = r->n_spots - r->n_hairs; i < r->n_spots; i++)
        spot_row(r, &r->spot[i], (double)v, field, nothing, row);
}

static void optical_row(rig *r, int64_t v)
{
    int64_t ring = 2 * r->radius + 1;
    float *out = r->blur_ring + (size_t)((v + r->radius) % ring) * (size_t)r->stride;
    moving_row(r, v, r->film_row);
    gate_row(r, v, r->film_row);
    r->rows->blur_across(r->film_row + 4 * r->radius, r->tap, r->radius, r->width, out);
}

/* ---- light and sensor ---- */

static float glow(float x)
{
    return x / sqrtf(1 + x * x);
}

/* What the gate leaves of a perforation, in samples; a width or height below 0: nothing. */
static rw_rect seen_hole(const rig *r, rw_point hole)
{
    const rw_demo_layout *l = &r->reel->layout;
    rw_point c = rw_affine_apply(r->film_to_sample, hole.x, hole.y);
    double w = r->shape.width * r->scale, h = r->shape.height * r->scale;
    rw_rect seen = {c.x - w / 2, c.y - h / 2, w, h};
    if (!r->reel->params->on[DEMO_TERM_GATE] || !l->gate_in_view)
        return seen;
    double x = (l->gate.x - l->centre.x) * r->scale + (r->width - 1) / 2.0;
    double y = (l->gate.y - l->centre.y) * r->scale + (r->height - 1) / 2.0;
    double right = MIN(seen.x + w, x + l->gate.width * r->scale);
    double low = MIN(seen.y + h, y + l->gate.height * r->scale);
    seen.x = MAX(seen.x, x);
    seen.y = MAX(seen.y, y);
    seen.width = right - seen.x;
    seen.height = low - seen.y;
    return seen;
}

/* Stray light of the row: a veil, and a glow round the perforations. */
static void stray_row(rig *r, int v)
{
    const double *p = r->reel->params->number;
    float mean = 0.1f;
    for (int i = 0; i < r->n_cels; i++)
        if (r->first_cel + i == 0)
            mean += 0.7f * (float)r->cel[i]->mean_light;
    float veil = (float)(rw_demo_value(r->reel->params, DEMO_GLARE_VEIL) / 100) * mean;
    for (int k = 0; k < r->width; k++)
        r->stray[k] = veil;
    if (!r->reel->params->on[DEMO_TERM_GLARE])
        return;
    float halo = (float)(p[DEMO_GLARE_HALO] / 100) / 4, s = 1 / (HALO_REACH * (float)r->scale);
    for (int i = 0; i < r->n_holes; i++) {
        rw_rect h = seen_hole(r, r->hole[i]);
        float top = (float)(v - h.y), low = (float)(v - h.y - h.height);
        float along = h.width > 0 && h.height > 0 ? halo * (glow(top * s) - glow(low * s)) : 0;
        if (along < 1e-5f)
            continue;
        for (int k = 0; k < r->width; k++) {
            float left = (float)(k - h.x), right = (float)(k - h.x - h.width);
            r->stray[k] += along * (glow(left * s) - glow(right * s));
        }
    }
}

static void light_row(rig *r, int v, float *row)
{
    const double *p = r->reel->params->number;
    const double *s = r->view->shade;
    double y = 2 * (v + 0.5) / r->height - 1;
    float aspect = (float)r->height / (float)r->width;
    float loss = (float)(rw_demo_value(r->reel->params, DEMO_VIGNETTE_LOSS) / 100);
    float fall = (1 / sqrtf(1 - loss) - 1) / (1 + aspect * aspect);
    float gain = (float)(p[DEMO_EXPOSURE_CLEAR] * r->view->gain);
    float c0 = (float)(1 + s[1] * y - s[3] / 3 + s[4] * (y * y - 1.0 / 3));
    float c1 = (float)(s[0] + s[2] * y), c2 = (float)s[3];
    float y2 = (float)(y * y) * aspect * aspect;
    stray_row(r, v);
    for (int k = 0; k < r->width; k++) {
        float x = 2 * ((float)k + 0.5f) / (float)r->width - 1;
        float v1 = 1 + fall * (x * x + y2);
        float m = gain * (c0 + c1 * x + c2 * x * x) / (v1 * v1), add = r->stray[k];
        for (int c = 0; c < 4; c++)
            row[4 * k + c] = (row[4 * k + c] + add) * m;
    }
}

/* Mean of over x over samples; rows are added up in `sum`. */
static void gather(const rig *r, const float *row, bool first, float *sum)
{
    int width = r->width / r->over;
    float share = 1.0f / (float)(r->over * r->over);
    for (int k = 0; k < width; k++)
        for (int c = 0; c < 4; c++) {
            float s = 0;
            for (int i = 0; i < r->over; i++)
                s += row[4 * (k * r->over + i) + c];
            sum[4 * k + c] = (first ? 0 : sum[4 * k + c]) + s * share;
        }
}

static void fill_code_table(uint8_t table[16384])
{
    for (int i = 0; i < 16384; i++)
        table[i] = (uint8_t)(demo_srgb_encode((float)i / 16383.0f) * 255.0f + 0.5f);
}

/* A canonical row into its place of the stored picture. */
static void store_row(const rw_demo_layout *l, const uint16_t *index, const uint8_t *table, int v,
                      uint8_t *out)
{
    rw_affine map = rw_demo_canon_to_still(l);
    rw_point at = rw_affine_apply(map, 0, v);
    ptrdiff_t row = 3 * (ptrdiff_t)l->width;
    ptrdiff_t step = 3 * (ptrdiff_t)map.m[0][0] + row * (ptrdiff_t)map.m[1][0];
    uint8_t *p = out + 3 * (ptrdiff_t)at.x + row * (ptrdiff_t)at.y;
    for (int u = 0; u < l->canon_width; u++, p += step)
        for (int c = 0; c < 3; c++)
            p[c] = table[index[3 * u + c]];
}

static rw_demo_sensor sensor_of(const rw_demo_reel *reel, const rw_demo_view *view)
{
    double shot = rw_demo_value(reel->params, DEMO_NOISE_SHOT) / 100;
    double read = rw_demo_value(reel->params, DEMO_NOISE_READ) / 100;
    return (rw_demo_sensor){
        (float)(shot * shot), (float)(read * read),
        (uint32_t)rw_demo_key(reel->seed, "noise", 4 * view->shot.film + view->shot.take)};
}

static void shoot(rig *r, uint8_t *out)
{
    const rw_demo_layout *l = &r->reel->layout;
    uint8_t table[16384];
    fill_code_table(table);
    uint16_t *index = g_new(uint16_t, 3 * (size_t)l->canon_width);
    float *sum = new_row(r);
    rw_demo_sensor sensor = sensor_of(r->reel, r->view);
    int64_t ring = 2 * r->radius + 1;
    for (int v = -r->radius; v < r->radius; v++)
        optical_row(r, v);
    for (int v = 0; v < r->height; v++) {
        optical_row(r, v + r->radius);
        for (int k = 0; k < ring; k++) /* rows v - radius .. v + radius */
            r->blur_rows[k] = r->blur_ring + (size_t)((v + k) % ring) * (size_t)r->stride;
        r->rows->blur_along(r->blur_rows, r->tap, r->radius, r->width, r->lit);
        light_row(r, v, r->lit);
        gather(r, r->lit, v % r->over == 0, sum);
        if (v % r->over != r->over - 1)
            continue;
        int pixel_row = v / r->over;
        r->rows->expose(&sensor, sum, (uint32_t)pixel_row * (uint32_t)l->canon_width,
                        l->canon_width, index);
        store_row(l, index, table, pixel_row, out);
    }
    g_free(sum);
    g_free(index);
}

uint8_t *rw_demo_camera_shoot(const rw_demo_reel *reel, rw_demo_strip *strip,
                              const rw_demo_view *view, GError **error)
{
    const rw_demo_layout *l = &reel->layout;
    rig r = {.reel = reel, .rows = rw_demo_rows_best(), .view = view, .smear_made = INT64_MIN};
    r.over = CLAMP((int)ceil(LEAST_DETAIL / l->px_per_mm), 1, 4);
    r.scale = l->px_per_mm * r.over;
    r.width = l->canon_width * r.over;
    r.height = l->canon_height * r.over;
    double skirt = rw_demo_value(reel->params, DEMO_LENS_SKIRT) / 100;
    r.radius = rw_demo_blur_kernel(view->sigma, skirt, r.over, r.tap);
    r.stride = 4 * (r.width + 2 * r.radius);
    double half = (r.over - 1) / 2.0;
    rw_affine finer = {{{r.over, 0, half}, {0, r.over, half}}};
    r.film_to_sample = rw_affine_then(view->film_to_canon, finer);
    bool possible = rw_affine_invert(r.film_to_sample, &r.sample_to_film);
    g_assert(possible);
    r.smear = (int)(fabs(view->smear_travel) * r.scale + 0.5);
    rw_demo_developer_set(reel, &r.developer, r.black);

    uint8_t *out = NULL;
    if (take_cels(&r, strip, error)) {
        place_spots(&r);
        place_holes(&r);
        make_room(&r);
        out = g_malloc(3 * (size_t)l->width * (size_t)l->height);
        shoot(&r, out);
    }
    clear_rig(&r, strip);
    return out;
}
