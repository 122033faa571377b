/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inner loops of clean-up, of every CPU level, against plain ones. Where a loop keeps the order
 * of its sums the bits are the same; the cosine patches are held against sums in double, and all
 * levels against each other bit for bit. --bench prints times.
 *
 * The transform's reference is its definition: X(k) = c(k) sum x(n) cos(pi (2n + 1) k / 16), c(0) =
 * sqrt(1/8), else sqrt(1/4) (Ahmed, Natarajan and Rao, IEEE Trans. Computers C-23, 1974, in its
 * orthonormal form).
 */
#include <math.h>

#include "base/lanes.h"
#include "restore/blemish.h"
#include "restore/grain.h"

static const char *level_name;

static void assert_near(double got, double want, double by, const char *what, guint32 seed, int at)
{
    if (!(fabs(got - want) <= by))
        g_error("%s, level %s, seed %u, at %d: got %.9g, want %.9g", what, level_name, seed, at,
                got, want);
}

static float draw(GRand *rand, double low, double high)
{
    return (float)g_rand_double_range(rand, low, high);
}

/* ---- neighbours weighed ---- */

static int by_size(const void *a, const void *b)
{
    const float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

static void test_weigh(gconstpointer data)
{
    rw_blemish_dsp dsp;
    rw_blemish_dsp_init(&dsp, (rw_cpu)GPOINTER_TO_INT(data));
    level_name = rw_cpu_name((rw_cpu)GPOINTER_TO_INT(data));
    enum { MOST = 50, ROOM = 80 };
    float near[4][ROOM], middle[ROOM], spread[ROOM];
    for (guint32 seed = 1; seed <= 60; seed++) {
        g_autoptr(GRand) rand = g_rand_new_with_seed(seed);
        const int count = 2 + (int)seed % 3, n = 1 + (int)seed % MOST, whole = (n + 15) & ~15;
        const double high = seed % 5 ? 60 : 0; /* also all alike */
        const float *rows[4] = {near[0], near[1], near[2], near[3]};
        for (int k = 0; k < 4; k++)
            for (int i = 0; i < ROOM; i++)
                near[k][i] = high > 0 ? draw(rand, -high, high) : 3.0f;
        for (int i = 0; i < ROOM; i++)
            middle[i] = spread[i] = -7.0f;
        dsp.weigh(middle, spread, rows, count, n);
        for (int i = 0; i < n; i++) {
            float v[4];
            for (int k = 0; k < count; k++)
                v[k] = near[k][i];
            qsort(v, (size_t)count, sizeof *v, by_size);
            assert_near((double)middle[i], (double)(0.5f * (v[(count - 1) / 2] + v[count / 2])), 0,
                        "middle", seed, i);
            assert_near((double)spread[i], (double)(v[count - 1] - v[0]), 0, "spread", seed, i);
        }
        g_assert_cmpfloat(middle[whole], ==, -7.0f);
        g_assert_cmpfloat(spread[whole], ==, -7.0f);
    }
}

static void test_gather(gconstpointer data)
{
    rw_blemish_dsp dsp;
    rw_blemish_dsp_init(&dsp, (rw_cpu)GPOINTER_TO_INT(data));
    level_name = rw_cpu_name((rw_cpu)GPOINTER_TO_INT(data));
    enum { ROOM = 80 };
    float cross[ROOM], row[ROOM], want[ROOM];
    for (guint32 seed = 1; seed <= 40; seed++) {
        g_autoptr(GRand) rand = g_rand_new_with_seed(seed);
        const int n = 1 + (int)seed, whole = (n + 15) & ~15;
        const float value = draw(rand, -9, 9);
        for (int i = 0; i < ROOM; i++) {
            cross[i] = draw(rand, -9, 9);
            row[i] = draw(rand, -9, 9);
            want[i] = cross[i];
            if (i < whole)
                want[i] += value * row[i];
        }
        dsp.gather(cross, row, value, n);
        for (int i = 0; i < ROOM; i++)
            assert_near((double)cross[i], (double)want[i], 0, "gather", seed, i);
    }
}

static void test_level(gconstpointer data)
{
    rw_blemish_dsp dsp;
    rw_blemish_dsp_init(&dsp, (rw_cpu)GPOINTER_TO_INT(data));
    level_name = rw_cpu_name((rw_cpu)GPOINTER_TO_INT(data));
    enum { ROOM = 21 * 16 };
    float x[ROOM], near[ROOM], row[ROOM], knot[9];
    for (guint32 seed = 1; seed <= 40; seed++) {
        g_autoptr(GRand) rand = g_rand_new_with_seed(seed);
        const double most = seed % 4 ? 4 : 400; /* also all of it clipped */
        for (int i = 0; i < ROOM; i++) {
            x[i] = draw(rand, -most, most);
            near[i] = draw(rand, -most, most);
            row[i] = seed % 5 ? draw(rand, -9, 9) : 0.0f;
        }
        const int rows = 1 + (int)seed % 16;
        float lane[16] = {0};
        for (int y = 0; y < rows; y++)
            for (int k = 0; k < 16; k++)
                lane[k] += CLAMP(x[17 * y + k] - near[19 * y + k], -2.5f, 2.5f);
        assert_near((double)dsp.lack(x, 17, near, 19, rows), (double)rw_sum16(lane), 0, "lack",
                    seed, 0);
        const int count = (int)seed % 9;
        for (int i = 0; i < 9; i++)
            knot[i] = draw(rand, -3, 3);
        float want[ROOM];
        for (int i = 0; i < ROOM; i++) {
            const int k = i / 16;
            want[i] = row[i];
            if (k < count)
                want[i] += knot[k] + ((float)(i % 16) + 0.5f) / 16 * (knot[k + 1] - knot[k]);
        }
        dsp.ramp(row, knot, count);
        for (int i = 0; i < ROOM; i++)
            assert_near((double)row[i], (double)want[i], 0, "ramp", seed, i);
    }
}

/* ---- even samples ---- */

static void make_noise(rw_noise *noise, GRand *rand)
{
    for (int c = 0; c < 3; c++) {
        noise->top[c] = draw(rand, 40, 120);
        float u = 0.0f;
        for (int k = 0; k < RW_NOISE_PIECES; k++) {
            noise->curve[c][0][k] = u;
            for (int i = 1; i < 4; i++)
                u += noise->curve[c][i][k] = draw(rand, 0, 3);
        }
        for (int i = 0; i < RW_NOISE_BACK + 2; i++)
            noise->root[c][i] = RW_NOISE_TOP * powf((float)i / RW_NOISE_BACK, 1.0f / 0.7f);
    }
}

static double between(const float *table, double x, int top)
{
    const double at = CLAMP(x, 0.0, (double)top);
    const int i = MIN((int)at, top);
    return (double)table[i] + (at - i) * ((double)table[i + 1] - (double)table[i]);
}

static double curve_at(const rw_noise *noise, int c, double root)
{
    const double at = fmin(root * RW_NOISE_PIECES / (double)RW_NOISE_TOP, RW_NOISE_PIECES);
    const int k = MIN((int)at, RW_NOISE_PIECES - 1);
    double u = 0.0;
    for (int i = 0; i < 4; i++)
        u += pow(at - k, i) * (double)noise->curve[c][i][k];
    return u;
}

static void test_film(gconstpointer data)
{
    rw_film_dsp dsp;
    rw_film_dsp_init(&dsp, (rw_cpu)GPOINTER_TO_INT(data));
    level_name = rw_cpu_name((rw_cpu)GPOINTER_TO_INT(data));
    enum { ROOM = 70 };
    rw_noise *noise = g_new0(rw_noise, 1);
    float in[3][ROOM], even[3][ROOM], back[3][ROOM];
    for (guint32 seed = 1; seed <= 50; seed++) {
        g_autoptr(GRand) rand = g_rand_new_with_seed(seed);
        make_noise(noise, rand);
        const int n = 1 + (int)seed;
        for (int c = 0; c < 3; c++)
            for (int i = 0; i < ROOM; i++) {
                in[c][i] = draw(rand, -0.05, 1.7); /* below nothing and beyond the table, too */
                even[c][i] = back[c][i] = -7.0f;
            }
        in[1][0] = NAN;
        float *const e[3] = {even[0], even[1], even[2]}, *const b[3] = {back[0], back[1], back[2]};
        const float *const ci[3] = {in[0], in[1], in[2]}, *const ce[3] = {even[0], even[1],
                                                                          even[2]};
        dsp.forward(e, ci, n, noise, 3);
        dsp.back(b, ce, n, noise);
        for (int i = 0; i < n; i++) {
            double u[3];
            for (int c = 0; c < 3; c++) {
                const double v = in[c][i] > 0.0f ? (double)in[c][i] : 0.0;
                u[c] = curve_at(noise, c, sqrt(v));
            }
            const double want[3] = {(u[0] + u[1] + u[2]) / sqrt(3), (u[0] - u[2]) / sqrt(2),
                                    (u[0] - 2 * u[1] + u[2]) / sqrt(6)};
            for (int c = 0; c < 3; c++)
                assert_near((double)even[c][i], want[c], 2e-3, "even", seed, i);
            for (int c = 0; c < 3; c++) {
                const double r = between(
                    noise->root[c], u[c] * RW_NOISE_BACK / (double)noise->top[c], RW_NOISE_BACK);
                assert_near((double)back[c][i], r * r, 1e-3, "back", seed, i);
            }
        }
        for (int c = 0; c < 3; c++) {
            g_assert_cmpfloat(even[c][n], ==, -7.0f);
            g_assert_cmpfloat(back[c][n], ==, -7.0f);
        }
    }
    g_free(noise);
}

/* ---- patches ---- */

#define WIDTH  45
#define HEIGHT 23
#define BORDER RW_FILM_BORDER
#define STRIDE (WIDTH + 2 * BORDER + 19)
#define PLANE  (STRIDE * (HEIGHT + 2 * BORDER))
#define PLANES (1 + 3 * (RW_GRAIN_NEAR + 3)) /* pilot; now, near, sum and norm of three */

typedef struct field {
    rw_grain_job job;
    float *memory;
} field;

static rw_plane plane_at(float *memory, int i)
{
    return (rw_plane){.px = memory + (size_t)i * PLANE + BORDER * STRIDE + BORDER,
                      .width = WIDTH,
                      .height = HEIGHT,
                      .stride = STRIDE};
}

static void field_new(field *f, guint32 seed)
{
    g_autoptr(GRand) rand = g_rand_new_with_seed(seed);
    rw_grain_job *job = &f->job;
    *job = (rw_grain_job){.width = WIDTH,
                          .height = HEIGHT,
                          .planes = seed % 3 ? 3 : 1,
                          .count = (int)seed % (RW_GRAIN_NEAR + 1),
                          .cols = (WIDTH + 3) / RW_GRAIN_STEP + 1,
                          .rows = (HEIGHT + 3) / RW_GRAIN_STEP + 1};
    const size_t vectors = (size_t)(job->cols * job->rows);
    f->memory = g_new0(float, PLANES *PLANE + 2 * RW_GRAIN_NEAR * vectors);
    int next = 0;
    job->pilot = plane_at(f->memory, next++);
    for (int p = 0; p < 3; p++) {
        job->now[p] = plane_at(f->memory, next++);
        for (int k = 0; k < RW_GRAIN_NEAR; k++)
            job->near[k][p] = plane_at(f->memory, next++);
    }
    /* one scene under all of them, each with a grain of its own; every third frame moved on */
    for (int i = 0; i < PLANE; i++) {
        const double scene = 30 + 12 * sin(0.31 * (i % STRIDE)) * cos(0.23 * (i / STRIDE));
        for (int k = 0; k < next; k++)
            f->memory[(size_t)k * PLANE + (size_t)i] =
                (float)scene * (k % 4 == 3 ? 1.3f : 1.0f) + draw(rand, -1.7, 1.7);
    }
    for (int p = 0; p < 3; p++) {
        job->sum[p] = plane_at(f->memory, next++);
        job->norm[p] = plane_at(f->memory, next++);
        for (int k = 0; k < 64; k++)
            job->power[p][k] = draw(rand, 0.3, 1.8);
    }
    float *at = f->memory + (size_t)next * PLANE;
    for (int k = 0; k < RW_GRAIN_NEAR; k++) {
        job->dx[k] = at;
        job->dy[k] = at + vectors;
        for (size_t i = 0; i < 2 * vectors; i++)
            at[i] = seed % 4 ? draw(rand, -3, 3) : draw(rand, -200, 200); /* far outside, too */
        at += 2 * vectors;
    }
}

static void transform_ref(double out[8][8], double in[8][8], bool inverse)
{
    double basis[8][8];
    for (int k = 0; k < 8; k++)
        for (int n = 0; n < 8; n++)
            basis[k][n] = (k ? 0.5 : sqrt(0.125)) * cos(G_PI * (2 * n + 1) * k / 16);
    for (int a = 0; a < 8; a++)
        for (int b = 0; b < 8; b++) {
            double sum = 0;
            for (int y = 0; y < 8; y++)
                for (int x = 0; x < 8; x++)
                    /* forward: a across, b down (transposed); back: a down, b across */
                    sum += inverse ? in[x][y] * basis[y][a] * basis[x][b]
                                   : in[y][x] * basis[b][y] * basis[a][x];
            out[a][b] = sum;
        }
}

static void cut_ref(double out[8][8], rw_plane p, int x, int y)
{
    for (int j = 0; j < 8; j++)
        for (int i = 0; i < 8; i++)
            out[j][i] = (double)p.px[(y + j) * p.stride + x + i];
}

static void cubic_ref(double f, double c[4])
{
    c[0] = ((-0.5 * f + 1) * f - 0.5) * f;
    c[1] = (1.5 * f - 2.5) * f * f + 1;
    c[2] = ((-1.5 * f + 2) * f + 0.5) * f;
    c[3] = (0.5 * f - 0.5) * f * f;
}

/* The patch at (x + dx, y + dy), kept 4 px inside the border. */
static void fetch_ref(double out[8][8], rw_plane p, int x, int y, float dx, float dy, bool cubic)
{
    const float margin = BORDER - 4.0f;
    const float px = CLAMP((float)x + dx, -margin, (float)p.width + margin - 9.0f) + BORDER;
    const float py = CLAMP((float)y + dy, -margin, (float)p.height + margin - 9.0f) + BORDER;
    const int i = (int)px - BORDER, j = (int)py - BORDER;
    const double fx = (double)(px - floorf(px)), fy = (double)(py - floorf(py));
    double cx[4] = {0, 1 - fx, fx, 0}, cy[4] = {0, 1 - fy, fy, 0};
    if (cubic) {
        cubic_ref(fx, cx);
        cubic_ref(fy, cy);
    }
    for (int r = 0; r < 8; r++)
        for (int c = 0; c < 8; c++) {
            double sum = 0;
            for (int b = 0; b < 4; b++)
                for (int a = 0; a < 4; a++)
                    sum += cx[a] * cy[b] * (double)p.px[(j + r + b - 1) * p.stride + i + c + a - 1];
            out[r][c] = sum;
        }
}

static int band_of(int u, int v)
{
    return u + v < 2 ? 0 : u + v < 6 ? 1 : 2;
}

static double weight_ref(double e, double margin)
{
    const double over = e - 1 - margin;
    return over > 0 ? 1 / (1 + 3 * over) : 1;
}

/* One row of patches, as grain.h describes it, one coefficient after the other. */
static void row_ref(const rw_grain_job *job, int j, bool second, double *const sum[3],
                    double *const norm[3])
{
    static const double taper[8] = {0.35, 0.6, 0.85, 1, 1, 0.85, 0.6, 0.35};
    const int y = RW_GRAIN_STEP * j - 4;
    for (int i = second ? 0 : j & 1; i < job->cols; i += second ? 1 : 2) {
        const int x = RW_GRAIN_STEP * i - 4, at = j * job->cols + i;
        double w[RW_GRAIN_NEAR][3];
        for (int p = 0; p < (second ? job->planes : 1); p++) {
            if (p > 0 && ((i + j) & 1))
                continue; /* colour: as the black squares of a chess board, and without a pilot */
            const bool wiener = second && p == 0;
            double px[8][8], own[8][8], pilot[8][8], near[RW_GRAIN_NEAR][8][8];
            cut_ref(px, job->now[p], x, y);
            transform_ref(own, px, false);
            cut_ref(px, job->pilot, x, y);
            transform_ref(pilot, px, false);
            for (int k = 0; k < job->count; k++) {
                fetch_ref(px, job->near[k][p], x, y, job->dx[k][at], job->dy[k][at], wiener);
                transform_ref(near[k], px, false);
            }
            for (int k = 0; p == 0 && k < job->count; k++) {
                double e[3] = {0, 0, 0};
                for (int u = 0; u < 8; u++)
                    for (int v = 0; v < 8; v++) {
                        const double d = (wiener ? pilot : own)[u][v] - near[k][u][v];
                        e[band_of(u, v)] += d * d / (double)job->power[0][8 * u + v];
                    }
                const double share = wiener ? 0.9 : 0.5;
                w[k][0] = weight_ref(e[0] / 3 * share, 0.8);
                w[k][1] = weight_ref(e[1] / 18 * share, 0.3);
                if (w[k][1] > w[k][0])
                    w[k][1] = 0.5 * (w[k][1] + w[k][0]);
                w[k][2] = w[k][1];
            }
            double kept = 0, gains = 0;
            for (int u = 0; u < 8; u++)
                for (int v = 0; v < 8; v++) {
                    const int b = band_of(u, v);
                    double all = 1, squares = 1, mean = own[u][v];
                    for (int k = 0; k < job->count; k++) {
                        all += w[k][b];
                        squares += w[k][b] * w[k][b];
                        mean += w[k][b] * near[k][u][v];
                    }
                    mean /= all;
                    const double grain = (double)job->power[p][8 * u + v] * squares / (all * all);
                    if (wiener) {
                        const double s = pilot[u][v] * pilot[u][v], g = s / (s + grain);
                        own[u][v] = g * mean;
                        gains += g * g;
                    } else {
                        const bool stays = mean * mean > 2.6 * 2.6 * grain;
                        kept += stays;
                        own[u][v] = stays || (u == 0 && v == 0) ? mean : 0;
                    }
                }
            const double weight = wiener ? 1 / (0.5 + gains) : 1 / (1 + kept);
            transform_ref(px, own, true);
            for (int r = 0; r < 8; r++)
                for (int c = 0; c < 8; c++) {
                    const ptrdiff_t o = (y + r + BORDER) * STRIDE + x + c + BORDER;
                    sum[p][o] += weight * taper[r] * taper[c] * px[r][c];
                    norm[p][o] += weight * taper[r] * taper[c];
                }
        }
    }
}

static void run_rows(field *f, rw_cpu level, bool wiener)
{
    rw_grain_dsp dsp;
    rw_grain_dsp_init(&dsp, level);
    for (int p = 0; p < 3; p++) {
        memset(f->job.sum[p].px - BORDER * STRIDE - BORDER, 0, PLANE * sizeof(float));
        memset(f->job.norm[p].px - BORDER * STRIDE - BORDER, 0, PLANE * sizeof(float));
    }
    for (int j = 0; j < f->job.rows; j++)
        dsp.row(&f->job, j, wiener);
}

static void test_grain(gconstpointer data)
{
    const rw_cpu level = (rw_cpu)GPOINTER_TO_INT(data);
    level_name = rw_cpu_name(level);
    double *sum[3], *norm[3];
    for (guint32 seed = 1; seed <= 10; seed++) {
        field f;
        field_new(&f, seed);
        for (int turn = 0; turn < 2; turn++) {
            for (int p = 0; p < 3; p++) {
                sum[p] = g_new0(double, PLANE);
                norm[p] = g_new0(double, PLANE);
            }
            run_rows(&f, level, turn == 1);
            for (int j = 0; j < f.job.rows; j++)
                row_ref(&f.job, j, turn == 1, sum, norm);
            for (int p = 0; p < f.job.planes; p++)
                for (int i = 0; i < PLANE; i++) {
                    const float *s = f.job.sum[p].px - BORDER * STRIDE - BORDER;
                    const float *n = f.job.norm[p].px - BORDER * STRIDE - BORDER;
                    assert_near((double)s[i], sum[p][i], 2e-3, "sum", seed, i);
                    assert_near((double)n[i], norm[p][i], 1e-4, "norm", seed, i);
                }
            for (int p = 0; p < 3; p++) {
                g_free(sum[p]);
                g_free(norm[p]);
            }
            /* and the plainest level has the same bits */
            const size_t bytes = PLANES * PLANE * sizeof(float);
            g_autofree float *own = g_memdup2(f.memory, bytes);
            run_rows(&f, RW_CPU_C, turn == 1);
            g_assert_true(memcmp(own, f.memory, bytes) == 0);
        }
        g_free(f.memory);
    }
}

static void bench(void)
{
    field f;
    field_new(&f, 4); /* four neighbours, three planes */
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++) {
        double us[2];
        for (int turn = 0; turn < 2; turn++) {
            const gint64 t = g_get_monotonic_time();
            for (int i = 0; i < 200; i++)
                run_rows(&f, level, turn == 1);
            us[turn] = (double)(g_get_monotonic_time() - t) / 200 / (f.job.cols * f.job.rows);
        }
        g_print("%-7s us a patch of three planes and four neighbours: pilot %.2f (every second), "
                "wiener %.2f\n",
                rw_cpu_name(level), 2 * us[0], us[1]);
    }
    g_free(f.memory);
}

int main(int argc, char **argv)
{
    if (argc > 1 && g_str_equal(argv[1], "--bench")) {
        bench();
        return 0;
    }
    g_test_init(&argc, &argv, NULL);
    static const struct {
        const char *name;
        GTestDataFunc run;
    } tests[] = {{"weigh", test_weigh},
                 {"gather", test_gather},
                 {"level", test_level},
                 {"film", test_film},
                 {"grain", test_grain}};
    for (rw_cpu level = RW_CPU_C; level <= rw_cpu_level(); level++)
        for (size_t i = 0; i < G_N_ELEMENTS(tests); i++) {
            g_autofree char *path =
                g_strdup_printf("/restore/%s/%s", tests[i].name, rw_cpu_name(level));
            g_test_add_data_func(path, GINT_TO_POINTER((int)level), tests[i].run);
        }
    return g_test_run();
}
