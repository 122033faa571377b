/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <stdio.h>

#include <glib/gstdio.h>

#include "base/fs.h"
#include "finish/trace.h"

struct rw_trace {
    rw_whole_file *file;
    FILE *out;
    char *path;
};

rw_trace *rw_trace_open(const char *path, GError **error)
{
    rw_trace *t = g_new0(rw_trace, 1);
    t->path = g_strdup(path);
    t->file = rw_whole_file_open(path, error);
    if (t->file) {
        t->out = g_fopen(rw_whole_file_temp(t->file), "we");
        if (!t->out)
            rw_error_from_errno(error, errno, "Cannot write %s", path);
    }
    if (!t->out)
        rw_trace_abandon(&t);
    return t;
}

/* Numbers with a point in any locale, exact to the last bit. */
static void append(GString *s, double x)
{
    char text[G_ASCII_DTOSTR_BUF_SIZE];
    g_string_append(s, g_ascii_dtostr(text, sizeof text, x));
}

static void append_row(GString *s, const double *row)
{
    g_string_append_c(s, '[');
    for (int i = 0; i < 3; i++) {
        if (i)
            g_string_append_c(s, ',');
        append(s, row[i]);
    }
    g_string_append_c(s, ']');
}

static void append_affine(GString *s, const char *key, rw_affine a)
{
    g_string_append_printf(s, "\"%s\":[", key);
    append_row(s, a.m[0]);
    g_string_append_c(s, ',');
    append_row(s, a.m[1]);
    g_string_append(s, "],");
}

static void append_repaired(GString *s, const int64_t repaired[RW_BLEMISH_KINDS])
{
    int64_t all = 0;
    for (int k = 0; k < RW_BLEMISH_KINDS; k++)
        all += repaired[k];
    g_string_append_printf(s, ",\"blemish_pixels\":%" G_GINT64_FORMAT ",\"repaired\":{", all);
    for (int k = 0; k < RW_BLEMISH_KINDS; k++)
        g_string_append_printf(s, "%s\"%s\":%" G_GINT64_FORMAT, k ? "," : "",
                               rw_blemish_kind_name((rw_blemish_kind)k), repaired[k]);
    g_string_append(s, "},");
}

bool rw_trace_write(rw_trace *t, const rw_trace_line *line, GError **error)
{
    g_autoptr(GString) s = g_string_new(NULL);
    g_string_append_printf(s, "{\"out\":%" G_GINT64_FORMAT ",\"frames\":[%" G_GINT64_FORMAT,
                           line->out, line->frames[0]);
    if (line->n_frames > 1)
        g_string_append_printf(s, ",%" G_GINT64_FORMAT, line->frames[1]);
    g_string_append(s, "],");
    append_affine(s, "still_to_out", line->still_to_out);
    append_affine(s, "register", line->still_to_film);
    append_affine(s, "steady", line->steady);
    append_affine(s, "frame", line->film_to_out);
    g_string_append(s, "\"gain\":");
    append_row(s, line->gain);
    append_repaired(s, line->repaired);
    g_string_append_printf(s, "\"held\":%s}\n", line->held ? "true" : "false");
    if (fwrite(s->str, 1, s->len, t->out) == s->len)
        return true;
    rw_error_from_errno(error, errno, "Cannot write %s; nothing of it is kept", t->path);
    return false;
}

bool rw_trace_close(rw_trace **trace, GError **error)
{
    rw_trace *t = *trace;
    FILE *out = g_steal_pointer(&t->out);
    bool ok = fclose(out) == 0;
    if (!ok)
        rw_error_from_errno(error, errno, "Cannot write %s; nothing of it is kept", t->path);
    else
        ok = rw_whole_file_commit(&t->file, error);
    rw_trace_abandon(trace);
    return ok;
}

void rw_trace_abandon(rw_trace **trace)
{
    rw_trace *t = *trace;
    if (!t)
        return;
    if (t->out)
        fclose(t->out);
    rw_whole_file_abandon(&t->file);
    g_free(t->path);
    g_clear_pointer(trace, g_free);
}
