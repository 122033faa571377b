/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Clean-up on made-up frames whose faults are known to the pixel. Limits are our own targets,
 * common practice, no outside source; quality/restore scores the same on pictures of the world.
 */
#include <math.h>

#include "motion/share.h"
#include "restore/blemish.h"
#include "restore/flicker.h"
#include "restore/grain.h"
#include "restore/hair.h"
#include "restore/scratch.h"
#include "restore/stages.h"

#define W     360
#define H     270
#define GRAIN 0.012 /* rms of the root of light: as of a slow film */

/* ---- frames ---- */

typedef struct shot {
    double pan;                                        /* px a frame */
    double grain;                                      /* rms of the root of light */
    double (*gain)(int n, double u);                   /* of light; u: -1 .. 1 across. NULL: 1 */
    double (*over)(int n, int x, int y, double light); /* damage on top. NULL: none */
    rw_point (*weave)(int n); /* of the still against the frame. NULL: none */
} shot;

/* Roots of light, smooth and without repeats. */
static double texture(double x, double y)
{
    double v = 0.5;
    for (int k = 0; k < 10; k++) {
        const double a = 2.399963 * k, f = 0.03 + 0.03 * k;
        v += 0.04 * sin(f * (x * cos(a) + y * sin(a)) + 1.7 * k * k);
    }
    return v;
}

static void paint(rw_frame *f, rw_pool *pool, const shot *s, int n, bool with_grain)
{
    g_assert_true(rw_frame_alloc(f, pool, W, H, 3, NULL));
    f->domain = RW_DOMAIN_LINEAR;
    f->n = n;
    const rw_point weave = s->weave ? s->weave(n) : (rw_point){0, 0};
    f->still_to_frame = (rw_affine){{{0.5, 0, weave.x}, {0, 0.5, weave.y}}};
    g_autoptr(GRand) rand = g_rand_new_with_seed((guint32)(n + 77));
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            const double root = texture(x + s->pan * n, y);
            const double gain = s->gain ? s->gain(n, 2.0 * x / W - 1) : 1;
            for (int c = 0; c < 3; c++) {
                double noise = 0;
                for (int k = 0; with_grain && k < 4; k++)
                    noise += g_rand_double(rand) - 0.5;
                double v = root * root;
                if (s->over)
                    v = s->over(n, x, y, v);
                const double r = sqrt(v * gain) + noise * 1.732 * s->grain;
                f->plane[c][y * f->stride + x] = (float)(r * r);
            }
        }
}

#define MOST 48
typedef struct reel {
    rw_pool *pool;
    int count;
    rw_frame frame[MOST];
    rw_motion_share *share[MOST];
} reel;

static reel *shoot(const shot *s, int count, bool with_grain)
{
    reel *r = g_new0(reel, 1);
    r->pool = rw_pool_new((size_t)1 << 30);
    r->count = count;
    for (int n = 0; n < count; n++) {
        paint(&r->frame[n], r->pool, s, n, with_grain);
        r->share[n] = rw_motion_share_new(r->pool, &r->frame[n], NULL);
    }
    return r;
}

static void reel_free(reel *r)
{
    for (int n = 0; n < r->count; n++) {
        rw_frame_clear(&r->frame[n]);
        rw_motion_share_unref(&r->share[n]);
    }
    rw_pool_free(&r->pool);
    g_free(r);
}

/* rms difference of roots of green over a box. */
static double apart(const rw_frame *a, const rw_frame *b, rw_irect box)
{
    double sum = 0;
    for (int y = box.y; y < box.y + box.height; y++)
        for (int x = box.x; x < box.x + box.width; x++) {
            const double d = sqrt((double)a->plane[1][y * a->stride + x]) -
                             sqrt((double)b->plane[1][y * b->stride + x]);
            sum += d * d;
        }
    return sqrt(sum / (box.width * box.height));
}

static const rw_irect inside = {20, 20, W - 40, H - 40};

/* ---- stages as finish runs them ---- */

typedef struct source {
    rw_motion_source base;
    reel *r;
    int n;
} source;

static const rw_motion_field *get_field(const rw_motion_source *self, int from, int to,
                                        GError **error)
{
    const source *s = (const source *)(const void *)self;
    return rw_motion_share_get(s->r->share, s->n + from, s->n + to, error);
}

static rw_stage_scene scene_of(const reel *r)
{
    return (rw_stage_scene){.id = 1,
                            .last = r->count - 1,
                            .width = W,
                            .height = H,
                            .px_per_mm = W / 5.3,
                            .fps = {18, 1}};
}

/* One frame by a stage without history; params "key=value", NULL none. */
static void run_stage(rw_frame *out, reel *r, int n, const rw_stage *stage, const char *setting,
                      const rw_stage_scene *scene, rw_stage_trace *trace)
{
    g_autofree void *params = g_malloc0(stage->params_size);
    rw_params_defaults(stage->params, params);
    if (setting) {
        g_auto(GStrv) pair = g_strsplit(setting, "=", 2);
        g_assert_true(rw_params_set(stage->params, params, pair[0], pair[1], NULL));
    }
    rw_window window = {.before = 2, .after = 2};
    for (int k = -2; k <= 2; k++) {
        if (n + k >= 0 && n + k < r->count)
            window.frame[RW_REACH_MAX + k] = &r->frame[n + k];
        window.film_to_frame[RW_REACH_MAX + k] = (rw_affine){{{W / 5.3, 0, 0}, {0, W / 5.3, 0}}};
    }
    const source motion = {{get_field}, r, n};
    const rw_stage_run run = {
        .scene = scene, .params = params, .motion = &motion.base, .pool = r->pool};
    GError *error = NULL;
    g_assert_true(stage->frame(&run, &window, out, trace, &error));
    g_assert_no_error(error);
}

/* ---- motion shared ---- */

typedef struct asker {
    reel *r;
    int turn;
} asker;

static gpointer ask(gpointer data)
{
    const asker *a = data;
    double *sum = g_new0(double, 1);
    for (int k = 0; k < 4 * a->r->count; k++) {
        const int from = (k * 7 + a->turn) % a->r->count,
                  to = from + (k / a->r->count % 2 ? 2 : -1);
        if (to < 0 || to >= a->r->count)
            continue;
        const rw_motion_field *f = rw_motion_share_get(a->r->share, from, to, NULL);
        g_assert_nonnull(f);
        *sum += (double)f->dx[f->stride * 5 + 7] * (1 + from * 3 + to);
    }
    return sum;
}

/* Whoever asks first, and however many: the same fields. */
static void test_share(void)
{
    const shot s = {.pan = 2.6, .grain = GRAIN};
    double first[3];
    for (int threads = 1; threads <= 4; threads += 3) {
        reel *r = shoot(&s, 5, true);
        g_assert_null(rw_motion_share_get(r->share, 0, 3, NULL));
        g_assert_null(rw_motion_share_get(r->share, 2, 2, NULL));
        GThread *thread[3];
        asker asks[3];
        for (int t = 0; t < 3; t++) {
            asks[t] = (asker){r, t};
            thread[t] = g_thread_new("ask", ask, &asks[t]);
            if (threads > 1)
                continue;
            g_autofree double *sum = g_thread_join(thread[t]);
            first[t] = *sum;
        }
        for (int t = 0; threads > 1 && t < 3; t++) {
            g_autofree double *sum = g_thread_join(thread[t]);
            g_assert_cmpfloat(*sum, ==, first[t]);
        }
        /* content moves 2.6 px to the left a frame */
        const rw_motion_field *f = rw_motion_share_get(r->share, 1, 3, NULL);
        const rw_point v = rw_motion_field_at(f, 180, 130);
        g_assert_cmpfloat_with_epsilon(v.x, -5.2, 0.3);
        g_assert_cmpfloat_with_epsilon(v.y, 0, 0.3);
        reel_free(r);
    }
}

/* ---- flicker ---- */

static double lamp(int n, double u)
{
    return exp(0.03 * sin(n * 2.3) + 0.02 * sin(n * 1.1) * u);
}

static double fade(int n, double u)
{
    (void)u;
    return 1.0 / (1.0 + exp((n - 20) * 0.2)); /* out over a second */
}

/* How far the light of frames steps against that of steady ones, %; after taking facts out. */
static double steps_left(reel *r, const shot *s, const rw_flicker_fact *facts)
{
    const shot steady = {.pan = s->pan};
    double sum = 0, last = 0;
    for (int n = 0; n < r->count; n++) {
        rw_frame truth, out;
        paint(&truth, r->pool, &steady, n, false);
        g_assert_true(rw_frame_alloc(&out, r->pool, W, H, 3, NULL));
        rw_flicker_apply(&out, &r->frame[n], &facts[n], NULL);
        double a = 0, b = 0;
        for (int y = 0; y < H; y++)
            for (int x = 0; x < W / 3; x++) { /* the left third: what is across counts too */
                a += (double)out.plane[1][y * out.stride + x];
                b += (double)truth.plane[1][y * truth.stride + x];
            }
        const double now = log(a / b);
        if (n)
            sum += (now - last) * (now - last) / 2;
        last = now;
        rw_frame_clear(&truth);
        rw_frame_clear(&out);
    }
    return 100 * sqrt(sum / (r->count - 1));
}

/* A grey wall before a lens that loses light towards its corners is even again, whatever part of
 * the still the frame shows; what was clipped is left alone. */
static void test_falloff(void)
{
    const rw_falloff lens = {RW_FALLOFF_VERSION, 900, 600, 0.5f};
    rw_pool *pool = rw_pool_new(64u << 20);
    rw_frame in, out;
    g_assert_true(rw_frame_alloc(&in, pool, W, H, 3, NULL));
    g_assert_true(rw_frame_alloc(&out, pool, W, H, 3, NULL));
    in.still_to_frame = (rw_affine){{{0.4, 0.01, -31}, {-0.01, 0.4, 7}}};
    rw_affine back;
    g_assert_true(rw_affine_invert(in.still_to_frame, &back));
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            rw_point s = rw_affine_apply(back, x, y);
            double dx = s.x - 449.5, dy = s.y - 299.5;
            double q = (dx * dx + dy * dy) / (450.0 * 450 + 300.0 * 300);
            for (int p = 0; p < 3; p++)
                in.plane[p][y * in.stride + x] = (float)(0.2 * exp2(-0.5 * q));
        }
    in.plane[0][0] = 1.0f;
    rw_flicker_apply(&out, &in, NULL, &lens);
    double worst = 0;
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            worst = fmax(worst, fabs((double)out.plane[1][y * out.stride + x] - 0.2));
    g_test_message("uneven by %.5f of 0.2", worst);
    g_assert_cmpfloat(worst, <, 2e-4);
    g_assert_cmpfloat(out.plane[0][0], ==, 1.0f);
    rw_frame_clear(&in);
    rw_frame_clear(&out);
    rw_pool_free(&pool);
}

static void solve(reel *r, double strength, rw_flicker_fact *facts)
{
    rw_flicker_look *looks = g_new0(rw_flicker_look, r->count);
    const rw_flicker_look *each[MOST];
    int64_t n[MOST];
    for (int i = 0; i < r->count; i++) {
        const rw_frame *before[2] = {i > 0 ? &r->frame[i - 1] : NULL,
                                     i > 1 ? &r->frame[i - 2] : NULL};
        g_assert_true(rw_flicker_measure(&looks[i], r->pool, &r->frame[i], before, NULL));
        each[i] = &looks[i];
        n[i] = i;
    }
    rw_flicker_solve(each, n, NULL, (size_t)r->count, strength, facts);
    g_free(looks);
}

static void test_flicker(void)
{
    const shot s = {.pan = 1.3, .grain = GRAIN, .gain = lamp};
    reel *r = shoot(&s, 40, true);
    rw_flicker_fact facts[MOST], none[MOST] = {{0}};
    solve(r, 1, facts);
    const double before = steps_left(r, &s, none), after = steps_left(r, &s, facts);
    g_test_message("%.2f %% > %.2f %%", before, after);
    g_assert_cmpfloat(before, >, 2);
    g_assert_cmpfloat(after, <, 0.4);
    reel_free(r);
}

/* Half of the picture glitters, each place by itself, and gets lighter by it every other frame. */
static double glitter(int n, int x, int y, double light)
{
    const double own = sin(1.9 * (x / 12) * (x / 12) + 2.7 * (y / 12));
    return x > W / 2 && n % 2 ? light * (1.05 + 0.07 * own) : light;
}

/* Where neighbours do not agree on it, a change of light is no flicker. */
static void test_glitter(void)
{
    const shot s = {.pan = 1.3, .grain = GRAIN, .over = glitter};
    reel *r = shoot(&s, 2, true);
    const rw_frame *before[RW_FLICKER_BACK] = {&r->frame[0], NULL};
    rw_flicker_look look;
    g_assert_true(rw_flicker_measure(&look, r->pool, &r->frame[1], before, NULL));
    double worst = 0;
    for (double u = -0.95; u < 0; u += 0.1) {
        double t[RW_FLICKER_TERMS], light = 0;
        rw_flicker_terms(u, 0, t);
        for (int i = 0; i < RW_FLICKER_TERMS; i++)
            light += t[i] * (double)look.surface[0][i];
        worst = fmax(worst, fabs(light));
    }
    g_test_message("%.2f %% of flicker seen beside it", 100 * worst);
    g_assert_cmpfloat(worst, <, 0.006);
    reel_free(r);
}

/* What the film itself shows is not flicker. */
static void test_fade(void)
{
    const shot s = {.pan = 1.3, .grain = GRAIN, .gain = fade};
    reel *r = shoot(&s, 40, true);
    rw_flicker_fact facts[MOST];
    solve(r, 1, facts);
    double worst = 0;
    for (int n = 0; n < r->count; n++)
        worst = fmax(worst, fabs((double)facts[n].surface[0]));
    g_test_message("%.2f %% taken out of a fade", 100 * worst);
    g_assert_cmpfloat(worst, <, 0.03);
    reel_free(r);
}

/* A scene whose light changes nearly as fast as the lamp flickers: the picture alone confuses the
 * two, the clear light tells them apart. Its slow drift is not flicker and stays. Common practice,
 * no source.
 */
static double lamp_missed(const rw_flicker_look *const *looks, const int64_t *n,
                          const double *light, const double *lamp, size_t count)
{
    rw_flicker_fact facts[MOST];
    rw_flicker_solve(looks, n, light, count, 1, facts);
    double sum = 0;
    for (size_t i = 0; i < count; i++)
        sum += pow((double)facts[i].surface[0] - lamp[i], 2);
    return sqrt(sum / (double)count);
}

static void test_clear_light(void)
{
    enum { COUNT = 40 };
    rw_flicker_look looks[COUNT] = {{0}};
    const rw_flicker_look *each[COUNT];
    int64_t n[COUNT];
    double lamp[COUNT], light[COUNT], course[COUNT];
    GRand *chance = g_rand_new_with_seed(11);
    for (int i = 0; i < COUNT; i++) {
        n[i] = i;
        each[i] = &looks[i];
        lamp[i] = 0.02 * (g_rand_double(chance) + g_rand_double(chance) - 1);
        light[i] = 0.8 * exp(lamp[i] + 0.002 * i);
        course[i] = lamp[i] + 0.002 * i + 0.02 * sin(0.8 * i);
        looks[i].weight[0] = i > 0;
        looks[i].error[0] = 0.01f;
        looks[i].surface[0][0] = i ? (float)(course[i] - course[i - 1]) : 0.0f;
    }
    g_rand_free(chance);
    const double without = lamp_missed(each, n, NULL, lamp, COUNT);
    const double with = lamp_missed(each, n, light, lamp, COUNT);
    light[7] = NAN; /* a hole torn */
    const double torn = lamp_missed(each, n, light, lamp, COUNT);
    g_test_message("missed %.2f %% by the picture, %.2f %% by the clear light, %.2f %% torn",
                   100 * without, 100 * with, 100 * torn);
    g_assert_cmpfloat(without, >, 0.004);
    g_assert_cmpfloat(with, <, 0.6 * without);
    g_assert_cmpfloat(torn, <, 0.75 * without);
}

/* ---- blemishes ---- */

#define DIRTY 3
static const rw_irect speck = {150, 110, 11, 9};

static double dirt(int n, int x, int y, double light)
{
    const double d = hypot((x - 155) / 5.0, (y - 114) / 4.0);
    return n == DIRTY && d < 1.2 ? light * fmin(1, fmax(0.1, (d - 0.9) * 3)) : light;
}

/* A light ball flies 34 px a frame, blurred along its way. */
static double ball(int n, int x, int y, double light)
{
    const double bx = 40 + 34 * n, by = 60 + 12 * n + 3 * n * n, ahead = fmin(fmax(x - bx, 0), 14);
    return hypot(x - bx - ahead, y - by) < 8 ? 0.2 * light + 0.6 : light;
}

static void test_blemish(void)
{
    const shot s = {.pan = 1.7, .grain = GRAIN, .over = dirt}, clean = {.pan = 1.7};
    reel *r = shoot(&s, 7, true);
    const rw_stage_scene scene = scene_of(r);
    rw_frame truth, out;
    paint(&truth, r->pool, &clean, DIRTY, false);
    rw_stage_trace trace = {.gain = {1, 1, 1},
                            .mask = {g_malloc0(W * H), g_malloc0(W * H), g_malloc0(W * H)}};
    trace.spots = g_array_new(FALSE, FALSE, sizeof(rw_spot));
    run_stage(&out, r, DIRTY, &rw_stage_blemish, NULL, &scene, &trace);
    const double before = apart(&r->frame[DIRTY], &truth, speck),
                 after = apart(&out, &truth, speck);
    g_test_message("rms in the speck %.4f > %.4f", before, after);
    g_assert_cmpfloat(before, >, 0.15);
    g_assert_cmpfloat(after, <, 2 * GRAIN);
    /* the trace tells where, and nothing else was touched */
    g_assert_cmpint(trace.mask[RW_BLEMISH_DIRT][114 * W + 155], ==, 255);
    g_assert_cmpint(trace.mask[RW_BLEMISH_SCRATCH][114 * W + 155], ==, 0);
    int repaired = 0;
    for (guint i = 0; i < trace.spots->len; i++)
        repaired += g_array_index(trace.spots, rw_spot, i).repaired;
    g_assert_cmpint(repaired, ==, 1);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            if (x < speck.x - 8 || x > speck.x + 20 || y < speck.y - 8 || y > speck.y + 20)
                g_assert_true(out.plane[0][y * out.stride + x] ==
                              r->frame[DIRTY].plane[0][y * r->frame[DIRTY].stride + x]);
    g_array_unref(trace.spots);
    for (int k = 0; k < RW_BLEMISH_KINDS; k++)
        g_free(trace.mask[k]);
    rw_frame_clear(&out);
    rw_frame_clear(&truth);
    reel_free(r);
}

static void test_fast_thing(void)
{
    const shot s = {.pan = 1.7, .grain = GRAIN, .over = ball};
    reel *r = shoot(&s, 7, true);
    const rw_stage_scene scene = scene_of(r);
    for (int n = 2; n < 5; n++) {
        rw_frame out;
        rw_stage_trace trace = {.gain = {1, 1, 1}};
        run_stage(&out, r, n, &rw_stage_blemish, NULL, &scene, &trace);
        g_assert_cmpint(trace.repaired[RW_BLEMISH_DIRT], ==, 0);
        rw_frame_clear(&out);
    }
    reel_free(r);
}

/* What a person says of a spot goes before what the rule thinks of it. */
static int refuse(const rw_stage_scene *scene, int64_t n, double x, double y)
{
    (void)scene;
    return n == DIRTY && hypot(x * W / 5.3 - 155, y * W / 5.3 - 114) < 4 ? -1 : 0;
}

static void test_verdict(void)
{
    const shot s = {.pan = 1.7, .grain = GRAIN, .over = dirt};
    reel *r = shoot(&s, 7, true);
    rw_stage_scene scene = scene_of(r);
    scene.verdict = refuse;
    rw_frame out;
    rw_stage_trace trace = {.gain = {1, 1, 1}};
    run_stage(&out, r, DIRTY, &rw_stage_blemish, NULL, &scene, &trace);
    g_assert_cmpint(trace.repaired[RW_BLEMISH_DIRT], ==, 0);
    g_assert_cmpfloat(apart(&out, &r->frame[DIRTY], inside), ==, 0);
    rw_frame_clear(&out);
    reel_free(r);
}

/* ---- scratches ---- */

static double scratch(int n, int x, int y, double light)
{
    (void)y;
    return fabs(x - 212 - 0.1 * n) < 0.8 ? 0.7 * light + 0.15 : light;
}

static GArray *lines_of(reel *r)
{
    rw_scratch_look *looks = g_new0(rw_scratch_look, r->count);
    const rw_scratch_look *each[MOST];
    int64_t n[MOST];
    for (int i = 0; i < r->count; i++) {
        g_assert_true(rw_scratch_measure(&looks[i], r->pool, &r->frame[i],
                                         i ? &r->frame[i - 1] : NULL, NULL));
        each[i] = &looks[i];
        n[i] = i;
    }
    GArray *lines = rw_scratch_track(each, n, (size_t)r->count);
    g_free(looks);
    return lines;
}

static void test_scratch(void)
{
    const shot s = {.pan = 1.7, .grain = GRAIN, .over = scratch}, clean = {.pan = 1.7};
    reel *r = shoot(&s, 24, true), *c = shoot(&(shot){.pan = 1.7, .grain = GRAIN}, 24, true);
    g_autoptr(GArray) lines = lines_of(r);
    g_autoptr(GArray) none = lines_of(c);
    g_assert_cmpuint(none->len, ==, 0);
    g_assert_cmpuint(lines->len, >=, 22);
    for (guint i = 0; i < lines->len; i++) {
        const rw_scratch_line *l = &g_array_index(lines, rw_scratch_line, i);
        g_assert_cmpfloat(fabs((double)l->x * W - 212.5 - 0.1 * (double)l->n), <, 1.5);
        g_assert_cmpint(l->sign, ==, 1);
    }
    const rw_scratch_line *l = &g_array_index(lines, rw_scratch_line, 12);
    rw_frame truth;
    paint(&truth, r->pool, &clean, (int)l->n, false);
    const rw_irect strip = {211, 20, 5, H - 40};
    const double before = apart(&r->frame[l->n], &truth, strip);
    g_assert_cmpint(rw_scratch_repair(&r->frame[l->n], l, NULL), >, H);
    const double after = apart(&r->frame[l->n], &truth, strip);
    g_test_message("rms along the scratch %.4f > %.4f", before, after);
    g_assert_cmpfloat(after, <, 0.5 * before);
    rw_frame_clear(&truth);
    reel_free(c);
    reel_free(r);
}

/* ---- gate hairs ---- */

static rw_point weave(int n)
{
    return (rw_point){2.2 * sin(n * 2.1), 1.9 * sin(n * 3.3 + 1)};
}

/* Fixed to the camera: a dark arc. */
static double hair(int n, int x, int y, double light)
{
    const rw_point w = weave(n);
    const double cx = x - w.x, cy = y - w.y;
    const double off = fabs(hypot(cx - 120, cy - 90) - 60);
    return cx > 120 && cy > 90 && off < 1.3 ? 0.08 * light : light;
}

static void test_hair(void)
{
    for (int with = 0; with < 2; with++) {
        const shot s = {.pan = 0.4, .grain = GRAIN, .over = with ? hair : NULL, .weave = weave};
        reel *r = shoot(&s, 20, true);
        rw_hair_look *looks = g_new0(rw_hair_look, r->count);
        const rw_hair_look *each[MOST];
        int64_t n[MOST];
        for (int i = 0; i < r->count; i++) {
            g_assert_true(rw_hair_measure(&looks[i], r->pool, &r->frame[i], NULL));
            each[i] = &looks[i];
            n[i] = i;
        }
        GByteArray *facts = g_byte_array_new();
        const int found = rw_hair_gather(each, n, (size_t)r->count, facts);
        g_test_message("%d hairs", found);
        if (with)
            g_assert_cmpint(found, >, 0);
        else
            g_assert_cmpint(found, ==, 0);
        if (with) {
            rw_frame truth, out;
            const shot clean = {.pan = 0.4};
            paint(&truth, r->pool, &clean, 9, false);
            g_assert_true(rw_frame_alloc(&out, r->pool, W, H, 3, NULL));
            for (int p = 0; p < 3; p++)
                for (int y = 0; y < H; y++)
                    memcpy(out.plane[p] + y * out.stride,
                           r->frame[9].plane[p] + y * r->frame[9].stride, W * sizeof(float));
            const rw_hair_window w = {&r->frame[9],
                                      {&r->frame[7], &r->frame[8], &r->frame[10], &r->frame[11]},
                                      {rw_motion_share_get(r->share, 9, 7, NULL),
                                       rw_motion_share_get(r->share, 9, 8, NULL),
                                       rw_motion_share_get(r->share, 9, 10, NULL),
                                       rw_motion_share_get(r->share, 9, 11, NULL)}};
            g_autofree uint8_t *own = g_malloc(W * H);
            g_assert_true(rw_hair_mark(own, &r->frame[9], facts->data, facts->len));
            g_assert_cmpint(rw_hair_repair(&out, &w, facts->data, facts->len, own), >, 0);
            const rw_irect box = {120, 90, 64, 64};
            const double before = apart(&r->frame[9], &truth, box),
                         after = apart(&out, &truth, box);
            g_test_message("rms round the hair %.4f > %.4f", before, after);
            g_assert_cmpfloat(after, <, 0.35 * before);
            rw_frame_clear(&truth);
            rw_frame_clear(&out);
        }
        g_byte_array_unref(facts);
        g_free(looks);
        reel_free(r);
    }
}

/* ---- grain ---- */

static double mean_light(const rw_frame *f, rw_irect box)
{
    double sum = 0.0;
    for (int c = 0; c < 3; c++)
        for (int y = box.y; y < box.y + box.height; y++)
            for (int x = box.x; x < box.x + box.width; x++)
                sum += (double)f->plane[c][y * f->stride + x];
    return sum / (3.0 * box.width * box.height);
}

static void test_grain(void)
{
    const shot s = {.pan = 1.7, .grain = 2 * GRAIN}, clean = {.pan = 1.7};
    reel *r = shoot(&s, 5, true);
    const rw_stage_scene scene = scene_of(r);
    rw_frame truth, out;
    paint(&truth, r->pool, &clean, 2, false);
    static const struct {
        const char *setting;
        double stays; /* share of the grain, by the words of the choice */
    } steps[] = {{"amount=quiet", 0}, {"amount=calm", 0.35}, {"amount=keep", 1}};
    const double before = apart(&r->frame[2], &truth, inside);
    for (size_t i = 0; i < G_N_ELEMENTS(steps); i++) {
        rw_stage_trace trace = {.gain = {1, 1, 1}};
        run_stage(&out, r, 2, &rw_stage_grain, steps[i].setting, &scene, &trace);
        const double after = apart(&out, &truth, inside);
        g_test_message("%s: rms %.4f > %.4f", steps[i].setting, before, after);
        /* quiet: less than a third; the others what they say, and what quiet leaves */
        g_assert_cmpfloat(after / before, <, hypot(steps[i].stays, 0.33) + 0.03);
        g_assert_cmpfloat(after / before, >, 0.9 * steps[i].stays);
        /* the mean of light is that of the grainy frame, which lies above the root's by what its
         * grain adds: rms^2 */
        const double adds = s.grain * s.grain;
        const double lost = mean_light(&r->frame[2], inside) - mean_light(&out, inside);
        g_test_message("%s: light lost %.3f of what grain adds", steps[i].setting, lost / adds);
        g_assert_cmpfloat(fabs(lost), <, 0.15 * adds);
        rw_frame_clear(&out);
    }
    rw_frame_clear(&truth);
    reel_free(r);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/restore/motion-shared", test_share);
    g_test_add_func("/restore/flicker", test_flicker);
    g_test_add_func("/restore/fall-off", test_falloff);
    g_test_add_func("/restore/glitter", test_glitter);
    g_test_add_func("/restore/fade", test_fade);
    g_test_add_func("/restore/clear-light", test_clear_light);
    g_test_add_func("/restore/blemish", test_blemish);
    g_test_add_func("/restore/fast-thing", test_fast_thing);
    g_test_add_func("/restore/verdict", test_verdict);
    g_test_add_func("/restore/scratch", test_scratch);
    g_test_add_func("/restore/hair", test_hair);
    g_test_add_func("/restore/grain", test_grain);
    return g_test_run();
}
