/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "motion/course.h"

#define LEAST_KNOWN 12
#define POSITIONS   80 /* at which a change is looked for, over the whole line */
#define PATIENCE    3  /* changes that may be added without gain before the search ends */
#define ROUNDS      12
#define SPREAD      8    /* figures to each side of a change that it might as well be at */
#define UNLIKELY    1e-3 /* against the likeliest: does not count */
#define COLUMNS     (RW_COURSE_CHANGES + 2)

static const double widths[] = {0, 4, 8, 14, 24, 40, 64};

/* The figures, weighted by the roots of their certainties, and room for a fit. Each column is kept
 * twice, one after the other: weighted, in which columns are orthonormal, and as it is, which tells
 * where the line goes while nothing is known. */
typedef struct bed {
    const double *x;
    int n, known;
    int length;   /* of a column: n while only the fit counts, 2n for the line itself */
    double *root; /* 0: not known */
    double *column[COLUMNS];
    double *target, *memory;
} bed;

/* Places of a course that changes its speed by one: 0 before, evenly growing after. */
static double ramp(double t, rw_course_change c)
{
    double into = t - (c.at - c.width / 2);
    if (into <= 0)
        return 0;
    return into >= c.width ? t - c.at : into * into / (2 * c.width);
}

/* How far the course has gone at t by its k-th stretch at speed one. */
static double stretch(const rw_course *c, int k, double t)
{
    double in = k ? ramp(t, c->change[k - 1]) : t;
    return in - (k < c->n_changes ? ramp(t, c->change[k]) : 0);
}

static void bed_init(bed *b, const double *x, const double *v, int n)
{
    *b = (bed){.x = x, .n = n, .length = n};
    double *at = b->memory = g_new(double, (size_t)n *(2 * COLUMNS + 2));
    b->root = at;
    b->target = at + n;
    for (int k = 0; k < COLUMNS; k++)
        b->column[k] = at + (size_t)(2 * k + 2) * (size_t)n;
    for (int i = 0; i < n; i++) {
        b->root[i] = isinf(v[i]) ? 0 : sqrt(1 / v[i]);
        b->known += b->root[i] > 0;
    }
}

static double product(const double *a, const double *b, int n)
{
    double sum = 0;
    for (int i = 0; i < n; i++)
        sum += a[i] * b[i];
    return sum;
}

/* Takes the first `count` columns, which are orthonormal, out of v. */
static void take_out(const bed *b, int count, double *v, int length)
{
    for (int k = 0; k < count; k++) {
        double share = product(b->column[k], v, b->n);
        for (int i = 0; i < length; i++)
            v[i] -= share * b->column[k][i];
    }
}

/* Makes column `count` orthonormal to those before it; false when they already span it. */
static bool add_column(bed *b, int count)
{
    double *c = b->column[count], before = product(c, c, b->n);
    take_out(b, count, c, b->length);
    double after = product(c, c, b->n);
    if (!(after > 1e-9 * before) || before <= 0)
        return false;
    for (int i = 0; i < b->length; i++)
        c[i] /= sqrt(after);
    return true;
}

static void aim(bed *b)
{
    for (int i = 0; i < b->n; i++)
        b->target[i] = b->root[i] > 0 ? b->root[i] * b->x[i] : 0;
}

/* Spans the course's columns; leaves in target what it does not explain. Returns the sum of that
 * squared; *count: columns. */
static double span_course(bed *b, const rw_course *c, int *count)
{
    *count = 0;
    for (int k = -1; k <= c->n_changes; k++) {
        if (k >= 0 && c->rests[k])
            continue;
        double *weighted = b->column[*count], *plain = weighted + b->n;
        for (int i = 0; i < b->n; i++)
            plain[i] = k < 0 ? 1 : stretch(c, k, i);
        for (int i = 0; i < b->n; i++)
            weighted[i] = b->root[i] * plain[i];
        *count += add_column(b, *count);
    }
    aim(b);
    take_out(b, *count, b->target, b->n);
    return product(b->target, b->target, b->n);
}

static void draw_course(bed *b, const rw_course *c, double *line)
{
    int columns;
    b->length = 2 * b->n;
    span_course(b, c, &columns);
    aim(b);
    for (int i = 0; i < b->n; i++)
        line[i] = 0;
    for (int k = 0; k < columns; k++) {
        double share = product(b->column[k], b->target, b->n);
        for (int i = 0; i < b->n; i++)
            line[i] += share * b->column[k][b->n + i];
    }
}

/* Schwarz's: a moment and a width for each change, a speed for each stretch that goes, the place.
 */
static double judge(bed *b, rw_course *c)
{
    int columns;
    double sum = MAX(span_course(b, c, &columns), 1e-12 * b->known);
    int numbers = 1 + 2 * c->n_changes;
    for (int k = 0; k <= c->n_changes; k++)
        numbers += !c->rests[k];
    c->sigma = sqrt(sum / MAX(b->known - numbers, 1));
    c->criterion = b->known * log(sum / b->known) + numbers * log(b->known);
    return c->criterion;
}

static bool in_order(const rw_course *c, int n)
{
    for (int k = 0; k < c->n_changes; k++)
        if (c->change[k].at < 1 || c->change[k].at > n - 2 ||
            (k && c->change[k].at < c->change[k - 1].at + 1))
            return false;
    return true;
}

static void insert(rw_course *c, rw_course_change new)
{
    int k = c->n_changes++;
    for (; k > 0 && c->change[k - 1].at > new.at; k--)
        c->change[k] = c->change[k - 1];
    c->change[k] = new;
    for (int i = 0; i <= c->n_changes; i++)
        c->rests[i] = false;
}

/* The one change more that explains most, all stretches going. */
static bool add_change(bed *b, rw_course *c)
{
    rw_course best = *c;
    double most = 0;
    int columns;
    for (int k = 0; k <= c->n_changes; k++)
        c->rests[k] = false;
    span_course(b, c, &columns);
    double *trial = b->column[COLUMNS - 1];
    for (size_t w = 0; w < G_N_ELEMENTS(widths); w++)
        for (int p = 1; p < POSITIONS; p++) {
            rw_course_change new = {(double)p * (b->n - 1) / POSITIONS, widths[w]};
            rw_course with = *c;
            insert(&with, new);
            if (!in_order(&with, b->n) || widths[w] > b->n)
                continue;
            for (int i = 0; i < b->n; i++)
                trial[i] = b->root[i] * ramp(i, new);
            double before = product(trial, trial, b->n);
            take_out(b, columns, trial, b->n);
            double left = product(trial, trial, b->n), share = product(trial, b->target, b->n);
            if (left > 1e-6 * before && share * share / left > most) {
                most = share * share / left;
                best = with;
            }
        }
    *c = best;
    return most > 0;
}

static double wider(double width, int by)
{
    int n = G_N_ELEMENTS(widths), i = 0;
    while (i < n - 1 && widths[i + 1] <= width)
        i++;
    return widths[CLAMP(i + by, 0, n - 1)];
}

/* Moves and widens the changes from first to last as long as that helps. */
static void settle_some(bed *b, rw_course *c, int first, int last)
{
    static const struct {
        double move;
        int widen;
    } trial[] = {{1, 0}, {-1, 0}, {0.25, 0}, {-0.25, 0}, {4, 0},  {-4, 0},
                 {0, 1}, {0, -1}, {2, 1},    {-2, 1},    {2, -1}, {-2, -1}};
    judge(b, c);
    bool better = true;
    for (int round = 0; better && round < ROUNDS; round++) {
        better = false;
        for (int k = first; k <= last; k++)
            for (size_t i = 0; i < G_N_ELEMENTS(trial); i++) {
                rw_course other = *c;
                other.change[k].at += trial[i].move;
                if (trial[i].widen)
                    other.change[k].width = wider(other.change[k].width, trial[i].widen);
                if (in_order(&other, b->n) && judge(b, &other) < c->criterion - 1e-9) {
                    *c = other;
                    better = true;
                }
            }
    }
}

static void settle(bed *b, rw_course *c)
{
    settle_some(b, c, 0, c->n_changes - 1);
}

/* A stretch that might as well stand does; thoroughly: when the changes at its ends have made room
 * for that. */
static void find_rests(bed *b, rw_course *c, bool thoroughly)
{
    bool found = true;
    while (found) {
        found = false;
        rw_course best = *c;
        for (int k = 0; k <= c->n_changes; k++) {
            rw_course other = *c;
            other.rests[k] = true;
            if (c->rests[k])
                continue;
            judge(b, &other);
            if (thoroughly)
                settle_some(b, &other, MAX(k - 1, 0), MIN(k, c->n_changes - 1));
            if (other.criterion < best.criterion) {
                best = other;
                found = true;
            }
        }
        *c = best;
    }
    settle(b, c);
}

/* The mean of the lines that the k-th change's other places and widths would give, each as likely
 * as it is. other: room for a line. */
static void average_change(bed *b, const rw_course *best, int k, double *other, double *mean)
{
    double weights = 0;
    memset(mean, 0, sizeof *mean * (size_t)b->n);
    for (size_t w = 0; w < G_N_ELEMENTS(widths); w++)
        for (int move = -SPREAD; move <= SPREAD; move++) {
            rw_course c = *best;
            c.change[k].at += move;
            c.change[k].width = widths[w];
            if (!in_order(&c, b->n))
                continue;
            b->length = b->n;
            double weight = exp(0.5 * (best->criterion - judge(b, &c)));
            if (weight < UNLIKELY)
                continue;
            draw_course(b, &c, other);
            weights += weight;
            for (int i = 0; i < b->n; i++)
                mean[i] += weight * other[i];
        }
    for (int i = 0; i < b->n; i++)
        mean[i] /= weights; /* the best is among them */
}

/* The likeliest course, moved by what each change's doubt adds to it: on average nearer to the
 * truth than the likeliest itself. */
static void draw_average(bed *b, const rw_course *best, double *line)
{
    double *room = g_new(double, (size_t)b->n * 3), *mean = room + b->n, *base = mean + b->n;
    draw_course(b, best, base);
    memcpy(line, base, sizeof *line * (size_t)b->n);
    for (int k = 0; k < best->n_changes; k++) {
        average_change(b, best, k, room, mean);
        for (int i = 0; i < b->n; i++)
            line[i] += mean[i] - base[i];
    }
    g_free(room);
}

rw_course rw_course_line(const double *x, const double *v, int n, double *line)
{
    rw_course best = {.criterion = HUGE_VAL}, now = {0};
    bed b;
    bed_init(&b, x, v, n);
    if (b.known >= LEAST_KNOWN) {
        judge(&b, &now);
        find_rests(&b, &now, false);
        best = now;
        for (int waited = 0; waited < PATIENCE && now.n_changes < RW_COURSE_CHANGES;) {
            if (!add_change(&b, &now))
                break;
            settle(&b, &now);
            rw_course rested = now;
            find_rests(&b, &rested, false);
            waited = rested.criterion < best.criterion ? 0 : waited + 1;
            if (!waited)
                best = rested;
        }
        find_rests(&b, &best, true);
        draw_average(&b, &best, line);
    }
    g_free(b.memory);
    return best;
}
