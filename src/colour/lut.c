/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "colour/lut.h"

struct rw_lut {
    char *title;
    int dimensions, size;
    float low[3], scale[3]; /* position = (value - low) * scale, 0..size-1 */
    float *values;          /* triples; red varies fastest */
};

rw_lut *rw_lut_new(int dimensions, int size, const float *values)
{
    g_return_val_if_fail((dimensions == 1 && size >= 2 && size <= RW_LUT_MAX_1D) ||
                             (dimensions == 3 && size >= 2 && size <= RW_LUT_MAX_3D),
                         NULL);
    rw_lut *lut = g_new0(rw_lut, 1);
    size_t n = (size_t)size;
    lut->title = g_strdup("");
    lut->dimensions = dimensions;
    lut->size = size;
    lut->values = g_memdup2(values, (dimensions == 1 ? n : n * n * n) * 3 * sizeof(float));
    for (int i = 0; i < 3; i++)
        lut->scale[i] = (float)(size - 1);
    return lut;
}

void rw_lut_free(rw_lut **lut)
{
    if (!*lut)
        return;
    g_free((*lut)->title);
    g_free((*lut)->values);
    g_clear_pointer(lut, g_free);
}

int rw_lut_dimensions(const rw_lut *lut)
{
    return lut->dimensions;
}

int rw_lut_size(const rw_lut *lut)
{
    return lut->size;
}

const char *rw_lut_title(const rw_lut *lut)
{
    return lut->title;
}

/* Position on one axis, held inside the table; NaN goes to the low end. */
static float locate(const rw_lut *lut, int axis, float value, int *cell)
{
    float p = (value - lut->low[axis]) * lut->scale[axis];
    float top = (float)(lut->size - 1);
    p = p > 0 ? (p < top ? p : top) : 0;
    *cell = MIN((int)p, lut->size - 2);
    return p - (float)*cell;
}

static void apply_1d(const rw_lut *lut, float *rgb[3], size_t count)
{
    for (int c = 0; c < 3; c++)
        for (size_t i = 0; i < count; i++) {
            int cell;
            float f = locate(lut, c, rgb[c][i], &cell);
            const float *v = lut->values + 3 * (size_t)cell + c;
            rgb[c][i] = v[0] + (v[3] - v[0]) * f;
        }
}

/* The cell is cut into six tetrahedra along its grey diagonal; the order of the three fractions
 * says which one. Walks from the low corner to the high one, largest fraction first. */
static void tetrahedral(const rw_lut *lut, float *r, float *g, float *b)
{
    int cell[3];
    float f[3] = {locate(lut, 0, *r, &cell[0]), locate(lut, 1, *g, &cell[1]),
                  locate(lut, 2, *b, &cell[2])};
    size_t n = (size_t)lut->size;
    const size_t step[3] = {3, 3 * n, 3 * n * n};
    int order[3] = {0, 1, 2};
    if (f[order[0]] < f[order[1]])
        order[0] = 1, order[1] = 0;
    if (f[order[1]] < f[order[2]]) {
        int t = order[1];
        order[1] = order[2];
        order[2] = t;
        if (f[order[0]] < f[order[1]])
            t = order[0], order[0] = order[1], order[1] = t;
    }
    const float *v = lut->values + (size_t)cell[0] * step[0] + (size_t)cell[1] * step[1] +
                     (size_t)cell[2] * step[2];
    float out[3] = {v[0], v[1], v[2]};
    for (int k = 0; k < 3; k++) {
        const float *next = v + step[order[k]];
        for (int c = 0; c < 3; c++)
            out[c] += (next[c] - v[c]) * f[order[k]];
        v = next;
    }
    *r = out[0];
    *g = out[1];
    *b = out[2];
}

void rw_lut_apply(const rw_lut *lut, float *r, float *g, float *b, size_t count)
{
    if (lut->dimensions == 1) {
        apply_1d(lut, (float *[3]){r, g, b}, count);
        return;
    }
    for (size_t i = 0; i < count; i++)
        tetrahedral(lut, &r[i], &g[i], &b[i]);
}

/* ---- .cube ---- */

typedef struct parser {
    const char *name;
    int line;
    int dimensions, size;
    float low[3], high[3];
    char *title;
    GArray *values; /* float */
} parser;

static bool complain(const parser *p, const char *what, GError **error)
{
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s, line %d: %s.", p->name, p->line, what);
    return false;
}

/* Exactly three finite numbers. */
static bool read_triple(const char *text, float out[3])
{
    for (int i = 0; i < 3; i++) {
        char *end;
        double v = g_ascii_strtod(text, &end);
        if (end == text || !isfinite(v) || fabs(v) > 1e9)
            return false;
        out[i] = (float)v;
        text = end;
    }
    while (g_ascii_isspace(*text))
        text++;
    return *text == '\0';
}

static bool read_size(parser *p, const char *text, int dimensions, GError **error)
{
    gint64 size;
    g_autofree char *number = g_strstrip(g_strdup(text));
    if (p->dimensions)
        return complain(p, "a second size", error);
    if (!g_ascii_string_to_signed(number, 10, 2, dimensions == 1 ? RW_LUT_MAX_1D : RW_LUT_MAX_3D,
                                  &size, NULL))
        return complain(p, "the size must be a whole number from 2 to 65536 (1D) or 256 (3D)",
                        error);
    p->dimensions = dimensions;
    p->size = (int)size;
    return true;
}

static bool read_line(parser *p, char *line, GError **error)
{
    g_strstrip(line);
    if (*line == '\0' || *line == '#')
        return true;
    char *rest = line + strcspn(line, " \t");
    bool number = g_ascii_isdigit(*line) || strchr("+-.", *line);
    if (number) {
        float v[3];
        if (!p->dimensions)
            return complain(p, "values before the size", error);
        if (!read_triple(line, v))
            return complain(p, "expected three numbers", error);
        if (p->values->len / 3 >=
            (p->dimensions == 1 ? (guint)p->size : (guint)(p->size * p->size * p->size)))
            return complain(p, "more values than the size says", error);
        g_array_append_vals(p->values, v, 3);
        return true;
    }
    if (*rest)
        *rest++ = '\0';
    if (g_str_equal(line, "TITLE")) {
        g_free(p->title);
        p->title = g_utf8_make_valid(g_strstrip(rest), -1);
        return true;
    }
    if (g_str_equal(line, "LUT_1D_SIZE"))
        return read_size(p, rest, 1, error);
    if (g_str_equal(line, "LUT_3D_SIZE"))
        return read_size(p, rest, 3, error);
    if (g_str_equal(line, "DOMAIN_MIN"))
        return read_triple(rest, p->low) || complain(p, "expected three numbers", error);
    if (g_str_equal(line, "DOMAIN_MAX"))
        return read_triple(rest, p->high) || complain(p, "expected three numbers", error);
    return complain(p, "a word that a .cube file does not have", error);
}

static rw_lut *finish_parse(parser *p, GError **error)
{
    guint n = (guint)p->size;
    if (!p->dimensions || p->values->len != 3 * (p->dimensions == 1 ? n : n * n * n)) {
        complain(p, p->dimensions ? "the file ends before its last value" : "there is no size",
                 error);
        return NULL;
    }
    for (int i = 0; i < 3; i++)
        if (!(p->high[i] > p->low[i])) {
            complain(p, "DOMAIN_MAX must lie above DOMAIN_MIN", error);
            return NULL;
        }
    rw_lut *lut = rw_lut_new(p->dimensions, p->size, (const float *)(void *)p->values->data);
    for (int i = 0; i < 3; i++) {
        lut->low[i] = p->low[i];
        lut->scale[i] = (float)(p->size - 1) / (p->high[i] - p->low[i]);
    }
    if (p->title) {
        size_t length = strlen(p->title);
        bool quoted = length >= 2 && p->title[0] == '"' && p->title[length - 1] == '"';
        g_free(lut->title);
        lut->title = quoted ? g_strndup(p->title + 1, length - 2) : g_strdup(p->title);
    }
    return lut;
}

rw_lut *rw_lut_parse_cube(const char *text, size_t bytes, const char *name, GError **error)
{
    parser p = {.name = name, .high = {1, 1, 1}};
    p.values = g_array_new(FALSE, FALSE, sizeof(float));
    bool ok = true;
    for (const char *at = text, *end = text + bytes; ok && at < end;) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        size_t length = (size_t)((stop ? stop : end) - at);
        g_autofree char *line = g_strndup(at, length);
        p.line++;
        ok = read_line(&p, line, error);
        at += length + 1;
    }
    rw_lut *lut = ok ? finish_parse(&p, error) : NULL;
    g_free(p.title);
    g_array_unref(p.values);
    return lut;
}
