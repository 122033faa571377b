/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "survey/conclude.h"
#include "survey/falloff.h"
#include "survey/finding.h"
#include "survey/hue.h"
#include "survey/json_text.h"
#include "survey/reshot.h"
#include "survey/steady.h"
#include "survey/store.h"

typedef struct conclusion {
    rw_reel *reel;
    rw_track *track;
    rw_limits limits;
    rw_verdicts *verdicts;
    GArray *judged;    /* rw_finding_row of before */
    rw_reshot *reshot; /* what was shot again, and the places that want or have it */
    size_t *gap;       /* frames of the film before each position that the spine does not show */
    guint *gap_slot;   /* the first of their slots */
    int64_t *instead;  /* still that stands in the place of each position's own, 0 none */
    size_t *again;     /* position of that still, when it is the frame's own repeat; else 0 */
    int64_t *frame;    /* frame number of each position */
    bool *repeats;     /* shows the same film frame as the position before */
    rw_survey_summary *summary;
} conclusion;

/* ---- what a person said ---- */

static bool load_limits(rw_reel *reel, rw_limits *limits, GError **error)
{
    rw_limits_init(limits);
    for (int i = 0; i < RW_LIMITS; i++) {
        g_autoptr(GError) inner = NULL;
        const rw_survey_setting *s = &rw_survey_settings()[i];
        g_autofree char *text = rw_reel_get_choice(reel, "reel", s->key, &inner);
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
        if (text)
            limits->v[i] = CLAMP(g_ascii_strtod(text, NULL), s->least, s->most);
    }
    return true;
}

/* The state that a finding of this kind on this still was given before; NULL none. */
static const char *judged_state(const conclusion *c, rw_kind kind, int64_t still)
{
    for (guint i = 0; i < c->judged->len; i++) {
        const rw_finding_row *row = &g_array_index(c->judged, rw_finding_row, i);
        if (row->still == still && g_strcmp0(row->kind, rw_finding_kinds()[kind].name) == 0)
            return row->state;
    }
    return NULL;
}

/* A person's word goes over the survey's: a dismissed gap is closed again, a confirmed one opened.
 */
static void listen(conclusion *c)
{
    for (size_t i = 0; i < rw_verdicts_count(c->verdicts); i++) {
        rw_verdict *v = rw_verdicts_get(c->verdicts, i);
        const char *state = judged_state(c, v->kind, c->track->still[v->anchor]);
        v->dismissed = g_strcmp0(state, "dismissed") == 0;
        if (v->dismissed)
            v->sure = false;
        else if (g_strcmp0(state, "confirmed") == 0)
            v->sure = true;
    }
}

/* ---- film order ---- */

static const rw_slot *slot_at(const conclusion *c, guint i)
{
    return &g_array_index(c->reshot->slots, rw_slot, i);
}

/* Slots belong to the position that they stand before, or in the place of. */
static void read_slots(conclusion *c)
{
    size_t count = c->track->count;
    guint slots = c->reshot->slots->len, s = 0;
    c->gap = g_new0(size_t, count + 1);
    c->gap_slot = g_new0(guint, count + 1);
    c->instead = g_new0(int64_t, count + 1);
    for (size_t i = 0; i <= count; i++) {
        guint next = s;
        while (next < slots && slot_at(c, next)->bad == RW_NOWHERE && slot_at(c, next)->before >= i)
            next++;
        bool wants = next < slots && slot_at(c, next)->bad == i;
        if (!wants && !(s < slots && slot_at(c, s)->before == i))
            continue;
        c->gap_slot[i] = s;
        while (s < slots && slot_at(c, s)->bad == RW_NOWHERE &&
               (wants || slot_at(c, s)->before == i)) {
            c->gap[i]++;
            s++;
        }
        if (wants)
            c->instead[i] = slot_at(c, s++)->still;
    }
}

static void number_frames(conclusion *c)
{
    size_t count = c->track->count;
    c->frame = g_new0(int64_t, count + 1);
    c->repeats = g_new0(bool, count + 1);
    for (size_t i = 0; i < rw_verdicts_count(c->verdicts); i++) {
        const rw_verdict *v = rw_verdicts_get(c->verdicts, i);
        if (v->kind == RW_KIND_DOUBLED && v->sure)
            c->repeats[v->first] = true;
    }
    int64_t n = 0;
    for (size_t i = 0; i < count; i++) {
        n += (int64_t)c->gap[i];
        c->frame[i] = n++;
    }
    c->summary->frames = n;
}

/* Does a verdict that asks for a new still lie on position i? */
static bool is_unfit(const conclusion *c, size_t i)
{
    static const rw_kind kinds[] = {RW_KIND_SMEARED, RW_KIND_SOFT, RW_KIND_UNREADABLE};
    for (size_t v = 0; v < rw_verdicts_count(c->verdicts); v++) {
        const rw_verdict *verdict = rw_verdicts_get(c->verdicts, v);
        for (size_t k = 0; k < G_N_ELEMENTS(kinds); k++)
            if (verdict->kind == kinds[k] && !verdict->dismissed && verdict->first <= i &&
                i <= verdict->last)
                return true;
    }
    return false;
}

/* Of a frame that was taken twice the good still is shown, whichever of the two it is. */
static void choose_among_repeats(conclusion *c)
{
    size_t count = c->track->count;
    c->again = g_new0(size_t, count + 1);
    for (size_t i = 1; i < count; i++) {
        size_t head = i - 1;
        if (!c->repeats[i])
            continue;
        while (head > 0 && c->repeats[head])
            head--;
        if (c->instead[head] || !is_unfit(c, head) || is_unfit(c, i))
            continue;
        c->instead[head] = c->track->still[i];
        c->again[head] = i;
    }
}

static bool put_frames(conclusion *c, GError **error)
{
    const rw_track *t = c->track;
    GArray *rows = g_array_new(FALSE, FALSE, sizeof(rw_frame_row));
    int64_t shown = 0; /* frame whose picture the current run of repeats shows */
    for (size_t i = 0; i < t->count; i++) {
        for (size_t k = 0; k < c->gap[i]; k++) {
            rw_frame_row row = {rows->len, slot_at(c, c->gap_slot[i] + (guint)k)->still, -1, 0};
            g_array_append_val(rows, row);
            c->summary->missing += row.still == 0;
        }
        rw_frame_row row = {rows->len, t->still[i], -1, 0};
        if (c->instead[i]) {
            row.still = c->instead[i];
            row.replaced = t->still[i];
        }
        if (c->repeats[i]) {
            row.doubled_of = shown;
            c->summary->doubled++;
        } else {
            shown = row.n;
        }
        g_array_append_val(rows, row);
    }
    bool ok = rw_reel_set_frames(c->reel, (const rw_frame_row *)(const void *)rows->data, rows->len,
                                 error);
    g_array_unref(rows);
    return ok;
}

/* ---- geometry, scenes, up ---- */

static bool put_fit(conclusion *c, int64_t n, const rw_gate_fit *fit, GError **error)
{
    rw_geometry_row row = {
        .n = n, .film_to_still = fit->film_to_still, .confidence = fit->confidence};
    g_strlcpy(row.method, rw_gate_method_name(fit->method), sizeof row.method);
    return rw_reel_put_geometry(c->reel, &row, error);
}

static bool put_late_fit(conclusion *c, int64_t n, int64_t still, GError **error)
{
    const rw_reshot_still *late = still ? rw_reshot_find(c->reshot, still) : NULL;
    return !late || put_fit(c, n, &late->fit, error);
}

static bool put_geometry(conclusion *c, GError **error)
{
    const rw_track *t = c->track;
    if (!rw_reel_clear_geometry(c->reel, error))
        return false;
    bool ok = true;
    for (size_t i = 0; ok && i < t->count; i++) {
        int64_t first = c->frame[i] - (int64_t)c->gap[i];
        for (size_t k = 0; ok && k < c->gap[i]; k++)
            ok = put_late_fit(c, first + (int64_t)k, slot_at(c, c->gap_slot[i] + (guint)k)->still,
                              error);
        const rw_gate_fit *own = &t->fit[c->again[i] ? c->again[i] : i];
        bool late = c->instead[i] && !c->again[i];
        ok = ok && (late ? put_late_fit(c, c->frame[i], c->instead[i], error)
                         : put_fit(c, c->frame[i], own, error));
    }
    return ok;
}

static bool put_number(rw_reel *reel, const char *key, double value, GError **error)
{
    g_autoptr(GString) text = g_string_new(NULL);
    if (isnan(value))
        return rw_reel_put_meta(reel, key, "", error);
    rw_json_number(text, value, 7);
    return rw_reel_put_meta(reel, key, text->str, error);
}

static bool put_summary(conclusion *c, GError **error)
{
    const rw_gate_summary *s = &c->track->summary;
    static const char *const sides[] = {"unknown", "left", "right", "top", "bottom"};
    return rw_reel_put_meta(c->reel, "gate.side", sides[CLAMP((int)s->side, 0, 4)], error) &&
           put_number(c->reel, "gate.px_per_mm", s->px_per_mm, error) &&
           put_number(c->reel, "gate.shrinkage", s->shrinkage, error) &&
           put_number(c->reel, "gate.weave_across", s->weave_across, error) &&
           put_number(c->reel, "gate.weave_along", s->weave_along, error);
}

/* Time runs to the side on which the next picture's strip is found again. */
static bool put_way_up(conclusion *c, GError **error)
{
    const rw_track *t = c->track;
    g_autofree rw_way_up_vote *votes = g_new0(rw_way_up_vote, t->count + 1);
    for (size_t i = 0; i < t->count; i++) {
        double far = rw_track_value(t, i, RW_M_FAR), near = rw_track_value(t, i, RW_M_NEAR);
        votes[i].valid = !isnan(far) || !isnan(near);
        votes[i].with_y = isnan(far) ? 0 : far;
        votes[i].against_y = isnan(near) ? 0 : near;
    }
    /* without a perforation nothing tells where the next picture would have been looked for */
    bool certain = false, placed = rw_ladder_has_holes(t->sight, t->count);
    int up = rw_way_up_decide(placed ? t->summary.side : RW_SIDE_UNKNOWN, votes,
                              placed ? t->count : 0, &certain);
    return rw_reel_put_meta(c->reel, "way_up", up < 0 ? "-1" : "1", error) &&
           rw_reel_put_meta(c->reel, "way_up.certain", certain ? "1" : "0", error);
}

/* First frame of the scene that begins at position i: stills shot again at the end of its gap may
 * belong to it already. */
static int64_t scene_head(const conclusion *c, size_t i)
{
    int64_t n = c->frame[i];
    for (size_t k = c->gap[i]; k > 0; k--, n--) {
        const rw_slot *slot = slot_at(c, c->gap_slot[i] + (guint)k - 1);
        if (!slot->still || !slot->ahead)
            break;
    }
    return n;
}

static bool put_scenes(conclusion *c, GError **error)
{
    const rw_track *t = c->track;
    GArray *old = rw_reel_scenes(c->reel, error);
    if (!old)
        return false;
    bool by_hand = false;
    for (guint i = 0; i < old->len; i++)
        by_hand |= g_str_equal(g_array_index(old, rw_scene_row, i).cue, "person");
    g_array_unref(old);
    if (by_hand)
        return true; /* a person drew them */
    GArray *rows = g_array_new(FALSE, FALSE, sizeof(rw_scene_row));
    for (size_t i = 0; i < t->count; i = rw_track_scene_last(t, i) + 1) {
        size_t last = rw_track_scene_last(t, i);
        rw_scene_row row = {.first = i ? scene_head(c, i) : 0,
                            .last = last + 1 < t->count ? scene_head(c, last + 1) - 1
                                                        : c->summary->frames - 1};
        g_strlcpy(row.cue,
                  i == 0                                              ? "head"
                  : t->fade[i]                                        ? "fade"
                  : rw_verdicts_cover(c->verdicts, RW_KIND_SPLICE, i) ? "splice"
                                                                      : "cut",
                  sizeof row.cue);
        g_array_append_val(rows, row);
    }
    bool ok = rw_reel_set_scenes(c->reel, (const rw_scene_row *)(const void *)rows->data, rows->len,
                                 error);
    g_array_unref(rows);
    return ok;
}

/* ---- findings ---- */

static void add_pictures(GString *out, const rw_track *t, const rw_verdict *v)
{
    size_t other = v->anchor > 0 ? v->anchor - 1 : MIN(v->anchor + 1, t->count - 1);
    g_autofree char *a = rw_survey_picture_path(t->still[MIN(other, v->anchor)]);
    g_autofree char *b = rw_survey_picture_path(t->still[MAX(other, v->anchor)]);
    g_string_append_printf(out, "%s\"pictures\":[\"%s\",\"%s\"]", out->len > 1 ? "," : "", a, b);
}

/* ---- what was mended by shooting again ---- */

/* The frames of a gap from the first to the last that still want a picture; all of them when none
 * does. Returns how many do. */
static size_t open_gap(const conclusion *c, size_t i, int64_t *first, int64_t *last)
{
    int64_t head = c->frame[i] - (int64_t)c->gap[i];
    size_t open = 0;
    *first = head;
    *last = c->frame[i] - 1;
    for (size_t k = 0; k < c->gap[i]; k++) {
        if (slot_at(c, c->gap_slot[i] + (guint)k)->still)
            continue;
        if (open++ == 0)
            *first = head + (int64_t)k;
        *last = head + (int64_t)k;
    }
    if (open == 0)
        *last = c->frame[i] - 1;
    return open;
}

/* The late still that mended what a verdict tells: the first of several; 0 when something is left.
 */
static int64_t mended_by(const conclusion *c, const rw_verdict *v)
{
    int64_t first, last, still = 0;
    if (v->kind == RW_KIND_MISSING)
        return c->gap[v->first] > 0 && open_gap(c, v->first, &first, &last) == 0
                   ? slot_at(c, c->gap_slot[v->first])->still
                   : 0;
    for (size_t i = v->first; i <= v->last; i++) {
        if (c->repeats[i] && v->last > v->first)
            continue;
        if (c->repeats[i] && v->kind != RW_KIND_DOUBLED && is_unfit(c, i) && !is_unfit(c, i - 1))
            return c->track->still[i - 1]; /* it only repeats a good one */
        if (!c->instead[i])
            return 0;
        still = still ? still : c->instead[i];
    }
    return still;
}

static char *path_of(const conclusion *c, int64_t still)
{
    rw_still_row row;
    if (!rw_reel_get_still(c->reel, still, &row, NULL))
        return NULL;
    char *path = g_steal_pointer(&row.path);
    rw_still_row_clear(&row);
    return path;
}

/* Is the good still of the frame at position i another of the first run? */
static bool is_own_repeat(const conclusion *c, size_t i)
{
    return c->again[i] > 0 || (c->repeats[i] && !c->instead[i]);
}

static rw_finding_row to_row(const conclusion *c, const rw_verdict *v)
{
    const rw_track *t = c->track;
    const rw_finding_kind *kind = &rw_finding_kinds()[v->kind];
    bool gap = v->kind == RW_KIND_MISSING && c->gap[v->first] > 0;
    g_autofree char *again = path_of(c, mended_by(c, v));
    GString *evidence = g_string_new("{");
    if (v->because) {
        g_string_append(evidence, "\"because\":");
        rw_json_string(evidence, v->because);
        g_string_append(evidence, v->evidence->len ? "," : "");
    }
    g_string_append(evidence, v->evidence->str);
    for (int k = 0; k < v->n_marks; k++)
        g_string_append_printf(evidence, ",\"%s\":%" G_GINT64_FORMAT, v->mark[k].key,
                               c->frame[v->mark[k].position]);
    add_pictures(evidence, t, v);
    if (again) {
        g_string_append(evidence, ",\"shot_again\":");
        rw_json_string(evidence, again);
    }
    g_string_append_c(evidence, '}');
    rw_finding_row row = {
        .kind = g_strdup(kind->name),
        .first = c->frame[v->first],
        .last = c->frame[v->last],
        .still = t->still[v->anchor],
        .severity = g_strdup(rw_severity_name(again ? RW_NOTE : v->severity)),
        .confidence = v->confidence,
        .evidence = g_string_free(evidence, FALSE),
        .advice =
            again ? g_strdup_printf(is_own_repeat(c, v->first)
                                        ? "Nothing to do: it was taken twice, and %s, which is "
                                          "good, stands here."
                                        : "Nothing to do: it was shot again, and %s stands here "
                                          "now.",
                                    again)
                  : g_strdup(v->advice ? v->advice : kind->advice),
    };
    if (gap)
        open_gap(c, v->first, &row.first, &row.last);
    return row;
}

static bool put_findings(conclusion *c, GError **error)
{
    GArray *rows = g_array_new(FALSE, FALSE, sizeof(rw_finding_row));
    g_array_set_clear_func(rows, (GDestroyNotify)rw_finding_row_clear);
    for (size_t i = 0; i < rw_verdicts_count(c->verdicts); i++) {
        rw_finding_row row = to_row(c, rw_verdicts_get(c->verdicts, i));
        g_array_append_val(rows, row);
    }
    bool ok = rw_reel_set_findings(c->reel, (const rw_finding_row *)(const void *)rows->data,
                                   rows->len, error);
    g_array_unref(rows);
    return ok;
}

static bool count_findings(conclusion *c, GError **error)
{
    GArray *rows = rw_reel_findings(c->reel, error);
    if (!rows)
        return false;
    for (guint i = 0; i < rows->len; i++) {
        const rw_finding_row *row = &g_array_index(rows, rw_finding_row, i);
        if (g_str_equal(row->state, "dismissed"))
            continue;
        c->summary->findings++;
        c->summary->redo += g_str_equal(row->severity, "redo");
    }
    g_array_unref(rows);
    return true;
}

static bool write_down(conclusion *c, GError **error)
{
    if (!rw_reel_begin(c->reel, error))
        return false;
    bool ok = put_frames(c, error) && put_geometry(c, error) && put_summary(c, error) &&
              put_way_up(c, error) && put_scenes(c, error) && put_findings(c, error) &&
              rw_hue_conclude(c->reel, error) && rw_falloff_conclude(c->reel, c->track, error) &&
              rw_reshot_store(c->reshot, c->reel, error) &&
              rw_reel_log_event(c->reel, "surveyed", NULL, error) && rw_reel_commit(c->reel, error);
    if (!ok)
        rw_reel_rollback(c->reel);
    return ok && count_findings(c, error);
}

static void count_reshot(conclusion *c)
{
    rw_survey_summary *s = c->summary;
    for (guint i = 0; i < c->reshot->stills->len; i++) {
        rw_late_role role = g_array_index(c->reshot->stills, rw_reshot_still, i).role;
        s->placed += role == RW_LATE_FILLS || role == RW_LATE_REPLACES;
        s->spare += role == RW_LATE_SPARE;
        s->unplaced += role == RW_LATE_UNPLACED;
    }
    s->measured += c->reshot->measured;
}

static bool weigh(conclusion *c, const rw_survey_options *options, GError **error)
{
    const rw_track *t = c->track;
    listen(c);
    c->reshot = rw_reshot_place(c->reel, t, c->verdicts, options, error);
    if (!c->reshot)
        return false;
    read_slots(c);
    number_frames(c);
    choose_among_repeats(c);
    count_reshot(c);
    for (size_t i = 0; i < t->count; i++)
        c->summary->unreadable += rw_track_value(t, i, RW_M_STATE) == RW_STATE_UNREADABLE;
    return true;
}

bool rw_conclude(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis, const int64_t *order,
                 size_t count, const rw_survey_options *options, rw_survey_summary *summary,
                 GError **error)
{
    conclusion c = {.reel = reel, .summary = summary};
    summary->stills = (int64_t)count;
    if (!load_limits(reel, &c.limits, error))
        return false;
    c.judged = rw_reel_findings(reel, error);
    c.track = c.judged ? rw_store_load_track(reel, gauge, basis, order, count, error) : NULL;
    bool ok = c.track != NULL;
    if (ok) {
        rw_track_solve(c.track);
        ok = rw_steady_climb(reel, c.track, error);
    }
    if (ok) {
        c.verdicts = rw_verdicts_new();
        rw_judge_all(c.track, &c.limits, c.verdicts);
        ok = rw_judge_hair(c.track, rw_reel_path(reel), options, c.verdicts, error) &&
             weigh(&c, options, error) && write_down(&c, error);
        rw_verdicts_free(&c.verdicts);
        rw_reshot_free(&c.reshot);
        g_free(c.gap);
        g_free(c.gap_slot);
        g_free(c.instead);
        g_free(c.again);
        g_free(c.frame);
        g_free(c.repeats);
    }
    rw_track_free(&c.track);
    if (c.judged)
        g_array_unref(c.judged);
    return ok;
}
