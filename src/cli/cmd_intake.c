/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reelwright intake: camera cards into a reel. All that is decided stands in keep.h; this file
 * asks, tells and counts.
 */
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include <reelwright/keep.h>
#include <reelwright/survey.h>

#include "cli/cli.h"
#include "cli/tell.h"

/* ---- reading ---- */

/* "2026-03-14", "2026-03-14T09:30" or "2026-03-14T09:30:03", by the camera's clock; a part that is
 * left out is the earliest, or the latest when end. */
static bool parse_time(const char *option, const char *text, bool end, int64_t *us, GError **error)
{
    static const char least[] = "0000-00-00T00:00:00", most[] = "0000-00-00T23:59:59";
    char full[sizeof least];
    size_t n = strlen(text);
    if (n == 10 || n == 16 || n == 19) {
        g_strlcpy(full, end ? most : least, sizeof full);
        memcpy(full, text, n);
        if (full[10] == ' ')
            full[10] = 'T';
        g_autofree char *utc = g_strconcat(full, "Z", NULL);
        g_autoptr(GDateTime) time = g_date_time_new_from_iso8601(utc, NULL);
        if (time) {
            *us = g_date_time_to_unix(time) * 1000000 + (end ? 999999 : 0);
            return true;
        }
    }
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                "%s \"%s\": write 2026-03-14 or 2026-03-14T09:30, by the camera's clock.", option,
                text);
    return false;
}

static bool stop(void *user)
{
    (void)user;
    return atomic_load(rw_cli_cancelled());
}

/* What the survey made of stills that were shot again. */
typedef struct placing {
    bool done, busy;
    rw_survey_summary survey;
} placing;

/* The reel was surveyed: the survey measures the new stills and places them. One that runs already
 * does not know of them; they wait for the next. */
static bool match(rw_reel *reel, int batch, void *user, GError **error)
{
    (void)batch;
    placing *p = user;
    g_autoptr(GError) fault = NULL;
    rw_survey_options options = RW_SURVEY_DEFAULTS;
    options.progress = true;
    options.cancel = rw_cli_cancelled();
    p->done = rw_survey_run(reel, &options, &p->survey, &fault);
    p->busy = g_error_matches(fault, RW_ERROR, RW_ERROR_CONFLICT);
    if (fault && !p->busy)
        g_propagate_error(error, g_steal_pointer(&fault));
    return p->done || p->busy;
}

/* On a terminal only. An empty line or the end of input takes nothing. */
static char *ask(const rw_shoot *shoots, size_t count, void *user)
{
    (void)user;
    char line[256];
    g_printerr(count > 1 ? "There is more than one shoot on the card:\n"
                         : "The stills on the card do not look like those in the reel:\n");
    for (size_t i = 0; i < count; i++) {
        g_autofree char *text = rw_shoot_describe(&shoots[i]);
        g_printerr("  %" G_GSIZE_FORMAT "  %s\n", i + 1, text);
    }
    g_printerr("Which belong to this film? (numbers, all, largest; nothing to stop) ");
    if (!fgets(line, sizeof line, stdin))
        return NULL;
    g_strstrip(line);
    return line[0] ? g_strdup(line) : NULL;
}

/* ---- telling people ---- */

static char *count_of(int64_t n, const char *one, const char *many)
{
    g_autofree char *digits = g_strdup_printf("%" G_GINT64_FORMAT, n);
    GString *text = g_string_new(NULL);
    size_t length = strlen(digits);
    for (size_t i = 0; i < length; i++) {
        if (i > 0 && (length - i) % 3 == 0)
            g_string_append_c(text, ',');
        g_string_append_c(text, digits[i]);
    }
    g_string_append_printf(text, " %s", n == 1 ? one : many);
    return g_string_free(text, FALSE);
}

static void say(int64_t n, const char *one, const char *many, const char *rest)
{
    if (n == 0)
        return;
    g_autofree char *text = count_of(n, one, many);
    g_print("  %s%s\n", text, rest);
}

static void say_troubles(const char *what, const GPtrArray *list)
{
    enum { MOST = 10 };
    for (guint i = 0; i < MIN(list->len, MOST); i++) {
        const rw_intake_trouble *t = g_ptr_array_index(list, i);
        g_print("  %s: %s: %s\n", what, t->path, t->what);
    }
    if (list->len > MOST)
        g_print("  %s: and %u more\n", what, list->len - MOST);
}

static void say_headline(const rw_intake_summary *s)
{
    g_autofree char *stills = count_of(s->stills, "still", "stills");
    g_autofree char *gaps =
        s->gaps ? count_of(s->gaps, "gap in the numbering", "gaps in the numbering") : NULL;
    g_autofree char *unreadable =
        s->unreadable->len ? count_of(s->unreadable->len, "unreadable", "unreadable") : NULL;
    g_autofree char *damaged =
        s->damaged->len ? count_of(s->damaged->len, "cut short or damaged", "cut short or damaged")
                        : NULL;
    g_print("%s%s%s%s%s%s%s; safe to wipe the card: %s\n", stills, gaps ? ", " : "",
            gaps ? gaps : "", unreadable ? ", " : "", unreadable ? unreadable : "",
            damaged ? ", " : "", damaged ? damaged : "", s->safe_to_wipe ? "yes" : "no");
}

static void say_placing(const placing *p)
{
    if (p->busy)
        g_print("  A survey is under way: run \"reelwright survey\" after it, to place the new "
                "stills.\n");
    if (!p->done)
        return;
    const rw_survey_summary *s = &p->survey;
    say(s->placed, "still", "stills", " shot again and placed in the film");
    say(s->spare, "still", "stills", " not needed: their frames have a good still");
    say(s->unplaced, "still", "stills", " could not be placed in the film");
    say(s->missing, "frame", "frames", " of the film still missing");
    say(s->redo, "finding", "findings", " still ask for new stills");
}

static void say_summary(const char *reel, const rw_intake_summary *s, const placing *p)
{
    g_print("%s: ", reel);
    say_headline(s);
    if (s->why_not)
        g_print("  Do not wipe the card: %s\n", s->why_not);
    say(s->taken, "still", "stills", " copied and read back");
    say(s->companions, "file", "files", " that came with them (raw, sidecars) copied too");
    say(s->known, "still", "stills", " were taken in before");
    say(s->duplicates, "still is", "stills are",
        " on the card a second time, byte for byte; taken once");
    if (s->waits)
        g_print("  The reel was surveyed before: the new stills wait for the next survey.\n");
    say_placing(p);
    say_troubles("unreadable", s->unreadable);
    say_troubles("damaged", s->damaged);
    say_troubles("not taken in", s->unread);
    for (guint i = 0; i < s->notes->len; i++)
        g_print("  %s\n", (const char *)g_ptr_array_index(s->notes, i));
    if (s->pause_us >= 120 * INT64_C(1000000))
        g_print("  The longest pause, %.0f minutes, comes after %s.\n", (double)s->pause_us / 60e6,
                s->pause_after);
    if (s->order_confidence > 0 && s->order_confidence < 0.9)
        g_print("  The order of the stills is certain to %.0f %%.\n", s->order_confidence * 100);
}

/* ---- telling programs ---- */

static void add_bool(JsonBuilder *b, const char *key, bool value)
{
    json_builder_set_member_name(b, key);
    json_builder_add_boolean_value(b, value);
}

static void add_real(JsonBuilder *b, const char *key, double value)
{
    json_builder_set_member_name(b, key);
    json_builder_add_double_value(b, value);
}

static void add_troubles(JsonBuilder *b, const char *key, const GPtrArray *list)
{
    json_builder_set_member_name(b, key);
    json_builder_begin_array(b);
    for (guint i = 0; i < list->len; i++) {
        const rw_intake_trouble *t = g_ptr_array_index(list, i);
        json_builder_begin_object(b);
        rw_tell_text(b, "path", t->path);
        rw_tell_text(b, "what", t->what);
        json_builder_end_object(b);
    }
    json_builder_end_array(b);
}

static void add_counts(JsonBuilder *b, const rw_intake_summary *s)
{
    rw_tell_int(b, "stills", s->stills);
    rw_tell_int(b, "frames", s->frames);
    rw_tell_int(b, "batch", s->batch);
    rw_tell_int(b, "taken", s->taken);
    rw_tell_int(b, "known", s->known);
    rw_tell_int(b, "duplicates", s->duplicates);
    rw_tell_int(b, "companions", s->companions);
    rw_tell_int(b, "bytes", s->bytes);
    rw_tell_int(b, "gaps", s->gaps);
    rw_tell_int(b, "missing_numbers", s->missing_numbers);
    rw_tell_int(b, "other_shoots", s->other_shoots);
    rw_tell_int(b, "other_stills", s->other_stills);
    rw_tell_int(b, "other_files", s->others);
}

static void print_json(const char *reel, const rw_intake_summary *s, const placing *p,
                       const GError *error)
{
    g_autoptr(JsonBuilder) b = json_builder_new();
    json_builder_begin_object(b);
    rw_tell_text(b, "reel", reel);
    add_counts(b, s);
    add_troubles(b, "unreadable", s->unreadable);
    add_troubles(b, "damaged", s->damaged);
    add_troubles(b, "not_taken", s->unread);
    json_builder_set_member_name(b, "notes");
    json_builder_begin_array(b);
    for (guint i = 0; i < s->notes->len; i++)
        json_builder_add_string_value(b, g_ptr_array_index(s->notes, i));
    json_builder_end_array(b);
    add_real(b, "order_confidence", s->order_confidence);
    add_real(b, "longest_pause_s", (double)s->pause_us * 1e-6);
    rw_tell_text(b, "longest_pause_after", s->pause_after);
    add_bool(b, "waits_for_survey", s->waits || p->busy);
    if (p->done) {
        rw_tell_int(b, "placed", p->survey.placed);
        rw_tell_int(b, "spare", p->survey.spare);
        rw_tell_int(b, "unplaced", p->survey.unplaced);
        rw_tell_int(b, "missing_frames", p->survey.missing);
    }
    add_bool(b, "safe_to_wipe", s->safe_to_wipe);
    rw_tell_text(b, "why_not", s->why_not);
    rw_tell_text(b, "error", error ? error->message : NULL);
    json_builder_end_object(b);
    rw_tell_print(b);
}

/* ---- the command ---- */

typedef struct words {
    char *gauge, *fps, *title, *take, *since, *until;
    gboolean verify, json;
} words;

static void words_clear(words *w)
{
    g_free(w->gauge);
    g_free(w->fps);
    g_free(w->title);
    g_free(w->take);
    g_free(w->since);
    g_free(w->until);
}

static bool read_words(const words *w, rw_intake_options *o, GError **error)
{
    o->gauge = w->gauge;
    o->title = w->title;
    o->take = w->take;
    o->verify = w->verify;
    o->progress = true;
    o->stop = stop;
    o->match = match;
    o->ask = isatty(STDIN_FILENO) && isatty(STDERR_FILENO) ? ask : NULL;
    return (!w->fps || rw_rational_parse(w->fps, &o->fps, error)) &&
           (!w->since || parse_time("--since", w->since, false, &o->since_us, error)) &&
           (!w->until || parse_time("--until", w->until, true, &o->until_us, error));
}

static int run_intake(char **cards, size_t n_cards, const char *reel, const words *w)
{
    g_autoptr(GError) error = NULL;
    rw_intake_options options = RW_INTAKE_DEFAULTS;
    rw_intake_summary summary;
    placing p = {0};
    options.user = &p;
    if (!read_words(w, &options, &error))
        return rw_cli_fail(error);
    bool ok = rw_intake((const char *const *)cards, n_cards, reel, &options, &summary, &error);
    if (w->json)
        print_json(reel, &summary, &p, error);
    else if (ok)
        say_summary(reel, &summary, &p);
    int code = ok ? (summary.unread->len ? 1 : 0) : rw_cli_fail(error);
    rw_intake_summary_clear(&summary);
    return code;
}

static int run(const rw_command *self, int argc, char **argv)
{
    words w = {0};
    int exit_code;
    const GOptionEntry entries[] = {
        {"gauge", 0, 0, G_OPTION_ARG_STRING, &w.gauge, "Film gauge: super8 (default), regular8",
         "G"},
        {"fps", 0, 0, G_OPTION_ARG_STRING, &w.fps, "Film speed (default: the gauge's usual one)",
         "F"},
        {"title", 0, 0, G_OPTION_ARG_STRING, &w.title, "Name of the film", "T"},
        {"take", 0, 0, G_OPTION_ARG_STRING, &w.take,
         "Which shoots: all, largest, numbers as listed, serial numbers", "WHICH"},
        {"since", 0, 0, G_OPTION_ARG_STRING, &w.since, "Only stills from then on (camera's clock)",
         "TIME"},
        {"until", 0, 0, G_OPTION_ARG_STRING, &w.until, "Only stills up to then", "TIME"},
        {"verify", 0, 0, G_OPTION_ARG_NONE, &w.verify,
         "Read again what was taken in before, on the card and in the reel", NULL},
        {"json", 0, 0, G_OPTION_ARG_NONE, &w.json, "Print the summary as one JSON document", NULL},
        G_OPTION_ENTRY_NULL};
    int code = 0;
    if (rw_cli_parse(self, entries, &argc, &argv, 2, -1, &exit_code))
        code = run_intake(argv + 1, (size_t)(argc - 2), argv[argc - 1], &w);
    else
        code = exit_code;
    words_clear(&w);
    return code;
}

const rw_command rw_cmd_intake = {
    .name = "intake",
    .summary = "Take camera cards into a reel, verified, in capture order",
    .arguments = "CARD... REEL",
    .details =
        "The last argument is the reel: a new folder, or one that an earlier intake made. The\n"
        "cards are only read. Every still is hashed, brought to the disk, read back and\n"
        "compared. Interrupted, the same command goes on where it stopped.\n",
    .run = run,
};
