/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The report on A4 paper with Cairo and Pango: the same content and the same plots as the page.
 */
#include <cairo-pdf.h>
#include <pango/pangocairo.h>

#include "report/content.h"
#include "report/tones.h"

/* A4 in points; margins of 18 mm. */
#define PAGE_WIDTH  595.28
#define PAGE_HEIGHT 841.89
#define MARGIN      51.0
#define BODY        (PAGE_WIDTH - 2 * MARGIN)
#define PLOT_HEIGHT 92.0

typedef struct sheet {
    cairo_t *cr;
    PangoLayout *layout;
    double y;
    int page;
    const char *running_title;
} sheet;

static void set_font(sheet *s, double size, bool bold)
{
    PangoFontDescription *font = pango_font_description_from_string("sans");
    pango_font_description_set_absolute_size(font, size * PANGO_SCALE);
    pango_font_description_set_weight(font, bold ? PANGO_WEIGHT_BOLD : PANGO_WEIGHT_NORMAL);
    pango_layout_set_font_description(s->layout, font);
    pango_font_description_free(font);
}

static void put_footer(sheet *s)
{
    g_autofree char *text = g_strdup_printf("%s, page %d", s->running_title, s->page);
    set_font(s, 8, false);
    pango_layout_set_width(s->layout, (int)(BODY * PANGO_SCALE));
    pango_layout_set_text(s->layout, text, -1);
    cairo_set_source_rgb(s->cr, 0.4, 0.42, 0.43);
    cairo_move_to(s->cr, MARGIN, PAGE_HEIGHT - MARGIN + 14);
    pango_cairo_show_layout(s->cr, s->layout);
}

static void new_page(sheet *s)
{
    put_footer(s);
    cairo_show_page(s->cr);
    s->page++;
    s->y = MARGIN;
}

static void need(sheet *s, double height)
{
    if (s->y + height > PAGE_HEIGHT - MARGIN && s->y > MARGIN)
        new_page(s);
}

/* Text in a column; returns its height. draw false only measures. */
static double put_text(sheet *s, double x, double width, double size, bool bold, double grey,
                       const char *text, bool draw)
{
    set_font(s, size, bold);
    pango_layout_set_width(s->layout, (int)(width * PANGO_SCALE));
    pango_layout_set_wrap(s->layout, PANGO_WRAP_WORD_CHAR);
    pango_layout_set_text(s->layout, text, -1);
    int height;
    pango_layout_get_size(s->layout, NULL, &height);
    if (draw) {
        cairo_set_source_rgb(s->cr, grey, grey, grey);
        cairo_move_to(s->cr, x, s->y);
        pango_cairo_show_layout(s->cr, s->layout);
    }
    return (double)height / PANGO_SCALE;
}

static void put_paragraph(sheet *s, double size, bool bold, double grey, double after,
                          const char *text)
{
    need(s, put_text(s, MARGIN, BODY, size, bold, grey, text, false));
    s->y += put_text(s, MARGIN, BODY, size, bold, grey, text, true) + after;
}

static void put_heading(sheet *s, const char *text)
{
    need(s, 90); /* never alone at the foot of a page */
    s->y += 12;
    cairo_set_source_rgb(s->cr, 0.8, 0.78, 0.75);
    cairo_set_line_width(s->cr, 0.6);
    cairo_move_to(s->cr, MARGIN, s->y);
    cairo_rel_line_to(s->cr, BODY, 0);
    cairo_stroke(s->cr);
    s->y += 8;
    put_paragraph(s, 12, true, 0.12, 6, text);
}

/* Draws a JPEG as itself, at (x, s->y) within width; returns its height, 0 when it has none. */
static double put_picture(sheet *s, GBytes *jpeg, double x, double width, bool draw)
{
    rw_report_picture p;
    if (!jpeg || !rw_report_picture_open(jpeg, &p))
        return 0;
    double height = width * p.height / p.width;
    if (draw) {
        cairo_surface_t *surface = cairo_image_surface_create_for_data(
            p.argb, CAIRO_FORMAT_RGB24, p.width, p.height, p.width * 4);
        gsize size;
        const void *data = g_bytes_get_data(jpeg, &size);
        cairo_surface_set_mime_data(surface, CAIRO_MIME_TYPE_JPEG, data, size,
                                    (cairo_destroy_func_t)g_bytes_unref, g_bytes_ref(jpeg));
        cairo_save(s->cr);
        cairo_translate(s->cr, x, s->y);
        cairo_scale(s->cr, width / p.width, width / p.width);
        cairo_set_source_surface(s->cr, surface, 0, 0);
        cairo_paint(s->cr);
        cairo_restore(s->cr);
        cairo_surface_finish(surface);
        cairo_surface_destroy(surface);
    }
    rw_report_picture_clear(&p);
    return height;
}

static void put_facts(sheet *s, const rw_report_content *c)
{
    for (guint i = 0; i < c->facts->len; i++) {
        const rw_report_fact *f = &g_array_index(c->facts, rw_report_fact, i);
        double height = put_text(s, MARGIN + 120, BODY - 120, 9.5, false, 0.12, f->value, false);
        need(s, height);
        put_text(s, MARGIN, 115, 9.5, false, 0.4, f->label, true);
        put_text(s, MARGIN + 120, BODY - 120, 9.5, false, 0.12, f->value, true);
        s->y += height + 2;
    }
}

static void put_scenes(sheet *s, const rw_report_content *c)
{
    const int columns = 5;
    const double gap = 8, width = (BODY - gap * (columns - 1)) / columns;
    for (guint row = 0; row < c->scenes->len; row += (guint)columns) {
        double tallest = 0;
        guint end = MIN(row + (guint)columns, c->scenes->len);
        for (guint i = row; i < end; i++)
            tallest = MAX(tallest,
                          put_picture(s, g_ptr_array_index(c->scene_pictures, i), 0, width, false));
        double tones = rw_tones_height(width);
        need(s, tallest + tones + 20);
        for (guint i = row; i < end; i++)
            put_picture(s, g_ptr_array_index(c->scene_pictures, i),
                        MARGIN + (width + gap) * (double)(i - row), width, true);
        s->y += tallest + 3;
        for (guint i = row; i < end; i++) {
            cairo_save(s->cr);
            cairo_translate(s->cr, MARGIN + (width + gap) * (double)(i - row), s->y);
            rw_tones_draw(s->cr, &g_array_index(c->scene_spreads, rw_statistics, i), width);
            cairo_restore(s->cr);
        }
        s->y += tones + 2;
        for (guint i = row; i < end; i++) {
            const rw_scene_row *scene = &g_array_index(c->scenes, rw_scene_row, i);
            g_autofree char *text = g_strdup_printf("%u. %" G_GINT64_FORMAT " to %" G_GINT64_FORMAT,
                                                    i + 1, scene->first, scene->last);
            put_text(s, MARGIN + (width + gap) * (double)(i - row), width, 7.5, false, 0.4, text,
                     true);
        }
        s->y += 16;
    }
}

static void put_plots(sheet *s, const rw_report_content *c)
{
    for (int i = 0; i < c->n_plots; i++) {
        need(s, PLOT_HEIGHT + 8);
        cairo_save(s->cr);
        cairo_translate(s->cr, MARGIN, s->y);
        cairo_rectangle(s->cr, 0, 0, BODY, PLOT_HEIGHT);
        cairo_clip(s->cr);
        bool drawn = rw_plot_draw(s->cr, &c->plots[i], BODY, PLOT_HEIGHT);
        cairo_restore(s->cr);
        if (drawn)
            s->y += PLOT_HEIGHT + 8;
    }
}

static void put_finding(sheet *s, const rw_report_finding *f)
{
    g_autofree char *title = g_strdup_printf("%s, %s", f->title, f->place);
    g_autofree char *more = g_strdup_printf("%s. Confidence %.0f %%. %s", f->footage,
                                            100 * f->row.confidence, f->evidence);
    const double text = BODY - 200, picture = 92;
    double height = put_text(s, 0, text, 10, true, 0, title, false) +
                    put_text(s, 0, text, 9.5, false, 0, f->row.advice, false) +
                    put_text(s, 0, text, 8.5, false, 0, more, false);
    double tall =
        MAX(put_picture(s, f->before, 0, picture, false), put_picture(s, f->at, 0, picture, false));
    need(s, MAX(height, tall) + 12);
    double top = s->y;
    put_picture(s, f->before, MARGIN + BODY - 2 * picture - 4, picture, true);
    put_picture(s, f->at, MARGIN + BODY - picture, picture, true);
    s->y += put_text(s, MARGIN, text, 10, true, 0.12, title, true);
    s->y += put_text(s, MARGIN, text, 9.5, false, 0.12, f->row.advice, true);
    put_text(s, MARGIN, text, 8.5, false, 0.4, more, true);
    s->y = top + MAX(height, tall) + 12;
}

static void put_all(sheet *s, const rw_report_content *c)
{
    put_paragraph(s, 20, true, 0.12, 2, c->title);
    g_autofree char *made = g_strdup_printf("Reel report, %s", c->made);
    put_paragraph(s, 9, false, 0.4, 10, made);
    put_paragraph(s, 11.5, true, 0.12, 12, c->verdict);
    put_facts(s, c);
    if (c->scenes->len) {
        put_heading(s, "Scenes");
        put_paragraph(s, 8, false, 0.4, 4, rw_tones_legend);
        put_scenes(s, c);
    }
    if (c->n_plots) {
        put_heading(s, "Along the reel");
        put_plots(s, c);
    }
    put_heading(s, "Findings");
    g_autofree char *counts = g_strdup_printf("%" G_GSIZE_FORMAT " to shoot again, %" G_GSIZE_FORMAT
                                              " to look at, %" G_GSIZE_FORMAT " to know of.",
                                              c->counts[2], c->counts[1], c->counts[0]);
    put_paragraph(s, 9.5, false, 0.12, 8, counts);
    for (guint i = 0; i < c->findings->len; i++)
        put_finding(s, &g_array_index(c->findings, rw_report_finding, i));
    put_footer(s);
}

bool rw_report_write_pdf(const rw_report_content *content, const char *path, GError **error)
{
    cairo_surface_t *surface = cairo_pdf_surface_create(path, PAGE_WIDTH, PAGE_HEIGHT);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, content->title);
    cairo_t *cr = cairo_create(surface);
    sheet s = {.cr = cr,
               .layout = pango_cairo_create_layout(cr),
               .y = MARGIN,
               .page = 1,
               .running_title = content->title};
    put_all(&s, content);
    g_object_unref(s.layout);
    cairo_show_page(cr);
    cairo_status_t status = cairo_status(cr);
    cairo_destroy(cr);
    cairo_surface_finish(surface);
    if (status == CAIRO_STATUS_SUCCESS)
        status = cairo_surface_status(surface);
    cairo_surface_destroy(surface);
    if (status == CAIRO_STATUS_SUCCESS)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_IO, "Cannot write %s: %s.", path,
                cairo_status_to_string(status));
    return false;
}
