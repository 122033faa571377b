/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The flow of items through levels: order, windows, once each, bounded memory, errors, cancel.
 */
#include <stdatomic.h>

#include "finish/flow.h"

#define COUNT 200

/* Three levels. Level 1 sums a window of level 0 that ends at multiples of 50 ("scenes"); level 2
 * takes level 1 at half the rate. An item is boxed number. */
typedef struct run {
    int before, after;
    GRand *rand; /* NULL: no delays */
    GMutex lock;
    atomic_int live, peak;
    atomic_int made[3][2 * COUNT];
    int64_t fail_level, fail_item, slow_item;
    GArray *out;
    int64_t refuse; /* consume fails here */
    atomic_bool cancel;
    int64_t cancel_at;
    int64_t cancel_level, cancel_item; /* made: cancel */
} run;

static void needs(int level, int64_t item, void *user, int64_t *first, int64_t *last)
{
    run *r = user;
    if (level == 1) {
        int64_t scene = item / 50 * 50;
        *first = MAX(item - r->before, scene);
        *last = MIN(item + r->after, scene + 49);
    } else {
        *first = *last = item / 2; /* every item of level 1 is used twice */
    }
}

static void *start(void *user, GError **error)
{
    (void)user, (void)error;
    return g_new0(int, 1);
}

static void stop(void *state, void *user)
{
    (void)user;
    g_free(state);
}

static void dawdle(run *r)
{
    if (!r->rand)
        return;
    g_mutex_lock(&r->lock);
    int us = g_rand_int_range(r->rand, 0, 200);
    g_mutex_unlock(&r->lock);
    g_usleep((gulong)us);
}

static bool make(int level, int64_t item, void *const *inputs, void *state, void *user,
                 void **result, GError **error)
{
    run *r = user;
    g_assert_nonnull(state);
    dawdle(r);
    if (level == r->fail_level && item == r->fail_item) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "item %d", (int)item);
        return false;
    }
    if (level == r->cancel_level && item == r->cancel_item)
        atomic_store(&r->cancel, true);
    atomic_fetch_add(&r->made[level][item], 1);
    int64_t value = item * item;
    if (level > 0) {
        int64_t first, last;
        needs(level, item, user, &first, &last);
        value = 0;
        for (int64_t i = 0; i <= last - first; i++)
            value += *(int64_t *)inputs[i] * (level == 1 ? 1 : item % 2 + 1);
    }
    int live = atomic_fetch_add(&r->live, 1) + 1;
    int peak = atomic_load(&r->peak);
    while (live > peak && !atomic_compare_exchange_weak(&r->peak, &peak, live))
        ;
    *result = g_memdup2(&value, sizeof value);
    return true;
}

static bool consume(int64_t item, void *result, void *user, GError **error)
{
    run *r = user;
    if (item == r->refuse) {
        g_set_error(error, RW_ERROR, RW_ERROR_NO_SPACE, "full at %d", (int)item);
        return false;
    }
    if (item == r->cancel_at)
        atomic_store(&r->cancel, true);
    g_array_append_vals(r->out, result, 1);
    return true;
}

static void discard(int level, void *result, void *user)
{
    (void)level;
    run *r = user;
    atomic_fetch_sub(&r->live, 1);
    g_free(result);
}

static const rw_flow_ops ops = {3, needs, start, stop, make, consume, discard};

static run *run_new(int before, int after)
{
    run *r = g_new0(run, 1);
    r->before = before;
    r->after = after;
    r->fail_item = r->refuse = r->cancel_at = r->cancel_item = -1;
    r->out = g_array_new(FALSE, FALSE, sizeof(int64_t));
    g_mutex_init(&r->lock);
    return r;
}

static void run_free(run *r)
{
    g_assert_cmpint(atomic_load(&r->live), ==, 0); /* nothing leaked, nothing let go twice */
    g_array_unref(r->out);
    if (r->rand)
        g_rand_free(r->rand);
    g_mutex_clear(&r->lock);
    g_free(r);
}

static int64_t expected(int before, int after, int64_t item)
{
    run bounds = {.before = before, .after = after};
    int64_t first, last, sum = 0;
    needs(1, item / 2, &bounds, &first, &last);
    for (int64_t i = first; i <= last; i++)
        sum += i * i;
    return sum * (item % 2 + 1);
}

static void test_order(void)
{
    static const int threads[] = {1, 2, 3, 8, 99};
    static const int reaches[][2] = {{0, 0}, {2, 2}, {0, 8}, {5, 0}};
    for (size_t t = 0; t < G_N_ELEMENTS(threads); t++)
        for (size_t k = 0; k < G_N_ELEMENTS(reaches); k++)
            for (int ahead = 0; ahead <= 12; ahead += 4) {
                run *r = run_new(reaches[k][0], reaches[k][1]);
                r->rand = g_rand_new_with_seed((guint32)(t * 100 + k * 10));
                int64_t first = 37, last = 2 * COUNT - 21;
                g_assert_true(rw_flow_run(&ops, first, last, threads[t], ahead, 24, NULL, r, NULL));
                g_assert_cmpint((int64_t)r->out->len, ==, last - first + 1);
                for (guint i = 0; i < r->out->len; i++)
                    g_assert_cmpint(g_array_index(r->out, int64_t, i), ==,
                                    expected(r->before, r->after, first + i));
                /* each item once, and none that nobody needs */
                for (int64_t i = 0; i < COUNT; i++)
                    g_assert_cmpint(atomic_load(&r->made[1][i]), ==,
                                    i >= first / 2 && i <= last / 2);
                for (int64_t i = 0; i < COUNT; i++)
                    g_assert_cmpint(atomic_load(&r->made[0][i]), <=, 1);
                /* 24, or one item's own need when that is more: 1 + 1 + 9 */
                g_assert_cmpint(atomic_load(&r->peak), <=, 24);
                run_free(r);
            }
}

/* Memory does not grow with the run: the last item's window holds everything up. */
static void test_bounded(void)
{
    run *r = run_new(2, 2);
    g_assert_true(rw_flow_run(&ops, 0, 2 * COUNT - 1, 8, 100, 16, NULL, r, NULL));
    g_assert_cmpint(atomic_load(&r->peak), <=, 16);
    run_free(r);
    /* less than one item needs: the run still ends, holding just what it must */
    r = run_new(8, 8);
    g_assert_true(rw_flow_run(&ops, 0, 2 * COUNT - 1, 8, 100, 1, NULL, r, NULL));
    g_assert_cmpint(atomic_load(&r->peak), <=, 20);
    run_free(r);
}

/* An error at level 0 ends the run where the first window that needs it stands, at any number of
 * threads. */
static void test_first_error(void)
{
    for (int threads = 1; threads <= 16; threads *= 2) {
        g_autoptr(GError) error = NULL;
        run *r = run_new(1, 3);
        r->rand = g_rand_new_with_seed(7);
        r->fail_item = 120;
        g_assert_false(rw_flow_run(&ops, 0, 2 * COUNT - 1, threads, 20, 100, NULL, r, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_DAMAGED);
        g_assert_cmpstr(error->message, ==, "item 120");
        g_assert_cmpuint(r->out->len, ==, 2 * 117); /* 117 is the first that reaches 120 */
        run_free(r);
    }
}

static void test_consume_error_and_cancel(void)
{
    g_autoptr(GError) error = NULL;
    run *r = run_new(2, 2);
    r->refuse = 33;
    g_assert_false(rw_flow_run(&ops, 0, 2 * COUNT - 1, 4, 9, 30, NULL, r, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_NO_SPACE);
    g_assert_cmpuint(r->out->len, ==, 33);
    run_free(r);
    g_clear_error(&error);
    r = run_new(2, 2);
    r->cancel_at = 50;
    g_assert_false(rw_flow_run(&ops, 0, 2 * COUNT - 1, 4, 9, 30, &r->cancel, r, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_CANCELLED);
    g_assert_cmpuint(r->out->len, ==, 51);
    run_free(r);
}

/* What is asked for and not there yet is not waited for: the first item of all is in work when the
 * run is cancelled, so none may come out. */
static void test_cancel_while_waiting(void)
{
    for (int level = 0; level < 3; level++) {
        g_autoptr(GError) error = NULL;
        run *r = run_new(2, 2);
        r->cancel_level = level;
        r->cancel_item = 0;
        g_assert_false(rw_flow_run(&ops, 0, 2 * COUNT - 1, 2, 9, 30, &r->cancel, r, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_CANCELLED);
        g_assert_cmpuint(r->out->len, ==, 0);
        g_assert_cmpint(atomic_load(&r->made[2][2 * COUNT - 1]), ==, 0);
        run_free(r);
    }
}

static void *refuse_start(void *user, GError **error)
{
    (void)user;
    g_set_error(error, RW_ERROR, RW_ERROR_MEMORY, "no scratch");
    return NULL;
}

static void test_start_error(void)
{
    g_autoptr(GError) error = NULL;
    rw_flow_ops bad = ops;
    bad.start = refuse_start;
    run *r = run_new(2, 2);
    g_assert_false(rw_flow_run(&bad, 0, 2 * COUNT - 1, 4, 9, 30, NULL, r, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_MEMORY);
    run_free(r);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/flow/order", test_order);
    g_test_add_func("/flow/bounded", test_bounded);
    g_test_add_func("/flow/first-error", test_first_error);
    g_test_add_func("/flow/consume-error-and-cancel", test_consume_error_and_cancel);
    g_test_add_func("/flow/cancel-while-waiting", test_cancel_while_waiting);
    g_test_add_func("/flow/start-error", test_start_error);
    return g_test_run();
}
