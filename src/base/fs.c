/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include "base/fs.h"

struct rw_whole_file {
    char *target, *temp;
};

/* Removes ".NAME.part-PID-*" files of processes that are gone. */
static void remove_leftovers(const char *folder, const char *prefix)
{
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    if (!dir)
        return;
    const char *name;
    while ((name = g_dir_read_name(dir))) {
        if (!g_str_has_prefix(name, prefix))
            continue;
        gint64 pid = g_ascii_strtoll(name + strlen(prefix), NULL, 10);
        if (pid <= 0 || kill((pid_t)pid, 0) == 0 || errno != ESRCH)
            continue;
        g_autofree char *path = g_build_filename(folder, name, NULL);
        g_unlink(path);
    }
}

rw_whole_file *rw_whole_file_open(const char *target, GError **error)
{
    static atomic_uint serial;
    g_autofree char *folder = g_path_get_dirname(target);
    g_autofree char *name = g_path_get_basename(target);
    if (g_file_test(target, G_FILE_TEST_IS_DIR)) {
        g_set_error(error, RW_ERROR, RW_ERROR_IO, "%s is a folder; name a file in it.", target);
        return NULL;
    }
    if (g_access(folder, W_OK) != 0) {
        rw_error_from_errno(error, errno, "Cannot write into the folder %s", folder);
        return NULL;
    }
    const char *dot = strrchr(name, '.');
    g_autofree char *prefix = g_strdup_printf(".%s.part-", name);
    remove_leftovers(folder, prefix);
    rw_whole_file *file = g_new0(rw_whole_file, 1);
    file->target = g_strdup(target);
    file->temp = g_strdup_printf("%s/%s%d-%u%s", folder, prefix, (int)getpid(),
                                 atomic_fetch_add(&serial, 1u), dot ? dot : "");
    return file;
}

const char *rw_whole_file_temp(const rw_whole_file *file)
{
    return file->temp;
}

static void free_file(rw_whole_file **file)
{
    g_free((*file)->target);
    g_free((*file)->temp);
    g_clear_pointer(file, g_free);
}

bool rw_whole_file_commit(rw_whole_file **file, GError **error)
{
    rw_whole_file *f = *file;
    bool ok = rw_fsync_path(f->temp, error);
    if (ok && g_rename(f->temp, f->target) != 0) {
        rw_error_from_errno(error, errno, "Cannot give %s its name", f->target);
        ok = false;
    }
    if (!ok) {
        rw_whole_file_abandon(file);
        return false;
    }
    g_autofree char *folder = g_path_get_dirname(f->target);
    ok = rw_fsync_path(folder, error);
    free_file(file);
    return ok;
}

void rw_whole_file_abandon(rw_whole_file **file)
{
    if (!*file)
        return;
    g_unlink((*file)->temp);
    free_file(file);
}

bool rw_write_whole(const char *target, const void *data, size_t bytes, GError **error)
{
    rw_whole_file *file = rw_whole_file_open(target, error);
    if (!file)
        return false;
    FILE *out = g_fopen(file->temp, "wbe");
    bool ok = out && (bytes == 0 || fwrite(data, 1, bytes, out) == bytes);
    if (out && fclose(out) != 0)
        ok = false;
    if (!ok) {
        rw_error_from_errno(error, errno, "Cannot write %s", target);
        rw_whole_file_abandon(&file);
        return false;
    }
    return rw_whole_file_commit(&file, error);
}

bool rw_make_folder(const char *path, GError **error)
{
    if (g_mkdir_with_parents(path, 0777) == 0)
        return true;
    rw_error_from_errno(error, errno, "Cannot make the folder %s", path);
    return false;
}

bool rw_fsync_path(const char *path, GError **error)
{
    int fd = g_open(path, O_RDONLY | O_CLOEXEC, 0);
    bool ok = fd >= 0 && (fsync(fd) == 0 || errno == EINVAL); /* EINVAL: a file system without */
    if (!ok)
        rw_error_from_errno(error, errno, "Cannot bring %s safely to the disk", path);
    if (fd >= 0)
        close(fd);
    return ok;
}

int64_t rw_free_space(const char *path, GError **error)
{
    g_autofree char *at = g_strdup(path);
    struct statvfs s;
    while (statvfs(at, &s) != 0) {
        char *parent = g_path_get_dirname(at);
        bool top = g_str_equal(parent, at);
        if (errno != ENOENT || top) {
            rw_error_from_errno(error, errno, "Cannot see how much room there is at %s", path);
            g_free(parent);
            return -1;
        }
        g_free(at);
        at = parent;
    }
    return (int64_t)s.f_bavail * (int64_t)s.f_frsize;
}
