/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Capture order. "CP-3461" is the DCF standard (JEITA CP-3461, first JEIDA-49-2-1998) as device
 * manuals summarise it: directories 100-999 and five free characters, files four free characters
 * and 0001-9999, free characters 0-9 A-Z _. How cameras roll over from 9999 is common practice
 * without a source.
 */
#include <string.h>

#include <reelwright/still.h>

static void test_dcf(void)
{
    static const struct {
        const char *path;
        int folder, number;
    } rows[] = {
        {"DCIM/100RWDMO/RWD_0001.JPG", 100, 1}, /* CP-3461 */
        {"DCIM/999ABCDE/ABCD9999.TIF", 999, 9999},
        {"dcim/100rwdmo/rwd_0042.jpg", 100, 42}, /* as FAT shows it when mounted in lower case */
        {"DCIM/099RWDMO/RWD_0001.JPG", -1, 1},   /* 100 is the first directory */
        {"DCIM/100RWDM/RWD_0001.JPG", -1, 1},    /* five free characters */
        {"DCIM/100RWDMOX/RWD_0001.JPG", -1, 1},
        {"DCIM/100RW-MO/RWD_0001.JPG", -1, 1},   /* no '-' */
        {"DCIM/100RWDMO/RWD_0000.JPG", 100, -1}, /* 0001 is the first file */
        {"DCIM/100RWDMO/RWD_001.JPG", 100, -1},
        {"DCIM/100RWDMO/RWDX00001.JPG", 100, -1},
        {"DCIM/100RWDMO/RW 00001.JPG", 100, -1},
        {"RWD_0001.JPG", -1, 1},
        {"/", -1, -1},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        int folder, number;
        rw_dcf_parse(rows[i].path, &folder, &number);
        g_assert_cmpint(folder, ==, rows[i].folder);
        g_assert_cmpint(number, ==, rows[i].number);
    }
}

static void test_natural(void)
{
    /* each before the next; common practice, no source */
    static const char *const up[] = {"",
                                     "1",
                                     "02",
                                     "2x",
                                     "10",
                                     "a",
                                     "IMG1",
                                     "img2",
                                     "IMG10",
                                     "img10a",
                                     "img10b",
                                     "img010b2",
                                     "img11",
                                     "img99999999999999999999",
                                     "img100000000000000000000",
                                     "img_1",
                                     "z"};
    for (size_t i = 0; i < G_N_ELEMENTS(up); i++)
        for (size_t j = 0; j < G_N_ELEMENTS(up); j++)
            g_assert_cmpint(rw_natural_compare(up[i], up[j]), ==, (i > j) - (i < j));
    g_assert_cmpint(rw_natural_compare("a01", "a1"), !=, 0);
    g_assert_cmpint(rw_natural_compare("A1", "a1"), ==, -rw_natural_compare("a1", "A1"));
}

static void test_natural_is_an_order(void)
{
    GRand *rand = g_rand_new_with_seed(7);
    char text[3][8];
    for (int round = 0; round < 20000; round++) {
        for (int k = 0; k < 3; k++) {
            int n = g_rand_int_range(rand, 0, 7);
            for (int i = 0; i < n; i++)
                text[k][i] = "0012aAbB_"[g_rand_int_range(rand, 0, 9)];
            text[k][n] = '\0';
        }
        int ab = rw_natural_compare(text[0], text[1]), bc = rw_natural_compare(text[1], text[2]);
        g_assert_cmpint(ab, ==, -rw_natural_compare(text[1], text[0]));
        g_assert_cmpint(ab == 0, ==, strcmp(text[0], text[1]) == 0);
        if (ab <= 0 && bc <= 0)
            g_assert_cmpint(rw_natural_compare(text[0], text[2]), <=, 0);
    }
    g_rand_free(rand);
}

/* ---- a made-up shoot ---- */

typedef struct shoot {
    GArray *shots;
    GPtrArray *paths;
} shoot;

static shoot shoot_new(void)
{
    return (shoot){g_array_new(FALSE, TRUE, sizeof(rw_shot)),
                   g_ptr_array_new_with_free_func(g_free)};
}

static void shoot_free(shoot *s)
{
    g_array_unref(s->shots);
    g_ptr_array_unref(s->paths);
}

static void shoot_add(shoot *s, int card, char *path, double seconds)
{
    g_ptr_array_add(s->paths, path);
    rw_shot shot = {.path = path,
                    .card = card,
                    .has_time = seconds >= 0,
                    .has_subsec = seconds >= 0,
                    .time_us = seconds >= 0 ? (int64_t)(seconds * 1e6) : 0};
    g_array_append_val(s->shots, shot);
}

static void add_number(shoot *s, int card, int folder, int number, double seconds)
{
    shoot_add(s, card, g_strdup_printf("card%d/DCIM/%03dRWDMO/RWD_%04d.JPG", card, folder, number),
              seconds);
}

static rw_shot *shot(shoot *s, guint i)
{
    return &g_array_index(s->shots, rw_shot, i);
}

static rw_order *order_of(const shoot *s)
{
    return rw_order_shots((const rw_shot *)(void *)s->shots->data, s->shots->len);
}

/* The shots were added in the order that is wanted. */
static void assert_in_order(const shoot *s, const rw_order *order)
{
    g_assert_cmpuint(order->count, ==, s->shots->len);
    for (size_t i = 0; i < order->count; i++)
        g_assert_cmpstr(g_ptr_array_index(s->paths, order->shots[i]), ==,
                        g_ptr_array_index(s->paths, i));
}

static size_t notes_of(const rw_order *order, rw_order_kind kind, int64_t *sum)
{
    size_t n = 0;
    *sum = 0;
    for (size_t i = 0; i < order->n_notes; i++)
        if (order->notes[i].kind == kind) {
            n++;
            *sum += order->notes[i].amount;
        }
    return n;
}

static void expect(const shoot *s, double confidence, size_t gaps, int64_t missing, size_t backs)
{
    rw_order *order = order_of(s);
    int64_t sum;
    assert_in_order(s, order);
    g_assert_cmpfloat(order->confidence, ==, confidence);
    g_assert_cmpuint(notes_of(order, RW_ORDER_GAP, &sum), ==, gaps);
    g_assert_cmpint(sum, ==, missing);
    g_assert_cmpuint(notes_of(order, RW_ORDER_CLOCK_BACK, &sum), ==, backs);
    rw_order_free(&order);
}

static void test_plain(void)
{
    shoot s = shoot_new();
    for (int i = 1; i <= 50; i++)
        if (i != 7 && i != 20 && i != 21)
            add_number(&s, 0, 100, i, i * 0.4);
    expect(&s, 1.0, 2, 3, 0);
    /* the raw file without a JPEG explains one of the holes and gets no place */
    add_number(&s, 0, 100, 7, 7 * 0.4);
    shot(&s, s.shots->len - 1)->no_picture = true;
    rw_order *order = order_of(&s);
    int64_t missing;
    g_assert_cmpuint(order->count, ==, 47);
    g_assert_cmpuint(notes_of(order, RW_ORDER_GAP, &missing), ==, 1);
    g_assert_cmpint(missing, ==, 2);
    g_assert_cmpfloat(order->confidence, ==, 1.0);
    rw_order_free(&order);
    shoot_free(&s);

    s = shoot_new();
    rw_order *none = order_of(&s);
    g_assert_cmpuint(none->count, ==, 0);
    rw_order_free(&none);
    shoot_free(&s);
}

static void test_clock(void)
{
    /* one still whose clock had stopped: the counter stands, the doubt is told */
    shoot s = shoot_new();
    for (int i = 1; i <= 30; i++)
        add_number(&s, 0, 100, i, i == 12 ? 0.5 : i * 10.0);
    expect(&s, 0.7, 0, 0, 1);
    shoot_free(&s);

    /* whole seconds: three stills in one second are no contradiction */
    s = shoot_new();
    for (int i = 1; i <= 30; i++) {
        add_number(&s, 0, 100, i, i / 3);
        shot(&s, s.shots->len - 1)->has_subsec = false;
    }
    expect(&s, 1.0, 0, 0, 0);
    shot(&s, 4)->has_subsec = true; /* 1.9 s, then "1" without a fraction */
    shot(&s, 4)->time_us += 900000;
    expect(&s, 1.0, 0, 0, 0);
    shoot_free(&s);

    /* with fractions the same is one */
    s = shoot_new();
    add_number(&s, 0, 100, 1, 1.50);
    add_number(&s, 0, 100, 2, 1.49);
    expect(&s, 0.7, 0, 0, 1);
    shoot_free(&s);

    s = shoot_new(); /* some without, all without */
    for (int i = 1; i <= 9; i++)
        add_number(&s, 0, 100, i, i == 3 ? -1 : i);
    expect(&s, 0.9, 0, 0, 0);
    for (guint i = 0; i < s.shots->len; i++)
        shot(&s, i)->has_time = false;
    expect(&s, 0.8, 0, 0, 0);
    shoot_free(&s);
}

static void test_roll_over(void)
{
    shoot s = shoot_new(); /* into the next folder; also without times */
    for (int i = 9980; i <= 9999; i++)
        add_number(&s, 0, 104, i, i);
    for (int i = 1; i <= 20; i++)
        add_number(&s, 0, 105, i, 9999 + i);
    expect(&s, 1.0, 0, 0, 0);
    for (guint i = 0; i < s.shots->len; i++)
        shot(&s, i)->has_time = false;
    expect(&s, 0.8, 0, 0, 0);
    shoot_free(&s);

    /* within one folder; 9990 is missing, and so is 0001 across the roll */
    s = shoot_new();
    for (int i = 9980; i <= 9999; i++)
        if (i != 9990)
            add_number(&s, 0, 104, i, i);
    for (int i = 2; i <= 30; i++)
        add_number(&s, 0, 104, i, 9999 + i);
    expect(&s, 1.0, 2, 2, 0);
    rw_order *order = order_of(&s);
    int64_t guessed;
    g_assert_cmpuint(notes_of(order, RW_ORDER_ROLLED, &guessed), ==, 1);
    g_assert_cmpint(guessed, ==, 0);
    rw_order_free(&order);
    shoot_free(&s);

    /* without times: guessed from 9999 and 0001 */
    s = shoot_new();
    for (int i = 9980; i <= 9999; i++)
        add_number(&s, 0, 104, i, -1);
    for (int i = 1; i <= 30; i++)
        add_number(&s, 0, 104, i, -1);
    expect(&s, 0.5, 0, 0, 0);
    shoot_free(&s);

    /* a clock that was set back does not turn an ordinary folder round */
    s = shoot_new();
    for (int i = 1; i <= 100; i++)
        add_number(&s, 0, 100, i, i < 40 ? 100000 + i : i);
    expect(&s, 0.7, 0, 0, 1);
    shoot_free(&s);

    /* a folder that is full all round: only the clock can tell where it starts */
    s = shoot_new();
    for (int i = 0; i < 9999; i++)
        add_number(&s, 0, 100, (i + 5000) % 9999 + 1, i);
    expect(&s, 1.0, 0, 0, 0);
    shoot_free(&s);
}

static void test_cards(void)
{
    shoot s = shoot_new(); /* given the wrong way round; the time tells */
    for (int i = 1; i <= 20; i++)
        add_number(&s, 1, 100, i, i);
    for (int i = 1; i <= 20; i++)
        add_number(&s, 0, 100, i, 1000 + i);
    expect(&s, 1.0, 0, 0, 0);
    for (guint i = 0; i < s.shots->len; i++) /* no time: as given, and said */
        shot(&s, i)->has_time = false;
    rw_order *order = order_of(&s);
    int64_t sum;
    g_assert_cmpuint(order->shots[0], ==, 20);
    g_assert_cmpuint(notes_of(order, RW_ORDER_AS_GIVEN, &sum), ==, 1);
    g_assert_cmpfloat(order->confidence, ==, 0.5);
    rw_order_free(&order);
    shoot_free(&s);

    s = shoot_new(); /* no time, but the counter runs on: over 9999 and over three cards */
    for (int i = 9950; i <= 9999; i++)
        add_number(&s, 2, 100, i, -1);
    for (int i = 1; i <= 50; i++)
        add_number(&s, 0, 101, i, -1);
    for (int i = 51; i <= 90; i++)
        add_number(&s, 1, 101, i, -1);
    expect(&s, 0.8, 0, 0, 0);
    shoot_free(&s);

    s = shoot_new(); /* card A, then B, then A again in a new folder */
    for (int i = 1; i <= 20; i++)
        add_number(&s, 0, 100, i, i);
    for (int i = 1; i <= 20; i++)
        add_number(&s, 1, 100, i, 100 + i);
    for (int i = 21; i <= 40; i++)
        add_number(&s, 0, 101, i, 200 + i);
    expect(&s, 1.0, 0, 0, 0);
    shot(&s, 5)->time_us = INT64_C(-900000000000); /* one wrong time moves no folder */
    expect(&s, 0.7, 0, 0, 1);
    shoot_free(&s);
}

static void test_other_names(void)
{
    shoot s = shoot_new();
    for (int i = 1; i <= 12; i++)
        shoot_add(&s, 0, g_strdup_printf("scans/img%d.tif", i), -1);
    expect(&s, 0.5, 0, 0, 0);
    for (guint i = 0; i < s.shots->len; i++) {
        shot(&s, i)->has_time = true;
        shot(&s, i)->time_us = (int64_t)i * 1000000;
    }
    expect(&s, 1.0, 0, 0, 0);
    shoot_free(&s);

    s = shoot_new(); /* names that say nothing: the clock */
    GRand *rand = g_rand_new_with_seed(3);
    for (int i = 0; i < 40; i++)
        shoot_add(&s, 0, g_strdup_printf("scans/%08x-%d.png", g_rand_int(rand), i), i);
    rw_order *order = order_of(&s);
    int64_t n;
    assert_in_order(&s, order);
    g_assert_cmpuint(notes_of(order, RW_ORDER_BY_CLOCK, &n), ==, 1);
    g_assert_cmpint(n, ==, 40);
    rw_order_free(&order);
    g_rand_free(rand);
    shoot_free(&s);

    s = shoot_new(); /* the same number twice in a folder is no counter: natural order of names */
    for (int i = 1; i <= 9; i++) {
        shoot_add(&s, 0, g_strdup_printf("flat/AAAA%04d.JPG", i), i);
    }
    for (int i = 1; i <= 9; i++)
        shoot_add(&s, 0, g_strdup_printf("flat/BBBB%04d.JPG", i), 20 + i);
    expect(&s, 1.0, 0, 0, 0);
    shoot_free(&s);
}

/* ---- properties ---- */

/* A camera at work: random start, deletions, new folders, cards swapped, both ways of rolling over.
 */
static shoot random_shoot(GRand *rand, bool timed)
{
    shoot s = shoot_new();
    int folder = g_rand_int_range(rand, 100, 990), card = 0;
    int number =
        g_rand_boolean(rand) ? g_rand_int_range(rand, 9900, 9999) : g_rand_int_range(rand, 1, 9000);
    bool same_folder = timed && g_rand_boolean(rand);
    bool subsec = g_rand_boolean(rand);
    double time = 1000;
    int n = g_rand_int_range(rand, 30, 300);
    for (int i = 0; i < n; i++) {
        if (g_rand_int_range(rand, 0, 40) != 0 || i == 0 || i == n - 1) { /* else deleted */
            add_number(&s, card, folder, number, timed ? time : -1);
            shot(&s, s.shots->len - 1)->has_subsec = timed && subsec;
            if (timed && !subsec)
                shot(&s, s.shots->len - 1)->time_us =
                    shot(&s, s.shots->len - 1)->time_us / 1000000 * 1000000;
        }
        time += g_rand_double_range(rand, 0.3, 3.0);
        if (++number > 9999) {
            number = 1;
            folder += same_folder ? 0 : 1;
        }
        if (timed && g_rand_int_range(rand, 0, 100) == 0) {
            card++;
            time += 5;
        }
        if (g_rand_int_range(rand, 0, 150) == 0)
            folder++;
    }
    return s;
}

static void test_truth(void)
{
    GRand *rand = g_rand_new_with_seed(11);
    for (int round = 0; round < 400; round++) {
        shoot s = random_shoot(rand, round % 2);
        rw_order *order = order_of(&s);
        assert_in_order(&s, order);
        rw_order_free(&order);
        shoot_free(&s);
    }
    g_rand_free(rand);
}

/* Shuffled in, the same out: also for shoots that make no sense. */
static void test_shuffle(void)
{
    GRand *rand = g_rand_new_with_seed(13);
    for (int round = 0; round < 300; round++) {
        shoot s = random_shoot(rand, round % 2);
        for (guint i = 0; round % 3 == 0 && i < s.shots->len; i++) { /* clocks gone mad */
            rw_shot *x = shot(&s, i);
            x->has_time = g_rand_int_range(rand, 0, 5) != 0;
            x->time_us = g_rand_int_range(rand, 0, 50) * 1000000;
            x->no_picture = g_rand_int_range(rand, 0, 9) == 0;
        }
        if (round % 5 == 0)
            for (int i = 0; i < 9; i++)
                shoot_add(&s, i % 2, g_strdup_printf("card%d/DCIM/odd%d.jpg", i % 2, i), i);
        rw_order *order = order_of(&s);
        size_t n = s.shots->len;
        g_autofree rw_shot *mixed = g_memdup2(s.shots->data, n * sizeof *mixed);
        for (size_t i = n; i-- > 1;) {
            size_t j = (size_t)g_rand_int_range(rand, 0, (gint32)i + 1);
            rw_shot t = mixed[i];
            mixed[i] = mixed[j];
            mixed[j] = t;
        }
        rw_order *again = rw_order_shots(mixed, n);
        g_assert_cmpuint(order->count, ==, again->count);
        for (size_t i = 0; i < order->count; i++)
            g_assert_cmpstr(shot(&s, (guint)order->shots[i])->path, ==,
                            mixed[again->shots[i]].path);
        g_assert_cmpuint(order->n_notes, ==, again->n_notes);
        for (size_t i = 0; i < order->n_notes; i++) {
            g_assert_cmpint(order->notes[i].kind, ==, again->notes[i].kind);
            g_assert_cmpuint(order->notes[i].place, ==, again->notes[i].place);
            g_assert_cmpint(order->notes[i].amount, ==, again->notes[i].amount);
        }
        g_assert_cmpfloat(order->confidence, ==, again->confidence);
        rw_order_free(&order);
        rw_order_free(&again);
        shoot_free(&s);
    }
    g_rand_free(rand);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/order/dcf", test_dcf);
    g_test_add_func("/order/natural", test_natural);
    g_test_add_func("/order/natural-is-an-order", test_natural_is_an_order);
    g_test_add_func("/order/plain", test_plain);
    g_test_add_func("/order/clock", test_clock);
    g_test_add_func("/order/roll-over", test_roll_over);
    g_test_add_func("/order/cards", test_cards);
    g_test_add_func("/order/other-names", test_other_names);
    g_test_add_func("/order/truth", test_truth);
    g_test_add_func("/order/shuffle", test_shuffle);
    return g_test_run();
}
