/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "base/pool.h"
#include "base/select.h"
#include "motion/field.h"
#include "restore/flicker.h"
#include "restore/stages.h"

#define LOOK_VERSION 2
#define LOOK_WIDTH   256
#define CELL         4     /* px of a look: means over cells quiet the grain */
#define AROUND       3     /* cells to each side that tell how far a place is to be believed */
#define DARK         0.004 /* linear light below which a ratio means nothing */
#define BRIGHT       0.93  /* and above which the still may have clipped */

/* Products of Legendre polynomials up to the third order: each is free of the others' means. */
void rw_flicker_terms(double u, double v, double t[RW_FLICKER_TERMS])
{
    const double u2 = 0.5 * (3 * u * u - 1), v2 = 0.5 * (3 * v * v - 1);
    t[0] = 1;
    t[1] = u;
    t[2] = v;
    t[3] = u2;
    t[4] = u * v;
    t[5] = v2;
    t[6] = 0.5 * (5 * u * u - 3) * u;
    t[7] = u2 * v;
    t[8] = u * v2;
    t[9] = 0.5 * (5 * v * v - 3) * v;
}

/* ---- a look ---- */

typedef struct cell {
    int i, j;         /* which of the grid */
    double ratio;     /* ln light of this frame over the other's, luma */
    double colour[3]; /* the same of R, G, B less that of luma */
    double weight;    /* by grain and motion */
    double left;      /* of the ratio, off the surface */
    double say;       /* weight over the spread of what is left around */
    double term[RW_FLICKER_TERMS];
} cell;

/* The cells of a look that have something to compare. */
typedef struct cell_grid {
    int cols, rows, count;
    cell *cell;
    double *room;   /* a number for each */
    double *number; /* summed area of how many there are, and of their squares left */
    double *squares;
} cell_grid;

static double sample(const rw_frame *f, int c, double x, double y)
{
    x = CLAMP(x, 0.0, f->width - 1.001);
    y = CLAMP(y, 0.0, f->height - 1.001);
    const int i = (int)x, j = (int)y;
    const double fx = x - i, fy = y - j;
    const float *p = f->plane[f->plane[c] ? c : 0] + j * f->stride + i;
    return (1 - fy) * ((1 - fx) * (double)p[0] + fx * (double)p[1]) +
           fy * ((1 - fx) * (double)p[f->stride] + fx * (double)p[f->stride + 1]);
}

/* False where there is nothing to compare. */
static bool compare_cell(cell *out, const rw_frame *now, const rw_frame *was,
                         const rw_motion_field *field, int ci, int cj)
{
    const int x0 = ci * CELL, y0 = cj * CELL;
    const ptrdiff_t o = cj * field->stride + ci;
    const double dx = (double)field->dx[o], dy = (double)field->dy[o];
    if (x0 + dx < 0 || y0 + dy < 0 || x0 + CELL + dx > was->width || y0 + CELL + dy > was->height)
        return false;
    double a[4] = {0}, b[4] = {0};
    for (int y = 0; y < CELL; y++)
        for (int x = 0; x < CELL; x++)
            for (int c = 0; c < 3; c++) {
                const float *p = now->plane[now->plane[c] ? c : 0];
                const double va = (double)p[(y0 + y) * now->stride + x0 + x];
                const double vb = sample(was, c, x0 + x + dx, y0 + y + dy);
                if (va > BRIGHT || vb > BRIGHT)
                    return false;
                a[c] += va / (CELL * CELL);
                b[c] += vb / (CELL * CELL);
            }
    a[3] = 0.25 * a[0] + 0.5 * a[1] + 0.25 * a[2];
    b[3] = 0.25 * b[0] + 0.5 * b[1] + 0.25 * b[2];
    if (a[3] < DARK || b[3] < DARK)
        return false;
    out->i = ci;
    out->j = cj;
    out->ratio = log(a[3] / b[3]);
    for (int c = 0; c < 3; c++)
        out->colour[c] = log(fmax(a[c], 0.1 * DARK) / fmax(b[c], 0.1 * DARK)) - out->ratio;
    rw_flicker_terms(2.0 * (x0 + 0.5 * CELL) / now->width - 1.0,
                     2.0 * (y0 + 0.5 * CELL) / now->height - 1.0, out->term);
    /* grain weighs more in the dark; an untrusted vector weighs little */
    out->weight = (0.05 + (double)field->trust[o]) * a[3] / (a[3] + 0.03);
    return true;
}

static double median(double *v, size_t n)
{
    return n ? rw_select_double(v, (int)n, (int)n / 2) : 0.0;
}

/* Solves a x = b of size n in place by elimination; a is symmetric and positive. */
static void solve(double *a, double *b, int n)
{
    for (int c = 0; c < n; c++)
        for (int r = c + 1; r < n; r++) {
            const double f = a[r * n + c] / a[c * n + c];
            for (int k = c; k < n; k++)
                a[r * n + k] -= f * a[c * n + k];
            b[r] -= f * b[c];
        }
    for (int c = n - 1; c >= 0; c--) {
        for (int k = c + 1; k < n; k++)
            b[c] -= a[c * n + k] * b[k];
        b[c] /= a[c * n + c];
    }
}

static double surface_at(const double *coef, const cell *p)
{
    double s = 0.0;
    for (int i = 0; i < RW_FLICKER_TERMS; i++)
        s += coef[i] * p->term[i];
    return s;
}

/* What the surface leaves of each cell. Returns its robust standard deviation. */
static double take_surface(cell_grid *g, const double *coef)
{
    for (int i = 0; i < g->count; i++) {
        cell *p = &g->cell[i];
        p->left = p->ratio - surface_at(coef, p);
        g->room[i] = fabs(p->left);
    }
    return fmax(1.4826 * median(g->room, (size_t)g->count), 1e-5);
}

/* Each place of the table, which holds what is at cell (i, j) at (i + 1, j + 1), becomes the sum of
 * all above and left of it. */
static void sum_area(double *table, const cell_grid *g)
{
    const int stride = g->cols + 1;
    for (int j = 1; j <= g->rows; j++) {
        double row = 0.0;
        for (int i = 1; i <= g->cols; i++) {
            row += table[j * stride + i];
            table[j * stride + i] = row + table[(j - 1) * stride + i];
        }
    }
}

static double sum_around(const double *table, const cell_grid *g, const cell *p)
{
    const int stride = g->cols + 1;
    const int x0 = MAX(p->i - AROUND, 0), x1 = MIN(p->i + AROUND + 1, g->cols);
    const int y0 = MAX(p->j - AROUND, 0), y1 = MIN(p->j + AROUND + 1, g->rows);
    return table[y1 * stride + x1] - table[y0 * stride + x1] - table[y1 * stride + x0] +
           table[y0 * stride + x0];
}

static size_t table_bytes(const cell_grid *g)
{
    return (size_t)(g->cols + 1) * (size_t)(g->rows + 1) * sizeof(double);
}

static void count_cells(cell_grid *g)
{
    memset(g->number, 0, table_bytes(g));
    for (int i = 0; i < g->count; i++)
        g->number[(g->cell[i].j + 1) * (g->cols + 1) + g->cell[i].i + 1] = 1.0;
    sum_area(g->number, g);
}

/* Where things turn, shine or pass before each other, light changes from place to place; where
 * nothing does, neighbours agree. Those have more say, as much more as their variance is smaller;
 * all together have as much as before. */
static void weigh_places(cell_grid *g, double sd)
{
    memset(g->squares, 0, table_bytes(g));
    for (int i = 0; i < g->count; i++) {
        const cell *p = &g->cell[i];
        const double e = fmin(fabs(p->left), 6.0 * sd);
        g->squares[(p->j + 1) * (g->cols + 1) + p->i + 1] = e * e;
    }
    sum_area(g->squares, g);
    double before = 0.0, after = 0.0;
    for (int i = 0; i < g->count; i++) {
        cell *p = &g->cell[i];
        const double spread = fmax(sum_around(g->squares, g, p), 0.0);
        p->say = p->weight / (spread / sum_around(g->number, g, p) + 0.05 * sd * sd);
        before += p->weight;
        after += p->say;
    }
    for (int i = 0; i < g->count; i++)
        g->cell[i].say *= before / after;
}

/* One round of Tukey's biweight, c = 4.685 robust standard deviations. Returns the share of the
 * cells' say that it took. */
static double fit_round(double coef[RW_FLICKER_TERMS], const cell_grid *g, double sd)
{
    enum { N = RW_FLICKER_TERMS };
    double a[N * N] = {0}, weight = 0.0, total = 0.0;
    memset(coef, 0, N * sizeof *coef);
    for (int i = 0; i < g->count; i++) {
        const cell *p = &g->cell[i];
        const double e = p->left / (4.685 * sd);
        total += p->say;
        if (fabs(e) >= 1.0)
            continue;
        const double w = p->say * (1 - e * e) * (1 - e * e);
        for (int r = 0; r < N; r++) {
            for (int k = r; k < N; k++)
                a[r * N + k] += w * p->term[r] * p->term[k];
            coef[r] += w * p->term[r] * p->ratio;
        }
        weight += w;
    }
    for (int r = 0; r < N; r++)
        for (int k = 0; k < r; k++)
            a[r * N + k] = a[k * N + r];
    /* unevenness is small: without evidence the surface stays flat */
    static const double prior[N] = {1e-6, 0.3, 0.3, 0.3, 0.3, 0.3, 3, 3, 3, 3};
    for (int r = 0; r < N; r++)
        a[r * N + r] += prior[r] * sd * sd / (0.02 * 0.02) * 4.0 + 1e-9;
    solve(a, coef, N);
    return total > 0.0 ? weight / total : 0.0;
}

/* Returns the robust standard deviation of what is left. */
static double fit_surface(double coef[RW_FLICKER_TERMS], cell_grid *g, double *share)
{
    memset(coef, 0, RW_FLICKER_TERMS * sizeof *coef);
    for (int i = 0; i < g->count; i++) {
        g->room[i] = g->cell[i].ratio;
        g->cell[i].say = g->cell[i].weight;
    }
    coef[0] = median(g->room, (size_t)g->count);
    count_cells(g);
    double sd = 0.0;
    for (int round = 0; round < 5; round++) {
        sd = take_surface(g, coef);
        if (round > 0) /* a flat surface says nothing of places yet */
            weigh_places(g, sd);
        *share = fit_round(coef, g, sd);
    }
    return sd;
}

static void measure_pair(rw_flicker_look *look, int k, const rw_frame *now, const rw_frame *was,
                         const rw_motion_field *field)
{
    cell_grid g = {.cols = now->width / CELL, .rows = now->height / CELL};
    const int all = g.cols * g.rows;
    g.cell = g_new(cell, all);
    g.room = g_new(double, all);
    g.number = g_malloc(table_bytes(&g));
    g.squares = g_malloc(table_bytes(&g));
    for (int j = 0; j < g.rows; j++)
        for (int i = 0; i < g.cols; i++)
            if (compare_cell(&g.cell[g.count], now, was, field, i, j))
                g.count++;
    if (g.count >= 40) {
        double coef[RW_FLICKER_TERMS], share;
        look->error[k] = (float)fit_surface(coef, &g, &share);
        look->weight[k] = (float)(share * g.count / all);
        for (int i = 0; i < RW_FLICKER_TERMS; i++)
            look->surface[k][i] = (float)coef[i];
        for (int c = 0; c < 3; c++) {
            int n = 0;
            for (int i = 0; i < g.count; i++)
                if (fabs(g.cell[i].ratio - surface_at(coef, &g.cell[i])) <
                    3.0 * (double)look->error[k])
                    g.room[n++] = g.cell[i].colour[c];
            look->colour[k][c] = (float)median(g.room, (size_t)n);
        }
    }
    g_free(g.cell);
    g_free(g.room);
    g_free(g.number);
    g_free(g.squares);
}

bool rw_flicker_measure(rw_flicker_look *look, rw_pool *pool, const rw_frame *now,
                        const rw_frame *const before[RW_FLICKER_BACK], GError **error)
{
    memset(look, 0, sizeof *look);
    look->version = LOOK_VERSION;
    rw_motion_picture own, other;
    if (!rw_motion_picture_init(&own, pool, now, error))
        return false;
    bool ok = true;
    for (int k = 0; ok && k < RW_FLICKER_BACK; k++) {
        if (!before[k])
            continue;
        rw_motion_field there, back;
        ok = rw_motion_picture_init(&other, pool, before[k], error);
        if (!ok)
            break;
        ok = rw_motion_pair_estimate(&there, &back, pool, &own, &other, NULL, NULL, 0, error);
        if (ok) {
            measure_pair(look, k, now, before[k], &there);
            rw_motion_field_clear(&there);
            rw_motion_field_clear(&back);
        }
        rw_motion_picture_clear(&other);
    }
    rw_motion_picture_clear(&own);
    return ok;
}

/* ---- the course of a scene ---- */

/* One value per look from the steps to it: least squares over all steps, by elimination along the
 * band. term < RW_FLICKER_TERMS: of the surface; else of the colour. */
static double step_of(const rw_flicker_look *l, int k, int term)
{
    return (double)(term < RW_FLICKER_TERMS ? l->surface[k][term]
                                            : l->colour[k][term - RW_FLICKER_TERMS]);
}

static void follow(double *course, const rw_flicker_look *const *looks, const int64_t *n,
                   size_t count, int term)
{
    /* normal equations with a band of two beside the diagonal */
    double *d = g_new0(double, 4 * count), *e1 = d + count, *e2 = d + 2 * count, *b = d + 3 * count;
    for (size_t i = 0; i < count; i++) {
        d[i] += 1e-7; /* where nothing ties two stretches together both lie at 0 */
        for (size_t k = 0; k < RW_FLICKER_BACK; k++) {
            if (k + 1 > i || n[i] - n[i - k - 1] > (int64_t)k + 3 || looks[i]->weight[k] <= 0.0f)
                continue;
            const double sd = (double)looks[i]->error[k] + 0.002;
            const double w = (double)looks[i]->weight[k] / (sd * sd) * 1e-4;
            const double r = step_of(looks[i], (int)k, term);
            d[i] += w;
            d[i - k - 1] += w;
            (k ? e2 : e1)[i - k - 1] -= w; /* e1[i]: between i and i + 1 */
            b[i] += w * r;
            b[i - k - 1] -= w * r;
        }
    }
    for (size_t i = 0; i + 1 < count; i++) {
        const double f1 = e1[i] / d[i], f2 = i + 2 < count ? e2[i] / d[i] : 0.0;
        d[i + 1] -= f1 * e1[i];
        b[i + 1] -= f1 * b[i];
        if (i + 2 < count) {
            e1[i + 1] -= f1 * e2[i];
            d[i + 2] -= f2 * e2[i];
            b[i + 2] -= f2 * b[i];
        }
    }
    for (size_t i = count; i-- > 0;) {
        double v = b[i];
        if (i + 1 < count)
            v -= e1[i] * course[i + 1];
        if (i + 2 < count)
            v -= e2[i] * course[i + 2];
        course[i] = v / d[i];
    }
    g_free(d);
}

/* The line s that minimises sum w (y - s)^2 + lambda sum p (second difference of s)^2. Returns the
 * log determinant of the system, and of its inverse the trace times w in *freedom. */
static double smooth_line(double *s, const double *y, const double *w, const double *p,
                          size_t count, double lambda)
{
    double *d = g_new0(double, 3 * count), *e1 = d + count, *e2 = d + 2 * count, log_det = 0.0;
    for (size_t i = 0; i < count; i++) {
        d[i] = w[i] + 1e-9;
        s[i] = w[i] * y[i];
    }
    for (size_t i = 0; i + 2 < count; i++) {
        const double q = lambda * p[i];
        d[i] += q;
        d[i + 1] += 4 * q;
        d[i + 2] += q;
        e1[i] -= 2 * q;
        e1[i + 1] -= 2 * q;
        e2[i] += q;
    }
    for (size_t i = 0; i < count; i++) {
        log_det += log(d[i]);
        if (i + 1 < count) {
            const double f = e1[i] / d[i];
            d[i + 1] -= f * e1[i];
            s[i + 1] -= f * s[i];
            if (i + 2 < count) {
                e1[i + 1] -= f * e2[i];
                const double g = e2[i] / d[i];
                d[i + 2] -= g * e2[i];
                s[i + 2] -= g * s[i];
            }
        }
    }
    for (size_t i = count; i-- > 0;) {
        double v = s[i];
        if (i + 1 < count)
            v -= e1[i] * s[i + 1];
        if (i + 2 < count)
            v -= e2[i] * s[i + 2];
        s[i] = v / d[i];
    }
    g_free(d);
    return log_det;
}

/* Minus twice the restricted log likelihood of lambda, up to a constant. */
static double unlikelihood(const double *y, const double *w, const double *p, size_t count,
                           double lambda, double *s)
{
    const double log_det = smooth_line(s, y, w, p, count, lambda);
    double misfit = 0.0, rough = 0.0;
    for (size_t i = 0; i < count; i++)
        misfit += w[i] * (y[i] - s[i]) * (y[i] - s[i]);
    for (size_t i = 0; i + 2 < count; i++) {
        const double c = s[i] - 2 * s[i + 1] + s[i + 2];
        rough += p[i] * c * c;
    }
    const double free = (double)count - 2.0;
    return free * log(misfit + lambda * rough + 1e-14) + log_det - free * log(lambda);
}

static double robust_rms(const double *v, size_t count, double *room)
{
    for (size_t i = 0; i < count; i++)
        room[i] = fabs(v[i]);
    return 1.4826 * median(room, count);
}

void rw_flicker_detrend(double *course, const double *errors, size_t count)
{
    double *s = g_new(double, 5 * count + 5), *w = s + count, *p = w + count, *e = p + count;
    double *room = e + count;
    if (count < 4) { /* too short to tell flicker from the scene: draw all to their middle */
        double mean = 0.0;
        for (size_t i = 0; i < count; i++)
            mean += course[i] / (double)count;
        for (size_t i = 0; i < count; i++)
            course[i] -= mean;
        g_free(s);
        return;
    }
    for (size_t i = 0; i < count; i++) {
        w[i] = 1.0;
        p[i] = 1.0;
    }
    (void)errors;
    for (int round = 0; round < 5; round++) {
        double best = INFINITY, lambda = 1.0;
        for (double l = -1.0; l <= 8.01; l += 0.5) {
            const double u = unlikelihood(course, w, p, count, pow(10.0, l), s);
            if (u < best) {
                best = u;
                lambda = pow(10.0, l);
            }
        }
        smooth_line(s, course, w, p, count, lambda);
        for (size_t i = 0; i < count; i++)
            e[i] = course[i] - s[i];
        /* a flash is neither flicker nor the line */
        const double sd = robust_rms(e, count, room) + 1e-4;
        for (size_t i = 0; i < count; i++) {
            const double z = e[i] / (6.0 * sd);
            w[i] = fabs(z) < 1.0 ? (1 - z * z) * (1 - z * z) + 1e-3 : 1e-3;
        }
        /* bends much sharper than the others are bends for good */
        for (size_t i = 0; i + 2 < count; i++)
            e[i] = s[i] - 2 * s[i + 1] + s[i + 2];
        const double bend = robust_rms(e, count - 2, room) + 1e-5;
        for (size_t i = 0; i + 2 < count; i++)
            p[i] = 1.0 / (1.0 + (e[i] / (3.0 * bend)) * (e[i] / (3.0 * bend)));
    }
    for (size_t i = 0; i < count; i++)
        course[i] -= s[i];
    g_free(s);
}

/* Flicker larger than this is something that happened before the camera: ln light. */
#define LARGEST 0.35

static double limited(double v, double most)
{
    const double a = fabs(v);
    if (a <= most)
        return v;
    return a >= 2.0 * most ? 0.0 : v * (2.0 - a / most); /* lets go, does not clip */
}

/* The lamp's own flicker, where the perforation shows it: what is fast in the clear light is no
 * doing of the scene and comes off whole. What is slow in it is the lamp's drift, which the stage
 * "colour" takes out, and stays. Only when the two flicker alike does the clear light tell of the
 * picture's. Takes the lamp's part from the course; false: it tells nothing. */
static bool take_lamp(double *lamp, double *course, const double *light, size_t count)
{
    double *own = g_new(double, count), fast = 0.0, both = 0.0, all = 0.0;
    size_t known = 0;
    for (size_t i = 0; i < count; i++)
        known += isfinite(light[i]) && light[i] > 0.0;
    bool tells = count >= 4 && known * 10 >= count * 9;
    double last = 0.0;
    for (size_t i = count; tells && i-- > 0;)
        last = isfinite(light[i]) && light[i] > 0.0 ? log(light[i]) : last;
    for (size_t i = 0; tells && i < count; i++) /* where it is unknown as before */
        lamp[i] = last = isfinite(light[i]) && light[i] > 0.0 ? log(light[i]) : last;
    if (tells) {
        memcpy(own, course, count * sizeof *own);
        rw_flicker_detrend(lamp, NULL, count);
        rw_flicker_detrend(own, NULL, count);
        for (size_t i = 0; i < count; i++) {
            if (!(isfinite(light[i]) && light[i] > 0.0))
                lamp[i] = own[i];
            fast += lamp[i] * lamp[i];
            both += lamp[i] * own[i];
            all += own[i] * own[i];
        }
        /* the picture has to follow the lamp one to one, beyond doubt, whatever else it does */
        const double slope = both / (fast + 1e-12);
        const double unsure =
            sqrt(fmax(all - slope * both, 0.0) / ((double)count - 2.0) / (fast + 1e-12));
        tells = slope > 2.5 * unsure && fabs(slope - 1.0) < fmax(0.3, 2.5 * unsure);
    }
    for (size_t i = 0; tells && i < count; i++)
        course[i] -= lamp[i];
    g_free(own);
    return tells;
}

void rw_flicker_solve(const rw_flicker_look *const *looks, const int64_t *n, const double *light,
                      size_t count, double strength, rw_flicker_fact *facts)
{
    double *course = g_new(double, 2 * count), *lamp = course + count;
    for (size_t i = 0; i < count; i++)
        facts[i] = (rw_flicker_fact){.n = n[i]};
    for (int term = 0; term < RW_FLICKER_TERMS + 3; term++) {
        follow(course, looks, n, count, term);
        const bool by_lamp = term == 0 && light && take_lamp(lamp, course, light, count);
        rw_flicker_detrend(course, NULL, count);
        for (size_t i = 0; by_lamp && i < count; i++)
            course[i] += lamp[i];
        const double most = term == 0 ? LARGEST : term < RW_FLICKER_TERMS ? 0.15 : 0.06;
        for (size_t i = 0; i < count; i++) {
            const float v = (float)(strength * limited(course[i], most));
            if (term < RW_FLICKER_TERMS)
                facts[i].surface[term] = v;
            else
                facts[i].colour[term - RW_FLICKER_TERMS] = v;
        }
    }
    g_free(course);
}

/* ---- taking it out ---- */

#define KNOT 16 /* px between the places where a row's gain is worked out */

/* Where the camera's middle lies in the frame, and what a pixel's squared distance from it gives.
 */
typedef struct lens_field {
    double x, y;
    double gain; /* ln per squared pixel */
} lens_field;

static lens_field field_of(const rw_frame *f, const rw_falloff *falloff)
{
    if (!falloff || falloff->stops == 0)
        return (lens_field){0, 0, 0};
    double scale = fabs(rw_affine_determinant(f->still_to_frame));
    double corner = (double)falloff->width * falloff->width +
                    (double)falloff->height * falloff->height; /* four times its square */
    rw_point middle =
        rw_affine_apply(f->still_to_frame, (falloff->width - 1) / 2.0, (falloff->height - 1) / 2.0);
    return (lens_field){middle.x, middle.y, (double)falloff->stops * G_LN2 / (scale * corner / 4)};
}

/* The gain along a row at x = 0, KNOT, 2 KNOT ... */
static void gain_knots(float *gain, int count, int y, const rw_frame *f, const lens_field *field,
                       const rw_flicker_fact *fact)
{
    const double v = 2.0 * (y + 0.5) / f->height - 1.0;
    for (int k = 0; k < count; k++) {
        double t[RW_FLICKER_TERMS], s = 0.0;
        rw_flicker_terms(2.0 * (KNOT * k + 0.5) / f->width - 1.0, v, t);
        for (int i = 0; fact && i < RW_FLICKER_TERMS; i++)
            s += (double)fact->surface[i] * t[i];
        const double dx = KNOT * k - field->x, dy = y - field->y;
        gain[k] = (float)exp(field->gain * (dx * dx + dy * dy) - s);
    }
}

void rw_flicker_apply(rw_frame *out, const rw_frame *in, const rw_flicker_fact *fact,
                      const rw_falloff *falloff)
{
    const lens_field field = field_of(in, falloff);
    const int width = in->width, height = in->height, knots = width / KNOT + 2;
    float *knot = g_new(float, knots + width), *gain = knot + knots;
    float colour[3];
    for (int p = 0; p < 3; p++)
        colour[p] = fact ? (float)exp(-(double)fact->colour[p]) : 1.0f;
    const float bright = (float)BRIGHT, slope = (float)(1.0 / (1.0 - BRIGHT));
    for (int y = 0; y < height; y++) {
        gain_knots(knot, knots, y, in, &field, fact);
        for (int x = 0; x < width; x++) {
            const int k = x / KNOT;
            gain[x] = knot[k] + (float)(x % KNOT) * (1.0f / KNOT) * (knot[k + 1] - knot[k]);
        }
        for (int p = 0; p < 3 && in->plane[p]; p++) {
            const float *from = in->plane[p] + y * in->stride;
            float *to = out->plane[p] + y * out->stride;
            for (int x = 0; x < width; x++) {
                float full = (from[x] - bright) * slope;
                full = full > 0.0f ? (full < 1.0f ? full : 1.0f) : 0.0f;
                to[x] = from[x] * (1.0f + (gain[x] * colour[p] - 1.0f) * (1.0f - full));
            }
        }
    }
    g_free(knot);
}

/* ---- the stage ---- */

typedef struct flicker_params {
    double strength;
    bool lamp, falloff;
} flicker_params;

static const rw_param rows[] = {
    RW_PARAM_NUMBER_ROW(flicker_params, strength, "Strength", "", 0, 1, 1,
                        "How much of the flicker is taken out."),
    RW_PARAM_SWITCH_ROW(flicker_params, lamp, "Clear light", true,
                        "Whether the light seen through the perforation helps where it shows."),
    RW_PARAM_SWITCH_ROW(flicker_params, falloff, "Lens fall-off", true,
                        "What the lens loses towards the corners, as the clear light in the "
                        "perforations tells it."),
    RW_PARAM_END};

static bool idle(const void *params)
{
    const flicker_params *p = params;
    return p->strength == 0 && !p->falloff;
}

static bool observe(const rw_stage_run *run, const rw_window *window, void *observation,
                    GError **error)
{
    const rw_frame *before[RW_FLICKER_BACK];
    for (int k = 0; k < RW_FLICKER_BACK; k++)
        before[k] = rw_window_at(window, -1 - k);
    return rw_flicker_measure(observation, run->pool, rw_window_at(window, 0), before, error);
}

#define CLIPPED 0.2 /* of the clear light: it tells nothing then */

static bool prepare(const rw_stage_scene *scene, const void *params, const int64_t *n,
                    const void *const *observations, size_t count, GByteArray *facts,
                    GError **error)
{
    (void)error;
    const flicker_params *p = params;
    const rw_flicker_look **looks = g_new(const rw_flicker_look *, count);
    double *light = g_new(double, count);
    for (size_t i = 0; i < count; i++) {
        looks[i] = observations[i];
        const bool seen =
            p->lamp && scene->measure && !(scene->measure(scene, "clear.clipped", n[i]) > CLIPPED);
        light[i] = seen ? scene->measure(scene, "clear", n[i]) : NAN;
    }
    g_byte_array_set_size(facts, (guint)(count * sizeof(rw_flicker_fact)));
    rw_flicker_solve(looks, n, light, count, p->strength, (rw_flicker_fact *)(void *)facts->data);
    g_free(looks);
    g_free(light);
    return true;
}

static void *equip(const rw_stage_scene *scene, const void *params, GError **error)
{
    (void)error;
    const flicker_params *p = params;
    g_autoptr(GBytes) fact =
        p->falloff && scene->reel_fact ? scene->reel_fact(scene, "falloff") : NULL;
    gsize bytes = 0;
    const void *data = fact ? g_bytes_get_data(fact, &bytes) : NULL;
    const rw_falloff *falloff = rw_falloff_read(data, bytes);
    return falloff && falloff->stops != 0 ? g_memdup2(falloff, sizeof *falloff) : NULL;
}

static const rw_flicker_fact *fact_of(const rw_stage_run *run, int64_t n)
{
    const rw_flicker_fact *facts = run->facts;
    size_t low = 0, high = run->facts_bytes / sizeof *facts;
    while (low < high) {
        const size_t middle = (low + high) / 2;
        if (facts[middle].n == n)
            return &facts[middle];
        if (facts[middle].n < n)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

static bool frame(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error)
{
    const rw_frame *in = rw_window_at(window, 0);
    const rw_flicker_fact *fact = fact_of(run, in->n);
    const rw_falloff *falloff = run->equipment;
    if (!fact && !falloff) {
        rw_frame_share(out, in);
        return true;
    }
    if (!rw_frame_alloc(out, run->pool, in->width, in->height, in->plane[1] ? 3 : 1, error))
        return false;
    rw_flicker_apply(out, in, fact, falloff);
    for (int c = 0; fact && c < 3; c++)
        trace->gain[c] = exp(-(double)fact->surface[0] - (double)fact->colour[c]);
    return true;
}

const rw_stage rw_stage_flicker = {
    .name = "flicker",
    .title = "Flicker",
    .help = "Evens out light that changes from frame to frame, over the whole frame and across it, "
            "and leaves fades and lamps of the scene alone.",
    .version = 4,
    .by_default = true,
    .params = rows,
    .params_size = sizeof(flicker_params),
    .domain = RW_DOMAIN_LINEAR,
    .idle = idle,
    .observation_bytes = sizeof(rw_flicker_look),
    .observe_width = LOOK_WIDTH,
    .observe_reach = RW_FLICKER_BACK,
    .observe = observe,
    .prepare = prepare,
    .equip = equip,
    .unequip = g_free,
    .frame = frame,
};
