/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <reelwright/chart.h>
#include <reelwright/colour.h>

#include "colour/lab.h"

enum { COLUMNS = 6, ROWS = 4, PATCHES = RW_CHART_PATCHES };

/* X-Rite, "New color specifications for ColorChecker SG and Classic Charts", 2016. */
static const double usual[PATCHES][3] = {
    {37.54, 14.37, 14.92},  {64.66, 19.27, 17.5},    {49.32, -3.82, -22.54}, {43.46, -12.74, 22.72},
    {54.94, 9.61, -24.79},  {70.48, -32.26, -0.37},  {62.73, 35.83, 56.5},   {39.43, 10.75, -45.17},
    {50.57, 48.64, 16.67},  {30.1, 22.54, -20.87},   {71.77, -24.13, 58.19}, {71.51, 18.24, 67.37},
    {28.37, 15.42, -49.8},  {54.38, -39.72, 32.27},  {42.43, 51.05, 28.62},  {81.8, 2.67, 80.41},
    {50.63, 51.28, -14.12}, {49.57, -29.71, -28.32}, {95.19, -1.03, 2.93},   {81.29, -0.57, 0.44},
    {66.89, -0.75, -0.06},  {50.76, -0.13, 0.14},    {35.63, -0.46, -0.48},  {20.64, 0.07, -0.46}};

const double (*rw_chart_usual(void))[3]
{
    return usual;
}

/* ---- the matrix ---- */

static rw_lab wanted_lab(const double lab[3], double linear[3])
{
    rw_xyz d50 = rw_xyz_from_lab((rw_lab){lab[0], lab[1], lab[2]}, rw_white_d50);
    rw_linear_from_xyz(rw_xyz_d50_to_d65(d50), linear);
    return rw_lab_from_linear(linear);
}

/* Solves a x = b of n <= 9 unknowns, in place; false when there is no answer. */
static bool solve(double a[9][10], int n)
{
    for (int i = 0; i < n; i++) {
        int best = i;
        for (int r = i + 1; r < n; r++)
            if (fabs(a[r][i]) > fabs(a[best][i]))
                best = r;
        if (fabs(a[best][i]) < 1e-12)
            return false;
        for (int k = 0; k <= n; k++) {
            double t = a[i][k];
            a[i][k] = a[best][k];
            a[best][k] = t;
        }
        for (int r = 0; r < n; r++) {
            double f = r == i ? 0 : a[r][i] / a[i][i];
            for (int k = i; k <= n && r != i; k++)
                a[r][k] -= f * a[i][k];
        }
    }
    for (int i = 0; i < n; i++)
        a[i][n] /= a[i][i];
    return true;
}

static void apply(const double m[9], const double s[3], double out[3])
{
    for (int i = 0; i < 3; i++)
        out[i] = m[3 * i] * s[0] + m[3 * i + 1] * s[1] + m[3 * i + 2] * s[2];
}

/* Least squares in light, dark patches weighing as much as bright ones. */
static bool first_guess(const double seen[PATCHES][3], const double light[PATCHES][3], double m[9])
{
    for (int row = 0; row < 3; row++) {
        double a[9][10] = {{0}};
        for (int p = 0; p < PATCHES; p++) {
            double w = 1 / pow(fmax(light[p][1], 0) + 0.03, 2.0 / 3 * 2);
            for (int i = 0; i < 3; i++) {
                for (int k = 0; k < 3; k++)
                    a[i][k] += w * seen[p][i] * seen[p][k];
                a[i][3] += w * seen[p][i] * light[p][row];
            }
        }
        if (!solve(a, 3))
            return false;
        for (int i = 0; i < 3; i++)
            m[3 * row + i] = a[i][3];
    }
    return true;
}

static double residuals(const double m[9], const double seen[PATCHES][3],
                        const rw_lab wanted[PATCHES], double out[3 * PATCHES])
{
    double sum = 0;
    for (int p = 0; p < PATCHES; p++) {
        double light[3];
        apply(m, seen[p], light);
        rw_lab lab = rw_lab_from_linear(light);
        /* a step in chroma counts less where chroma is large, as in CIE94 */
        double chroma = hypot(wanted[p].a, wanted[p].b), w = 1 / (1 + 0.045 * chroma);
        out[3 * p] = lab.L - wanted[p].L;
        out[3 * p + 1] = w * (lab.a - wanted[p].a);
        out[3 * p + 2] = w * (lab.b - wanted[p].b);
        for (int i = 0; i < 3; i++)
            sum += out[3 * p + i] * out[3 * p + i];
    }
    return sum;
}

/* Gauss-Newton, damped (Levenberg 1944), on what an eye sees. */
static void refine(double m[9], const double seen[PATCHES][3], const rw_lab wanted[PATCHES])
{
    double r[3 * PATCHES], moved[3 * PATCHES], slope[9][3 * PATCHES], damp = 1e-3;
    double sum = residuals(m, seen, wanted, r);
    for (int round = 0; round < 40; round++) {
        for (int k = 0; k < 9; k++) {
            double near[9];
            memcpy(near, m, sizeof near);
            near[k] += 1e-5;
            residuals(near, seen, wanted, moved);
            for (int i = 0; i < 3 * PATCHES; i++)
                slope[k][i] = (moved[i] - r[i]) / 1e-5;
        }
        double a[9][10] = {{0}};
        for (int j = 0; j < 9; j++) {
            for (int k = 0; k < 9; k++)
                for (int i = 0; i < 3 * PATCHES; i++)
                    a[j][k] += slope[j][i] * slope[k][i];
            for (int i = 0; i < 3 * PATCHES; i++)
                a[j][9] -= slope[j][i] * r[i];
            a[j][j] *= 1 + damp;
        }
        if (!solve(a, 9))
            return;
        double next[9];
        for (int k = 0; k < 9; k++)
            next[k] = m[k] + a[k][9];
        double now = residuals(next, seen, wanted, moved);
        if (now < sum) {
            memcpy(m, next, sizeof next);
            memcpy(r, moved, sizeof r);
            bool done = sum - now < 1e-9 * sum;
            sum = now;
            damp = fmax(damp / 4, 1e-9);
            if (done)
                return;
        } else {
            damp *= 8;
        }
    }
}

static double luminance(const double v[3])
{
    return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2];
}

bool rw_chart_solve(const double seen[PATCHES][3], const double lab[PATCHES][3], rw_chart_fit *fit,
                    GError **error)
{
    rw_lab wanted[PATCHES];
    double light[PATCHES][3], m[9], before = 0, after = 0;
    for (int p = 0; p < PATCHES; p++)
        wanted[p] = wanted_lab(lab[p], light[p]);
    if (!first_guess(seen, light, m)) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                    "The patches do not differ enough to tell the camera's colours.");
        return false;
    }
    refine(m, seen, wanted);
    fit->mean = fit->worst = 0;
    for (int p = 0; p < PATCHES; p++) {
        double out[3];
        apply(m, seen[p], out);
        fit->error[p] = rw_delta_e2000(rw_lab_from_linear(out), wanted[p]);
        fit->mean += fit->error[p] / PATCHES;
        fit->worst = fmax(fit->worst, fit->error[p]);
        if (p >= PATCHES - COLUMNS) {
            before += luminance(seen[p]);
            after += luminance(out);
        }
    }
    for (int i = 0; i < 9; i++) /* exposure is not the chart's to say */
        fit->matrix[i / 3][i % 3] = m[i] * before / after;
    if (isfinite(fit->mean) && fit->mean < 10)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                "The patches are not those of the chart: %.1f dE2000 are left on average.",
                fit->mean);
    return false;
}

/* ---- reading ---- */

/* Centre of a patch between the four corners: straight lines stay straight (projective). */
static rw_point centre_of(const rw_chart_place *place, double column, double row)
{
    /* the map of the unit square onto a quadrilateral, Heckbert 1989 */
    const rw_point *q = place->corner;
    double u = column / (COLUMNS - 1), v = row / (ROWS - 1);
    double sx = q[0].x - q[1].x + q[2].x - q[3].x, sy = q[0].y - q[1].y + q[2].y - q[3].y;
    double dx1 = q[1].x - q[2].x, dx2 = q[3].x - q[2].x, dy1 = q[1].y - q[2].y,
           dy2 = q[3].y - q[2].y, det = dx1 * dy2 - dx2 * dy1;
    double g = (sx * dy2 - dx2 * sy) / det, h = (dx1 * sy - sx * dy1) / det;
    double w = g * u + h * v + 1;
    return (rw_point){
        ((q[1].x - q[0].x + g * q[1].x) * u + (q[3].x - q[0].x + h * q[3].x) * v + q[0].x) / w,
        ((q[1].y - q[0].y + g * q[1].y) * u + (q[3].y - q[0].y + h * q[3].y) * v + q[0].y) / w};
}

static bool read_patch(const uint8_t *rgb, int width, int height, ptrdiff_t stride,
                       const rw_chart_place *place, int p, double seen[3], GError **error)
{
    enum { SIDE = 24 };
    double half = 0.3 * place->patch;
    const rw_curve *curve = rw_curve_find("srgb");
    int clipped = 0;
    seen[0] = seen[1] = seen[2] = 0;
    for (int j = 0; j < SIDE; j++)
        for (int i = 0; i < SIDE; i++) {
            rw_point at = centre_of(place, p % COLUMNS + half * (2.0 * i / (SIDE - 1) - 1),
                                    p / COLUMNS + half * (2.0 * j / (SIDE - 1) - 1));
            int x = (int)lrint(at.x), y = (int)lrint(at.y);
            if (x < 0 || y < 0 || x >= width || y >= height) {
                g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                            "Patch %d of the chart lies outside of the picture.", p + 1);
                return false;
            }
            const uint8_t *px = rgb + y * stride + 3 * x;
            for (int c = 0; c < 3; c++) {
                seen[c] += curve->to_light(px[c] / 255.0) / (SIDE * SIDE);
                clipped += px[c] == 255;
            }
        }
    if (clipped < SIDE * SIDE / 20)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                "Patch %d of the chart is clipped; photograph it with less exposure.", p + 1);
    return false;
}

bool rw_chart_read(const uint8_t *rgb, int width, int height, ptrdiff_t stride,
                   const rw_chart_place *place, double seen[PATCHES][3], GError **error)
{
    for (int p = 0; p < PATCHES; p++)
        if (!read_patch(rgb, width, height, stride, place, p, seen[p], error))
            return false;
    return true;
}

/* ---- finding ---- */

enum { SMALL = 400, MOST = 200 }; /* pixels of the picture that is searched; plain areas */

typedef struct small {
    float *px; /* three a pixel */
    int width, height, factor;
} small;

typedef struct area {
    double x, y, size; /* centre; root of its pixels */
} area;

static small make_small(const uint8_t *rgb, int width, int height, ptrdiff_t stride)
{
    small s = {.factor = MAX(1, MAX(width, height) / SMALL)};
    s.width = width / s.factor;
    s.height = height / s.factor;
    s.px = g_new0(float, 3 * (size_t)s.width * (size_t)s.height + 3);
    float share = 1.0f / (float)(s.factor * s.factor);
    for (int y = 0; y < s.height * s.factor; y++)
        for (int x = 0; x < s.width * s.factor; x++)
            for (int c = 0; c < 3; c++)
                s.px[3 * (y / s.factor * s.width + x / s.factor) + c] +=
                    share * (float)rgb[y * stride + 3 * x + c];
    return s;
}

/* Does it differ little from the pixels round it? */
static bool is_plain(const small *s, int x, int y)
{
    if (x < 1 || y < 1 || x >= s->width - 1 || y >= s->height - 1)
        return false;
    const float *middle = s->px + 3 * (y * s->width + x);
    for (int j = -1; j <= 1; j++)
        for (int i = -1; i <= 1; i++)
            for (int c = 0; c < 3; c++)
                if (fabsf(s->px[3 * ((y + j) * s->width + x + i) + c] - middle[c]) > 9)
                    return false;
    return true;
}

/* The plain area that holds (x, y), marked as seen. */
static area fill_area(const small *s, const bool *plain, bool *seen, int *stack, int x, int y)
{
    int n = 0, count = 0, left = x, right = x, top = y, bottom = y;
    double sx = 0, sy = 0;
    stack[n++] = y * s->width + x;
    seen[y * s->width + x] = true;
    while (n) {
        int at = stack[--n], ax = at % s->width, ay = at / s->width;
        static const int dx[4] = {1, -1, 0, 0}, dy[4] = {0, 0, 1, -1};
        sx += ax, sy += ay, count++;
        left = MIN(left, ax), right = MAX(right, ax);
        top = MIN(top, ay), bottom = MAX(bottom, ay);
        for (int k = 0; k < 4; k++) {
            int bx = ax + dx[k], by = ay + dy[k], to = by * s->width + bx;
            if (bx < 0 || by < 0 || bx >= s->width || by >= s->height || seen[to] || !plain[to])
                continue;
            seen[to] = true;
            stack[n++] = to;
        }
    }
    double w = right - left + 1, h = bottom - top + 1;
    bool square =
        count > 0.5 * w * h && w < 2 * h && h < 2 * w && count >= 12 && w < s->width / 5.0;
    return (area){sx / count, sy / count, square ? sqrt(count) : 0};
}

static int find_areas(const small *s, area areas[MOST])
{
    size_t size = (size_t)s->width * (size_t)s->height;
    g_autofree bool *plain = g_new0(bool, size + 1), *seen = g_new0(bool, size + 1);
    g_autofree int *stack = g_new(int, size + 1);
    int n = 0;
    for (int y = 0; y < s->height; y++)
        for (int x = 0; x < s->width; x++)
            plain[y * s->width + x] = is_plain(s, x, y);
    for (int y = 0; y < s->height && n < MOST; y++)
        for (int x = 0; x < s->width && n < MOST; x++) {
            if (!plain[y * s->width + x] || seen[y * s->width + x])
                continue;
            area a = fill_area(s, plain, seen, stack, x, y);
            if (a.size > 0)
                areas[n++] = a;
        }
    return n;
}

/* The area nearest to (x, y), if within reach; -1. */
static int nearest(const area *areas, int n, double x, double y, double reach)
{
    int best = -1;
    for (int i = 0; i < n; i++) {
        double d = hypot(areas[i].x - x, areas[i].y - y);
        if (d < reach) {
            reach = d;
            best = i;
        }
    }
    return best;
}

/* Walks the grid from area `start` in steps u (along a row) and v, each step from where the last
 * one really ended. How many of 24 are there; found[p]: area, -1. */
static int walk(const area *areas, int n, int start, rw_point u, rw_point v, int found[PATCHES])
{
    double reach = 0.3 * fmin(hypot(u.x, u.y), hypot(v.x, v.y));
    rw_point at[PATCHES];
    int count = 0;
    for (int p = 0; p < PATCHES; p++) {
        rw_point from = {areas[start].x, areas[start].y};
        if (p % COLUMNS)
            from = (rw_point){at[p - 1].x + u.x, at[p - 1].y + u.y};
        else if (p)
            from = (rw_point){at[p - COLUMNS].x + v.x, at[p - COLUMNS].y + v.y};
        found[p] = nearest(areas, n, from.x, from.y, reach);
        at[p] = from;
        if (found[p] >= 0) {
            at[p] = (rw_point){areas[found[p]].x, areas[found[p]].y};
            count++;
        }
    }
    return count;
}

/* Corners from all patches that were found, by least squares of a map that is linear in column, row
 * and their product. */
static bool corners_of(const area *areas, const int found[PATCHES], rw_chart_place *place)
{
    for (int axis = 0; axis < 2; axis++) {
        double a[9][10] = {{0}};
        for (int p = 0; p < PATCHES; p++) {
            if (found[p] < 0)
                continue;
            double c = p % COLUMNS, r = p / COLUMNS, term[4] = {1, c, r, c * r};
            double value = axis ? areas[found[p]].y : areas[found[p]].x;
            for (int i = 0; i < 4; i++) {
                for (int k = 0; k < 4; k++)
                    a[i][k] += term[i] * term[k];
                a[i][4] += term[i] * value;
            }
        }
        if (!solve(a, 4))
            return false;
        static const int corner[4][2] = {{0, 0}, {5, 0}, {5, 3}, {0, 3}};
        for (int k = 0; k < 4; k++) {
            double c = corner[k][0], r = corner[k][1];
            double v = a[0][4] + a[1][4] * c + a[2][4] * r + a[3][4] * c * r;
            if (axis)
                place->corner[k].y = v;
            else
                place->corner[k].x = v;
        }
    }
    return true;
}

/* Of all ways to lay the grid the one whose patches look most like the chart. */
static double try_grid(const uint8_t *rgb, int width, int height, ptrdiff_t stride, const small *s,
                       const area *areas, const int found[PATCHES], rw_chart_place *place)
{
    double seen[PATCHES][3];
    rw_chart_fit fit;
    place->patch = 0.6;
    if (!corners_of(areas, found, place))
        return INFINITY;
    for (int k = 0; k < 4; k++) {
        place->corner[k].x = (place->corner[k].x + 0.5) * s->factor - 0.5;
        place->corner[k].y = (place->corner[k].y + 0.5) * s->factor - 0.5;
    }
    if (!rw_chart_read(rgb, width, height, stride, place, seen, NULL) ||
        !rw_chart_solve(seen, usual, &fit, NULL))
        return INFINITY;
    return fit.mean;
}

bool rw_chart_find(const uint8_t *rgb, int width, int height, ptrdiff_t stride,
                   rw_chart_place *place, GError **error)
{
    enum { LEAST = 18 }; /* patches that must be seen */
    small s = make_small(rgb, width, height, stride);
    area areas[MOST];
    int n = find_areas(&s, areas), found[PATCHES];
    double best = INFINITY;
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            for (int k = 0; k < n; k++) {
                rw_point u = {areas[j].x - areas[i].x, areas[j].y - areas[i].y};
                rw_point v = {areas[k].x - areas[i].x, areas[k].y - areas[i].y};
                double lu = hypot(u.x, u.y), lv = hypot(v.x, v.y);
                /* neighbours stand 1 to 3 patches apart, at nearly right angles, not mirrored */
                if (i == j || i == k || lu > 3 * areas[i].size + 4 || lv > 1.4 * lu ||
                    lu > 1.4 * lv || u.x * v.y - u.y * v.x < 0.8 * lu * lv)
                    continue;
                if (walk(areas, n, i, u, v, found) < LEAST)
                    continue;
                rw_chart_place here;
                double e = try_grid(rgb, width, height, stride, &s, areas, found, &here);
                if (e < best) {
                    best = e;
                    *place = here;
                }
            }
    g_free(s.px);
    if (best < 10)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND,
                "No chart of 24 patches is seen; give its corners by hand.");
    return false;
}
