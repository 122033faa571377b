/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/params.h"

#include <math.h>

typedef struct term_row {
    const char *name, *help;
    enum { ALWAYS, ON } kind;
} term_row;

static const term_row terms[] = {
#define TERM(id, name, on, help) {name, help, on},
#define NUMBER(id, key, unit, lo, hi, value, help)
#define LIST(id, key, help)
#include "demo/params.def"
#undef TERM
#undef NUMBER
#undef LIST
};

typedef struct param_row {
    const char *key, *unit;
    double lo, hi, value;
    bool list;
    const char *help;
} param_row;

static const param_row rows[] = {
#define TERM(id, name, on, help)
#define NUMBER(id, key, unit, lo, hi, value, help) {key, unit, lo, hi, value, false, help},
#define LIST(id, key, help)                        {key, "", 0, 0, 0, true, help},
#include "demo/params.def"
#undef TERM
#undef NUMBER
#undef LIST
};

/* What a survey would find fault with; the rest is the nature of film and camera. */
static const rw_demo_term faults[] = {
    DEMO_TERM_STEP,    DEMO_TERM_CLIP,    DEMO_TERM_HAIR,  DEMO_TERM_DAMAGE,
    DEMO_TERM_MISSING, DEMO_TERM_DOUBLED, DEMO_TERM_SMEAR, DEMO_TERM_FOCUS,
    DEMO_TERM_SOFT,    DEMO_TERM_SPLICE,  DEMO_TERM_ALIEN,
};

void rw_demo_params_init(rw_demo_params *params)
{
    memset(params, 0, sizeof *params);
    for (int i = 0; i < DEMO_TERMS; i++)
        params->on[i] = true;
    for (int i = 0; i < DEMO_PARAMS; i++)
        params->number[i] = rows[i].value;
}

void rw_demo_params_clear(rw_demo_params *params)
{
    for (int i = 0; i < DEMO_PARAMS; i++)
        g_free(params->list[i].at);
    memset(params, 0, sizeof *params);
}

void rw_demo_params_copy(rw_demo_params *to, const rw_demo_params *from)
{
    *to = *from;
    for (int i = 0; i < DEMO_PARAMS; i++)
        if (from->list[i].at)
            to->list[i].at =
                g_memdup2(from->list[i].at, sizeof(int64_t) * (size_t)from->list[i].count);
}

static bool parse_number(const char *text, double *out)
{
    char *end;
    *out = g_ascii_strtod(text, &end);
    return end != text && *end == '\0' && isfinite(*out);
}

static int compare_frames(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

/* "17", or "8-12" for all from 8 to 12. */
static bool parse_frames(const char *word, int64_t *first, int64_t *last)
{
    char *end;
    *first = *last = g_ascii_strtoll(word, &end, 10);
    if (end == word || *first < 0)
        return false;
    if (*end == '-') {
        const char *rest = end + 1;
        *last = g_ascii_strtoll(rest, &end, 10);
        if (end == rest || *last < *first || *last - *first > 1000000)
            return false;
    }
    return *end == '\0';
}

static bool set_list(rw_demo_list *list, const param_row *row, const char *text, GError **error)
{
    g_auto(GStrv) words = g_strsplit(text, ",", -1);
    GArray *at = g_array_new(FALSE, FALSE, sizeof(int64_t));
    for (char **word = words; *word; word++) {
        int64_t first, last;
        if (!parse_frames(*word, &first, &last)) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "%s takes film frame numbers separated by commas, such as 3,17 or 8-12; "
                        "\"%s\" is none.",
                        row->key, *word);
            g_array_unref(at);
            return false;
        }
        for (int64_t f = first; f <= last; f++)
            g_array_append_val(at, f);
    }
    int count = (int)at->len;
    g_array_sort(at, compare_frames);
    g_free(list->at);
    *list = (rw_demo_list){(int64_t *)(void *)g_array_free(at, FALSE), count};
    return true;
}

bool rw_demo_params_set(rw_demo_params *params, const char *assignment, GError **error)
{
    const char *equals = strchr(assignment, '=');
    g_autofree char *key =
        equals ? g_strndup(assignment, (gsize)(equals - assignment)) : g_strdup(assignment);
    int i = 0;
    while (i < DEMO_PARAMS && !g_str_equal(key, rows[i].key))
        i++;
    if (!equals || i == DEMO_PARAMS) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "\"%s\" is not term.parameter=value of a term that exists; --help-terms lists "
                    "them.",
                    assignment);
        return false;
    }
    if (rows[i].list)
        return set_list(&params->list[i], &rows[i], equals + 1, error);
    double value;
    if (!parse_number(equals + 1, &value) || value < rows[i].lo || value > rows[i].hi) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "%s takes a number from %g to %g, not \"%s\".",
                    rows[i].key, rows[i].lo, rows[i].hi, equals + 1);
        return false;
    }
    params->number[i] = value;
    return true;
}

bool rw_demo_params_off(rw_demo_params *params, const char *term, GError **error)
{
    if (g_str_equal(term, "faults")) {
        for (size_t i = 0; i < G_N_ELEMENTS(faults); i++)
            params->on[faults[i]] = false;
        return true;
    }
    bool all = g_str_equal(term, "all"), found = all;
    for (int i = 0; i < DEMO_TERMS; i++)
        if (terms[i].kind == ON && (all || g_str_equal(term, terms[i].name))) {
            params->on[i] = false;
            found = true;
        }
    if (!found)
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "There is no term \"%s\" to switch off; --help-terms lists them.", term);
    return found;
}

const char *rw_demo_term_name(rw_demo_term term)
{
    return terms[term].name;
}

bool rw_demo_term_has_switch(rw_demo_term term)
{
    return terms[term].kind == ON;
}

const char *rw_demo_param_key(rw_demo_param param)
{
    return rows[param].key;
}

bool rw_demo_param_is_list(rw_demo_param param)
{
    return rows[param].list;
}

rw_demo_term rw_demo_param_term(rw_demo_param param)
{
    const char *key = rows[param].key, *point = strchr(key, '.');
    size_t length = (size_t)(point - key);
    int i = 0;
    while (strlen(terms[i].name) != length || strncmp(terms[i].name, key, length) != 0)
        i++;
    return (rw_demo_term)i;
}

double rw_demo_value(const rw_demo_params *params, rw_demo_param param)
{
    return params->on[rw_demo_param_term(param)] ? params->number[param] : 0;
}

bool rw_demo_listed(const rw_demo_params *params, rw_demo_param param, int64_t frame)
{
    const rw_demo_list *list = &params->list[param];
    return params->on[rw_demo_param_term(param)] && list->count > 0 &&
           bsearch(&frame, list->at, (size_t)list->count, sizeof frame, compare_frames);
}

static void help_param(GString *out, const param_row *row, bool markdown)
{
    g_autofree char *range =
        row->list ? g_strdup("list") : g_strdup_printf("%g to %g", row->lo, row->hi);
    g_autofree char *value = row->list ? g_strdup("empty") : g_strdup_printf("%g", row->value);
    if (markdown)
        g_string_append_printf(out, "| `%s` | %s | %s | %s | %s |\n", row->key, value, range,
                               row->unit, row->help);
    else
        g_string_append_printf(out, "  %-22s %s%s%s (%s, default %s)\n", row->key, row->help,
                               *row->unit ? ", " : "", row->unit, range, value);
}

char *rw_demo_params_help(bool markdown)
{
    GString *out = g_string_new(NULL);
    if (markdown)
        g_string_append(out, "| parameter | default | range | unit | meaning |\n"
                             "|---|---|---|---|---|\n");
    for (int t = 0; t < DEMO_TERMS; t++) {
        const char *remark = terms[t].kind == ALWAYS ? " (cannot be switched off)" : "";
        if (markdown)
            g_string_append_printf(out, "| **%s** | | | | %s%s |\n", terms[t].name, terms[t].help,
                                   remark);
        else
            g_string_append_printf(out, "%s%s: %s%s.\n", t ? "\n" : "", terms[t].name,
                                   terms[t].help, remark);
        for (int i = 0; i < DEMO_PARAMS; i++)
            if ((int)rw_demo_param_term((rw_demo_param)i) == t)
                help_param(out, &rows[i], markdown);
    }
    return g_string_free(out, FALSE);
}
