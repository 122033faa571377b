/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The resample: every CPU level against a plain loop to the bit; the whole against a direct sum in
 * double precision, against pictures known by formula, and against libswscale on a zone plate.
 * --bench prints times.
 */
#include <math.h>

#include <libavutil/pixfmt.h>
#include <libswscale/swscale.h>

#include "base/cpu.h"
#include "base/pool.h"
#include "finish/scale.h"
#include "finish/scale_dsp.h"

#define PHASES (1 << RW_SCALE_PHASE_BITS)

static GRand *noise;

static void fill(float *p, size_t count, int how)
{
    for (size_t i = 0; i < count; i++)
        p[i] = how == 0   ? 0.0f
               : how == 1 ? 1.0f
               : how == 2 ? (float)(i % 37 == 5)
                          : (float)g_rand_double_range(noise, -0.2, 1.2);
}

/* ---- the inner loops ---- */

static int64_t to_phase(int64_t place)
{
    return (place + (INT64_C(1) << (31 - RW_SCALE_PHASE_BITS))) >> (32 - RW_SCALE_PHASE_BITS);
}

/* What scale_dsp.h promises, written plainly: four running sums per channel, joined as
 * (0 + 2) + (1 + 3). */
static void plain_across(float *to, int width, const float *from, int limit, int64_t place,
                         int64_t step, const float *weights, int taps)
{
    for (int i = 0; i < width; i++) {
        int64_t q = to_phase(place + i * step);
        int64_t first = CLAMP((q >> RW_SCALE_PHASE_BITS) - taps / 2 + 1, 0, limit);
        const float *w = weights + (q & (PHASES - 1)) * taps;
        for (int c = 0; c < 4; c++) {
            float sum[4];
            for (int k = 0; k < taps; k++) {
                float term = from[4 * (first + k) + c] * w[k];
                sum[k % 4] = k < 4 ? term : sum[k % 4] + term;
            }
            to[4 * i + c] = (sum[0] + sum[2]) + (sum[1] + sum[3]);
        }
    }
}

static void plain_down(float *const planes[3], int width, const float *const *rows, int64_t place,
                       int64_t step, const float *weights, int taps)
{
    for (int i = 0; i < width; i++) {
        int64_t q = to_phase(place + i * step);
        const float *const *r = rows + (q >> RW_SCALE_PHASE_BITS) - taps / 2 + 1;
        const float *w = weights + (q & (PHASES - 1)) * taps;
        for (int c = 0; c < 3; c++) {
            float sum = r[0][4 * i + c] * w[0];
            for (int k = 1; k < taps; k++)
                sum = sum + r[k][4 * i + c] * w[k];
            planes[c][i] = sum;
        }
    }
}

#define GUARD 123.25f

static void assert_same(const float *a, const float *b, int count, const char *what, rw_cpu level)
{
    for (int i = 0; i < count; i++)
        if (memcmp(a + i, b + i, sizeof *a) != 0)
            g_error("%s at level %s: sample %d is %.9g, should be %.9g", what, rw_cpu_name(level),
                    i, (double)a[i], (double)b[i]);
}

static void check_across(const rw_scale_dsp *dsp, rw_cpu level, int width, int taps, int how)
{
    int limit = g_rand_int_range(noise, 0, 60);
    g_autofree float *from = g_new(float, 4 * (limit + taps));
    g_autofree float *weights = g_new(float, PHASES *taps);
    g_autofree float *got = g_new(float, 4 * (width + 8)), *want = g_new(float, 4 * (width + 8));
    fill(from, 4 * (size_t)(limit + taps), how);
    fill(weights, (size_t)(PHASES * taps), 3);
    for (int i = 0; i < 4 * (width + 8); i++)
        got[i] = want[i] = GUARD;
    /* places before, inside and past the row, forwards and backwards */
    int64_t place = (int64_t)(g_rand_double_range(noise, -5, limit + 5) * 4294967296.0);
    int64_t step = (int64_t)(g_rand_double_range(noise, -3, 3) * 4294967296.0);
    plain_across(want, width, from, limit, place, step, weights, taps);
    dsp->across(got, width, from, limit, place, step, weights, taps);
    assert_same(got, want, 4 * width, "across", level);
    for (int i = 4 * ((width + 3) & ~3); i < 4 * (width + 8); i++)
        g_assert_true(got[i] == GUARD);
}

static void check_down(const rw_scale_dsp *dsp, rw_cpu level, int width, int taps, int how,
                       double lean)
{
    int padded = (width + 3) & ~3;
    double reach = fabs(lean) * width;
    int count = taps + (int)reach + 4;
    float **rows = g_new(float *, count);
    for (int r = 0; r < count; r++) {
        rows[r] = g_new(float, 4 * padded);
        fill(rows[r], 4 * (size_t)padded, how);
    }
    g_autofree float *weights = g_new(float, PHASES *taps);
    fill(weights, (size_t)(PHASES * taps), 3);
    g_autofree float *got = g_new(float, 3 * (padded + 8)), *want = g_new(float, 3 * (padded + 8));
    for (int i = 0; i < 3 * (padded + 8); i++)
        got[i] = want[i] = GUARD;
    float *const to_got[3] = {got, got + padded + 8, got + 2 * (padded + 8)};
    float *const to_want[3] = {want, want + padded + 8, want + 2 * (padded + 8)};
    double begin = taps / 2 - 1 + g_rand_double_range(noise, 0.1, 0.9) + (lean < 0 ? reach : 0);
    int64_t place = (int64_t)(begin * 4294967296.0), step = (int64_t)(lean * 4294967296.0);
    plain_down(to_want, width, (const float *const *)rows, place, step, weights, taps);
    dsp->down(to_got, width, (const float *const *)rows, place, step, weights, taps);
    for (int p = 0; p < 3; p++) {
        assert_same(to_got[p], to_want[p], width, "down", level);
        for (int i = padded; i < padded + 8; i++)
            g_assert_true(to_got[p][i] == GUARD);
    }
    for (int r = 0; r < count; r++)
        g_free(rows[r]);
    g_free(rows);
}

static void test_levels(void)
{
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        rw_scale_dsp dsp;
        rw_scale_dsp_init(&dsp, level);
        for (int width = 1; width <= 37; width++)
            for (int taps = 4; taps <= 20; taps += 4)
                for (int how = 0; how < 4; how++) {
                    check_across(&dsp, level, width, taps, how);
                    check_down(&dsp, level, width, taps, how, 0);
                    check_down(&dsp, level, width, taps, how, 0.013);
                    check_down(&dsp, level, width, taps, how, -0.4);
                }
    }
}

/* ---- the whole ---- */

typedef double picture_fn(double x, double y, const void *data);

/* A 16-bit grey still of a function of place, with codes = light. */
static rw_pixels make_still(int width, int height, picture_fn *at, const void *data)
{
    uint16_t *px = g_new(uint16_t, width * height);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            px[y * width + x] = (uint16_t)(CLAMP(at(x, y, data), 0, 1) * 65535 + 0.5);
    return (rw_pixels){.data = px,
                       .width = width,
                       .height = height,
                       .stride = 2 * width,
                       .bits = 16,
                       .channels = 1,
                       .eighths = 8,
                       .full_width = width,
                       .full_height = height};
}

static const float *identity_table(void)
{
    static float table[65536];
    for (int i = 0; i < 65536; i++)
        table[i] = (float)(i / 65535.0);
    return table;
}

static void resample(rw_pool *pool, const rw_kernel *kernel, const rw_pixels *still, rw_affine map,
                     int width, int height, rw_frame *frame)
{
    rw_scaler *scaler = rw_scaler_new(kernel);
    g_assert_true(rw_frame_alloc(frame, pool, width, height, 3, NULL));
    g_assert_true(rw_scaler_run(scaler, still, identity_table(), map, frame, NULL));
    rw_scaler_free(&scaler);
    for (int y = 0; y < height; y++) /* grey goes alike into all three */
        for (int p = 1; p < 3; p++)
            g_assert_cmpint(memcmp(frame->plane[0] + y * frame->stride,
                                   frame->plane[p] + y * frame->stride,
                                   sizeof(float) * (size_t)width),
                            ==, 0);
}

static rw_affine make_map(double scale_x, double scale_y, double degrees, double cx, double cy,
                          double width, double height)
{
    double a = degrees * M_PI / 180, c = cos(a), s = sin(a);
    rw_affine m = {{{scale_x * c, -scale_y * s, 0}, {scale_x * s, scale_y * c, 0}}};
    rw_point at = rw_affine_apply(m, (width - 1) / 2, (height - 1) / 2);
    m.m[0][2] = cx - at.x;
    m.m[1][2] = cy - at.y;
    return m;
}

static double sample(const rw_pixels *p, int x, int y)
{
    if (x < 0 || y < 0 || x >= p->width || y >= p->height)
        return 0;
    return ((const uint16_t *)p->data)[y * p->width + x] / 65535.0;
}

static double weigh_row(const rw_pixels *p, int y, const rw_kernel *k, double place, double stretch)
{
    double sum = 0, total = 0, radius = k->radius * stretch;
    for (int x = (int)ceil(place - radius); x <= (int)floor(place + radius); x++) {
        double w = k->at((x - place) / stretch);
        sum += w * sample(p, x, y);
        total += w;
    }
    return sum / total;
}

/* The direct sum over the still in double precision: no tables, no fixed point, no rows kept. */
static double direct(const rw_pixels *p, const rw_kernel *k, rw_affine m, double x, double y)
{
    double a = m.m[0][0], b = m.m[0][1], c = m.m[0][2];
    double d = m.m[1][0], e = m.m[1][1], f = m.m[1][2];
    double scale = a - b * d / e, shift = b / e, place = c - b * f / e;
    double stretch_x = MAX(1, floor(fabs(scale) * 512 + 0.5) / 512);
    double stretch_y = MAX(1, floor(fabs(e) * 512 + 0.5) / 512);
    double row = d * x + e * y + f, sum = 0, total = 0, radius = k->radius * stretch_y;
    for (int j = (int)ceil(row - radius); j <= (int)floor(row + radius); j++) {
        double w = k->at((j - row) / stretch_y);
        sum += w * weigh_row(p, j, k, scale * x + shift * j + place, stretch_x);
        total += w;
    }
    return sum / total;
}

static double random_at(double x, double y, const void *data)
{
    (void)x, (void)y, (void)data;
    return g_rand_double(noise);
}

/* Tolerance: half a phase of 1/2048 pixel on full-contrast noise, about 1e-3. */
static void test_direct(void)
{
    static const struct {
        double sx, sy, degrees;
    } cases[] = {{1, 1, 0},         {1.536, 1.536, 0.4}, {3.07, 3.07, -1.5}, {0.7, 0.7, 0.2},
                 {-1.6, -1.6, 0.3}, {1.6, -1.6, -0.3},   {-2.2, 2.1, 4}};
    rw_pool *pool = rw_pool_new(64 << 20);
    rw_pixels still = make_still(150, 120, random_at, NULL);
    for (const rw_kernel *const *k = rw_kernel_all(); *k; k++) {
        for (size_t i = 0; i < G_N_ELEMENTS(cases); i++) {
            rw_frame frame;
            rw_affine m = make_map(cases[i].sx, cases[i].sy, cases[i].degrees, 74.3, 58.9, 60, 46);
            resample(pool, *k, &still, m, 60, 46, &frame);
            double worst = 0;
            for (int y = 0; y < 46; y++)
                for (int x = 0; x < 60; x++)
                    worst = MAX(worst, fabs((double)frame.plane[0][y * frame.stride + x] -
                                            direct(&still, *k, m, x, y)));
            g_test_message("%s scale %g turn %g: worst %.2e", (*k)->name, cases[i].sx,
                           cases[i].degrees, worst);
            g_assert_cmpfloat(worst, <, 2e-3);
            rw_frame_clear(&frame);
        }
    }
    g_free((void *)still.data);
    rw_pool_free(&pool);
}

typedef struct wave {
    double fx, fy;
} wave;

static double wave_at(double x, double y, const void *data)
{
    const wave *w = data;
    return 0.5 + 0.4 * cos(2 * M_PI * (w->fx * x + w->fy * y) + 0.3);
}

/* A wave well below the frame's limit comes out where the map says it is: geometry by formula. */
static void test_geometry(void)
{
    static const double maps[][3] = {{1.536, 1.536, 0}, {1.536, 1.536, 0.7},  {1.6, 1.6, 179.5},
                                     {-1.6, 1.6, 0.5},  {1.536, 1.536, 90.3}, {1.536, 1.536, -90.2},
                                     {-1.5, 1.5, 90},   {3.07, 3.07, 1}};
    static const wave waves[] = {{0.04, 0}, {0, 0.04}, {0.03, -0.02}};
    rw_pool *pool = rw_pool_new(64 << 20);
    for (size_t w = 0; w < G_N_ELEMENTS(waves); w++) {
        rw_pixels still = make_still(400, 420, wave_at, &waves[w]);
        for (size_t i = 0; i < G_N_ELEMENTS(maps); i++) {
            rw_frame frame;
            rw_affine m = make_map(maps[i][0], maps[i][1], maps[i][2], 199.7, 208.2, 80, 64);
            resample(pool, rw_kernel_usual(), &still, m, 80, 64, &frame);
            double worst = 0;
            for (int y = 0; y < 64; y++)
                for (int x = 0; x < 80; x++) {
                    rw_point at = rw_affine_apply(m, x, y);
                    worst = MAX(worst, fabs((double)frame.plane[0][y * frame.stride + x] -
                                            wave_at(at.x, at.y, &waves[w])));
                }
            g_test_message("wave %g %g, scale %g turn %g: worst %.2e", waves[w].fx, waves[w].fy,
                           maps[i][0], maps[i][2], worst);
            g_assert_cmpfloat(worst, <,
                              8e-3); /* Lanczos 3 lifts this band by 1 to 2 percent of 0.4 */
            rw_frame_clear(&frame);
        }
        g_free((void *)still.data);
    }
    rw_pool_free(&pool);
}

static double flat_at(double x, double y, const void *data)
{
    (void)x, (void)y;
    return *(const double *)data;
}

/* Flat stays flat to the last bits, and what lies outside the still is black. */
static void test_edges(void)
{
    double level = 0.6;
    rw_pool *pool = rw_pool_new(64 << 20);
    rw_pixels still = make_still(200, 100, flat_at, &level);
    rw_frame frame;
    resample(pool, rw_kernel_usual(), &still, make_map(1.5, 1.5, 0.5, 100, 50, 64, 32), 64, 32,
             &frame);
    for (int y = 0; y < 32; y++)
        for (int x = 0; x < 64; x++)
            g_assert_cmpfloat(fabs((double)frame.plane[0][y * frame.stride + x] - 0.6), <, 1e-5);
    rw_frame_clear(&frame);
    /* half of the frame lies left of the still */
    resample(pool, rw_kernel_usual(), &still, make_map(1.5, 1.5, 0, -0.5, 50, 64, 32), 64, 32,
             &frame);
    for (int y = 0; y < 32; y++) {
        g_assert_true(frame.plane[0][y * frame.stride + 10] == 0);
        g_assert_cmpfloat(fabs((double)frame.plane[0][y * frame.stride + 55] - 0.6), <, 1e-5);
    }
    rw_frame_clear(&frame);
    /* wholly elsewhere */
    resample(pool, rw_kernel_usual(), &still, make_map(1.5, 1.5, 0, 90000, -90000, 64, 32), 64, 32,
             &frame);
    for (int y = 0; y < 32; y++)
        for (int x = 0; x < 64; x++)
            g_assert_true(frame.plane[0][y * frame.stride + x] == 0);
    rw_frame_clear(&frame);
    g_free((void *)still.data);
    rw_pool_free(&pool);
}

typedef struct zone {
    double cx, cy, rate;
} zone;

static double zone_at(double x, double y, const void *data)
{
    const zone *z = data;
    double r2 = (x - z->cx) * (x - z->cx) + (y - z->cy) * (y - z->cy);
    return 0.5 + 0.45 * cos(M_PI * z->rate * r2);
}

/* The same reduction by libswscale's Lanczos filter, 16-bit grey. */
static uint16_t *library_scale(const rw_pixels *still, int width, int height)
{
    double lobes[2] = {3, SWS_PARAM_DEFAULT};
    struct SwsContext *sws =
        sws_getContext(still->width, still->height, AV_PIX_FMT_GRAY16, width, height,
                       AV_PIX_FMT_GRAY16, SWS_LANCZOS | SWS_ACCURATE_RND, NULL, NULL, lobes);
    g_assert_nonnull(sws);
    uint16_t *out = g_new(uint16_t, width * height);
    const uint8_t *const from[4] = {still->data};
    const int from_stride[4] = {(int)still->stride};
    uint8_t *const to[4] = {(uint8_t *)out};
    const int to_stride[4] = {2 * width};
    g_assert_cmpint(sws_scale(sws, from, from_stride, 0, still->height, to, to_stride), ==, height);
    sws_freeContext(sws);
    return out;
}

/* A zone plate reaches the still's own limit in its corners: reduced 4.166 times, all beyond a
 * quarter of its radius must vanish. Both must agree, and ours must fold back no more than the
 * library's. */
static void test_zone_plate(void)
{
    const int w = 1500, h = 1125, ow = 360, oh = 270;
    zone z = {(w - 1) / 2.0, (h - 1) / 2.0, 1.0 / w};
    rw_pixels still = make_still(w, h, zone_at, &z);
    rw_pool *pool = rw_pool_new(64 << 20);
    rw_frame frame;
    double s = (double)w / ow;
    rw_affine m = {{{s, 0, s / 2 - 0.5}, {0, s, s / 2 - 0.5}}};
    resample(pool, rw_kernel_usual(), &still, m, ow, oh, &frame);
    g_autofree uint16_t *library = library_scale(&still, ow, oh);
    double error = 0, ours_fold = 0, their_fold = 0, pass = 0;
    int inside = 0, outside = 0, centre = 0;
    for (int y = 4; y < oh - 4; y++) /* at the edge ours fades to black, the library repeats */
        for (int x = 4; x < ow - 4; x++) {
            double ours = (double)frame.plane[0][y * frame.stride + x];
            double theirs = library[y * ow + x] / 65535.0;
            rw_point at = rw_affine_apply(m, x, y);
            double frequency = z.rate * hypot(at.x - z.cx, at.y - z.cy) * s; /* per frame pixel */
            error += (ours - theirs) * (ours - theirs);
            inside++;
            if (frequency > 0.75) {
                ours_fold += (ours - 0.5) * (ours - 0.5);
                their_fold += (theirs - 0.5) * (theirs - 0.5);
                outside++;
            } else if (frequency < 0.2) {
                double d = ours - zone_at(at.x, at.y, &z);
                pass += d * d;
                centre++;
            }
        }
    double full = 0.45 * 0.45 / 2; /* power of the plate itself */
    double psnr = -10 * log10(error / inside);
    double fold = 10 * log10(ours_fold / outside / full);
    double library_fold = 10 * log10(their_fold / outside / full);
    double kept = 10 * log10(pass / centre / full);
    g_test_message("against libswscale: %.1f dB; beyond the limit: ours %.1f dB, library %.1f dB; "
                   "error below 0.2 cycles %.1f dB",
                   psnr, fold, library_fold, kept);
    g_assert_cmpfloat(psnr, >, 55);
    g_assert_cmpfloat(fold, <, -40);
    g_assert_cmpfloat(fold, <, library_fold + 0.5);
    g_assert_cmpfloat(kept, <, -38);
    rw_frame_clear(&frame);
    g_free((void *)still.data);
    rw_pool_free(&pool);
}

/* ---- times ---- */

static void bench(void)
{
    const int w = 3000, h = 2000, n = 10;
    uint8_t *px = g_malloc0((size_t)(w * h * 3));
    for (int i = 0; i < w * h * 3; i++)
        px[i] = (uint8_t)g_rand_int(noise);
    rw_pixels still = {
        .data = px, .width = w, .height = h, .stride = 3 * w, .bits = 8, .channels = 3};
    float table[256];
    for (int i = 0; i < 256; i++)
        table[i] = (float)i / 255;
    rw_pool *pool = rw_pool_new(256 << 20);
    rw_frame frame;
    g_assert_true(rw_frame_alloc(&frame, pool, 1440, 1080, 3, NULL));
    static const double turns[] = {0, 0.3, 90.3};
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        g_setenv("REELWRIGHT_CPU", rw_cpu_name(level), TRUE);
        rw_scaler *scaler = rw_scaler_new(rw_kernel_usual());
        g_print("%-7s", rw_cpu_name(level));
        for (size_t i = 0; i < G_N_ELEMENTS(turns); i++) {
            rw_affine m = make_map(1.536, 1.536, turns[i], 1500, 1000, 1440, 1080);
            g_assert_true(rw_scaler_run(scaler, &still, table, m, &frame, NULL));
            int64_t start = g_get_monotonic_time();
            for (int k = 0; k < n; k++)
                g_assert_true(rw_scaler_run(scaler, &still, table, m, &frame, NULL));
            g_print("  turn %4.1f: %6.1f ms", turns[i],
                    (double)(g_get_monotonic_time() - start) / 1000 / n);
        }
        g_print("\n");
        rw_scaler_free(&scaler);
        g_unsetenv("REELWRIGHT_CPU");
    }
    rw_frame_clear(&frame);
    rw_pool_free(&pool);
    g_free(px);
}

int main(int argc, char **argv)
{
    noise = g_rand_new_with_seed(20260314);
    if (argc > 1 && g_str_equal(argv[1], "--bench")) {
        bench();
        g_rand_free(noise);
        return 0;
    }
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/scale/levels", test_levels);
    g_test_add_func("/scale/direct", test_direct);
    g_test_add_func("/scale/geometry", test_geometry);
    g_test_add_func("/scale/edges", test_edges);
    g_test_add_func("/scale/zone-plate", test_zone_plate);
    int result = g_test_run();
    g_rand_free(noise);
    return result;
}
