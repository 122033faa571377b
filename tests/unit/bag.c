/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Text files of a bag. Sections are RFC 8493's.
 */
#include <string.h>

#include "keep/bag.h"

static void test_paths(void)
{
    /* section 2.1.3: CR, LF and %, and nothing else */
    static const char *const rows[][2] = {{"data/100REEL/A_0001.JPG", "data/100REEL/A_0001.JPG"},
                                          {"data/50%", "data/50%25"},
                                          {"data/a\rb\nc", "data/a%0Db%0Ac"},
                                          {"data/%0A", "data/%250A"},
                                          {"data/\xc3\xa4 b", "data/\xc3\xa4 b"}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        g_autofree char *encoded = rw_bag_encode(rows[i][0]), *back = rw_bag_decode(rows[i][1]);
        g_assert_cmpstr(encoded, ==, rows[i][1]);
        g_assert_cmpstr(back, ==, rows[i][0]);
    }
    g_autofree char *low = rw_bag_decode("data/a%0d%0a%2x%");
    g_assert_cmpstr(low, ==, "data/a\r\n%2x%");
}

static void test_safe(void)
{
    static const char *const good[] = {"data/a", "bagit.txt", "data/..b/c..", "data/.a"};
    static const char *const bad[] = {"",         "/etc/passwd", "data/../../x", "..",    "data//a",
                                      "data/./a", "data/",       "~root/x",      "./data"};
    for (size_t i = 0; i < G_N_ELEMENTS(good); i++)
        g_assert_true(rw_bag_path_is_safe(good[i]));
    for (size_t i = 0; i < G_N_ELEMENTS(bad); i++)
        g_assert_false(rw_bag_path_is_safe(bad[i]));
}

static void add_file(GPtrArray *files, const char *path, const char *text)
{
    rw_bag_file *f = g_new0(rw_bag_file, 1);
    g_autofree char *a = g_compute_checksum_for_string(G_CHECKSUM_SHA256, text, -1);
    g_autofree char *b = g_compute_checksum_for_string(G_CHECKSUM_SHA512, text, -1);
    f->path = g_strdup(path);
    g_strlcpy(f->sha256, a, sizeof f->sha256);
    g_strlcpy(f->sha512, b, sizeof f->sha512);
    g_ptr_array_add(files, f);
}

#define ABC   "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" /* FIPS 180-4 */
#define EMPTY "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855" /* the same */

static void test_manifest(void)
{
    g_autoptr(GPtrArray) files = g_ptr_array_new_with_free_func(rw_bag_file_free);
    g_autoptr(GHashTable) back = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    g_autoptr(GError) error = NULL;
    add_file(files, "data/b\n", "");
    add_file(files, "data/a", "abc");
    g_autofree char *text = rw_bag_manifest(files, G_CHECKSUM_SHA256);
    g_assert_cmpstr(text, ==, ABC "  data/a\n" EMPTY "  data/b%0A\n");
    g_assert_true(rw_bag_read_manifest(text, "m", G_CHECKSUM_SHA256, back, &error));
    g_assert_cmpuint(g_hash_table_size(back), ==, 2);
    g_assert_cmpstr(g_hash_table_lookup(back, "data/b\n"), ==, EMPTY);
    g_autofree char *longer = rw_bag_manifest(files, G_CHECKSUM_SHA512);
    g_assert_true(g_str_has_prefix(longer, "ddaf35a193617abacc417349ae204131")); /* FIPS 180-4 */
    g_hash_table_remove_all(back);
    g_assert_true(rw_bag_read_manifest(longer, "m", G_CHECKSUM_SHA512, back, &error));
}

static void test_manifest_faults(void)
{
    /* section 2.1.3 leaves the case of the digits and the kind of blanks open; lines may end in CR
     * LF */
    static const char good[] = "BA7816BF8F01CFEA414140DE5DAE2223B00361A396177A9CB410FF61F20015AD"
                               "\t data/a b\r\n\n" EMPTY " data/c";
    static const char *const bad[] = {
        ABC,             /* no path */
        "12  data/a",    /* no digest */
        ABC "x  data/a", /* too long */
        ABC "  ../a",    /* leaves the bag */
        "zz7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  data/a",
        ABC "  data/a\n" EMPTY "  data/a\n", /* two digests for one file */
    };
    g_autoptr(GHashTable) table = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    g_autoptr(GError) error = NULL;
    g_assert_true(rw_bag_read_manifest(good, "m", G_CHECKSUM_SHA256, table, &error));
    g_assert_cmpstr(g_hash_table_lookup(table, "data/a b"), ==, ABC);
    g_assert_cmpstr(g_hash_table_lookup(table, "data/c"), ==, EMPTY);
    for (size_t i = 0; i < G_N_ELEMENTS(bad); i++) {
        g_hash_table_remove_all(table);
        g_assert_false(rw_bag_read_manifest(bad[i], "m.txt", G_CHECKSUM_SHA256, table, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_DAMAGED);
        g_assert_nonnull(strstr(error->message, "m.txt"));
        g_clear_error(&error);
    }
}

static void test_fields(void)
{
    g_autoptr(GString) text = g_string_new(NULL);
    g_autofree char *many = g_strnfill(300, 'w');
    for (int i = 9; i < 300; i += 10)
        many[i] = i % 3 ? ' ' : '\n';
    rw_bag_add_field(text, "Bag-Size", "5 MB");
    rw_bag_add_field(text, "External-Description", many);
    rw_bag_add_field(text, "Payload-Oxum", "12.3");
    g_auto(GStrv) lines = g_strsplit(text->str, "\n", -1);
    for (char **line = lines; *line; line++)
        g_assert_cmpuint(strlen(*line), <=, 79); /* section 2.2.2 */
    g_strdelimit(many, "\n", ' ');
    g_strchomp(many);
    g_autofree char *back = rw_bag_field(text->str, "external-description");
    g_autofree char *oxum = rw_bag_field(text->str, "Payload-Oxum");
    g_autofree char *none = rw_bag_field(text->str, "Payload");
    g_assert_cmpstr(back, ==, many);
    g_assert_cmpstr(oxum, ==, "12.3");
    g_assert_null(none);
}

static void test_algorithms(void)
{
    GChecksumType type;
    g_assert_true(rw_bag_algorithm("SHA512", &type) && type == G_CHECKSUM_SHA512);
    g_assert_true(rw_bag_algorithm("md5", &type) && type == G_CHECKSUM_MD5);
    g_assert_false(rw_bag_algorithm("blake2", &type));
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/bag/paths", test_paths);
    g_test_add_func("/bag/safe-paths", test_safe);
    g_test_add_func("/bag/manifest", test_manifest);
    g_test_add_func("/bag/manifest-faults", test_manifest_faults);
    g_test_add_func("/bag/fields", test_fields);
    g_test_add_func("/bag/algorithms", test_algorithms);
    return g_test_run();
}
