/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#include <gio/gio.h>

#include "bench/beneath.h"
#include "bench/page.h"
#include "page_files.h"

struct rw_page {
    int folder; /* -1: built in */
    GResource *files;
};

rw_page *rw_page_new(const char *folder, GError **error)
{
    rw_page *page = g_new0(rw_page, 1);
    page->folder = -1;
    if (folder && (page->folder = rw_beneath_folder(folder, error)) < 0) {
        g_free(page);
        return NULL;
    }
    page->files = page_files_get_resource();
    return page;
}

void rw_page_free(rw_page **page)
{
    if (!*page)
        return;
    if ((*page)->folder >= 0)
        close((*page)->folder);
    g_clear_pointer(page, g_free);
}

static const char *type_of(const char *path)
{
    static const char *const types[][2] = {{".html", "text/html; charset=utf-8"},
                                           {".js", "text/javascript; charset=utf-8"},
                                           {".css", "text/css; charset=utf-8"},
                                           {".svg", "image/svg+xml"},
                                           {".json", "application/json"}};
    for (size_t i = 0; i < G_N_ELEMENTS(types); i++)
        if (g_str_has_suffix(path, types[i][0]))
            return types[i][1];
    return NULL;
}

/* From the folder, if there is one; what is not there (the libraries) comes from the built-in
 * files, which hold it too. */
static GBytes *read_file(const rw_page *page, const char *path)
{
    int fd = page->folder >= 0 ? rw_beneath_open(page->folder, path, O_RDONLY, NULL) : -1;
    GBytes *bytes = NULL;
    if (fd >= 0) {
        GMappedFile *map = g_mapped_file_new_from_fd(fd, FALSE, NULL);
        if (map) { /* copied: the file may be written to while it is sent */
            bytes = g_bytes_new(g_mapped_file_get_contents(map), g_mapped_file_get_length(map));
            g_mapped_file_unref(map);
        }
        close(fd);
        return bytes;
    }
    g_autofree char *name = g_strconcat("/page/", path, NULL);
    return g_resource_lookup_data(page->files, name, G_RESOURCE_LOOKUP_FLAGS_NONE, NULL);
}

void rw_page_serve(const rw_page *page, const rw_request *request, const char *path,
                   rw_reply *reply)
{
    const char *file = *path ? path : "index.html";
    const char *type = type_of(file);
    GBytes *bytes = type ? read_file(page, file) : NULL;
    if (!bytes) {
        rw_reply_refuse(reply, 404, "The page has no such file.");
        return;
    }
    rw_reply_clear(reply);
    g_autofree char *sum = g_compute_checksum_for_bytes(G_CHECKSUM_SHA256, bytes);
    reply->etag = g_strdup_printf("\"%.24s\"", sum);
    reply->caching = "no-cache"; /* keep it, but ask */
    reply->type = type;
    if (request->etag && g_str_equal(request->etag, reply->etag)) {
        reply->status = 304;
        g_bytes_unref(bytes);
        reply->bytes = g_bytes_new_static("", 0);
    } else {
        reply->status = 200;
        reply->bytes = bytes;
    }
}
