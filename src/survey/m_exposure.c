/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Light: jumps, drift and flicker of the clear light, and clipping.
 */
#include <math.h>

#include "survey/finding.h"

enum { SIDE = 8, SLOW = 51 };

/* ln of the clear light, NAN where it is clipped or unknown. */
static void clear_light(const rw_track *t, double *light)
{
    for (size_t i = 0; i < t->count; i++) {
        double v = rw_track_value(t, i, RW_M_CLEAR);
        bool clipped = rw_track_value(t, i, RW_M_CLEAR_CLIPPED) > 0.2;
        light[i] = v > 0 && !clipped ? log(v) : NAN;
    }
}

/* ln ratio of the light after position i to the light before it; NAN too near an end. */
static double jump_at(const double *light, size_t count, size_t i)
{
    if (i < SIDE || i + SIDE > count)
        return NAN;
    return rw_median(light + i, SIDE) - rw_median(light + i - SIDE, SIDE);
}

/* From here on as if the jump had not been, so that drift is what is left. */
static void take_off_jump(double *light, size_t count, size_t first, double jump)
{
    for (size_t i = first; i < count; i++)
        light[i] -= jump;
}

static void judge_jumps(const rw_track *t, double *light, double flicker, const rw_limits *limits,
                        rw_verdicts *verdicts)
{
    double limit = MAX(limits->v[RW_LIMIT_STEP] * log(2), 4 * flicker / sqrt(SIDE / 1.6));
    for (size_t i = SIDE; i + SIDE <= t->count; i++) {
        double jump = jump_at(light, t->count, i);
        if (!(fabs(jump) > limit))
            continue;
        size_t best = i;
        for (size_t k = i; k < i + 2 * SIDE && k + SIDE <= t->count; k++) {
            /* the step itself, not the middle of the medians' ramp */
            double at = fabs(light[k] - light[k - 1]) + fabs(jump_at(light, t->count, k));
            double so_far =
                fabs(light[best] - light[best - 1]) + fabs(jump_at(light, t->count, best));
            if (at > so_far)
                best = k;
        }
        jump = jump_at(light, t->count, best);
        rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_EXPOSURE, RW_LOOK, best, best, 0.9);
        rw_verdict_word(v, "what", "jump");
        rw_verdict_number(v, "stops", jump / log(2));
        take_off_jump(light, t->count, best, jump);
        i = best + SIDE;
    }
}

static double slow_light(const double *light, size_t count, size_t i)
{
    size_t first = i > SLOW / 2 ? i - SLOW / 2 : 0, last = MIN(i + SLOW / 2, count - 1);
    return rw_median(light + first, last - first + 1);
}

static void judge_drift(const rw_track *t, const double *light, const rw_limits *limits,
                        rw_verdicts *verdicts)
{
    size_t low = 0, high = 0, n = 0;
    double least = INFINITY, most = -INFINITY;
    for (size_t i = 0; i < t->count; i += 10) {
        double v = slow_light(light, t->count, i);
        if (isnan(v))
            continue;
        n++;
        if (v < least) {
            least = v;
            low = i;
        }
        if (v > most) {
            most = v;
            high = i;
        }
    }
    double stops = (most - least) / log(2);
    if (n < 10 || !(stops > limits->v[RW_LIMIT_DRIFT]))
        return;
    rw_verdict *v =
        rw_verdicts_add(verdicts, RW_KIND_EXPOSURE, RW_LOOK, MIN(low, high), MAX(low, high), 0.8);
    rw_verdict_word(v, "what", "drift");
    rw_verdict_number(v, "stops", low < high ? stops : -stops);
    v->advice = "Let the lamp warm up before the reel; lock the camera's exposure.";
}

/* What is left of the light after a median of five: flicker from still to still. */
static void flicker_of(const double *light, size_t count, double *out)
{
    for (size_t i = 0; i < count; i++) {
        size_t first = i > 2 ? i - 2 : 0, last = MIN(i + 2, count - 1);
        out[i] = light[i] - rw_median(light + first, last - first + 1);
    }
}

/* ---- the mains ---- */

typedef struct beat {
    double frequency; /* cycles per still */
    double share;     /* of the flicker's power in this one line */
} beat;

/* The strongest line of the spectrum of x, at a resolution of half a line. */
static beat strongest_line(const double *x, size_t count)
{
    beat best = {NAN, 0};
    double total = 0;
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        if (!isnan(x[i])) {
            total += x[i] * x[i];
            n++;
        }
    if (n < 64 || total <= 0)
        return best;
    for (double f = 1.0 / (double)count; f <= 0.5; f += 0.5 / (double)count) {
        double re = 0, im = 0;
        for (size_t i = 0; i < count; i++)
            if (!isnan(x[i])) {
                re += x[i] * cos(2 * G_PI * f * (double)i);
                im += x[i] * sin(2 * G_PI * f * (double)i);
            }
        double share = 2 * (re * re + im * im) / ((double)n * total);
        if (share > best.share)
            best = (beat){f, share};
    }
    return best;
}

/* Stills per second and how well that is known, from the first and last time and the usual
 * interval; 0 without a steady clock. */
static double capture_rate(const rw_track *t, size_t first, size_t count, double *error)
{
    g_autofree double *interval = g_new(double, count + 1);
    for (size_t i = 0; i < count; i++) {
        size_t k = first + i;
        interval[i] = k > 0 && t->time_us[k] != INT64_MIN && t->time_us[k - 1] != INT64_MIN
                          ? (double)(t->time_us[k] - t->time_us[k - 1]) * 1e-6
                          : NAN;
    }
    double usual = rw_median(interval, count), sum = 0, squares = 0, n = 0;
    for (size_t i = 0; i < count; i++)
        if (fabs(interval[i] / usual - 1) < 0.3) {
            sum += interval[i];
            squares += interval[i] * interval[i];
            n++;
        }
    if (n < 32 || !(usual > 0))
        return 0;
    double mean = sum / n, sd = sqrt(MAX(0, squares / n - mean * mean));
    *error = (sd + 1e-3) / (mean * mean) / n; /* jitter of the ends spread over the run */
    return 1 / mean;
}

/* Does the beat fit light that pulses at `pulses` Hz? *expected: the beat that it would make. */
static bool fits_mains(double beat_hz, double rate, double rate_error, double pulses, size_t count,
                       double *expected, double *margin)
{
    double k = rint(pulses / rate);
    *expected = fabs(pulses - k * rate);
    *margin = k * rate_error + rate / (double)count;
    return *margin < 0.1 * rate && fabs(beat_hz - *expected) < *margin;
}

static void add_mains(const rw_track *t, const double *flicker, rw_verdict *v)
{
    enum { MOST = 2048 };
    size_t count = MIN(t->count, (size_t)MOST), first = (t->count - count) / 2;
    double error = 0, rate = capture_rate(t, first, count, &error);
    beat b = strongest_line(flicker + first, count);
    double chance = 3 * log((double)count) / (double)count; /* white noise: e^-n share */
    if (!(b.share > MAX(0.15, chance)))
        return;
    rw_verdict_number(v, "beat_per_still", b.frequency);
    rw_verdict_number(v, "beat_share", b.share);
    if (rate <= 0)
        return;
    rw_verdict_number(v, "beat_hz", b.frequency * rate);
    for (int mains = 50; mains <= 60; mains += 10) {
        double expected, margin;
        if (!fits_mains(b.frequency * rate, rate, error, 2.0 * mains, count, &expected, &margin))
            continue;
        rw_verdict_number(v, "mains_hz", mains);
        rw_verdict_number(v, "mains_beat_hz", expected);
        rw_verdict_number(v, "mains_margin_hz", margin);
        v->advice = mains == 50
                        ? "The lamp pulses with 50 Hz mains: expose for a multiple of 1/100 s, or "
                          "feed it with direct current."
                        : "The lamp pulses with 60 Hz mains: expose for a multiple of 1/120 s, or "
                          "feed it with direct current.";
        return;
    }
}

static void judge_flicker(const rw_track *t, const double *flicker, double rms,
                          const rw_limits *limits, rw_verdicts *verdicts)
{
    if (!(rms > limits->v[RW_LIMIT_FLICKER]))
        return;
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_EXPOSURE, RW_LOOK, 0, t->count - 1, 0.9);
    rw_verdict_word(v, "what", "flicker");
    rw_verdict_number(v, "rms_percent", 100 * rms);
    add_mains(t, flicker, v);
}

void rw_judge_exposure(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    if (track->count < 2 * SIDE)
        return;
    g_autofree double *light = g_new(double, track->count), *flicker = g_new(double, track->count);
    clear_light(track, light);
    flicker_of(light, track->count, flicker);
    /* a median of five keeps a fifth of white noise's variance and goes with it in part: 0.82 of
     * the deviation is left (by simulation) */
    double rms = rw_robust_sd(flicker, track->count, 0) / 0.82;
    judge_jumps(track, light, rms, limits, verdicts);
    judge_drift(track, light, limits, verdicts);
    judge_flicker(track, flicker, rms, limits, verdicts);
}

/* The picture is at the ceiling, or the clear light of the perforation all is. */
static bool is_clipped(const rw_track *t, size_t i, double limit)
{
    return rw_track_value(t, i, RW_M_CLIPPED) > limit ||
           rw_track_value(t, i, RW_M_CLEAR_CLIPPED) > 0.5;
}

static void judge_run(const rw_track *t, size_t first, size_t last, const rw_limits *limits,
                      rw_verdicts *verdicts)
{
    double limit = limits->v[RW_LIMIT_CLIPPED], share = 0;
    size_t worst = first;
    for (size_t i = first; i <= last; i++)
        if (rw_track_value(t, i, RW_M_CLIPPED) > share) {
            share = rw_track_value(t, i, RW_M_CLIPPED);
            worst = i;
        }
    /* a perforation clipped all along does no harm but hides the lamp's flicker */
    bool harmless = share <= limit && last - first + 1 > t->count / 2;
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_CLIPPED,
                                    share > 10 * limit ? RW_REDO
                                    : harmless         ? RW_NOTE
                                                       : RW_LOOK,
                                    first, last, share > limit ? 0.95 : 0.8);
    v->anchor = worst;
    rw_verdict_number(v, "worst_percent_of_picture", 100 * share);
    rw_verdict_number(v, "clear_light", rw_track_value(t, worst, RW_M_CLEAR));
    if (harmless)
        v->advice = "The clear light is at the camera's ceiling: give a little less exposure, so "
                    "that the lamp's flicker can be seen and corrected.";
}

void rw_judge_clipped(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    enum { BRIDGE = 12 }; /* shorter pauses do not end a run */
    double limit = limits->v[RW_LIMIT_CLIPPED];
    for (size_t i = 0; i < track->count; i++) {
        if (!is_clipped(track, i, limit))
            continue;
        size_t last = i;
        for (size_t k = i; k < track->count && k <= last + BRIDGE; k++)
            if (is_clipped(track, k, limit))
                last = k;
        judge_run(track, i, last, limits, verdicts);
        i = last;
    }
}
