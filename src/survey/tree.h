/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * tree.h - files that arrive in a folder tree, whole.
 *
 *     rw_tree *tree = rw_tree_open("/media/CARD", &error);
 *     while ((path = rw_tree_next(tree, 1000)))           // NULL: nothing new within a second
 *         use(path);                                      // g_free
 *     rw_tree_close(&tree);
 *
 * What lies there already comes first, in natural order. A file comes once: when its writer has
 * closed it or given it its name, or when it has not grown for two seconds (file systems that tell
 * nothing), and then only once its structure is complete, or it has not changed for ten more. Names
 * that begin with a dot, and files that are no stills by their extension, do not come.
 */
#ifndef RW_SURVEY_TREE_H
#define RW_SURVEY_TREE_H

#include <reelwright/types.h>

typedef struct rw_tree rw_tree;
rw_tree *rw_tree_open(const char *folder, GError **error);
void rw_tree_close(rw_tree **tree);
/* Waits at most timeout_ms. */
char *rw_tree_next(rw_tree *tree, int timeout_ms);
/* Files that are there but not yet whole. */
size_t rw_tree_waiting(const rw_tree *tree);

#endif
