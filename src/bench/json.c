/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "bench/json.h"

#define MAX_DEPTH      32
#define MAX_READ_DEPTH 8

struct rw_doc {
    GString *text;
    char closing[MAX_DEPTH];
    int depth;
    bool first;
};

rw_doc *rw_doc_new(void)
{
    rw_doc *json = g_new0(rw_doc, 1);
    json->text = g_string_sized_new(1024);
    json->first = true;
    return json;
}

char *rw_doc_take(rw_doc **json)
{
    g_assert((*json)->depth == 0);
    char *text = g_string_free((*json)->text, FALSE);
    g_clear_pointer(json, g_free);
    return text;
}

void rw_doc_free(rw_doc **json)
{
    if (!*json)
        return;
    g_string_free((*json)->text, TRUE);
    g_clear_pointer(json, g_free);
}

static void add_quoted(GString *out, const char *value)
{
    g_autofree char *mended =
        g_utf8_validate(value, -1, NULL) ? NULL : g_utf8_make_valid(value, -1);
    g_string_append_c(out, '"');
    for (const unsigned char *c = (const unsigned char *)(mended ? mended : value); *c; c++) {
        if (*c == '"' || *c == '\\') {
            g_string_append_c(out, '\\');
            g_string_append_c(out, (char)*c);
        } else if (*c < 0x20 || *c == 0x7f) {
            g_string_append_printf(out, "\\u%04x", *c);
        } else {
            g_string_append_c(out, (char)*c);
        }
    }
    g_string_append_c(out, '"');
}

static void start(rw_doc *json, const char *key)
{
    if (!json->first)
        g_string_append_c(json->text, ',');
    json->first = false;
    if (key) {
        add_quoted(json->text, key);
        g_string_append_c(json->text, ':');
    }
}

void rw_doc_open(rw_doc *json, const char *key, char bracket)
{
    g_assert(json->depth < MAX_DEPTH);
    start(json, key);
    g_string_append_c(json->text, bracket);
    json->closing[json->depth++] = bracket == '{' ? '}' : ']';
    json->first = true;
}

void rw_doc_close(rw_doc *json)
{
    g_assert(json->depth > 0);
    g_string_append_c(json->text, json->closing[--json->depth]);
    json->first = false;
}

void rw_doc_text(rw_doc *json, const char *key, const char *value)
{
    start(json, key);
    if (value)
        add_quoted(json->text, value);
    else
        g_string_append(json->text, "null");
}

void rw_doc_whole(rw_doc *json, const char *key, int64_t value)
{
    start(json, key);
    g_string_append_printf(json->text, "%" G_GINT64_FORMAT, value);
}

void rw_doc_number(rw_doc *json, const char *key, double value)
{
    char digits[G_ASCII_DTOSTR_BUF_SIZE];
    start(json, key);
    g_string_append(json->text,
                    isfinite(value) ? g_ascii_dtostr(digits, sizeof digits, value) : "null");
}

void rw_doc_flag(rw_doc *json, const char *key, bool value)
{
    start(json, key);
    g_string_append(json->text, value ? "true" : "false");
}

void rw_doc_raw(rw_doc *json, const char *key, const char *value)
{
    JsonNode *node = value ? json_from_string(value, NULL) : NULL;
    g_autofree char *clean = node ? json_to_string(node, FALSE) : NULL;
    start(json, key);
    g_string_append(json->text, clean ? clean : "null");
    if (node)
        json_node_unref(node);
}

/* ---- reading ---- */

/* The library's parser calls itself for every bracket: a body of brackets must not reach it. */
static bool is_shallow(const char *text, size_t bytes)
{
    int depth = 0;
    bool quoted = false;
    for (size_t i = 0; i < bytes; i++) {
        char c = text[i];
        if (quoted && c == '\\')
            i++;
        else if (c == '"')
            quoted = !quoted;
        else if (!quoted && (c == '{' || c == '['))
            depth++;
        else if (!quoted && (c == '}' || c == ']'))
            depth--;
        if (depth > MAX_READ_DEPTH)
            return false;
    }
    return true;
}

JsonNode *rw_body_parse(const char *text, size_t bytes, GError **error)
{
    g_autoptr(JsonParser) parser = json_parser_new_immutable();
    if (bytes > 0 && bytes <= G_MAXSSIZE && is_shallow(text, bytes) &&
        g_utf8_validate_len(text, bytes, NULL) &&
        json_parser_load_from_data(parser, text, (gssize)bytes, NULL)) {
        JsonNode *root = json_parser_get_root(parser);
        if (root && JSON_NODE_HOLDS_OBJECT(root))
            return json_node_ref(root);
    }
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "The request is not a JSON object.");
    return NULL;
}

static JsonNode *member(JsonObject *object, const char *key, JsonNodeType type)
{
    JsonNode *node = json_object_get_member(object, key);
    return node && json_node_get_node_type(node) == type ? node : NULL;
}

const char *rw_body_get_text(JsonObject *object, const char *key)
{
    JsonNode *node = member(object, key, JSON_NODE_VALUE);
    return node && json_node_get_value_type(node) == G_TYPE_STRING ? json_node_get_string(node)
                                                                   : NULL;
}

bool rw_body_get_number(JsonObject *object, const char *key, double *value)
{
    JsonNode *node = member(object, key, JSON_NODE_VALUE);
    if (!node || (json_node_get_value_type(node) != G_TYPE_INT64 &&
                  json_node_get_value_type(node) != G_TYPE_DOUBLE))
        return false;
    *value = json_node_get_double(node);
    return isfinite(*value);
}

bool rw_body_get_whole(JsonObject *object, const char *key, int64_t *value)
{
    JsonNode *node = member(object, key, JSON_NODE_VALUE);
    if (!node || json_node_get_value_type(node) != G_TYPE_INT64)
        return false;
    *value = json_node_get_int(node);
    return true;
}

JsonArray *rw_body_get_array(JsonObject *object, const char *key)
{
    JsonNode *node = member(object, key, JSON_NODE_ARRAY);
    return node ? json_node_get_array(node) : NULL;
}
