/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which way time runs on the film: the strip of a neighbouring frame that a still shows beyond the
 * frame line is the same piece of film as the edge of that neighbour's own still.
 */
#include <math.h>
#include <string.h>

#include <reelwright/gate.h>

#define STEP_MM 0.012 /* grid of the comparison */
#define SLACK   2     /* steps by which the two may be off */
#define LOCAL_MM                                                                                   \
    0.2 /* structures wider than this do not count: frames of a scene are alike anyway */
#define MARGIN_MM      0.03 /* of the frame line that is left out */
#define CERTAIN_SIGMAS 3.0

typedef struct strip {
    int columns, rows;
    double *px; /* square roots of light, less their local mean along the row */
} strip;

/* Mean of 2 x 2 bilinear samples over one step; false outside. */
static bool sample(rw_plane plane, rw_affine film, double x, double y, double step, double *value)
{
    double sum = 0;
    for (int i = 0; i < 4; i++) {
        rw_point p = rw_affine_apply(film, x + (i & 1 ? 0.25 : -0.25) * step,
                                     y + (i & 2 ? 0.25 : -0.25) * step);
        if (!(p.x >= 0 && p.y >= 0 && p.x < plane.width - 1 && p.y < plane.height - 1))
            return false;
        int ix = (int)p.x, iy = (int)p.y;
        double fx = p.x - ix, fy = p.y - iy;
        const float *a = plane.px + iy * plane.stride + ix, *b = a + plane.stride;
        sum += (a[0] * (1 - fx) + a[1] * fx) * (1 - fy) + (b[0] * (1 - fx) + b[1] * fx) * fy;
    }
    *value = sqrt(MAX(sum / 4, 0));
    return true;
}

/* Row less its running mean. */
static void flatten(double *row, int n, int half)
{
    double *copy = g_memdup2(row, (size_t)n * sizeof *row), sum = 0;
    int lo = 0, hi = 0; /* sum covers [lo, hi) */
    for (int i = 0; i < n; i++) {
        while (hi < n && hi <= i + half)
            sum += copy[hi++];
        while (lo < i - half)
            sum -= copy[lo++];
        row[i] = copy[i] - sum / (hi - lo);
    }
    g_free(copy);
}

/* Reads the strip whose first row lies at y0 and whose rows go on in steps of dy (either sign) as
 * long as the still shows them, `rows` at most. */
static strip read_strip(rw_plane plane, rw_affine film, rw_rect pic, double y0, double dy, int rows)
{
    double step = fabs(dy);
    strip s = {.columns = (int)((pic.width - 0.3) / step)};
    s.px = g_new(double, (size_t)s.columns *(size_t)MAX(rows, 1));
    for (; s.rows < rows; s.rows++) {
        double *row = s.px + (size_t)s.rows * (size_t)s.columns;
        for (int i = 0; i < s.columns; i++)
            if (!sample(plane, film, pic.x + 0.15 + i * step, y0 + s.rows * dy, step, &row[i]))
                return s;
        flatten(row, s.columns, (int)(LOCAL_MM / 2 / step));
    }
    return s;
}

static double energy(const double *row, int n)
{
    double sum = 0;
    for (int i = 0; i < n; i++)
        sum += row[i] * row[i];
    return sum;
}

/* Correlation of a (shown beyond the frame line) with b, shifted by (dx, row offset): rows of a
 * that the gate hides are flat and are left out. */
static double correlate(const strip *a, const strip *b, int dx, int row0, double least)
{
    double ab = 0, aa = 0, bb = 0;
    for (int j = 0; j < a->rows; j++) {
        int k = j + row0;
        const double *p = a->px + (size_t)j * (size_t)a->columns;
        if (k < 0 || k >= b->rows || energy(p, a->columns) < least)
            continue;
        const double *q = b->px + (size_t)k * (size_t)b->columns;
        for (int i = SLACK; i < a->columns - SLACK; i++) {
            ab += p[i] * q[i + dx];
            aa += p[i] * p[i];
            bb += q[i + dx] * q[i + dx];
        }
    }
    return aa > 0 && bb > 0 ? ab / sqrt(aa * bb) : 0;
}

/* The strip of the neighbour on one side (+1, -1) of this still against the next frame's own
 * picture: the film beyond the line at y is the neighbour's at y - direction * pitch. */
static bool match(const rw_gauge *gauge, rw_plane this_still, rw_affine this_film,
                  rw_plane next_still, rw_affine next_film, int direction, double step,
                  double *best)
{
    rw_rect pic = gauge->camera_aperture;
    double near =
        direction > 0 ? pic.y : -(pic.y + pic.height); /* of the neighbour, from its centre */
    double y = direction * (gauge->pitch + near + MARGIN_MM);
    double home = y - direction * gauge->pitch;
    int rows = (int)(0.8 / step);
    strip a = read_strip(this_still, this_film, pic, y, direction * step, rows);
    strip b = read_strip(next_still, next_film, pic, home - direction * SLACK * step,
                         direction * step, a.rows + 2 * SLACK);
    double most = 0;
    for (int j = 0; j < a.rows; j++)
        most = MAX(most, energy(a.px + (size_t)j * (size_t)a.columns, a.columns));
    int lively = 0;
    for (int j = 0; j < a.rows; j++)
        lively += energy(a.px + (size_t)j * (size_t)a.columns, a.columns) >= 0.05 * most;
    /* Root mean square of at least half a hundredth of full scale, over three rows or more. */
    bool valid = lively >= 3 && a.columns > 60 && most / a.columns > 2.5e-5;
    *best = -1;
    for (int dy = -SLACK; valid && dy <= SLACK; dy++)
        for (int dx = -SLACK; dx <= SLACK; dx++)
            *best = MAX(*best, correlate(&a, &b, dx, SLACK + dy, 0.05 * most));
    g_free(a.px);
    g_free(b.px);
    return valid;
}

/* Fisher's transform: 0.99 against 0.95 is as clear as 0.8 against 0.2. */
static double spread_out(double correlation)
{
    return atanh(CLAMP(correlation, -0.9995, 0.9995));
}

void rw_way_up_compare(const rw_gauge *gauge, rw_plane this_still, rw_affine this_film,
                       rw_plane next_still, rw_affine next_film, rw_way_up_vote *vote)
{
    *vote = (rw_way_up_vote){0};
    double scale = sqrt(fabs(rw_affine_determinant(this_film)));
    if (!(scale > 0) || !isfinite(scale))
        return;
    /* If the next frame lies at +y, this still shows it there, and the next still shows this frame
     * at -y; else the next still shows this frame at +y, and this still the next frame at -y. The
     * pictures' edges at +y are compared with each other, so are those at -y: one may hold more
     * than the other, or the gate may hide it. */
    double step = MAX(STEP_MM, 1 / scale), with = 0, against = 0;
    int n = 0;
    for (int y = -1; y <= 1; y += 2) {
        double a, b;
        bool got_a = match(gauge, this_still, this_film, next_still, next_film, y, step, &a);
        bool got_b = match(gauge, next_still, next_film, this_still, this_film, y, step, &b);
        if (!got_a || !got_b)
            continue;
        with += spread_out(y > 0 ? a : b);
        against += spread_out(y > 0 ? b : a);
        n++;
    }
    vote->valid = n > 0;
    if (n > 0) {
        vote->with_y = tanh(with / n);
        vote->against_y = tanh(against / n);
    }
}

/* Upright and unmirrored, camera film has its perforations on the left (common practice, no
 * source). A film that lies otherwise is taken to be turned, never mirrored. */
static int way_by_side(rw_gate_side side)
{
    return side == RW_SIDE_RIGHT || side == RW_SIDE_TOP ? -1 : 1;
}

int rw_way_up_decide(rw_gate_side side, const rw_way_up_vote *votes, size_t count, bool *certain)
{
    double sum = 0, square = 0;
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        if (votes[i].valid) {
            double d = spread_out(votes[i].with_y) - spread_out(votes[i].against_y);
            sum += d;
            square += d * d;
            n++;
        }
    double mean = n ? sum / (double)n : 0;
    double var = n > 1 ? MAX(0, square / (double)n - mean * mean) * (double)n / (double)(n - 1) : 0;
    /* Votes that agree by chance do not make it certain: each is uncertain by 0.3 at least. */
    double error = sqrt(MAX(var, 0.09) / (double)MAX(n, 1));
    *certain = n >= 3 && fabs(mean) > CERTAIN_SIGMAS * error;
    return *certain ? (mean > 0 ? 1 : -1) : way_by_side(side);
}
