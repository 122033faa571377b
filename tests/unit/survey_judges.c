/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Every kind of finding: a made series of measurements on which its judge must speak, and one, much
 * like it, on which it must be silent. The numbers are laid down here, so there is no outside
 * source; tolerances follow from the noise that is put in.
 */
#include <math.h>
#include <string.h>

#include <reelwright/film.h>

#include "../support/made_noise.h"
#include "survey/finding.h"

/* ---- a reel on which nothing is wrong ---- */

static const struct {
    rw_measure m;
    double value, sd;
} calm[] = {
    {RW_M_STATE, RW_STATE_GOOD, 0},  {RW_M_CLEAR, 0.8, 0.004},    {RW_M_CLEAR_CLIPPED, 0, 0},
    {RW_M_EXPOSURE, 0.2, 0.004},     {RW_M_CLIPPED, 0, 0},        {RW_M_GRAIN_RATIO, -2.5, 0.06},
    {RW_M_GRAIN_FINE, 7, 0.06},      {RW_M_GRAIN_LEVEL, 120, 2},  {RW_M_GRAIN_ALONG, 0.5, 0.1},
    {RW_M_EDGE_ACROSS, 3, 0.1},      {RW_M_EDGE_ALONG, 3.1, 0.1}, {RW_M_SAME, 0.2, 0.03},
    {RW_M_SAME_WEAKEST, 0.03, 0.03}, {RW_M_FAR, 0.7, 0.03},       {RW_M_FAR_BESIDE, 0.15, 0.03},
    {RW_M_FAR_X, 0.03, 0.05},        {RW_M_FAR_Y, -0.1, 0.05},    {RW_M_DIFFERENCE, 0.05, 0.005},
    {RW_M_BLACK, 0.003, 0.0002},
};

static void set(rw_track *t, size_t i, rw_measure m, double value)
{
    t->readings[i].v[m] = value;
}

static rw_track *calm_track(size_t count)
{
    rw_basis basis = {.version = RW_BASIS_VERSION,
                      .eighths = 8,
                      .width = 1200,
                      .height = 800,
                      .found = 1,
                      .film_to_still = {{{166, 0, -38}, {0, 166, 400}}},
                      .bands = rw_grain_bands_default()};
    rw_track *t = rw_track_new(rw_gauge_find("super8"), &basis, count);
    t->summary.px_per_mm = 166;
    for (size_t i = 0; i < count; i++) {
        t->still[i] = (int64_t)i + 1;
        t->time_us[i] = (int64_t)i * 1000000 + (int64_t)(12000 * made_noise((uint32_t)i, 99));
        for (size_t k = 0; k < G_N_ELEMENTS(calm); k++)
            set(t, i, calm[k].m,
                calm[k].value + calm[k].sd * made_noise((uint32_t)i, (uint32_t)calm[k].m));
        t->fit[i] = (rw_gate_fit){.film_to_still = basis.film_to_still,
                                  .method = RW_GATE_PERFORATION,
                                  .confidence = 0.97,
                                  .dx = 0.3 * made_noise((uint32_t)i, 201),
                                  .dy = 0.3 * made_noise((uint32_t)i, 202)};
    }
    return t;
}

static rw_verdicts *judged(const rw_track *t)
{
    rw_limits limits;
    rw_limits_init(&limits);
    rw_verdicts *verdicts = rw_verdicts_new();
    rw_judge_all(t, &limits, verdicts);
    return verdicts;
}

static size_t count_of(rw_verdicts *verdicts, rw_kind kind)
{
    size_t n = 0;
    for (size_t i = 0; i < rw_verdicts_count(verdicts); i++)
        n += rw_verdicts_get(verdicts, i)->kind == kind;
    return n;
}

static void tell(rw_verdicts *verdicts)
{
    for (size_t i = 0; i < rw_verdicts_count(verdicts); i++) {
        const rw_verdict *v = rw_verdicts_get(verdicts, i);
        g_test_message("%s %zu-%zu, confidence %.2f: %s {%s}", rw_finding_kinds()[v->kind].name,
                       v->first, v->last, v->confidence, v->because ? v->because : "-",
                       v->evidence->str);
    }
}

/* The one finding that there must be, and no other, at this position. */
static const rw_verdict *only(rw_verdicts *verdicts, rw_kind kind, size_t at)
{
    tell(verdicts);
    g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 1);
    const rw_verdict *v = rw_verdicts_get(verdicts, 0);
    g_assert_cmpstr(rw_finding_kinds()[v->kind].name, ==, rw_finding_kinds()[kind].name);
    g_assert_cmpuint(v->anchor, ==, at);
    g_assert_nonnull(v->because);
    return v;
}

static void expect_none(const rw_track *t)
{
    rw_verdicts *verdicts = judged(t);
    tell(verdicts);
    g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 0);
    rw_verdicts_free(&verdicts);
}

/* A number of a verdict's evidence, NAN when it has none of this name. */
static double number(const rw_verdict *v, const char *key)
{
    g_autofree char *quoted = g_strdup_printf("\"%s\":", key);
    const char *at = strstr(v->evidence->str, quoted);
    return at ? g_ascii_strtod(at + strlen(quoted), NULL) : NAN;
}

static void test_calm(void)
{
    rw_track *t = calm_track(200);
    expect_none(t);
    rw_track_free(&t);
}

/* ---- missing ---- */

/* The film goes on to a frame that is not the next: from position i on. */
static void lose_frame(rw_track *t, size_t i, double seconds)
{
    set(t, i, RW_M_FAR, 0.1);
    set(t, i, RW_M_FAR_X, 3);
    for (size_t k = i; k < t->count; k++)
        t->time_us[k] += (int64_t)(seconds * 1e6);
}

static double confidence_of_gap(bool clock)
{
    rw_track *t = calm_track(120);
    lose_frame(t, 50, 1);
    for (size_t i = 0; i < t->count && !clock; i++)
        t->time_us[i] = INT64_MIN;
    rw_verdicts *verdicts = judged(t);
    const rw_verdict *v = only(verdicts, RW_KIND_MISSING, 50);
    g_assert_cmpuint(v->missing, ==, 1);
    g_assert_true(v->sure);
    double confidence = v->confidence;
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
    return confidence;
}

static void test_missing(void)
{
    g_assert_cmpfloat(confidence_of_gap(false), <, confidence_of_gap(true));

    rw_track *t = calm_track(120); /* two frames, by the clock */
    lose_frame(t, 50, 2);
    rw_verdicts *verdicts = judged(t);
    g_assert_cmpuint(only(verdicts, RW_KIND_MISSING, 50)->missing, ==, 2);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

static void test_nothing_missing(void)
{
    rw_track *t = calm_track(120);
    for (size_t k = 50; k < t->count; k++) /* somebody had a cup of tea */
        t->time_us[k] += 7400000;
    expect_none(t);
    set(t, 70, RW_M_FAR_Y, 0.5); /* placed a little badly, and plainly the same piece of film */
    expect_none(t);
    rw_track_free(&t);
}

/* A motionless scene: its strip lies where it should whatever frame it shows, and only the grain
 * knows. */
static void still_strips(rw_track *t)
{
    for (size_t i = 0; i < t->count; i++) {
        set(t, i, RW_M_FAR, 0.47 + 0.015 * made_noise((uint32_t)i, 601));
        set(t, i, RW_M_FAR_BESIDE, 0.28 + 0.015 * made_noise((uint32_t)i, 602));
        set(t, i, RW_M_MOTION_X, 0.001 * made_noise((uint32_t)i, 607));
        set(t, i, RW_M_MOTION_Y, 0.001 * made_noise((uint32_t)i, 608));
    }
}

static void pause_for(rw_track *t, size_t i, double seconds)
{
    for (size_t k = i; k < t->count; k++)
        t->time_us[k] += (int64_t)(seconds * 1e6);
}

static void test_missing_where_nothing_moves(void)
{
    rw_track *t = calm_track(120);
    still_strips(t);
    pause_for(t, 50, 1);
    expect_none(t); /* the same grain: the camera waited, the film did, too */
    set(t, 50, RW_M_FAR, 0.33);
    set(t, 50, RW_M_FAR_BESIDE, 0.3);
    rw_verdicts *verdicts = judged(t);
    g_assert_true(only(verdicts, RW_KIND_MISSING, 50)->sure);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

/* No strip of another picture shows, as with a tight gate: the clock's whole multiple and a picture
 * that moved on somewhat further will do; the clock alone is to be looked at, though the picture
 * moved no further than usual: people do not move evenly. */
static void test_missing_unheard(void)
{
    static const double motion[] = {0, 1.4, 1};
    for (size_t k = 0; k < G_N_ELEMENTS(motion); k++) {
        rw_track *t = calm_track(120);
        for (size_t i = 0; i < t->count; i++) {
            set(t, i, RW_M_FAR, NAN);
            set(t, i, RW_M_FAR_X, NAN);
            set(t, i, RW_M_FAR_Y, NAN);
            for (int b = 0; b < RW_STEP_BLOCKS; b++) {
                t->step[i].dx[b] = (int16_t)(k ? 32 * (i == 50 ? motion[k] : 1) : 0);
                t->step[i].weight[b] = 255;
            }
        }
        expect_none(t);
        pause_for(t, 50, 1);
        rw_verdicts *verdicts = judged(t);
        const rw_verdict *v = only(verdicts, RW_KIND_MISSING, 50);
        g_assert_cmpint(v->sure, ==, k == 1);
        g_assert_cmpuint(v->missing, ==, 1);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* ---- doubled ---- */

static void repeat(rw_track *t, size_t i, double same, double weakest)
{
    set(t, i, RW_M_SAME, same);
    set(t, i, RW_M_SAME_WEAKEST, weakest);
    set(t, i, RW_M_DIFFERENCE, 0.005);
    set(t, i, RW_M_FAR, 0.1);
    set(t, i, RW_M_FAR_X, 2.5);
}

static void stand_still(rw_track *t)
{
    for (size_t i = 0; i < t->count; i++) {
        set(t, i, RW_M_SAME, 0.8 + 0.01 * made_noise((uint32_t)i, 301));
        set(t, i, RW_M_SAME_WEAKEST, 0.6 + 0.02 * made_noise((uint32_t)i, 302));
        set(t, i, RW_M_DIFFERENCE, 0.004);
    }
}

static void test_doubled(void)
{
    for (int tripod = 0; tripod < 2; tripod++) {
        rw_track *t = calm_track(120);
        if (tripod)
            stand_still(t);
        expect_none(t); /* alike as the pictures are on a tripod */
        repeat(t, 40, tripod ? 0.97 : 0.85, tripod ? 0.95 : 0.8);
        rw_verdicts *verdicts = judged(t);
        g_assert_true(only(verdicts, RW_KIND_DOUBLED, 40)->sure);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* On a quiet scene two stills of one frame differ by their noise, nearly as much as neighbours do.
 */
static void test_doubled_in_noise(void)
{
    rw_track *t = calm_track(120);
    for (size_t i = 0; i < t->count; i++)
        set(t, i, RW_M_DIFFERENCE, 0.026 + 0.001 * made_noise((uint32_t)i, 603));
    expect_none(t);
    repeat(t, 40, 0.5, 0.4);
    set(t, 40, RW_M_DIFFERENCE, 0.019);
    rw_verdicts *verdicts = judged(t);
    only(verdicts, RW_KIND_DOUBLED, 40);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

/* Too little grain to swear by, but nothing moved and the still came at once after the other: a
 * switch that bounced. The clock alone, or a picture that rests alone, proves nothing. */
static void test_doubled_by_bounce(void)
{
    for (unsigned early = 0; early < 2; early++)
        for (unsigned rests = 0; rests < 2; rests++) {
            rw_track *t = calm_track(120);
            for (size_t i = 0; i < t->count; i++)
                set(t, i, RW_M_SAME, 0.06 + 0.01 * made_noise((uint32_t)i, 604));
            repeat(t, 40, 0.16, 0.1);
            set(t, 40, RW_M_DIFFERENCE, rests ? 0.01 : 0.05);
            set(t, 40, RW_M_FAR, NAN);
            if (early)
                pause_for(t, 40, -0.9);
            rw_verdicts *verdicts = judged(t);
            tell(verdicts);
            g_assert_cmpuint(count_of(verdicts, RW_KIND_DOUBLED), ==, early * rests);
            rw_verdicts_free(&verdicts);
            rw_track_free(&t);
        }
}

/* The grain of one place is covered, by dirt, or lost to blur: the mean speaks for a repeat and the
 * strip is not the next picture's. It takes a picture that rests to be one, or every place. */
static void test_doubled_and_not_next(void)
{
    static const struct {
        double same, weakest, difference;
        int doubled;
    } cases[] = {
        {0.42, 0.04, 0.005, 1}, {0.42, 0.04, 0.05, 0}, {0.33, 0.2, 0.05, 1}, {0.33, 0.1, 0.05, 0}};
    for (size_t k = 0; k < G_N_ELEMENTS(cases); k++) {
        rw_track *t = calm_track(120);
        repeat(t, 40, cases[k].same, cases[k].weakest);
        set(t, 40, RW_M_DIFFERENCE, cases[k].difference);
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpint((int)count_of(verdicts, RW_KIND_DOUBLED), ==, cases[k].doubled);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

static void smear(rw_track *t, size_t i)
{
    set(t, i, RW_M_EDGE_ALONG, 7);
    set(t, i, RW_M_GRAIN_ALONG, -0.8);
    set(t, i, RW_M_GRAIN_FINE, 5.8);
    set(t, i, RW_M_FAR, 0.45); /* its strips are blurred as well */
    set(t, i, RW_M_FAR_Y, 1.2);
    set(t, i + 1, RW_M_FAR, 0.45);
    set(t, i + 1, RW_M_FAR_Y, -1.2);
}

/* What is left of a smeared still's grain is alike in every place, or in some as chance has it. */
static void test_doubled_after_smear(void)
{
    rw_track *t = calm_track(120);
    smear(t, 40);
    repeat(t, 41, 0.35, 0.33);
    rw_verdicts *verdicts = judged(t);
    tell(verdicts);
    g_assert_cmpuint(count_of(verdicts, RW_KIND_SMEARED), ==, 1);
    g_assert_cmpuint(count_of(verdicts, RW_KIND_DOUBLED), ==, 1);
    g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 2);
    rw_verdicts_free(&verdicts);
    set(t, 41, RW_M_SAME, 0.2); /* as alike as neighbours are, and the film moved on */
    set(t, 41, RW_M_SAME_WEAKEST, 0.07);
    set(t, 41, RW_M_FAR, 0.45);
    set(t, 41, RW_M_FAR_X, 0.05);
    verdicts = judged(t);
    g_assert_cmpuint(count_of(verdicts, RW_KIND_DOUBLED), ==, 0);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

/* A frame is missing after a smeared one: its blurred strip is not found at all. */
static void test_missing_after_smear(void)
{
    rw_track *t = calm_track(120);
    smear(t, 40);
    set(t, 41, RW_M_FAR, 0.1);
    set(t, 41, RW_M_FAR_X, -4);
    rw_verdicts *verdicts = judged(t);
    tell(verdicts);
    g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 2);
    g_assert_true(rw_verdicts_cover(verdicts, RW_KIND_MISSING, 41));
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

/* A smeared still is placed badly, by as much before it as after it the other way. Where the way
 * there and back does not come round to where it began, a frame is missing. */
static void test_missing_round_smear(void)
{
    static const double before[][2] = {{1.4, -2.3}, {1.2, 0}}, after[][2] = {{0.1, 0.1}, {-1.2, 0}};
    for (unsigned k = 0; k < G_N_ELEMENTS(before); k++) {
        rw_track *t = calm_track(120);
        smear(t, 40);
        set(t, 40, RW_M_FAR, k ? 0.45 : 0.25); /* another frame's strip is less like it */
        set(t, 40, RW_M_FAR_X, before[k][0]);
        set(t, 40, RW_M_FAR_Y, before[k][1]);
        set(t, 41, RW_M_FAR_X, after[k][0]);
        set(t, 41, RW_M_FAR_Y, after[k][1]);
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_SMEARED), ==, 1);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_MISSING), ==, 1 - k);
        g_assert_cmpuint(rw_verdicts_cover(verdicts, RW_KIND_MISSING, 40), ==, 1 - k);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* The still after a smeared one is torn, so that the smeared one's strip is not found on it:
 * nothing is missing for that. */
static void test_torn_after_smear(void)
{
    for (int torn = 0; torn < 2; torn++) {
        rw_track *t = calm_track(120);
        still_strips(t);
        smear(t, 40);
        set(t, 40, RW_M_FAR, 0.4);
        set(t, 40, RW_M_FAR_X, 0.3);
        set(t, 40, RW_M_FAR_Y, -0.4);
        set(t, 41, RW_M_FAR, 0.26);
        set(t, 41, RW_M_FAR_BESIDE, 0.31);
        set(t, 41, RW_M_FAR_Y, -2.8);
        t->fit[41].damaged = torn;
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_MISSING), ==, 0);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* Every block of the picture moves evenly, `times` as far at position i. */
static void move_evenly(rw_track *t, size_t i, double times)
{
    for (size_t k = 0; k < t->count; k++)
        for (int b = 0; b < RW_STEP_BLOCKS; b++) {
            t->step[k].dx[b] = (int16_t)(32 * (k == i ? times : 1));
            t->step[k].weight[b] = 255;
        }
}

/* A picture that leaps is a witness when there is no other, but not where a smeared still makes it
 * seem to. */
static void test_missing_by_motion(void)
{
    for (int smeared = 0; smeared < 2; smeared++) {
        rw_track *t = calm_track(120);
        for (size_t i = 0; i < t->count; i++) {
            t->time_us[i] = INT64_MIN;
            if (!smeared)
                set(t, i, RW_M_FAR, NAN);
            if (!smeared)
                set(t, i, RW_M_FAR_X, NAN);
        }
        move_evenly(t, 50, 1);
        if (smeared)
            smear(t, 49);
        else
            expect_none(t);
        move_evenly(t, 50, 2.4);
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_MISSING), ==, !smeared);
        g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 1);
        g_assert_false(rw_verdicts_get(verdicts, 0)->sure && !smeared);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* On a quiet scene a strip that lies a little off its place may be placed badly, and one whose
 * grain is a little less like may be so by chance. Both at once, and a frame is missing. */
static void test_missing_by_both(void)
{
    for (unsigned off = 0; off < 2; off++)
        for (unsigned unlike = 0; unlike < 2; unlike++) {
            rw_track *t = calm_track(120);
            still_strips(t);
            if (off)
                set(t, 50, RW_M_FAR_Y, 0.3);
            if (unlike)
                set(t, 50, RW_M_FAR, 0.35);
            rw_verdicts *verdicts = judged(t);
            tell(verdicts);
            g_assert_cmpuint(count_of(verdicts, RW_KIND_MISSING), ==, off * unlike);
            g_assert_cmpuint(rw_verdicts_count(verdicts), ==, off * unlike);
            rw_verdicts_free(&verdicts);
            rw_track_free(&t);
        }
}

/* A strip that is as like as another frame's of the scene and lies elsewhere, but only along the
 * film: of a strip of a few rows that is no proof, of one with more it is. */
static void test_missing_by_short_strip(void)
{
    for (unsigned rows = 0; rows < 2; rows++) {
        rw_track *t = calm_track(120);
        if (rows == 0)
            t->basis.film_to_still = (rw_affine){{{122, 0, -38}, {0, 122, 400}}};
        still_strips(t);
        for (size_t i = 0; i < t->count; i++) {
            t->fit[i].film_to_still = t->basis.film_to_still;
            set(t, i, RW_M_MOTION_X, 0.02 * made_noise((uint32_t)i, 610));
            set(t, i, RW_M_MOTION_Y, 0.02 * made_noise((uint32_t)i, 611));
        }
        set(t, 50, RW_M_FAR, 0.28);
        set(t, 50, RW_M_FAR_X, 0.05);
        set(t, 50, RW_M_FAR_Y, -2.7);
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(rw_verdicts_count(verdicts), ==, rows);
        g_assert_cmpuint(rw_verdicts_cover(verdicts, RW_KIND_MISSING, 50), ==, rows);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* Two stills in a row are smeared; before them or after them a frame is missing, or none is.
 * Between them too little is left of the grain to tell. */
static void test_missing_among_smears(void)
{
    static const double across[] = {0.02, -0.01, 0.03}, along[] = {1.5, -2.6, 1.1};
    for (size_t gap = 0; gap < 4; gap++) {
        rw_track *t = calm_track(120);
        smear(t, 40);
        smear(t, 41);
        for (size_t k = 0; k < 3; k++) {
            set(t, 40 + k, RW_M_FAR, k == gap ? 0.12 : 0.45);
            set(t, 40 + k, RW_M_FAR_X, k == gap ? 3.1 : across[k]);
            set(t, 40 + k, RW_M_FAR_Y, k == gap ? -4 : along[k]);
        }
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_SMEARED), ==, 2);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_MISSING), ==, gap == 0 || gap == 2);
        g_assert_cmpuint(rw_verdicts_cover(verdicts, RW_KIND_MISSING, 40 + gap), ==,
                         gap == 0 || gap == 2);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* Film that moved by a whole pitch leaves so little that its strip is lost now and then: no proof
 * alone, but with the clock. */
static void test_missing_behind_ghost(void)
{
    for (unsigned paused = 0; paused < 2; paused++) {
        rw_track *t = calm_track(120);
        smear(t, 40);
        set(t, 40, RW_M_GRAIN_FINE, 4.7);
        set(t, 41, RW_M_FAR, 0.1);
        set(t, 41, RW_M_FAR_X, -4);
        if (paused)
            pause_for(t, 41, 1);
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_SMEARED), ==, 1);
        g_assert_cmpuint(count_of(verdicts, RW_KIND_MISSING), ==, paused);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* A clock in whole seconds jumps by one now and then; an irregular one by more. Where the film is
 * not heard, neither is a gap. */
static void test_missing_by_rough_clock(void)
{
    for (int whole = 0; whole < 2; whole++) {
        rw_track *t = calm_track(120);
        for (size_t i = 0; i < t->count; i++) {
            double at = whole ? floor(0.85 * (double)i)
                              : (double)i + 0.4 * made_noise((uint32_t)i, 609) / 1.8;
            t->time_us[i] = (int64_t)(1e6 * at);
            set(t, i, RW_M_FAR, NAN);
            set(t, i, RW_M_FAR_X, NAN);
        }
        expect_none(t);
        pause_for(t, 50, 3);
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 1);
        g_assert_false(rw_verdicts_get(verdicts, 0)->sure);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* ---- blur ---- */

static void test_smeared(void)
{
    rw_track *t = calm_track(120);
    smear(t, 30);
    rw_verdicts *verdicts = judged(t);
    g_assert_cmpint(only(verdicts, RW_KIND_SMEARED, 30)->severity, ==, RW_REDO);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

/* The film moved by a whole pitch: edges lie on edges, but the perforation's light was drawn over
 * the film between two and grain of every fineness is weaker. Weaker grain alone is a paler
 * picture, light alone a lamp. */
static void test_smeared_by_a_pitch(void)
{
    for (unsigned lit = 0; lit < 2; lit++)
        for (unsigned weak = 0; weak < 2; weak++) {
            rw_track *t = calm_track(120);
            if (lit)
                set(t, 30, RW_M_BLACK, 0.09);
            if (weak)
                set(t, 30, RW_M_GRAIN_FINE, 6.1);
            rw_verdicts *verdicts = judged(t);
            tell(verdicts);
            g_assert_cmpuint(rw_verdicts_count(verdicts), ==, lit * weak);
            g_assert_cmpuint(rw_verdicts_cover(verdicts, RW_KIND_SMEARED, 30), ==, lit * weak);
            rw_verdicts_free(&verdicts);
            rw_track_free(&t);
        }
}

/* Edges that are wide in both directions, and weaker grain: out of focus when the coarse grain is
 * left, a ghost when it went with the fine. */
static void test_smeared_or_soft(void)
{
    for (int pale = 0; pale < 2; pale++) {
        rw_track *t = calm_track(120);
        set(t, 30, RW_M_EDGE_ACROSS, 5.6);
        set(t, 30, RW_M_EDGE_ALONG, 5.8);
        set(t, 30, RW_M_GRAIN_FINE, 5.9);
        set(t, 30, RW_M_GRAIN_RATIO, pale ? -2.5 : -3.1);
        rw_verdicts *verdicts = judged(t);
        only(verdicts, pale ? RW_KIND_SMEARED : RW_KIND_SOFT, 30);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

static void test_soft(void)
{
    rw_track *t = calm_track(120);
    set(t, 30, RW_M_EDGE_ACROSS, 5.6);
    set(t, 30, RW_M_EDGE_ALONG, 5.8);
    set(t, 30, RW_M_GRAIN_FINE, 5.5);
    set(t, 30, RW_M_GRAIN_RATIO, -3.4);
    rw_verdicts *verdicts = judged(t);
    g_assert_cmpint(only(verdicts, RW_KIND_SOFT, 30)->severity, ==, RW_REDO);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);

    t = calm_track(120); /* a scene with less grain is no blur */
    for (size_t i = 60; i < 120; i++) {
        t->scene[i] = 60;
        t->readings[i].v[RW_M_GRAIN_FINE] -= 1.5;
    }
    expect_none(t);
    rw_track_free(&t);
}

/* ---- focus ---- */

enum { LONG = 500 };

/* growth: of edges by the end; grain: whether it tells the same. A pixel's noise, not a frame's,
 * is what a drift must be seen through. */
static rw_track *drifting(double growth, bool grain)
{
    rw_track *t = calm_track(LONG);
    double sd = 3.05 / 2.5631; /* 10-90 % width of a Gaussian's edge, 2 * 1.28155 */
    const rw_grain_bands *b = &t->basis.bands;
    double fine = 2 * G_PI * G_PI * (b->fine_low * b->fine_low + b->fine_high * b->fine_high);
    double coarse =
        2 * G_PI * G_PI * (b->coarse_low * b->coarse_low + b->coarse_high * b->coarse_high);
    for (size_t i = 0; i < LONG; i++) {
        double g = 1 + growth * (double)i / (LONG - 1);
        double variance = grain ? sd * sd * (g * g - 1) : 0;
        set(t, i, RW_M_EDGE_ACROSS, 3 * g * exp(0.08 * made_noise((uint32_t)i, 401)));
        set(t, i, RW_M_EDGE_ALONG, 3.1 * g * exp(0.08 * made_noise((uint32_t)i, 402)));
        t->readings[i].v[RW_M_GRAIN_FINE] -= fine * variance;
        t->readings[i].v[RW_M_GRAIN_RATIO] -= (fine - coarse) * variance;
    }
    return t;
}

/* Five scenes, each with detail of its own: from detailed to plain and back. */
static void change_scenes(rw_track *t)
{
    static const double detail[] = {0.6, 0.2, -0.4, -0.7, 0.3};
    for (size_t i = 0; i < LONG; i++) {
        t->scene[i] = i / 100 * 100;
        t->readings[i].v[RW_M_GRAIN_RATIO] -= detail[i / 100];
        t->readings[i].v[RW_M_GRAIN_FINE] -= detail[i / 100] * 0.8;
        t->readings[i].v[RW_M_GRAIN_LEVEL] += 30 * detail[i / 100];
    }
}

static void forget_edges(rw_track *t)
{
    t->basis.found = 0;
    for (size_t i = 0; i < LONG; i++) {
        set(t, i, RW_M_EDGE_ACROSS, NAN);
        set(t, i, RW_M_EDGE_ALONG, NAN);
    }
}

static double told_growth(const rw_track *t)
{
    rw_verdicts *verdicts = judged(t);
    tell(verdicts);
    double growth = NAN;
    for (size_t i = 0; i < rw_verdicts_count(verdicts); i++)
        if (rw_verdicts_get(verdicts, i)->kind == RW_KIND_FOCUS_DRIFT)
            growth = number(rw_verdicts_get(verdicts, i), "edge_growth_percent");
    rw_verdicts_free(&verdicts);
    return growth;
}

static void test_focus(void)
{
    for (int scenes = 0; scenes < 2; scenes++)
        for (int k = 0; k < 3; k++) {
            static const double growths[] = {0, 0.1, 0.3};
            rw_track *t = drifting(growths[k], true);
            if (scenes)
                change_scenes(t);
            double told = told_growth(t);
            g_test_message("edges grow by %.0f %%: told %.1f", 100 * growths[k], told);
            if (growths[k] > 0)
                g_assert_cmpfloat_with_epsilon(told, 100 * growths[k], 2.5);
            else
                g_assert_true(isnan(told));
            rw_track_free(&t);
        }
}

static void test_focus_witnesses(void)
{
    rw_track *t = drifting(0.15, false); /* the grain is as sharp as ever */
    g_assert_true(isnan(told_growth(t)));
    rw_track_free(&t);

    t = drifting(0, true); /* no perforation to be seen, and scenes that change */
    change_scenes(t);
    forget_edges(t);
    g_assert_true(isnan(told_growth(t)));
    rw_track_free(&t);

    t = drifting(0.3, true);
    change_scenes(t);
    forget_edges(t);
    g_assert_cmpfloat(told_growth(t), >, 10);
    rw_track_free(&t);
}

/* ---- light ---- */

static const rw_verdict *only_exposure(rw_verdicts *verdicts, const char *what)
{
    tell(verdicts);
    g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 1);
    const rw_verdict *v = rw_verdicts_get(verdicts, 0);
    g_assert_cmpint(v->kind, ==, RW_KIND_EXPOSURE);
    g_assert_nonnull(strstr(v->evidence->str, what));
    g_assert_nonnull(v->because);
    return v;
}

static void test_jump(void)
{
    rw_track *t = calm_track(120);
    for (size_t i = 60; i < 120; i++)
        t->readings[i].v[RW_M_CLEAR] *= 0.8; /* log2 0.8 = -0.322 stops */
    rw_verdicts *verdicts = judged(t);
    const rw_verdict *v = only_exposure(verdicts, "jump");
    g_assert_cmpuint(v->first, ==, 60);
    g_assert_cmpfloat_with_epsilon(number(v, "stops"), -0.322, 0.02);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

static void test_drift(void)
{
    rw_track *t = calm_track(400);
    for (size_t i = 0; i < 400; i++)
        t->readings[i].v[RW_M_CLEAR] *= 1 - 0.25 * (double)i / 400;
    rw_verdicts *verdicts = judged(t);
    const rw_verdict *v = only_exposure(verdicts, "drift");
    g_assert_cmpfloat_with_epsilon(number(v, "stops"), log2(0.75), 0.1);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

typedef struct lamp {
    const char *name;
    double pulses_hz, interval_s, jitter_s, step_s;
    int told; /* mains, 0 none */
} lamp;

/* Light that pulses at a known frequency, seen at times that are told to step_s. */
static rw_track *under_lamp(const lamp *l)
{
    rw_track *t = calm_track(192);
    for (size_t i = 0; i < t->count; i++) {
        double at = (double)i * l->interval_s + l->jitter_s * made_noise((uint32_t)i, 501);
        double cycles = l->pulses_hz * at;
        double light = l->pulses_hz > 0 ? 0.07 * cos(2 * G_PI * (cycles - floor(cycles)))
                                        : 0.05 * made_noise((uint32_t)i, 502);
        t->readings[i].v[RW_M_CLEAR] *= 1 + light;
        t->time_us[i] =
            l->step_s > 0 ? (int64_t)(floor(at / l->step_s) * l->step_s * 1e6 + 0.5) : INT64_MIN;
    }
    return t;
}

static void test_flicker(void)
{
    static const lamp lamps[] = {
        {"100 Hz, irregular clock", 100, 1, 0.012, 0.001, 50},
        {"120 Hz, irregular clock", 120, 0.4, 0.02, 0.001, 60},
        {"mains a little off", 100.06, 1, 0.012, 0.001, 50},
        {"100 Hz, steady transport", 100, 0.3333, 0, 0.001, 50},
        {"another frequency", 86, 1, 0.012, 0.001, 0},
        {"a lamp's own unrest", 0, 1, 0.012, 0.001, 0},
        {"whole seconds", 100, 1, 0.012, 1, 0},
        {"no clock", 100, 1, 0.012, 0, 0},
    };
    for (size_t k = 0; k < G_N_ELEMENTS(lamps); k++) {
        g_test_message("%s", lamps[k].name);
        rw_track *t = under_lamp(&lamps[k]);
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(rw_verdicts_count(verdicts), ==, 1); /* and no jumps beside it */
        const rw_verdict *flicker = rw_verdicts_get(verdicts, 0);
        g_assert_nonnull(strstr(flicker->evidence->str, "\"flicker\""));
        double told = number(flicker, "mains_hz");
        if (lamps[k].told)
            g_assert_cmpfloat(told, ==, lamps[k].told);
        else
            g_assert_true(isnan(told));
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

static void test_clipped(void)
{
    rw_track *t = calm_track(120);
    for (size_t i = 20; i < 30; i++)
        set(t, i, RW_M_CLIPPED, 0.05);
    rw_verdicts *verdicts = judged(t);
    const rw_verdict *v = only(verdicts, RW_KIND_CLIPPED, 20);
    g_assert_cmpuint(v->last, ==, 29);
    rw_verdicts_free(&verdicts);
    for (size_t i = 20; i < 30; i++)
        set(t, i, RW_M_CLIPPED, 0.005); /* a lamp in the picture */
    expect_none(t);
    rw_track_free(&t);
}

/* ---- where the film lies ---- */

static void test_damage(void)
{
    rw_track *t = calm_track(120);
    t->fit[30].damaged = true;
    rw_verdicts *verdicts = judged(t);
    g_assert_cmpint(only(verdicts, RW_KIND_PERFORATION, 30)->severity, ==, RW_NOTE);
    rw_verdicts_free(&verdicts);

    t->fit[30].confidence = 0.2; /* one cause, one finding */
    verdicts = judged(t);
    g_assert_cmpint(only(verdicts, RW_KIND_PERFORATION, 30)->severity, ==, RW_LOOK);
    rw_verdicts_free(&verdicts);

    t->fit[30].damaged = false;
    verdicts = judged(t);
    g_assert_cmpint(only(verdicts, RW_KIND_LOST, 30)->severity, ==, RW_LOOK);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

static void test_splice(void)
{
    static const double settling[] = {20, 9, 3}, staying[] = {20, 20, 20};
    rw_track *t = calm_track(120);
    for (size_t k = 0; k < 3; k++)
        t->fit[60 + k].dy = settling[k];
    for (size_t i = 60; i < 120; i++)
        t->scene[i] = 60;
    rw_verdicts *verdicts = judged(t);
    only(verdicts, RW_KIND_SPLICE, 60);
    rw_verdicts_free(&verdicts);
    for (size_t k = 0; k < 3; k++)
        t->fit[60 + k].dy = staying[k]; /* somebody pushed the camera */
    verdicts = judged(t);
    tell(verdicts);
    g_assert_false(rw_verdicts_cover(verdicts, RW_KIND_SPLICE, 60));
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

/* Light that is taken from `rows` rows at the end of one picture and at the head of the next. */
static void lay_tape(rw_track *t, size_t joint, int rows, double share)
{
    for (int k = 0; k < rows * RW_COLOUR_COLUMNS; k++) {
        uint8_t *end = &t->look[joint - 1].tone[RW_COLOUR_SAMPLES - 1 - k];
        uint8_t *head = &t->look[joint].tone[k];
        *end = (uint8_t)lrint(*end * (1 - share));
        *head = (uint8_t)lrint(*head * (1 - share));
    }
}

/* Tape tells a joint that did not throw the film; a shadow on one of the two pictures does not. */
static void test_splice_tape(void)
{
    for (unsigned taped = 0; taped < 2; taped++) {
        rw_track *t = calm_track(120);
        for (size_t i = 0; i < t->count; i++) {
            t->look[i].seen = true;
            for (uint32_t k = 0; k < RW_COLOUR_SAMPLES; k++)
                t->look[i].tone[k] = (uint8_t)lrint(90 + 60 * made_noise(k, 605) / 3 +
                                                    2 * made_noise((uint32_t)i * 300 + k, 606));
        }
        expect_none(t);
        lay_tape(t, 60, 9, 0.06);
        if (!taped)
            t->look[60] = t->look[61];
        rw_verdicts *verdicts = judged(t);
        tell(verdicts);
        g_assert_cmpuint(rw_verdicts_count(verdicts), ==, taped);
        g_assert_cmpuint(rw_verdicts_cover(verdicts, RW_KIND_SPLICE, 60), ==, taped);
        rw_verdicts_free(&verdicts);
        rw_track_free(&t);
    }
}

/* ---- files ---- */

static void test_stills(void)
{
    rw_track *t = calm_track(120);
    set(t, 30, RW_M_STATE, RW_STATE_UNREADABLE);
    t->fault[30] = g_strdup("It is no picture.");
    rw_verdicts *verdicts = judged(t);
    g_assert_cmpint(only(verdicts, RW_KIND_UNREADABLE, 30)->severity, ==, RW_REDO);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);

    t = calm_track(120);
    t->time_us[30] -= 20000000;
    verdicts = judged(t);
    tell(verdicts);
    g_assert_true(rw_verdicts_cover(verdicts, RW_KIND_ORDER, 30));
    g_assert_cmpuint(count_of(verdicts, RW_KIND_ORDER), ==, 1);
    rw_verdicts_free(&verdicts);
    rw_track_free(&t);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/judges/calm", test_calm);
    g_test_add_func("/judges/missing", test_missing);
    g_test_add_func("/judges/missing/nothing", test_nothing_missing);
    g_test_add_func("/judges/doubled", test_doubled);
    g_test_add_func("/judges/doubled/not-next", test_doubled_and_not_next);
    g_test_add_func("/judges/doubled/after-smear", test_doubled_after_smear);
    g_test_add_func("/judges/missing/after-smear", test_missing_after_smear);
    g_test_add_func("/judges/missing/round-smear", test_missing_round_smear);
    g_test_add_func("/judges/missing/torn-after-smear", test_torn_after_smear);
    g_test_add_func("/judges/missing/by-motion", test_missing_by_motion);
    g_test_add_func("/judges/missing/by-both", test_missing_by_both);
    g_test_add_func("/judges/missing/short-strip", test_missing_by_short_strip);
    g_test_add_func("/judges/missing/among-smears", test_missing_among_smears);
    g_test_add_func("/judges/missing/behind-ghost", test_missing_behind_ghost);
    g_test_add_func("/judges/missing/by-rough-clock", test_missing_by_rough_clock);
    g_test_add_func("/judges/smeared", test_smeared);
    g_test_add_func("/judges/smeared/by-a-pitch", test_smeared_by_a_pitch);
    g_test_add_func("/judges/smeared/or-soft", test_smeared_or_soft);
    g_test_add_func("/judges/soft", test_soft);
    g_test_add_func("/judges/focus", test_focus);
    g_test_add_func("/judges/focus/witnesses", test_focus_witnesses);
    g_test_add_func("/judges/exposure/jump", test_jump);
    g_test_add_func("/judges/exposure/drift", test_drift);
    g_test_add_func("/judges/exposure/flicker", test_flicker);
    g_test_add_func("/judges/clipped", test_clipped);
    g_test_add_func("/judges/damage", test_damage);
    g_test_add_func("/judges/splice", test_splice);
    g_test_add_func("/judges/splice/tape", test_splice_tape);
    g_test_add_func("/judges/missing/nothing-moves", test_missing_where_nothing_moves);
    g_test_add_func("/judges/missing/unheard", test_missing_unheard);
    g_test_add_func("/judges/doubled/noise", test_doubled_in_noise);
    g_test_add_func("/judges/doubled/bounce", test_doubled_by_bounce);
    g_test_add_func("/judges/stills", test_stills);
    return g_test_run();
}
