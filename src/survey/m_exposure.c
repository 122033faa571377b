/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Light: jumps, drift and flicker of the clear light, and clipping.
 */
#include <math.h>

#include "survey/finding.h"
#include "survey/mains.h"

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

/* unrest: jumps of the medians that flicker alone may make, ln. */
static void judge_jumps(const rw_track *t, double *light, double unrest, const rw_limits *limits,
                        rw_verdicts *verdicts)
{
    double limit = MAX(limits->v[RW_LIMIT_STEP] * log(2), unrest);
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
        if (!(fabs(jump) > limit))
            continue;
        rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_EXPOSURE, RW_LOOK, best, best, 0.9);
        rw_verdict_word(v, "what", "jump");
        rw_verdict_number(v, "stops", jump / log(2));
        rw_verdict_because(v, "The clear light jumps by %+.2f stops at this still and stays there.",
                           jump / log(2));
        take_off_jump(light, t->count, best, jump);
        i = best + SIDE;
    }
}

static double slow_light(const double *light, size_t count, size_t i)
{
    size_t first = i > SLOW / 2 ? i - SLOW / 2 : 0, last = MIN(i + SLOW / 2, count - 1);
    return rw_median(light + first, last - first + 1);
}

static void judge_drift(const rw_track *t, const double *light, double unrest,
                        const rw_limits *limits, rw_verdicts *verdicts)
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
    if (n < 10 || !(stops > MAX(limits->v[RW_LIMIT_DRIFT], unrest / log(2))))
        return;
    rw_verdict *v =
        rw_verdicts_add(verdicts, RW_KIND_EXPOSURE, RW_LOOK, MIN(low, high), MAX(low, high), 0.8);
    rw_verdict_word(v, "what", "drift");
    rw_verdict_number(v, "stops", low < high ? stops : -stops);
    rw_verdict_because(v, "The clear light wanders slowly by %+.2f stops between these frames.",
                       low < high ? stops : -stops);
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

/* ---- flicker ---- */

/* The light less its slow course. */
static void wave_of(const double *light, size_t count, double *out)
{
    for (size_t i = 0; i < count; i++)
        out[i] = light[i] - slow_light(light, count, i);
}

static double mean_square(const double *x, size_t count)
{
    double sum = 0;
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        if (!isnan(x[i])) {
            sum += x[i] * x[i];
            n++;
        }
    return n ? sum / (double)n : 0;
}

typedef struct beat {
    double frequency; /* cycles per still */
    double share;     /* of the flicker's power in this one line */
} beat;

/* The strongest line of the spectrum of x, at a resolution of half a line. */
static beat strongest_line(const double *x, size_t count)
{
    beat best = {NAN, 0};
    double total = mean_square(x, count) * (double)count;
    if (count < 64 || total <= 0)
        return best;
    for (double f = 1.0 / (double)count; f <= 0.5; f += 0.5 / (double)count) {
        double re = 0, im = 0;
        for (size_t i = 0; i < count; i++)
            if (!isnan(x[i])) {
                re += x[i] * cos(2 * G_PI * f * (double)i);
                im += x[i] * sin(2 * G_PI * f * (double)i);
            }
        double share = 2 * (re * re + im * im) / ((double)count * total);
        if (share > best.share)
            best = (beat){f, MIN(1, share)};
    }
    return best;
}

static void tell_mains(rw_verdict *v, const rw_mains *mains)
{
    rw_verdict_number(v, "mains_hz", mains->hz);
    rw_verdict_number(v, "pulses_hz", mains->pulses_hz);
    rw_verdict_number(v, "mains_share_percent", 100 * mains->share);
    rw_verdict_number(v, "beat_hz", mains->beat_hz);
    rw_verdict_number(v, "others_fit_percent", 100 * mains->chance);
    v->advice = mains->hz == 50
                    ? "The lamp pulses with 50 Hz mains: expose for a multiple of 1/100 s, or "
                      "feed it with direct current."
                    : "The lamp pulses with 60 Hz mains: expose for a multiple of 1/120 s, or "
                      "feed it with direct current.";
}

/* A beat that stands out and that no mains explain: from the middle of the reel. */
static bool tell_beat(rw_verdict *v, const double *wave, size_t count)
{
    enum { MOST = 1024 };
    size_t n = MIN(count, (size_t)MOST);
    beat b = strongest_line(wave + (count - n) / 2, n);
    if (!(b.share > MAX(0.3, 20.0 / (double)n)))
        return false;
    rw_verdict_number(v, "beat_stills", 1 / b.frequency);
    rw_verdict_number(v, "beat_share_percent", 100 * b.share);
    return true;
}

/* What flickers, and by how much. */
typedef struct flicker {
    double rms;   /* from still to still, ln */
    double whole; /* beats slower than that included */
    double *wave; /* the light less its slow course; owned */
    rw_mains mains;
    bool pulses; /* with the mains, and by more than is tolerated */
} flicker;

static flicker read_flicker(const rw_track *t, const double *light, double limit)
{
    flicker f = {.wave = g_new(double, t->count)};
    flicker_of(light, t->count, f.wave);
    /* a median of five keeps a fifth of white noise's variance and goes with it in part: 0.82 of
     * the deviation is left (by simulation) */
    f.rms = rw_robust_sd(f.wave, t->count, 0) / 0.82;
    wave_of(light, t->count, f.wave);
    f.whole = sqrt(mean_square(f.wave, t->count));
    f.pulses = MAX(f.rms, f.whole) > limit &&
               rw_mains_find(t->time_us, f.wave, t->count, &f.mains) &&
               f.whole * sqrt(f.mains.share) > limit;
    return f;
}

static void say_mains(rw_verdict *v, const flicker *f)
{
    static const double few = 0.1; /* other frequencies that need no word */
    g_autofree char *but =
        f->mains.chance > few
            ? g_strdup_printf(" (Stills came so regularly that %.0f of 100 other frequencies "
                              "would fit as well.)",
                              100 * f->mains.chance)
            : g_strdup("");
    rw_verdict_because(v,
                       "The clear light flickers by %.1f %% rms, in step with pulses of %d Hz: "
                       "twice the frequency of %d Hz mains.%s",
                       100 * f->whole, 2 * f->mains.hz, f->mains.hz, but);
}

static void judge_flicker(const rw_track *t, const flicker *f, const rw_limits *limits,
                          rw_verdicts *verdicts)
{
    if (!(f->rms > limits->v[RW_LIMIT_FLICKER]) && !f->pulses)
        return; /* the light wanders, but not from still to still */
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_EXPOSURE, RW_LOOK, 0, t->count - 1, 0.9);
    rw_verdict_word(v, "what", "flicker");
    rw_verdict_number(v, "rms_percent", 100 * (f->pulses ? f->whole : f->rms));
    if (f->pulses) {
        tell_mains(v, &f->mains);
        say_mains(v, f);
    } else if (tell_beat(v, f->wave, t->count)) {
        rw_verdict_because(v,
                           "The clear light flickers by %.1f %% rms with a regular beat, which the "
                           "stills' times do not trace to 50 or 60 Hz mains.",
                           100 * f->rms);
    } else {
        rw_verdict_because(v,
                           "The clear light flickers by %.1f %% rms from still to still, without a "
                           "regular beat.",
                           100 * f->rms);
    }
}

void rw_judge_exposure(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    if (track->count < 2 * SIDE)
        return;
    g_autofree double *light = g_new(double, track->count);
    clear_light(track, light);
    flicker f = read_flicker(track, light, limits->v[RW_LIMIT_FLICKER]);
    /* what flickers with a slow beat is no row of jumps */
    bool flickers = f.pulses || f.rms > limits->v[RW_LIMIT_FLICKER];
    double unrest = flickers ? 4 * f.whole : 4 * f.rms / sqrt(SIDE / 1.6);
    judge_jumps(track, light, unrest, limits, verdicts);
    judge_drift(track, light, flickers ? unrest : 0, limits, verdicts);
    judge_flicker(track, &f, limits, verdicts);
    g_free(f.wave);
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
    if (share > limit)
        rw_verdict_because(v, "Up to %.0f %% of the picture reads the camera's ceiling.",
                           MAX(1, 100 * share));
    else
        rw_verdict_because(v, "The clear light through the perforations reads the camera's "
                              "ceiling; the picture itself does not.");
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
