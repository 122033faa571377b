/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "report/plot.h"

#define MARGIN_LEFT   46.0
#define MARGIN_RIGHT  10.0
#define RIGHT_AXIS    36.0
#define MARGIN_TOP    20.0
#define MARGIN_BOTTOM 18.0
#define TEXT_SIZE     8.5

typedef struct ink {
    double r, g, b;
} ink;

/* Colours that stay apart for the colour-blind and in a grey copy. */
static const ink series_ink[RW_PLOT_MAX_SERIES] = {
    {0.10, 0.33, 0.42}, {0.76, 0.42, 0.12}, {0.45, 0.45, 0.45}};
static const ink mark_ink[3] = {{0.55, 0.60, 0.62}, {0.85, 0.62, 0.15}, {0.72, 0.16, 0.14}};
static const ink text_ink = {0.17, 0.18, 0.19};
static const ink grid_ink = {0.85, 0.84, 0.82};

void rw_plot_axis(double least, double greatest, int max_steps, double *low, double *high,
                  double *step)
{
    double range = greatest - least;
    if (!(range > 0))
        range = fabs(least) > 0 ? fabs(least) * 0.1 : 1;
    double raw = range / max_steps, power = pow(10, floor(log10(raw)));
    static const double nice[] = {1, 2, 5, 10, 20};
    for (size_t i = 0; i < G_N_ELEMENTS(nice); i++) {
        *step = nice[i] * power;
        *low = floor(least / *step + 1e-9) * *step;
        *high = ceil(greatest / *step - 1e-9) * *step;
        if (*high <= *low)
            *high = *low + *step;
        if ((*high - *low) / *step <= max_steps + 1e-9)
            return;
    }
}

static void set_ink(cairo_t *cr, ink i, double alpha)
{
    cairo_set_source_rgba(cr, i.r, i.g, i.b, alpha);
}

/* align: 0 left, 0.5 centre, 1 right */
static double put_text(cairo_t *cr, double x, double y, double align, const char *text)
{
    cairo_text_extents_t e;
    cairo_text_extents(cr, text, &e);
    cairo_move_to(cr, x - align * e.x_advance, y);
    cairo_show_text(cr, text);
    return e.x_advance;
}

static bool find_range(const rw_plot *plot, double *least, double *greatest)
{
    *least = INFINITY;
    *greatest = -INFINITY;
    for (int s = 0; s < plot->n_series; s++)
        for (int64_t i = 0; i < plot->count; i++) {
            double v = plot->series[s].values[i];
            if (!isfinite(v))
                continue;
            *least = fmin(*least, v);
            *greatest = fmax(*greatest, v);
        }
    if (plot->zero_based) {
        *least = fmin(*least, 0);
        *greatest = fmax(*greatest, 0);
    }
    return isfinite(*least);
}

typedef struct frame_area {
    double x, y, w, h, low, high;
    int64_t count;
} frame_area;

static double to_x(const frame_area *a, double n)
{
    return a->x + a->w * (n + 0.5) / (double)a->count;
}

static double to_y(const frame_area *a, double v)
{
    return a->y + a->h * (a->high - v) / (a->high - a->low);
}

static void draw_grid(cairo_t *cr, const rw_plot *plot, const frame_area *a, double step)
{
    char text[32];
    int decimals = step >= 1 ? 0 : (int)ceil(-log10(step) - 1e-9);
    cairo_set_line_width(cr, 0.5);
    for (double v = a->low; v <= a->high + step * 0.5; v += step) {
        set_ink(cr, grid_ink, 1);
        cairo_move_to(cr, a->x, to_y(a, v));
        cairo_rel_line_to(cr, a->w, 0);
        cairo_stroke(cr);
        g_snprintf(text, sizeof text, "%.*f", MIN(decimals, 6), fabs(v) < step * 1e-6 ? 0 : v);
        set_ink(cr, text_ink, 1);
        put_text(cr, a->x - 5, to_y(a, v) + TEXT_SIZE * 0.35, 1, text);
        if (plot->right_scale > 0) {
            double r = fabs(v) < step * 1e-6 ? 0 : v * plot->right_scale;
            g_snprintf(text, sizeof text, "%.2f", r);
            put_text(cr, a->x + a->w + 3, to_y(a, v) + TEXT_SIZE * 0.35, 0, text);
        }
    }
    double low, high, nstep;
    rw_plot_axis(0, (double)a->count, 8, &low, &high, &nstep);
    nstep = fmax(nstep, 1);
    for (double n = 0; n < (double)a->count; n += nstep) {
        g_snprintf(text, sizeof text, "%.0f", n);
        put_text(cr, to_x(a, n), a->y + a->h + TEXT_SIZE + 4, 0.5, text);
    }
    set_ink(cr, text_ink, 0.35);
    for (size_t i = 0; i < plot->n_scenes; i++) {
        if (plot->scene_first[i] == 0)
            continue;
        cairo_move_to(cr, to_x(a, (double)plot->scene_first[i] - 0.5), a->y);
        cairo_rel_line_to(cr, 0, a->h);
    }
    static const double dashes[] = {1.5, 2};
    cairo_set_dash(cr, dashes, 2, 0);
    cairo_stroke(cr);
    cairo_set_dash(cr, NULL, 0, 0);
}

static void draw_marks(cairo_t *cr, const rw_plot *plot, const frame_area *a)
{
    for (size_t i = 0; i < plot->n_marks; i++) {
        const rw_plot_mark *m = &plot->marks[i];
        double x0 = to_x(a, (double)m->first - 0.5), x1 = to_x(a, (double)m->last + 0.5);
        double w = fmax(x1 - x0, 1.5);
        ink colour = mark_ink[CLAMP(m->weight, 0, 2)];
        set_ink(cr, colour, 0.16);
        cairo_rectangle(cr, x0, a->y, w, a->h);
        cairo_fill(cr);
        set_ink(cr, colour, 1);
        cairo_rectangle(cr, x0, a->y - 3, w, 3);
        cairo_fill(cr);
    }
}

/* One column of paper at a time: the band of its frames, joined to the last column's. */
static void draw_series(cairo_t *cr, const rw_plot_series *series, const frame_area *a, ink colour)
{
    int columns = (int)fmin((double)a->count, a->w * 2);
    set_ink(cr, colour, 1);
    cairo_set_line_width(cr, 0.9);
    cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
    bool pen_down = false;
    for (int c = 0; c < columns; c++) {
        int64_t from = a->count * c / columns, to = a->count * (c + 1) / columns;
        double least = INFINITY, greatest = -INFINITY;
        for (int64_t i = from; i < to; i++)
            if (isfinite(series->values[i])) {
                least = fmin(least, series->values[i]);
                greatest = fmax(greatest, series->values[i]);
            }
        if (!isfinite(least)) {
            pen_down = false;
            continue;
        }
        double x = to_x(a, ((double)from + (double)to - 1) / 2);
        if (pen_down)
            cairo_line_to(cr, x, to_y(a, greatest));
        else
            cairo_move_to(cr, x - 0.4, to_y(a, greatest));
        cairo_line_to(cr, pen_down ? x : x + 0.4, to_y(a, least));
        pen_down = true;
    }
    cairo_stroke(cr);
}

static void draw_heading(cairo_t *cr, const rw_plot *plot, double width)
{
    set_ink(cr, text_ink, 1);
    cairo_select_font_face(cr, "sans", CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_BOLD);
    double x = put_text(cr, 0, TEXT_SIZE + 1, 0, plot->title);
    cairo_select_font_face(cr, "sans", CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_NORMAL);
    if (plot->unit && *plot->unit) {
        g_autofree char *unit = g_strdup_printf(", %s", plot->unit);
        put_text(cr, x, TEXT_SIZE + 1, 0, unit);
    }
    double right = width - MARGIN_RIGHT;
    for (int s = plot->n_series - 1; s >= 0 && plot->n_series > 1; s--) {
        set_ink(cr, text_ink, 1);
        right -= put_text(cr, right, TEXT_SIZE + 1, 1, plot->series[s].label) + 4;
        set_ink(cr, series_ink[s], 1);
        cairo_set_line_width(cr, 2);
        cairo_move_to(cr, right - 12, TEXT_SIZE - 2);
        cairo_rel_line_to(cr, 12, 0);
        cairo_stroke(cr);
        right -= 22;
    }
}

bool rw_plot_draw(cairo_t *cr, const rw_plot *plot, double width, double height)
{
    double least, greatest, step;
    if (plot->count < 1 || !find_range(plot, &least, &greatest))
        return false;
    frame_area a = {MARGIN_LEFT,
                    MARGIN_TOP,
                    width - MARGIN_LEFT - (plot->right_scale > 0 ? RIGHT_AXIS : MARGIN_RIGHT),
                    height - MARGIN_TOP - MARGIN_BOTTOM,
                    0,
                    1,
                    plot->count};
    rw_plot_axis(least, greatest, 4, &a.low, &a.high, &step);
    cairo_set_font_size(cr, TEXT_SIZE);
    draw_heading(cr, plot, width);
    draw_grid(cr, plot, &a, step);
    draw_marks(cr, plot, &a);
    for (int s = plot->n_series - 1; s >= 0; s--)
        draw_series(cr, &plot->series[s], &a, series_ink[s]);
    return true;
}
