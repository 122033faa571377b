/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "motion/smooth.h"

#define ORDER 3 /* of the difference that is kept small */

/* Symmetric band matrix: a[i][k] is the entry (i, i - k). */
typedef double band_row[ORDER + 1];

static double weight_of(double v)
{
    return isinf(v) ? 0 : 1 / v;
}

/* diag(1 / v) + D' D / lambda, D the third difference. */
static void build(band_row *a, const double *v, int n, double lambda)
{
    static const double d[ORDER + 1] = {-1, 3, -3, 1};
    for (int i = 0; i < n; i++) {
        memset(a[i], 0, sizeof a[i]);
        a[i][0] = weight_of(v[i]);
    }
    for (int start = 0; start + ORDER < n; start++)
        for (int i = 0; i <= ORDER; i++)
            for (int k = 0; k <= i; k++)
                a[start + i][k] += d[i] * d[i - k] / lambda;
}

/* L D L' in place: the diagonal in [0], L below. Returns the logarithm of the determinant. */
static double factor(band_row *a, int n)
{
    double log_det = 0;
    for (int i = 0; i < n; i++) {
        for (int k = MIN(i, ORDER); k >= 0; k--) {
            int j = i - k;
            double sum = a[i][k];
            for (int m = k + 1; m <= MIN(i, ORDER); m++) /* columns i - m before j */
                if (m - k <= ORDER)
                    sum -= a[i][m] * a[j][m - k] * a[i - m][0];
            a[i][k] = k ? sum / a[j][0] : MAX(sum, 1e-300);
        }
        log_det += log(a[i][0]);
    }
    return log_det;
}

static void back_substitute(const band_row *a, int n, double *x)
{
    for (int i = 0; i < n; i++)
        for (int k = 1; k <= MIN(i, ORDER); k++)
            x[i] -= a[i][k] * x[i - k];
    for (int i = 0; i < n; i++)
        x[i] /= a[i][0];
    for (int i = n - 1; i >= 0; i--)
        for (int k = 1; k <= MIN(i, ORDER); k++)
            x[i - k] -= a[i][k] * x[i];
}

typedef struct fit {
    double criterion, sigma;
} fit;

static fit fit_at(const double *x, const double *v, int n, double lambda, band_row *a, double *line)
{
    build(a, v, n, lambda);
    double log_det = factor(a, n);
    int known = 0;
    for (int i = 0; i < n; i++) {
        line[i] = weight_of(v[i]) > 0 ? weight_of(v[i]) * x[i] : 0;
        known += weight_of(v[i]) > 0;
    }
    back_substitute(a, n, line);
    double sum = 0;
    for (int i = 0; i < n; i++)
        if (weight_of(v[i]) > 0)
            sum +=
                weight_of(v[i]) * x[i] * (x[i] - line[i]); /* the whole minimum, penalty included */
    int freedom = MAX(known - ORDER, 1);
    sum = MAX(sum, 1e-12 * freedom);
    return (fit){freedom * log(sum / freedom) + log_det + (n - ORDER) * log(lambda),
                 sqrt(sum / freedom)};
}

static void constant(const double *x, const double *v, int n, double *line)
{
    double sum = 0, weight = 0;
    for (int i = 0; i < n; i++)
        if (weight_of(v[i]) > 0) {
            sum += weight_of(v[i]) * x[i];
            weight += weight_of(v[i]);
        }
    for (int i = 0; i < n; i++)
        line[i] = weight > 0 ? sum / weight : 0;
}

static int count_known(const double *v, int n)
{
    int known = 0;
    for (int i = 0; i < n; i++)
        known += weight_of(v[i]) > 0;
    return known;
}

void rw_smooth_line_at(const double *x, const double *v, int n, double lambda, double *line)
{
    if (count_known(v, n) < ORDER + 2) {
        constant(x, v, n, line);
        return;
    }
    band_row *a = g_new(band_row, n);
    fit_at(x, v, n, lambda, a, line);
    g_free(a);
}

rw_smooth_result rw_smooth_line(const double *x, const double *v, int n, double *line)
{
    rw_smooth_result best = {1, HUGE_VAL, 0};
    if (count_known(v, n) < ORDER + 2) {
        constant(x, v, n, line);
        return best;
    }
    band_row *a = g_new(band_row, n);
    double least = HUGE_VAL;
    for (double e = -9; e <= 1.01; e += 0.25) {
        double lambda = pow(10, e);
        fit f = fit_at(x, v, n, lambda, a, line);
        if (f.criterion < least) {
            least = f.criterion;
            best = (rw_smooth_result){lambda, f.criterion, f.sigma};
        }
    }
    fit_at(x, v, n, best.lambda, a, line);
    g_free(a);
    return best;
}

/* Restricted likelihood of a random walk seen through white noise, by Kalman's filter with a
 * diffuse start: minus two times its logarithm, variance profiled out. lambda: step variance over
 * jitter variance. */
static double walk_criterion(const double *x, const double *v, int n, double lambda)
{
    double place = 0, p = 0, sum = 0, logs = 0;
    int known = 0;
    for (int i = 0; i < n; i++) {
        p += lambda;
        if (isinf(v[i]))
            continue;
        if (!known++) {
            place = x[i];
            p = v[i];
            continue;
        }
        double f = p + v[i], e = x[i] - place;
        sum += e * e / f;
        logs += log(f);
        place += p / f * e;
        p *= v[i] / f;
    }
    int freedom = MAX(known - 1, 1);
    return freedom * log(MAX(sum, 1e-12 * freedom) / freedom) + logs;
}

double rw_smooth_wander(const double *x, const double *v, int n)
{
    double fixed = walk_criterion(x, v, n, 0), best = fixed;
    for (double e = -6; e <= 3.01; e += 0.25)
        best = MIN(best, walk_criterion(x, v, n, pow(10, e)));
    return 0.5 * (fixed - best);
}
