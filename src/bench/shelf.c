/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <reelwright/still.h>

#include "bench/beneath.h"
#include "bench/guard.h"
#include "bench/shelf.h"

#define MAX_IDLE     8
#define IDLE_SECONDS 5

typedef struct idle_reel {
    char *name;
    rw_reel *reel;
    ino_t inode; /* of reel.db when it was opened: another file of that name is another reel */
    int64_t since_us;
} idle_reel;

struct rw_shelf {
    char *path;
    int folder;
    GMutex lock;
    GQueue idle;       /* idle_reel, oldest first; guarded */
    GHashTable *marks; /* name -> what reel.db looked like; the ticking thread's */
};

rw_shelf *rw_shelf_new(const char *path, GError **error)
{
    int folder = rw_beneath_folder(path, error);
    if (folder < 0)
        return NULL;
    rw_shelf *shelf = g_new0(rw_shelf, 1);
    shelf->path = g_canonicalize_filename(path, NULL);
    shelf->folder = folder;
    shelf->marks = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    g_mutex_init(&shelf->lock);
    g_queue_init(&shelf->idle);
    return shelf;
}

static void idle_free(idle_reel *idle)
{
    rw_reel_close(&idle->reel);
    g_free(idle->name);
    g_free(idle);
}

void rw_shelf_free(rw_shelf **shelf)
{
    rw_shelf *s = *shelf;
    if (!s)
        return;
    g_queue_clear_full(&s->idle, (GDestroyNotify)idle_free);
    g_hash_table_unref(s->marks);
    g_mutex_clear(&s->lock);
    close(s->folder);
    g_free(s->path);
    g_clear_pointer(shelf, g_free);
}

const char *rw_shelf_path(const rw_shelf *shelf)
{
    return shelf->path;
}

int rw_shelf_folder(const rw_shelf *shelf)
{
    return shelf->folder;
}

/* What reel.db and its log look like now; inode 0 when it is no reel. */
typedef struct reel_mark {
    ino_t inode;
    int64_t size, log_size, us, log_us;
} reel_mark;

static int64_t time_of(const struct stat *info)
{
    return (int64_t)info->st_mtim.tv_sec * 1000000 + info->st_mtim.tv_nsec / 1000;
}

static reel_mark look_at(const rw_shelf *shelf, const char *name)
{
    reel_mark mark = {0};
    struct stat info;
    int folder = rw_guard_reel_name(name)
                     ? rw_beneath_open(shelf->folder, name, O_RDONLY | O_DIRECTORY, NULL)
                     : -1;
    if (folder < 0)
        return mark;
    if (fstatat(folder, "reel.db", &info, AT_SYMLINK_NOFOLLOW) == 0 && S_ISREG(info.st_mode)) {
        mark.inode = info.st_ino;
        mark.size = info.st_size;
        mark.us = time_of(&info);
        if (fstatat(folder, "reel.db-wal", &info, AT_SYMLINK_NOFOLLOW) == 0) {
            mark.log_size = info.st_size;
            mark.log_us = time_of(&info);
        }
    }
    close(folder);
    return mark;
}

static int by_nature(gconstpointer a, gconstpointer b)
{
    return rw_natural_compare(*(char *const *)a, *(char *const *)b);
}

char **rw_shelf_names(const rw_shelf *shelf)
{
    GPtrArray *names = g_ptr_array_new();
    int fd = rw_beneath_open(shelf->folder, "", O_RDONLY | O_DIRECTORY, NULL);
    DIR *dir = fd >= 0 ? fdopendir(fd) : NULL;
    struct dirent *entry;
    while (dir && (entry = readdir(dir)))
        if (look_at(shelf, entry->d_name).inode)
            g_ptr_array_add(names, g_strdup(entry->d_name));
    if (dir)
        closedir(dir);
    g_ptr_array_sort(names, by_nature);
    g_ptr_array_add(names, NULL);
    return (char **)g_ptr_array_free(names, FALSE);
}

char *rw_shelf_reel_path(const rw_shelf *shelf, const char *name, GError **error)
{
    if (!look_at(shelf, name).inode) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "There is no reel \"%s\" on the shelf.",
                    name);
        return NULL;
    }
    return g_build_filename(shelf->path, name, NULL);
}

static idle_reel *take_idle(rw_shelf *shelf, const char *name)
{
    idle_reel *found = NULL;
    g_mutex_lock(&shelf->lock);
    for (GList *l = shelf->idle.head; l && !found; l = l->next) {
        idle_reel *idle = l->data;
        if (g_str_equal(idle->name, name)) {
            found = idle;
            g_queue_delete_link(&shelf->idle, l);
            break;
        }
    }
    g_mutex_unlock(&shelf->lock);
    return found;
}

rw_reel *rw_shelf_borrow(rw_shelf *shelf, const char *name, GError **error)
{
    g_autofree char *path = rw_shelf_reel_path(shelf, name, error);
    if (!path)
        return NULL;
    ino_t inode = look_at(shelf, name).inode;
    for (idle_reel *idle; (idle = take_idle(shelf, name));) {
        rw_reel *reel = idle->inode == inode ? g_steal_pointer(&idle->reel) : NULL;
        idle_free(idle);
        if (reel)
            return reel;
    }
    return rw_reel_open(path, error);
}

void rw_shelf_return(rw_shelf *shelf, const char *name, rw_reel **reel)
{
    if (!*reel)
        return;
    rw_reel_rollback(*reel);
    idle_reel *idle = g_new0(idle_reel, 1);
    idle->name = g_strdup(name);
    idle->reel = g_steal_pointer(reel);
    idle->inode = look_at(shelf, name).inode;
    idle->since_us = g_get_monotonic_time();
    idle_reel *extra = NULL;
    g_mutex_lock(&shelf->lock);
    g_queue_push_tail(&shelf->idle, idle);
    if (shelf->idle.length > MAX_IDLE)
        extra = g_queue_pop_head(&shelf->idle);
    g_mutex_unlock(&shelf->lock);
    if (extra)
        idle_free(extra);
}

int rw_shelf_open(const rw_shelf *shelf, const char *name, const char *relative, GError **error)
{
    /* a database is never opened as a plain file: beneath.c says why */
    if (!rw_guard_reel_name(name) || !*relative || g_str_has_prefix(relative, "reel.db")) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "There is no \"%s\" here.", relative);
        return -1;
    }
    g_autofree char *path = g_strconcat(name, "/", relative, NULL);
    return rw_beneath_open(shelf->folder, path, O_RDONLY, error);
}

static void close_idle(rw_shelf *shelf)
{
    int64_t limit = g_get_monotonic_time() - IDLE_SECONDS * G_USEC_PER_SEC;
    GQueue old = G_QUEUE_INIT;
    g_mutex_lock(&shelf->lock);
    while (shelf->idle.head && ((idle_reel *)shelf->idle.head->data)->since_us < limit)
        g_queue_push_tail(&old, g_queue_pop_head(&shelf->idle));
    g_mutex_unlock(&shelf->lock);
    g_queue_clear_full(&old, (GDestroyNotify)idle_free);
}

void rw_shelf_tick(rw_shelf *shelf, void (*changed)(const char *name, void *data), void *data)
{
    close_idle(shelf);
    g_auto(GStrv) names = rw_shelf_names(shelf);
    for (char **name = names; *name; name++) {
        reel_mark now = look_at(shelf, *name);
        reel_mark *before = g_hash_table_lookup(shelf->marks, *name);
        if (before && memcmp(before, &now, sizeof now) == 0)
            continue;
        g_hash_table_replace(shelf->marks, g_strdup(*name), g_memdup2(&now, sizeof now));
        changed(*name, data);
    }
}
