/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <dirent.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <gio/gunixmounts.h>

#include "bench/beneath.h"
#include "bench/sources.h"

#define DEEP        3 /* folders below a starting point */
#define MOST        100
#define MOST_STILLS 100000

struct rw_sources {
    char **roots;
};

rw_sources *rw_sources_new(const char *shelf, const char *const *folders)
{
    GPtrArray *roots = g_ptr_array_new();
    for (; folders && *folders; folders++)
        g_ptr_array_add(roots, g_canonicalize_filename(*folders, NULL));
    g_ptr_array_add(roots, g_canonicalize_filename(shelf, NULL));
    g_ptr_array_add(roots, NULL);
    rw_sources *sources = g_new0(rw_sources, 1);
    sources->roots = (char **)g_ptr_array_free(roots, FALSE);
    return sources;
}

void rw_sources_free(rw_sources **sources)
{
    if (!*sources)
        return;
    g_strfreev((*sources)->roots);
    g_clear_pointer(sources, g_free);
}

static void source_free(gpointer data)
{
    rw_source *source = data;
    g_free(source->id);
    g_free(source->path);
    g_free(source);
}

static bool is_still(const char *name)
{
    static const char *const endings[] = {".jpg", ".jpeg", ".png", ".tif", ".tiff"};
    g_autofree char *lower = g_ascii_strdown(name, -1);
    for (size_t i = 0; i < G_N_ELEMENTS(endings); i++)
        if (g_str_has_suffix(lower, endings[i]))
            return name[0] != '.';
    return false;
}

/* The stills of one folder, and of the folders in it when depth allows. Takes fd over. */
static void count(int fd, int depth, rw_source *source)
{
    DIR *dir = fdopendir(fd);
    if (!dir) {
        close(fd);
        return;
    }
    struct dirent *entry;
    struct stat info;
    while (source->stills < MOST_STILLS && (entry = readdir(dir))) {
        if (entry->d_name[0] == '.' || fstatat(fd, entry->d_name, &info, AT_SYMLINK_NOFOLLOW) != 0)
            continue;
        if (S_ISREG(info.st_mode) && is_still(entry->d_name)) {
            source->stills++;
            source->bytes += info.st_size;
        } else if (S_ISDIR(info.st_mode) && depth > 0) {
            int inner = rw_beneath_open(fd, entry->d_name, O_RDONLY | O_DIRECTORY, NULL);
            if (inner >= 0)
                count(inner, depth - 1, source);
        }
    }
    closedir(dir);
}

static void add_source(GPtrArray *found, const char *path, int folder, bool is_card)
{
    rw_source *source = g_new0(rw_source, 1);
    int fd = rw_beneath_open(folder, is_card ? "DCIM" : "", O_RDONLY | O_DIRECTORY, NULL);
    if (fd >= 0)
        count(fd, is_card ? 1 : 0, source);
    if (source->stills == 0) {
        g_free(source);
        return;
    }
    g_autofree char *sum = g_compute_checksum_for_string(G_CHECKSUM_SHA256, path, -1);
    source->id = g_strndup(sum, 16);
    source->path = g_strdup(path);
    source->is_card = is_card;
    g_ptr_array_add(found, source);
}

/* A reel is no source, and what is in one is none either. Takes fd over. */
static void search(GPtrArray *found, const char *path, int fd, int depth)
{
    DIR *dir = fdopendir(fd);
    if (!dir) {
        close(fd);
        return;
    }
    bool is_reel = rw_beneath_has_file(fd, "reel.db");
    bool is_card = !is_reel && rw_beneath_has_folder(fd, "DCIM");
    if (!is_reel)
        add_source(found, path, fd, is_card);
    struct dirent *entry;
    while (!is_reel && !is_card && depth > 0 && found->len < MOST && (entry = readdir(dir))) {
        if (entry->d_name[0] == '.')
            continue;
        int inner = rw_beneath_open(fd, entry->d_name, O_RDONLY | O_DIRECTORY, NULL);
        g_autofree char *name = g_build_filename(path, entry->d_name, NULL);
        if (inner >= 0)
            search(found, name, inner, depth - 1);
    }
    closedir(dir);
}

static void search_root(GPtrArray *found, const char *path, int depth)
{
    int fd = rw_beneath_folder(path, NULL);
    if (fd >= 0)
        search(found, path, fd, depth);
}

/* Where desktops and people mount what they plug in. */
static bool is_removable(const char *path)
{
    return g_str_has_prefix(path, "/media/") || g_str_has_prefix(path, "/run/media/") ||
           g_str_has_prefix(path, "/mnt/");
}

static int compare(gconstpointer a, gconstpointer b)
{
    const rw_source *x = *(rw_source *const *)a, *y = *(rw_source *const *)b;
    return x->is_card != y->is_card ? (int)y->is_card - (int)x->is_card : strcmp(x->path, y->path);
}

static void drop_repeats(GPtrArray *found)
{
    for (guint i = found->len; i-- > 1;) {
        const rw_source *a = g_ptr_array_index(found, i), *b = g_ptr_array_index(found, i - 1);
        if (g_str_equal(a->path, b->path))
            g_ptr_array_remove_index(found, i);
    }
}

GPtrArray *rw_sources_look(const rw_sources *sources)
{
    GPtrArray *found = g_ptr_array_new_with_free_func(source_free);
    for (char **root = sources->roots; *root; root++)
        search_root(found, *root, DEEP);
    GList *mounts = g_unix_mounts_get(NULL);
    for (GList *l = mounts; l; l = l->next) {
        const char *path = g_unix_mount_get_mount_path(l->data);
        if (is_removable(path))
            search_root(found, path, 1);
    }
    g_list_free_full(mounts, (GDestroyNotify)g_unix_mount_free);
    g_ptr_array_sort(found, compare);
    drop_repeats(found);
    return found;
}

char *rw_sources_find(const rw_sources *sources, const char *id, GError **error)
{
    g_autoptr(GPtrArray) found = rw_sources_look(sources);
    for (guint i = 0; i < found->len; i++) {
        const rw_source *source = g_ptr_array_index(found, i);
        if (g_str_equal(source->id, id))
            return g_strdup(source->path);
    }
    g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND,
                "That card is not there any more; plug it in and look again.");
    return NULL;
}
