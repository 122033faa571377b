/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/select.h"
#include "survey/hair.h"
#include "survey/hair_dsp.h"

enum {
    RING = 24, /* pictures kept */
    ARM = RW_HAIR_ARM,
    CALM = 8,  /* frames from which a judgement is no hurry */
    LONG = 16, /* frames from which chance has little part in it */
    LEAST_AREA = 8,
    HURRY_AREA = 20,
    LEAST_LENGTH = 10,
    LARGEST_BOX = 200 * 200,
    MOST_SUSPECTS = 256,
    PAD = 3,
    GATE = 5,    /* pixels from the gate's edge within which nothing is judged */
    AT_ONCE = 2, /* frames by which parts of one hair may be seen before others */
    KIN = 8,     /* pixels, and frames, within which parts belong to one hair */
    DARK = 24,   /* coded */
    LOCAL = RW_HAIR_LOCAL
};

/* ln of light by which a ridge must be darker than both its sides. */
#define LEAST_CONTRAST 0.16f
/* Share of the other ridges that may last as long as a hair before lasting proves nothing. */
#define OTHERS_LAST 0.08
/* Film that weaves less than this (rms, pixels) tells nothing. */
#define LEAST_WEAVE 0.2
/* Unrest of a thing as it is, in units of its unrest when its frames are moved with the film and
 * against it: hairs lie below 0.1, scratches and branches above 0.4. A faint thing's unrest is
 * mostly noise and must be lower. Above the last it goes with the film or with the scene. */
#define STANDS       0.25
#define STANDS_EARLY 0.15 /* while fewer than LONG frames speak */
#define STANDS_FAINT 0.10
#define FAINT        0.35 /* ln of light */
#define GOES         0.9
/* Judged after a few frames only, in a hurry: nearly no unrest, dark, large, and seen to arrive. */
#define HURRY_STANDS   0.04
#define HURRY_EVEN     0.10
#define HURRY_WEAVE    0.28
#define HURRY_CONTRAST 0.50
/* ... and both ways must make it about equally restless. */
#define EVEN 0.35
/* What lasts in front of a picture that passes by is restless with it, but no more so one way than
 * the other; what goes with the film, or with a scene, is. */
#define PASSES     0.80
#define EVEN_ALONE 0.12

typedef enum state { OPEN, CONTENT, HAIR, GONE } state;

typedef struct suspect {
    state state;
    rw_irect box;
    uint8_t *mask; /* box.width * box.height */
    int area;
    rw_hair hair;
    int64_t last_seen;
} suspect;

typedef struct moment {
    int64_t position;
    double film_x, film_y;
} moment;

struct rw_hair_finder {
    int patience;
    int width, height;
    int64_t fed;
    int8_t *ring[RING]; /* ln light less its local mean, in 1 / RW_HAIR_FINE */
    moment when[RING];
    uint32_t *history;  /* bit k: a ridge k frames ago */
    uint8_t *lasting;   /* of each window of history: has a ridge there lasted? */
    float *logs;        /* scratch */
    float *ridges;      /* scratch */
    uint8_t *taken;     /* pixels of suspects that are alive */
    uint8_t *brightest; /* luma so far: what was never bright is the gate */
    uint8_t *label;     /* scratch of the flood */
    int *stack;
    float log_of[256];
    rw_hair_dsp dsp;
    GArray *suspects;
    GArray *hairs; /* indices of suspects that were proved, in that order */
};

rw_hair_finder *rw_hair_finder_new(int patience)
{
    rw_hair_finder *f = g_new0(rw_hair_finder, 1);
    f->patience = CLAMP(patience, 3, 16);
    f->lasting = g_malloc0((gsize)1 << f->patience);
    for (int window = 1; window < 1 << f->patience; window++) /* one frame in six may hide it */
        f->lasting[window] = __builtin_popcount((unsigned)window) >= f->patience - f->patience / 6;
    rw_hair_dsp_init(&f->dsp, rw_cpu_level());
    f->suspects = g_array_new(FALSE, FALSE, sizeof(suspect));
    f->hairs = g_array_new(FALSE, FALSE, sizeof(guint));
    for (int v = 0; v < 256; v++)
        f->log_of[v] = 2.2f * logf((float)v + 6); /* coded to light: about the power 2.2 */
    return f;
}

void rw_hair_finder_free(rw_hair_finder **finder)
{
    rw_hair_finder *f = *finder;
    if (!f)
        return;
    for (int i = 0; i < RING; i++)
        g_free(f->ring[i]);
    for (guint i = 0; i < f->suspects->len; i++)
        g_free(g_array_index(f->suspects, suspect, i).mask);
    g_array_unref(f->suspects);
    g_array_unref(f->hairs);
    g_free(f->lasting);
    g_free(f->history);
    g_free(f->logs);
    g_free(f->ridges);
    g_free(f->taken);
    g_free(f->brightest);
    g_free(f->label);
    g_free(f->stack);
    g_clear_pointer(finder, g_free);
}

static void prepare(rw_hair_finder *f, int width, int height)
{
    gsize n = (gsize)width * (gsize)height;
    f->width = width;
    f->height = height;
    for (int i = 0; i < RING; i++)
        f->ring[i] = g_malloc0(n);
    f->history = g_new0(uint32_t, n);
    f->logs = g_new0(float, n);
    f->ridges = g_new0(float, n);
    f->taken = g_malloc0(n);
    f->brightest = g_malloc0(n);
    f->label = g_malloc0(n);
    f->stack = g_new(int, n);
}

/* The frame `back` frames ago. */
static int slot(const rw_hair_finder *f, int back)
{
    return (int)((f->fed - 1 - back) % RING);
}

static int frames_kept(const rw_hair_finder *f)
{
    return (int)MIN(f->fed, (int64_t)RING);
}

/* ---- ridges ---- */

/* How much darker p is than the less bright of its two sides, in the best of four directions. What
 * lies in the dark has no sides to speak of. */
static float ridge(const rw_hair_finder *f, const float *p)
{
    ptrdiff_t w = f->width;
    const ptrdiff_t arms[4] = {ARM, ARM * w, 2 * w + 2, 2 * w - 2};
    float best = 0;
    for (int d = 0; d < 4; d++) {
        float a = p[arms[d]], b = p[-arms[d]];
        float side = a < b ? a : b, depth = side - *p;
        best = depth > best && side > f->log_of[DARK] ? depth : best;
    }
    return best;
}

/* Column sums over 2 LOCAL + 1 rows move down by one row: rows that do not exist are NULL. */
static void move_columns(float *restrict column, const float *restrict in,
                         const float *restrict out, int n)
{
    for (int x = 0; in && x < n; x++)
        column[x] += in[x];
    for (int x = 0; out && x < n; x++)
        column[x] -= out[x];
}

/* ln light less the mean of the square round it, as far as it is darker, into the ring. Light
 * scratches go with the film and would drown a hair that they cross. */
static void push_fine(rw_hair_finder *f)
{
    int w = f->width, h = f->height;
    int8_t *out = f->ring[slot(f, 0)];
    g_autofree float *column = g_new0(float, w);
    for (int y = -LOCAL; y < h - LOCAL; y++) {
        const float *in = f->logs + (ptrdiff_t)(y + LOCAL) * w;
        const float *gone = y > LOCAL ? f->logs + (ptrdiff_t)(y - LOCAL - 1) * w : NULL;
        move_columns(column, in, gone, w);
        if (y >= LOCAL)
            f->dsp.fine(f->logs + (ptrdiff_t)y * w + LOCAL, column, (size_t)(w - 2 * LOCAL),
                        out + (ptrdiff_t)y * w + LOCAL);
    }
}

/* What is darker than three quarters of a sample of the ridges, and a good deal more: the picture's
 * own noise raises the bar. */
static float bar_of(const rw_hair_finder *f, rw_irect area)
{
    int counts[64] = {0}, total = 0;
    for (int y = area.y; y < area.y + area.height; y += 3) {
        const float *row = f->ridges + (ptrdiff_t)y * f->width + area.x;
        for (int x = 0; x < area.width; x += 3, total++)
            counts[MIN(63, (int)(row[x] * 100))]++;
    }
    int below = 0, share = 0;
    while (share < 63 && (below += counts[share]) < total * 3 / 4)
        share++;
    return MAX(LEAST_CONTRAST, 2.5f * (float)share / 100);
}

/* Pushes one more bit into every pixel's history. */
static void push_ridges(rw_hair_finder *f, const uint8_t *luma, rw_irect area)
{
    ptrdiff_t w = f->width, n = w * f->height;
    size_t across = (size_t)area.width;
    for (ptrdiff_t i = 0; i < n; i++)
        f->logs[i] = f->log_of[luma[i]];
    for (ptrdiff_t i = 0; i < n; i++)
        f->brightest[i] = MAX(f->brightest[i], luma[i]);
    for (ptrdiff_t y = area.y; y < area.y + area.height; y++)
        f->dsp.ridge(f->logs + y * w + area.x, w, f->log_of[DARK], across,
                     f->ridges + y * w + area.x);
    float bar = bar_of(f, area);
    for (ptrdiff_t y = area.y; y < area.y + area.height; y++)
        f->dsp.mark(f->history + y * w + area.x, f->ridges + y * w + area.x, bar, across);
}

/* Something dark behind may hide it for a frame. */
static inline bool lasts(const rw_hair_finder *f, uint32_t history)
{
    return f->lasting[history & ((1u << f->patience) - 1)];
}

/* Ridges of `patience` frames ago that are no suspects', and how many of them lasted since. */
typedef struct census {
    int all, lasting;
} census;

static census count_others(const rw_hair_finder *f, rw_irect area)
{
    census c = {0, 0};
    for (int y = area.y; y < area.y + area.height; y++)
        for (int x = area.x; x < area.x + area.width; x++) {
            ptrdiff_t i = (ptrdiff_t)y * f->width + x;
            if (!(f->history[i] >> (f->patience - 1) & 1) || f->taken[i])
                continue;
            c.all++;
            c.lasting += lasts(f, f->history[i]);
        }
    return c;
}

/* ---- suspects ---- */

static bool in_mask(const suspect *s, int x, int y)
{
    return s->mask[(y - s->box.y) * s->box.width + x - s->box.x] != 0;
}

/* Marks or frees the pixels of a suspect and a margin round them. */
static void take(rw_hair_finder *f, const suspect *s, bool on)
{
    for (int y = s->box.y; y < s->box.y + s->box.height; y++)
        for (int x = s->box.x; x < s->box.x + s->box.width; x++) {
            if (!in_mask(s, x, y))
                continue;
            for (int v = MAX(0, y - 2); v <= MIN(f->height - 1, y + 2); v++)
                for (int u = MAX(0, x - 2); u <= MIN(f->width - 1, x + 2); u++)
                    f->taken[(ptrdiff_t)v * f->width + u] = on;
        }
}

/* Share of a suspect's pixels that were ridges `back` frames ago. */
static double seen(const rw_hair_finder *f, const suspect *s, int back)
{
    int hits = 0;
    for (int y = s->box.y; y < s->box.y + s->box.height; y++)
        for (int x = s->box.x; x < s->box.x + s->box.width; x++)
            if (in_mask(s, x, y))
                hits += (int)(f->history[(ptrdiff_t)y * f->width + x] >> back & 1);
    return (double)hits / s->area;
}

/* First frame of the unbroken time for which most of it has been seen; two misses are no break. */
static int64_t onset(const rw_hair_finder *f, const suspect *s)
{
    int first = 0, misses = 0;
    for (int back = 0; back < frames_kept(f) && misses <= 2; back++) {
        if (seen(f, s, back) >= 0.5) {
            first = back;
            misses = 0;
        } else {
            misses++;
        }
    }
    return f->when[slot(f, first)].position;
}

static void spread(const rw_hair_finder *f, const suspect *s, rw_hair *hair)
{
    double depth = 0;
    for (int y = s->box.y; y < s->box.y + s->box.height; y++)
        for (int x = s->box.x; x < s->box.x + s->box.width; x++)
            if (in_mask(s, x, y))
                depth += (double)ridge(f, f->logs + (ptrdiff_t)y * f->width + x);
    hair->contrast = depth / s->area;
    hair->box = s->box;
    hair->length = hypot(s->box.width, s->box.height);
}

/* Collects the lasting pixels connected to `start` (8 neighbours) into a suspect; false when they
 * are too few or too compact for a hair. */
static bool collect(rw_hair_finder *f, int start, rw_irect area, suspect *out)
{
    int n = 0, head = 0, w = f->width;
    int x0 = w, y0 = f->height, x1 = 0, y1 = 0;
    f->stack[n++] = start;
    f->label[start] = 1;
    while (head < n) {
        int i = f->stack[head++], x = i % w, y = i / w;
        x0 = MIN(x0, x);
        x1 = MAX(x1, x);
        y0 = MIN(y0, y);
        y1 = MAX(y1, y);
        for (int v = MAX(y - 1, area.y); v <= MIN(y + 1, area.y + area.height - 1); v++)
            for (int u = MAX(x - 1, area.x); u <= MIN(x + 1, area.x + area.width - 1); u++) {
                int k = v * w + u;
                if (!f->label[k] && !f->taken[k] && lasts(f, f->history[k])) {
                    f->label[k] = 1;
                    f->stack[n++] = k;
                }
            }
    }
    int bw = x1 - x0 + 1, bh = y1 - y0 + 1;
    if (n < LEAST_AREA || hypot(bw, bh) < LEAST_LENGTH || bw * bh > LARGEST_BOX)
        return false;
    *out = (suspect){.state = OPEN, .box = {x0, y0, bw, bh}, .area = n};
    out->mask = g_malloc0((gsize)(bw * bh));
    for (int k = 0; k < n; k++)
        out->mask[(f->stack[k] / w - y0) * bw + f->stack[k] % w - x0] = 1;
    return true;
}

/* ---- does it go with the film? ---- */

static float bilinear(const rw_hair_finder *f, const int8_t *fine, double x, double y)
{
    x = CLAMP(x, 0, f->width - 1.001);
    y = CLAMP(y, 0, f->height - 1.001);
    int ix = (int)x, iy = (int)y;
    float fx = (float)(x - ix), fy = (float)(y - iy);
    const int8_t *p = fine + (ptrdiff_t)iy * f->width + ix, *q = p + f->width;
    float top = p[0] * (1 - fx) + p[1] * fx, low = q[0] * (1 - fx) + q[1] * fx;
    return top * (1 - fy) + low * fy;
}

typedef struct weave {
    int frames;
    double x[RING], y[RING]; /* of each frame against the mean, pixels */
    double rms;
} weave;

static weave weave_of(const rw_hair_finder *f, int frames)
{
    weave w = {.frames = frames};
    double mean_x = 0, mean_y = 0, squares = 0;
    for (int k = 0; k < frames; k++) {
        mean_x += f->when[slot(f, k)].film_x / frames;
        mean_y += f->when[slot(f, k)].film_y / frames;
    }
    for (int k = 0; k < frames; k++) {
        w.x[k] = f->when[slot(f, k)].film_x - mean_x;
        w.y[k] = f->when[slot(f, k)].film_y - mean_y;
        squares += w.x[k] * w.x[k] + w.y[k] * w.y[k];
    }
    w.rms = sqrt(squares / frames / 2);
    return w;
}

/* Variance of one pixel over the frames, each moved by `direction` times the weave. */
static double pixel_unrest(const rw_hair_finder *f, const weave *w, int x, int y, double direction)
{
    double sum = 0, squares = 0;
    for (int k = 0; k < w->frames; k++) {
        double v = (double)bilinear(f, f->ring[slot(f, k)], x + direction * w->x[k],
                                    y + direction * w->y[k]);
        sum += v;
        squares += v * v;
    }
    return squares / w->frames - sum * sum / w->frames / w->frames;
}

/* The gate's own edge stands, too, and would make anything near it look as if it did. */
static bool near_gate(const rw_hair_finder *f, int x, int y)
{
    for (int k = 0; k < 9; k++) {
        int u = CLAMP(x + (k % 3 - 1) * GATE, 0, f->width - 1);
        int v = CLAMP(y + (k / 3 - 1) * GATE, 0, f->height - 1);
        if (f->brightest[(ptrdiff_t)v * f->width + u] < DARK)
            return true;
    }
    return false;
}

/* Is one of the pixels round (x, y) the suspect's? */
static bool near_mask(const suspect *s, int x, int y)
{
    for (int v = MAX(y - 1, s->box.y); v <= MIN(y + 1, s->box.y + s->box.height - 1); v++)
        for (int u = MAX(x - 1, s->box.x); u <= MIN(x + 1, s->box.x + s->box.width - 1); u++)
            if (in_mask(s, u, v))
                return true;
    return false;
}

typedef struct unrest {
    int pixels;
    double share;  /* median over the pixels: as it is, against moved with and against the weave */
    double uneven; /* median over the pixels: 1: goes with the film, 0: stands, or neither */
} unrest;

/* Moving both ways resamples alike, so that the smoothing by resampling favours neither. */
static unrest unrest_of(const rw_hair_finder *f, const suspect *s, const weave *w)
{
    unrest u = {0, NAN, NAN};
    int most = (s->box.width + 2) * (s->box.height + 2);
    g_autofree double *share = g_new(double, most), *uneven = g_new(double, most);
    for (int y = s->box.y - 1; y <= s->box.y + s->box.height; y++)
        for (int x = s->box.x - 1; x <= s->box.x + s->box.width; x++) {
            if (!near_mask(s, x, y) || near_gate(f, x, y))
                continue;
            double with = pixel_unrest(f, w, x, y, 1), against = pixel_unrest(f, w, x, y, -1);
            double moved = with + against + 1e-6;
            share[u.pixels] = 2 * pixel_unrest(f, w, x, y, 0) / moved;
            uneven[u.pixels++] = (against - with) / moved;
        }
    if (u.pixels == 0)
        return u;
    qsort(share, (size_t)u.pixels, sizeof *share, rw_compare_doubles);
    qsort(uneven, (size_t)u.pixels, sizeof *uneven, rw_compare_doubles);
    u.share = share[u.pixels / 2];
    u.uneven = uneven[u.pixels / 2];
    return u;
}

static bool is_kin(const suspect *a, const suspect *b)
{
    return llabs(a->hair.first - b->hair.first) <= KIN &&
           a->box.x - KIN < b->box.x + b->box.width && b->box.x - KIN < a->box.x + a->box.width &&
           a->box.y - KIN < b->box.y + b->box.height && b->box.y - KIN < a->box.y + a->box.height;
}

/* Did nearly all else that was thin and dark go? */
static bool others_gone(census others)
{
    enum { ENOUGH = 150 };
    return others.all >= ENOUGH && others.lasting < OTHERS_LAST * others.all;
}

/* Is this the only thin thing that stands? Where others do that belong to another thing, they are
 * the picture's, and so may this be: on a tripod scene everything lasts. */
static bool stands_alone(const rw_hair_finder *f, const suspect *s)
{
    enum { NET = 5 }; /* a hair's area is a few times its length */
    int standing = 0;
    for (guint i = 0; i < f->suspects->len; i++) {
        const suspect *other = &g_array_index(f->suspects, suspect, i);
        bool stands = other->mask && (other->state == OPEN || other->state == CONTENT);
        bool part = is_kin(s, other) && other->area <= s->area;
        if (other != s && stands && !part)
            standing += other->area;
    }
    return standing <= s->area && s->area < NET * hypot(s->box.width, s->box.height);
}

/* A hair often shows in parts: what touches a proved one and came with it is proved, too, unless it
 * was seen to go with the film, or stood there before. */
static void prove(rw_hair_finder *f, guint index, rw_hair_proof proof, double confidence)
{
    suspect *s = &g_array_index(f->suspects, suspect, index);
    s->state = HAIR;
    s->hair.proof = proof;
    s->hair.confidence = confidence;
    spread(f, s, &s->hair);
    g_array_append_val(f->hairs, index);
    for (guint i = 0; i < f->suspects->len; i++) {
        const suspect *other = &g_array_index(f->suspects, suspect, i);
        bool before = other->hair.first < s->hair.first - AT_ONCE;
        if (other->mask && other->state == OPEN && !before && is_kin(s, other))
            prove(f, i, proof, confidence);
    }
}

/* Is it beyond doubt after a few frames? */
static bool is_plain(const rw_hair_finder *f, const suspect *s, const unrest *u, const weave *w)
{
    bool arrived = s->hair.first >= f->when[slot(f, frames_kept(f) - 1)].position + CALM;
    return arrived && u->share < HURRY_STANDS && fabs(u->uneven) < HURRY_EVEN &&
           w->rms > HURRY_WEAVE && s->hair.contrast > HURRY_CONTRAST && s->area >= HURRY_AREA;
}

static void judge(rw_hair_finder *f, guint index, census others)
{
    suspect *s = &g_array_index(f->suspects, suspect, index);
    int age = (int)MIN(f->when[slot(f, 0)].position - s->hair.first + 1, (int64_t)frames_kept(f));
    if (age < f->patience || (age >= CALM && age < RING && age % 4 != 0))
        return; /* not at every frame */
    weave w = weave_of(f, age);
    if (w.rms < LEAST_WEAVE) {
        if (others_gone(others) && stands_alone(f, s))
            prove(f, index, RW_HAIR_OUTLASTS, 0.9);
        return;
    }
    unrest u = unrest_of(f, s, &w);
    if (u.pixels < s->area)
        return; /* mostly hidden by the gate; its kin may tell */
    spread(f, s, &s->hair);
    if (age < CALM) {
        if (is_plain(f, s, &u, &w))
            prove(f, index, RW_HAIR_STANDS, 0.8);
        return;
    }
    bool alone = others_gone(others);
    double stands = s->hair.contrast <= FAINT ? STANDS_FAINT : age < LONG ? STANDS_EARLY : STANDS;
    bool restless = u.share > GOES || u.uneven > 2 * EVEN;
    if (!restless && u.share < stands && fabs(u.uneven) < EVEN)
        prove(f, index, RW_HAIR_STANDS, alone ? 0.97 : 0.9);
    else if (alone && age >= LONG && u.share < PASSES && fabs(u.uneven) < EVEN_ALONE &&
             s->hair.contrast > HURRY_CONTRAST)
        prove(f, index, RW_HAIR_OUTLASTS, 0.85);
    else if (restless)
        s->state = CONTENT;
}

/* Lets go of suspects that are no longer seen. */
static void follow(rw_hair_finder *f, guint index)
{
    suspect *s = &g_array_index(f->suspects, suspect, index);
    int64_t now = f->when[slot(f, 0)].position;
    if (seen(f, s, 0) >= 0.4)
        s->last_seen = now;
    int64_t patience = s->state == HAIR ? 2 * f->patience : f->patience / 2;
    if (s->state == HAIR)
        s->hair.last = s->last_seen;
    if (now - s->last_seen <= patience)
        return;
    take(f, s, false);
    s->state = s->state == HAIR ? HAIR : GONE;
    g_clear_pointer(&s->mask, g_free);
    s->area = 0;
}

static void find_new(rw_hair_finder *f, rw_irect area)
{
    memset(f->label, 0, (size_t)f->width * (size_t)f->height);
    for (int y = area.y; y < area.y + area.height; y++)
        for (int x = area.x; x < area.x + area.width; x++) {
            int i = y * f->width + x;
            suspect s;
            /* nearly everywhere there is none: that first */
            if (!lasts(f, f->history[i]) || f->label[i] || f->taken[i] || !collect(f, i, area, &s))
                continue;
            s.hair.first = onset(f, &s);
            s.hair.last = s.last_seen = f->when[slot(f, 0)].position;
            take(f, &s, true);
            g_array_append_val(f->suspects, s);
        }
}

/* Frees the places of suspects that came to nothing, oldest first, so that a long tripod scene does
 * not fill the memory. */
static void tidy(rw_hair_finder *f)
{
    guint keep = 0;
    if (f->suspects->len < MOST_SUSPECTS)
        return;
    for (guint i = 0; i < f->suspects->len; i++) {
        suspect *s = &g_array_index(f->suspects, suspect, i);
        if (s->state == GONE)
            continue;
        for (guint k = 0; k < f->hairs->len; k++)
            if (g_array_index(f->hairs, guint, k) == i)
                g_array_index(f->hairs, guint, k) = keep;
        g_array_index(f->suspects, suspect, keep++) = *s;
    }
    g_array_set_size(f->suspects, keep);
}

/* The picture less what the ridge's arms reach beyond. */
static rw_irect inner(const rw_hair_finder *f, rw_irect picture)
{
    int x0 = MAX(picture.x, ARM + PAD), y0 = MAX(picture.y, ARM + PAD);
    int x1 = MIN(picture.x + picture.width, f->width - ARM - PAD);
    int y1 = MIN(picture.y + picture.height, f->height - ARM - PAD);
    return (rw_irect){x0, y0, MAX(0, x1 - x0), MAX(0, y1 - y0)};
}

void rw_hair_finder_feed(rw_hair_finder *finder, const rw_hair_frame *frame)
{
    rw_hair_finder *f = finder;
    if (f->width == 0)
        prepare(f, frame->width, frame->height);
    if (frame->width != f->width || frame->height != f->height)
        return;
    f->fed++;
    f->when[slot(f, 0)] = (moment){frame->position, frame->film_x, frame->film_y};
    rw_irect area = inner(f, frame->picture);
    push_ridges(f, frame->luma, area);
    push_fine(f);
    for (guint i = 0; i < f->suspects->len; i++)
        if (g_array_index(f->suspects, suspect, i).mask)
            follow(f, i);
    if (f->fed < f->patience)
        return;
    census others = count_others(f, area);
    find_new(f, area);
    for (guint i = 0; i < f->suspects->len; i++) {
        const suspect *s = &g_array_index(f->suspects, suspect, i);
        if (s->mask && s->state == OPEN && s->last_seen == frame->position)
            judge(f, i, others);
    }
    tidy(f);
}

size_t rw_hair_finder_count(const rw_hair_finder *finder)
{
    return finder->hairs->len;
}

void rw_hair_finder_get(const rw_hair_finder *finder, size_t i, rw_hair *hair)
{
    guint index = g_array_index(finder->hairs, guint, (guint)i);
    *hair = g_array_index(finder->suspects, suspect, index).hair;
}
