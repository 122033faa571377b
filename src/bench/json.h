/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * json.h - writing JSON as it comes, and reading a small request.
 *
 *     rw_doc *j = rw_doc_new();
 *     rw_doc_open(j, NULL, '{');
 *     rw_doc_text(j, "title", title);
 *     rw_doc_open(j, "frames", '[');
 *     rw_doc_whole(j, NULL, 17);
 *     rw_doc_close(j);
 *     rw_doc_close(j);
 *     char *text = rw_doc_take(&j);
 *
 * key NULL: an element of an array. Numbers that are not finite become null, text that is not UTF-8
 * is mended.
 */
#ifndef RW_BENCH_JSON_H
#define RW_BENCH_JSON_H

#include <json-glib/json-glib.h>

#include <reelwright/types.h>

typedef struct rw_doc rw_doc;

rw_doc *rw_doc_new(void);
char *rw_doc_take(rw_doc **json); /* all that was opened must be closed */
void rw_doc_free(rw_doc **json);

void rw_doc_open(rw_doc *json, const char *key, char bracket); /* '{' or '[' */
void rw_doc_close(rw_doc *json);
void rw_doc_text(rw_doc *json, const char *key, const char *value); /* NULL: null */
void rw_doc_whole(rw_doc *json, const char *key, int64_t value);
void rw_doc_number(rw_doc *json, const char *key, double value);
void rw_doc_flag(rw_doc *json, const char *key, bool value);
/* A JSON text as it is; when it is none: null. */
void rw_doc_raw(rw_doc *json, const char *key, const char *value);

/* ---- reading: a request's body is one object ---- */

/* NULL with RW_ERROR_USAGE. Nested no deeper than 8. Free with json_node_unref. */
JsonNode *rw_body_parse(const char *text, size_t bytes, GError **error);
/* Members of an object; what is absent or of another kind is NULL, false. Owned by the node. */
const char *rw_body_get_text(JsonObject *object, const char *key);
bool rw_body_get_whole(JsonObject *object, const char *key, int64_t *value);
bool rw_body_get_number(JsonObject *object, const char *key, double *value);
JsonArray *rw_body_get_array(JsonObject *object, const char *key);

#endif
