/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "survey/place.h"

static bool is_good(const rw_spine *s, size_t i)
{
    return !s->bad[i] && !s->repeat[i];
}

/* First good position at or after i; count when there is none. */
static size_t good_from(const rw_spine *s, size_t i)
{
    while (i < s->count && !is_good(s, i))
        i++;
    return i;
}

/* May there be a frame between good positions a and b that the spine does not know of? */
static bool is_in_doubt(const rw_spine *s, size_t a, size_t b)
{
    for (size_t i = a == RW_NOWHERE ? 0 : a + 1; i <= b && i < s->count; i++)
        if (s->doubt[i])
            return true;
    return false;
}

GArray *rw_slots_new(const rw_spine *s)
{
    GArray *slots = g_array_new(FALSE, FALSE, sizeof(rw_slot));
    for (size_t i = 0; i < s->count; i++) {
        rw_slot slot = {good_from(s, i), RW_NOWHERE, 0, false};
        for (size_t k = 0; k < s->gap[i]; k++)
            g_array_append_val(slots, slot);
        slot.bad = i;
        if (s->bad[i] && !s->repeat[i])
            g_array_append_val(slots, slot);
    }
    return slots;
}

/* ---- a stretch between two good positions ---- */

typedef struct stretch {
    size_t a, b;        /* good positions; a RW_NOWHERE before the first, b count after the last */
    guint first, count; /* its slots */
} stretch;

typedef struct filler {
    GArray *slots;
    const rw_spine *spine;
    const rw_late *late;
    size_t n;
    rw_late_role *role;
} filler;

static rw_slot *slot_at(const filler *f, guint i)
{
    return &g_array_index(f->slots, rw_slot, i);
}

/* The position whose frame position i shows: the first of a run of repeats. */
static size_t original(const rw_spine *s, size_t i)
{
    while (i != RW_NOWHERE && i > 0 && i < s->count && s->repeat[i])
        i--;
    return i;
}

static bool shows(const filler *f, size_t i, size_t position)
{
    return i < f->n && position < f->spine->count &&
           original(f->spine, f->late[i].at) == original(f->spine, position);
}

/* Late still i shows the frame right after good position a. */
static bool starts(const filler *f, size_t i, size_t a)
{
    if (a == RW_NOWHERE)
        return false;
    return original(f->spine, f->late[i].after) == original(f->spine, a) ||
           (i > 0 && f->late[i].follows && shows(f, i - 1, a));
}

/* Late still i shows the frame right before good position b. */
static bool ends(const filler *f, size_t i, size_t b)
{
    if (b >= f->spine->count)
        return false;
    return f->late[i].before == b || (i + 1 < f->n && f->late[i + 1].follows && shows(f, i + 1, b));
}

/* A run of late stills, one frame of film after the other. */
typedef struct chain {
    size_t *at; /* indices of late stills; owned */
    size_t count;
    bool starts, ends; /* it hangs on the position before, after the stretch */
    bool beyond;       /* it runs on out of the stretch and its end was not seen */
} chain;

static void chain_clear(chain *c)
{
    g_free(c->at);
    *c = (chain){0};
}

/* It shows nothing that lies outside the stretch. */
static bool is_inner(const filler *f, size_t i, const stretch *s)
{
    size_t at = f->late[i].at;
    return at == RW_NOWHERE || ((s->a == RW_NOWHERE || at > s->a) && at < s->b);
}

/* From late still i forwards, repeats left out, up to the end of the stretch. */
static chain grow(const filler *f, const stretch *s, size_t i)
{
    chain c = {g_new(size_t, f->n + 1), 0, starts(f, i, s->a), false, false};
    for (size_t k = i; k < f->n && !c.ends; k++) {
        if (k > i && f->late[k].repeats)
            continue;
        c.beyond = (k == i || f->late[k].follows) && !is_inner(f, k, s);
        if (c.beyond || (k > i && !f->late[k].follows))
            break;
        c.at[c.count++] = k;
        c.ends = ends(f, k, s->b);
    }
    return c;
}

/* Whole ones first, then those that begin at the stretch's head, then the longer. */
static int worth(const chain *c)
{
    return c->count == 0 ? 0 : (c->starts && c->ends) * 4 + c->starts * 2 + c->ends;
}

/* Does the film itself say that late still k, in a row that began behind i, goes here? */
static bool confirms(const filler *f, size_t i, size_t k, const stretch *s)
{
    return f->late[k].follows || (k == i + 1 && starts(f, k, s->a)) || ends(f, k, s->b);
}

/* Order alone: late stills in a row between two that show the positions at both ends. When they are
 * fewer than the slots, half of them must say themselves where they go: one may have been left out.
 */
static chain by_order(const filler *f, const stretch *s)
{
    for (size_t i = 0; i < f->n; i++) {
        if (!shows(f, i, s->a))
            continue;
        chain c = {g_new(size_t, f->n + 1), 0, true, false, false};
        size_t k = i + 1, sure = 0;
        for (; k < f->n && !shows(f, k, s->b) && is_inner(f, k, s); k++) {
            if (f->late[k].repeats)
                continue;
            sure += confirms(f, i, k, s);
            c.at[c.count++] = k;
        }
        c.ends = shows(f, k, s->b);
        if (c.ends && c.count > 0 && (c.count >= s->count || 2 * sure >= c.count))
            return c;
        chain_clear(&c);
    }
    return (chain){0};
}

static chain best_chain(const filler *f, const stretch *s)
{
    chain best = {0};
    for (size_t i = 0; f->spine->heard && i < f->n; i++) {
        chain c = grow(f, s, i);
        int more = worth(&c) - worth(&best);
        if (worth(&c) > 0 && (more > 0 || (more == 0 && c.count > best.count))) {
            chain_clear(&best);
            best = c;
        } else {
            chain_clear(&c);
        }
    }
    chain ordered = best.starts && best.ends ? (chain){0} : by_order(f, s);
    if (ordered.count == 0)
        return best;
    chain_clear(&best);
    return ordered;
}

static void give(const filler *f, rw_slot *slot, size_t i)
{
    const rw_late *late = &f->late[i];
    if (slot->still || late->bad || f->role[i] != RW_LATE_UNPLACED)
        return;
    slot->still = late->still;
    slot->ahead = late->ahead;
    f->role[i] = slot->bad == RW_NOWHERE ? RW_LATE_FILLS : RW_LATE_REPLACES;
}

/* Late stills that carry a bad still's own grain need nobody's help. */
static void give_by_grain(const filler *f, const stretch *s)
{
    for (guint k = 0; k < s->count; k++) {
        rw_slot *slot = slot_at(f, s->first + k);
        for (size_t i = 0; slot->bad != RW_NOWHERE && i < f->n; i++)
            if (shows(f, i, slot->bad))
                give(f, slot, i);
    }
}

static guint count_open(const filler *f, const stretch *s)
{
    guint open = 0;
    for (guint k = 0; k < s->count; k++) {
        const rw_slot *slot = slot_at(f, s->first + k);
        open += slot->bad == RW_NOWHERE && slot->still == 0;
    }
    return open;
}

/* Where the slots that are lacking belong: before a bad still that the chain shows later than the
 * slots have it, or that the spine has doubts before; else at a gap that is there; else at the end.
 */
static guint place_to_grow(const filler *f, const stretch *s, const chain *c)
{
    for (guint k = 0; k < s->count; k++) {
        const rw_slot *slot = slot_at(f, s->first + k);
        if (slot->bad == RW_NOWHERE)
            return s->first + k;
        for (size_t j = k + 1; j < c->count; j++)
            if (shows(f, c->at[j], slot->bad))
                return s->first + k;
        if (f->spine->doubt[slot->bad] && !shows(f, c->at[k], slot->bad))
            return s->first + k;
    }
    return s->first + s->count;
}

/* A whole chain knows how many frames there are. False when that cannot be: then what the spine
 * says and what the chain says contradict each other. */
static bool fit_length(const filler *f, stretch *s, const chain *c)
{
    size_t length = c->count;
    guint open = count_open(f, s);
    bool may_grow = open > 0 || is_in_doubt(f->spine, s->a, s->b);
    while (s->count > length && open > 0) {
        guint k = s->first;
        while (slot_at(f, k)->bad != RW_NOWHERE || slot_at(f, k)->still != 0)
            k++;
        g_array_remove_index(f->slots, k);
        s->count--;
        open--;
    }
    if (s->count > length || (s->count < length && !may_grow))
        return false;
    guint at = place_to_grow(f, s, c);
    for (rw_slot slot = {s->b, RW_NOWHERE, 0, false}; s->count < length; s->count++)
        g_array_insert_val(f->slots, at, slot);
    return true;
}

/* A run that hangs on one end only: there are as many frames as it has; and where following is
 * plain to see, what does not reach the other end leaves one more open. */
static void leave_open(const filler *f, stretch *s, const chain *c)
{
    size_t side = c->starts ? s->b : s->a;
    bool may_grow = count_open(f, s) > 0 || is_in_doubt(f->spine, s->a, s->b);
    if (!may_grow || c->beyond || side >= f->spine->count)
        return;
    guint least = (guint)c->count + (f->spine->clear[side] ? 1 : 0);
    for (rw_slot slot = {s->b, RW_NOWHERE, 0, false}; s->count < least; s->count++)
        g_array_insert_val(f->slots, c->starts ? s->first + s->count : s->first, slot);
}

static void fill(const filler *f, stretch *s)
{
    give_by_grain(f, s);
    chain c = best_chain(f, s);
    bool whole = c.starts && c.ends;
    if (whole && fit_length(f, s, &c)) {
        for (guint k = 0; k < s->count; k++)
            give(f, slot_at(f, s->first + k), c.at[k]);
    } else if (!whole && c.starts) {
        leave_open(f, s, &c);
        for (size_t k = 0; k < MIN(c.count, s->count); k++)
            give(f, slot_at(f, s->first + (guint)k), c.at[k]);
    } else if (!whole && c.ends) {
        leave_open(f, s, &c);
        for (size_t k = 0; k < MIN(c.count, s->count); k++)
            give(f, slot_at(f, s->first + s->count - 1 - (guint)k), c.at[c.count - 1 - k]);
    }
    chain_clear(&c);
}

static bool is_spare(const filler *f, size_t i)
{
    size_t at = original(f->spine, f->late[i].at);
    if (at < f->spine->count && !f->spine->bad[at])
        return true;
    return i > 0 && f->late[i].repeats && f->role[i - 1] != RW_LATE_UNPLACED;
}

void rw_slots_fill(GArray *slots, const rw_spine *spine, const rw_late *late, size_t count,
                   rw_late_role *role)
{
    filler f = {slots, spine, late, count, role};
    for (size_t i = 0; i < count; i++)
        role[i] = RW_LATE_UNPLACED;
    guint next = 0;
    size_t a = RW_NOWHERE;
    for (size_t b = good_from(spine, 0);; b = good_from(spine, b + 1)) {
        stretch s = {a, b, next, 0};
        while (next + s.count < slots->len && slot_at(&f, next + s.count)->before == b)
            s.count++;
        if (s.count > 0 || is_in_doubt(spine, a, b))
            fill(&f, &s);
        next += s.count;
        if (b >= spine->count)
            break;
        a = b;
    }
    for (size_t i = 0; i < count; i++)
        if (role[i] == RW_LATE_UNPLACED && is_spare(&f, i))
            role[i] = RW_LATE_SPARE;
}
