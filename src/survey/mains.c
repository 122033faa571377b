/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "base/select.h"
#include "survey/mains.h"

enum {
    WINDOW = 64, /* stills looked at together: mains and clocks wander over longer times */
    LEAST = 24,  /* of them with a time and a light */
    OTHERS = 44, /* other frequencies that the fit is held against ... */
    MOST_WINDOWS = 12
};

/* A grid is held within 50 mHz of 50 Hz in ordinary operation (common practice, no source); of
 * pulses that is a thousandth, and cameras' clocks are much better. */
#define TOLERANCE 1e-3
/* ... spread over so many Hz on either side. */
#define OTHERS_HZ 9.0
/* Power share that is no chance in 64 stills: noise alone leaves the best of some ten lines
 * above it once in a thousand windows. */
#define LEAST_SHARE 0.35
/* Named only when few other frequencies fit as well. */
#define MOST_CHANCE 0.25
/* A steady transport: times off a regular beat by less than this share of the interval. */
#define STEADY 0.1

/* One window's stills: seconds and light. */
typedef struct window {
    double t[WINDOW], x[WINDOW];
    int n;
    double power; /* sum of squares of x */
} window;

/* Share of a window's power in one frequency: least squares of a cosine and a sine. Where the two
 * look the same on these times only one is counted. */
static double share_at(const window *w, double hz)
{
    double cc = 0, ss = 0, cs = 0, cx = 0, sx = 0;
    for (int i = 0; i < w->n; i++) {
        double cycles = hz * w->t[i], angle = 2 * G_PI * (cycles - floor(cycles));
        double c = cos(angle), s = sin(angle);
        cc += c * c;
        ss += s * s;
        cs += c * s;
        cx += c * w->x[i];
        sx += s * w->x[i];
    }
    double whole = cc * ss - cs * cs;
    if (whole < 0.02 * w->n * w->n)
        return cc > ss ? cx * cx / cc / w->power : sx * sx / ss / w->power;
    return (cx * cx * ss - 2 * cx * sx * cs + sx * sx * cc) / whole / w->power;
}

/* The best frequency within `reach` of hz, in steps finer than the window resolves. */
static double best_near(const window *w, double hz, double reach, double *best_hz)
{
    double span = w->t[w->n - 1] - w->t[0], step = MAX(0.2 / span, reach / 64), best = 0;
    *best_hz = hz;
    for (double f = hz - reach; f <= hz + reach; f += step) {
        double share = share_at(w, f);
        if (share > best) {
            best = share;
            *best_hz = f;
        }
    }
    return best;
}

/* Adds a still to a window; a light that is unknown is left out. */
static void add(window *w, double t, double x)
{
    if (isnan(x) || isnan(t))
        return;
    w->t[w->n] = t;
    w->x[w->n++] = x;
}

static bool finish(window *w)
{
    double mean = 0;
    if (w->n < LEAST)
        return false;
    for (int i = 0; i < w->n; i++)
        mean += w->x[i] / w->n;
    for (int i = 0; i < w->n; i++) {
        w->x[i] -= mean;
        w->power += w->x[i] * w->x[i];
    }
    return w->power > 0 && w->t[w->n - 1] > w->t[0];
}

/* ---- two clocks ---- */

static bool is_known(const int64_t *time_us, size_t i)
{
    return time_us[i] != INT64_MIN;
}

/* The usual interval, seconds; 0 without a clock. */
static double usual_interval(const int64_t *time_us, size_t count)
{
    g_autofree double *step = g_new(double, count + 1);
    size_t n = 0;
    for (size_t i = 1; i < count; i++)
        if (is_known(time_us, i) && is_known(time_us, i - 1) && time_us[i] > time_us[i - 1])
            step[n++] = (double)(time_us[i] - time_us[i - 1]) * 1e-6;
    qsort(step, n, sizeof *step, rw_compare_doubles);
    return n ? step[n / 2] : 0;
}

/* Are the times told to a millisecond or so? */
static bool is_fine(const int64_t *time_us, size_t count)
{
    size_t known = 0, round = 0;
    for (size_t i = 0; i < count; i++)
        if (is_known(time_us, i)) {
            known++;
            round += time_us[i] % 10000 == 0 ? 1 : 0;
        }
    return known >= LEAST && round * 2 < known;
}

static double seconds(const int64_t *time_us, size_t first, size_t i)
{
    return is_known(time_us, i) ? (double)(time_us[i] - time_us[first]) * 1e-6 : NAN;
}

/* As the camera stamped them. */
static bool load_stamped(window *w, const int64_t *time_us, const double *light, size_t first,
                         size_t last)
{
    *w = (window){.n = 0};
    while (first < last && !is_known(time_us, first))
        first++;
    for (size_t i = first; i <= last; i++)
        add(w, seconds(time_us, first, i), light[i]);
    return finish(w);
}

/* As a steady transport took them: stamps moved onto the regular beat that fits them best. False
 * when they do not lie near one. */
static bool load_steady(window *w, const int64_t *time_us, const double *light, size_t first,
                        size_t last, double interval)
{
    double beat[WINDOW], st = 0, sk = 0, stk = 0, skk = 0, off = 0, k = 0, before = 0;
    int n = 0;
    *w = (window){.n = 0};
    while (first < last && !is_known(time_us, first))
        first++;
    for (size_t i = first; i <= last; i++) {
        double t = seconds(time_us, first, i);
        beat[i - first] = NAN;
        if (isnan(t))
            continue;
        k += i > first ? rint((t - before) / interval) : 0;
        before = t;
        beat[i - first] = k;
        st += t;
        sk += k;
        stk += t * k;
        skk += k * k;
        n++;
    }
    double spread = skk - sk * sk / MAX(n, 1);
    if (n < LEAST || !(spread > 0))
        return false;
    double period = (stk - sk * st / n) / spread, start = (st - period * sk) / n;
    for (size_t i = first; i <= last; i++) {
        double t = seconds(time_us, first, i), at = start + period * beat[i - first];
        off += isnan(t) ? 0 : (t - at) * (t - at);
        add(w, at, light[i]);
    }
    return sqrt(off / n) < STEADY * interval && finish(w);
}

/* ---- the question ---- */

typedef struct answer {
    double share, hz, chance;
    int windows;
} answer;

/* How well pulses of `hz` fit, over the windows of one clock. */
static void ask(const window *windows, int n, double hz, answer *a)
{
    *a = (answer){.windows = n};
    for (int k = 0; k < n; k++) {
        double at;
        a->share += best_near(&windows[k], hz, hz * TOLERANCE, &at) / n;
        a->hz += at / n;
    }
    if (a->share < LEAST_SHARE)
        return;
    int as_well = 0;
    for (int o = 0; o < OTHERS; o++) {
        double away = (1 + OTHERS_HZ * (o / 2 + 0.5) / (OTHERS / 2)) * (o & 1 ? 1 : -1);
        double sum = 0, at;
        for (int k = 0; k < n; k++)
            sum += best_near(&windows[k], hz + away, hz * TOLERANCE, &at) / n;
        as_well += sum > 0.9 * a->share ? 1 : 0;
    }
    a->chance = (double)as_well / OTHERS;
}

static void consider(const window *windows, int n, double interval, rw_mains *best)
{
    for (int mains = 50; n > 0 && mains <= 60; mains += 10) {
        answer a;
        ask(windows, n, 2.0 * mains, &a);
        if (a.share < LEAST_SHARE || a.chance > MOST_CHANCE || a.share <= best->share)
            continue;
        double cycles = a.hz * interval;
        *best = (rw_mains){mains, a.hz, a.share, a.chance, fabs(cycles - rint(cycles)) / interval};
    }
}

bool rw_mains_find(const int64_t *time_us, const double *light, size_t count, rw_mains *mains)
{
    *mains = (rw_mains){0};
    double interval = usual_interval(time_us, count);
    if (!(interval > 0) || count < WINDOW / 2)
        return false;
    g_autofree window *stamped = g_new(window, MOST_WINDOWS);
    g_autofree window *steady = g_new(window, MOST_WINDOWS);
    size_t whole = MAX((size_t)1, count / WINDOW), step = MAX((size_t)1, whole / MOST_WINDOWS);
    int n_stamped = 0, n_steady = 0;
    bool fine = is_fine(time_us, count);
    for (size_t k = 0; k < whole && n_stamped < MOST_WINDOWS && n_steady < MOST_WINDOWS;
         k += step) {
        size_t first = k * WINDOW, last = MIN(first + WINDOW, count) - 1;
        n_stamped += fine && load_stamped(&stamped[n_stamped], time_us, light, first, last) ? 1 : 0;
        n_steady += load_steady(&steady[n_steady], time_us, light, first, last, interval) ? 1 : 0;
    }
    consider(stamped, n_stamped, interval, mains);
    consider(steady, n_steady, interval, mains);
    return mains->hz > 0;
}
