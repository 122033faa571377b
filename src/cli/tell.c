/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli/tell.h"
#include "cli/cli.h"

void rw_tell_text(JsonBuilder *b, const char *key, const char *value)
{
    json_builder_set_member_name(b, key);
    g_autofree char *valid = value ? g_utf8_make_valid(value, -1) : NULL;
    if (valid)
        json_builder_add_string_value(b, valid);
    else
        json_builder_add_null_value(b);
}

void rw_tell_int(JsonBuilder *b, const char *key, int64_t value)
{
    json_builder_set_member_name(b, key);
    json_builder_add_int_value(b, value);
}

void rw_tell_print(JsonBuilder *b)
{
    g_autoptr(JsonGenerator) generator = json_generator_new();
    g_autoptr(JsonNode) root = json_builder_get_root(b);
    json_generator_set_root(generator, root);
    json_generator_set_pretty(generator, TRUE);
    g_autofree char *text = json_generator_to_data(generator, NULL);
    g_print("%s\n", text);
}

/* ---- a movie ---- */

/* What the callbacks need. */
typedef struct speaker {
    const char *what;
    rw_progress *progress;
} speaker;

static void on_progress(void *data, int64_t done, int64_t total)
{
    speaker *s = data;
    if (!s->progress)
        s->progress = rw_progress_new(s->what, "frames", total);
    rw_progress_step(s->progress, done);
}

static void on_note(void *data, const char *line)
{
    speaker *s = data;
    if (s->progress)
        rw_progress_interrupt(s->progress);
    g_printerr("reelwright %s: %s\n", s->what, line);
}

bool rw_tell_movie(rw_reel *reel, rw_finish_options *options, const char *what,
                   rw_finish_report *report, GError **error)
{
    speaker s = {.what = what};
    options->data = &s;
    options->progress = on_progress;
    options->note = on_note;
    options->cancel = rw_cli_cancelled();
    rw_finish *finish = rw_finish_new(reel, options, error);
    bool ok = finish && rw_finish_run(finish, report, error);
    rw_progress_free(&s.progress);
    rw_finish_free(&finish);
    return ok;
}
