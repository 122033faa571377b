/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "keep/bag.h"

void rw_bag_file_free(gpointer file)
{
    rw_bag_file *f = file;
    g_free(f->path);
    g_free(f);
}

/* ---- paths ---- */

char *rw_bag_encode(const char *path)
{
    GString *text = g_string_new(NULL);
    for (const char *p = path; *p; p++)
        if (*p == '\r' || *p == '\n' || *p == '%')
            g_string_append(text, *p == '\r' ? "%0D" : *p == '\n' ? "%0A" : "%25");
        else
            g_string_append_c(text, *p);
    return g_string_free(text, FALSE);
}

char *rw_bag_decode(const char *text)
{
    static const struct {
        const char *code;
        char letter;
    } codes[] = {{"%0d", '\r'}, {"%0a", '\n'}, {"%25", '%'}};
    GString *path = g_string_new(NULL);
    for (const char *p = text; *p; p++) {
        char letter = *p;
        for (size_t i = 0; i < G_N_ELEMENTS(codes); i++)
            if (g_ascii_strncasecmp(p, codes[i].code, 3) == 0) {
                letter = codes[i].letter;
                p += 2;
                break;
            }
        g_string_append_c(path, letter);
    }
    return g_string_free(path, FALSE);
}

bool rw_bag_path_is_safe(const char *path)
{
    if (!path[0] || path[0] == '/' || path[0] == '~')
        return false;
    g_auto(GStrv) names = g_strsplit(path, "/", -1);
    for (char **name = names; *name; name++)
        if (!**name || g_str_equal(*name, "..") || g_str_equal(*name, "."))
            return false;
    return true;
}

/* ---- manifests ---- */

static int compare_files(gconstpointer a, gconstpointer b)
{
    const rw_bag_file *const *x = a, *const *y = b;
    return strcmp((*x)->path, (*y)->path);
}

char *rw_bag_manifest(const GPtrArray *files, GChecksumType type)
{
    g_autoptr(GPtrArray) sorted = g_ptr_array_new();
    for (guint i = 0; i < files->len; i++)
        g_ptr_array_add(sorted, g_ptr_array_index(files, i));
    g_ptr_array_sort(sorted, compare_files);
    GString *text = g_string_new(NULL);
    for (guint i = 0; i < sorted->len; i++) {
        const rw_bag_file *f = g_ptr_array_index(sorted, i);
        g_autofree char *path = rw_bag_encode(f->path);
        g_string_append_printf(text, "%s  %s\n", type == G_CHECKSUM_SHA256 ? f->sha256 : f->sha512,
                               path);
    }
    return g_string_free(text, FALSE);
}

bool rw_bag_algorithm(const char *word, GChecksumType *type)
{
    static const struct {
        const char *word;
        GChecksumType type;
    } rows[] = {{"md5", G_CHECKSUM_MD5},
                {"sha1", G_CHECKSUM_SHA1},
                {"sha256", G_CHECKSUM_SHA256},
                {"sha384", G_CHECKSUM_SHA384},
                {"sha512", G_CHECKSUM_SHA512}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++)
        if (g_ascii_strcasecmp(word, rows[i].word) == 0) {
            *type = rows[i].type;
            return true;
        }
    return false;
}

static bool is_hex(const char *text, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (!g_ascii_isxdigit(text[i]))
            return false;
    return true;
}

/* "<digest> <path>" -> both, or false. */
static bool split_line(const char *line, size_t digits, char **digest, char **path)
{
    size_t word = strcspn(line, " \t");
    const char *rest = line + word + strspn(line + word, " \t");
    if (word != digits || !is_hex(line, word) || !*rest)
        return false;
    *path = rw_bag_decode(rest);
    if (!rw_bag_path_is_safe(*path)) {
        g_clear_pointer(path, g_free);
        return false;
    }
    *digest = g_ascii_strdown(line, (gssize)word);
    return true;
}

bool rw_bag_read_manifest(const char *text, const char *name, GChecksumType type, GHashTable *into,
                          GError **error)
{
    size_t digits = 2 * (size_t)g_checksum_type_get_length(type);
    int number = 0;
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    for (char **line = lines; *line; line++) {
        char *digest, *path;
        number++;
        g_strchomp(*line);
        if (!**line)
            continue;
        if (!split_line(*line, digits, &digest, &path)) {
            g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                        "Line %d of %s is no checksum with a path inside the package: the list is "
                        "damaged, take it from another copy.",
                        number, name);
            return false;
        }
        const char *other = g_hash_table_lookup(into, path);
        if (other && !g_str_equal(other, digest)) {
            g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                        "%s has two different checksums for %s: the list is damaged, take it from "
                        "another copy.",
                        name, path);
            g_free(digest);
            g_free(path);
            return false;
        }
        g_hash_table_replace(into, path, digest);
    }
    return true;
}

/* ---- labelled lines ---- */

void rw_bag_add_field(GString *text, const char *label, const char *value)
{
    enum { LONGEST = 79 };
    g_autofree char *valid = g_utf8_make_valid(value, -1);
    g_auto(GStrv) words = g_strsplit_set(valid, " \t\r\n", -1);
    g_string_append_printf(text, "%s:", label);
    size_t column = strlen(label) + 1;
    for (char **word = words; *word; word++) {
        if (!**word)
            continue;
        size_t length = strlen(*word);
        if (column + 1 + length > LONGEST && column > strlen(label) + 1) {
            g_string_append(text, "\n ");
            column = 1;
        }
        g_string_append_printf(text, " %s", *word);
        column += 1 + length;
    }
    g_string_append_c(text, '\n');
}

char *rw_bag_field(const char *text, const char *label)
{
    GString *value = NULL;
    size_t length = strlen(label);
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    for (char **line = lines; *line; line++) {
        bool continued = (*line)[0] == ' ' || (*line)[0] == '\t';
        if (value && !continued)
            break;
        if (value) {
            g_string_append_c(value, ' ');
            g_string_append(value, g_strstrip(*line));
        } else if (g_ascii_strncasecmp(*line, label, length) == 0 && (*line)[length] == ':') {
            value = g_string_new(g_strstrip(*line + length + 1));
        }
    }
    return value ? g_string_free(value, FALSE) : NULL;
}
