/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <reelwright/param.h>

static double get_number(const rw_param *row, const void *params)
{
    const char *at = (const char *)params + row->offset;
    switch (row->kind) {
    case RW_PARAM_NUMBER:
        return *(const double *)(const void *)at;
    case RW_PARAM_SWITCH:
        return *(const bool *)(const void *)at;
    case RW_PARAM_WHOLE:
    case RW_PARAM_WORD:
        return *(const int *)(const void *)at;
    case RW_PARAM_TEXT:
        break;
    }
    g_assert_not_reached();
}

static void put_number(const rw_param *row, void *params, double value)
{
    char *at = (char *)params + row->offset;
    switch (row->kind) {
    case RW_PARAM_NUMBER:
        *(double *)(void *)at = value;
        return;
    case RW_PARAM_SWITCH:
        *(bool *)(void *)at = value != 0;
        return;
    case RW_PARAM_WHOLE:
    case RW_PARAM_WORD:
        *(int *)(void *)at = (int)value;
        return;
    case RW_PARAM_TEXT:
        break;
    }
    g_assert_not_reached();
}

const rw_param *rw_param_find(const rw_param *rows, const char *key)
{
    for (const rw_param *row = rows; row && row->key; row++)
        if (g_str_equal(row->key, key))
            return row;
    return NULL;
}

void rw_params_defaults(const rw_param *rows, void *params)
{
    for (const rw_param *row = rows; row && row->key; row++) {
        if (row->kind == RW_PARAM_TEXT)
            memset((char *)params + row->offset, 0, RW_PARAM_TEXT_BYTES);
        else
            put_number(row, params, row->initial);
    }
}

static bool parse_number(const rw_param *row, const char *text, double *value)
{
    char *end = NULL;
    *value = g_ascii_strtod(text, &end);
    bool whole = row->kind != RW_PARAM_WHOLE || floor(*value) == *value;
    return end != text && *end == '\0' && whole && *value >= row->min && *value <= row->max;
}

static bool parse_switch(const char *text, double *value)
{
    *value = g_str_equal(text, "on");
    return *value != 0 || g_str_equal(text, "off");
}

static bool parse_word(const rw_param *row, const char *text, double *value)
{
    for (int i = 0; row->words[i]; i++) {
        if (g_str_equal(row->words[i], text)) {
            *value = i;
            return true;
        }
    }
    return false;
}

static bool put_text(const rw_param *row, void *params, const char *text)
{
    size_t length = strlen(text);
    bool ok = length < RW_PARAM_TEXT_BYTES && g_utf8_validate(text, -1, NULL);
    for (size_t i = 0; ok && i < length; i++)
        ok = (unsigned char)text[i] >= 0x20 && text[i] != 0x7f;
    if (!ok)
        return false;
    char *at = (char *)params + row->offset;
    memset(at, 0, RW_PARAM_TEXT_BYTES); /* equal texts are equal bytes */
    memcpy(at, text, length);
    return true;
}

/* "a number from 0 to 1", "on or off", "hold, blend" */
static char *describe_range(const rw_param *row)
{
    if (row->kind == RW_PARAM_SWITCH)
        return g_strdup("on or off");
    if (row->kind == RW_PARAM_WORD)
        return g_strjoinv(", ", (char **)(void *)row->words);
    if (row->kind == RW_PARAM_TEXT)
        return g_strdup_printf("one line of at most %d bytes", RW_PARAM_TEXT_BYTES - 1);
    return g_strdup_printf("a %s from %g to %g%s%s",
                           row->kind == RW_PARAM_WHOLE ? "whole number" : "number", row->min,
                           row->max, *row->unit ? " " : "", row->unit);
}

bool rw_params_set(const rw_param *rows, void *params, const char *key, const char *text,
                   GError **error)
{
    const rw_param *row = rw_param_find(rows, key);
    if (!row) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "There is no parameter \"%s\".", key);
        return false;
    }
    double value = 0;
    bool ok = row->kind == RW_PARAM_TEXT     ? put_text(row, params, text)
              : row->kind == RW_PARAM_SWITCH ? parse_switch(text, &value)
              : row->kind == RW_PARAM_WORD   ? parse_word(row, text, &value)
                                             : parse_number(row, text, &value);
    if (!ok) {
        g_autofree char *range = describe_range(row);
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "\"%s\" cannot be \"%s\": it takes %s.", key,
                    text, range);
        return false;
    }
    if (row->kind != RW_PARAM_TEXT)
        put_number(row, params, value);
    return true;
}

static char *format_value(const rw_param *row, const void *params)
{
    if (row->kind == RW_PARAM_TEXT)
        return g_strdup((const char *)params + row->offset);
    double value = get_number(row, params);
    if (row->kind == RW_PARAM_SWITCH)
        return g_strdup(value != 0 ? "on" : "off");
    if (row->kind == RW_PARAM_WORD)
        return g_strdup(row->words[(int)value]);
    char text[G_ASCII_DTOSTR_BUF_SIZE];
    return g_strdup(g_ascii_dtostr(text, sizeof text, value));
}

char *rw_params_get(const rw_param *rows, const void *params, const char *key)
{
    const rw_param *row = rw_param_find(rows, key);
    return row ? format_value(row, params) : NULL;
}

char *rw_params_hash(const rw_param *rows, const void *params)
{
    g_autoptr(GChecksum) sum = g_checksum_new(G_CHECKSUM_SHA256);
    for (const rw_param *row = rows; row && row->key; row++) {
        g_autofree char *value = format_value(row, params);
        g_autofree char *line = g_strdup_printf("%s=%s\n", row->key, value);
        g_checksum_update(sum, (const guchar *)line, -1);
    }
    return g_strndup(g_checksum_get_string(sum), 16);
}
