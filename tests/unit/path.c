/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Steadying on pictures and paths whose truth is made here: a texture of many waves, sampled
 * exactly wherever it is put, so that no warp stands between truth and measurement.
 */
#include <math.h>
#include <string.h>

#include <reelwright/motion.h>

#include "motion/course.h"
#include "motion/smooth.h"
#include "motion/steady.h"

/* ---- made pictures ---- */

enum { W = 480, H = 360, WAVES = 40 };

static double normal(GRand *r)
{
    double u = g_rand_double(r) + 1e-12, v = g_rand_double(r);
    return sqrt(-2 * log(u)) * cos(2 * G_PI * v);
}

typedef struct texture {
    double fx[WAVES], fy[WAVES], phase[WAVES];
} texture;

/* Periods of 9 px and up: what film shows at this scale. */
static texture texture_make(guint32 seed)
{
    texture t;
    GRand *r = g_rand_new_with_seed(seed);
    for (int i = 0; i < WAVES; i++) {
        double f = g_rand_double_range(r, 0.01, 0.11), a = g_rand_double_range(r, 0, G_PI);
        t.fx[i] = 2 * G_PI * f * cos(a);
        t.fy[i] = 2 * G_PI * f * sin(a);
        t.phase[i] = g_rand_double_range(r, 0, 2 * G_PI);
    }
    g_rand_free(r);
    return t;
}

/* Values at lattice points are kept and interpolated by no one: a picture costs W * H * WAVES, so
 * each wave is turned along the row by a recurrence. */
static void texture_draw(const texture *t, double x0, double y0, double contrast, rw_irect where,
                         float *px)
{
    float *row = g_new(float, where.width);
    for (int y = where.y; y < where.y + where.height; y++) {
        memset(row, 0, sizeof *row * (size_t)where.width);
        for (int i = 0; i < WAVES; i++) {
            double a = t->fx[i] * (where.x - x0) + t->fy[i] * (y - y0) + t->phase[i];
            double c = cos(a), s = sin(a), cs = cos(t->fx[i]), sn = sin(t->fx[i]);
            for (int x = 0; x < where.width; x++) {
                row[x] += (float)c;
                double next = c * cs - s * sn;
                s = s * cs + c * sn;
                c = next;
            }
        }
        for (int x = 0; x < where.width; x++)
            px[y * W + where.x + x] = (float)(0.5 + contrast / sqrt(WAVES / 2.0) * (double)row[x]);
    }
    g_free(row);
}

static rw_steady_imprint *imprint_of(const float *px)
{
    /* 1 px of this picture is 3 px of a still whose film is 100 px to the mm */
    rw_affine to_still = {{{3, 0, 1}, {0, 3, 1}}};
    return rw_steady_imprint_new((rw_plane){(float *)px, W, H, W}, to_still,
                                 (rw_irect){0, 0, W, H});
}

/* ---- looks ---- */

static void look_pair(const float *before, const float *now, rw_steady_sight *sight)
{
    rw_steady_imprint *a = imprint_of(before), *b = imprint_of(now);
    const rw_steady_imprint *links[RW_STEADY_LINKS] = {a, NULL, NULL, NULL, NULL, NULL};
    rw_steady_look(b, links, sight);
    rw_steady_imprint_unref(&a);
    rw_steady_imprint_unref(&b);
}

/* rms error of the blocks that matched, px of the imprint, and their number */
static double block_error(const rw_steady_sight *s, double dx, double dy, int *matched)
{
    double sum = 0;
    *matched = 0;
    for (int b = 0; b < RW_STEADY_BLOCKS; b++)
        if (s->match[0][b] > 60) {
            double ex = s->dx[0][b] / 256.0 - dx, ey = s->dy[0][b] / 256.0 - dy;
            sum += ex * ex + ey * ey;
            ++*matched;
        }
    return sqrt(sum / MAX(1, 2 * *matched));
}

/* Content that lies at p now lay at p + (dx, dy) before. */
static void test_look(void)
{
    texture t = texture_make(1);
    float *a = g_new(float, W *H), *b = g_new(float, W *H);
    static const double shifts[][2] = {
        {0, 0}, {0.5, -0.25}, {3.3, 1.7}, {-20.4, 11.6}, {36.2, -30.8}};
    for (size_t i = 0; i < G_N_ELEMENTS(shifts); i++) {
        rw_steady_sight s;
        int n;
        texture_draw(&t, shifts[i][0], shifts[i][1], 0.2, (rw_irect){0, 0, W, H}, a);
        texture_draw(&t, 0, 0, 0.2, (rw_irect){0, 0, W, H}, b);
        look_pair(a, b, &s);
        double e = block_error(&s, shifts[i][0], shifts[i][1], &n);
        g_test_message("shift %.1f %.1f: %d blocks, %.4f px", shifts[i][0], shifts[i][1], n, e);
        g_assert_cmpint(n, >, 120);
        g_assert_cmpfloat(e, <, 0.03); /* our target; common practice, no source */
    }
    g_free(a);
    g_free(b);
}

/* Light that changes by gain, offset and shading must not move anything. */
static void test_flicker(void)
{
    texture t = texture_make(2);
    float *a = g_new(float, W *H), *b = g_new(float, W *H);
    texture_draw(&t, 1.3, -0.6, 0.12, (rw_irect){0, 0, W, H}, a);
    texture_draw(&t, 0, 0, 0.12, (rw_irect){0, 0, W, H}, b);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            b[y * W + x] = 0.7f * b[y * W + x] * (1.0f + 0.2f * (float)x / W) + 0.1f;
    rw_steady_sight s;
    int n;
    look_pair(a, b, &s);
    g_assert_cmpfloat(block_error(&s, 1.3, -0.6, &n), <, 0.03);
    g_assert_cmpint(n, >, 150);
    g_free(a);
    g_free(b);
}

static void test_nothing_to_see(void)
{
    float *a = g_new0(float, W *H), *b = g_new0(float, W *H);
    rw_steady_sight s;
    look_pair(a, b, &s);
    for (int i = 0; i < RW_STEADY_BLOCKS; i++)
        g_assert_cmpint(s.match[0][i], ==, 0);
    g_assert_cmpfloat(s.contrast, ==, 0);
    g_assert_null(rw_steady_imprint_new((rw_plane){a, W, H, W}, rw_affine_identity(),
                                        (rw_irect){0, 0, 95, 72}));
    g_free(a);
    g_free(b);
}

/* The figures on grain that steady.c rests on, on grain itself. */
static void test_grain_figures(void)
{
    enum { GW = 1440, GH = 1080 };
    GRand *r = g_rand_new_with_seed(3);
    float *px = g_new(float, (size_t)GW *GH);
    for (int i = 0; i < GW * GH; i++)
        px[i] = 0.5f + 0.05f * (float)normal(r);
    rw_steady_imprint *im = rw_steady_imprint_new((rw_plane){px, GW, GH, GW}, rw_affine_identity(),
                                                  (rw_irect){0, 0, GW, GH});
    static const double gradient[2] = {370, 128}, shared[2] = {9.0, 2.9};
    for (int level = 0; level < 2; level++) {
        rw_plane p = im->level[level];
        double var = 0, slope = 0, sum = 0, n = (p.width - 16.0) * (p.height - 16.0);
        for (int y = 8; y < p.height - 8; y++)
            for (int x = 8; x < p.width - 8; x++) {
                const float *at = p.px + y * p.stride + x;
                double v = (double)*at - 0.5, g = 0.5 * ((double)at[1] - (double)at[-1]);
                var += v * v / n;
                slope += g * g / n;
                for (int j = -4; j <= 4; j++)
                    for (int i = -4; i <= 4; i++)
                        sum += v * ((double)at[j * p.stride + i] - 0.5) / n;
            }
        int width = RW_STEADY_BLOCK >> level;
        g_assert_cmpfloat(fabs(slope / var * width * width / gradient[level] - 1), <, 0.15);
        g_assert_cmpfloat(fabs(sum / var / shared[level] - 1), <, 0.2);
    }
    rw_steady_imprint_unref(&im);
    g_free(px);
    g_rand_free(r);
}

/* ---- the smooth line ---- */

/* The same minimum by elimination on the full matrix. */
static void line_by_force(const double *x, const double *v, int n, double lambda, double *line)
{
    double *a = g_new0(double, n *n);
    static const double d[4] = {-1, 3, -3, 1};
    for (int i = 0; i < n; i++) {
        double w = isinf(v[i]) ? 0 : 1 / v[i];
        a[i * n + i] += w;
        line[i] = w > 0 ? w * x[i] : 0;
    }
    for (int s = 0; s + 3 < n; s++)
        for (int i = 0; i < 4; i++)
            for (int j = 0; j < 4; j++)
                a[(s + i) * n + s + j] += d[i] * d[j] / lambda;
    for (int k = 0; k < n; k++)
        for (int i = k + 1; i < n; i++) {
            double f = a[i * n + k] / a[k * n + k];
            for (int j = k; j < n; j++)
                a[i * n + j] -= f * a[k * n + j];
            line[i] -= f * line[k];
        }
    for (int i = n - 1; i >= 0; i--) {
        for (int j = i + 1; j < n; j++)
            line[i] -= a[i * n + j] * line[j];
        line[i] /= a[i * n + i];
    }
    g_free(a);
}

static void test_line_exact(void)
{
    enum { N = 40 };
    double x[N], v[N], got[N], want[N];
    GRand *r = g_rand_new_with_seed(5);
    for (int i = 0; i < N; i++) {
        x[i] = 10 * normal(r);
        v[i] = i == 7 || i == 20 ? HUGE_VAL : g_rand_double_range(r, 0.5, 2);
    }
    for (double lambda = 1e-4; lambda < 20; lambda *= 100) {
        rw_smooth_line_at(x, v, N, lambda, got);
        line_by_force(x, v, N, lambda, want);
        for (int i = 0; i < N; i++)
            g_assert_cmpfloat_with_epsilon(got[i], want[i], 1e-6);
    }
    g_rand_free(r);
}

/* A parabola has no third difference: it must come through whole, ends and all, whatever lambda. */
static void test_line_no_lag(void)
{
    enum { N = 60 };
    double x[N], v[N], line[N];
    for (int i = 0; i < N; i++) {
        x[i] = 3 + 0.7 * i - 0.02 * i * i;
        v[i] = 1;
    }
    rw_smooth_line_at(x, v, N, 1e-6, line);
    for (int i = 0; i < N; i++)
        g_assert_cmpfloat_with_epsilon(line[i], x[i], 1e-4);
    rw_smooth_line(x, v, N, line);
    for (int i = 0; i < N; i++)
        g_assert_cmpfloat_with_epsilon(line[i], x[i], 1e-3);
}

static void test_line_finds_jitter(void)
{
    enum { N = 300 };
    double x[N], v[N], line[N], error = 0;
    GRand *r = g_rand_new_with_seed(6);
    for (int i = 0; i < N; i++) {
        x[i] = 30 * sin(i / 25.0) + 2 * normal(r);
        v[i] = 1;
    }
    rw_smooth_result s = rw_smooth_line(x, v, N, line);
    for (int i = 0; i < N; i++)
        error += pow(line[i] - 30 * sin(i / 25.0), 2) / N;
    g_assert_cmpfloat(fabs(s.sigma / 2 - 1), <, 0.15);
    g_assert_cmpfloat(sqrt(error), <, 0.9); /* well below the jitter of 2 */
    g_assert_cmpfloat(rw_smooth_wander(x, v, N), >, 50);
    for (int i = 0; i < N; i++)
        x[i] = 2 * normal(r);
    g_assert_cmpfloat(rw_smooth_wander(x, v, N), <, 6);
    g_rand_free(r);
}

static void test_line_short(void)
{
    double x[3] = {1, 2, 6}, v[3] = {1, 1, HUGE_VAL}, line[3];
    rw_smooth_line(x, v, 3, line);
    for (int i = 0; i < 3; i++)
        g_assert_cmpfloat_with_epsilon(line[i], 1.5, 1e-12);
    v[0] = v[1] = HUGE_VAL;
    rw_smooth_line(x, v, 3, line);
    g_assert_cmpfloat(line[1], ==, 0);
}

/* ---- courses of rests and sweeps ---- */

/* Rests, speeds up evenly over eight figures, sweeps, slows down, rests. */
static double sweep(double t, double speed)
{
    static const double at[4] = {20, 28, 70, 78};
    double place = 0;
    for (int i = 0; i < 4; i++) {
        double into = MAX(t - at[i], 0);
        place += (i == 0 || i == 3 ? 1 : -1) * speed / 8 * into * into / 2;
    }
    return place;
}

static double rms_about_mean(const double *a, const double *b, int n)
{
    double mean = 0, sum = 0;
    for (int i = 0; i < n; i++)
        mean += (a[i] - b[i]) / n;
    for (int i = 0; i < n; i++)
        sum += pow(a[i] - b[i] - mean, 2);
    return sqrt(sum / n);
}

enum { COURSE = 96 };

/* Without jitter the course is the sweep, also where nothing is known, and its rests stand. */
static void test_course_exact(void)
{
    double x[COURSE], v[COURSE], line[COURSE], want[COURSE];
    for (int i = 0; i < COURSE; i++) {
        want[i] = x[i] = sweep(i, 7);
        v[i] = 1;
    }
    for (int i = 45; i < 52; i++) {
        x[i] = 1e6;
        v[i] = HUGE_VAL;
    }
    rw_course c = rw_course_line(x, v, COURSE, line);
    g_assert_cmpint(c.n_changes, >=, 2);
    for (int i = 0; i < COURSE; i++)
        g_assert_cmpfloat(fabs(line[i] - want[i]), <, 0.3);
    g_assert_true(c.rests[0] && c.rests[c.n_changes]);
    g_assert_cmpfloat(fabs(line[10] - line[0]), <, 1e-3);
    g_assert_cmpfloat(fabs(line[95] - line[85]), <, 1e-3);
}

/* Against jitter it keeps the ends of a sweep where the smooth line, at its best, rounds them off;
 * and it does not pass for a hand's sway. The bound of what can be known: five numbers (a place,
 * two moments, a way to go, how fast it sets off) out of 96 figures, and a tenth more. */
static void test_course_jitter(void)
{
    enum { TIMES = 12 };
    GRand *r = g_rand_new_with_seed(3);
    double x[COURSE], v[COURSE], line[COURSE], smooth[COURSE], want[COURSE], course_sum = 0,
                                                                             smooth_sum = 0;
    for (int k = 0; k < TIMES; k++) {
        for (int i = 0; i < COURSE; i++) {
            want[i] = sweep(i, 7);
            x[i] = want[i] + 3 * normal(r);
            v[i] = 1;
        }
        rw_smooth_result s = rw_smooth_line(x, v, COURSE, smooth);
        rw_course c = rw_course_line(x, v, COURSE, line);
        g_assert_cmpfloat(c.criterion, <, s.criterion - 25);
        g_assert_cmpfloat(c.sigma, >, 2.2);
        g_assert_cmpfloat(c.sigma, <, 3.8);
        course_sum += pow(rms_about_mean(line, want, COURSE), 2) / TIMES;
        smooth_sum += pow(rms_about_mean(smooth, want, COURSE), 2) / TIMES;
        for (int i = 0; i < COURSE; i++)
            x[i] = 18 * sin(i / 11.0) + 9 * sin(i / 4.9 + 1) + 3 * normal(r);
        s = rw_smooth_line(x, v, COURSE, smooth);
        g_assert_cmpfloat(rw_course_line(x, v, COURSE, line).criterion, >, s.criterion - 25);
    }
    g_test_message("course %.2f, smooth %.2f", sqrt(course_sum), sqrt(smooth_sum));
    g_assert_cmpfloat(sqrt(course_sum), <, 1.1 * 3 * sqrt(5.0 / COURSE));
    g_assert_cmpfloat(sqrt(course_sum), <, 0.7 * sqrt(smooth_sum));
    g_rand_free(r);
}

static void test_course_short(void)
{
    double x[11] = {0}, v[11], line[11];
    for (int i = 0; i < 11; i++)
        v[i] = 1;
    g_assert_true(isinf(rw_course_line(x, v, 11, line).criterion));
}

/* ---- whole scenes ---- */

typedef struct story {
    int n;
    double jitter, pan; /* px of 1080, over the scene */
    double object;      /* share of the width that a passing body takes */
    double grain;
    int black_first, black_last;           /* frames; -1 none */
    enum { BLACK, HIDDEN, BLURRED } black; /* or hidden by something else, or out of focus */
    bool edges;                            /* the exposure's edges are seen */
} story;

typedef struct played {
    rw_steady_input *inputs;
    rw_steady_sight *sights;
    rw_steady_frame *frames;
    rw_steady_scene scene;
    rw_point *truth, *intent; /* px of 1080: where the scene lies; where it should */
} played;

static double eased(double u)
{
    double v = CLAMP((u - 0.2) / 0.6, 0, 1);
    return v * v * (3 - 2 * v);
}

/* Far out of focus: the mean over 61 px each way, twice; what stays lies under the grain. */
static void blur(float *px)
{
    float line[MAX(W, H)];
    for (int pass = 0; pass < 4; pass++) {
        int n = pass & 1 ? H : W, lines = pass & 1 ? W : H, step = pass & 1 ? W : 1;
        for (int l = 0; l < lines; l++) {
            float *at = px + l * (pass & 1 ? 1 : W);
            for (int i = 0; i < n; i++) {
                float sum = 0;
                for (int k = -30; k <= 30; k++)
                    sum += at[CLAMP(i + k, 0, n - 1) * step];
                line[i] = sum / 61;
            }
            for (int i = 0; i < n; i++)
                at[i * step] = line[i];
        }
    }
}

static void draw_story(const story *s, const texture *scene, const texture *body, GRand *r, int t,
                       rw_point at, float *px)
{
    bool lost = t >= s->black_first && t <= s->black_last;
    if (lost && s->black == BLACK) {
        memset(px, 0, sizeof(float) * W * H);
        return;
    }
    const texture *shown = lost && s->black == HIDDEN ? body : scene;
    texture_draw(shown, at.x / 3, at.y / 3, 0.15, (rw_irect){0, 0, W, H}, px);
    if (s->object > 0) { /* goes its own way, bobbing */
        double x = 60 + 2.1 * t, y = 5 * sin(t / 3.0);
        texture_draw(body, x, y, 0.2,
                     (rw_irect){(int)(W * (0.5 - s->object / 2)), 20, (int)(W * s->object), H - 20},
                     px);
    }
    if (lost && s->black == BLURRED)
        blur(px);
    for (int i = 0; i < W * H; i++)
        px[i] += (float)(s->grain * normal(r));
}

static void plan_inputs(const rw_steady_input *inputs, int n, const rw_steady_params *params,
                        rw_steady_frame *frames, rw_steady_scene *scene)
{
    const rw_rect picture = {0, 0, 14.4, 10.8};
    rw_steady_pose *poses = g_new(rw_steady_pose, n);
    rw_steady_measure(inputs, n, picture, poses);
    rw_steady_plan(inputs, poses, n, picture, picture, params, frames, scene);
    g_free(poses);
}

static played play(const story *s, const rw_steady_params *params)
{
    played p = {g_new0(rw_steady_input, s->n), g_new0(rw_steady_sight, s->n),
                g_new0(rw_steady_frame, s->n), {0},
                g_new0(rw_point, s->n),        g_new0(rw_point, s->n)};
    rw_steady_imprint **kept = g_new0(rw_steady_imprint *, s->n);
    float *px = g_new(float, W *H);
    texture scene = texture_make(11), body = texture_make(13);
    GRand *r = g_rand_new_with_seed(7);
    for (int t = 0; t < s->n; t++) {
        rw_point jitter = {s->jitter * normal(r), s->jitter * normal(r)};
        p.intent[t] = (rw_point){s->pan * eased((double)t / (s->n - 1)), 0};
        p.truth[t] = (rw_point){p.intent[t].x + jitter.x, p.intent[t].y + jitter.y};
        draw_story(s, &scene, &body, r, t, p.truth[t], px);
        kept[t] = imprint_of(px);
        const rw_steady_imprint *before[RW_STEADY_LINKS];
        for (int l = 0; l < RW_STEADY_LINKS; l++) {
            int back = t - rw_steady_link_back(l);
            before[l] = back >= 0 ? kept[back] : NULL;
        }
        rw_steady_look(kept[t], before, &p.sights[t]);
        p.inputs[t] = (rw_steady_input){.sight = &p.sights[t],
                                        .film_to_still = {{{100, 0, 0}, {0, 100, 0}}},
                                        .have = {0, 0, 14.4, 10.8}};
        if (s->edges)
            p.inputs[t].edge_x = jitter.x / 100, p.inputs[t].edge_y = jitter.y / 100,
            p.inputs[t].edge_sd_x = p.inputs[t].edge_sd_y = 0.001;
    }
    plan_inputs(p.inputs, s->n, params, p.frames, &p.scene);
    for (int t = 0; t < s->n; t++)
        rw_steady_imprint_unref(&kept[t]);
    g_free(kept);
    g_free(px);
    g_rand_free(r);
    g_test_message("%s", p.scene.reason);
    return p;
}

static void played_clear(played *p)
{
    g_free(p->inputs);
    g_free(p->sights);
    g_free(p->frames);
    g_free(p->truth);
    g_free(p->intent);
}

/* rms about the mean of where the middle ends up against the intended path, px of 1080. */
static double left_of(const played *p, const story *s)
{
    double mx = 0, my = 0, sum = 0, *x = g_new(double, s->n), *y = g_new(double, s->n);
    int n = 0;
    for (int t = 0; t < s->n; t++) {
        if (t >= s->black_first && t <= s->black_last)
            continue;
        rw_point c = rw_affine_apply(p->frames[t].correction, 7.2, 5.4);
        x[n] = p->truth[t].x - p->intent[t].x + 100 * (c.x - 7.2);
        y[n] = p->truth[t].y - p->intent[t].y + 100 * (c.y - 5.4);
        mx += x[n];
        my += y[n++];
    }
    for (int i = 0; i < n; i++)
        sum += pow(x[i] - mx / n, 2) + pow(y[i] - my / n, 2);
    g_free(x);
    g_free(y);
    return sqrt(sum / (2 * n));
}

static const rw_steady_params defaults = RW_STEADY_DEFAULTS;

static void test_locked(void)
{
    story s = {
        .n = 40, .jitter = 3.2, .object = 0.45, .grain = 0.03, .black_first = -1, .black_last = -1};
    played p = play(&s, &defaults);
    g_assert_cmpint(p.scene.mode, ==, RW_STEADY_LOCKED);
    g_assert_cmpfloat(left_of(&p, &s), <, 0.1);
    /* all that is shown is there, and no more is cut off than the jitter makes necessary */
    g_assert_cmpfloat(p.scene.crop_share, >, 0.96);
    for (int t = 0; t < s.n; t++) {
        rw_affine back;
        g_assert_true(rw_affine_invert(p.frames[t].correction, &back));
        for (int k = 0; k < 4; k++) {
            rw_point q = rw_affine_apply(back, p.scene.crop.x + (k & 1) * p.scene.crop.width,
                                         p.scene.crop.y + (k >> 1) * p.scene.crop.height);
            g_assert_cmpfloat(q.x, >, -1e-9);
            g_assert_cmpfloat(q.x, <, 14.4 + 1e-9);
            g_assert_cmpfloat(q.y, >, -1e-9);
            g_assert_cmpfloat(q.y, <, 10.8 + 1e-9);
        }
    }
    played_clear(&p);
}

static void test_pan(void)
{
    story s = {
        .n = 48, .jitter = 2, .pan = 500, .grain = 0.02, .black_first = -1, .black_last = -1};
    played p = play(&s, &defaults);
    g_assert_cmpint(p.scene.mode, ==, RW_STEADY_SMOOTH);
    /* white jitter of 2 px hides the path to 0.46 px: five numbers out of 48 frames, half of it
     * across; and twice that for an ease that is none of a course's own */
    g_assert_cmpfloat(left_of(&p, &s), <, 1.0);
    played_clear(&p);
    s.edges = true; /* where the exposure's edges are seen it does not */
    p = play(&s, &defaults);
    g_assert_cmpfloat(left_of(&p, &s), <, 0.3);
    played_clear(&p);
}

/* Frames that show nothing, something else or next to nothing are known for what they are, go where
 * the path leads (nowhere in a locked scene), and the others do not suffer. */
static void check_lost(const story *s)
{
    played p = play(s, &defaults);
    g_assert_cmpint(p.scene.mode, ==, RW_STEADY_LOCKED);
    g_assert_cmpfloat(left_of(&p, s), <, 0.1);
    g_assert_cmpint(p.scene.held, ==, s->black_last - s->black_first + 1);
    for (int t = 0; t < s->n; t++) {
        bool lost = t >= s->black_first && t <= s->black_last;
        g_assert_true(p.frames[t].held == lost);
        g_assert_true((p.frames[t].confidence < 0.5) == lost);
        /* nothing is said of a step to or from such a frame, and little of any other */
        if (lost || (t && t - 1 <= s->black_last && t - 1 >= s->black_first))
            g_assert_true(isnan(p.frames[t].left_x) && isnan(p.frames[t].left_y));
        else if (t)
            g_assert_cmpfloat(hypot(p.frames[t].left_x, p.frames[t].left_y), <, 0.2);
        if (lost) {
            g_assert_cmpfloat(fabs(p.frames[t].want_x - p.frames[t].x), <, 2.5);
            g_assert_cmpfloat(fabs(p.frames[t].want_y - p.frames[t].y), <, 2.5);
        }
    }
    played_clear(&p);
}

static void test_black(void)
{
    const story s = {.n = 40, .jitter = 3, .black_first = 18, .black_last = 20};
    check_lost(&s);
}

static void test_hidden(void)
{
    const story s = {
        .n = 40, .jitter = 3, .grain = 0.02, .black_first = 18, .black_last = 21, .black = HIDDEN};
    check_lost(&s);
}

static void test_defocused(void)
{
    const story s = {
        .n = 40, .jitter = 3, .grain = 0.03, .black_first = 25, .black_last = 26, .black = BLURRED};
    check_lost(&s);
}

static void test_all_black(void)
{
    story s = {.n = 12, .black_first = 0, .black_last = 11};
    played p = play(&s, &defaults);
    const rw_affine identity = rw_affine_identity();
    g_assert_cmpint(p.scene.mode, ==, RW_STEADY_OFF);
    for (int t = 0; t < s.n; t++) {
        g_assert_true(p.frames[t].held);
        g_assert_true(memcmp(&p.frames[t].correction, &identity, sizeof identity) == 0);
    }
    played_clear(&p);
}

static void test_strength_and_off(void)
{
    story s = {.n = 40, .jitter = 1, .pan = 300, .black_first = -1, .black_last = -1};
    rw_steady_params params = {RW_STEADY_SMOOTH, 1, 0.05, RW_STEADY_CROP};
    played p = play(&s, &params);
    g_assert_cmpint(p.scene.mode, ==, RW_STEADY_SMOOTH);
    for (int t = 0; t < s.n; t++) /* calmed, and within the crop that it may cost */
        g_assert_cmpfloat(fabs(p.frames[t].want_x - p.intent[t].x + p.truth[0].x), <,
                          0.05 * 1080 + 6);
    params.mode = RW_STEADY_OFF;
    plan_inputs(p.inputs, s.n, &params, p.frames, &p.scene);
    for (int t = 0; t < s.n; t++)
        g_assert_cmpfloat(p.frames[t].correction.m[0][2], ==, 0);
    g_assert_cmpfloat(p.scene.crop_share, ==, 1);
    /* a frame that registration could not place is put among its neighbours all the same */
    p.inputs[10].unplaced = true;
    p.inputs[10].film_to_still.m[0][2] += 40;
    plan_inputs(p.inputs, s.n, &params, p.frames, &p.scene);
    rw_point c = rw_affine_apply(p.frames[10].correction, 7.2, 5.4);
    g_assert_cmpfloat(fabs(100 * (c.x - 7.2) - 40), <, 8);
    g_assert_cmpfloat(p.frames[9].correction.m[0][2], ==, 0);
    played_clear(&p);
}

/* A plan is a pure function of its inputs; a missing sight or one of another version is no sight.
 */
static void test_pure(void)
{
    story s = {.n = 12, .jitter = 2, .black_first = -1, .black_last = -1};
    played p = play(&s, &defaults);
    rw_steady_frame *again = g_new0(rw_steady_frame, s.n);
    rw_steady_scene scene;
    plan_inputs(p.inputs, s.n, &defaults, again, &scene);
    for (int t = 0; t < s.n; t++)
        g_assert_true(memcmp(&again[t].correction, &p.frames[t].correction, sizeof(rw_affine)) ==
                      0);
    p.inputs[5].sight = NULL;
    p.sights[6].version++;
    plan_inputs(p.inputs, s.n, &defaults, again, &scene);
    g_assert_true(again[5].held);
    g_assert_true(again[6].held);
    plan_inputs(p.inputs, 1, &defaults, again, &scene);
    g_assert_cmpint(scene.mode, ==, RW_STEADY_OFF);
    g_free(again);
    played_clear(&p);
}

static void test_names(void)
{
    rw_steady_mode mode;
    for (int i = RW_STEADY_AUTO; i <= RW_STEADY_OFF; i++) {
        g_assert_true(rw_steady_mode_parse(rw_steady_mode_name((rw_steady_mode)i), &mode));
        g_assert_cmpint(mode, ==, i);
    }
    g_assert_false(rw_steady_mode_parse("Locked", &mode));
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/steady/look", test_look);
    g_test_add_func("/steady/flicker", test_flicker);
    g_test_add_func("/steady/nothing-to-see", test_nothing_to_see);
    g_test_add_func("/steady/grain-figures", test_grain_figures);
    g_test_add_func("/steady/line/exact", test_line_exact);
    g_test_add_func("/steady/line/no-lag", test_line_no_lag);
    g_test_add_func("/steady/line/jitter", test_line_finds_jitter);
    g_test_add_func("/steady/line/short", test_line_short);
    g_test_add_func("/steady/course/exact", test_course_exact);
    g_test_add_func("/steady/course/jitter", test_course_jitter);
    g_test_add_func("/steady/course/short", test_course_short);
    g_test_add_func("/steady/locked", test_locked);
    g_test_add_func("/steady/pan", test_pan);
    g_test_add_func("/steady/black", test_black);
    g_test_add_func("/steady/hidden", test_hidden);
    g_test_add_func("/steady/defocused", test_defocused);
    g_test_add_func("/steady/all-black", test_all_black);
    g_test_add_func("/steady/strength-and-off", test_strength_and_off);
    g_test_add_func("/steady/pure", test_pure);
    g_test_add_func("/steady/names", test_names);
    return g_test_run();
}
