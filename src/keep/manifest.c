/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "base/fs.h"
#include <reelwright/keep.h>

static int compare_rows(gconstpointer a, gconstpointer b)
{
    const rw_still_row *x = *(const rw_still_row *const *)a, *y = *(const rw_still_row *const *)b;
    return strcmp(x->path, y->path);
}

/* As sha256sum writes it: a name with a line break or a backslash is escaped and its line begins
 * with a backslash. Intake gives no such names, but a reel.db may come from elsewhere. */
static void append_line(GString *text, const rw_still_row *row)
{
    if (!row->sha256[0])
        return;
    bool plain = !strpbrk(row->path, "\n\r\\");
    g_string_append_printf(text, "%s%s  ", plain ? "" : "\\", row->sha256);
    for (const char *p = row->path; *p; p++)
        if (*p == '\n' || *p == '\r' || *p == '\\')
            g_string_append(text, *p == '\n' ? "\\n" : *p == '\r' ? "\\r" : "\\\\");
        else
            g_string_append_c(text, *p);
    g_string_append_c(text, '\n');
}

static char *make_text(const GArray *rows)
{
    g_autoptr(GPtrArray) sorted = g_ptr_array_new();
    for (guint i = 0; i < rows->len; i++)
        g_ptr_array_add(sorted, &g_array_index(rows, rw_still_row, i));
    g_ptr_array_sort(sorted, compare_rows);
    GString *text = g_string_new(NULL);
    for (guint i = 0; i < sorted->len; i++)
        append_line(text, g_ptr_array_index(sorted, i));
    return g_string_free(text, FALSE);
}

bool rw_manifest_write(rw_reel *reel, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_stills(reel, error);
    if (!rows)
        return false;
    g_autofree char *text = make_text(rows);
    g_autofree char *path = rw_reel_file(reel, "stills.sha256");
    g_autofree char *old = NULL;
    if (g_file_get_contents(path, &old, NULL, NULL) && g_str_equal(old, text))
        return true;
    return rw_write_whole(path, text, strlen(text), error);
}
