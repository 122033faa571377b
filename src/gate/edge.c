/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/edge.h"
#include "base/select.h"

#include <math.h>
#include <string.h>

#define TUKEY 4.685 /* 95 % efficient on normal noise */

/* ---- small statistics ---- */

double gate_median(double *v, int n)
{
    if (n <= 0)
        return 0;
    rw_select_double(v, n, n / 2);
    if (n & 1)
        return v[n / 2];
    double below = v[0];
    for (int i = 1; i < n / 2; i++)
        below = MAX(below, v[i]);
    return (below + v[n / 2]) / 2;
}

double gate_shortest_half(double *v, int n, double *spread)
{
    qsort(v, (size_t)n, sizeof *v, rw_compare_doubles);
    int half = n / 2;
    double best = INFINITY, middle = v[half];
    for (int i = 0; i + half < n; i++)
        if (v[i + half] - v[i] < best) {
            best = v[i + half] - v[i];
            middle = (v[i + half] + v[i]) / 2;
        }
    /* Half of a normal distribution lies within 0.6745 sd of its middle. */
    *spread = best / (2 * 0.6745);
    return middle;
}

/* ---- reading ---- */

static void reverse(float *v, int n)
{
    for (int i = 0; i < n / 2; i++) {
        float t = v[i];
        v[i] = v[n - 1 - i];
        v[n - 1 - i] = t;
    }
}

/* One run in row or column `line_no`. */
static bool read_run(const gate_view *view, const gate_line *l, bool down, int line_no, double in,
                     double out, double need, gate_run *run)
{
    double nm = down ? l->normal.y : l->normal.x, nt = down ? l->normal.x : l->normal.y;
    double at_m = down ? l->at.y : l->at.x, at_t = down ? l->at.x : l->at.y;
    double cross = at_m - nt * (line_no - at_t) / nm;
    double a = cross - in / nm, b = cross + out / nm; /* inner and outer end */
    int size = down ? view->pixels->height : view->pixels->width;
    int first = (int)MAX(0, ceil(MIN(a, b))), last = (int)MIN(size - 1, floor(MAX(a, b)));
    last = MIN(last, first + GATE_RUN_MAX - 1);
    if (last - first < 3)
        return false;
    run->n = last - first + 1;
    run->du = fabs(nm);
    run->u0 = nm > 0 ? nm * (first - cross) : nm * (last - cross);
    double end = run->u0 + (run->n - 1) * run->du;
    if (run->u0 > -MIN(need, in) + 1 || end < MIN(need, out) - 1)
        return false;
    double dm = cross - at_m, dt = line_no - at_t;
    run->along = down ? -l->normal.y * dt + l->normal.x * dm : -l->normal.y * dm + l->normal.x * dt;
    gate_read_run(view, down ? line_no : first, down ? first : line_no, down, run->n, run->v);
    if (nm < 0)
        reverse(run->v, run->n);
    return true;
}

int gate_read_runs(const gate_view *view, gate_line line, double t0, double t1, double in,
                   double out, double need, int max, gate_run *runs)
{
    bool down = fabs(line.normal.y) > fabs(line.normal.x);
    rw_point tangent = {-line.normal.y, line.normal.x};
    double at = down ? line.at.x : line.at.y, per = down ? tangent.x : tangent.y;
    double a = at + per * t0, b = at + per * t1;
    int size = down ? view->pixels->width : view->pixels->height;
    int first = (int)CLAMP(ceil(MIN(a, b)), 0, size),
        last = (int)CLAMP(floor(MAX(a, b)), -1, size - 1);
    int step = MAX(1, (last - first + max) / max), n = 0;
    for (int i = first; i <= last && n < max; i += step)
        n += read_run(view, &line, down, i, in, out, need, &runs[n]);
    return n;
}

/* Where the run passes half-way near a step between samples i - 1 and i; the levels come from the
 * outer halves of m samples on either side. */
static double half_way(const gate_run *run, int i, int m)
{
    int part = MAX(1, m / 2);
    double hi = 0, lo = 0;
    for (int k = 0; k < part; k++) {
        hi += (double)run->v[i - m + k] / part;
        lo += (double)run->v[i + m - 1 - k] / part;
    }
    double half = (hi + lo) / 2;
    for (int k = 0; k < 2 * m - 1; k++) { /* i - 1, i, i - 2, i + 1 ... */
        int j = i - 1 + (k & 1 ? (k + 1) / 2 : -k / 2);
        if (j < 0 || j + 1 >= run->n || run->v[j] < half || run->v[j + 1] >= half)
            continue;
        return run->u0 + (j + (run->v[j] - half) / (run->v[j] - run->v[j + 1])) * run->du;
    }
    return run->u0 + (i - 0.5) * run->du;
}

double gate_run_step(const gate_run *run, int width, double *fall)
{
    double in = 0, out = 0, best = -INFINITY;
    int m = MAX(1, MIN(width, run->n / 2)), place = m;
    for (int i = 0; i < m; i++) {
        in += run->v[i];
        out += run->v[i + m];
    }
    for (int i = m;; i++) { /* the step lies between samples i - 1 and i */
        if (in - out > best) {
            best = in - out;
            place = i;
        }
        if (i + m >= run->n)
            break;
        in += run->v[i] - run->v[i - m];
        out += run->v[i + m] - run->v[i];
    }
    *fall = best / m;
    return half_way(run, place, m);
}

/* ---- profiles ---- */

/* Solves the n x n system in place by elimination with pivots; false when it is singular. */
static bool solve(double a[4][5], int n)
{
    for (int i = 0; i < n; i++) {
        int pivot = i;
        for (int j = i + 1; j < n; j++)
            if (fabs(a[j][i]) > fabs(a[pivot][i]))
                pivot = j;
        if (!(fabs(a[pivot][i]) > 1e-14))
            return false;
        for (int k = 0; k <= n; k++) {
            double t = a[i][k];
            a[i][k] = a[pivot][k];
            a[pivot][k] = t;
        }
        for (int j = 0; j < n; j++) {
            double f = j == i ? 0 : a[j][i] / a[i][i];
            for (int k = i; f != 0 && k <= n; k++)
                a[j][k] -= f * a[i][k];
        }
    }
    for (int i = 0; i < n; i++)
        a[i][n] /= a[i][i];
    return true;
}

enum { BIN_PER_PX = 2, BINS = 2 * GATE_RUN_MAX * BIN_PER_PX, PER_BIN = 96 };

typedef struct curve {
    int n;
    double u[BINS], v[BINS], weight[BINS];
} curve;

static double profile_at(const gate_profile *p, double u)
{
    return p->dark + p->fall * 0.5 * erfc((u - p->place) / (p->sigma * G_SQRT2));
}

/* The median value in each bin of distance: what most runs agree on. With a first profile it is the
 * median of what the samples differ from it, so that a bin's width does no harm. */
static void median_curve(const gate_run *runs, int n, double reach_in, double reach_out,
                         const gate_profile *first, curve *c)
{
    int bins = MIN(BINS, (int)((reach_in + reach_out) * BIN_PER_PX) + 1);
    int step = MAX(1, n * 2 / PER_BIN / BIN_PER_PX); /* enough for a median */
    double value[PER_BIN];
    c->n = 0;
    for (int b = 0; b < bins; b++) {
        double lo = -reach_in + (double)b / BIN_PER_PX, hi = lo + 1.0 / BIN_PER_PX, where = 0;
        int count = 0;
        for (int r = 0; r < n && count < PER_BIN; r += step) {
            int i = (int)ceil((lo - runs[r].u0) / runs[r].du);
            double u = runs[r].u0 + i * runs[r].du;
            if (i < 0 || i >= runs[r].n || u >= hi)
                continue;
            value[count++] = runs[r].v[i] - (first ? profile_at(first, u) : 0);
            where += u;
        }
        if (count < 5)
            continue;
        c->u[c->n] = where / count;
        c->v[c->n] = gate_median(value, count) + (first ? profile_at(first, where / count) : 0);
        c->weight[c->n++] = sqrt(count);
    }
}

/* full: the level at which light is cut off. */
static double profile_misfit(const curve *c, const gate_profile *p, double full)
{
    double sum = 0;
    for (int i = 0; i < c->n; i++) {
        double e = c->v[i] - MIN(full, profile_at(p, c->u[i]));
        sum += c->weight[i] * e * e;
    }
    return sum;
}

/* One damped step of Gauss and Newton towards a better profile; hold: the fall stays. */
static bool profile_step(const curve *c, double full, bool hold, double damp, gate_profile *p)
{
    double a[4][5] = {{0}};
    for (int i = 0; i < c->n; i++) {
        double x = (c->u[i] - p->place) / p->sigma, g = 0.5 * erfc(x / G_SQRT2);
        double slope = p->fall * exp(-x * x / 2) / (sqrt(2 * G_PI) * p->sigma);
        if (p->dark + p->fall * g >= full)
            continue;
        double row[4] = {1, hold ? 0 : g, slope, slope * x}, e = c->v[i] - p->dark - p->fall * g;
        for (int j = 0; j < 4; j++) {
            for (int k = 0; k < 4; k++)
                a[j][k] += c->weight[i] * row[j] * row[k];
            a[j][4] += c->weight[i] * row[j] * e;
        }
    }
    if (hold)
        a[1][1] = 1;
    for (int j = 0; j < 4; j++)
        a[j][j] *= 1 + damp;
    if (!solve(a, 4))
        return false;
    p->dark += a[0][4];
    p->fall += a[1][4];
    p->place += a[2][4];
    p->sigma = CLAMP(p->sigma + a[3][4], p->sigma / 2, p->sigma * 2);
    return p->sigma > 0.05 && p->sigma < 200 && isfinite(p->place);
}

/* A start from the curve's ends and where it passes half-way. */
static bool profile_start(const curve *c, gate_profile *p)
{
    int third = c->n / 3;
    double hi = 0, lo = INFINITY;
    for (int i = 0; i < third; i++)
        hi = MAX(hi, c->v[i]);
    for (int i = third; i < c->n; i++)
        lo = MIN(lo, c->v[i]);
    int q[3] = {-1, -1, -1};
    for (int i = 0; i < c->n; i++)
        for (int k = 0; k < 3; k++)
            if (q[k] < 0 && c->v[i] < hi - (hi - lo) * (k + 1) / 4)
                q[k] = i;
    if (!(hi - lo > 1e-4) || q[2] < 0)
        return false;
    *p = (gate_profile){lo, hi - lo, c->u[q[1]], 0, 0};
    /* The quartiles of a normal edge lie 1.349 sigma apart. */
    p->sigma = CLAMP((c->u[q[2]] - c->u[q[0]]) / 1.349, 0.3, 50);
    return true;
}

/* Least squares with damping; leaves rms in the profile. */
static void fit_curve(const curve *c, double full, bool hold, gate_profile *p)
{
    double misfit = profile_misfit(c, p, full), damp = 1e-3, weight = 0;
    for (int i = 0; i < 60 && damp < 1e8; i++) {
        gate_profile t = *p;
        double m = profile_step(c, full, hold, damp, &t) ? profile_misfit(c, &t, full) : INFINITY;
        if (m < misfit) {
            bool done = misfit - m < 1e-7 * misfit;
            misfit = m;
            *p = t;
            damp /= 5;
            if (done)
                break;
        } else
            damp *= 8;
    }
    for (int i = 0; i < c->n; i++)
        weight += c->weight[i];
    p->rms = sqrt(misfit / MAX(weight, 1e-9));
}

bool gate_fit_profile(const gate_run *runs, int n, double reach_in, double reach_out,
                      gate_profile *profile)
{
    curve c;
    gate_profile p;
    median_curve(runs, n, reach_in, reach_out, NULL, &c);
    if (c.n < 6 || !profile_start(&c, &p))
        return false;
    fit_curve(&c, INFINITY, false, &p);
    median_curve(runs, n, reach_in, reach_out, &p, &c);
    fit_curve(&c, INFINITY, false, &p);
    *profile = p;
    return p.fall > 0 && p.place > -reach_in && p.place < reach_out &&
           p.sigma < reach_in + reach_out;
}

#define TAILS        0.015 /* by how much a blur's tails differ from the normal ones', of full scale */
#define USUAL_EXCESS 0.4 /* sd of the logarithm of how far clear light goes beyond full scale */

bool gate_fit_clipped(const gate_run *runs, int n, double reach_in, double reach_out,
                      gate_profile *profile, double *sd)
{
    enum { LEVELS = 24 };
    curve c;
    gate_profile p;
    if (!gate_fit_profile(runs, n, reach_in, reach_out, &p))
        return false;
    median_curve(runs, n, reach_in, reach_out, &p, &c);
    double weight = 0, sum = 0, sum_square = 0, best = INFINITY, cost[LEVELS], place[LEVELS];
    for (int k = 0; k < LEVELS; k++) { /* 1 to 3 times full scale */
        double excess = log(3) * k / (LEVELS - 1);
        p.fall = exp(excess) - p.dark;
        fit_curve(&c, 1, true, &p);
        /* One witness for each pixel across the edge, as uncertain as the tails. */
        cost[k] = p.rms * p.rms * c.n / BIN_PER_PX / (TAILS * TAILS) +
                  excess * excess / (USUAL_EXCESS * USUAL_EXCESS);
        place[k] = p.place;
        if (cost[k] < best) {
            best = cost[k];
            *profile = p;
        }
    }
    for (int k = 0; k < LEVELS; k++) {
        double w = exp((best - cost[k]) / 2);
        weight += w;
        sum += w * place[k];
        sum_square += w * place[k] * place[k];
    }
    profile->place = sum / weight;
    *sd = sqrt(MAX(0, sum_square / weight - profile->place * profile->place));
    return true;
}

double gate_run_mean(const gate_run *run, double from, double to)
{
    int first = (int)MAX(0, ceil((from - run->u0) / run->du));
    int last = (int)MIN(run->n - 1, floor((to - run->u0) / run->du));
    double sum = 0;
    for (int i = first; i <= last; i++)
        sum += run->v[i];
    return last >= first ? sum / (last - first + 1) : NAN;
}

bool gate_run_place(const gate_run *run, const gate_profile *profile, double light, double dark,
                    double reach, double *place)
{
    double p = profile->place, half = run->du / 2, fall = light - dark;
    double end = run->u0 + (run->n - 1) * run->du + half, begin = run->u0 - half;
    for (int round = 0; round < 3; round++) {
        double from = MAX(p - reach, begin), to = MIN(p + reach, end), lit = 0;
        /* What one window's end lacks is taken from the other: tails then cancel. */
        reach = MIN(p - from, to - p);
        if (reach < 1.2)
            return false;
        from = p - reach;
        to = p + reach;
        int first = (int)MAX(0, floor((from - begin) / run->du));
        int last = (int)MIN(run->n - 1, floor((to - begin) / run->du));
        for (int i = first; i <= last; i++) {
            double u = run->u0 + i * run->du;
            double part = MIN(u + half, to) - MAX(u - half, from);
            lit += part * (run->v[i] - dark);
        }
        double next = from + lit / fall;
        if (!(fabs(next - profile->place) < reach))
            return false;
        p = next;
    }
    double misfit = 0;
    int n = 0;
    for (int i = 0; i < run->n; i++) {
        double u = run->u0 + i * run->du;
        if (fabs(u - p) > reach)
            continue;
        double e = run->v[i] - dark - fall * 0.5 * erfc((u - p) / (profile->sigma * G_SQRT2));
        misfit += e * e;
        n++;
    }
    *place = p;
    return n > 1 && sqrt(misfit / n) < 0.08 * fall + 2 * profile->rms;
}

/* ---- shapes ---- */

#define SHAPE_REACH (GATE_SHAPE_BINS / 2 / GATE_SHAPE_PER_PX)

void gate_shape_build(const gate_run *runs, int n, const double *place, const double *light,
                      const double *dark, const gate_profile *profile, gate_shape *shape)
{
    double count[GATE_SHAPE_BINS] = {0};
    gate_profile unit = {0, 1, 0, profile->sigma, 0};
    memset(shape->v, 0, sizeof shape->v);
    shape->sigma = profile->sigma;
    shape->rms = profile->rms / profile->fall;
    for (int r = 0; r < n; r++)
        for (int i = 0; i < runs[r].n; i++) {
            double u = runs[r].u0 + i * runs[r].du - place[r];
            double v = (runs[r].v[i] - dark[r]) / (light[r] - dark[r]),
                   e = v - profile_at(&unit, u);
            double at = (u + SHAPE_REACH) * GATE_SHAPE_PER_PX;
            int b = (int)floor(at + 0.5);
            /* Dirt and the like would be far off. */
            if (b < 0 || b >= GATE_SHAPE_BINS || fabs(e) > 0.25)
                continue;
            shape->v[b] += e;
            count[b]++;
        }
    /* What no run shows is taken from the nearest bins that some do. */
    int last = -1;
    for (int b = 0; b <= GATE_SHAPE_BINS; b++) {
        if (b < GATE_SHAPE_BINS && count[b] == 0)
            continue;
        if (b < GATE_SHAPE_BINS)
            shape->v[b] /= count[b];
        double left = last >= 0 ? shape->v[last] : b < GATE_SHAPE_BINS ? shape->v[b] : 0;
        double right = b < GATE_SHAPE_BINS ? shape->v[b] : left;
        for (int k = last + 1; k < b; k++)
            shape->v[k] = left + (right - left) * (k - last) / (b - last);
        last = b;
    }
    for (int b = 0; b < GATE_SHAPE_BINS; b++)
        shape->v[b] += profile_at(&unit, (double)b / GATE_SHAPE_PER_PX - SHAPE_REACH);
}

static double shape_at(const gate_shape *s, double u)
{
    double at = CLAMP((u + SHAPE_REACH) * GATE_SHAPE_PER_PX, 0, GATE_SHAPE_BINS - 1.001);
    int b = (int)at;
    return s->v[b] + (at - b) * (s->v[b + 1] - s->v[b]);
}

bool gate_run_match(const gate_run *run, const gate_shape *shape, double light, double start,
                    double in, double out, double *place)
{
    int first = (int)MAX(0, ceil((start - in - run->u0) / run->du));
    int last = (int)MIN(run->n - 1, floor((start + out - run->u0) / run->du));
    if (last - first < 3)
        return false;
    double p = start, dark = run->v[last], misfit = 0;
    for (int round = 0; round < 6; round++) {
        double a = 0, b = 0, c = 0, g = 0, h = 0;
        misfit = 0;
        for (int i = first; i <= last; i++) {
            double u = run->u0 + i * run->du - p, f = shape_at(shape, u);
            double slope = shape_at(shape, u - 0.4) - shape_at(shape, u + 0.4);
            double e = run->v[i] - dark - (light - dark) * f;
            double by_dark = 1 - f, by_place = (light - dark) * slope / 0.8;
            misfit += e * e;
            a += by_dark * by_dark;
            b += by_dark * by_place;
            c += by_place * by_place;
            g += by_dark * e;
            h += by_place * e;
        }
        double det = a * c - b * b;
        if (!(det > 1e-9 * a * c))
            return false;
        dark += (c * g - b * h) / det;
        double step = (a * h - b * g) / det;
        p += CLAMP(step, -1, 1);
        if (!(fabs(p - start) < in))
            return false;
    }
    *place = p;
    double fall = light - dark, rms = sqrt(misfit / (last - first + 1));
    return fall > 0.3 * light && rms < 0.06 * fall + 2 * shape->rms * fall;
}

/* ---- robust lines ---- */

/* Deterministic pairs: a small linear congruence. */
static uint32_t next_random(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u;
    return *state >> 8;
}

static double spread_at(const gate_points *p, double slope, double *middle)
{
    double v[64], spread;
    int step = MAX(1, p->n / 64), n = 0;
    for (int i = 0; i < p->n && n < 64; i += step)
        v[n++] = p->off[i] + slope * p->t[i];
    *middle = gate_shortest_half(v, n, &spread);
    return spread;
}

/* The slope of one side from pairs of its points: least median of squares. */
static double side_slope(const gate_points *p, double limit)
{
    double lo = INFINITY, hi = -INFINITY, best = INFINITY, slope = 0, middle;
    for (int i = 0; i < p->n; i++) {
        lo = MIN(lo, p->t[i]);
        hi = MAX(hi, p->t[i]);
    }
    uint32_t seed = 12345;
    for (int k = 0; k < 40; k++) {
        int i = (int)(next_random(&seed) % (uint32_t)p->n);
        int j = (int)(next_random(&seed) % (uint32_t)p->n);
        double dt = p->t[j] - p->t[i];
        if (fabs(dt) < 0.3 * (hi - lo) || dt == 0)
            continue;
        double s = -(p->off[j] - p->off[i]) / dt;
        if (fabs(s) > limit)
            continue;
        double spread = spread_at(p, s, &middle);
        if (spread < best) {
            best = spread;
            slope = s;
        }
    }
    return slope;
}

/* The one of the sides' slopes that all sides like best. */
static void robust_start(gate_points *const *side, int n_sides, double limit, double floor,
                         gate_slope *s)
{
    double best = INFINITY, candidate[8];
    int n = 0;
    for (int j = 0; j < n_sides && n < 7; j++)
        if (side[j]->n >= 8)
            candidate[n++] = side_slope(side[j], limit);
    candidate[n++] = 0;
    for (int k = 0; k < n; k++) {
        double sum = 0, middle;
        for (int j = 0; j < n_sides; j++)
            if (side[j]->n >= 8)
                sum += log(floor + spread_at(side[j], candidate[k], &middle));
        if (sum < best) {
            best = sum;
            s->slope = candidate[k];
        }
    }
    double spread[8];
    n = 0;
    for (int j = 0; j < n_sides; j++)
        if (side[j]->n >= 8)
            spread[n++] = spread_at(side[j], s->slope, &side[j]->d);
    /* The straighter sides tell the noise. */
    qsort(spread, (size_t)n, sizeof *spread, rw_compare_doubles);
    s->scale = MAX(floor, spread[(n - 1) / 2]);
}

static double tukey(double r, double scale)
{
    double x = r / (TUKEY * scale);
    return fabs(x) >= 1 ? 0 : (1 - x * x) * (1 - x * x);
}

/* Weighted least squares for the slope with every side's own offset; returns the change. */
static double weighted_fit(gate_points *const *side, int n_sides, gate_slope *s)
{
    double stt = 0, sto = 0;
    for (int j = 0; j < n_sides; j++) {
        gate_points *p = side[j];
        double w = 0, wt = 0, wo = 0;
        for (int i = 0; p->n >= 8 && i < p->n; i++) {
            p->weight[i] = tukey(p->off[i] + s->slope * p->t[i] - p->d, s->scale);
            w += p->weight[i];
            wt += p->weight[i] * p->t[i];
            wo += p->weight[i] * p->off[i];
        }
        if (w <= 0)
            continue;
        p->mean = wt / w;
        for (int i = 0; i < p->n; i++) {
            double t = p->t[i] - p->mean;
            stt += p->weight[i] * t * t;
            sto += p->weight[i] * t * (p->off[i] - wo / w);
        }
    }
    double slope = stt > 0 ? -sto / stt : 0, change = fabs(slope - s->slope);
    s->slope = slope;
    for (int j = 0; j < n_sides; j++) {
        gate_points *p = side[j];
        double w = 0, wd = 0;
        for (int i = 0; p->n >= 8 && i < p->n; i++) {
            w += p->weight[i];
            wd += p->weight[i] * (p->off[i] + slope * p->t[i]);
        }
        if (w > 0)
            p->d = wd / w;
    }
    return change;
}

/* Standard errors from how stretches of a side disagree: neighbouring runs share grain, the
 * camera's blocks and the raggedness of the hole, so they are no independent witnesses. */
static void errors_of(gate_points *const *side, int n_sides, gate_slope *s)
{
    enum { STRETCHES = 8 };
    double square = 0, count = 0, lever = 0, freedom = 0, scatter = 0;
    for (int j = 0; j < n_sides; j++) {
        gate_points *p = side[j];
        p->inliers = 0;
        p->sd = INFINITY;
        if (p->n < 8)
            continue;
        double lo = INFINITY, hi = -INFINITY, near = MAX(4 * s->scale, 0.3);
        for (int i = 0; i < p->n; i++) {
            lo = MIN(lo, p->t[i]);
            hi = MAX(hi, p->t[i]);
        }
        double sum[STRETCHES] = {0}, sum_t[STRETCHES] = {0};
        int n[STRETCHES] = {0}, in = 0, used = 0;
        for (int i = 0; i < p->n; i++) {
            double r = p->off[i] + s->slope * p->t[i] - p->d;
            if (fabs(r) >= near)
                continue;
            int k = MIN(STRETCHES - 1, (int)((p->t[i] - lo) / (hi - lo + 1e-9) * STRETCHES));
            sum[k] += r;
            sum_t[k] += p->t[i] - p->mean;
            n[k]++;
            in++;
            square += r * r;
        }
        count += in;
        p->inliers = (double)in / MAX(p->read, p->n);
        double var = 0;
        for (int k = 0; k < STRETCHES; k++)
            if (n[k] >= 2) {
                double r = sum[k] / n[k], t = sum_t[k] / n[k];
                var += r * r;
                lever += t * t;
                used++;
            }
        if (used >= 3) {
            scatter += var;
            freedom += used - 1;
            p->sd = MAX(sqrt(var / (used - 1) / used), 0.3 * s->scale / sqrt(in));
        }
    }
    s->residual = count > 0 ? sqrt(square / count) : 0;
    s->sd = lever > 0 && freedom > 1 ? sqrt(scatter / (freedom - 0.5) / lever) : INFINITY;
}

bool gate_fit_sides(gate_points *const *side, int n_sides, double limit, double floor,
                    gate_slope *s)
{
    int usable = 0;
    for (int j = 0; j < n_sides; j++)
        usable += side[j]->n >= 8;
    memset(s, 0, sizeof *s);
    if (usable == 0) {
        for (int j = 0; j < n_sides; j++)
            side[j]->inliers = 0;
        return false;
    }
    robust_start(side, n_sides, limit, floor, s);
    for (int i = 0; i < 20; i++)
        if (weighted_fit(side, n_sides, s) < 1e-9 && i > 3)
            break;
    errors_of(side, n_sides, s);
    return true;
}
