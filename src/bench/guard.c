/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <string.h>
#include <sys/random.h>

#include "bench/guard.h"

#define TOKEN_BYTES 24

char *rw_guard_token_new(GError **error)
{
    guint8 bytes[TOKEN_BYTES];
    if (getrandom(bytes, sizeof bytes, 0) != (ssize_t)sizeof bytes) {
        rw_error_from_errno(error, errno, "The system gives no random numbers");
        return NULL;
    }
    char *token = g_base64_encode(bytes, sizeof bytes); /* 24 bytes: no '=' at the end */
    for (char *c = token; *c; c++)
        *c = *c == '+' ? '-' : *c == '/' ? '_' : *c;
    return token;
}

static bool is_own_authority(const char *text, int port)
{
    static const char *const names[] = {"127.0.0.1", "localhost", "[::1]"};
    for (size_t i = 0; i < G_N_ELEMENTS(names); i++) {
        g_autofree char *own = g_strdup_printf("%s:%d", names[i], port);
        if (g_ascii_strcasecmp(text, own) == 0)
            return true;
        /* clients leave the usual port out */
        if (port == 80 && g_ascii_strcasecmp(text, names[i]) == 0)
            return true;
    }
    return false;
}

bool rw_guard_host(const char *host, int port)
{
    return host && is_own_authority(host, port);
}

bool rw_guard_origin(const char *origin, int port)
{
    static const char scheme[] = "http://";
    return !origin ||
           (g_str_has_prefix(origin, scheme) && is_own_authority(origin + strlen(scheme), port));
}

static char *decode_part(const char *raw)
{
    /* NULL for %00, bad escapes and an escaped slash */
    char *part = g_uri_unescape_string(raw, "/");
    bool good = part && g_utf8_validate(part, -1, NULL) && !g_str_equal(part, ".") &&
                !g_str_equal(part, "..") && !strchr(part, '\\');
    for (const char *c = part; good && *c; c = g_utf8_next_char(c))
        good = !g_unichar_iscntrl(g_utf8_get_char(c));
    if (!good)
        g_clear_pointer(&part, g_free);
    return part;
}

char **rw_guard_split(const char *path)
{
    if (!path || path[0] != '/')
        return NULL;
    g_auto(GStrv) raw = g_strsplit(path + 1, "/", RW_GUARD_MAX_PARTS + 1);
    guint count = g_strv_length(raw);
    if (count > RW_GUARD_MAX_PARTS)
        return NULL;
    char **parts = g_new0(char *, count + 1);
    for (guint i = 0; i < count; i++) {
        parts[i] = decode_part(raw[i]);
        if (!parts[i]) {
            g_strfreev(parts);
            return NULL;
        }
    }
    return parts;
}

bool rw_guard_token(const char *given, const char *token)
{
    size_t n = strlen(token), m = given ? strlen(given) : 0;
    unsigned char different = n != m;
    for (size_t i = 0; i < n; i++)
        different |= (unsigned char)(token[i] ^ (m ? given[i % m] : 0));
    return !different;
}

bool rw_guard_reel_name(const char *name)
{
    return name && *name && *name != '.' && strlen(name) <= 255 && !strchr(name, '/') &&
           g_utf8_validate(name, -1, NULL);
}

bool rw_guard_number(const char *text, int64_t *number)
{
    guint64 value = 0;
    if (!text ||
        !g_ascii_string_to_unsigned(text, 10, 0, G_GUINT64_CONSTANT(1) << 53, &value, NULL))
        return false;
    *number = (int64_t)value;
    return true;
}

bool rw_guard_range(const char *header, int64_t size, int64_t *first, int64_t *last)
{
    if (!header || !g_str_has_prefix(header, "bytes=") || strchr(header, ','))
        return false;
    g_auto(GStrv) ends = g_strsplit(header + strlen("bytes="), "-", 3);
    if (g_strv_length(ends) != 2)
        return false;
    bool has_first = rw_guard_number(ends[0], first), has_last = rw_guard_number(ends[1], last);
    if ((*ends[0] && !has_first) || (*ends[1] && !has_last) || (!has_first && !has_last))
        return false;
    if (!has_first) { /* the last n bytes */
        *first = MAX(size - *last, 0);
        *last = *ends[1] && *last > 0 ? size - 1 : *first - 1;
    } else if (!has_last || *last >= size) {
        if (has_last && *last < *first)
            return false;
        *last = size - 1;
    } else if (*last < *first) {
        return false;
    }
    return true;
}
