/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The report as one HTML file: style, pictures and plots are inside it, nothing is fetched and
 * nothing runs.
 */
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include <cairo-svg.h>

#include <glib/gstdio.h>

#include "report/content.h"
#include "report/tones.h"

#define PLOT_WIDTH  760.0
#define TONES_WIDTH 160.0
#define PLOT_HEIGHT 130.0

static const char style[] =
    ":root{color-scheme:light;--ink:#24272a;--soft:#5d6469;--line:#d9d5cd;--paper:#fbfaf7;"
    "--ok:#2c6e49;--look:#8a5a00;--redo:#a3211c}"
    "body{margin:0;background:var(--paper);color:var(--ink);"
    "font:16px/1.5 system-ui,\"DejaVu Sans\",sans-serif}"
    "main{max-width:50rem;margin:0 auto;padding:2.5rem 1.25rem 4rem}"
    "h1{font-size:1.9rem;line-height:1.2;margin:0 0 .25rem}"
    "h2{font-size:1.15rem;margin:2.75rem 0 .75rem;padding-top:.75rem;border-top:1px solid "
    "var(--line)}"
    ".verdict{font-size:1.1rem;margin:1.25rem 0;padding:.8rem 1rem;border-left:5px solid var(--ok);"
    "background:#fff}.verdict.w1{border-color:var(--look)}.verdict.w2{border-color:var(--redo)}"
    "dl{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1.5rem;margin:0}"
    "dt{color:var(--soft)}dd{margin:0;overflow-wrap:anywhere}"
    "figure{margin:0 0 1.25rem}svg{max-width:100%;height:auto;display:block}"
    ".scenes{display:grid;grid-template-columns:repeat(auto-fill,minmax(9rem,1fr));gap:.75rem}"
    ".scenes svg{width:100%;height:auto;display:block;margin-top:.3rem}"
    ".scenes figcaption{font-size:.8rem;color:var(--soft)}"
    "img{display:block;width:100%;height:auto;background:#1c1c1c}"
    "article{display:grid;grid-template-columns:1fr 18rem;gap:.25rem 1.25rem;padding:1rem 0;"
    "border-top:1px solid var(--line);break-inside:avoid}article:first-of-type{border:0}"
    "article h3{font-size:1rem;margin:0}article p{margin:.2rem "
    "0}.soft{color:var(--soft);font-size:.9rem}"
    ".pair{grid-row:1/span 4;grid-column:2;display:grid;grid-template-columns:1fr 1fr;gap:.4rem}"
    ".pair span{font-size:.75rem;color:var(--soft)}"
    ".redo{color:var(--redo)}.look{color:var(--look)}.note{color:var(--soft)}"
    "@media(max-width:40rem){article{display:block}.pair{margin-top:.5rem}}"
    "@media print{body{background:#fff}main{max-width:none;padding:0}}";

static void put(FILE *out, const char *format, ...) G_GNUC_PRINTF(2, 3);

/* Every %s is escaped: a title of "<script>" shows as text. */
static void put(FILE *out, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    g_autofree char *text = g_markup_vprintf_escaped(format, args);
    va_end(args);
    fputs(text, out);
}

static void put_picture(FILE *out, GBytes *jpeg, const char *alt)
{
    if (!jpeg)
        return;
    gsize size;
    const guchar *data = g_bytes_get_data(jpeg, &size);
    g_autofree char *coded = g_base64_encode(data, size);
    put(out, "<img alt=\"%s\" src=\"data:image/jpeg;base64,", alt);
    fputs(coded, out);
    fputs("\">", out);
}

static cairo_status_t take_svg(void *closure, const unsigned char *data, unsigned length)
{
    g_string_append_len(closure, (const char *)data, (gssize)length);
    return CAIRO_STATUS_SUCCESS;
}

/* Glyph ids repeat from one SVG to the next; in one document they must differ. */
static void put_svg(FILE *out, const char *svg, int serial)
{
    const char *start = strstr(svg, "<svg");
    if (!start)
        return;
    g_autofree char *own = g_strdup_printf("id=\"p%d-", serial);
    g_autofree char *use = g_strdup_printf("href=\"#p%d-", serial);
    g_autofree char *url = g_strdup_printf("url(#p%d-", serial);
    GString *text = g_string_new(start);
    g_string_replace(text, "id=\"", own, 0);
    g_string_replace(text, "href=\"#", use, 0);
    g_string_replace(text, "url(#", url, 0);
    fputs(text->str, out);
    g_string_free(text, TRUE);
}

static void put_plot(FILE *out, const rw_plot *plot, int serial)
{
    GString *svg = g_string_new(NULL);
    cairo_surface_t *surface =
        cairo_svg_surface_create_for_stream(take_svg, svg, PLOT_WIDTH, PLOT_HEIGHT);
    cairo_t *cr = cairo_create(surface);
    bool drawn = rw_plot_draw(cr, plot, PLOT_WIDTH, PLOT_HEIGHT);
    cairo_destroy(cr);
    cairo_surface_finish(surface);
    cairo_surface_destroy(surface);
    if (drawn) {
        put(out, "<figure role=\"img\" aria-label=\"%s along the reel\">", plot->title);
        put_svg(out, svg->str, serial);
        fputs("</figure>\n", out);
    }
    g_string_free(svg, TRUE);
}

static void put_tones(FILE *out, const rw_statistics *spread, int serial)
{
    GString *svg = g_string_new(NULL);
    cairo_surface_t *surface = cairo_svg_surface_create_for_stream(take_svg, svg, TONES_WIDTH,
                                                                   rw_tones_height(TONES_WIDTH));
    cairo_t *cr = cairo_create(surface);
    rw_tones_draw(cr, spread, TONES_WIDTH);
    cairo_destroy(cr);
    cairo_surface_finish(surface);
    cairo_surface_destroy(surface);
    if (spread->pixels) {
        put(out,
            "<div role=\"img\" aria-label=\"Tones and colours: middle %.0f %%, 96 of 100 samples "
            "from %.0f to %.0f %%\">",
            100 * spread->quantile[1], 100 * spread->quantile[0], 100 * spread->quantile[2]);
        put_svg(out, svg->str, serial);
        fputs("</div>\n", out);
    }
    g_string_free(svg, TRUE);
}

static void put_head(FILE *out, const rw_report_content *c)
{
    put(out,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">"
        "<meta name=\"viewport\" content=\"width=device-width\">"
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; "
        "style-src 'unsafe-inline'\">"
        "<title>%s: reel report</title><style>",
        c->title);
    fputs(style, out);
    put(out,
        "</style></head><body><main>\n<h1>%s</h1>\n<p class=\"soft\">Reel report, %s</p>\n"
        "<p class=\"verdict w%d\">%s</p>\n<dl>\n",
        c->title, c->made, c->verdict_weight, c->verdict);
    for (guint i = 0; i < c->facts->len; i++) {
        const rw_report_fact *f = &g_array_index(c->facts, rw_report_fact, i);
        put(out, "<dt>%s</dt><dd>%s</dd>\n", f->label, f->value);
    }
    fputs("</dl>\n", out);
}

static void put_scenes(FILE *out, const rw_report_content *c)
{
    if (!c->scenes->len)
        return;
    fputs("<h2>Scenes</h2>\n", out);
    put(out, "<p class=\"soft\">%s</p>\n<div class=\"scenes\">\n", rw_tones_legend);
    for (guint i = 0; i < c->scenes->len; i++) {
        const rw_scene_row *s = &g_array_index(c->scenes, rw_scene_row, i);
        fputs("<figure>", out);
        g_autofree char *alt = g_strdup_printf("Scene %u", i + 1);
        put_picture(out, g_ptr_array_index(c->scene_pictures, i), alt);
        put_tones(out, &g_array_index(c->scene_spreads, rw_statistics, i),
                  RW_REPORT_MAX_PLOTS + (int)i);
        put(out,
            "<figcaption>%u. Frames %" G_GINT64_FORMAT " to %" G_GINT64_FORMAT
            "</figcaption></figure>\n",
            i + 1, s->first, s->last);
    }
    fputs("</div>\n", out);
}

static void put_finding(FILE *out, const rw_report_finding *f)
{
    put(out, "<article><h3><span class=\"%s\">%s</span>, %s</h3>", f->row.severity, f->title,
        f->place);
    put(out, "<p>%s</p><p class=\"soft\">%s. Confidence %.0f %%. %s</p>", f->row.advice, f->footage,
        100 * f->row.confidence, f->evidence);
    if (f->row.note || !g_str_equal(f->row.state, "open"))
        put(out, "<p class=\"soft\">Judged: %s. %s</p>", f->row.state,
            f->row.note ? f->row.note : "");
    if (f->before || f->at) {
        fputs("<div class=\"pair\">", out);
        if (f->before) {
            fputs("<div>", out);
            put_picture(out, f->before, "the frame before");
            fputs("<span>before</span></div>", out);
        }
        if (f->at) {
            fputs("<div>", out);
            put_picture(out, f->at, f->at_is_after ? "the frame after" : "the frame itself");
            fputs(f->at_is_after ? "<span>after</span></div>" : "<span>here</span></div>", out);
        }
        fputs("</div>", out);
    }
    fputs("</article>\n", out);
}

static void put_body(FILE *out, const rw_report_content *c)
{
    put_scenes(out, c);
    if (c->n_plots) {
        fputs("<h2>Along the reel</h2>\n", out);
        for (int i = 0; i < c->n_plots; i++)
            put_plot(out, &c->plots[i], i);
    }
    put(out,
        "<h2>Findings</h2>\n<p>%" G_GSIZE_FORMAT " to shoot again, %" G_GSIZE_FORMAT
        " to look at, %" G_GSIZE_FORMAT " to know of.</p>\n",
        c->counts[2], c->counts[1], c->counts[0]);
    for (guint i = 0; i < c->findings->len; i++)
        put_finding(out, &g_array_index(c->findings, rw_report_finding, i));
    fputs("</main></body></html>\n", out);
}

bool rw_report_write_html(const rw_report_content *content, const char *path, GError **error)
{
    FILE *out = g_fopen(path, "wbe");
    if (!out) {
        rw_error_from_errno(error, errno, "Cannot write %s", path);
        return false;
    }
    put_head(out, content);
    put_body(out, content);
    bool ok = !ferror(out);
    if (fclose(out) != 0 || !ok) {
        rw_error_from_errno(error, errno, "Cannot write %s", path);
        return false;
    }
    return true;
}
