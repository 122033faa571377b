/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Film frames that no still shows.
 *
 * Three witnesses. The film itself: the strip of the next picture that a still shows is found again
 * on the next still, grain for grain, when nothing is missing. The clock: a pause of two or three
 * intervals. The picture: motion twice as long as its neighbours'. Each says how much likelier what
 * it saw is with a gap than without one, and the logarithms add up. Clock and motion are limited in
 * what they can say: cameras pause and people jump.
 */
#include <math.h>
#include <string.h>

#include "survey/continuity.h"
#include "survey/finding.h"

enum { REACH = 8, CLOCK_REACH = 20 };

typedef struct side {
    rw_measure likeness, beside, x, y;
} side;

static const side sides[2] = {
    {RW_M_FAR, RW_M_FAR_BESIDE, RW_M_FAR_X, RW_M_FAR_Y},
    {RW_M_NEAR, RW_M_NEAR_BESIDE, RW_M_NEAR_X, RW_M_NEAR_Y},
};

typedef struct film_witness {
    bool heard;       /* the strips of this reel show the next picture */
    const side *side; /* on which time runs */
    double x, y;      /* where strips are found, off the nominal pitch: scale and distortion */
    double *off;      /* distance from there, by position, decoded pixels; owned */
    rw_point *shift;  /* the same as a vector; owned */
    bool *excused;    /* cannot be expected to be found there, by position; owned */
    bool *blurred;    /* smeared or soft stills, owned */
    bool *loose;      /* ... and others whose place is not to be trusted, owned */
    bool *repeats;    /* the still before; owned */
    double home;      /* share of strips that are found at home, of those that can be expected to */
    double noise;     /* standard deviation of their place on one axis, decoded pixels */
} film_witness;

/* How far this still's first idea of its place was from what the whole reel made of it, decoded
 * pixels along still columns and rows: a torn perforation misleads one still alone. */
static rw_point misplaced(const rw_track *t, size_t i)
{
    bool certain;
    rw_point first = {0, 0};
    rw_affine place = rw_basis_place(&t->basis, t->gauge, &t->sight[i], &certain);
    rw_rect a = t->gauge->camera_aperture;
    rw_point was = rw_affine_apply(place, a.x + a.width / 2, a.y + a.height / 2);
    rw_point is = rw_affine_apply(t->fit[i].film_to_still, a.x + a.width / 2, a.y + a.height / 2);
    if (t->fit[i].method != RW_GATE_PERFORATION)
        return first;
    double scale = t->basis.eighths / 8.0;
    return (rw_point){(is.x - was.x) * scale, (is.y - was.y) * scale};
}

/* Where strips of one side are usually found; fills w->off, returns the share that is there. */
static double look_at_side(const rw_track *t, const side *s, film_witness *w)
{
    g_autofree double *x = g_new(double, t->count), *y = g_new(double, t->count);
    rw_affine map = t->basis.film_to_still;
    double scale = sqrt(fabs(rw_affine_determinant(map)));
    size_t found = 0, seen = 0;
    rw_point before = {0, 0};
    for (size_t i = 0; i < t->count; i++) {
        rw_point now = misplaced(t, i);
        /* the shift was measured along the film's axes */
        double dx = now.x - before.x, dy = now.y - before.y;
        x[i] = rw_track_value(t, i, s->x) - (map.m[0][0] * dx + map.m[1][0] * dy) / scale;
        y[i] = rw_track_value(t, i, s->y) - (map.m[0][1] * dx + map.m[1][1] * dy) / scale;
        before = now;
    }
    w->side = s;
    w->x = rw_median(x, t->count);
    w->y = rw_median(y, t->count);
    w->off = g_new(double, t->count);
    w->shift = g_new(rw_point, t->count);
    for (size_t i = 0; i < t->count; i++) {
        w->shift[i] = (rw_point){x[i] - w->x, y[i] - w->y};
        w->off[i] = hypot(w->shift[i].x, w->shift[i].y);
        found += w->off[i] < RW_STRIP_HOME_PX;
        seen += isnan(x[i]) ? 0 : 1;
    }
    return seen ? (double)found / (double)seen : 0;
}

/* Pairs whose strip has reasons of its own not to be found: a still that is blurred or has no
 * place, a repeat. */
static bool *list_excuses(const rw_track *t, const rw_verdicts *verdicts, bool *blurred,
                          bool *repeats)
{
    bool *excused = g_new0(bool, t->count + 1);
    for (size_t i = 0; i < t->count; i++) {
        blurred[i] = rw_verdicts_spoiled(verdicts, i);
        if (blurred[i] || t->fit[i].confidence < 0.5)
            excused[i] = excused[i + 1] = true;
        repeats[i] = rw_verdicts_cover(verdicts, RW_KIND_DOUBLED, i);
        excused[i] |= repeats[i];
    }
    return excused;
}

static bool is_home(const film_witness *w, size_t i)
{
    return w->off[i] < RW_STRIP_HOME_PX;
}

/* How well strips are found where nothing hinders it. */
static void measure_home(const rw_track *t, film_witness *w)
{
    static const double least_noise = 0.05, median_of_two_axes = 1.1774; /* sqrt(2 ln 2) */
    g_autofree double *off = g_new(double, t->count + 1);
    size_t all = 0, home = 0;
    for (size_t i = 1; i < t->count; i++) {
        if (w->excused[i])
            continue;
        all++;
        if (is_home(w, i))
            off[home++] = w->off[i];
    }
    w->home = all ? (double)home / (double)all : 0;
    w->noise = fmax(least_noise, home ? rw_median(off, home) / median_of_two_axes : 0);
}

static film_witness call_film(const rw_track *t, const rw_verdicts *verdicts)
{
    film_witness w[2];
    double share[2];
    for (int k = 0; k < 2; k++)
        share[k] = look_at_side(t, &sides[k], &w[k]);
    int k = share[1] > share[0];
    w[k].heard = share[k] > 0.5;
    g_free(w[!k].off);
    g_free(w[!k].shift);
    w[k].blurred = g_new0(bool, t->count + 1);
    w[k].repeats = g_new0(bool, t->count + 1);
    w[k].loose = g_new0(bool, t->count + 1);
    w[k].excused = list_excuses(t, verdicts, w[k].blurred, w[k].repeats);
    for (size_t i = 0; i < t->count; i++)
        w[k].loose[i] = w[k].blurred[i] || t->fit[i].damaged || t->fit[i].confidence < 0.5;
    measure_home(t, &w[k]);
    return w[k];
}

static void dismiss_film(film_witness *w)
{
    g_clear_pointer(&w->off, g_free);
    g_clear_pointer(&w->shift, g_free);
    g_clear_pointer(&w->repeats, g_free);
    g_clear_pointer(&w->loose, g_free);
    g_clear_pointer(&w->excused, g_free);
    g_clear_pointer(&w->blurred, g_free);
}

int rw_track_next_side(const rw_track *track, rw_point *home)
{
    double share[2] = {0, 0};
    *home = (rw_point){0, 0};
    for (int k = 0; k < 2 && track->count > 1; k++) {
        film_witness w;
        share[k] = look_at_side(track, &sides[k], &w);
        if (k == 0 || share[1] > share[0])
            *home = (rw_point){w.x, w.y};
        g_free(w.off);
        g_free(w.shift);
    }
    return MAX(share[0], share[1]) <= 0.5 ? 0 : share[0] >= share[1] ? 1 : -1;
}

/* Pairs round position i, in its scene, whose strips can be expected to be found, and how many of
 * them are. */
static void listen(const rw_track *t, const film_witness *w, size_t i, double *all, double *home)
{
    size_t first = i > REACH ? i - REACH : 1;
    *all = *home = 0;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (k != i && t->scene[k] == t->scene[i] && k > t->scene[k] && !w->excused[k]) {
            *home += is_home(w, k);
            (*all)++;
        }
}

/* How far the film can be heard here: black pictures have no grain to be known by. */
static double hearing(const rw_track *t, const film_witness *w, size_t i)
{
    double all, home;
    listen(t, w, i, &all, &home);
    return all >= 2 ? home / all : 0;
}

void rw_track_hearing(const rw_track *track, const rw_verdicts *verdicts, double *share)
{
    if (track->count < 2) {
        memset(share, 0, track->count * sizeof *share);
        return;
    }
    film_witness w = call_film(track, verdicts);
    for (size_t i = 0; i < track->count; i++)
        share[i] = w.heard ? hearing(track, &w, i) : 0;
    dismiss_film(&w);
}

/* Unlikeness of the strip to its piece of film in units of the unlikeness that the scene alone
 * leaves: below 1 because the grain is the same. */
static double unlikeness(const rw_track *t, const side *s, size_t i)
{
    return (1 - rw_track_value(t, i, s->likeness)) / (1 - rw_track_value(t, i, s->beside));
}

/* ---- the film's word ---- */

/* What is usual of strips that are found round position i, in its scene or else on the reel. */
static void usual_unlikeness(const rw_track *t, const film_witness *w, size_t i, double *usual,
                             double *spread)
{
    enum { ENOUGH = 4 };
    static const double least = 0.04, elsewhere = 0.1;
    g_autofree double *found = g_new(double, t->count + 1);
    size_t n = 0, first = i > REACH ? i - REACH : 1;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (k != i && !w->excused[k] && is_home(w, k) && t->scene[k] == t->scene[i])
            found[n++] = unlikeness(t, w->side, k);
    bool here = n >= ENOUGH;
    for (size_t k = 1; k < t->count && !here; k++)
        if (k != i && !w->excused[k] && is_home(w, k))
            found[n++] = unlikeness(t, w->side, k);
    *usual = rw_median(found, n);
    *spread = fmax(here ? least : elsewhere, n ? rw_robust_sd(found, n, *usual) : 0);
}

/* Share of strips that are not found round position i though nothing need be missing: some are not
 * because something is, and as many are forgiven as the limit has it. */
static double share_lost(const rw_track *t, const film_witness *w, const rw_limits *limits,
                         size_t i)
{
    static const double always = 0.004, others = 2; /* as if so many more were as on the reel */
    double all, home, least = limits->v[RW_LIMIT_CONTINUITY];
    listen(t, w, i, &all, &home);
    double found = (home + others * w->home) / (all + others);
    return CLAMP(always + (least - found) / least, always, 1);
}

/* Where another frame's strip would be found: as far off as the picture moves. */
static double wander_of(const rw_track *t, const film_witness *w, size_t i)
{
    static const double unknown_px = 1, least = 2;
    double scale = sqrt(fabs(rw_affine_determinant(t->basis.film_to_still))) * t->basis.eighths / 8;
    double x[2 * REACH + 1];
    size_t n = 0, first = i > REACH ? i - REACH : 1;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (!w->excused[k] && t->scene[k] == t->scene[i])
            x[n++] =
                hypot(rw_track_value(t, k, RW_M_MOTION_X), rw_track_value(t, k, RW_M_MOTION_Y));
    double usual = rw_median(x, n) * scale;
    return isnan(usual) ? unknown_px : fmax(usual, least * w->noise);
}

/* The same where blur comes into it: what is lost to it goes with how much of the grain's power
 * is left. Film that moved by a whole pitch leaves a pale picture under a ghost. */
static double lost_in_blur(const rw_track *t, const film_witness *w, size_t i)
{
    static const double by_blur = 0.006, by_ghost = 0.15, begins = 1.7, ends = 2.1;
    double weaker = 0; /* ln of power, both together */
    for (size_t k = i - 1; k <= i; k++)
        if (w->blurred[k])
            weaker += fmax(0, rw_track_around(t, k, RW_M_GRAIN_FINE, REACH, 0.5) -
                                  rw_track_value(t, k, RW_M_GRAIN_FINE));
    return by_blur + by_ghost * CLAMP((weaker - begins) / (ends - begins), 0, 1);
}

static bool is_torn(const rw_track *t, const film_witness *w, size_t i)
{
    return t->fit[i].damaged && !w->blurred[i];
}

/* A strip of the width that a gate lets through, on so few pixels that it tells its place across
 * but not along the film. */
static double share_vague(const rw_track *t)
{
    static const double strip_mm = 0.075, enough = 12, few = 9, most = 0.008;
    double px_per_mm = sqrt(fabs(rw_affine_determinant(t->basis.film_to_still)));
    double rows = strip_mm * px_per_mm * t->basis.eighths / 8;
    return most * CLAMP((enough - rows) / (enough - few), 0, 1);
}

static rw_join join_at(const rw_track *t, const film_witness *w, const rw_limits *limits, size_t i)
{
    static const double by_tear = 0.08; /* beside a blurred one: placed by nothing that is sure */
    rw_join j = {.x = w->shift[i].x,
                 .y = w->shift[i].y,
                 .unlikeness = unlikeness(t, w->side, i),
                 .lost = share_lost(t, w, limits, i),
                 .vague = share_vague(t),
                 .wander = wander_of(t, w, i),
                 .blurred = w->blurred[i] || w->blurred[i - 1],
                 .loose = w->loose[i]};
    if (j.blurred)
        j.lost = fmax(j.lost, lost_in_blur(t, w, i));
    if (is_torn(t, w, i) || is_torn(t, w, i - 1))
        j.lost = fmax(j.lost, j.blurred ? by_tear : 0);
    usual_unlikeness(t, w, i, &j.usual, &j.spread);
    if (!w->heard)
        j.x = j.y = NAN;
    return j;
}

/* ---- the clock's ---- */

/* Interval before position i in units of the usual one around it; NAN without a clock. *spread: of
 * its neighbours in the same unit. Times in whole seconds are mostly the same and now and then one
 * more or less, which the median of the deviations does not see. */
static double interval(const rw_track *t, size_t i, double *spread)
{
    static const double least = 0.015, tenth_to_ninth = 2.563; /* of a normal one, sd */
    double values[2 * CLOCK_REACH];
    size_t n = 0;
    size_t first = i > CLOCK_REACH ? i - CLOCK_REACH : 1;
    for (size_t k = first; k <= i + CLOCK_REACH && k < t->count; k++)
        if (k != i && t->time_us[k] != INT64_MIN && t->time_us[k - 1] != INT64_MIN)
            values[n++] = (double)(t->time_us[k] - t->time_us[k - 1]);
    double usual = rw_median(values, n);
    if (!(usual > 0) || t->time_us[i] == INT64_MIN || t->time_us[i - 1] == INT64_MIN)
        return NAN;
    double range = rw_quantile(values, n, 0.9) - rw_quantile(values, n, 0.1);
    *spread = fmax(range / tenth_to_ninth, rw_robust_sd(values, n, usual)) / usual;
    *spread = fmax(*spread, least);
    return (double)(t->time_us[i] - t->time_us[i - 1]) / usual;
}

static double normal(double x, double sd)
{
    return exp(-0.5 * x * x / (sd * sd)) / (sd * sqrt(2 * G_PI));
}

/* A camera that did not fire makes a whole multiple, a film that ran on makes nothing; a person's
 * pause may be of any length. */
static double clock_odds(double gap, double spread, bool heard)
{
    static const double pause = 0.03, tail = 0.12, ran_on = 0.45;
    const double most = heard ? 3.4 : 4; /* where no strip shows there is nobody else to ask */
    if (isnan(gap))
        return 0;
    double any = pause / (fmax(gap, 0.1) * log(1000)), share = 0.7;
    double usual = (1 - tail) * normal(gap - 1, spread) + tail * normal(gap - 1, 1.6 * spread);
    double without = (1 - pause) * usual + any, with = ran_on * usual + any;
    for (int times = 2; times <= 8; times++, share *= 0.3)
        with += (1 - ran_on) * share * normal(gap - times, spread);
    return fmin(log(with / without), most);
}

typedef struct case_for {
    double gap, moved;    /* interval and motion, to the usual; NAN unknown */
    double before, after; /* ln odds without the film, and with it */
    double lost;
    bool clock, picture, home;
} case_for;

/* ---- and the picture's ---- */

/* Motion into position i in units of the nearest steps before and after it in its scene. What was
 * seen of a blurred still, or of a repeat, is not the picture's motion: nothing is known there. */
static double motion(const rw_track *t, const film_witness *w, size_t i)
{
    enum { FAR = 3 };
    const rw_step *around[2];
    int n = 0;
    if (i == t->scene[i] || w->excused[i])
        return NAN;
    for (int way = -1; way <= 1; way += 2)
        for (size_t d = 1; d <= FAR; d++) {
            size_t k = way < 0 ? i - d : i + d;
            if (k >= t->count || k <= t->scene[i] || t->scene[k] != t->scene[i])
                break;
            if (w->excused[k])
                continue;
            around[n++] = &t->step[k];
            break;
        }
    return n ? rw_step_ratio(&t->step[i], around, n) : NAN;
}

/* What the picture's motion says at position i: steps are all the more telling the more even those
 * around it are. */
static double motion_odds(const rw_track *t, const case_for *cases, size_t i)
{
    enum { ENOUGH = 4 };
    static const double leaps = 0.03, least = 0.1, mean = 0.75, sd = 0.38, range = 5, most = 2.7;
    double around[2 * REACH + 1];
    size_t n = 0, first = i > REACH ? i - REACH : 1;
    if (isnan(cases[i].moved))
        return 0;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (k != i && t->scene[k] == t->scene[i] && !isnan(cases[k].moved))
            around[n++] = cases[k].moved;
    double usual = n >= ENOUGH ? rw_median(around, n) : mean;
    double spread = n >= ENOUGH ? fmax(least, rw_robust_sd(around, n, usual)) : sd;
    double any = leaps / range, here = normal(cases[i].moved - usual, spread);
    double twice = normal(cases[i].moved - 2 * fmax(usual, mean), hypot(spread, 0.35));
    return CLAMP(log((0.5 * twice + 0.5 * here + any) / ((1 - leaps) * here + any)), -1, most);
}

/* ---- together ---- */

/* The witnesses that speak without the film. */
static void hear(const rw_track *t, const film_witness *film, const rw_limits *limits,
                 case_for *cases)
{
    static const double nothing_known = -3.0;
    for (size_t i = 0; i < t->count; i++)
        cases[i].moved = i ? motion(t, film, i) : NAN;
    for (size_t i = 1; i < t->count; i++) {
        case_for *c = &cases[i];
        double spread = 0;
        c->gap = interval(t, i, &spread);
        double clock = clock_odds(c->gap, spread, film->heard), picture = motion_odds(t, cases, i);
        c->clock = c->gap > limits->v[RW_LIMIT_GAP] && clock > 1;
        c->picture = c->moved > 1.6 && picture > 1;
        c->before = nothing_known + clock + picture;
    }
}

/* One chain of joins from one well-placed still to the next; returns the position after it. */
static size_t ask_film(const rw_track *t, const film_witness *film, const rw_limits *limits,
                       size_t first, case_for *cases)
{
    rw_join chain[RW_LONGEST_CHAIN];
    double probability[RW_LONGEST_CHAIN];
    size_t n = 0, i = first;
    for (; i < t->count && n < RW_LONGEST_CHAIN && !film->repeats[i]; i++) {
        chain[n] = join_at(t, film, limits, i);
        chain[n].odds = cases[i].before;
        cases[i].lost = chain[n].lost;
        cases[i].home = film->heard && is_home(film, i);
        n++;
        if (!film->loose[i]) {
            i++;
            break;
        }
    }
    rw_chain_weigh(chain, n, film->loose[first - 1], film->noise, probability);
    for (size_t k = 0; k < n; k++)
        cases[first + k].after = log(probability[k] / (1 - probability[k]));
    return n ? i : first + 1;
}

/* How many frames are missing, from whoever can count. */
static size_t count_missing(double gap, double moved, bool gap_counts)
{
    if (gap_counts && gap >= 1.5 && gap < 20)
        return (size_t)lrint(gap) - 1;
    if (moved >= 1.5)
        return (size_t)lrint(MIN(moved, 8)) - 1;
    return 1;
}

static const char *counted_by(const case_for *c)
{
    return c->clock ? "clock" : c->picture ? "motion" : "assumed";
}

/* What speaks for the gap, and who says how many frames are missing. */
static void say_why(rw_verdict *v, const case_for *c, bool heard)
{
    g_autoptr(GString) why = g_string_new(NULL);
    bool film = c->after > c->before + 1;
    if (film && c->home)
        g_string_append(why,
                        "The strip of the next picture on the still before shows this scene, but "
                        "not the grain of this picture");
    else if (film)
        g_string_append(why, "The strip of the next picture on the still before is not this one's");
    else if (heard)
        g_string_append(why, "The film's own strips cannot be heard here");
    else
        g_string_append(why, "No strip of a neighbouring picture shows on these stills");
    if (!film && isnan(c->gap))
        g_string_append(why, ", and the stills carry no time, so that this is no more than a hint");
    if (c->clock)
        g_string_append_printf(why, "; the camera paused for %.1f usual intervals", c->gap);
    if (c->picture)
        g_string_append_printf(why, "; the picture moved on %.1f times as far as usual", c->moved);
    if (c->clock || c->picture)
        g_string_append_printf(why, ". That makes %zu missing.", v->missing);
    else
        g_string_append(why,
                        ". Clock and motion do not tell how many are missing: one is assumed.");
    rw_verdict_because(v, "%s", why->str);
}

static void report(const rw_track *t, const film_witness *film, const case_for *c, size_t i,
                   double confidence, rw_verdicts *verdicts)
{
    rw_severity severity = confidence >= 0.75 ? RW_REDO : confidence >= 0.5 ? RW_LOOK : RW_NOTE;
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_MISSING, severity, i, i, confidence);
    v->missing = count_missing(c->gap, c->moved, c->clock);
    v->sure = severity == RW_REDO;
    rw_verdict_number(v, "frames", (double)v->missing);
    rw_verdict_number(v, "interval_to_usual", c->gap);
    rw_verdict_number(v, "motion_to_usual", c->moved);
    if (film->heard) {
        rw_verdict_word(v, "strip_of_next_frame", c->home ? "found" : "not found");
        rw_verdict_number(v, "strip_off_px", film->off[i] * 8 / t->basis.eighths);
        rw_verdict_number(v, "strips_found_around", hearing(t, film, i));
    }
    rw_verdict_word(v, "counted_by", counted_by(c));
    say_why(v, c, film->heard);
}

void rw_judge_missing(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    static const double least = 0.5, least_hint = 0.3, most = 0.98;
    if (track->count < 2)
        return;
    film_witness film = call_film(track, verdicts);
    g_autofree case_for *cases = g_new0(case_for, track->count + 1);
    hear(track, &film, limits, cases);
    for (size_t i = 1; i < track->count;)
        i = ask_film(track, &film, limits, i, cases);
    for (size_t i = 1; i < track->count; i++) {
        const case_for *c = &cases[i];
        double confidence = fmin(1 / (1 + exp(-c->after)), most);
        /* where neither film nor clock can tell, a leap is worth a note */
        bool hint = isnan(c->gap) && c->picture && c->lost > 0.5 && c->moved > 1.75;
        if (!film.repeats[i] && confidence >= (hint ? least_hint : least))
            report(track, &film, c, i, confidence, verdicts);
    }
    dismiss_film(&film);
}
