/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Orders for long work. Every word of a command line that is built here comes from a table or was
 * checked against one; names and titles stand where no option can be read.
 */
#include <string.h>

#include <reelwright/deliver.h>
#include <reelwright/film.h>
#include <reelwright/stage.h>

#include "bench/core.h"
#include "bench/guard.h"

#define ESTIMATE_FRAMES 24

void rw_answer_jobs(void *user, const rw_request *request, rw_reply *reply)
{
    (void)request;
    rw_bench *bench = user;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_jobs_write(bench->jobs, j, "jobs");
    rw_doc_close(j);
    rw_reply_doc(reply, &j);
}

/* ---- building a command line ---- */

typedef struct order {
    rw_bench *bench;
    JsonObject *wish;
    const char *reel;
    GPtrArray *words; /* owned texts */
    char *key, *scratch;
} order;

static void add(order *o, const char *format, ...) G_GNUC_PRINTF(2, 3);
static void add(order *o, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    g_ptr_array_add(o->words, g_strdup_vprintf(format, args));
    va_end(args);
}

static bool off(GError **error, const char *sentence)
{
    g_set_error_literal(error, RW_ERROR, RW_ERROR_USAGE, sentence);
    return false;
}

/* "take", "title": free text, as the value of an option in one word. */
static void add_text(order *o, const char *name)
{
    const char *text = rw_body_get_text(o->wish, name);
    if (text && *text)
        add(o, "--%s=%s", name, text);
}

static bool add_gauge(order *o, GError **error)
{
    const char *gauge = rw_body_get_text(o->wish, "gauge"), *fps = rw_body_get_text(o->wish, "fps");
    rw_rational rate;
    if (gauge && !rw_gauge_find(gauge))
        return off(error, "There is no such gauge.");
    if (fps && *fps && !rw_rational_parse(fps, &rate, error))
        return false;
    if (gauge)
        add(o, "--gauge=%s", gauge);
    if (fps && *fps)
        add(o, "--fps=%s", fps);
    return true;
}

/* {"kind": "intake", "reel": new or known name, "source": id, "gauge", "fps", "title", "take"} */
static bool build_intake(order *o, GError **error)
{
    const char *source = rw_body_get_text(o->wish, "source");
    g_autofree char *card = source ? rw_sources_find(o->bench->sources, source, error) : NULL;
    if (!source)
        return off(error, "Choose where the stills are.");
    if (!card || !add_gauge(o, error))
        return false;
    add_text(o, "title");
    add_text(o, "take");
    add(o, "--json");
    add(o, "%s", card);
    add(o, "%s/%s", rw_shelf_path(o->bench->shelf), o->reel);
    return true;
}

static bool build_survey(order *o, GError **error)
{
    (void)error;
    add(o, "%s/%s", rw_shelf_path(o->bench->shelf), o->reel);
    return true;
}

static bool build_report(order *o, GError **error)
{
    const char *form = rw_body_get_text(o->wish, "form");
    if (!form || !(g_str_equal(form, "html") || g_str_equal(form, "pdf")))
        return off(error, "A report is html or pdf.");
    const char *shelf = rw_shelf_path(o->bench->shelf);
    add(o, "%s/%s", shelf, o->reel);
    add(o, "-o");
    add(o, "%s/%s/out/report.%s", shelf, o->reel, form);
    return true;
}

static bool is_size(const char *text)
{
    int64_t width, height;
    if (g_str_equal(text, "hd") || g_str_equal(text, "uhd") || g_str_equal(text, "native"))
        return true;
    g_auto(GStrv) sides = g_strsplit(text, "x", 3);
    return g_strv_length(sides) == 2 && rw_guard_number(sides[0], &width) &&
           rw_guard_number(sides[1], &height);
}

static bool add_skipped(order *o, GError **error)
{
    JsonArray *list = rw_body_get_array(o->wish, "skip");
    GString *names = g_string_new(NULL);
    bool ok = true;
    for (guint i = 0; list && ok && i < json_array_get_length(list); i++) {
        JsonNode *node = json_array_get_element(list, i);
        const char *name = JSON_NODE_HOLDS_VALUE(node) ? json_node_get_string(node) : NULL;
        ok = name && rw_stage_find(name);
        if (ok)
            g_string_append_printf(names, "%s%s", names->len ? "," : "", name);
    }
    if (ok && names->len)
        add(o, "--skip=%s", names->str);
    g_string_free(names, TRUE);
    return ok || off(error, "There is no such stage.");
}

static bool add_delivery(order *o, const rw_delivery **delivery, GError **error)
{
    const char *codec = rw_body_get_text(o->wish, "codec");
    const char *size = rw_body_get_text(o->wish, "size");
    const char *cadence = rw_body_get_text(o->wish, "cadence");
    int64_t quality;
    rw_rational rate;
    *delivery = codec ? rw_delivery_find(codec) : NULL;
    if (!*delivery)
        return off(error, "There is no such delivery.");
    if (!size || !is_size(size))
        return off(error, "A size is hd, uhd, native or WIDTHxHEIGHT.");
    if (!cadence || !(g_str_equal(cadence, "native") || rw_rational_parse(cadence, &rate, NULL)))
        return off(error, "A cadence is native or frames a second.");
    add(o, "--codec=%s", codec);
    add(o, "--size=%s", size);
    add(o, "--cadence=%s", cadence);
    if (rw_body_get_whole(o->wish, "quality", &quality) && quality >= 0)
        add(o, "--quality=%d", (int)MIN(quality, 1000));
    return add_skipped(o, error);
}

static bool add_range(order *o, GError **error)
{
    int64_t from, to;
    bool has_from = rw_body_get_whole(o->wish, "from", &from);
    bool has_to = rw_body_get_whole(o->wish, "to", &to);
    if ((has_from && from < 0) || (has_to && to < 0) || (has_from && has_to && from > to))
        return off(error, "The first frame comes before the last.");
    if (has_from)
        add(o, "--from=%" G_GINT64_FORMAT, from);
    if (has_to)
        add(o, "--to=%" G_GINT64_FORMAT, to);
    return true;
}

static bool is_file_name(const char *name)
{
    return name && *name && *name != '.' && strlen(name) <= 120 && !strchr(name, '/') &&
           g_utf8_validate(name, -1, NULL);
}

/* {"kind": "finish", "reel", "name": without ending, "codec", "size", "cadence", "quality", "skip",
 * "from", "to"} */
static bool build_finish(order *o, GError **error)
{
    const char *name = rw_body_get_text(o->wish, "name");
    const rw_delivery *delivery;
    if (!is_file_name(name))
        return off(error,
                   "Give the movie a name without slashes that does not begin with a point.");
    if (!add_delivery(o, &delivery, error) || !add_range(o, error))
        return false;
    const char *const *extension = rw_delivery_extensions(delivery);
    const char *shelf = rw_shelf_path(o->bench->shelf);
    add(o, "%s/%s", shelf, o->reel);
    if (*extension) {
        add(o, "-o");
        add(o, "%s/%s/out/%s%s", shelf, o->reel, name, *extension);
    }
    o->key = g_strconcat(name, *extension, NULL);
    return true;
}

static char *joined(const GPtrArray *words)
{
    GString *text = g_string_new(NULL);
    for (guint i = 0; i < words->len; i++)
        g_string_append_printf(text, "%s%s", i ? " " : "", (const char *)words->pdata[i]);
    return g_string_free(text, FALSE);
}

/* A second or so from the middle of the reel, made and thrown away: how long, how large. */
static bool build_estimate(order *o, GError **error)
{
    const rw_delivery *delivery;
    if (!add_delivery(o, &delivery, error))
        return false;
    rw_reel *reel = rw_shelf_borrow(o->bench->shelf, o->reel, error);
    int64_t count = reel ? rw_reel_frame_count(reel, error) : -1;
    rw_shelf_return(o->bench->shelf, o->reel, &reel);
    if (count < 0)
        return false;
    int64_t from = MAX(count / 2 - ESTIMATE_FRAMES / 2, 0);
    const char *const *extension = rw_delivery_extensions(delivery);
    const char *shelf = rw_shelf_path(o->bench->shelf);
    add(o, "--from=%" G_GINT64_FORMAT, from);
    add(o, "--to=%" G_GINT64_FORMAT, MIN(from + ESTIMATE_FRAMES, count) - 1);
    o->key = joined(o->words); /* the words so far tell it from others */
    add(o, "%s/%s", shelf, o->reel);
    if (*extension) {
        o->scratch = g_strdup_printf("%s/%s/out/.estimate%s", shelf, o->reel, *extension);
        add(o, "-o");
        add(o, "%s", o->scratch);
    }
    return true;
}

static const struct {
    const char *kind, *command;
    bool (*build)(order *o, GError **error);
} builders[] = {{"intake", "intake", build_intake},
                {"survey", "survey", build_survey},
                {"finish", "finish", build_finish},
                {"estimate", "finish", build_estimate},
                {"report", "report", build_report}};

static int64_t start(rw_bench *bench, JsonObject *wish, GError **error)
{
    const char *kind = rw_body_get_text(wish, "kind");
    order o = {.bench = bench, .wish = wish, .reel = rw_body_get_text(wish, "reel")};
    size_t k = 0;
    while (k < G_N_ELEMENTS(builders) && g_strcmp0(kind, builders[k].kind) != 0)
        k++;
    if (k == G_N_ELEMENTS(builders))
        return off(error, "There is no such work.");
    bool intake = g_str_equal(kind, "intake");
    if (!rw_guard_reel_name(o.reel))
        return off(error, "A reel's name has no slash and does not begin with a point.");
    g_autofree char *path = intake ? NULL : rw_shelf_reel_path(bench->shelf, o.reel, error);
    if (!intake && !path)
        return 0;
    int64_t number = 0;
    o.words = g_ptr_array_new_with_free_func(g_free);
    add(&o, "%s", builders[k].command);
    if (builders[k].build(&o, error)) {
        g_ptr_array_add(o.words, NULL);
        rw_job_order ready = {.kind = kind,
                              .reel = o.reel,
                              .arguments = (const char *const *)o.words->pdata,
                              .key = o.key,
                              .scratch = o.scratch,
                              .first = g_str_equal(kind, "estimate")};
        number = rw_jobs_start(bench->jobs, &ready, error);
    }
    g_ptr_array_unref(o.words);
    g_free(o.key);
    g_free(o.scratch);
    return number;
}

void rw_answer_start(void *user, const rw_request *request, rw_reply *reply)
{
    GError *error = NULL;
    JsonNode *root = rw_body_parse(request->body, request->body_bytes, &error);
    int64_t number = root ? start(user, json_node_get_object(root), &error) : 0;
    if (number) {
        rw_doc *j = rw_doc_new();
        rw_doc_open(j, NULL, '{');
        rw_doc_whole(j, "number", number);
        rw_doc_close(j);
        rw_reply_doc(reply, &j);
    } else {
        rw_reply_error(reply, error);
    }
    if (root)
        json_node_unref(root);
}

void rw_answer_stop(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    int64_t number;
    if (!rw_guard_number(request->part[0], &number)) {
        rw_reply_refuse(reply, 400, "A job is named by its number.");
        return;
    }
    rw_jobs_stop(bench->jobs, number);
    rw_answer_jobs(user, request, reply);
}
