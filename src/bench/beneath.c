/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "bench/beneath.h"

#define MAX_DEPTH 16

int rw_beneath_folder(const char *path, GError **error)
{
    int fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        rw_error_from_errno(error, errno, "Cannot open the folder %s", path);
    return fd;
}

static int refuse(const char *relative, GError **error)
{
    g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "There is no \"%s\" here.", relative);
    return -1;
}

static bool is_plain_part(const char *part)
{
    return *part && !g_str_equal(part, ".") && !g_str_equal(part, "..");
}

/* O_NONBLOCK: opening a named pipe must not wait for a writer. */
static int open_part(int folder, const char *part, int flags)
{
    int fd = openat(folder, part, flags | O_NOFOLLOW | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    struct stat info;
    if (fd >= 0 && (fstat(fd, &info) != 0 || !(S_ISREG(info.st_mode) || S_ISDIR(info.st_mode)))) {
        close(fd);
        return -1;
    }
    return fd;
}

int rw_beneath_open(int folder, const char *relative, int flags, GError **error)
{
    if (!*relative)
        return openat(folder, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    g_auto(GStrv) parts = g_strsplit(relative, "/", MAX_DEPTH + 1);
    guint count = g_strv_length(parts);
    if (count > MAX_DEPTH)
        return refuse(relative, error);
    int at = dup(folder);
    for (guint i = 0; at >= 0 && i < count; i++) {
        int next = -1;
        if (is_plain_part(parts[i]))
            next = open_part(at, parts[i], i + 1 < count ? O_RDONLY | O_DIRECTORY : flags);
        close(at);
        at = next;
    }
    return at >= 0 ? at : refuse(relative, error);
}

/* The last part is looked at and not opened: closing any descriptor of a database drops the locks
 * that this process holds on it (POSIX, fcntl), and another program then takes its log away. */
static bool has(int folder, const char *relative, mode_t kind)
{
    const char *slash = strrchr(relative, '/');
    g_autofree char *parent = g_strndup(relative, slash ? (gsize)(slash - relative) : 0);
    const char *name = slash ? slash + 1 : relative;
    int fd =
        is_plain_part(name) ? rw_beneath_open(folder, parent, O_RDONLY | O_DIRECTORY, NULL) : -1;
    struct stat info;
    bool found = fd >= 0 && fstatat(fd, name, &info, AT_SYMLINK_NOFOLLOW) == 0 &&
                 (info.st_mode & S_IFMT) == kind;
    if (fd >= 0)
        close(fd);
    return found;
}

bool rw_beneath_has_file(int folder, const char *relative)
{
    return has(folder, relative, S_IFREG);
}

bool rw_beneath_has_folder(int folder, const char *relative)
{
    return has(folder, relative, S_IFDIR);
}

/* Takes fd over. */
static int64_t add_up(int fd, int depth)
{
    int64_t total = 0;
    DIR *dir = fdopendir(fd);
    if (!dir) {
        close(fd);
        return 0;
    }
    struct dirent *entry;
    while ((entry = readdir(dir))) {
        struct stat info;
        if (!is_plain_part(entry->d_name) ||
            fstatat(fd, entry->d_name, &info, AT_SYMLINK_NOFOLLOW) != 0)
            continue;
        if (S_ISREG(info.st_mode)) {
            total += info.st_size;
        } else if (S_ISDIR(info.st_mode) && depth < MAX_DEPTH) {
            int inner = open_part(fd, entry->d_name, O_RDONLY | O_DIRECTORY);
            if (inner >= 0)
                total += add_up(inner, depth + 1);
        }
    }
    closedir(dir);
    return total;
}

int64_t rw_beneath_size(int folder, const char *relative)
{
    int fd = rw_beneath_open(folder, relative, O_RDONLY | O_DIRECTORY, NULL);
    return fd >= 0 ? add_up(fd, 0) : 0;
}
