/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Lists of a bag, of any bytes: what is accepted names files inside the bag, and says the same when
 * it is written and read again.
 */
#include <string.h>

#include "keep/bag.h"

#include "target.h"

static GHashTable *new_table(void)
{
    return g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
}

/* The table as a list again. */
static char *write_table(GHashTable *table)
{
    g_autoptr(GPtrArray) files = g_ptr_array_new_with_free_func(rw_bag_file_free);
    GHashTableIter iter;
    gpointer path, digest;
    g_hash_table_iter_init(&iter, table);
    while (g_hash_table_iter_next(&iter, &path, &digest)) {
        rw_bag_file *f = g_new0(rw_bag_file, 1);
        g_assert_true(rw_bag_path_is_safe(path));
        f->path = g_strdup(path);
        g_strlcpy(f->sha256, digest, sizeof f->sha256);
        g_ptr_array_add(files, f);
    }
    return rw_bag_manifest(files, G_CHECKSUM_SHA256);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    g_autofree char *text = g_strndup((const char *)data, size);
    g_autoptr(GHashTable) table = new_table(), back = new_table();
    if (rw_bag_read_manifest(text, "manifest-sha256.txt", G_CHECKSUM_SHA256, table, NULL)) {
        g_autofree char *again = write_table(table);
        g_assert_true(rw_bag_read_manifest(again, "again", G_CHECKSUM_SHA256, back, NULL));
        g_assert_cmpuint(g_hash_table_size(back), ==, g_hash_table_size(table));
    }
    g_autofree char *field = rw_bag_field(text, "Payload-Oxum");
    g_assert_true(!field || !strchr(field, '\n'));
    g_autofree char *valid = g_utf8_make_valid(text, -1);
    g_autoptr(GString) info = g_string_new(NULL);
    rw_bag_add_field(info, "External-Description", valid);
    g_autofree char *value = rw_bag_field(info->str, "External-Description");
    g_assert_nonnull(value);
    return 0;
}
