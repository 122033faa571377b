/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include <json-glib/json-glib.h>

#include <reelwright/survey.h>

#include "cli/cli.h"

static void print_frames(int64_t first, int64_t last)
{
    if (first == last)
        g_print("frame %" G_GINT64_FORMAT, first);
    else
        g_print("frames %" G_GINT64_FORMAT "-%" G_GINT64_FORMAT, first, last);
}

/* What the survey saw, in its own words. */
static void print_because(const char *evidence)
{
    g_autoptr(JsonNode) node = json_from_string(evidence, NULL);
    if (!node || !JSON_NODE_HOLDS_OBJECT(node))
        return;
    const char *text =
        json_object_get_string_member_with_default(json_node_get_object(node), "because", NULL);
    if (text)
        g_print("      %s\n", text);
}

static bool print_findings(rw_reel *reel, bool all, GError **error)
{
    GArray *rows = rw_reel_findings(reel, error);
    if (!rows)
        return false;
    size_t shown = 0, dismissed = 0;
    for (guint i = 0; i < rows->len; i++) {
        const rw_finding_row *f = &g_array_index(rows, rw_finding_row, i);
        bool gone = g_str_equal(f->state, "dismissed");
        dismissed += gone;
        if (gone && !all)
            continue;
        g_print("%4" G_GINT64_FORMAT "  %-4s  %-19s  ", f->id, f->severity, f->kind);
        print_frames(f->first, f->last);
        g_print(", confidence %.2f%s%s\n", f->confidence, g_str_equal(f->state, "open") ? "" : ", ",
                g_str_equal(f->state, "open") ? "" : f->state);
        print_because(f->evidence);
        g_print("      %s\n", f->advice);
        if (f->note)
            g_print("      Note: %s\n", f->note);
        shown++;
    }
    if (shown == 0)
        g_print("Nothing needs a look.\n");
    if (dismissed && !all)
        g_print("%zu dismissed findings are not shown (--all).\n", dismissed);
    g_array_unref(rows);
    return true;
}

static bool print_reshoot(rw_reel *reel, GError **error)
{
    GArray *rows = rw_survey_reshoot(reel, error);
    if (!rows)
        return false;
    if (rows->len == 0)
        g_print("No frame needs a new still.\n");
    for (guint i = 0; i < rows->len; i++) {
        const rw_reshoot_row *r = &g_array_index(rows, rw_reshoot_row, i);
        double feet = r->first_mm / 304.8;
        g_print("%8.3f m  %4.0f ft %4.1f in  ", r->first_mm / 1000, floor(feet),
                (feet - floor(feet)) * 12);
        print_frames(r->first, r->last);
        g_print("  %s\n", r->why);
    }
    g_array_unref(rows);
    return true;
}

/* The finding's note stays when only its state is given, and the other way round. */
static bool judge(rw_reel *reel, int64_t id, const char *state, const char *note, GError **error)
{
    GArray *rows = rw_reel_findings(reel, error);
    if (!rows)
        return false;
    g_autofree char *old_state = NULL, *old_note = NULL;
    for (guint i = 0; i < rows->len; i++) {
        const rw_finding_row *f = &g_array_index(rows, rw_finding_row, i);
        if (f->id == id) {
            old_state = g_strdup(f->state);
            old_note = g_strdup(f->note);
        }
    }
    g_array_unref(rows);
    return rw_reel_judge_finding(reel, id,
                                 state       ? state
                                 : old_state ? old_state
                                             : "open",
                                 note ? note : old_note, error);
}

typedef struct choices {
    int64_t confirm, dismiss, reopen, annotate;
    char *note;
} choices;

static bool apply(rw_reel *reel, const choices *c, GError **error)
{
    return (!c->confirm || judge(reel, c->confirm, "confirmed", c->note, error)) &&
           (!c->dismiss || judge(reel, c->dismiss, "dismissed", c->note, error)) &&
           (!c->reopen || judge(reel, c->reopen, "open", c->note, error)) &&
           (!c->annotate || judge(reel, c->annotate, NULL, c->note, error));
}

static int run(const rw_command *self, int argc, char **argv)
{
    gboolean json = FALSE, reshoot = FALSE, all = FALSE;
    choices c = {0};
    const GOptionEntry entries[] = {
        {"json", 0, 0, G_OPTION_ARG_NONE, &json, "Print one JSON document", NULL},
        {"all", 'a', 0, G_OPTION_ARG_NONE, &all, "Show dismissed findings, too", NULL},
        {"reshoot", 0, 0, G_OPTION_ARG_NONE, &reshoot,
         "List the film frames to shoot again, with their place on the film", NULL},
        {"confirm", 0, 0, G_OPTION_ARG_INT64, &c.confirm, "Finding ID is right", "ID"},
        {"dismiss", 0, 0, G_OPTION_ARG_INT64, &c.dismiss, "Finding ID is wrong, or does not matter",
         "ID"},
        {"reopen", 0, 0, G_OPTION_ARG_INT64, &c.reopen, "Finding ID is undecided again", "ID"},
        {"annotate", 0, 0, G_OPTION_ARG_INT64, &c.annotate, "Give finding ID the --note alone",
         "ID"},
        {"note", 0, 0, G_OPTION_ARG_STRING, &c.note, "Words to keep with the finding", "TEXT"},
        G_OPTION_ENTRY_NULL};
    int exit_code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 1, 1, &exit_code))
        return exit_code;
    int judged = (c.confirm != 0) + (c.dismiss != 0) + (c.reopen != 0) + (c.annotate != 0);
    if (judged > 1)
        exit_code = rw_cli_usage(self, "Judge one finding at a time.");
    else if (c.note && !judged)
        exit_code = rw_cli_usage(self, "--note goes with --confirm, --dismiss, --reopen or "
                                       "--annotate.");
    else if (c.annotate && !c.note)
        exit_code = rw_cli_usage(self, "--annotate needs a --note.");
    else
        exit_code = -1;
    if (exit_code >= 0) {
        g_free(c.note);
        return exit_code;
    }

    g_autoptr(GError) error = NULL;
    rw_reel *reel = rw_reel_open(argv[1], &error);
    bool ok = reel && apply(reel, &c, &error);
    if (ok && reshoot)
        ok = json ? rw_reshoot_write_json(reel, stdout, &error) : print_reshoot(reel, &error);
    else if (ok && (json || !judged))
        ok =
            json ? rw_findings_write_json(reel, stdout, &error) : print_findings(reel, all, &error);
    rw_reel_close(&reel);
    g_free(c.note);
    return ok ? 0 : rw_cli_fail(error);
}

const rw_command rw_cmd_findings = {
    .name = "findings",
    .summary = "What needs a look, worst first, and what to do about it",
    .arguments = "REEL",
    .details = "A missing frame that is dismissed is closed again by the next survey; one of low\n"
               "confidence that is confirmed is opened.",
    .run = run,
};
