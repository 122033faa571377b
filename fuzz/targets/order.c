/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Capture order of any names and times. One shot a line: card digit, 't' timed, 's' timed with a
 * fraction, 'n' timed but no picture, '-' without a time; a number; a blank; the path.
 */
#include <string.h>

#include <reelwright/still.h>

#include "target.h"

enum { MOST_SHOTS = 300 };

static rw_shot parse(char *line)
{
    rw_shot shot = {.path = ""};
    char *rest = line;
    if (line[0] && line[1]) {
        shot.card = line[0] & 7;
        shot.has_time = line[1] != '-';
        shot.has_subsec = line[1] == 's';
        shot.no_picture = line[1] == 'n';
        shot.time_us = g_ascii_strtoll(line + 2, &rest, 10) / 4; /* differences must not overflow */
    }
    shot.path = *rest == ' ' ? rest + 1 : rest;
    return shot;
}

/* Every shot with a picture has exactly one place; notes are by place. */
static void check_order(const rw_order *order, const rw_shot *shots, size_t n)
{
    g_autofree bool *placed = g_new0(bool, n + 1);
    size_t pictures = 0;
    for (size_t i = 0; i < n; i++)
        pictures += shots[i].no_picture ? 0 : 1;
    g_assert_cmpuint(order->count, ==, pictures);
    for (size_t i = 0; i < order->count; i++) {
        g_assert_cmpuint(order->shots[i], <, n);
        g_assert_false(placed[order->shots[i]] || shots[order->shots[i]].no_picture);
        placed[order->shots[i]] = true;
    }
    for (size_t i = 0; i < order->n_notes; i++) {
        g_assert_cmpuint(order->notes[i].place, <=, order->count);
        g_assert_true(i == 0 || order->notes[i].place >= order->notes[i - 1].place);
        g_assert_true(order->notes[i].amount >= 0);
    }
    g_assert_true(order->confidence >= 0.5 && order->confidence <= 1);
}

static bool same_shot(const rw_shot *a, const rw_shot *b)
{
    return g_str_equal(a->path, b->path) && a->card == b->card && a->has_time == b->has_time &&
           a->has_subsec == b->has_subsec && a->time_us == b->time_us;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    g_autofree char *text = g_strndup((const char *)data, size);
    g_auto(GStrv) lines = g_strsplit(text, "\n", MOST_SHOTS);
    rw_shot shots[MOST_SHOTS], back[MOST_SHOTS];
    size_t n = 0;
    for (; lines[n]; n++)
        shots[n] = parse(lines[n]);
    for (size_t i = 0; i < n; i++)
        back[i] = shots[n - 1 - i];
    rw_order *order = rw_order_shots(shots, n), *again = rw_order_shots(back, n);
    check_order(order, shots, n);
    check_order(again, back, n);
    for (size_t i = 0; i < order->count; i++)
        g_assert_true(same_shot(&shots[order->shots[i]], &back[again->shots[i]]));
    g_assert_cmpuint(order->n_notes, ==, again->n_notes);
    rw_order_free(&order);
    rw_order_free(&again);
    return 0;
}
