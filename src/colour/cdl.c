/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "colour/cdl.h"

rw_cdl rw_cdl_identity(void)
{
    return (rw_cdl){.slope = {1, 1, 1}, .power = {1, 1, 1}, .saturation = 1};
}

bool rw_cdl_is_identity(const rw_cdl *cdl)
{
    for (int i = 0; i < 3; i++)
        if (cdl->slope[i] != 1 || cdl->offset[i] != 0 || cdl->power[i] != 1)
            return false;
    return cdl->saturation == 1;
}

static float clamp01(float v)
{
    return v > 0 ? (v < 1 ? v : 1) : 0; /* NaN becomes 0 */
}

void rw_cdl_apply(const rw_cdl *cdl, float *r, float *g, float *b, size_t count)
{
    float *plane[3] = {r, g, b};
    for (int c = 0; c < 3; c++) {
        float slope = (float)cdl->slope[c], offset = (float)cdl->offset[c];
        float power = (float)cdl->power[c];
        for (size_t i = 0; i < count; i++) {
            float v = clamp01(plane[c][i] * slope + offset);
            plane[c][i] = power == 1.0f ? v : powf(v, power);
        }
    }
    float sat = (float)cdl->saturation;
    for (size_t i = 0; i < count; i++) {
        float luma = 0.2126f * r[i] + 0.7152f * g[i] + 0.0722f * b[i];
        for (int c = 0; c < 3; c++)
            plane[c][i] = clamp01(luma + sat * (plane[c][i] - luma));
    }
}

/* ---- XML ---- */

typedef struct reader {
    const char *name;
    GArray *found;
    rw_cdl now;
    bool inside;   /* a ColorCorrection */
    GString *text; /* of the element being read */
} reader;

static void on_start(GMarkupParseContext *context, const char *element, const char **names,
                     const char **values, gpointer data, GError **error)
{
    (void)context;
    (void)error;
    reader *r = data;
    g_string_truncate(r->text, 0);
    if (!g_str_equal(element, "ColorCorrection"))
        return;
    r->inside = true;
    r->now = rw_cdl_identity();
    for (int i = 0; names[i]; i++)
        if (g_str_equal(names[i], "id"))
            g_strlcpy(r->now.id, values[i], sizeof r->now.id);
}

static void on_text(GMarkupParseContext *context, const char *text, gsize length, gpointer data,
                    GError **error)
{
    (void)context;
    (void)error;
    reader *r = data;
    if (r->text->len + length < 1000)
        g_string_append_len(r->text, text, (gssize)length);
}

static void read_numbers(const reader *r, const char *element, double *out, int count, double low,
                         bool low_allowed, GError **error)
{
    const char *at = r->text->str;
    for (int i = 0; i < count; i++) {
        char *end;
        double v = g_ascii_strtod(at, &end);
        if (end == at || !isfinite(v) || v < low || (v == low && !low_allowed)) {
            g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                        "%s: %s must be %d number%s %s %g, not \"%s\".", r->name, element, count,
                        count > 1 ? "s" : "", low_allowed ? "of at least" : "above", low,
                        r->text->str);
            return;
        }
        out[i] = v;
        at = end;
    }
}

static void on_end(GMarkupParseContext *context, const char *element, gpointer data, GError **error)
{
    (void)context;
    reader *r = data;
    if (!r->inside)
        return;
    if (g_str_equal(element, "Slope"))
        read_numbers(r, element, r->now.slope, 3, 0, true, error);
    else if (g_str_equal(element, "Offset"))
        read_numbers(r, element, r->now.offset, 3, -1e9, true, error);
    else if (g_str_equal(element, "Power"))
        read_numbers(r, element, r->now.power, 3, 0, false, error);
    else if (g_str_equal(element, "Saturation"))
        read_numbers(r, element, &r->now.saturation, 1, 0, true, error);
    else if (g_str_equal(element, "ColorCorrection")) {
        r->inside = false;
        g_array_append_val(r->found, r->now);
    }
}

GArray *rw_cdl_parse(const char *xml, size_t bytes, const char *name, GError **error)
{
    static const GMarkupParser callbacks = {
        .start_element = on_start, .text = on_text, .end_element = on_end};
    reader r = {.name = name, .text = g_string_new(NULL)};
    r.found = g_array_new(FALSE, FALSE, sizeof(rw_cdl));
    GMarkupParseContext *context = g_markup_parse_context_new(&callbacks, 0, &r, NULL);
    g_autoptr(GError) inner = NULL;
    bool ok = g_markup_parse_context_parse(context, xml, (gssize)bytes, &inner) &&
              g_markup_parse_context_end_parse(context, &inner);
    g_markup_parse_context_free(context);
    g_string_free(r.text, TRUE);
    if (ok && r.found->len > 0)
        return r.found;
    if (inner && inner->domain == RW_ERROR)
        g_propagate_error(error, g_steal_pointer(&inner));
    else
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s holds no colour correction: %s.", name,
                    inner ? inner->message : "there is no ColorCorrection in it");
    g_array_unref(r.found);
    return NULL;
}

static void append_numbers(GString *out, const char *element, const double *v, int count)
{
    char number[G_ASCII_DTOSTR_BUF_SIZE];
    g_string_append_printf(out, "      <%s>", element);
    for (int i = 0; i < count; i++)
        g_string_append_printf(out, "%s%s", i ? " " : "",
                               g_ascii_dtostr(number, sizeof number, v[i]));
    g_string_append_printf(out, "</%s>\n", element);
}

char *rw_cdl_format(const rw_cdl *cdls, size_t count)
{
    GString *out = g_string_new("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"
                                "<ColorCorrectionCollection xmlns=\"urn:ASC:CDL:v1.2\">\n");
    for (size_t i = 0; i < count; i++) {
        g_autofree char *id = g_markup_escape_text(cdls[i].id, -1);
        g_string_append_printf(out, "  <ColorCorrection id=\"%s\">\n    <SOPNode>\n", id);
        append_numbers(out, "Slope", cdls[i].slope, 3);
        append_numbers(out, "Offset", cdls[i].offset, 3);
        append_numbers(out, "Power", cdls[i].power, 3);
        g_string_append(out, "    </SOPNode>\n    <SatNode>\n");
        append_numbers(out, "Saturation", &cdls[i].saturation, 1);
        g_string_append(out, "    </SatNode>\n  </ColorCorrection>\n");
    }
    g_string_append(out, "</ColorCorrectionCollection>\n");
    return g_string_free(out, FALSE);
}
