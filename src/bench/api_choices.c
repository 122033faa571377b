/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Choices: reading, making, taking back. A request to change says which revision it has seen; when
 * one of the same choices was made anew since then it is refused and the page looks again, so that
 * two open pages cannot overwrite each other unseen. Changes of other choices do not stand in the
 * way.
 */
#include <string.h>

#include <reelwright/look.h>

#include "bench/catalogue.h"
#include "bench/core.h"

#define MAX_CHANGES 2000

/* ---- reading ---- */

static bool write_choices(rw_doc *j, rw_reel *reel, GError **error)
{
    int64_t undo = 0, redo = 0, revision = rw_reel_choice_revision(reel, error);
    if (revision < 0 || !rw_reel_undo_state(reel, &undo, &redo, error))
        return false;
    g_autoptr(GArray) rows = rw_reel_choices(reel, error);
    if (!rows)
        return false;
    rw_doc_whole(j, "revision", revision);
    rw_doc_whole(j, "undo", undo);
    rw_doc_whole(j, "redo", redo);
    rw_doc_open(j, "choices", '[');
    for (guint i = 0; i < rows->len; i++) {
        const rw_choice_row *row = &g_array_index(rows, rw_choice_row, i);
        rw_doc_open(j, NULL, '[');
        rw_doc_text(j, NULL, row->scope);
        rw_doc_text(j, NULL, row->key);
        rw_doc_text(j, NULL, row->value);
        rw_doc_close(j);
    }
    rw_doc_close(j);
    return true;
}

static void answer_state(rw_reel *reel, rw_reply *reply)
{
    GError *error = NULL;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    if (write_choices(j, reel, &error)) {
        rw_doc_close(j);
        rw_reply_doc(reply, &j);
    } else {
        rw_reply_error(reply, error);
        rw_doc_free(&j);
    }
}

void rw_answer_choices(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    answer_state(reel, reply);
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}

/* ---- changing ---- */

static void tell(rw_bench *bench, const char *name, rw_reel *reel)
{
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "reel", name);
    rw_doc_whole(j, "revision", rw_reel_choice_revision(reel, NULL));
    rw_doc_close(j);
    g_autofree char *text = rw_doc_take(&j);
    rw_events_send(bench->events, "choices", text);
}

/* [scope, key, value or null] */
static bool read_row(JsonNode *node, rw_choice_row *row)
{
    JsonArray *list = JSON_NODE_HOLDS_ARRAY(node) ? json_node_get_array(node) : NULL;
    if (!list || json_array_get_length(list) != 3)
        return false;
    const char *text[3] = {NULL, NULL, NULL};
    for (guint i = 0; i < 3; i++) {
        JsonNode *part = json_array_get_element(list, i);
        if (JSON_NODE_HOLDS_VALUE(part) && json_node_get_value_type(part) == G_TYPE_STRING)
            text[i] = json_node_get_string(part);
        else if (i < 2 || !JSON_NODE_HOLDS_NULL(part))
            return false;
    }
    *row = (rw_choice_row){g_strdup(text[0]), g_strdup(text[1]), g_strdup(text[2])};
    return true;
}

static GArray *read_rows(JsonObject *object, GError **error)
{
    JsonArray *list = rw_body_get_array(object, "changes");
    GArray *rows = g_array_new(FALSE, FALSE, sizeof(rw_choice_row));
    g_array_set_clear_func(rows, (GDestroyNotify)rw_choice_row_clear);
    guint count = list ? json_array_get_length(list) : 0;
    bool ok = count > 0 && count <= MAX_CHANGES;
    if (!ok)
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "A request makes 1 to %d changes.",
                    MAX_CHANGES);
    for (guint i = 0; ok && i < count; i++) {
        rw_choice_row row;
        ok = read_row(json_array_get_element(list, i), &row);
        if (!ok) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "A change is [scope, key, value].");
        } else {
            g_array_append_val(rows, row);
            ok = rw_catalogue_check(row.scope, row.key, row.value, error);
        }
    }
    if (!ok)
        g_clear_pointer(&rows, g_array_unref);
    return rows;
}

/* Was one of these choices made anew after the page had looked? */
static bool check_seen(rw_reel *reel, int64_t seen, const GArray *rows, GError **error)
{
    g_autoptr(GArray) newer = rw_reel_choice_changes(reel, seen, error);
    if (!newer)
        return false;
    for (guint i = 0; i < newer->len; i++) {
        const rw_choice_change *c = &g_array_index(newer, rw_choice_change, i);
        for (guint k = 0; k < rows->len; k++) {
            const rw_choice_row *row = &g_array_index(rows, rw_choice_row, k);
            if (!g_str_equal(c->scope, row->scope) || !g_str_equal(c->key, row->key))
                continue;
            g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                        "This was changed elsewhere a moment ago; the page now shows what holds.");
            return false;
        }
    }
    return true;
}

static bool change(rw_reel *reel, int64_t seen, GArray *rows, GError **error)
{
    if (!rw_reel_begin(reel, error))
        return false;
    bool ok = check_seen(reel, seen, rows, error) &&
              rw_reel_change_choices(reel, (const rw_choice_row *)(void *)rows->data, rows->len,
                                     NULL, error) &&
              rw_reel_commit(reel, error);
    if (!ok)
        rw_reel_rollback(reel);
    return ok;
}

/* {"seen": revision, "changes": [[scope, key, value], ...]} */
static bool change_as_asked(rw_reel *reel, JsonObject *object, GError **error)
{
    int64_t seen = 0;
    if (!rw_body_get_whole(object, "seen", &seen)) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "The request does not say what it has seen.");
        return false;
    }
    GArray *rows = read_rows(object, error);
    bool ok = rows && change(reel, seen, rows, error);
    if (rows)
        g_array_unref(rows);
    return ok;
}

/* {"step": what undo or redo said} */
static bool undo_as_asked(rw_reel *reel, JsonObject *object, GError **error)
{
    int64_t step = 0;
    rw_body_get_whole(object, "step", &step);
    return rw_reel_undo(reel, step, NULL, error);
}

static bool redo_as_asked(rw_reel *reel, JsonObject *object, GError **error)
{
    int64_t step = 0;
    rw_body_get_whole(object, "step", &step);
    return rw_reel_redo(reel, step, NULL, error);
}

/* Where the film lies, for a run of frames, from what a person showed on one of them:
 * {"seen", "first", "last", "n", "how": "move" | "hold" | "clear", "place": "a b c d e f"}.
 * move: what was shown differs from what holds for frame n by a shift in the still, and every frame
 * is shifted by that; hold: every frame lies where n does; clear: as surveyed again. */
static bool place_row(rw_reel *reel, int64_t n, const char *how, rw_affine shown, double dx,
                      double dy, GArray *rows, GError **error)
{
    rw_choice_row row = {g_strdup_printf("frame:%" G_GINT64_FORMAT, n), g_strdup("registration"),
                         NULL};
    g_array_append_val(rows, row);
    char **value = &g_array_index(rows, rw_choice_row, rows->len - 1).value;
    if (g_str_equal(how, "clear"))
        return true;
    rw_affine place = shown;
    if (g_str_equal(how, "move")) {
        rw_geometry_row now;
        g_autoptr(GError) inner = NULL;
        if (rw_reel_get_placement(reel, n, &now, &inner)) {
            place = now.film_to_still;
            place.m[0][2] += dx;
            place.m[1][2] += dy;
        } else if (inner && !g_error_matches(inner, RW_ERROR, RW_ERROR_DAMAGED)) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
    }
    *value = rw_placement_format(place);
    return true;
}

/* How far what was shown lies from what holds, in the middle of the picture. */
static void shift_from(const rw_gauge *gauge, rw_affine from, rw_affine to, double *dx, double *dy)
{
    rw_rect r = gauge->camera_aperture;
    rw_point a = rw_affine_apply(from, r.x + r.width / 2, r.y + r.height / 2);
    rw_point b = rw_affine_apply(to, r.x + r.width / 2, r.y + r.height / 2);
    *dx = b.x - a.x;
    *dy = b.y - a.y;
}

static bool place_as_asked(rw_reel *reel, JsonObject *object, GError **error)
{
    int64_t seen = 0, first = 0, last = -1, n = 0, count = rw_reel_frame_count(reel, error);
    const char *how = rw_body_get_text(object, "how"), *text = rw_body_get_text(object, "place");
    rw_affine shown = rw_affine_identity();
    const rw_gauge *gauge = count < 0 ? NULL : rw_reel_gauge(reel, error);
    if (!gauge)
        return false;
    bool clear = how && g_str_equal(how, "clear");
    if (!how || !(clear || g_str_equal(how, "move") || g_str_equal(how, "hold")) ||
        !(clear || (text && rw_placement_parse(text, &shown))) ||
        !rw_body_get_whole(object, "seen", &seen) || !rw_body_get_whole(object, "n", &n) ||
        !rw_body_get_whole(object, "first", &first) || !rw_body_get_whole(object, "last", &last) ||
        first < 0 || last < first || last >= count || n < 0 || n >= count) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "A place is a run of frames of the reel and six numbers.");
        return false;
    }
    double dx = 0, dy = 0;
    rw_geometry_row now;
    if (!clear && rw_reel_get_placement(reel, n, &now, NULL))
        shift_from(gauge, now.film_to_still, shown, &dx, &dy);
    GArray *rows = g_array_new(FALSE, FALSE, sizeof(rw_choice_row));
    g_array_set_clear_func(rows, (GDestroyNotify)rw_choice_row_clear);
    bool ok = true;
    for (int64_t k = first; ok && k <= last; k++)
        ok = place_row(reel, k, k == n && !clear ? "hold" : how, shown, dx, dy, rows, error);
    ok = ok && change(reel, seen, rows, error);
    g_array_unref(rows);
    return ok;
}

static void answer_change(rw_bench *bench, const rw_request *request, rw_reply *reply,
                          bool (*act)(rw_reel *reel, JsonObject *object, GError **error))
{
    GError *error = NULL;
    JsonNode *root = rw_body_parse(request->body, request->body_bytes, &error);
    if (!root) {
        rw_reply_error(reply, error);
        return;
    }
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (reel && act(reel, json_node_get_object(root), &error)) {
        answer_state(reel, reply);
        tell(bench, request->part[0], reel);
    } else if (reel) {
        rw_reply_error(reply, error);
    }
    rw_shelf_return(bench->shelf, request->part[0], &reel);
    json_node_unref(root);
}

void rw_answer_choose(void *user, const rw_request *request, rw_reply *reply)
{
    answer_change(user, request, reply, change_as_asked);
}

/* {"scope": "reel" or "scene:3", "name": "warm.cube", "text": the file}; no scope: a collection,
 * each correction to the reel or scene that its id names. */
static bool look_as_asked(rw_reel *reel, JsonObject *object, GError **error)
{
    const char *scope = rw_body_get_text(object, "scope");
    const char *name = rw_body_get_text(object, "name");
    const char *text = rw_body_get_text(object, "text");
    if (name && text && (!scope || rw_catalogue_check(scope, "colour.exposure", NULL, NULL)))
        return rw_look_take(reel, scope, name, text, strlen(text), NULL, error);
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "A look is a name and the text of its file.");
    return false;
}

void rw_answer_take_look(void *user, const rw_request *request, rw_reply *reply)
{
    answer_change(user, request, reply, look_as_asked);
}

void rw_answer_give_look(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    GError *error = NULL;
    char *xml = rw_look_give(reel, &error);
    if (xml) {
        rw_reply_data(reply, "application/xml", xml, strlen(xml));
        reply->filename = g_strconcat(request->part[0], ".ccc", NULL);
    } else {
        rw_reply_error(reply, error);
    }
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}

void rw_answer_undo(void *user, const rw_request *request, rw_reply *reply)
{
    answer_change(user, request, reply, undo_as_asked);
}

void rw_answer_redo(void *user, const rw_request *request, rw_reply *reply)
{
    answer_change(user, request, reply, redo_as_asked);
}

void rw_answer_place(void *user, const rw_request *request, rw_reply *reply)
{
    answer_change(user, request, reply, place_as_asked);
}
