/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * json.h - writing JSON as it comes, and reading a small request.
 *
 *     rw_json *j = rw_json_new();
 *     rw_json_open(j, NULL, '{');
 *     rw_json_text(j, "title", title);
 *     rw_json_open(j, "frames", '[');
 *     rw_json_whole(j, NULL, 17);
 *     rw_json_close(j);
 *     rw_json_close(j);
 *     char *text = rw_json_take(&j);
 *
 * key NULL: an element of an array. Numbers that are not finite become null, text that is not UTF-8
 * is mended.
 */
#ifndef RW_BENCH_JSON_H
#define RW_BENCH_JSON_H

#include <json-glib/json-glib.h>

#include <reelwright/types.h>

typedef struct rw_json rw_json;

rw_json *rw_json_new(void);
char *rw_json_take(rw_json **json); /* all that was opened must be closed */
void rw_json_free(rw_json **json);

void rw_json_open(rw_json *json, const char *key, char bracket); /* '{' or '[' */
void rw_json_close(rw_json *json);
void rw_json_text(rw_json *json, const char *key, const char *value); /* NULL: null */
void rw_json_whole(rw_json *json, const char *key, int64_t value);
void rw_json_number(rw_json *json, const char *key, double value);
void rw_json_flag(rw_json *json, const char *key, bool value);
/* A JSON text as it is; when it is none: null. */
void rw_json_raw(rw_json *json, const char *key, const char *value);

/* ---- reading: a request's body is one object ---- */

/* NULL with RW_ERROR_USAGE. Nested no deeper than 8. Free with json_node_unref. */
JsonNode *rw_json_parse(const char *text, size_t bytes, GError **error);
/* Members of an object; what is absent or of another kind is NULL, false. Owned by the node. */
const char *rw_json_get_text(JsonObject *object, const char *key);
bool rw_json_get_whole(JsonObject *object, const char *key, int64_t *value);
bool rw_json_get_number(JsonObject *object, const char *key, double *value);
JsonArray *rw_json_get_array(JsonObject *object, const char *key);

#endif
