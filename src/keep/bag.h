/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * bag.h - the text files of a bag, as RFC 8493 has them.
 */
#ifndef RW_KEEP_BAG_H
#define RW_KEEP_BAG_H

#include <reelwright/types.h>

#define RW_BAG_DECLARATION "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

/* A file of the bag; path from the bag's folder on, with slashes. */
typedef struct rw_bag_file {
    char *path;
    int64_t bytes;
    char sha256[65], sha512[129];
} rw_bag_file;

void rw_bag_file_free(gpointer file);

/* Section 2.1.3: CR, LF and % of a path, and nothing else, become %0D, %0A and %25. g_free. */
char *rw_bag_encode(const char *path);
char *rw_bag_decode(const char *text);

/* A path that cannot leave the folder of the bag: relative, without "..", and not empty. */
bool rw_bag_path_is_safe(const char *path);

/* The lines of a manifest for files (rw_bag_file *), in the order of their paths; type is
 * G_CHECKSUM_SHA256 or G_CHECKSUM_SHA512. g_free. */
char *rw_bag_manifest(const GPtrArray *files, GChecksumType type);

/* One line of bag-info.txt, section 2.2.2, broken at blanks so that none is over 79 bytes long;
 * line breaks of the value become blanks. */
void rw_bag_add_field(GString *text, const char *label, const char *value);

/* What stands behind "label:" in a tag file, its continued lines joined; NULL when it does not
 * stand there. label without regard to case. g_free. */
char *rw_bag_field(const char *text, const char *label);

/* Reads a manifest of that algorithm into a table path -> digest in lower case (both g_free'd by
 * the table). The sentence of a fault names `name` and the line. */
bool rw_bag_read_manifest(const char *text, const char *name, GChecksumType type, GHashTable *into,
                          GError **error);

/* "sha512" -> G_CHECKSUM_SHA512; false for a word that this library cannot compute. */
bool rw_bag_algorithm(const char *word, GChecksumType *type);

#endif
