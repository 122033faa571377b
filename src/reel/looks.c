/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>
#include <sys/stat.h>

#include <glib/gstdio.h>

#include "base/fs.h"
#include "reel/db.h"

#define FOLDER  "looks"
#define HEX     64 /* digits of a SHA-256 */
#define LARGEST (256 << 20)

/* "<64 hexadecimal digits> <name>": the digits, or false. */
static bool split(const char *text, char digits[HEX + 1])
{
    for (int i = 0; i < HEX; i++)
        if (!g_ascii_isdigit(text[i]) && !(text[i] >= 'a' && text[i] <= 'f'))
            return false;
    if (text[HEX] != ' ' || !text[HEX + 1])
        return false;
    memcpy(digits, text, HEX);
    digits[HEX] = '\0';
    return true;
}

static char *path_of(const rw_reel *reel, const char *digits)
{
    g_autofree char *relative = g_strconcat(FOLDER "/", digits, NULL);
    return rw_reel_file(reel, relative);
}

char *rw_reel_keep_look(rw_reel *reel, const char *name, const void *data, size_t bytes,
                        GError **error)
{
    g_autofree char *digits = g_compute_checksum_for_data(G_CHECKSUM_SHA256, data, bytes);
    g_autofree char *folder = rw_reel_file(reel, FOLDER), *path = path_of(reel, digits);
    if (!rw_make_folder(folder, error))
        return NULL;
    if (!g_file_test(path, G_FILE_TEST_EXISTS) && !rw_write_whole(path, data, bytes, error))
        return NULL;
    g_autofree char *base = g_path_get_basename(name);
    g_autofree char *valid = g_utf8_make_valid(base, -1);
    for (char *c = valid; *c; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            *c = '?';
    if (strlen(valid) > 200) /* a cut within a letter would not be UTF-8 */
        *g_utf8_find_prev_char(valid, valid + 200) = '\0';
    return g_strconcat(digits, " ", valid, NULL);
}

GBytes *rw_reel_read_look(rw_reel *reel, const char *text, GError **error)
{
    char digits[HEX + 1];
    if (!split(text, digits)) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "\"%s\" does not name a look that is kept with %s; choose the look anew.", text,
                    rw_reel_path(reel));
        return NULL;
    }
    g_autofree char *path = path_of(reel, digits);
    GStatBuf info;
    if (g_lstat(path, &info) == 0 && (!S_ISREG(info.st_mode) || info.st_size > LARGEST)) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s is no plain file of a look's size.",
                    path);
        return NULL;
    }
    char *data;
    gsize bytes;
    g_autoptr(GError) inner = NULL;
    if (!g_file_get_contents(path, &data, &bytes, &inner)) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND,
                    "The look %s cannot be read (%s); choose it anew.", text + HEX + 1,
                    inner->message);
        return NULL;
    }
    g_autofree char *found = g_compute_checksum_for_data(G_CHECKSUM_SHA256, (guchar *)data, bytes);
    if (g_str_equal(found, digits))
        return g_bytes_new_take(data, bytes);
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                "The look %s was changed after it was chosen: %s has another SHA-256 than its "
                "name. Choose it anew.",
                text + HEX + 1, path);
    g_free(data);
    return NULL;
}
