/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Capture order in three steps. A run is what one folder holds, in the order of its counter. A
 * series is the runs of one card under one parent folder, in the order of the folders' numbers.
 * The series are then woven into one order run by run. See still.h for the rules.
 */
#include <math.h>
#include <string.h>

#include <reelwright/still.h>

enum { DCF_FREE = 4, DCF_DIGITS = 4, LAST_NUMBER = 9999 };

/* ---- names ---- */

static bool free_characters(const char *text, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (!g_ascii_isalnum(text[i]) && text[i] != '_')
            return false;
    return true;
}

/* The value of exactly n digits at text, -1 when they are not all digits. */
static int digits(const char *text, size_t n)
{
    int value = 0;
    for (size_t i = 0; i < n; i++) {
        if (!g_ascii_isdigit(text[i]))
            return -1;
        value = value * 10 + (text[i] - '0');
    }
    return value;
}

/* 0..9999, or -1. Number 0 is not DCF, but it is a counter all the same. */
static int file_counter(const char *name)
{
    const char *dot = strrchr(name, '.');
    size_t length = dot ? (size_t)(dot - name) : strlen(name);
    if (length != DCF_FREE + DCF_DIGITS || !free_characters(name, DCF_FREE))
        return -1;
    return digits(name + DCF_FREE, DCF_DIGITS);
}

static int folder_number(const char *name)
{
    if (strlen(name) != 8 || !free_characters(name + 3, 5))
        return -1;
    int number = digits(name, 3);
    return number >= 100 ? number : -1;
}

void rw_dcf_parse(const char *path, int *folder, int *number)
{
    g_autofree char *name = g_path_get_basename(path);
    g_autofree char *parent = g_path_get_dirname(path);
    g_autofree char *parent_name = g_path_get_basename(parent);
    int counter = file_counter(name);
    *folder = folder_number(parent_name);
    *number = counter >= 1 ? counter : -1;
}

/* Two runs of digits as numbers of any length; the texts move past them. */
static int compare_digits(const char **a, const char **b)
{
    while (**a == '0')
        (*a)++;
    while (**b == '0')
        (*b)++;
    const char *x = *a, *y = *b;
    while (g_ascii_isdigit(**a))
        (*a)++;
    while (g_ascii_isdigit(**b))
        (*b)++;
    ptrdiff_t nx = *a - x, ny = *b - y;
    if (nx != ny)
        return nx < ny ? -1 : 1;
    return memcmp(x, y, (size_t)nx);
}

int rw_natural_compare(const char *a, const char *b)
{
    const char *p = a, *q = b;
    while (*p && *q) {
        int order;
        if (g_ascii_isdigit(*p) && g_ascii_isdigit(*q)) {
            order = compare_digits(&p, &q);
        } else {
            order = (int)(guchar)g_ascii_tolower(*p) - (int)(guchar)g_ascii_tolower(*q);
            p++;
            q++;
        }
        if (order)
            return order < 0 ? -1 : 1;
    }
    if (*p || *q)
        return *p ? 1 : -1;
    int order = strcmp(a, b); /* alike but for case or leading zeros */
    return (order > 0) - (order < 0);
}

/* ---- runs ---- */

typedef struct entry {
    const rw_shot *shot;
    size_t index; /* in what was given */
    char *folder; /* directory of the file */
    const char *name;
    int folder_number, counter; /* -1: not DCF */
} entry;

typedef struct run {
    entry **items; /* point into the entries */
    size_t n;
    bool counted;  /* ordered by counter */
    size_t rolled; /* item before which the counter started again, 0 none */
    bool roll_guessed, by_clock;
    bool timed;     /* at least one item has a time */
    int64_t median; /* of the times */
} run;

typedef struct series {
    int card;
    char *root; /* the folder that holds the folders */
    run *runs;
    size_t n, next;
} series;

static int compare_folders(const entry *x, const entry *y)
{
    if (x->shot->card != y->shot->card)
        return x->shot->card < y->shot->card ? -1 : 1;
    g_autofree char *rx = g_path_get_dirname(x->folder);
    g_autofree char *ry = g_path_get_dirname(y->folder);
    int order = rw_natural_compare(rx, ry);
    if (order)
        return order;
    /* numbered folders first, by number */
    if (x->folder_number != y->folder_number) {
        unsigned a = (unsigned)x->folder_number, b = (unsigned)y->folder_number;
        return a < b ? -1 : 1; /* -1 becomes the largest */
    }
    return rw_natural_compare(x->folder, y->folder);
}

static int compare_entries(const void *a, const void *b)
{
    const entry *x = a, *y = b;
    int order = compare_folders(x, y);
    if (order)
        return order;
    order = rw_natural_compare(x->name, y->name);
    if (order)
        return order;
    if (x->shot->has_time != y->shot->has_time)
        return x->shot->has_time ? -1 : 1;
    if (x->shot->time_us != y->shot->time_us)
        return x->shot->time_us < y->shot->time_us ? -1 : 1;
    /* one file twice, or paths such as "a//b"; nothing may hang on which came first */
    order = strcmp(x->shot->path, y->shot->path);
    if (order)
        return order;
    return 2 * (x->shot->no_picture - y->shot->no_picture) +
           (x->shot->has_subsec - y->shot->has_subsec);
}

static int compare_counters(const void *a, const void *b)
{
    const entry *x = *(entry *const *)a, *y = *(entry *const *)b;
    if (x->counter != y->counter)
        return x->counter < y->counter ? -1 : 1;
    return compare_entries(x, y);
}

static int compare_clocks(const void *a, const void *b)
{
    const entry *x = *(entry *const *)a, *y = *(entry *const *)b;
    if (x->shot->time_us != y->shot->time_us)
        return x->shot->time_us < y->shot->time_us ? -1 : 1;
    return compare_entries(x, y);
}

/* A time without a fraction stands for the whole second that follows it. */
static bool earlier(const rw_shot *x, const rw_shot *y)
{
    if (!x->has_time || !y->has_time)
        return false;
    int64_t end = x->time_us + (x->has_subsec ? 0 : 999999);
    return end < y->time_us;
}

static size_t steps_back(entry *const *items, size_t n)
{
    size_t back = 0;
    for (size_t i = 1; i < n; i++)
        if (earlier(items[i]->shot, items[i - 1]->shot))
            back++;
    return back;
}

static size_t count_timed(entry *const *items, size_t n)
{
    size_t timed = 0;
    for (size_t i = 0; i < n; i++)
        timed += items[i]->shot->has_time ? 1 : 0;
    return timed;
}

static int missing_between(int from, int to, int modulus)
{
    int step = to - from;
    if (step < 0)
        step += modulus;
    return MAX(step - 1, 0);
}

/* How many numbers there are in a round: 0 is a number only where it is used. */
static int modulus_of(const run *r)
{
    for (size_t i = 0; i < r->n; i++)
        if (r->items[i]->counter == 0)
            return LAST_NUMBER + 1;
    return LAST_NUMBER;
}

/* Rolling over at item s puts items s.. before items 0..s-1. The place where the times of the two
 * parts are most clearly the other way round; 0 when there is none. Only holes at least as large as
 * the one across 9999 are looked at: a wrong clock alone never turns a folder round. */
static size_t roll_by_clock(const run *r, int across, int modulus)
{
    size_t best = 0;
    int64_t benefit = 0, most = 0;
    for (size_t s = 1; s < r->n; s++) {
        /* item s-1 joins the lower part: pairs with the lower part go, pairs with the upper come */
        const rw_shot *joins = r->items[s - 1]->shot;
        for (size_t i = 0; i < r->n; i++) {
            const rw_shot *other = r->items[i]->shot;
            int sign = earlier(other, joins) - earlier(joins, other);
            benefit += i < s - 1 ? sign * 1 : (i >= s ? sign : 0);
        }
        if (benefit > most &&
            missing_between(r->items[s - 1]->counter, r->items[s]->counter, modulus) >= across) {
            most = benefit;
            best = s;
        }
    }
    return best;
}

static size_t largest_hole(const run *r, int modulus)
{
    size_t at = 0;
    int largest = 0;
    for (size_t s = 1; s < r->n; s++) {
        int hole = missing_between(r->items[s - 1]->counter, r->items[s]->counter, modulus);
        if (hole > largest) {
            largest = hole;
            at = s;
        }
    }
    return at;
}

static void rotate(run *r, size_t s)
{
    g_autofree entry **turned = g_new(entry *, r->n);
    memcpy(turned, r->items + s, (r->n - s) * sizeof *turned);
    memcpy(turned + (r->n - s), r->items, s * sizeof *turned);
    memcpy(r->items, turned, r->n * sizeof *turned);
    r->rolled = r->n - s;
}

static void roll_over(run *r)
{
    if (r->n < 2)
        return;
    int modulus = modulus_of(r);
    int across = missing_between(r->items[r->n - 1]->counter, r->items[0]->counter, modulus);
    size_t s = 0;
    if (count_timed(r->items, r->n) >= 2) {
        if (steps_back(r->items, r->n) > 0)
            s = roll_by_clock(r, across, modulus);
    } else if (across == 0) {
        s = largest_hole(r, modulus);
        r->roll_guessed = s > 0;
    }
    if (s > 0)
        rotate(r, s);
}

static bool counters_differ(entry *const *items, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (items[i]->counter < 0 || (i > 0 && items[i]->counter == items[i - 1]->counter))
            return false;
    return true;
}

static int compare_times(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

static void find_median(run *r)
{
    g_autofree int64_t *times = g_new(int64_t, r->n);
    size_t n = 0;
    for (size_t i = 0; i < r->n; i++)
        if (r->items[i]->shot->has_time)
            times[n++] = r->items[i]->shot->time_us;
    r->timed = n > 0;
    if (n == 0)
        return;
    qsort(times, n, sizeof *times, compare_times);
    r->median = times[(n - 1) / 2];
}

/* items are in natural order of their names. */
static void order_run(run *r)
{
    g_autofree entry **by_name = g_memdup2(r->items, r->n * sizeof *by_name);
    qsort(r->items, r->n, sizeof *r->items, compare_counters);
    r->counted = counters_differ(r->items, r->n);
    if (r->counted) {
        roll_over(r);
    } else {
        memcpy(r->items, by_name, r->n * sizeof *by_name);
        if (count_timed(r->items, r->n) == r->n && steps_back(r->items, r->n) * 10 > r->n) {
            qsort(r->items, r->n, sizeof *r->items, compare_clocks);
            r->by_clock = true;
        }
    }
    find_median(r);
}

/* ---- series ---- */

static void clear_series(series *s)
{
    for (size_t i = 0; i < s->n; i++)
        g_free(s->runs[i].items);
    g_free(s->runs);
    g_free(s->root);
}

static run *add_run(series *s)
{
    s->runs = g_renew(run, s->runs, s->n + 1);
    s->runs[s->n] = (run){0};
    return &s->runs[s->n++];
}

/* entries are sorted; every folder becomes a run, every parent folder of a card a series. A folder
 * in which only some names count is two runs: what counts, then the rest. */
static GArray *make_series(entry *entries, size_t count)
{
    GArray *all = g_array_new(FALSE, TRUE, sizeof(series));
    g_array_set_clear_func(all, (GDestroyNotify)clear_series);
    for (size_t first = 0, end; first < count; first = end) {
        const entry *e = &entries[first];
        end = first + 1;
        while (end < count && entries[end].shot->card == e->shot->card &&
               g_str_equal(entries[end].folder, e->folder))
            end++;
        g_autofree char *root = g_path_get_dirname(e->folder);
        series *s = all->len ? &g_array_index(all, series, all->len - 1) : NULL;
        if (!s || s->card != e->shot->card || !g_str_equal(s->root, root)) {
            series fresh = {.card = e->shot->card, .root = g_strdup(root)};
            g_array_append_val(all, fresh);
            s = &g_array_index(all, series, all->len - 1);
        }
        for (int counted = 1; counted >= 0; counted--) {
            run *r = NULL;
            for (size_t i = first; i < end; i++) {
                if ((entries[i].counter >= 0) != counted)
                    continue;
                if (!r) {
                    r = add_run(s);
                    r->items = g_new(entry *, end - first);
                }
                r->items[r->n++] = &entries[i];
            }
            if (r)
                order_run(r);
        }
    }
    return all;
}

static bool all_timed(const GArray *all)
{
    for (guint i = 0; i < all->len; i++) {
        const series *s = &g_array_index(all, series, i);
        for (size_t k = 0; k < s->n; k++)
            if (!s->runs[k].timed)
                return false;
    }
    return true;
}

static const entry *first_of(const series *s)
{
    return s->runs[0].items[0];
}

static const entry *last_of(const series *s)
{
    const run *r = &s->runs[s->n - 1];
    return r->items[r->n - 1];
}

/* The counter runs on from the end of one series to the start of the other. */
static bool runs_on(const series *from, const series *to)
{
    const entry *a = last_of(from), *b = first_of(to);
    if (a->counter < 0 || b->counter < 0)
        return false;
    if (a->folder_number >= 0 && b->folder_number >= 0 && b->folder_number != a->folder_number &&
        b->folder_number != a->folder_number + 1)
        return false;
    return b->counter == a->counter + 1 || (a->counter == LAST_NUMBER && b->counter <= 1);
}

/* The order of the series when times cannot tell: chains of counters that run on, the chains in the
 * order of their first series as given. guessed[i] is set where nothing but that tells. */
static void chain(const GArray *all, size_t *order, bool *guessed)
{
    size_t n = all->len, placed = 0;
    g_autofree bool *done = g_new0(bool, n);
    g_autofree bool *follows = g_new0(bool, n);
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++)
            if (i != j && runs_on(&g_array_index(all, series, j), &g_array_index(all, series, i)))
                follows[i] = true;
    for (int pass = 0; pass < 2; pass++) /* heads of chains; then what is left of a full circle */
        for (size_t i = 0; i < n; i++) {
            if (done[i] || (pass == 0 && follows[i]))
                continue;
            guessed[placed] = placed > 0;
            for (size_t at = i, next; at < n; at = next) {
                done[at] = true;
                order[placed++] = at;
                next = n;
                for (size_t j = n; j-- > 0;)
                    if (!done[j] &&
                        runs_on(&g_array_index(all, series, at), &g_array_index(all, series, j)))
                        next = j;
            }
        }
}

/* ---- one order ---- */

typedef struct builder {
    rw_order *order;
    GArray *notes;
    const entry *last;
    const run *last_run;
    const series *last_series;
    bool disagree, guessed;
    size_t timed;
    bool uncounted; /* some have neither a counter nor a time to go by */
    GArray *shots;
} builder;

static void note(builder *b, rw_order_kind kind, int64_t amount)
{
    rw_order_note n = {kind, b->shots->len, amount};
    g_array_append_val(b->notes, n);
}

/* Numbers missing between two shots; the first of another folder may start afresh at 1. */
static int gap_before(const builder *b, const entry *e, const run *r, size_t at)
{
    const entry *a = b->last;
    if (!a || !r->counted || !b->last_run->counted)
        return 0;
    if (r == b->last_run)
        return at == r->rolled ? missing_between(a->counter, e->counter, modulus_of(r))
                               : MAX(e->counter - a->counter - 1, 0);
    if (e->counter <= 1 || e->counter <= a->counter)
        return 0;
    return e->counter - a->counter - 1;
}

static void add(builder *b, const series *s, const run *r, size_t at)
{
    const entry *e = r->items[at];
    int gap = gap_before(b, e, r, at);
    bool same_card = b->last_series == s;
    const entry *before = b->last;
    b->last = e;
    b->last_run = r;
    b->last_series = s;
    if (gap > 0 && (same_card || gap < LAST_NUMBER / 10))
        note(b, RW_ORDER_GAP, gap);
    if (r->rolled > 0 && at == r->rolled)
        note(b, RW_ORDER_ROLLED, r->roll_guessed);
    if (e->shot->no_picture)
        return;
    if (before && earlier(e->shot, before->shot)) {
        note(b, RW_ORDER_CLOCK_BACK, before->shot->time_us - e->shot->time_us);
        b->disagree = true;
    }
    b->timed += e->shot->has_time ? 1 : 0;
    if (!r->counted && !e->shot->has_time)
        b->uncounted = true;
    g_array_append_val(b->shots, e->index);
}

static void add_run_items(builder *b, const series *s, const run *r)
{
    if (r->by_clock) {
        note(b, RW_ORDER_BY_CLOCK, (int64_t)r->n);
        b->disagree = true;
    }
    b->guessed |= r->roll_guessed;
    for (size_t i = 0; i < r->n; i++)
        add(b, s, r, i);
}

/* Runs by the median of their times; runs of one series keep their order. A few wrong times in a
 * folder move nothing. */
static void weave_by_time(builder *b, GArray *all)
{
    for (;;) {
        series *best = NULL;
        for (guint i = 0; i < all->len; i++) {
            series *s = &g_array_index(all, series, i);
            if (s->next < s->n &&
                (!best || s->runs[s->next].median < best->runs[best->next].median))
                best = s;
        }
        if (!best)
            return;
        add_run_items(b, best, &best->runs[best->next++]);
    }
}

static void weave_by_counter(builder *b, const GArray *all)
{
    g_autofree size_t *order = g_new0(size_t, all->len);
    g_autofree bool *guessed = g_new0(bool, all->len);
    chain(all, order, guessed);
    for (guint i = 0; i < all->len; i++) {
        const series *s = &g_array_index(all, series, order[i]);
        if (guessed[i]) {
            note(b, RW_ORDER_AS_GIVEN, 0);
            b->guessed = true;
        }
        for (size_t k = 0; k < s->n; k++)
            add_run_items(b, s, &s->runs[k]);
    }
}

static double confidence(const builder *b)
{
    if (b->guessed || b->uncounted)
        return 0.5;
    if (b->disagree)
        return 0.7;
    if (b->timed == b->shots->len)
        return 1.0;
    return b->timed > 0 ? 0.9 : 0.8;
}

static entry *make_entries(const rw_shot *shots, size_t count)
{
    entry *entries = g_new0(entry, MAX(count, 1));
    for (size_t i = 0; i < count; i++) {
        entry *e = &entries[i];
        const char *slash = strrchr(shots[i].path, '/');
        e->shot = &shots[i];
        e->index = i;
        e->name = slash ? slash + 1 : shots[i].path;
        e->folder = g_path_get_dirname(shots[i].path);
        e->counter = file_counter(e->name);
        g_autofree char *folder_name = g_path_get_basename(e->folder);
        e->folder_number = folder_number(folder_name);
    }
    qsort(entries, count, sizeof *entries, compare_entries);
    return entries;
}

rw_order *rw_order_shots(const rw_shot *shots, size_t count)
{
    g_return_val_if_fail(shots || count == 0, NULL);
    entry *entries = make_entries(shots, count);
    GArray *all = make_series(entries, count);
    builder b = {.order = g_new0(rw_order, 1),
                 .notes = g_array_new(FALSE, FALSE, sizeof(rw_order_note)),
                 .shots = g_array_new(FALSE, FALSE, sizeof(size_t))};
    if (all->len == 1 || all_timed(all))
        weave_by_time(&b, all);
    else
        weave_by_counter(&b, all);
    b.order->confidence = confidence(&b);
    b.order->count = b.shots->len;
    b.order->n_notes = b.notes->len;
    b.order->shots = (size_t *)(void *)g_array_free(b.shots, FALSE);
    b.order->notes = (rw_order_note *)(void *)g_array_free(b.notes, FALSE);
    g_array_unref(all);
    for (size_t i = 0; i < count; i++)
        g_free(entries[i].folder);
    g_free(entries);
    return b.order;
}

void rw_order_free(rw_order **order)
{
    if (!*order)
        return;
    g_free((*order)->shots);
    g_free((*order)->notes);
    g_clear_pointer(order, g_free);
}
