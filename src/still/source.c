/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "still/source.h"

bool rw_source_open(rw_source *source, const char *path, GError **error)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    struct stat s;
    if (fd < 0 || fstat(fd, &s) != 0) {
        rw_error_from_errno(error, errno, "Cannot read %s", path);
        if (fd >= 0)
            close(fd);
        return false;
    }
    if (!S_ISREG(s.st_mode)) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s is not a file.", path);
        close(fd);
        return false;
    }
    *source = (rw_source){.name = path, .fd = fd, .size = (uint64_t)s.st_size};
    return true;
}

void rw_source_close(rw_source *source)
{
    if (source->fd >= 0)
        close(source->fd);
    source->fd = -1;
}

rw_source rw_source_memory(const char *name, const void *data, size_t size)
{
    return (rw_source){.name = name, .memory = data, .fd = -1, .size = size};
}

bool rw_source_read(const rw_source *source, uint64_t at, void *to, size_t bytes)
{
    if (at > source->size || bytes > source->size - at)
        return false;
    if (source->memory) {
        memcpy(to, source->memory + at, bytes);
        return true;
    }
    uint8_t *p = to;
    while (bytes > 0) {
        ssize_t got = pread(source->fd, p, bytes, (off_t)at);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0) {
            if (got == 0)
                errno = EIO; /* shorter than its folder says */
            return false;
        }
        p += got;
        at += (uint64_t)got;
        bytes -= (size_t)got;
    }
    return true;
}

uint16_t rw_get_be16(const uint8_t *p)
{
    return (uint16_t)(p[0] << 8 | p[1]);
}

uint32_t rw_get_be32(const uint8_t *p)
{
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}
