/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <reelwright/colour.h>

#include "colour/sight.h"

/* Row: third of the spectrum (red, green, blue); column: dye (cyan, magenta, yellow). */
static const double side[3][3] = {{1, 0.08, 0.02}, {0.16, 1, 0.08}, {0.07, 0.22, 1}};

static const size_t slow =
    31; /* frames over which the lamp's drift is taken: flicker is no drift */

/* ---- robust numbers; all skip NAN and give NAN when nothing is left ---- */

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Sorts what is finite to the front. */
static size_t sort_finite(double *v, size_t count)
{
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        if (isfinite(v[i]))
            v[n++] = v[i];
    qsort(v, n, sizeof *v, compare);
    return n;
}

static double quantile(const double *v, size_t count, double q)
{
    g_autofree double *own = g_memdup2(v, count * sizeof *v);
    size_t n = own ? sort_finite(own, count) : 0;
    return n ? own[(size_t)lrint(q * (double)(n - 1))] : NAN;
}

static double median(const double *v, size_t count)
{
    return quantile(v, count, 0.5);
}

/* 0 below low, 1 above high, smooth between. */
static double ramp(double x, double low, double high)
{
    double t = CLAMP((x - low) / (high - low), 0, 1);
    return t * t * (3 - 2 * t);
}

/* ---- 3 x 3 ---- */

static void multiply(const double a[3][3], const double b[3][3], double out[3][3])
{
    double sum[3][3] = {{0}};
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            for (int k = 0; k < 3; k++)
                sum[i][j] += a[i][k] * b[k][j];
    memcpy(out, sum, sizeof sum);
}

static void invert(const double m[3][3], double out[3][3])
{
    double det = 0;
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) {
            int r = (j + 1) % 3, s = (j + 2) % 3, p = (i + 1) % 3, q = (i + 2) % 3;
            out[i][j] = m[r][p] * m[s][q] - m[r][q] * m[s][p];
        }
    for (int k = 0; k < 3; k++)
        det += m[0][k] * out[k][0];
    for (int i = 0; i < 9; i++)
        out[i / 3][i % 3] /= det;
}

static void apply(const double m[3][3], const double v[3], double out[3])
{
    for (int i = 0; i < 3; i++)
        out[i] = m[i][0] * v[0] + m[i][1] * v[1] + m[i][2] * v[2];
}

/* ---- the work ---- */

typedef struct work {
    const rw_colour_view *views;
    size_t count;
    rw_reel_colour reel;
    rw_frame_colour *drift; /* of each film frame */
    int64_t frames;
    double clear;      /* density of the clear light after the lamp, stops; NAN when not known */
    double light[256]; /* of coded samples */
} work;

static double stops(double light)
{
    return -log2(fmax(light, 1e-5));
}

/* What view i's light in channel c is multiplied by for the lamp. */
static double lamp_gain(const work *w, size_t i, int c)
{
    return (double)w->reel.lamp[c] * exp2((double)w->drift[w->views[i].n].drift[c]);
}

/* Median of log2 clear light over `slow` frames round view i, less that of the reel. */
static double slow_light(const double *clear, size_t count, size_t i, double usual)
{
    size_t reach = slow / 2;
    for (; reach < count + slow; reach *= 2) { /* further where the light is not seen */
        size_t first = i > reach ? i - reach : 0, last = MIN(i + reach, count - 1);
        double m = median(clear + first, last - first + 1);
        if (isfinite(m))
            return m - usual;
    }
    return 0;
}

static void read_lamp(work *w)
{
    g_autofree double *clear = g_new(double, 3 * w->count + 3);
    double usual[3];
    bool known = true;
    for (int c = 0; c < 3; c++) {
        double *own = clear + (size_t)c * w->count;
        size_t seen = 0;
        for (size_t i = 0; i < w->count; i++) {
            double v = (double)w->views[i].sight->clear[c];
            own[i] = v > 0.02 ? log2(v) : NAN;
            if (isfinite(own[i]))
                seen++;
        }
        usual[c] = median(own, w->count);
        known = known && seen * 2 >= w->count && seen > 0;
    }
    w->clear = NAN;
    if (!known)
        return;
    double most = fmax(usual[0], fmax(usual[1], usual[2]));
    double least = fmin(usual[0], fmin(usual[1], usual[2]));
    w->clear = -most;
    for (int c = 0; c < 3; c++) {
        /* 1.5 % is what white balance and rounding leave; nobody sees it */
        w->reel.lamp[c] = most - least < 0.02 ? 1 : (float)exp2(most - usual[c]);
        for (size_t i = 0; i < w->count; i++)
            w->drift[w->views[i].n].drift[c] = (float)CLAMP(
                -slow_light(clear + (size_t)c * w->count, w->count, i, usual[c]), -2, 2);
    }
}

/* Frames without a still go with the one before. */
static void fill_gaps(work *w)
{
    size_t i = 0;
    rw_frame_colour now = w->count ? w->drift[w->views[0].n] : (rw_frame_colour){{0}};
    for (int64_t n = 0; n < w->frames; n++) {
        while (i + 1 < w->count && w->views[i + 1].n <= n)
            i++;
        if (w->count && w->views[i].n == n)
            now = w->drift[n];
        else
            w->drift[n] = now;
    }
}

/* ---- black ---- */

/* Black of the rebate with the stray light taken off, which goes with the picture's mean: the slope
 * between scenes of much and of little light tells its share. NAN when no rebate is seen. */
static double rebate_light(const work *w, int c)
{
    enum { MOST = 240 };
    double rebate[MOST], mean[MOST], slope[MOST * (MOST - 1) / 2];
    size_t n = 0, k = 0, step = MAX(1, (w->count + MOST - 1) / MOST);
    for (size_t i = 0; i < w->count && n < MOST; i += step) {
        const rw_colour_sight *s = w->views[i].sight;
        double clear = (double)s->clear[c];
        /* each still by its own lamp: flicker would look like stray light */
        double gain =
            isfinite(clear) && isfinite(w->clear) ? exp2(-w->clear) / clear : lamp_gain(w, i, c);
        rebate[n] = (double)s->rebate[c] * gain;
        mean[n] = (double)s->mean[c] * gain;
        n += isfinite(rebate[n]) && isfinite(mean[n]);
    }
    if (n < 1 || n * 3 < w->count / step)
        return NAN;
    double low = quantile(mean, n, 0.1), high = quantile(mean, n, 0.9);
    for (size_t i = 0; i < n; i++)
        for (size_t j = i + 1; j < n; j++)
            if (fabs(mean[j] - mean[i]) > 0.5 * (high - low))
                slope[k++] = (rebate[j] - rebate[i]) / (mean[j] - mean[i]);
    double veil = high > 1.6 * low && k > 8 ? CLAMP(median(slope, k), 0, 0.01) : 0;
    for (size_t i = 0; i < n; i++)
        rebate[i] -= veil * mean[i];
    return fmax(median(rebate, n), 2e-4);
}

/* Of the darkest and brightest parts of the pictures. */
static double extreme(const work *w, int c, bool bright)
{
    g_autofree double *v = g_new(double, w->count + 1);
    for (size_t i = 0; i < w->count; i++) {
        const rw_colour_sight *s = w->views[i].sight;
        v[i] = (double)(bright ? s->high[c] : s->low[c]) * lamp_gain(w, i, c);
    }
    return quantile(v, w->count, bright ? 0.95 : 0.05);
}

/* ---- white ---- */

typedef struct tone {
    double e[3];
    double sum;
} tone;

static int compare_tones(const void *a, const void *b)
{
    double x = ((const tone *)a)->sum, y = ((const tone *)b)->sum;
    return (x > y) - (x < y);
}

/* Densities of the samples of views first .. end - 1, thinned to at most `most`. */
static tone *tones_of(const work *w, size_t first, size_t end, size_t most, size_t *count)
{
    size_t total = (end - first) * RW_COLOUR_SAMPLES, step = MAX(1, total / MAX(most, 1)), n = 0;
    if (step > 1)
        step |= 1; /* not a divisor of the grid: other places in other frames */
    tone *t = g_new(tone, total / step + 1);
    for (size_t k = 0; k < total; k += step) {
        size_t i = first + k / RW_COLOUR_SAMPLES;
        const uint8_t *s = w->views[i].sight->sample[k % RW_COLOUR_SAMPLES];
        if (MIN(s[0], MIN(s[1], s[2])) == 0 || MAX(s[0], MAX(s[1], s[2])) >= 254)
            continue; /* clipped: it says little */
        t[n].sum = 0;
        for (int c = 0; c < 3; c++) {
            t[n].e[c] = stops(w->light[s[c]] * lamp_gain(w, i, c));
            t[n].sum += t[n].e[c];
        }
        n++;
    }
    *count = n;
    return t;
}

/* The brightest hundredth of the samples: sky, paper, shirts, glints. */
static bool read_white(const work *w, size_t first, size_t end, double white[3])
{
    size_t count;
    g_autofree tone *t = tones_of(w, first, end, 200000, &count);
    if (count < 200)
        return false;
    qsort(t, count, sizeof *t, compare_tones);
    size_t n = MAX(count / 100, 20);
    g_autofree double *v = g_new(double, n);
    for (int c = 0; c < 3; c++) {
        for (size_t i = 0; i < n; i++)
            v[i] = t[i].e[c];
        white[c] = median(v, n);
    }
    return true;
}

/* ---- black and white, toned ---- */

/* Colour against tone: on film without dyes, or of one dye, each tone has one colour. */
static rw_reel_kind read_kind(const work *w)
{
    enum { TONES = 10 };
    size_t count, kept = 0;
    g_autofree tone *t = tones_of(w, 0, w->count, 60000, &count);
    g_autofree double *v = g_new(double, count + 1), *rest = g_new(double, 2 * count + 2);
    double farthest = 0;
    for (int k = 0; k < TONES; k++) /* green from half a stop to 5.5 stops */
        for (int c = 0; c < 3; c += 2) {
            size_t n = 0;
            for (size_t i = 0; i < count; i++)
                if ((int)floor((t[i].e[1] - 0.5) * 2) == k)
                    v[n++] = t[i].e[c] - t[i].e[1];
            double middle = median(v, n);
            if (n < 30)
                continue;
            farthest = fmax(farthest, fabs(middle));
            for (size_t i = 0; i < n; i++)
                rest[kept++] = fabs(v[i] - middle);
        }
    if (kept < 200)
        return RW_REEL_COLOURED;
    double spread = quantile(rest, kept, 0.8);
    return spread > 0.12 ? RW_REEL_COLOURED : farthest > 0.2 ? RW_REEL_TONED : RW_REEL_GREY;
}

/* ---- dyes ---- */

/* Density in stops of reversal film's base with its fog, and between base and black of film that
 * has lost nothing, as a camera sees it through a little stray light [M]. */
static const double base_density = 0.5, whole_range = 8.8;

/* What is known of a film that may have faded; densities in stops above the clear light. */
typedef struct film {
    double base;     /* of every channel */
    double depth[3]; /* from base to black */
    double stain[3];
    bool sure; /* black is that of unexposed film */
} film;

/* Whites have a little density of dye themselves: what of them does not lie on the line from the
 * base to black is stain, or the colour of what was filmed. */
static double off_the_line(const film *f, const double white[3], double off[3])
{
    double share = INFINITY, least = INFINITY, most = 0;
    for (int c = 0; c < 3; c++)
        share = fmin(share, (white[c] - f->base) / f->depth[c]);
    share = CLAMP(share, 0, 0.2);
    for (int c = 0; c < 3; c++) {
        off[c] = CLAMP(white[c] - f->base - share * f->depth[c], 0, 1.2);
        least = fmin(least, off[c]);
    }
    for (int c = 0; c < 3; c++) {
        off[c] -= least; /* an even one is darkness of the scene */
        most = fmax(most, off[c]);
    }
    return most;
}

typedef struct scene_white {
    double off[3], most;
} scene_white;

static int compare_whites(const void *a, const void *b)
{
    return compare(&((const scene_white *)a)->most, &((const scene_white *)b)->most);
}

/* Stain is the same in all scenes, and what was filmed seldom has less colour than white: the
 * scenes whose whites are least coloured say it, as far as they have whites. */
static void read_stain(const work *w, film *f, const double white[3], const rw_scene_colour *scenes,
                       size_t n_scenes)
{
    g_autofree scene_white *list = g_new(scene_white, n_scenes + 1);
    size_t n = 0, first = 0;
    for (size_t i = 0; i < n_scenes; i++) {
        size_t end = first;
        while (end < w->count && w->views[end].n <= scenes[i].last)
            end++;
        double own[3];
        if (end > first && read_white(w, first, end, own) && own[1] < white[1] + 1) {
            list[n].most = off_the_line(f, own, list[n].off);
            n++;
        }
        first = end;
    }
    if (n == 0) {
        list[0].most = off_the_line(f, white, list[0].off);
        n = 1;
    }
    qsort(list, n, sizeof *list, compare_whites);
    /* a tenth of a stop or so is the colour of what was filmed in one scene, less over many */
    double doubt = 0.09 / sqrt((double)n);
    const double *off = list[(n - 1) / 4].off;
    for (int c = 0; c < 3; c++)
        f->stain[c] = off[c] * off[c] / (off[c] + doubt);
    /* stain is yellow or brown: what takes blue takes some green, too [M] */
    f->stain[1] = fmax(f->stain[1], 0.25 * f->stain[2]);
}

static void set_fade(work *w, const film *f, const double kept[3])
{
    double inverse[3][3], scaled[3][3], m[3][3];
    invert(side, inverse);
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            scaled[i][j] = side[i][j] / kept[j];
    multiply(scaled, inverse, m);
    double moved[3], zero[3];
    for (int c = 0; c < 3; c++)
        zero[c] = f->base + f->stain[c];
    apply(m, zero, moved);
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++)
            w->reel.fade[i][j] = (float)m[i][j];
        w->reel.fade[i][3] = (float)(f->base - moved[i]);
        w->reel.kept[i] = (float)kept[i];
    }
}

static void read_dyes(work *w, film *f)
{
    double inverse[3][3], dye[3], neutral[3], unit[3] = {1, 1, 1}, kept[3], range = 0,
                                              least = INFINITY;
    invert(side, inverse);
    double depth[3];
    for (int c = 0; c < 3; c++)
        depth[c] = fmax(f->depth[c] - f->stain[c], 0.5);
    apply(inverse, depth, dye);
    apply(inverse, unit, neutral);
    for (int i = 0; i < 3; i++)
        range = fmax(range, dye[i] / neutral[i]);
    for (int i = 0; i < 3; i++) {
        kept[i] = dye[i] / neutral[i] / range;
        least = fmin(least, kept[i]);
    }
    double uneven = f->sure ? ramp(1 - least, 0.06, 0.14) : ramp(1 - least, 0.22, 0.4);
    /* all dyes alike: black is weak and white is stained, or black is no black any more */
    double stained = ramp(fmax(f->stain[2], f->stain[0]), 0.12, 0.25);
    double even = f->sure ? fmax(stained * (1 - ramp(range, 7.2, 8)), 1 - ramp(range, 5.2, 6)) : 0;
    /* once it has faded, the dye that is left most has lost something, too */
    double part = fmax(even, f->sure ? uneven : 0);
    double whole = range + part * (fmax(whole_range, range) - range);
    for (int i = 0; i < 3; i++)
        kept[i] = CLAMP(kept[i] * range / whole, 0.25, 1);
    w->reel.fade_evidence = (float)fmax(uneven, fmin(2 * even, 1));
    set_fade(w, f, kept);
}

/* ---- scenes ---- */

/* Mean light of a scene, stops given to each channel by what else is done taken in. */
static bool scene_light(const work *w, const rw_scene_colour *scene, double mean[3])
{
    double sum[3] = {0};
    size_t n = 0;
    for (size_t i = 0; i < w->count; i++) {
        if (w->views[i].n < scene->first || w->views[i].n > scene->last)
            continue;
        double e[3];
        for (int c = 0; c < 3; c++)
            e[c] = stops((double)w->views[i].sight->mean[c] * lamp_gain(w, i, c));
        double share = (double)w->reel.fade_evidence;
        for (int c = 0; c < 3; c++) {
            const float *f = w->reel.fade[c];
            double whole =
                (double)f[0] * e[0] + (double)f[1] * e[1] + (double)f[2] * e[2] + (double)f[3];
            sum[c] += e[c] + share * (whole - e[c]);
        }
        n++;
    }
    for (int c = 0; c < 3; c++)
        mean[c] = sum[c] / (double)n;
    return n > 0 && isfinite(sum[0] + sum[1] + sum[2]);
}

/* What of x lies beyond `free`, halved, at most `most`. */
static double beyond(double x, double free, double most)
{
    double over = fmax(fabs(x) - free, 0) / 2;
    return copysign(fmin(over, most), x);
}

/* Only what is far off: a sunset stays a sunset, film for lamplight used by day does not stay blue
 * all through. */
static void balance(const work *w, rw_scene_colour *scenes, size_t count)
{
    enum { LEAST = 5 }; /* scenes that can say what is usual */
    g_autofree double *level = g_new(double, count + 1), *red = g_new(double, count + 1),
                      *blue = g_new(double, count + 1);
    for (size_t i = 0; i < count; i++) {
        double m[3];
        bool ok = scene_light(w, &scenes[i], m);
        level[i] = ok ? (m[0] + m[1] + m[2]) / 3 : NAN;
        red[i] = ok ? m[0] - m[1] : NAN;
        blue[i] = ok ? m[2] - m[1] : NAN;
    }
    double usual[3] = {median(level, count), median(red, count), median(blue, count)};
    for (size_t i = 0; i < count && count >= LEAST; i++) {
        if (isnan(level[i]))
            continue;
        double e = beyond(level[i] - usual[0], 1.5, 1), r = red[i] - usual[1],
               b = blue[i] - usual[2], far = hypot(r, b);
        double part = w->reel.kind == RW_REEL_COLOURED && far > 0 ? beyond(far, 0.6, 0.5) / far : 0;
        double give[3] = {r * part, 0, b * part}, mean = (give[0] + give[2]) / 3;
        for (int c = 0; c < 3; c++)
            scenes[i].balance[c] = (float)(e + give[c] - mean);
    }
}

/* ---- all of it ---- */

void rw_colour_sight_clear(rw_colour_sight *sight)
{
    memset(sight, 0, sizeof *sight);
    for (int c = 0; c < 3; c++)
        sight->clear[c] = sight->rebate[c] = sight->mean[c] = sight->low[c] = sight->high[c] = NAN;
}

static void neutral(rw_reel_colour *reel)
{
    *reel =
        (rw_reel_colour){.version = RW_REEL_COLOUR_VERSION, .lamp = {1, 1, 1}, .kept = {1, 1, 1}};
    for (int c = 0; c < 3; c++)
        reel->fade[c][c] = 1;
}

static void read_film(work *w, const rw_scene_colour *scenes, size_t n_scenes)
{
    double white[3], black[3], deepest[3];
    w->reel.kind = (int32_t)read_kind(w);
    bool rebate = true;
    if (!read_white(w, 0, w->count, white))
        return;
    for (int c = 0; c < 3; c++) {
        deepest[c] = stops(extreme(w, c, false));
        black[c] = stops(rebate_light(w, c));
        /* unexposed film is at least about as dark as the pictures' shadows; else it is no black */
        rebate = rebate && isfinite(rebate_light(w, c)) && black[c] > deepest[c] - 0.7;
    }
    for (int c = 0; c < 3; c++) {
        w->reel.white[c] = (float)white[c];
        w->reel.black[c] = (float)(rebate ? black[c] : deepest[c]);
    }
    if (w->reel.kind != RW_REEL_COLOURED)
        return;
    film f = {.sure = rebate};
    double brightest = fmin(white[0], fmin(white[1], white[2]));
    f.base = isfinite(w->clear) ? fmin(w->clear + base_density, brightest) : brightest;
    for (int c = 0; c < 3; c++)
        f.depth[c] = fmax((rebate ? black : deepest)[c] - f.base, 0.5);
    read_stain(w, &f, white, scenes, n_scenes);
    read_dyes(w, &f);
}

GByteArray *rw_colour_estimate(const rw_colour_view *views, size_t count, int64_t frames,
                               const rw_scene_colour *scenes, size_t n_scenes)
{
    work w = {.views = views, .count = count, .frames = MAX(frames, 0)};
    neutral(&w.reel);
    w.reel.n_scenes = (int32_t)n_scenes;
    w.reel.n_frames = (int32_t)w.frames;
    w.reel.measured = (int32_t)count;
    w.drift = g_new0(rw_frame_colour, w.frames + 1);
    const rw_curve *curve = rw_curve_find("srgb");
    for (int i = 0; i < 256; i++)
        w.light[i] = curve->to_light(i / 255.0);
    rw_scene_colour *own = g_new0(rw_scene_colour, n_scenes + 1);
    for (size_t i = 0; i < n_scenes; i++)
        own[i].first = scenes[i].first,
        own[i].last = scenes[i].last; /* what lies between stays 0 */
    if (count > 0) {
        read_lamp(&w);
        fill_gaps(&w);
        read_film(&w, own, n_scenes);
        balance(&w, own, n_scenes);
    }
    GByteArray *block = g_byte_array_new();
    g_byte_array_append(block, (const guint8 *)&w.reel, sizeof w.reel);
    g_byte_array_append(block, (const guint8 *)own, (guint)(n_scenes * sizeof *own));
    g_byte_array_append(block, (const guint8 *)w.drift,
                        (guint)((size_t)w.frames * sizeof *w.drift));
    g_free(own);
    g_free(w.drift);
    return block;
}
