/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reelwright package: a reel as a preservation package, and the check of one. What a package is
 * stands in package.h; this file gathers what the other libraries can say of the reel, asks for the
 * package and tells what became of it.
 */
#include <errno.h>
#include <stdio.h>

#include <glib/gstdio.h>
#include <reelwright/package.h>
#include <reelwright/report.h>
#include <reelwright/survey.h>

#include "cli/cli.h"
#include "cli/tell.h"

typedef struct words {
    char **movies, **describe;
    gboolean master, check, json;
    int threads;
} words;

/* ---- what goes in ---- */

/* Files that go in beside the reel's own, and where those are made that lie nowhere else. */
typedef struct load {
    char *folder; /* temporary */
    GArray *parts;
} load;

static void clear_part(gpointer data)
{
    rw_package_part *part = data;
    g_free((char *)part->source);
    g_free((char *)part->path);
}

static bool load_start(load *l, GError **error)
{
    g_autoptr(GError) fault = NULL;
    l->parts = g_array_new(FALSE, FALSE, sizeof(rw_package_part));
    g_array_set_clear_func(l->parts, clear_part);
    l->folder = g_dir_make_tmp("reelwright-package-XXXXXX", &fault);
    if (!l->folder)
        g_set_error(error, RW_ERROR, RW_ERROR_IO, "Cannot make a temporary folder: %s.",
                    fault->message);
    return l->folder != NULL;
}

static void load_end(load *l)
{
    g_autoptr(GDir) dir = l->folder ? g_dir_open(l->folder, 0, NULL) : NULL;
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *path = g_build_filename(l->folder, name, NULL);
        g_unlink(path);
    }
    if (l->folder)
        g_rmdir(l->folder);
    g_free(l->folder);
    g_clear_pointer(&l->parts, g_array_unref);
}

/* Takes source. */
static void add_part(load *l, char *source, const char *folder, const char *name)
{
    rw_package_part part = {.source = source, .path = g_strconcat(folder, "/", name, NULL)};
    g_array_append_val(l->parts, part);
}

typedef bool write_json(rw_reel *reel, FILE *out, GError **error);

static bool add_document(load *l, rw_reel *reel, const char *name, write_json *write,
                         GError **error)
{
    char *path = g_build_filename(l->folder, name, NULL);
    add_part(l, path, "documents", name);
    FILE *out = g_fopen(path, "w");
    if (!out) {
        rw_error_from_errno(error, errno, "Cannot write %s", path);
        return false;
    }
    bool ok = write(reel, out, error);
    if (fclose(out) != 0 && ok) {
        rw_error_from_errno(error, errno, "Cannot write %s", path);
        ok = false;
    }
    return ok;
}

static bool is_surveyed(rw_reel *reel)
{
    g_autoptr(GArray) scenes = rw_reel_scenes(reel, NULL);
    return scenes && scenes->len > 0;
}

static bool add_documents(load *l, rw_reel *reel, GError **error)
{
    char *report = g_build_filename(l->folder, "report.html", NULL);
    add_part(l, report, "documents", "report.html");
    return rw_report_write(reel, report, error) &&
           (!is_surveyed(reel) ||
            (add_document(l, reel, "survey.json", rw_survey_write_json, error) &&
             add_document(l, reel, "findings.json", rw_findings_write_json, error)));
}

/* Whatever finish and the others left in REEL/out, but for files that are being written. */
static void add_made(load *l, rw_reel *reel)
{
    g_autofree char *folder = rw_reel_file(reel, "out");
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        char *path = g_build_filename(folder, name, NULL);
        if (name[0] != '.' && g_file_test(path, G_FILE_TEST_IS_REGULAR))
            add_part(l, path, "out", name);
        else
            g_free(path);
    }
}

static bool add_movies(load *l, char **movies, GError **error)
{
    for (char **movie = movies; movie && *movie; movie++) {
        if (!g_file_test(*movie, G_FILE_TEST_IS_REGULAR)) {
            g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "There is no file %s.", *movie);
            return false;
        }
        g_autofree char *name = g_path_get_basename(*movie);
        add_part(l, g_strdup(*movie), "out", name);
    }
    return true;
}

/* ---- the lossless movie ---- */

/* Every picture laid in register and nothing else done to it, at the size in which it was taken and
 * the film's own speed. One that is there already is kept. */
static bool make_master(rw_reel *reel, int threads, GError **error)
{
    static const char *const only[] = {"register", NULL};
    g_autofree char *path = rw_reel_file(reel, "out/master.mkv");
    if (g_file_test(path, G_FILE_TEST_EXISTS))
        return true;
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.output = path;
    o.size = "native";
    o.codec = "ffv1";
    o.only = only;
    o.threads = threads;
    return rw_tell_movie(reel, &o, "master", NULL, error);
}

/* ---- telling ---- */

static void add_list(JsonBuilder *b, const char *key, const GPtrArray *list)
{
    json_builder_set_member_name(b, key);
    json_builder_begin_array(b);
    for (guint i = 0; list && i < list->len; i++) {
        g_autofree char *valid = g_utf8_make_valid(g_ptr_array_index(list, i), -1);
        json_builder_add_string_value(b, valid);
    }
    json_builder_end_array(b);
}

static void tell_package(const char *folder, const rw_package_summary *s, const GError *error,
                         bool json)
{
    if (json) {
        g_autoptr(JsonBuilder) b = json_builder_new();
        json_builder_begin_object(b);
        rw_tell_text(b, "package", folder);
        rw_tell_int(b, "originals", s->originals);
        rw_tell_int(b, "files", s->files);
        rw_tell_int(b, "bytes", s->bytes);
        rw_tell_int(b, "kept", s->kept);
        add_list(b, "lost", s->lost);
        if (error)
            rw_tell_text(b, "error", error->message);
        json_builder_end_object(b);
        rw_tell_print(b);
    } else if (!error) {
        g_autofree char *size = g_format_size((guint64)s->bytes);
        g_print("%s: %" G_GINT64_FORMAT " originals and %" G_GINT64_FORMAT
                " other files, %s; every one was read back and agrees\n",
                folder, s->originals, s->files - s->originals, size);
        if (s->kept)
            g_print("  %" G_GINT64_FORMAT " were there from an earlier run and were read again\n",
                    s->kept);
    }
}

static void tell_check(const char *folder, const rw_bag_summary *s, bool json)
{
    enum { MOST = 20 };
    if (json) {
        g_autoptr(JsonBuilder) b = json_builder_new();
        json_builder_begin_object(b);
        rw_tell_text(b, "package", folder);
        json_builder_set_member_name(b, "valid");
        json_builder_add_boolean_value(b, s->troubles->len == 0);
        rw_tell_int(b, "files", s->files);
        rw_tell_int(b, "bytes", s->bytes);
        rw_tell_text(b, "checked_by", s->algorithms);
        add_list(b, "troubles", s->troubles);
        json_builder_end_object(b);
        rw_tell_print(b);
        return;
    }
    g_autofree char *size = g_format_size((guint64)s->bytes);
    g_print("%s: %s; %" G_GINT64_FORMAT " files, %s, checked by %s\n", folder,
            s->troubles->len ? "NOT as it was packaged" : "complete and unchanged", s->files, size,
            s->algorithms[0] ? s->algorithms : "nothing");
    for (guint i = 0; i < MIN(s->troubles->len, MOST); i++)
        g_print("  %s\n", (const char *)g_ptr_array_index(s->troubles, i));
    if (s->troubles->len > MOST)
        g_print("  and %u more\n", s->troubles->len - MOST);
    if (s->troubles->len)
        g_print("  Take what is missing or changed from another copy, and look at this disk.\n");
}

/* ---- the command ---- */

static bool gather(load *l, rw_reel *reel, const words *w, GError **error)
{
    if (w->master && !make_master(reel, w->threads, error))
        return false;
    if (!load_start(l, error) || !add_documents(l, reel, error))
        return false;
    add_made(l, reel);
    return add_movies(l, w->movies, error);
}

static int run_package(const char *path, const char *folder, const words *w)
{
    g_autoptr(GError) error = NULL;
    rw_package_options o = RW_PACKAGE_DEFAULTS;
    rw_package_summary summary = {0};
    load l = {0};
    rw_reel *reel = rw_reel_open(path, &error);
    bool ok = reel && gather(&l, reel, w, &error);
    if (ok) {
        o.parts = (const rw_package_part *)(const void *)l.parts->data;
        o.n_parts = l.parts->len;
        o.describe = (const char *const *)w->describe;
        o.threads = w->threads > 0 ? w->threads : o.threads;
        o.progress = true;
        o.cancel = rw_cli_cancelled();
        ok = rw_package_write(reel, folder, &o, &summary, &error);
        tell_package(folder, &summary, error, w->json);
        rw_package_summary_clear(&summary);
    }
    load_end(&l);
    rw_reel_close(&reel);
    return ok ? 0 : rw_cli_fail(error);
}

static int run_check(const char *folder, const words *w)
{
    g_autoptr(GError) error = NULL;
    rw_bag_options o = {w->threads > 0 ? w->threads : 2, true, rw_cli_cancelled()};
    rw_bag_summary summary;
    bool ok = rw_bag_check(folder, &o, &summary, &error);
    bool valid = ok && summary.troubles->len == 0;
    if (ok)
        tell_check(folder, &summary, w->json);
    rw_bag_summary_clear(&summary);
    return !ok ? rw_cli_fail(error) : valid ? 0 : 1;
}

static int run(const rw_command *self, int argc, char **argv)
{
    words w = {0};
    const GOptionEntry entries[] = {
        {"movie", 0, 0, G_OPTION_ARG_FILENAME_ARRAY, &w.movies,
         "Put this file in too, beside those of REEL/out; may be repeated", "FILE"},
        {"master", 0, 0, G_OPTION_ARG_NONE, &w.master,
         "Make a lossless movie of the registered stills first, REEL/out/master.mkv", NULL},
        {"describe", 0, 0, G_OPTION_ARG_STRING_ARRAY, &w.describe,
         "Say this in the description, by a word of Dublin Core; may be repeated", "ELEMENT=TEXT"},
        {"check", 0, 0, G_OPTION_ARG_NONE, &w.check,
         "Look whether the package DIR is complete and unchanged; takes no REEL", NULL},
        {"threads", 0, 0, G_OPTION_ARG_INT, &w.threads, "Files at once (default: 2)", "N"},
        {"json", 0, 0, G_OPTION_ARG_NONE, &w.json, "Print what was done as one JSON document",
         NULL},
        G_OPTION_ENTRY_NULL};
    int code;
    if (rw_cli_parse(self, entries, &argc, &argv, 1, 2, &code)) {
        if (w.threads < 0 || w.threads > 64)
            code = rw_cli_usage(self, "--threads takes a number from 1 to 64.");
        else if (argc != (w.check ? 2 : 3))
            code = rw_cli_usage(self, w.check ? "--check takes the package's folder alone."
                                              : "Name the reel and the package's folder.");
        else
            code = w.check ? run_check(argv[1], &w) : run_package(argv[1], argv[2], &w);
    }
    g_strfreev(w.movies);
    g_strfreev(w.describe);
    return code;
}

const rw_command rw_cmd_package = {
    .name = "package",
    .summary = "Make a preservation package of a reel, or check one",
    .arguments = "REEL DIR",
    .details =
        "DIR, a new folder, becomes a bag by RFC 8493: the originals, reel.db, the report, what\n"
        "lies in REEL/out, a description, and lists of checksums that prove all of it. Stopped,\n"
        "the same command goes on where it was. With --check DIR is looked at and left alone.\n",
    .run = run,
};
