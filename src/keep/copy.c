/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include "base/fs.h"
#include "keep/copy.h"

enum { BLOCK = 1 << 20 };

bool rw_stopped(const rw_stop *stop)
{
    return stop && stop->ask && stop->ask(stop->user);
}

static bool is_set(void *flag)
{
    return atomic_load((const atomic_bool *)flag);
}

rw_stop rw_stop_at(const atomic_bool *flag)
{
    return (rw_stop){flag ? is_set : NULL, (void *)flag};
}

static bool cancelled(const rw_stop *stop, GError **error)
{
    if (!rw_stopped(stop))
        return false;
    g_set_error(error, RW_ERROR, RW_ERROR_CANCELLED, "Stopped.");
    return true;
}

static ssize_t read_some(int fd, void *to, size_t bytes)
{
    ssize_t got;
    do
        got = read(fd, to, bytes);
    while (got < 0 && errno == EINTR);
    return got;
}

static bool write_all(int fd, const uint8_t *from, size_t bytes)
{
    while (bytes > 0) {
        ssize_t put = write(fd, from, bytes);
        if (put < 0 && errno == EINTR)
            continue;
        if (put < 0)
            return false;
        from += put;
        bytes -= (size_t)put;
    }
    return true;
}

/* From where fd stands to the end: into the sums (NULL-ended) and, unless out is -1, into out. */
static bool pump(int fd, const char *name, int out, const char *out_name, GChecksum *const *sums,
                 const rw_stop *stop, rw_copy *copy, GError **error)
{
    g_autofree uint8_t *block = g_malloc(BLOCK);
    copy->bytes = 0;
    for (;;) {
        if (cancelled(stop, error))
            return false;
        ssize_t got = read_some(fd, block, BLOCK);
        if (got < 0) {
            rw_error_from_errno(error, errno, "Cannot read %s", name);
            copy->source_failed = true;
            return false;
        }
        if (got == 0)
            return true;
        for (size_t i = 0; sums[i]; i++)
            g_checksum_update(sums[i], block, got);
        if (out >= 0 && !write_all(out, block, (size_t)got)) {
            rw_error_from_errno(error, errno, "Cannot write %s", out_name);
            return false;
        }
        copy->bytes += got;
    }
}

/* pump, with the hashes that a rw_copy holds. */
static bool pump_hashed(int fd, const char *name, int out, const char *out_name, rw_digests digests,
                        const rw_stop *stop, rw_copy *copy, GError **error)
{
    g_autoptr(GChecksum) hash = g_checksum_new(G_CHECKSUM_SHA256);
    g_autoptr(GChecksum) longer =
        digests == RW_SHA256_SHA512 ? g_checksum_new(G_CHECKSUM_SHA512) : NULL;
    GChecksum *sums[] = {hash, longer, NULL};
    if (!pump(fd, name, out, out_name, sums, stop, copy, error))
        return false;
    g_strlcpy(copy->sha256, g_checksum_get_string(hash), sizeof copy->sha256);
    if (longer)
        g_strlcpy(copy->sha512, g_checksum_get_string(longer), sizeof copy->sha512);
    return true;
}

/* The file as the disk has it: what memory holds of it is given up first. The pages are clean after
 * fsync, so the kernel can; where it cannot (a file system that lives in memory) nothing is lost.
 */
static bool read_back(int fd, const char *target, const rw_stop *stop, rw_copy *copy,
                      GError **error)
{
    rw_copy again = {0};
    (void)posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
    if (lseek(fd, 0, SEEK_SET) != 0) {
        rw_error_from_errno(error, errno, "Cannot read %s back", target);
        return false;
    }
    if (!pump_hashed(fd, target, -1, NULL, RW_SHA256, stop, &again, error))
        return false;
    if (again.bytes == copy->bytes && g_str_equal(again.sha256, copy->sha256))
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_IO,
                "%s does not read back as it was written: this disk cannot be trusted with the "
                "only copy; check its cable and health, or use another.",
                target);
    return false;
}

static bool copy_open_files(int in, const char *source, int out, const char *target,
                            rw_digests digests, const rw_stop *stop, rw_copy *copy, GError **error)
{
    struct stat s;
    (void)posix_fadvise(in, 0, 0, POSIX_FADV_SEQUENTIAL);
    if (!pump_hashed(in, source, out, target, digests, stop, copy, error))
        return false;
    if (fstat(in, &s) != 0 || s.st_size != copy->bytes) {
        g_set_error(error, RW_ERROR, RW_ERROR_IO,
                    "%s gave %" G_GINT64_FORMAT " bytes of the %" G_GINT64_FORMAT
                    " that it has: it is still being written, or the card is failing.",
                    source, copy->bytes, (int64_t)s.st_size);
        copy->source_failed = true;
        return false;
    }
    struct timespec times[2] = {s.st_mtim, s.st_mtim};
    (void)futimens(out, times); /* for people who look at the folder; reel.db has the time too */
    if (fsync(out) != 0) {
        rw_error_from_errno(error, errno, "Cannot bring %s safely to the disk", target);
        return false;
    }
    return read_back(out, target, stop, copy, error);
}

bool rw_copy_verified(const char *source, const char *target, rw_digests digests,
                      const rw_stop *stop, rw_copy *copy, GError **error)
{
    *copy = (rw_copy){0};
    int in = open(source, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (in < 0) {
        rw_error_from_errno(error, errno, "Cannot read %s", source);
        copy->source_failed = true;
        return false;
    }
    int out = open(target, O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0666);
    bool ok = out >= 0;
    if (ok)
        ok = copy_open_files(in, source, out, target, digests, stop, copy, error);
    else
        rw_error_from_errno(error, errno, "Cannot write %s", target);
    close(in);
    if (out >= 0 && close(out) != 0 && ok) {
        rw_error_from_errno(error, errno, "Cannot write %s", target);
        ok = false;
    }
    if (!ok && out >= 0)
        g_unlink(target);
    return ok;
}

/* -1 with the error set and *copy cleared. */
static int open_source(const char *path, rw_copy *copy, GError **error)
{
    *copy = (rw_copy){0};
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0) {
        rw_error_from_errno(error, errno, "Cannot read %s", path);
        copy->source_failed = true;
    }
    return fd;
}

bool rw_hash_file(const char *path, rw_digests digests, bool fresh, const rw_stop *stop,
                  rw_copy *copy, GError **error)
{
    int fd = open_source(path, copy, error);
    if (fd < 0)
        return false;
    if (fresh)
        (void)posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
    bool ok = pump_hashed(fd, path, -1, NULL, digests, stop, copy, error);
    close(fd);
    return ok;
}

bool rw_sum_file(const char *path, GChecksum *const *sums, const rw_stop *stop, int64_t *bytes,
                 GError **error)
{
    rw_copy copy;
    int fd = open_source(path, &copy, error);
    if (fd < 0)
        return false;
    (void)posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
    bool ok = pump(fd, path, -1, NULL, sums, stop, &copy, error);
    *bytes = copy.bytes;
    close(fd);
    return ok;
}

bool rw_file_sha256(const char *path, char sha256[65], GError **error)
{
    g_return_val_if_fail(path && sha256, false);
    rw_copy copy;
    bool ok = rw_hash_file(path, RW_SHA256, false, NULL, &copy, error);
    g_strlcpy(sha256, copy.sha256, 65);
    return ok;
}

char *rw_part_name(const char *path)
{
    g_autofree char *folder = g_path_get_dirname(path);
    g_autofree char *name = g_path_get_basename(path);
    return g_strdup_printf("%s/.%s.part", folder, name);
}

void rw_remove_parts(const char *folder)
{
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *path = g_build_filename(folder, name, NULL);
        if (name[0] == '.' && g_str_has_suffix(name, ".part"))
            g_unlink(path);
        else if (g_file_test(path, G_FILE_TEST_IS_DIR) &&
                 !g_file_test(path, G_FILE_TEST_IS_SYMLINK))
            rw_remove_parts(path);
    }
}

bool rw_give_name(const char *part, const char *path, GError **error)
{
    if (g_rename(part, path) != 0) {
        rw_error_from_errno(error, errno, "Cannot give %s its name", path);
        return false;
    }
    g_autofree char *folder = g_path_get_dirname(path);
    return rw_fsync_path(folder, error);
}
