/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Joints in the film: they throw it out of place, and tape takes light from the ends of two
 * pictures.
 */
#include <math.h>

#include "survey/finding.h"

/* ---- the throw ---- */

typedef struct weave_usual {
    double x_sd, y_sd; /* px */
} weave_usual;

static bool is_placed(const rw_track *t, const rw_verdicts *verdicts, size_t i)
{
    return t->fit[i].method == RW_GATE_PERFORATION && !t->fit[i].damaged &&
           t->fit[i].confidence >= 0.5 && !rw_verdicts_spoiled(verdicts, i);
}

static weave_usual find_usual(const rw_track *t, const rw_verdicts *verdicts)
{
    /* never less than a twentieth of a pixel, which is what registration is good for */
    static const double least = 0.05;
    g_autofree double *x = g_new(double, t->count), *y = g_new(double, t->count);
    for (size_t i = 0; i < t->count; i++) {
        bool placed = is_placed(t, verdicts, i);
        x[i] = placed ? t->fit[i].dx : NAN;
        y[i] = placed ? t->fit[i].dy : NAN;
    }
    return (weave_usual){fmax(least, rw_robust_sd(x, t->count, 0)),
                         fmax(least, rw_robust_sd(y, t->count, 0))};
}

/* Weave at position i in units of its usual size. */
static double weave(const rw_track *t, const weave_usual *u, size_t i)
{
    return hypot(t->fit[i].dx / u->x_sd, t->fit[i].dy / u->y_sd);
}

/* A joint throws the film out of place; it finds back over the next frames, on the same side. */
static bool settles(const rw_track *t, size_t i)
{
    if (i + 2 >= t->count)
        return true;
    const rw_gate_fit *a = &t->fit[i], *b = &t->fit[i + 1], *c = &t->fit[i + 2];
    double size = a->dx * a->dx + a->dy * a->dy;
    double next = (a->dx * b->dx + a->dy * b->dy) / size;
    double after = (a->dx * c->dx + a->dy * c->dy) / size;
    return next > 0.15 && next < 0.8 && after < 0.5;
}

/* By how much of its usual weave the film is thrown out at position i; 0 when it is not, or does
 * not settle. */
static double thrown(const rw_track *t, const rw_verdicts *verdicts, const weave_usual *u, size_t i)
{
    static const double before = 5;
    if (!is_placed(t, verdicts, i) || !settles(t, i) || weave(t, u, i - 1) > before)
        return 0;
    return weave(t, u, i);
}

/* ---- the tape ---- */

enum { LEAST_TAPE = 4, MOST_TAPE = RW_COLOUR_ROWS - 3, ACROSS = RW_COLOUR_COLUMNS };

typedef struct shade {
    double row[RW_COLOUR_ROWS]; /* ln of coded light against another frame's, from the joint on */
    bool seen;
} shade;

/* Median over each row: what moves in the scene has little say. joint: the first row lies there. */
static shade shade_of(const rw_look *look, const rw_look *against, bool joint_first)
{
    shade s = {.seen = look->seen && against->seen};
    for (int r = 0; s.seen && r < RW_COLOUR_ROWS; r++) {
        double ratio[ACROSS];
        for (int c = 0; c < ACROSS; c++)
            ratio[c] =
                log((look->tone[r * ACROSS + c] + 8.0) / (against->tone[r * ACROSS + c] + 8.0));
        s.row[joint_first ? r : RW_COLOUR_ROWS - 1 - r] = rw_median(ratio, ACROSS);
    }
    return s;
}

/* By how much the first rows are darker than the others, ln, and how uneven either part is. */
static double darker(const shade *s, int rows, double *uneven)
{
    double near = rw_median(s->row, (size_t)rows);
    double far = rw_median(s->row + rows, (size_t)(RW_COLOUR_ROWS - rows));
    *uneven = 0;
    for (int r = 0; r < RW_COLOUR_ROWS; r++)
        *uneven += fabs(s->row[r] - (r < rows ? near : far)) / RW_COLOUR_ROWS;
    return far - near;
}

typedef struct tape {
    double clear; /* how clearly it shows, 0 not .. 1 beyond doubt .. */
    double taken; /* share of the light */
} tape;

/* It reaches as far over the one picture as over the other, and takes as much from both. */
static tape tape_on(const shade *a, const shade *b)
{
    static const double noise = 0.004, beyond_doubt = 2, coding = 2.2;
    tape best = {0, 0};
    for (int rows = LEAST_TAPE; a->seen && b->seen && rows <= MOST_TAPE; rows++) {
        double rough_a, rough_b;
        double dark_a = darker(a, rows, &rough_a), dark_b = darker(b, rows, &rough_b);
        double less = fmin(dark_a, dark_b), more = fmax(dark_a, dark_b);
        if (less <= 0)
            continue;
        double clear = less / (noise + rough_a + rough_b) * less / more / beyond_doubt;
        if (clear > best.clear)
            best = (tape){clear, 1 - exp(-coding * less)};
    }
    return best;
}

/* Over the joint before position i. Held against two frames on either side: one of them may flash,
 * or move. */
static tape find_tape(const rw_track *t, size_t i)
{
    tape best = {0, 0};
    for (int way = 0; way < 2; way++)
        for (size_t a = 2; a <= 3 && a <= i; a++)
            for (size_t b = 1; b <= 2 && i + b < t->count; b++) {
                shade before = shade_of(&t->look[i - 1], &t->look[i - a], way == 1);
                shade after = shade_of(&t->look[i], &t->look[i + b], way == 0);
                tape found = tape_on(&before, &after);
                if (found.clear > best.clear)
                    best = found;
            }
    return best;
}

/* ---- both ---- */

/* A large throw or clear tape will do; less of both will, too. */
static double confidence_of(double throw, double taped, bool cut)
{
    static const double large = 5, small = 2.5;
    if (throw > large)
        return taped > 0.5 || cut ? 0.95 : 0.7;
    if (taped > 1)
        return throw > small ? 0.95 : 0.8;
    return throw > small && throw / large + taped > 1 ? 0.6 : 0;
}

static void say_why(rw_verdict *v, const rw_track *t, size_t i, double throw, const tape *over,
                    bool cut)
{
    g_autofree char *thrown_by =
        throw > 0 ? g_strdup_printf("The film is thrown by %.2f mm here and settles over the next "
                                    "frames",
                                    hypot(t->fit[i].dx, t->fit[i].dy) / t->summary.px_per_mm)
                  : NULL;
    g_autofree char *taped =
        over->clear > 0.5 ? g_strdup_printf("%s over both sides of this frame line takes %.0f %% "
                                            "of the light",
                                            thrown_by ? "; tape" : "Tape", 100 * over->taken)
                          : NULL;
    rw_verdict_because(v, "%s%s%s.", thrown_by ? thrown_by : "", taped ? taped : "",
                       cut ? "; another scene begins" : "");
}

void rw_judge_splice(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    (void)limits;
    if (track->count < 8)
        return;
    weave_usual usual = find_usual(track, verdicts);
    for (size_t i = 1; i < track->count; i++) {
        double throw = thrown(track, verdicts, &usual, i);
        tape over = find_tape(track, i);
        bool cut = track->scene[i] == i;
        double confidence = confidence_of(throw, over.clear, cut);
        if (confidence <= 0)
            continue;
        rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_SPLICE, RW_NOTE, i, i, confidence);
        if (throw > 0) {
            rw_verdict_number(v, "thrown_mm",
                              hypot(track->fit[i].dx, track->fit[i].dy) / track->summary.px_per_mm);
            rw_verdict_number(v, "thrown_to_usual_weave", throw);
        }
        if (over.clear > 0.5)
            rw_verdict_number(v, "light_taken_percent", 100 * over.taken);
        rw_verdict_word(v, "scene", cut ? "cut" : "goes on");
        say_why(v, track, i, throw, &over, cut);
    }
}
