/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is known of one reel: its frames, geometry, measurements.
 */
#include <math.h>
#include <string.h>

#include <reelwright/still.h>
#include <reelwright/survey.h>

#include "bench/core.h"
#include "bench/guard.h"

rw_reel *rw_bench_borrow(rw_bench *bench, const rw_request *request, rw_reply *reply)
{
    GError *error = NULL;
    rw_reel *reel = rw_shelf_borrow(bench->shelf, request->part[0], &error);
    if (!reel)
        rw_reply_error(reply, error);
    return reel;
}

/* ---- the reel ---- */

static void write_rect(rw_doc *j, const char *key, rw_rect r)
{
    rw_doc_open(j, key, '[');
    rw_doc_number(j, NULL, r.x);
    rw_doc_number(j, NULL, r.y);
    rw_doc_number(j, NULL, r.width);
    rw_doc_number(j, NULL, r.height);
    rw_doc_close(j);
}

static void write_gauge(rw_doc *j, const rw_gauge *gauge)
{
    rw_doc_open(j, "gauge", '{');
    rw_doc_text(j, "name", gauge->name);
    rw_doc_text(j, "title", gauge->title);
    rw_doc_number(j, "width", gauge->width);
    rw_doc_number(j, "pitch", gauge->pitch);
    rw_doc_number(j, "framesPerFoot", rw_rational_value(gauge->frames_per_foot));
    rw_doc_flag(j, "onFrameLine", gauge->perforation_on_frame_line);
    rw_doc_open(j, "perforations", '[');
    for (int i = 0; i < gauge->n_perforations; i++) {
        const rw_perforation *p = &gauge->perforations[i];
        rw_doc_open(j, NULL, '[');
        rw_doc_number(j, NULL, p->x);
        rw_doc_number(j, NULL, p->y);
        rw_doc_number(j, NULL, p->width);
        rw_doc_number(j, NULL, p->height);
        rw_doc_number(j, NULL, p->radius);
        rw_doc_close(j);
    }
    rw_doc_close(j);
    write_rect(j, "aperture", gauge->camera_aperture);
    write_rect(j, "shown", gauge->projectable);
    rw_doc_open(j, "speeds", '[');
    for (int i = 0; i < gauge->n_speeds; i++) {
        g_autofree char *speed = rw_rational_format(gauge->speeds[i]);
        rw_doc_text(j, NULL, speed);
    }
    rw_doc_close(j);
    rw_doc_close(j);
}

/* [still, doubled_of, state] of each frame in flat rows: short to send, quick to read. */
static bool write_frames(rw_doc *j, rw_reel *reel, GHashTable *states, GError **error)
{
    int64_t count = rw_reel_frame_count(reel, error);
    if (count < 0)
        return false;
    GArray *rows = count > 0 ? rw_reel_frames(reel, 0, count - 1, error)
                             : g_array_new(FALSE, FALSE, sizeof(rw_frame_row));
    if (!rows)
        return false;
    rw_doc_whole(j, "frames", count);
    rw_doc_open(j, "stills", '[');
    for (guint i = 0; i < rows->len; i++)
        rw_doc_whole(j, NULL, g_array_index(rows, rw_frame_row, i).still);
    rw_doc_close(j);
    rw_doc_open(j, "doubled", '[');
    for (guint i = 0; i < rows->len; i++) {
        const rw_frame_row *row = &g_array_index(rows, rw_frame_row, i);
        if (row->doubled_of >= 0)
            rw_doc_whole(j, NULL, row->n);
    }
    rw_doc_close(j);
    rw_doc_open(j, "unreadable", '[');
    for (guint i = 0; i < rows->len; i++) {
        const rw_frame_row *row = &g_array_index(rows, rw_frame_row, i);
        if (GPOINTER_TO_INT(g_hash_table_lookup(states, &row->still)) == RW_STILL_UNREADABLE)
            rw_doc_whole(j, NULL, row->n);
    }
    rw_doc_close(j);
    g_array_unref(rows);
    return true;
}

static bool write_scenes(rw_doc *j, rw_reel *reel, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_scenes(reel, error);
    if (!rows)
        return false;
    rw_doc_open(j, "scenes", '[');
    for (guint i = 0; i < rows->len; i++) {
        const rw_scene_row *row = &g_array_index(rows, rw_scene_row, i);
        rw_doc_open(j, NULL, '{');
        rw_doc_whole(j, "id", row->id);
        rw_doc_whole(j, "first", row->first);
        rw_doc_whole(j, "last", row->last);
        rw_doc_text(j, "cue", row->cue);
        rw_doc_close(j);
    }
    rw_doc_close(j);
    return true;
}

/* Of all stills: the size of most, what tells this reel from another of its name, who is
 * unreadable. */
static void write_stills(rw_doc *j, GArray *stills, GHashTable *states)
{
    const rw_still_row *first = NULL;
    for (guint i = 0; i < stills->len; i++) {
        rw_still_row *row = &g_array_index(stills, rw_still_row, i);
        g_hash_table_insert(states, &row->id, GINT_TO_POINTER((int)row->state));
        if (!first && row->width > 0)
            first = row;
    }
    g_autofree char *stamp = g_strndup(first ? first->sha256 : "", 12);
    rw_doc_whole(j, "stillWidth", first ? first->width : 0);
    rw_doc_whole(j, "stillHeight", first ? first->height : 0);
    rw_doc_text(j, "stamp", stamp);
    rw_doc_whole(j, "count", stills->len);
}

static bool write_meta(rw_doc *j, rw_reel *reel, const char *key, const char *meta, GError **error)
{
    g_autoptr(GError) inner = NULL;
    g_autofree char *value = rw_reel_get_meta(reel, meta, &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    rw_doc_text(j, key, value);
    return true;
}

static bool write_reel(rw_doc *j, rw_reel *reel, GError **error)
{
    const rw_gauge *gauge = rw_reel_gauge(reel, error);
    g_autoptr(GArray) stills = gauge ? rw_reel_stills(reel, error) : NULL;
    if (!stills)
        return false;
    g_autoptr(GHashTable) states = g_hash_table_new(g_int64_hash, g_int64_equal);
    write_gauge(j, gauge);
    write_stills(j, stills, states);
    int64_t revision = rw_reel_choice_revision(reel, error);
    rw_doc_whole(j, "revision", revision);
    return revision >= 0 && write_meta(j, reel, "title", "title", error) &&
           write_meta(j, reel, "fps", "fps", error) &&
           write_meta(j, reel, "wayUp", "way_up", error) && write_frames(j, reel, states, error) &&
           write_scenes(j, reel, error);
}

void rw_answer_reel(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "name", request->part[0]);
    if (write_reel(j, reel, &error)) {
        rw_doc_close(j);
        rw_reply_doc(reply, &j);
    } else {
        rw_reply_error(reply, error);
        rw_doc_free(&j);
    }
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}

void rw_answer_title(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    g_autoptr(GError) error = NULL;
    JsonNode *root = rw_body_parse(request->body, request->body_bytes, &error);
    const char *title = root ? rw_body_get_text(json_node_get_object(root), "title") : NULL;
    rw_reel *reel = NULL;
    if (!title || strlen(title) > 400)
        rw_reply_refuse(reply, 400, "A title is a text of at most 400 bytes.");
    else if ((reel = rw_bench_borrow(bench, request, reply))) {
        if (rw_reel_put_meta(reel, "title", title, &error)) {
            rw_doc *j = rw_doc_new();
            rw_doc_open(j, NULL, '{');
            rw_doc_text(j, "title", title);
            rw_doc_close(j);
            rw_reply_doc(reply, &j);
        } else {
            rw_reply_error(reply, g_steal_pointer(&error));
        }
    }
    rw_shelf_return(bench->shelf, request->part[0], &reel);
    if (root)
        json_node_unref(root);
}

/* ---- long rows of numbers: little-endian, no JSON ---- */

#define GEOMETRY_NUMBERS 8

static bool fill_geometry(rw_reel *reel, int64_t count, double *out, GError **error)
{
    static const char *const methods[] = {"none", "picture", "gate", "perforation", "person"};
    for (int64_t n = 0; n < count; n++, out += GEOMETRY_NUMBERS) {
        rw_geometry_row row;
        g_autoptr(GError) inner = NULL;
        if (!rw_reel_get_placement(reel, n, &row, &inner)) {
            /* a choice that cannot be read is no place; finish says so */
            if (inner && !g_error_matches(inner, RW_ERROR, RW_ERROR_DAMAGED)) {
                g_propagate_error(error, g_steal_pointer(&inner));
                return false;
            }
            for (int i = 0; i < GEOMETRY_NUMBERS; i++)
                out[i] = NAN;
            continue;
        }
        for (int i = 0; i < 6; i++)
            out[i] = row.film_to_still.m[i / 3][i % 3];
        out[6] = 0;
        for (int i = 0; i < (int)G_N_ELEMENTS(methods); i++)
            if (g_str_equal(methods[i], row.method))
                out[6] = i;
        out[7] = row.confidence;
    }
    return true;
}

/* Eight doubles a frame: a b c d e f of film_to_still; method 0 none 1 picture 2 gate 3 perforation
 * 4 person; confidence. All NAN: not surveyed. */
void rw_answer_geometry(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    int64_t count = rw_reel_frame_count(reel, &error);
    size_t bytes = (size_t)MAX(count, 0) * GEOMETRY_NUMBERS * sizeof(double);
    double *numbers = g_malloc(MAX(bytes, 1));
    bool ok = count >= 0 && fill_geometry(reel, count, numbers, &error);
    if (ok) {
        rw_reply_data(reply, "application/octet-stream", numbers, bytes);
    } else {
        g_free(numbers);
        rw_reply_error(reply, error);
    }
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}

/* A measure's value for each frame as float; NAN: not known. */
void rw_answer_series(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    int64_t count = rw_reel_frame_count(reel, &error);
    double *values = g_new(double, MAX(count, 1));
    bool ok = count >= 0 && (count == 0 || rw_reel_measure_series(reel, request->part[1], 0, 0,
                                                                  count - 1, values, &error));
    if (ok) {
        float *out = g_new(float, MAX(count, 1));
        for (int64_t n = 0; n < count; n++)
            out[n] = (float)values[n];
        rw_reply_data(reply, "application/octet-stream", out, (size_t)count * sizeof *out);
    } else {
        rw_reply_error(reply, error);
    }
    g_free(values);
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}

/* ---- one frame ---- */

static void write_still(rw_doc *j, const rw_still_row *row)
{
    g_autofree char *time =
        row->captured_us > INT64_MIN ? rw_still_format_time(row->captured_us) : NULL;
    rw_doc_open(j, "still", '{');
    rw_doc_whole(j, "id", row->id);
    rw_doc_text(j, "path", row->path);
    rw_doc_whole(j, "width", row->width);
    rw_doc_whole(j, "height", row->height);
    rw_doc_whole(j, "bytes", row->bytes);
    rw_doc_text(j, "captured", time);
    rw_doc_whole(j, "state", row->state);
    rw_doc_text(j, "fault", row->fault);
    rw_doc_close(j);
}

static bool write_frame(rw_doc *j, rw_reel *reel, int64_t n, GError **error)
{
    rw_frame_row frame;
    rw_still_row still = {0};
    if (!rw_reel_get_frame(reel, n, &frame, error))
        return false;
    if (frame.still && !rw_reel_get_still(reel, frame.still, &still, error))
        return false;
    rw_doc_whole(j, "n", n);
    rw_doc_whole(j, "doubledOf", frame.doubled_of);
    rw_doc_whole(j, "replaced", frame.replaced);
    if (frame.still) {
        write_still(j, &still);
        rw_doc_open(j, "measures", '{');
        for (const rw_measure_info *m = rw_measure_table(); m->name; m++)
            if (m->plot)
                rw_doc_number(j, m->name, rw_reel_get_measure(reel, frame.still, m->name, 0, NULL));
        rw_doc_close(j);
    }
    rw_still_row_clear(&still);
    return true;
}

void rw_answer_frame(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    int64_t n;
    if (!rw_guard_number(request->part[1], &n)) {
        rw_reply_refuse(reply, 400, "A frame is named by its number.");
        return;
    }
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    if (write_frame(j, reel, n, &error)) {
        rw_doc_close(j);
        rw_reply_doc(reply, &j);
    } else {
        rw_reply_error(reply, error);
        rw_doc_free(&j);
    }
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}
