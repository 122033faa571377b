/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "gate/path.h"

#include <math.h>

#include "gate/edge.h"

gate_series *gate_series_new(size_t n)
{
    gate_series *s = g_new0(gate_series, 1);
    s->n = n;
    s->value = g_new0(double, n + 1);
    s->sd = g_new(double, n + 1);
    s->path = g_new0(double, n + 1);
    for (size_t i = 0; i < n; i++)
        s->sd[i] = INFINITY;
    return s;
}

void gate_series_free(gate_series **series)
{
    if (!*series)
        return;
    g_free((*series)->value);
    g_free((*series)->sd);
    g_free((*series)->path);
    g_clear_pointer(series, g_free);
}

double gate_robust_sd(double *v, size_t n, double *middle)
{
    *middle = gate_median(v, (int)n);
    for (size_t i = 0; i < n; i++)
        v[i] = fabs(v[i] - *middle);
    return 1.4826 * gate_median(v, (int)n);
}

enum { WINDOW = 512 };

/* Indices of the measured frames nearest to i: `half` on either side at most, but going on until a
 * few are there. */
static size_t neighbours(const gate_series *s, size_t i, size_t half, size_t *index)
{
    size_t n = 0, few = MIN(half, 3);
    for (int side = 0; side < 2; side++) {
        size_t had = n;
        for (size_t k = (size_t)side; n < WINDOW; k++) {
            if (side ? i + k >= s->n : k > i)
                break;
            if (k > half && n - had >= few)
                break;
            size_t j = side ? i + k : i - k;
            if (isfinite(s->sd[j]))
                index[n++] = j;
        }
    }
    return n;
}

typedef struct weighed {
    double value, sd;
} weighed;

static int by_value(const void *a, const void *b)
{
    double x = ((const weighed *)a)->value, y = ((const weighed *)b)->value;
    return (x > y) - (x < y);
}

static double weighed_median(weighed *w, size_t n)
{
    double total = 0, sum = 0;
    qsort(w, n, sizeof *w, by_value);
    for (size_t k = 0; k < n; k++)
        total += 1 / w[k].sd;
    for (size_t k = 0; k < n; k++) {
        sum += 1 / w[k].sd;
        if (sum >= total / 2)
            return w[k].value;
    }
    return w[n - 1].value;
}

/* Tukey's weights round the median, precise frames counting more. `jitter2`: variance that comes on
 * top of the sds. */
static double local_mean(const gate_series *s, const size_t *index, size_t n, double jitter2)
{
    weighed w[WINDOW];
    double off[WINDOW];
    for (size_t k = 0; k < n; k++) {
        double sd = s->sd[index[k]];
        w[k] = (weighed){s->value[index[k]], sqrt(sd * sd + jitter2 + 1e-18)};
    }
    double middle = weighed_median(w, n);
    for (size_t k = 0; k < n; k++)
        off[k] = fabs(w[k].value - middle) / w[k].sd;
    double spread = 1.4826 * gate_median(off, (int)n);
    spread = MAX(spread, 1e-9);
    for (int round = 0; round < 6; round++) {
        double sum = 0, weight = 0;
        for (size_t k = 0; k < n; k++) {
            double x = (w[k].value - middle) / (4.685 * spread * w[k].sd);
            double t = fabs(x) < 1 ? (1 - x * x) * (1 - x * x) / (w[k].sd * w[k].sd) : 0;
            sum += t * w[k].value;
            weight += t;
        }
        if (weight > 0)
            middle = sum / weight;
    }
    return middle;
}

static void find_spread(gate_series *s)
{
    double *off = g_new(double, s->n + 1), *sd2 = g_new(double, s->n + 1), middle;
    size_t n = 0;
    for (size_t i = 0; i < s->n; i++)
        if (isfinite(s->sd[i])) {
            off[n] = s->value[i] - s->path[i];
            sd2[n++] = s->sd[i] * s->sd[i];
        }
    s->spread = n ? gate_robust_sd(off, n, &middle) : 0;
    double noise2 = gate_median(sd2, (int)n);
    s->jitter = sqrt(MAX(0, s->spread * s->spread - noise2));
    g_free(off);
    g_free(sd2);
}

bool gate_path_find(gate_series *s, size_t half)
{
    size_t index[WINDOW];
    half = MIN(half, WINDOW / 2 - 1);
    double jitter2 = 0;
    /* The second time with the jitter that the first found. */
    for (int round = 0; round < 2; round++) {
        for (size_t i = 0; i < s->n; i++) {
            size_t n = neighbours(s, i, half, index);
            if (n == 0)
                return false;
            s->path[i] = local_mean(s, index, n, jitter2);
        }
        find_spread(s);
        jitter2 = s->jitter * s->jitter;
    }
    return s->n > 0;
}

double gate_series_calibrate(gate_series *s)
{
    double *ratio = g_new(double, s->n + 1);
    size_t n = 0, last = s->n;
    for (size_t i = 0; i < s->n; i++) {
        if (!isfinite(s->sd[i]))
            continue;
        if (last < s->n)
            ratio[n++] = fabs(s->value[i] - s->value[last]) / hypot(s->sd[i], s->sd[last]);
        last = i;
    }
    double factor = n >= 8 ? 1.4826 * gate_median(ratio, (int)n) : 1;
    factor = CLAMP(factor, 1, 6);
    for (size_t i = 0; i < s->n; i++)
        s->sd[i] *= factor;
    g_free(ratio);
    return factor;
}

double gate_series_believe(const gate_series *s, size_t i, double *sd)
{
    double prior = s->jitter * s->jitter, own = s->sd[i] * s->sd[i];
    if (!isfinite(own)) {
        *sd = s->jitter;
        return s->path[i];
    }
    double weight = prior + own > 0 ? prior / (prior + own) : 0;
    *sd = sqrt(weight * own);
    return s->path[i] + weight * (s->value[i] - s->path[i]);
}
