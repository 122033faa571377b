/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Is a still all there? Its structure is walked, its picture is not decoded: fast enough to be done
 * for every file that is copied.
 */
#include <errno.h>
#include <string.h>

#include "still/formats.h"

enum { BLOCK = 65536 };

typedef struct cursor {
    const rw_source *source;
    uint64_t at; /* of block[0] in the source */
    size_t have, next;
    int fault; /* errno of a read that failed, 0 none */
    uint8_t block[BLOCK];
} cursor;

static bool refill(cursor *c)
{
    c->at += c->have;
    c->next = 0;
    c->have = (size_t)MIN((uint64_t)BLOCK, c->source->size - c->at);
    if (c->have == 0)
        return false;
    if (rw_source_read(c->source, c->at, c->block, c->have))
        return true;
    c->fault = errno;
    c->have = 0;
    return false;
}

/* The next byte, or -1 at the end. */
static int next_byte(cursor *c)
{
    if (c->next == c->have && !refill(c))
        return -1;
    return c->block[c->next++];
}

static bool skip(cursor *c, uint64_t bytes)
{
    uint64_t target = c->at + c->next + bytes;
    if (target > c->source->size)
        return false;
    if (target <= c->at + c->have) {
        c->next += (size_t)bytes;
        return true;
    }
    c->at = target;
    c->have = c->next = 0;
    return true;
}

/* ---- JPEG: ITU-T T.81, B.1.1 ---- */

/* The code of the next marker in entropy-coded data, -1 at the end of the file. */
static int find_marker(cursor *c)
{
    for (;;) {
        if (c->next == c->have && !refill(c))
            return -1;
        const uint8_t *ff = memchr(c->block + c->next, 0xFF, c->have - c->next);
        if (!ff) {
            c->next = c->have;
            continue;
        }
        c->next = (size_t)(ff - c->block) + 1;
        int code;
        do
            code = next_byte(c);
        while (code == 0xFF); /* fill */
        bool restart = code >= 0xD0 && code <= 0xD7;
        if (code != 0 && !restart)
            return code;
    }
}

static const char *check_jpeg(cursor *c)
{
    static const char cut[] = "the file is cut short", corrupt[] = "the picture data is corrupt";
    bool scan = false;
    skip(c, 2);
    for (;;) {
        int code = find_marker(c);
        if (code < 0)
            return cut;
        if (code == 0xD9)
            return scan ? NULL : corrupt;
        if (code < 0xC0 || code == 0xD8)
            return corrupt;
        int high = next_byte(c), low = next_byte(c);
        if (high < 0 || low < 0)
            return cut;
        int bytes = high << 8 | low;
        if (bytes < 2)
            return corrupt;
        if (!skip(c, (uint64_t)bytes - 2))
            return cut;
        scan |= code == 0xDA;
    }
}

/* ---- PNG: ISO/IEC 15948, 5.3 and annex D ---- */

static uint32_t crc_entry(uint32_t n)
{
    for (int bit = 0; bit < 8; bit++)
        n = (n & 1) ? 0xEDB88320u ^ (n >> 1) : n >> 1;
    return n;
}

static uint32_t crc_of(const uint32_t table[256], uint32_t crc, const uint8_t *data, size_t n)
{
    for (size_t i = 0; i < n; i++)
        crc = table[(crc ^ data[i]) & 0xFF] ^ (crc >> 8);
    return crc;
}

static bool read_be32(cursor *c, uint32_t *value)
{
    uint8_t b[4];
    for (int i = 0; i < 4; i++) {
        int byte = next_byte(c);
        if (byte < 0)
            return false;
        b[i] = (uint8_t)byte;
    }
    *value = rw_get_be32(b);
    return true;
}

/* The type and data of one chunk against the checksum behind them. */
static bool read_chunk(cursor *c, const uint32_t table[256], uint64_t bytes, bool *sound)
{
    uint32_t crc = UINT32_MAX, stored;
    while (bytes > 0) {
        if (c->next == c->have && !refill(c))
            return false;
        size_t n = (size_t)MIN(bytes, (uint64_t)(c->have - c->next));
        crc = crc_of(table, crc, c->block + c->next, n);
        c->next += n;
        bytes -= n;
    }
    if (!read_be32(c, &stored))
        return false;
    *sound = stored == ~crc;
    return true;
}

static const char *check_png(cursor *c)
{
    uint32_t table[256];
    for (uint32_t i = 0; i < 256; i++)
        table[i] = crc_entry(i);
    skip(c, 8);
    for (;;) {
        uint32_t bytes;
        bool sound = false;
        uint8_t type[4] = {0};
        if (!read_be32(c, &bytes))
            return "the file is cut short";
        rw_source_read(c->source, c->at + c->next, type, sizeof type);
        if (!read_chunk(c, table, (uint64_t)bytes + sizeof type, &sound))
            return "the file is cut short";
        if (!sound)
            return "the picture data is corrupt";
        if (memcmp(type, "IEND", sizeof type) == 0)
            return NULL;
    }
}

bool rw_still_check(const char *path, char fault[160], GError **error)
{
    rw_source source;
    rw_still_info info;
    const char *what = NULL;
    fault[0] = '\0';
    if (!rw_source_open(&source, path, error))
        return false;
    bool ok = rw_still_probe_source(&source, &info, error);
    cursor *c = g_new(cursor, 1);
    *c = (cursor){.source = &source};
    if (ok && info.format == RW_STILL_JPEG)
        what = check_jpeg(c);
    else if (ok && info.format == RW_STILL_PNG)
        what = check_png(c);
    else if (ok && !rw_tiff_whole(&source))
        what = "the file is cut short";
    if (ok && c->fault) {
        rw_error_from_errno(error, c->fault, "Cannot read %s", path);
        ok = false;
    }
    if (what)
        g_strlcpy(fault, what, 160);
    g_free(c);
    rw_source_close(&source);
    return ok;
}
