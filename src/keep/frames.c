/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Film order at intake is capture order. The survey may find frames that are missing or doubled.
 */
#include <string.h>

#include "keep/intake.h"

enum { TOLD = 3 }; /* notes of one kind before "and so on" */

typedef struct shot_list {
    rw_shot *shots;
    const rw_still_row **rows; /* NULL: a number that is no still */
    size_t n;
} shot_list;

/* The card whose folder the source lies in, in the order in which they were first given. */
static int card_of(char *const *cards, const char *source)
{
    int best = 0;
    size_t longest = 0;
    for (int i = 0; cards[i]; i++) {
        size_t n = strlen(cards[i]);
        if (n > longest && strncmp(cards[i], source, n) == 0 && source[n] == '/') {
            best = i;
            longest = n;
        }
    }
    return best;
}

static rw_shot shot_of(const rw_still_row *row, char *const *cards)
{
    const char *path = row->source ? row->source : row->path;
    bool timed = row->captured_us != INT64_MIN;
    return (rw_shot){.path = path,
                     .card = card_of(cards, path),
                     .has_time = timed,
                     .has_subsec = timed && row->captured_us % 1000000 != 0,
                     .time_us = timed ? row->captured_us : 0};
}

bool rw_still_came_again(const GArray *rows, guint i)
{
    const rw_still_row *torn = &g_array_index(rows, rw_still_row, i);
    if ((torn->state != RW_STILL_UNREADABLE && torn->state != RW_STILL_DAMAGED) || torn->number < 0)
        return false;
    for (guint k = 0; k < rows->len; k++) {
        const rw_still_row *row = &g_array_index(rows, rw_still_row, k);
        bool timed = row->captured_us != INT64_MIN && torn->captured_us != INT64_MIN;
        bool same = timed ? row->captured_us == torn->captured_us
                          : row->source && g_strcmp0(row->source, torn->source) == 0;
        if (same && row->state == RW_STILL_GOOD && row->folder == torn->folder &&
            row->number == torn->number)
            return true;
    }
    return false;
}

static void list_shots(shot_list *list, const rw_intake_run *run, const GArray *rows,
                       char *const *cards)
{
    size_t most = (size_t)rows->len + run->files->len + 1;
    list->shots = g_new0(rw_shot, most);
    list->rows = g_new0(const rw_still_row *, most);
    for (guint i = 0; i < rows->len; i++) {
        const rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        if (row->state == RW_STILL_COMPANION || rw_still_came_again(rows, i))
            continue;
        list->rows[list->n] = row;
        list->shots[list->n++] = shot_of(row, cards);
    }
    for (guint i = 0; i < run->files->len; i++) { /* films and raw files explain numbers */
        const rw_card_file *f = &g_array_index(run->files, rw_card_file, i);
        int folder, number;
        rw_dcf_parse(f->source, &folder, &number);
        if (f->kind != RW_CARD_OTHER || number < 0)
            continue;
        rw_shot shot = rw_card_shot(f);
        shot.card = card_of(cards, f->source);
        list->shots[list->n++] = shot;
    }
}

static const char *path_at(const shot_list *list, const rw_order *order, size_t place)
{
    return place < order->count ? list->rows[order->shots[place]]->path : "the end";
}

static char *spell_step(int64_t us)
{
    if (us < 2 * 60 * INT64_C(1000000))
        return g_strdup_printf("%.3g s", (double)us * 1e-6);
    if (us < 120 * 60 * INT64_C(1000000))
        return g_strdup_printf("%.0f min", (double)us / 60e6);
    return g_strdup_printf("%.1f h", (double)us / 3600e6);
}

static char *spell_note(const rw_order_note *n, const char *path)
{
    g_autofree char *step = NULL;
    switch (n->kind) {
    case RW_ORDER_GAP:
        return g_strdup_printf("%" G_GINT64_FORMAT " %s missing before %s.", n->amount,
                               n->amount == 1 ? "number is" : "numbers are", path);
    case RW_ORDER_CLOCK_BACK:
        step = spell_step(n->amount);
        return g_strdup_printf("At %s the camera's clock goes back by %s; the numbers were "
                               "believed.",
                               path, step);
    case RW_ORDER_ROLLED:
        return g_strdup_printf("The camera's counter started again at %s%s.", path,
                               n->amount ? ", as far as numbers without times can tell" : "");
    case RW_ORDER_BY_CLOCK:
        return g_strdup_printf("From %s the names of %" G_GINT64_FORMAT " stills contradict the "
                               "camera's clock; the clock was believed.",
                               path, n->amount);
    case RW_ORDER_AS_GIVEN:
        return g_strdup_printf("Neither time nor number tells that %s comes next; the order of the "
                               "cards was taken as given.",
                               path);
    }
    g_assert_not_reached();
}

static void tell_notes(rw_intake_summary *s, const shot_list *list, const rw_order *order)
{
    int told[RW_ORDER_AS_GIVEN + 1] = {0};
    for (size_t i = 0; i < order->n_notes; i++) {
        const rw_order_note *n = &order->notes[i];
        if (n->kind == RW_ORDER_GAP) {
            s->gaps++;
            s->missing_numbers += n->amount;
        }
        if (told[n->kind]++ < TOLD)
            g_ptr_array_add(s->notes, spell_note(n, path_at(list, order, n->place)));
    }
    for (int k = 0; k <= RW_ORDER_AS_GIVEN; k++)
        if (told[k] > TOLD)
            g_ptr_array_add(s->notes,
                            g_strdup_printf("There are %d more places of this kind: %s.",
                                            told[k] - TOLD,
                                            k == RW_ORDER_GAP          ? "missing numbers"
                                            : k == RW_ORDER_CLOCK_BACK ? "the clock goes back"
                                                                       : "the order"));
}

static void find_pause(rw_intake_summary *s, const shot_list *list, const rw_order *order)
{
    const rw_still_row *before = NULL;
    for (size_t i = 0; i < order->count; i++) {
        const rw_still_row *row = list->rows[order->shots[i]];
        if (row->captured_us == INT64_MIN)
            continue;
        if (before && row->captured_us - before->captured_us > s->pause_us) {
            s->pause_us = row->captured_us - before->captured_us;
            g_free(s->pause_after);
            s->pause_after = g_strdup(before->path);
        }
        before = row;
    }
}

GArray *rw_order_frames(rw_intake_run *run, const GArray *rows, GError **error)
{
    g_auto(GStrv) cards = rw_meta_lines(run->reel, RW_META_CARDS, error);
    if (!cards)
        return NULL;
    shot_list list = {0};
    list_shots(&list, run, rows, cards);
    rw_order *order = rw_order_shots(list.shots, list.n);
    GArray *frames = g_array_new(FALSE, FALSE, sizeof(rw_frame_row));
    for (size_t i = 0; i < order->count; i++) {
        rw_frame_row frame = {
            .n = (int64_t)i, .still = list.rows[order->shots[i]]->id, .doubled_of = -1};
        g_array_append_val(frames, frame);
    }
    tell_notes(run->summary, &list, order);
    find_pause(run->summary, &list, order);
    run->summary->order_confidence = order->confidence;
    rw_order_free(&order);
    g_free(list.shots);
    g_free(list.rows);
    return frames;
}
