/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <string.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include "base/fs.h"
#include "base/ordered.h"
#include "base/pool.h"
#include "base/progress.h"
#include "base/select.h"

static void test_affine(void)
{
    GRand *rand = g_rand_new_with_seed(1);
    for (int i = 0; i < 200; i++) {
        rw_affine a = rw_affine_identity(), b = a, inverse;
        for (int r = 0; r < 2; r++)
            for (int c = 0; c < 3; c++) {
                a.m[r][c] += g_rand_double_range(rand, -0.4, 0.4);
                b.m[r][c] += g_rand_double_range(rand, -0.4, 0.4);
            }
        double x = g_rand_double_range(rand, -5, 5), y = g_rand_double_range(rand, -5, 5);
        rw_point p = rw_affine_apply(a, x, y);
        rw_point q = rw_affine_apply(b, p.x, p.y);
        rw_point both = rw_affine_apply(rw_affine_then(a, b), x, y);
        g_assert_cmpfloat_with_epsilon(q.x, both.x, 1e-9);
        g_assert_cmpfloat_with_epsilon(q.y, both.y, 1e-9);
        g_assert_true(rw_affine_invert(a, &inverse));
        rw_point back = rw_affine_apply(inverse, p.x, p.y);
        g_assert_cmpfloat_with_epsilon(back.x, x, 1e-9);
        g_assert_cmpfloat_with_epsilon(back.y, y, 1e-9);
    }
    rw_affine flat = {{{1, 2, 0}, {2, 4, 0}}}, untouched = rw_affine_identity();
    g_assert_false(rw_affine_invert(flat, &untouched));
    g_assert_cmpfloat(untouched.m[0][0], ==, 1);
    g_rand_free(rand);
}

static void test_rational(void)
{
    static const struct {
        const char *text;
        int64_t num, den;
    } good[] = {{"18", 18, 1},          {"16.667", 16667, 1000}, {"50/3", 50, 3},
                {"29.97", 30000, 1001}, {"23.976", 24000, 1001}, {"59.94", 60000, 1001},
                {"25.0", 25, 1},        {"36/2", 18, 1},         {"1000", 1000, 1}};
    for (size_t i = 0; i < G_N_ELEMENTS(good); i++) {
        rw_rational r;
        g_autoptr(GError) error = NULL;
        g_assert_true(rw_rational_parse(good[i].text, &r, &error));
        g_assert_cmpint(r.num, ==, good[i].num);
        g_assert_cmpint(r.den, ==, good[i].den);
    }
    static const char *const bad[] = {"",       "0",   "-18", "18fps", "1/0",
                                      "1000.1", "1e3", ".",   "1..2",  "/3"};
    for (size_t i = 0; i < G_N_ELEMENTS(bad); i++) {
        rw_rational r;
        g_autoptr(GError) error = NULL;
        g_assert_false(rw_rational_parse(bad[i], &r, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
    }
}

static void test_pool(void)
{
    g_autoptr(GError) error = NULL;
    rw_pool *pool = rw_pool_new(1u << 20);
    rw_frame frame, copy;
    g_assert_true(rw_frame_alloc(&frame, pool, 101, 67, 3, &error));
    for (int p = 0; p < 3; p++)
        for (int y = 0; y < 67; y++)
            g_assert_cmpuint((uintptr_t)(frame.plane[p] + y * frame.stride) % 64, ==, 0);
    g_assert_true(rw_buffer_is_writable(frame.buffer));
    rw_frame_share(&copy, &frame);
    g_assert_false(rw_buffer_is_writable(frame.buffer));
    void *data = frame.plane[0];
    rw_frame_clear(&frame);
    g_assert_true(rw_buffer_is_writable(copy.buffer));
    rw_frame_clear(&copy);
    /* reused, and the budget says no without losing what is there */
    g_assert_true(rw_frame_alloc(&frame, pool, 101, 67, 3, &error));
    g_assert_true(frame.plane[0] == data);
    g_assert_false(rw_frame_alloc(&copy, pool, 1000, 1000, 3, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_MEMORY);
    rw_frame_clear(&frame);
    rw_pool_free(&pool);
    g_assert_null(pool);
}

typedef struct ordered_test {
    int64_t seen, fail_work, fail_consume;
    atomic_int alive, peak;
} ordered_test;

static bool ordered_work(int64_t n, void *state, void *user, void **result, GError **error)
{
    ordered_test *t = user;
    (void)state;
    if (n == t->fail_work) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "frame %d", (int)n);
        return false;
    }
    g_usleep((gulong)((n * 7919) % 13) * 20);
    int alive = atomic_fetch_add(&t->alive, 1) + 1;
    int peak = atomic_load(&t->peak);
    while (alive > peak && !atomic_compare_exchange_weak(&t->peak, &peak, alive))
        ;
    *result = g_memdup2(&n, sizeof n);
    return true;
}

static bool ordered_consume(int64_t n, void *result, void *user, GError **error)
{
    ordered_test *t = user;
    g_assert_cmpint(*(int64_t *)result, ==, n);
    g_assert_cmpint(n, ==, t->seen);
    t->seen = n + 1;
    atomic_fetch_sub(&t->alive, 1);
    g_free(result);
    if (n == t->fail_consume) {
        g_set_error(error, RW_ERROR, RW_ERROR_NO_SPACE, "full");
        return false;
    }
    return true;
}

static void ordered_discard(void *result, void *user)
{
    atomic_fetch_sub(&((ordered_test *)user)->alive, 1);
    g_free(result);
}

static void test_ordered(void)
{
    static const rw_ordered_ops ops = {
        .work = ordered_work, .consume = ordered_consume, .discard = ordered_discard};
    static const int counts[] = {1, 2, 3, 8, 99};
    for (size_t i = 0; i < G_N_ELEMENTS(counts); i++) {
        g_autoptr(GError) error = NULL;
        ordered_test t = {.fail_work = -1, .fail_consume = -1};
        g_assert_true(rw_ordered_run(&ops, 0, 299, counts[i], 5, NULL, &t, &error));
        g_assert_cmpint(t.seen, ==, 300);
        g_assert_cmpint(atomic_load(&t.peak), <=, MAX(5, counts[i]));

        /* the first failing frame decides, whoever was faster */
        t = (ordered_test){.fail_work = 41, .fail_consume = -1};
        g_assert_false(rw_ordered_run(&ops, 0, 299, counts[i], 5, NULL, &t, &error));
        g_assert_cmpstr(error->message, ==, "frame 41");
        g_assert_cmpint(t.seen, ==, 41);
        g_assert_cmpint(atomic_load(&t.alive), ==, 0);
        g_clear_error(&error);

        t = (ordered_test){.fail_work = -1, .fail_consume = 10};
        g_assert_false(rw_ordered_run(&ops, 0, 299, counts[i], 5, NULL, &t, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_NO_SPACE);
        g_assert_cmpint(atomic_load(&t.alive), ==, 0);
    }
}

static void test_whole_file(void)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *folder = g_dir_make_tmp("rw-base-XXXXXX", NULL);
    g_autofree char *target = g_build_filename(folder, "a.txt", NULL);
    g_assert_true(rw_write_whole(target, "old", 3, &error));
    rw_whole_file *file = rw_whole_file_open(target, &error);
    g_assert_nonnull(file);
    g_assert_true(g_str_has_suffix(rw_whole_file_temp(file), ".txt"));
    g_assert_true(g_file_set_contents(rw_whole_file_temp(file), "half", -1, NULL));
    rw_whole_file_abandon(&file);
    g_autofree char *text = NULL;
    g_assert_true(g_file_get_contents(target, &text, NULL, NULL));
    g_assert_cmpstr(text, ==, "old");
    /* a leftover of a process that is gone is cleared, one of a living process is not */
    g_autofree char *dead = g_strdup_printf("%s/.a.txt.part-4194300-0.txt", folder);
    g_autofree char *living = g_strdup_printf("%s/.a.txt.part-%d-999.txt", folder, (int)getppid());
    g_assert_true(g_file_set_contents(dead, "x", -1, NULL));
    g_assert_true(g_file_set_contents(living, "x", -1, NULL));
    g_assert_true(rw_write_whole(target, "new", 3, &error));
    g_assert_false(g_file_test(dead, G_FILE_TEST_EXISTS));
    g_assert_true(g_file_test(living, G_FILE_TEST_EXISTS));
    g_unlink(living);
    g_unlink(target);
    g_assert_cmpint(g_rmdir(folder), ==, 0); /* nothing else was left */
    g_assert_cmpint(rw_free_space("/tmp/not/there/yet", &error), >, 0);
}

static void test_errno(void)
{
    g_autoptr(GError) error = NULL;
    rw_error_from_errno(&error, ENOSPC, "Cannot write %s", "x");
    g_assert_error(error, RW_ERROR, RW_ERROR_NO_SPACE);
    g_assert_nonnull(strstr(error->message, "Cannot write x"));
}

/* The k-th of n by selection is the k-th of the C library's sort, and parts the rest. */
static void test_select(void)
{
    GRand *r = g_rand_new_with_seed(11);
    for (int round = 0; round < 500; round++) {
        const int n = g_rand_int_range(r, 1, 60), k = g_rand_int_range(r, 0, n);
        double v[60], sorted[60];
        float f[60];
        for (int i = 0; i < n; i++) { /* of few values, so that many are alike */
            v[i] = sorted[i] = g_rand_int_range(r, 0, 1 + round % 40) - 7;
            f[i] = (float)v[i];
        }
        qsort(sorted, (size_t)n, sizeof *sorted, rw_compare_doubles);
        for (int i = 1; i < n; i++)
            g_assert_cmpfloat(sorted[i - 1], <=, sorted[i]);
        g_assert_cmpfloat(rw_select_double(v, n, k), ==, sorted[k]);
        g_assert_cmpfloat(rw_select_float(f, n, k), ==, (float)sorted[k]);
        for (int i = 0; i < n; i++) {
            g_assert_true(i < k ? v[i] <= v[k] : v[i] >= v[k]);
            g_assert_true(i < k ? f[i] <= f[k] : f[i] >= f[k]);
        }
    }
    g_rand_free(r);
}

static void test_progress_lines(void)
{
    static const char *const others[] = {"", "progress", "progress: finish 3 40",
                                         "finish: 3 of 40"};
    rw_progress_line line = {0};
    g_assert_true(rw_progress_read("progress: finish 3 40 film frames", &line));
    for (size_t i = 0; i < G_N_ELEMENTS(others); i++)
        g_assert_false(rw_progress_read(others[i], &line)); /* and nothing changed */
    g_assert_cmpstr(line.what, ==, "finish");
    g_assert_cmpstr(line.units, ==, "film frames");
    g_assert_cmpint(line.done, ==, 3);
    g_assert_cmpint(line.total, ==, 40);
    g_assert_true(rw_progress_read("progress: hairs 0 7 stills", &line));
    g_assert_cmpstr(line.what, ==, "hairs");
    rw_progress_line_clear(&line);

    char time[RW_TIME_TEXT];
    rw_progress_format_time(time, 250);
    g_assert_cmpstr(time, ==, "4:10");
    rw_progress_format_time(time, 7500);
    g_assert_cmpstr(time, ==, "2 h 05 min");
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/base/progress-lines", test_progress_lines);
    g_test_add_func("/base/select", test_select);
    g_test_add_func("/base/affine", test_affine);
    g_test_add_func("/base/rational", test_rational);
    g_test_add_func("/base/pool", test_pool);
    g_test_add_func("/base/ordered", test_ordered);
    g_test_add_func("/base/whole-file", test_whole_file);
    g_test_add_func("/base/errno", test_errno);
    return g_test_run();
}
