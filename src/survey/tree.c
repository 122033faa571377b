/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <poll.h>
#include <string.h>
#include <sys/inotify.h>
#include <sys/stat.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include <reelwright/still.h>

#include "survey/tree.h"

#define QUIET_US    (2 * G_USEC_PER_SEC) /* without growth: nobody writes any more */
#define GIVEN_UP_US (12 * G_USEC_PER_SEC)
#define HOLD_US     (4 * G_USEC_PER_SEC) /* for an earlier name that is still being written */
#define LOOK_US     (200 * 1000)         /* between two looks at what waits */

typedef struct arrival {
    char *path;
    int64_t bytes;
    int64_t changed_us; /* monotonic, when it last grew */
    bool closed;        /* its writer is done with it */
    int64_t torn_bytes; /* it was not whole when it had so many bytes; -1 not looked at */
} arrival;

struct rw_tree {
    int fd;
    GHashTable *folders; /* watch descriptor -> path */
    GHashTable *known;   /* every path that was ever seen */
    GHashTable *waiting; /* path -> arrival */
    GPtrArray *ready;    /* paths, whole; last first */
    int64_t looked_us;
    bool relist; /* the kernel's queue overflowed: look at everything again */
    char *root;
};

static void free_arrival(gpointer data)
{
    arrival *a = data;
    g_free(a->path);
    g_free(a);
}

static bool is_still_name(const char *name)
{
    static const char *const endings[] = {".jpg", ".jpeg", ".png", ".tif", ".tiff"};
    g_autofree char *lower = g_ascii_strdown(name, -1);
    for (size_t i = 0; i < G_N_ELEMENTS(endings); i++)
        if (name[0] != '.' && g_str_has_suffix(lower, endings[i]))
            return true;
    return false;
}

static void note_file(rw_tree *tree, const char *path, bool closed)
{
    arrival *a = g_hash_table_lookup(tree->waiting, path);
    if (!a) {
        if (!g_hash_table_add(tree->known, g_strdup(path)))
            return; /* it came before */
        a = g_new0(arrival, 1);
        a->path = g_strdup(path);
        a->bytes = a->torn_bytes = -1;
        a->changed_us = g_get_monotonic_time();
        g_hash_table_insert(tree->waiting, a->path, a);
    }
    a->closed |= closed;
}

/* Watches a folder and what lies below it, and notes the files that are there. */
static void add_folder(rw_tree *tree, const char *folder)
{
    int wd = inotify_add_watch(tree->fd, folder,
                               IN_CREATE | IN_CLOSE_WRITE | IN_MOVED_TO | IN_MODIFY | IN_ONLYDIR);
    if (wd >= 0)
        g_hash_table_insert(tree->folders, GINT_TO_POINTER(wd), g_strdup(folder));
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *path = g_build_filename(folder, name, NULL);
        if (name[0] == '.')
            continue;
        if (g_file_test(path, G_FILE_TEST_IS_DIR))
            add_folder(tree, path);
        else if (is_still_name(name))
            note_file(tree, path, false);
    }
}

rw_tree *rw_tree_open(const char *folder, GError **error)
{
    if (!g_file_test(folder, G_FILE_TEST_IS_DIR)) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s is not a folder.", folder);
        return NULL;
    }
    int fd = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (fd < 0) {
        rw_error_from_errno(error, errno, "Cannot watch the folder %s", folder);
        return NULL;
    }
    rw_tree *tree = g_new0(rw_tree, 1);
    tree->fd = fd;
    tree->root = g_strdup(folder);
    tree->folders = g_hash_table_new_full(NULL, NULL, NULL, g_free);
    tree->known = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    tree->waiting = g_hash_table_new_full(g_str_hash, g_str_equal, NULL, free_arrival);
    tree->ready = g_ptr_array_new_with_free_func(g_free);
    add_folder(tree, folder);
    return tree;
}

void rw_tree_close(rw_tree **tree)
{
    if (!*tree)
        return;
    close((*tree)->fd);
    g_hash_table_unref((*tree)->folders);
    g_hash_table_unref((*tree)->known);
    g_hash_table_unref((*tree)->waiting);
    g_ptr_array_unref((*tree)->ready);
    g_free((*tree)->root);
    g_clear_pointer(tree, g_free);
}

static void take_event(rw_tree *tree, const struct inotify_event *event)
{
    if (event->mask & IN_Q_OVERFLOW)
        tree->relist = true;
    const char *folder = g_hash_table_lookup(tree->folders, GINT_TO_POINTER(event->wd));
    if (!folder || event->len == 0 || event->name[0] == '.')
        return;
    g_autofree char *path = g_build_filename(folder, event->name, NULL);
    if (event->mask & IN_ISDIR)
        add_folder(tree, path);
    else if (is_still_name(event->name))
        note_file(tree, path, event->mask & (IN_CLOSE_WRITE | IN_MOVED_TO));
}

static void read_events(rw_tree *tree)
{
    _Alignas(struct inotify_event) char buffer[16384];
    ssize_t got;
    while ((got = read(tree->fd, buffer, sizeof buffer)) > 0)
        for (char *p = buffer; p < buffer + got;) {
            const struct inotify_event *event = (const void *)p;
            take_event(tree, event);
            p += sizeof *event + event->len;
        }
    if (tree->relist) {
        tree->relist = false;
        add_folder(tree, tree->root);
    }
}

/* Is this file all there? Growth starts its clock anew. */
static bool is_whole(arrival *a, int64_t now)
{
    struct stat s;
    char fault[160];
    if (g_stat(a->path, &s) != 0)
        return false;
    if (s.st_size != a->bytes) {
        a->bytes = s.st_size;
        a->changed_us = now;
    }
    int64_t quiet = now - a->changed_us;
    if (!a->closed && quiet < QUIET_US)
        return false;
    if (s.st_size > 0 && s.st_size != a->torn_bytes) {
        if (rw_still_check(a->path, fault, NULL) && fault[0] == '\0')
            return true;
        a->torn_bytes = s.st_size;
    }
    return quiet >= GIVEN_UP_US; /* as it is: whoever looks at it will say what is wrong */
}

static int later_first(gconstpointer a, gconstpointer b)
{
    return -rw_natural_compare(*(const char *const *)a, *(const char *const *)b);
}

/* Moves what is whole now to `ready`. */
static void look(rw_tree *tree)
{
    GHashTableIter iter;
    gpointer value;
    int64_t now = g_get_monotonic_time();
    tree->looked_us = now;
    g_hash_table_iter_init(&iter, tree->waiting);
    while (g_hash_table_iter_next(&iter, NULL, &value)) {
        arrival *a = value;
        if (is_whole(a, now)) {
            g_ptr_array_add(tree->ready, g_strdup(a->path));
            g_hash_table_iter_remove(&iter);
        } else if (!g_file_test(a->path, G_FILE_TEST_EXISTS)) {
            g_hash_table_remove(tree->known, a->path); /* gone; may come again */
            g_hash_table_iter_remove(&iter);
        }
    }
    g_ptr_array_sort(tree->ready, later_first);
}

/* The first by name, unless one before it is on its way: NULL then, for a while. */
static char *take_ready(rw_tree *tree)
{
    if (tree->ready->len == 0)
        return NULL;
    const char *first = g_ptr_array_index(tree->ready, tree->ready->len - 1);
    GHashTableIter iter;
    gpointer value;
    int64_t now = g_get_monotonic_time();
    g_hash_table_iter_init(&iter, tree->waiting);
    while (g_hash_table_iter_next(&iter, NULL, &value)) {
        const arrival *a = value;
        if (now - a->changed_us < HOLD_US && rw_natural_compare(a->path, first) < 0)
            return NULL;
    }
    return g_ptr_array_steal_index(tree->ready, tree->ready->len - 1);
}

char *rw_tree_next(rw_tree *tree, int timeout_ms)
{
    int64_t end = g_get_monotonic_time() + (int64_t)timeout_ms * 1000;
    for (;;) {
        read_events(tree);
        int64_t now = g_get_monotonic_time();
        if (g_hash_table_size(tree->waiting) && now - tree->looked_us >= LOOK_US / 10)
            look(tree);
        char *path = take_ready(tree);
        if (path)
            return path;
        if (now >= end)
            return NULL;
        struct pollfd p = {.fd = tree->fd, .events = POLLIN};
        int wait = (int)MIN((end - now) / 1000 + 1, LOOK_US / 1000);
        if (poll(&p, 1, wait) < 0 && errno == EINTR)
            return NULL; /* a signal: the caller looks whether to stop */
    }
}

size_t rw_tree_waiting(const rw_tree *tree)
{
    return g_hash_table_size(tree->waiting);
}
