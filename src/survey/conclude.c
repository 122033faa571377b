/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "survey/conclude.h"
#include "survey/finding.h"
#include "survey/hue.h"
#include "survey/json_text.h"
#include "survey/steady.h"
#include "survey/store.h"

typedef struct conclusion {
    rw_reel *reel;
    rw_track *track;
    rw_limits limits;
    rw_verdicts *verdicts;
    GArray *judged;      /* rw_finding_row of before */
    size_t *gap;         /* missing frames put in before each position */
    int64_t *frame;      /* frame number of each position */
    bool *repeats;       /* shows the same film frame as the position before */
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

/* A person's word goes over the survey's: a dismissed gap is closed again, a confirmed one opened. */
static void listen(conclusion *c)
{
    for (size_t i = 0; i < rw_verdicts_count(c->verdicts); i++) {
        rw_verdict *v = rw_verdicts_get(c->verdicts, i);
        if (v->kind != RW_KIND_MISSING && v->kind != RW_KIND_DOUBLED)
            continue;
        const char *state = judged_state(c, v->kind, c->track->still[v->anchor]);
        if (g_strcmp0(state, "dismissed") == 0)
            v->sure = false;
        else if (g_strcmp0(state, "confirmed") == 0)
            v->sure = true;
    }
}

/* ---- film order ---- */

static void number_frames(conclusion *c)
{
    size_t count = c->track->count;
    c->gap = g_new0(size_t, count + 1);
    c->frame = g_new0(int64_t, count + 1);
    c->repeats = g_new0(bool, count + 1);
    for (size_t i = 0; i < rw_verdicts_count(c->verdicts); i++) {
        const rw_verdict *v = rw_verdicts_get(c->verdicts, i);
        if (v->kind == RW_KIND_MISSING && v->sure)
            c->gap[v->first] = v->missing;
        else if (v->kind == RW_KIND_DOUBLED && v->sure)
            c->repeats[v->first] = true;
    }
    int64_t n = 0;
    for (size_t i = 0; i < count; i++) {
        n += (int64_t)c->gap[i];
        c->frame[i] = n++;
    }
    c->summary->frames = n;
}

static bool put_frames(conclusion *c, GError **error)
{
    const rw_track *t = c->track;
    GHashTable *replaced = g_hash_table_new_full(g_int64_hash, g_int64_equal, NULL, NULL);
    GArray *old = rw_reel_frames(c->reel, 0, INT64_MAX / 2, error);
    if (!old) {
        g_hash_table_unref(replaced);
        return false;
    }
    for (guint i = 0; i < old->len; i++) {
        rw_frame_row *row = &g_array_index(old, rw_frame_row, i);
        if (row->still > 0 && row->replaced > 0)
            g_hash_table_insert(replaced, &row->still, &row->replaced);
    }
    GArray *rows = g_array_new(FALSE, FALSE, sizeof(rw_frame_row));
    int64_t shown = 0; /* frame whose picture the current run of repeats shows */
    for (size_t i = 0; i < t->count; i++) {
        for (size_t k = 0; k < c->gap[i]; k++) {
            rw_frame_row row = {rows->len, 0, -1, 0};
            g_array_append_val(rows, row);
            c->summary->missing++;
        }
        const int64_t *was = g_hash_table_lookup(replaced, &t->still[i]);
        rw_frame_row row = {rows->len, t->still[i], -1, was ? *was : 0};
        if (c->repeats[i]) {
            row.doubled_of = shown;
            c->summary->doubled++;
        } else {
            shown = row.n;
        }
        g_array_append_val(rows, row);
    }
    bool ok = rw_reel_set_frames(c->reel, (const rw_frame_row *)(const void *)rows->data,
                                 rows->len, error);
    g_array_unref(rows);
    g_array_unref(old);
    g_hash_table_unref(replaced);
    return ok;
}

/* ---- geometry, scenes, up ---- */

static bool put_geometry(conclusion *c, GError **error)
{
    const rw_track *t = c->track;
    if (!rw_reel_clear_geometry(c->reel, error))
        return false;
    for (size_t i = 0; i < t->count; i++) {
        const rw_gate_fit *fit = &t->fit[i];
        rw_geometry_row row = {.n = c->frame[i],
                               .film_to_still = fit->film_to_still,
                               .confidence = fit->confidence};
        g_strlcpy(row.method, rw_gate_method_name(fit->method), sizeof row.method);
        if (!rw_reel_put_geometry(c->reel, &row, error))
            return false;
    }
    return true;
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
        rw_scene_row row = {.first = i ? c->frame[i] : 0,
                            .last = last + 1 < t->count ? c->frame[last + 1] - 1
                                                        : c->summary->frames - 1};
        g_strlcpy(row.cue,
                  i == 0                                             ? "head"
                  : t->fade[i]                                       ? "fade"
                  : rw_verdicts_cover(c->verdicts, RW_KIND_SPLICE, i) ? "splice"
                                                                     : "cut",
                  sizeof row.cue);
        g_array_append_val(rows, row);
    }
    bool ok = rw_reel_set_scenes(c->reel, (const rw_scene_row *)(const void *)rows->data,
                                 rows->len, error);
    g_array_unref(rows);
    return ok;
}

/* ---- findings ---- */

static void add_pictures(GString *out, const rw_track *t, const rw_verdict *v)
{
    size_t other = v->anchor > 0 ? v->anchor - 1 : MIN(v->anchor + 1, t->count - 1);
    g_autofree char *a = rw_survey_picture_path(t->still[MIN(other, v->anchor)]);
    g_autofree char *b = rw_survey_picture_path(t->still[MAX(other, v->anchor)]);
    g_string_append_printf(out, "%s\"pictures\":[\"%s\",\"%s\"]", v->evidence->len ? "," : "", a, b);
}

static rw_finding_row to_row(const conclusion *c, const rw_verdict *v)
{
    const rw_track *t = c->track;
    const rw_finding_kind *kind = &rw_finding_kinds()[v->kind];
    bool gap = v->kind == RW_KIND_MISSING && v->sure;
    GString *evidence = g_string_new("{");
    g_string_append(evidence, v->evidence->str);
    add_pictures(evidence, t, v);
    g_string_append_c(evidence, '}');
    return (rw_finding_row){
        .kind = g_strdup(kind->name),
        .first = gap ? c->frame[v->first] - (int64_t)v->missing : c->frame[v->first],
        .last = gap ? c->frame[v->first] - 1 : c->frame[v->last],
        .still = t->still[v->anchor],
        .severity = g_strdup(rw_severity_name(v->severity)),
        .confidence = v->confidence,
        .evidence = g_string_free(evidence, FALSE),
        .advice = g_strdup(v->advice ? v->advice : kind->advice),
    };
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
              rw_hue_conclude(c->reel, error) &&
              rw_reel_log_event(c->reel, "surveyed", NULL, error) &&
              rw_reel_commit(c->reel, error);
    if (!ok)
        rw_reel_rollback(c->reel);
    return ok && count_findings(c, error);
}

bool rw_conclude(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis, const int64_t *order,
                 size_t count, rw_survey_summary *summary, GError **error)
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
        rw_judge_all(c.track, &c.limits, rw_reel_path(reel), c.verdicts);
        listen(&c);
        number_frames(&c);
        for (size_t i = 0; i < count; i++)
            summary->unreadable += rw_track_value(c.track, i, RW_M_STATE) == RW_STATE_UNREADABLE;
        ok = write_down(&c, error);
        rw_verdicts_free(&c.verdicts);
        g_free(c.gap);
        g_free(c.frame);
        g_free(c.repeats);
    }
    rw_track_free(&c.track);
    if (c.judged)
        g_array_unref(c.judged);
    return ok;
}
