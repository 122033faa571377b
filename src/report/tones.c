/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "report/tones.h"

enum { TONES = RW_STATISTICS_TONES, CELLS = RW_STATISTICS_CHROMA };

const char rw_tones_legend[] =
    "Under each: the stills by tone, dark to bright (grey: luma; red, green, blue), and by colour, "
    "grey in the middle.";

static const double share_of_width = 0.34; /* of the square of colours */
static const double gap = 4;

double rw_tones_height(double width)
{
    return share_of_width * width;
}

/* Tones are softened by one step, so that few samples do not look like a comb. */
static double soft(const uint32_t *tones, int i)
{
    return 0.5 * tones[i] + 0.25 * tones[MAX(i - 1, 0)] + 0.25 * tones[MIN(i + 1, TONES - 1)];
}

static void trace(cairo_t *cr, const uint32_t *tones, double most, double width, double height)
{
    for (int i = 0; i < TONES; i++)
        cairo_line_to(cr, (i + 0.5) * width / TONES, height * (1 - fmin(1, soft(tones, i) / most)));
}

static void draw_tones(cairo_t *cr, const rw_statistics *s, double width, double height)
{
    static const double ink[3][3] = {{0.75, 0.20, 0.17}, {0.15, 0.52, 0.24}, {0.17, 0.32, 0.75}};
    double most = 1;
    for (int c = 0; c < 4; c++)
        for (int i = 1; i < TONES - 1; i++)
            most = fmax(most, 1.05 * soft(s->tones[c], i));
    cairo_move_to(cr, 0, height);
    trace(cr, s->tones[3], most, width, height);
    cairo_line_to(cr, width, height);
    cairo_set_source_rgb(cr, 0.86, 0.86, 0.85);
    cairo_fill(cr);
    cairo_set_line_width(cr, 0.8);
    cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
    for (int c = 0; c < 3; c++) {
        trace(cr, s->tones[c], most, width, height);
        cairo_set_source_rgb(cr, ink[c][0], ink[c][1], ink[c][2]);
        cairo_stroke(cr);
    }
    cairo_move_to(cr, 0, height);
    cairo_line_to(cr, width, height);
    cairo_set_source_rgb(cr, 0.55, 0.55, 0.54);
    cairo_set_line_width(cr, 0.6);
    cairo_stroke(cr);
}

/* BT.709-6 items 3.2 and 3.3 the other way, at a luma of one half. */
static void set_colour(cairo_t *cr, int row, int column)
{
    double cr_ = 0.5 - (row + 0.5) / CELLS, cb = (column + 0.5) / CELLS - 0.5, y = 0.5;
    double r = y + 1.5748 * cr_, b = y + 1.8556 * cb;
    double g = (y - 0.2126 * r - 0.0722 * b) / 0.7152;
    cairo_set_source_rgb(cr, fmin(1, fmax(0, r)), fmin(1, fmax(0, g)), fmin(1, fmax(0, b)));
}

/* The inner half of the plane of colour differences, where film lies; what is beyond counts to its
 * edge. */
static void draw_chroma(cairo_t *cr, const rw_statistics *s, double size)
{
    enum { INNER = CELLS / 2, EDGE = CELLS / 4 };
    double count[INNER][INNER] = {{0}}, most = 1;
    for (int y = 0; y < CELLS; y++)
        for (int x = 0; x < CELLS; x++) {
            double *cell = &count[CLAMP(y - EDGE, 0, INNER - 1)][CLAMP(x - EDGE, 0, INNER - 1)];
            *cell += s->chroma[y][x];
            most = fmax(most, *cell);
        }
    double step = size / INNER;
    cairo_set_line_width(cr, 0.5);
    cairo_set_source_rgb(cr, 0.80, 0.80, 0.79);
    cairo_rectangle(cr, 0.25, 0.25, size - 0.5, size - 0.5);
    cairo_move_to(cr, size / 2, 0);
    cairo_line_to(cr, size / 2, size);
    cairo_move_to(cr, 0, size / 2);
    cairo_line_to(cr, size, size / 2);
    cairo_stroke(cr);
    for (int y = 0; y < INNER; y++)
        for (int x = 0; x < INNER; x++) {
            if (count[y][x] <= 0)
                continue;
            double half = step * (0.15 + 0.45 * sqrt(count[y][x] / most));
            set_colour(cr, y + EDGE, x + EDGE);
            cairo_rectangle(cr, (x + 0.5) * step - half, (y + 0.5) * step - half, 2 * half,
                            2 * half);
            cairo_fill(cr);
        }
}

void rw_tones_draw(cairo_t *cr, const rw_statistics *s, double width)
{
    if (!s->pixels)
        return;
    double height = rw_tones_height(width);
    draw_tones(cr, s, width - height - gap, height);
    cairo_save(cr);
    cairo_translate(cr, width - height, 0);
    draw_chroma(cr, s, height);
    cairo_restore(cr);
}
