/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Findings and what a person thinks of them.
 */
#include <string.h>

#include <reelwright/survey.h>

#include "bench/core.h"
#include "bench/guard.h"

#define MAX_NOTE 4000

static void write_finding(rw_doc *j, const rw_finding_row *row)
{
    rw_doc_open(j, NULL, '{');
    rw_doc_whole(j, "id", row->id);
    rw_doc_text(j, "kind", row->kind);
    rw_doc_whole(j, "first", row->first);
    rw_doc_whole(j, "last", row->last);
    rw_doc_whole(j, "still", row->still);
    rw_doc_text(j, "severity", row->severity);
    rw_doc_number(j, "confidence", row->confidence);
    rw_doc_raw(j, "evidence", row->evidence);
    rw_doc_text(j, "advice", row->advice);
    rw_doc_text(j, "state", row->state);
    rw_doc_text(j, "note", row->note);
    rw_doc_close(j);
}

static bool write_findings(rw_doc *j, rw_reel *reel, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_findings(reel, error);
    if (!rows)
        return false;
    rw_doc_open(j, "findings", '[');
    for (guint i = 0; i < rows->len; i++)
        write_finding(j, &g_array_index(rows, rw_finding_row, i));
    rw_doc_close(j);
    return true;
}

static bool write_reshoot(rw_doc *j, rw_reel *reel, GError **error)
{
    g_autoptr(GArray) rows = rw_survey_reshoot(reel, error);
    if (!rows)
        return false;
    rw_doc_open(j, "reshoot", '[');
    for (guint i = 0; i < rows->len; i++) {
        const rw_reshoot_row *row = &g_array_index(rows, rw_reshoot_row, i);
        rw_doc_open(j, NULL, '{');
        rw_doc_whole(j, "first", row->first);
        rw_doc_whole(j, "last", row->last);
        rw_doc_number(j, "firstMm", row->first_mm);
        rw_doc_number(j, "lastMm", row->last_mm);
        rw_doc_text(j, "why", row->why);
        rw_doc_close(j);
    }
    rw_doc_close(j);
    return true;
}

static void answer_all(rw_reel *reel, rw_reply *reply)
{
    GError *error = NULL;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    if (write_findings(j, reel, &error) && write_reshoot(j, reel, &error)) {
        rw_doc_close(j);
        rw_reply_doc(reply, &j);
    } else {
        rw_reply_error(reply, error);
        rw_doc_free(&j);
    }
}

void rw_answer_findings(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    answer_all(reel, reply);
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}

static void tell(rw_bench *bench, const char *name)
{
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "reel", name);
    rw_doc_close(j);
    g_autofree char *text = rw_doc_take(&j);
    rw_events_send(bench->events, "findings", text);
}

/* {"state": "open" | "confirmed" | "dismissed", "note": text or null} */
static bool read_judgement(JsonObject *object, const char **state, const char **note,
                           GError **error)
{
    static const char *const states[] = {"open", "confirmed", "dismissed", NULL};
    *state = rw_body_get_text(object, "state");
    *note = rw_body_get_text(object, "note");
    if (*note && !**note)
        *note = NULL;
    if (*state && g_strv_contains(states, *state) && (!*note || strlen(*note) <= MAX_NOTE))
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                "A finding is open, confirmed or dismissed, with a note of at most %d bytes.",
                MAX_NOTE);
    return false;
}

void rw_answer_judge(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    int64_t id = 0;
    const char *state, *note;
    JsonNode *root = rw_body_parse(request->body, request->body_bytes, &error);
    if (!root || !read_judgement(json_node_get_object(root), &state, &note, &error)) {
        rw_reply_error(reply, error);
    } else if (!rw_guard_number(request->part[1], &id)) {
        rw_reply_refuse(reply, 400, "A finding is named by its number.");
    } else {
        rw_reel *reel = rw_bench_borrow(bench, request, reply);
        if (reel && rw_reel_judge_finding(reel, id, state, note, &error)) {
            answer_all(reel, reply);
            tell(bench, request->part[0]);
        } else if (reel) {
            rw_reply_error(reply, error);
        }
        rw_shelf_return(bench->shelf, request->part[0], &reel);
    }
    if (root)
        json_node_unref(root);
}
