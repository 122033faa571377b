/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Stills that were shot again find their slots. What is right follows from the construction of each
 * case: the film is written down as letters, and so is what becomes of it.
 */
#include <string.h>

#include <glib.h>

#include "survey/place.h"

enum { MOST = 32 };

typedef struct film {
    size_t count;
    bool bad[MOST], repeat[MOST], doubt[MOST], clear[MOST];
    size_t gap[MOST];
    rw_spine spine;
    rw_late late[MOST];
    size_t n_late;
    rw_late_role role[MOST];
    GArray *slots;
} film;

/* '.' a good still, 'x' a bad one, 'd' a repeat; '-' a missing frame, '?' perhaps one, before the
 * next still. */
static film *film_new(const char *text)
{
    film *f = g_new0(film, 1);
    for (const char *c = text; *c; c++) {
        if (*c == '-')
            f->gap[f->count]++;
        if (*c == '-' || *c == '?') {
            f->doubt[f->count] = true;
            continue;
        }
        f->bad[f->count] = *c == 'x';
        f->repeat[f->count] = *c == 'd';
        f->clear[f->count++] = true;
    }
    f->spine = (rw_spine){f->count, f->bad, f->repeat, f->gap, f->doubt, true, f->clear};
    f->slots = rw_slots_new(&f->spine);
    return f;
}

static void film_free(film *f)
{
    g_array_unref(f->slots);
    g_free(f);
}

#define NO RW_NOWHERE

/* The next late still of the batch; ids are 101, 102 ... */
static void shoot(film *f, size_t at, size_t after, size_t before, bool follows)
{
    f->late[f->n_late] = (rw_late){.still = 101 + (int64_t)f->n_late,
                                   .at = at,
                                   .after = after,
                                   .before = before,
                                   .follows = follows};
    f->n_late++;
}

/* "101 - x:102": what each slot holds; a slot of a bad still with its mark. */
static char *fill(film *f)
{
    rw_slots_fill(f->slots, &f->spine, f->late, f->n_late, f->role);
    GString *text = g_string_new(NULL);
    for (guint i = 0; i < f->slots->len; i++) {
        const rw_slot *s = &g_array_index(f->slots, rw_slot, i);
        g_string_append_printf(text, "%s%s", i ? " " : "", s->bad == NO ? "" : "x:");
        if (s->still)
            g_string_append_printf(text, "%d", (int)s->still);
        else
            g_string_append_c(text, '-');
    }
    return g_string_free(text, FALSE);
}

static void check(film *f, const char *want, const char *roles)
{
    g_autofree char *got = fill(f);
    g_assert_cmpstr(got, ==, want);
    for (size_t i = 0; i < f->n_late; i++)
        g_assert_cmpint((int)f->role[i], ==, roles[i] - '0');
    film_free(f);
}

/* Wound back by one frame and on by one: 1 fills, 2 replaces, 3 spare, 4 unplaced. */
static void test_gap(void)
{
    film *f = film_new("..-..");
    shoot(f, 1, 0, NO, false);
    shoot(f, NO, 1, 2, true);
    shoot(f, 2, NO, 3, true);
    check(f, "102", "313");
}

/* The missing frame alone, known by its neighbours' strips; or by nothing at all. */
static void test_alone(void)
{
    film *f = film_new("..-..");
    shoot(f, NO, 1, 2, false);
    check(f, "101", "1");
    f = film_new("..-..");
    shoot(f, NO, NO, NO, false);
    check(f, "-", "4");
}

/* The clock told of one missing frame; the film shows that there were three, or told of three that
 * are two. */
static void test_length(void)
{
    film *f = film_new("..-..");
    shoot(f, NO, 1, NO, false);
    shoot(f, NO, NO, NO, true);
    shoot(f, NO, NO, 2, true);
    check(f, "101 102 103", "111");
    f = film_new("..---..");
    shoot(f, NO, 1, NO, false);
    shoot(f, NO, NO, 2, true);
    check(f, "101 102", "11");
}

/* One end only: what is proven is placed, and one frame stays open. */
static void test_half(void)
{
    film *f = film_new("..-..");
    shoot(f, NO, 1, NO, false);
    check(f, "101 -", "1");
    f = film_new("..---..");
    shoot(f, NO, NO, 2, false);
    check(f, "- - 101", "1");
    f = film_new("..-..");
    f->clear[2] = false; /* silence proves nothing there */
    shoot(f, NO, 1, NO, false);
    check(f, "101", "1");
}

static void test_bad(void)
{
    film *f = film_new("..x..");
    shoot(f, 1, 0, NO, false);
    shoot(f, NO, 1, 3, true); /* a smeared still's own grain tells nothing */
    check(f, "x:102", "32");
    f = film_new("..x..");
    shoot(f, 2, NO, NO, false); /* or it does */
    check(f, "x:101", "2");
    f = film_new("..x..");
    shoot(f, 2, NO, NO, false);
    f->late[0].bad = true;
    check(f, "x:-", "4");
}

/* A missing frame and a bad still side by side: the chain tells which is which. */
static void test_bad_beside_gap(void)
{
    film *f = film_new("..?x..");
    shoot(f, NO, 1, NO, false);
    shoot(f, 2, NO, 3, true);
    check(f, "101 x:102", "12");
}

/* A good position is never given away, whatever is shot. */
static void test_good(void)
{
    film *f = film_new(".....");
    for (size_t i = 0; i < 5; i++)
        shoot(f, i, NO, NO, i > 0);
    check(f, "", "33333");
    f = film_new(".....");
    shoot(f, NO, 1, 2, false); /* nothing is said to be missing there */
    check(f, "", "4");
}

/* Without strips: between two that show both ends, in their order. */
static void test_order(void)
{
    film *f = film_new("..--..");
    f->spine.heard = false;
    shoot(f, 1, NO, NO, false);
    shoot(f, NO, NO, NO, false);
    shoot(f, NO, NO, NO, false);
    shoot(f, 2, NO, NO, false);
    check(f, "102 103", "3113");
    f = film_new("..--..");
    f->spine.heard = false; /* which of the two is it? */
    shoot(f, 1, NO, NO, false);
    shoot(f, NO, NO, NO, false);
    shoot(f, 2, NO, NO, false);
    check(f, "- -", "343");
    f = film_new("..-..");
    f->spine.heard = false; /* nothing tells where the row ends */
    shoot(f, NO, NO, NO, false);
    shoot(f, 2, NO, NO, false);
    check(f, "-", "43");
}

/* The new stills, too, may show one frame twice. */
static void test_repeats(void)
{
    film *f = film_new("..-..");
    shoot(f, NO, 1, NO, false);
    shoot(f, NO, 1, 2, false);
    f->late[1].repeats = true;
    f->late[0].before = 2;
    check(f, "101", "13");
    f = film_new(".d-.."); /* and so may the old ones */
    shoot(f, NO, 1, 2, false);
    check(f, "101", "1");
}

/* What one card filled another does not fill again. */
static void test_two_cards(void)
{
    film *f = film_new("..---..");
    shoot(f, NO, 1, NO, false);
    g_autofree char *first = fill(f);
    g_assert_cmpstr(first, ==, "101 - -");
    f->n_late = 0;
    shoot(f, NO, 1, NO, false);
    shoot(f, NO, NO, NO, true);
    shoot(f, NO, NO, 2, true);
    for (size_t i = 0; i < 3; i++)
        f->late[i].still += 100;
    check(f, "101 202 203", "411");
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/place/gap", test_gap);
    g_test_add_func("/place/alone", test_alone);
    g_test_add_func("/place/length", test_length);
    g_test_add_func("/place/half", test_half);
    g_test_add_func("/place/bad", test_bad);
    g_test_add_func("/place/bad-beside-gap", test_bad_beside_gap);
    g_test_add_func("/place/good", test_good);
    g_test_add_func("/place/order", test_order);
    g_test_add_func("/place/repeats", test_repeats);
    g_test_add_func("/place/two-cards", test_two_cards);
    return g_test_run();
}
