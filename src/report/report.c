/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/report.h>

#include "base/fs.h"
#include "report/content.h"

typedef struct writer {
    const char *ending;
    bool (*write)(const rw_report_content *content, const char *path, GError **error);
} writer;

static const writer writers[] = {
    {".html", rw_report_write_html},
    {".pdf", rw_report_write_pdf},
};

static const writer *find_writer(const char *path)
{
    g_autofree char *lower = g_ascii_strdown(path, -1);
    for (size_t i = 0; i < G_N_ELEMENTS(writers); i++)
        if (g_str_has_suffix(lower, writers[i].ending))
            return &writers[i];
    return NULL;
}

bool rw_report_write(rw_reel *reel, const char *path, GError **error)
{
    const writer *kind = find_writer(path);
    if (!kind) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "A report is written as .html or .pdf: \"%s\" ends in neither.", path);
        return false;
    }
    rw_whole_file *file = rw_whole_file_open(path, error);
    if (!file)
        return false;
    rw_report_content *content = rw_report_content_new(reel, error);
    bool ok = content && kind->write(content, rw_whole_file_temp(file), error);
    rw_report_content_free(&content);
    if (!ok) {
        rw_whole_file_abandon(&file);
        return false;
    }
    return rw_whole_file_commit(&file, error);
}
