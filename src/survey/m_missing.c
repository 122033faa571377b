/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Film frames that no still shows.
 *
 * Three witnesses. The film itself: the strip of the next picture that a still shows is found again
 * on the next still, grain for grain, when nothing is missing. The clock: a pause of two or three
 * intervals. The picture: motion twice as long as its neighbours'. The film's word decides where it
 * can be heard; else clock and motion must agree.
 */
#include <math.h>
#include <string.h>

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
    bool *repeats;    /* the still before; owned */
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
    w[k].excused = list_excuses(t, verdicts, w[k].blurred, w[k].repeats);
    return w[k];
}

static void dismiss_film(film_witness *w)
{
    g_clear_pointer(&w->off, g_free);
    g_clear_pointer(&w->shift, g_free);
    g_clear_pointer(&w->repeats, g_free);
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

static bool is_home(const film_witness *w, size_t i)
{
    return w->off[i] < RW_STRIP_HOME_PX;
}

/* Off by more than registration's error, but not by much, and as like its piece of film as strips
 * here are: rather a still that is placed badly. By more than that when it is also as much more
 * like it than its surroundings are, which no other frame's strip of the same scene is. */
static bool is_almost_home(const rw_track *t, const film_witness *w, size_t i)
{
    static const double as_usual = 0.85, excess_as_usual = 0.7;
    double usual = rw_track_around(t, i, w->side->likeness, REACH, 0.5);
    double beside = rw_track_around(t, i, w->side->beside, REACH, 0.5);
    double here = rw_track_value(t, i, w->side->likeness);
    double excess = here - rw_track_value(t, i, w->side->beside);
    bool plain = excess > 0.2 && excess > excess_as_usual * (usual - beside);
    return w->off[i] < (plain ? 4 : 2) * RW_STRIP_HOME_PX && here > as_usual * usual;
}

/* Share of pairs round position i, in its scene, whose strips are found at home: how far the film
 * can be heard here. Black pictures have no grain to be known by. */
static double hearing(const rw_track *t, const film_witness *w, size_t i)
{
    double home = 0, all = 0;
    size_t first = i > REACH ? i - REACH : 1;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (k != i && t->scene[k] == t->scene[i] && k > t->scene[k] && !w->excused[k]) {
            home += is_home(w, k);
            all++;
        }
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

/* Film that moved a long way in the exposure leaves a pale picture under a ghost; grain of every
 * fineness is weaker alike. (As m_blur.c has it.) */
static bool is_pale(const rw_track *t, size_t i)
{
    static const double ratio_of_blur = 0.2;
    double fine =
        rw_track_value(t, i, RW_M_GRAIN_FINE) - rw_track_around(t, i, RW_M_GRAIN_FINE, REACH, 0.5);
    double ratio = rw_track_value(t, i, RW_M_GRAIN_RATIO) -
                   rw_track_around(t, i, RW_M_GRAIN_RATIO, REACH, 0.5);
    return ratio > ratio_of_blur * fine;
}

/* One of the two stills is blurred, and so is its strip: it is found less well, and off its place
 * by the length of the smear, but found. Where it is not at all, it is not the next picture's. */
static bool is_lost_in_blur(const rw_track *t, const film_witness *w, size_t i)
{
    static const double as_usual = 0.3, off_px = 3.5;
    size_t which = w->blurred[i] ? i : i - 1;
    double usual = rw_track_around(t, i, w->side->likeness, REACH, 0.5);
    return w->blurred[i] != w->blurred[i - 1] && (which < i || !is_pale(t, i)) &&
           w->off[i] > off_px && rw_track_value(t, i, w->side->likeness) < as_usual * usual;
}

/* The strip lies at home, but so it would on a motionless scene: is the grain the same, too? */
static bool grain_agrees(const rw_track *t, const film_witness *w, size_t i)
{
    double around[2 * REACH + 1];
    size_t n = 0, first = i > REACH ? i - REACH : 1;
    for (size_t k = first; k <= i + REACH && k < t->count; k++)
        if (k != i && is_home(w, k) && t->scene[k] == t->scene[i])
            around[n++] = unlikeness(t, w->side, k);
    double usual = rw_median(around, n), sd = rw_robust_sd(around, n, usual);
    double here = unlikeness(t, w->side, i);
    return n < 3 || !(here > 0.9 && here > usual + MAX(0.12, 3 * sd));
}

/* A blurred still is placed badly: its strip is off by as much one way as the next still's against
 * it is the other way. Where the next one's is near and its own is not, so that the two do not add
 * up to nothing, a frame is missing before it. A torn perforation beside it proves nothing. */
static bool breaks_round(const rw_track *t, const film_witness *w, size_t i)
{
    static const double round_px = 1.2, near_px = 1, clear = 0.02, plain = 0.1;
    size_t next = i + 1;
    if (i < 1 || next >= t->count || !w->blurred[i] || w->blurred[i - 1] || w->blurred[next] ||
        w->repeats[i] || w->repeats[next] || t->scene[i - 1] != t->scene[next] ||
        t->fit[i - 1].confidence < 0.5 || t->fit[next].confidence < 0.5 || t->fit[i - 1].damaged ||
        t->fit[next].damaged)
        return false;
    double excess =
        rw_track_value(t, next, w->side->likeness) - rw_track_value(t, next, w->side->beside);
    double round = hypot(w->shift[i].x + w->shift[next].x, w->shift[i].y + w->shift[next].y);
    return round > round_px && w->off[i] > w->off[next] &&
           w->off[next] < (excess > plain ? 2 : 1) * near_px && excess > clear;
}

/* Interval before position i in units of the usual one around it; NAN without a clock. *spread: the
 * robust spread of its neighbours in the same unit. */
static double interval(const rw_track *t, size_t i, double *spread)
{
    double values[2 * CLOCK_REACH];
    size_t n = 0;
    size_t first = i > CLOCK_REACH ? i - CLOCK_REACH : 1;
    for (size_t k = first; k <= i + CLOCK_REACH && k < t->count; k++)
        if (k != i && t->time_us[k] != INT64_MIN && t->time_us[k - 1] != INT64_MIN)
            values[n++] = (double)(t->time_us[k] - t->time_us[k - 1]);
    double usual = rw_median(values, n);
    *spread = rw_robust_sd(values, n, usual) / usual;
    if (!(usual > 0) || t->time_us[i] == INT64_MIN || t->time_us[i - 1] == INT64_MIN)
        return NAN;
    return (double)(t->time_us[i] - t->time_us[i - 1]) / usual;
}

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

/* How many frames are missing, from whoever can count. */
static size_t count_missing(double gap, double moved, bool gap_counts)
{
    if (gap_counts && gap >= 1.5 && gap < 20)
        return (size_t)lrint(gap) - 1;
    if (moved >= 1.5)
        return (size_t)lrint(MIN(moved, 8)) - 1;
    return 1;
}

typedef struct case_for {
    double hearing, gap, spread, moved;
    bool film_says_gap, film_says_none, grain_says_gap, clock, pulse, picture, still, deaf;
} case_for;

static case_for hear(const rw_track *t, const film_witness *film, const rw_limits *limits, size_t i)
{
    case_for c = {.hearing = film->heard ? hearing(t, film, i) : 0};
    c.deaf = c.hearing < limits->v[RW_LIMIT_CONTINUITY];
    bool listened = !c.deaf && !film->excused[i];
    bool home = film->heard && is_home(film, i), agrees = home && grain_agrees(t, film, i);
    c.film_says_none = home && agrees;
    /* a motionless scene: the strip's scene is in its place, its grain is not */
    c.grain_says_gap = listened && home && !agrees;
    c.gap = interval(t, i, &c.spread);
    c.clock = c.gap > limits->v[RW_LIMIT_GAP] && c.gap - 1 > 4 * c.spread;
    /* a transport that ran on makes whole multiples, a pause does not */
    c.pulse = c.clock && c.gap < 6.5 && fabs(c.gap - rint(c.gap)) < MAX(0.06, 3 * c.spread);
    c.moved = motion(t, film, i);
    c.still = isnan(c.moved) || film->excused[i]; /* a blurred still has no place of its own */
    c.picture = c.moved > 1.6;
    bool off =
        listened && !is_home(film, i) && (c.clock || c.picture || !is_almost_home(t, film, i));
    bool heard = c.hearing >= limits->v[RW_LIMIT_CONTINUITY];
    c.film_says_gap = off || (heard && (is_lost_in_blur(t, film, i) || breaks_round(t, film, i)));
    return c;
}

/* 0: no gap. */
static double weigh(const case_for *c)
{
    if (c->film_says_none)
        return 0;
    if (c->film_says_gap)
        return c->clock || c->picture ? 0.98 : 0.8 + 0.15 * c->hearing;
    if (c->grain_says_gap && (c->clock || c->gap > 1.6)) /* as irregular as the clock may be */
        return 0.95;
    if (c->clock && c->picture)
        return 0.9;
    if (c->pulse && c->deaf && c->moved > 1.25)
        return 0.8;
    if (c->pulse && (c->still || c->deaf))
        return 0.6; /* nothing moves, or not evenly: the clock stands alone */
    if (isnan(c->gap) && (c->grain_says_gap || (c->picture && c->moved > 1.75)))
        return 0.5; /* no clock: the picture stands alone */
    return 0;
}

static const char *counted_by(const case_for *c)
{
    return c->clock ? "clock" : c->picture ? "motion" : "assumed";
}

/* What speaks for the gap, and who says how many frames are missing. */
static void say_why(rw_verdict *v, const case_for *c, bool heard)
{
    g_autoptr(GString) why = g_string_new(NULL);
    if (c->film_says_gap)
        g_string_append(why, "The strip of the next picture on the still before is not this one's");
    else if (c->grain_says_gap)
        g_string_append(why,
                        "The strip of the next picture on the still before shows this scene, but "
                        "not the grain of this picture");
    else if (heard)
        g_string_append(why, "The film's own strips cannot be heard here");
    else
        g_string_append(why, "No strip of a neighbouring picture shows on these stills");
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

void rw_judge_missing(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    if (track->count < 2)
        return;
    film_witness film = call_film(track, verdicts);
    for (size_t i = 1; i < track->count; i++) {
        if (rw_verdicts_cover(verdicts, RW_KIND_DOUBLED, i))
            continue;
        case_for c = hear(track, &film, limits, i);
        double confidence = weigh(&c);
        if (confidence <= 0)
            continue;
        rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_MISSING,
                                        confidence >= 0.75 ? RW_REDO : RW_LOOK, i, i, confidence);
        v->missing = count_missing(c.gap, c.moved, c.clock);
        v->sure = confidence >= 0.75;
        rw_verdict_number(v, "frames", (double)v->missing);
        rw_verdict_number(v, "interval_to_usual", c.gap);
        rw_verdict_number(v, "motion_to_usual", c.moved);
        if (film.heard) {
            rw_verdict_word(v, "strip_of_next_frame", is_home(&film, i) ? "found" : "not found");
            rw_verdict_number(v, "strip_off_px", film.off[i] * 8 / track->basis.eighths);
            rw_verdict_number(v, "strips_found_around", c.hearing);
        }
        rw_verdict_word(v, "counted_by", counted_by(&c));
        say_why(v, &c, film.heard);
    }
    dismiss_film(&film);
}
