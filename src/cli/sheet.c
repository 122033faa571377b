/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli/sheet.h"

#define LABEL_WIDTH 36
#define VALUE_WIDTH 15
#define UNIT_WIDTH  8
#define LINE_WIDTH  96

struct rw_sheet {
    GString *table, *json, *cautions;
    bool in_section, has_rows;
};

rw_sheet *rw_sheet_new(void)
{
    rw_sheet *s = g_new0(rw_sheet, 1);
    s->table = g_string_new(NULL);
    s->json = g_string_new("{\n");
    s->cautions = g_string_new(NULL);
    return s;
}

void rw_sheet_free(rw_sheet **sheet)
{
    if (!sheet || !*sheet)
        return;
    g_string_free((*sheet)->table, TRUE);
    g_string_free((*sheet)->json, TRUE);
    g_string_free((*sheet)->cautions, TRUE);
    g_free(*sheet);
    *sheet = NULL;
}

/* A JSON string; UTF-8 passes as it is. */
static void append_quoted(GString *out, const char *text)
{
    g_string_append_c(out, '"');
    for (const char *p = text; *p; p++) {
        if (*p == '"' || *p == '\\')
            g_string_append_c(out, '\\');
        if ((unsigned char)*p < 0x20)
            g_string_append_printf(out, "\\u%04x", (unsigned)*p);
        else
            g_string_append_c(out, *p);
    }
    g_string_append_c(out, '"');
}

/* Columns are counted in characters, not bytes: units hold letters such as the Greek mu. */
static void append_padded(GString *out, const char *text, int width, bool right)
{
    int pad = width - (int)g_utf8_strlen(text, -1);
    if (!right)
        g_string_append(out, text);
    for (int i = 0; i < pad; i++)
        g_string_append_c(out, ' ');
    if (right)
        g_string_append(out, text);
}

static void end_section(rw_sheet *s)
{
    if (s->in_section)
        g_string_append(s->json, "\n  },\n");
    s->in_section = false;
}

void rw_sheet_section(rw_sheet *s, const char *key, const char *title)
{
    end_section(s);
    g_string_append_printf(s->table, "%s%s\n", s->table->len ? "\n" : "", title);
    g_string_append(s->json, "  ");
    append_quoted(s->json, key);
    g_string_append(s->json, ": {");
    s->in_section = true;
    s->has_rows = false;
}

/* json is a JSON value already. */
static void add_row(rw_sheet *s, const char *key, const char *json, const char *label,
                    const char *value, const char *unit, const char *note)
{
    g_string_append(s->json, s->has_rows ? ",\n    " : "\n    ");
    append_quoted(s->json, key);
    g_string_append_printf(s->json, ": %s", json);
    s->has_rows = true;

    g_string_append(s->table, "  ");
    append_padded(s->table, label, LABEL_WIDTH, false);
    append_padded(s->table, value, VALUE_WIDTH, true);
    g_string_append_c(s->table, ' ');
    append_padded(s->table, unit ? unit : "", note ? UNIT_WIDTH : 0, false);
    if (note)
        g_string_append(s->table, note);
    while (s->table->str[s->table->len - 1] == ' ')
        g_string_truncate(s->table, s->table->len - 1);
    g_string_append_c(s->table, '\n');
}

void rw_sheet_real(rw_sheet *s, const char *key, const char *label, double value, int decimals,
                   const char *unit, const char *note)
{
    g_autofree char *json = g_strdup_printf("%.9g", value);
    g_autofree char *text = g_strdup_printf("%.*f", decimals, value);
    add_row(s, key, json, label, text, unit, note);
}

void rw_sheet_pair(rw_sheet *s, const char *key, const char *label, double a, double b,
                   int decimals, const char *unit, const char *note)
{
    g_autofree char *json = g_strdup_printf("[%.9g, %.9g]", a, b);
    g_autofree char *text = g_strdup_printf("%.*f × %.*f", decimals, a, decimals, b);
    add_row(s, key, json, label, text, unit, note);
}

void rw_sheet_whole(rw_sheet *s, const char *key, const char *label, int64_t value,
                    const char *unit, const char *note)
{
    g_autofree char *text = g_strdup_printf("%" G_GINT64_FORMAT, value);
    add_row(s, key, text, label, text, unit, note);
}

void rw_sheet_text(rw_sheet *s, const char *key, const char *label, const char *value,
                   const char *unit, const char *note)
{
    GString *json = g_string_new(NULL);
    append_quoted(json, value);
    add_row(s, key, json->str, label, value, unit, note);
    g_string_free(json, TRUE);
}

void rw_sheet_yes(rw_sheet *s, const char *key, const char *label, bool yes, const char *note)
{
    add_row(s, key, yes ? "true" : "false", label, yes ? "yes" : "no", NULL, note);
}

void rw_sheet_time(rw_sheet *s, const char *key, const char *label, const char *text,
                   double seconds, const char *note)
{
    g_autofree char *json = g_strdup_printf("%.9g", seconds);
    add_row(s, key, json, label, text, NULL, note);
}

/* Words are not cut; a line after the first stands under its text. */
static void append_wrapped(GString *out, const char *text)
{
    int column = LINE_WIDTH;
    g_auto(GStrv) parts = g_strsplit(text, " ", -1);
    for (char **word = parts; *word; word++) {
        int width = (int)g_utf8_strlen(*word, -1);
        bool fits = column + 1 + width <= LINE_WIDTH;
        g_string_append(out, fits ? " " : word == parts ? "  ! " : "\n    ");
        g_string_append(out, *word);
        column = (fits ? column + 1 : 4) + width;
    }
    g_string_append_c(out, '\n');
}

void rw_sheet_caution(rw_sheet *s, const char *sentence)
{
    append_wrapped(s->table, sentence);
    g_string_append(s->cautions, s->cautions->len ? ",\n    " : "\n    ");
    append_quoted(s->cautions, sentence);
}

void rw_sheet_print(const rw_sheet *s, bool json)
{
    if (json)
        printf("%s%s  \"cautions\": [%s%s]\n}\n", s->json->str, s->in_section ? "\n  },\n" : "",
               s->cautions->str, s->cautions->len ? "\n  " : "");
    else
        fputs(s->table->str, stdout);
}
