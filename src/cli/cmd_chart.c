/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include <reelwright/chart.h>
#include <reelwright/reel.h>
#include <reelwright/still.h>

#include "cli/cli.h"

static bool read_corners(const char *text, rw_chart_place *place, GError **error)
{
    const char *at = text;
    bool ok = true;
    place->patch = 0.6;
    for (int i = 0; ok && i < 8; i++) {
        char *end;
        double v = g_ascii_strtod(at, &end);
        ok = end != at && v >= -1e5 && v <= 1e5;
        if (i % 2)
            place->corner[i / 2].y = v;
        else
            place->corner[i / 2].x = v;
        at = end;
        while (*at == ',' || *at == ' ')
            at++;
    }
    if (!ok || *at)
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "\"%s\" is not four corners; write \"x,y x,y x,y x,y\".", text);
    return ok && !*at;
}

/* 8 bits, three channels, without gaps; g_free. */
static uint8_t *plain_rgb(const rw_pixels *p)
{
    uint8_t *rgb = g_malloc(3 * (size_t)p->width * (size_t)p->height);
    for (int y = 0; y < p->height; y++) {
        const uint8_t *row = (const uint8_t *)p->data + y * p->stride;
        for (int x = 0; x < p->width * 3; x++) {
            int k = p->channels == 3 ? x : x / 3;
            rgb[(size_t)y * 3 * (size_t)p->width + (size_t)x] =
                p->bits == 16 ? (uint8_t)(((const uint16_t *)(const void *)row)[k] >> 8) : row[k];
        }
    }
    return rgb;
}

static char *matrix_text(const double matrix[3][3])
{
    GString *text = g_string_new(NULL);
    char number[G_ASCII_DTOSTR_BUF_SIZE];
    for (int i = 0; i < 9; i++)
        g_string_append_printf(
            text, "%s%s", i ? " " : "",
            g_ascii_formatd(number, sizeof number, "%.6f", matrix[i / 3][i % 3]));
    return g_string_free(text, FALSE);
}

/* What a still shows of a chart: where, and what follows. */
typedef struct sighting {
    char *path; /* owned */
    rw_chart_place place;
    rw_chart_fit fit;
} sighting;

/* Enough for a chart that fills a third of the picture, quickly decoded. */
static int eighths_for(int width)
{
    enum { WANTED = 1500 };
    int eighths = 1;
    while (eighths < 8 && width * eighths < 8 * WANTED)
        eighths++;
    return eighths;
}

/* corners: by hand, in pixels as stored; NULL looks for them. */
static bool read_chart(rw_decoder *decoder, const char *path, int eighths, const char *corners,
                       sighting *s, GError **error)
{
    rw_pixels pixels;
    if (!rw_decoder_decode(decoder, path, eighths, &pixels, error))
        return false;
    g_autofree uint8_t *rgb = plain_rgb(&pixels);
    int w = pixels.width, h = pixels.height;
    double seen[RW_CHART_PATCHES][3];
    bool ok = (corners || rw_chart_find(rgb, w, h, 3 * (ptrdiff_t)w, &s->place, error)) &&
              rw_chart_read(rgb, w, h, 3 * (ptrdiff_t)w, &s->place, seen, error) &&
              rw_chart_solve((const double(*)[3])seen, rw_chart_usual(), &s->fit, error);
    if (!ok) {
        g_prefix_error(error, "%s: ", path);
        return false;
    }
    rw_affine to_stored = rw_pixels_to_stored(pixels.eighths);
    for (int k = 0; k < 4; k++)
        s->place.corner[k] = rw_affine_apply(to_stored, s->place.corner[k].x, s->place.corner[k].y);
    s->path = g_strdup(path);
    return true;
}

/* A chart is photographed before a reel or after it: the stills are looked through from both ends
 * at once. */
static bool search_reel(const char *folder, sighting *s, GError **error)
{
    enum { FAR = 60 }; /* stills from either end */
    rw_reel *reel = rw_reel_open(folder, error);
    g_autoptr(GArray) stills = reel ? rw_reel_stills(reel, error) : NULL;
    rw_decoder *decoder = rw_decoder_new();
    bool found = false;
    for (guint k = 0; stills && !found && k < MIN(stills->len, 2 * FAR); k++) {
        guint i = k % 2 ? stills->len - 1 - k / 2 : k / 2;
        const rw_still_row *row = &g_array_index(stills, rw_still_row, i);
        if (row->state == RW_STILL_COMPANION || row->state == RW_STILL_UNREADABLE)
            continue;
        g_autofree char *path = rw_reel_file(reel, row->path);
        found = read_chart(decoder, path, eighths_for(row->width), NULL, s, NULL);
    }
    if (stills && !found)
        g_set_error(
            error, RW_ERROR, RW_ERROR_NOT_FOUND,
            "%s: none of the first and last %d stills shows a chart of 24 patches; name the "
            "still, and its corners by hand.",
            folder, FAR);
    rw_decoder_free(&decoder);
    rw_reel_close(&reel);
    return found;
}

static bool fit_chart(const char *path, const char *corners, sighting *s, GError **error)
{
    if (g_file_test(path, G_FILE_TEST_IS_DIR)) {
        if (!corners)
            return search_reel(path, s, error);
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "%s: corners belong to one still; name it.",
                    path);
        return false;
    }
    if (corners && !read_corners(corners, &s->place, error))
        return false;
    rw_decoder *decoder = rw_decoder_new();
    bool ok = read_chart(decoder, path, 8, corners, s, error);
    rw_decoder_free(&decoder);
    return ok;
}

/* ---- a grey card ---- */

static bool read_area(const char *text, rw_rect *area, GError **error)
{
    double v[4] = {0};
    const char *at = text;
    int n = 0;
    for (; n < 4; n++) {
        char *end;
        v[n] = g_ascii_strtod(at, &end);
        if (end == at || !(v[n] >= 0 && v[n] <= 1e5))
            break;
        at = end;
        while (*at == ',' || *at == ' ' || *at == 'x')
            at++;
    }
    *area = (rw_rect){v[0], v[1], v[2], v[3]};
    if (n == 4 && !*at)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                "\"%s\" is not an area; write \"x,y WIDTHxHEIGHT\" in pixels.", text);
    return false;
}

static bool fit_grey(const char *path, const char *text, double matrix[3][3], GError **error)
{
    rw_rect area;
    if (!read_area(text, &area, error))
        return false;
    rw_decoder *decoder = rw_decoder_new();
    rw_pixels pixels;
    bool ok = rw_decoder_decode(decoder, path, 8, &pixels, error);
    if (ok) {
        g_autofree uint8_t *rgb = plain_rgb(&pixels);
        double gain[3];
        ok = rw_grey_solve(rgb, pixels.width, pixels.height, 3 * (ptrdiff_t)pixels.width, area,
                           gain, error);
        for (int i = 0; ok && i < 9; i++)
            matrix[i / 3][i % 3] = i % 4 == 0 ? gain[i / 3] : 0;
        if (!ok)
            g_prefix_error(error, "%s: ", path);
    }
    rw_decoder_free(&decoder);
    return ok;
}

static bool store(const char *path, const char *matrix, GError **error)
{
    rw_reel *reel = rw_reel_open(path, error);
    rw_choice_row row = {(char *)"reel", (char *)"colour.camera", (char *)(uintptr_t)matrix};
    bool ok = reel && rw_reel_change_choices(reel, &row, 1, NULL, error);
    rw_reel_close(&reel);
    return ok;
}

static void print(const sighting *s)
{
    g_print("Still     %s\nCorners  ", s->path);
    for (int k = 0; k < 4; k++)
        g_print(" %.1f,%.1f", s->place.corner[k].x, s->place.corner[k].y);
    g_print("\nLeft      mean %.2f, worst %.2f dE2000\n", s->fit.mean, s->fit.worst);
    for (int row = 0; row < 4; row++) {
        for (int p = 6 * row; p < 6 * row + 6; p++)
            g_print("%8.2f", s->fit.error[p]);
        g_print("\n");
    }
}

static int run(const rw_command *self, int argc, char **argv)
{
    g_autofree char *corners = NULL, *grey = NULL, *reel = NULL;
    const GOptionEntry entries[] = {
        {"corners", 0, 0, G_OPTION_ARG_STRING, &corners,
         "Centres of the patches dark skin, bluish green, black and white, in pixels",
         "\"x,y x,y x,y x,y\""},
        {"grey", 0, 0, G_OPTION_ARG_STRING, &grey,
         "No chart, but something grey in this area, in pixels", "\"x,y WxH\""},
        {"reel", 0, 0, G_OPTION_ARG_FILENAME, &reel, "Choose the matrix for this reel", "REEL"},
        G_OPTION_ENTRY_NULL};
    int exit_code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 1, 1, &exit_code))
        return exit_code;
    if (corners && grey)
        return rw_cli_usage(self, "It is either a chart or a grey card.");
    g_autoptr(GError) error = NULL;
    sighting s = {0};
    bool ok = grey ? fit_grey(argv[1], grey, s.fit.matrix, &error)
                   : fit_chart(argv[1], corners, &s, &error);
    if (ok) {
        g_autofree char *matrix = matrix_text((const double(*)[3])s.fit.matrix);
        if (!grey)
            print(&s);
        g_print("Matrix    %s\n", matrix);
        ok = !reel || store(reel, matrix, &error);
    }
    g_free(s.path);
    return ok ? 0 : rw_cli_fail(error);
}

const rw_command rw_cmd_chart = {
    .name = "chart",
    .summary =
        "The camera's colour matrix from a photograph of a chart of 24 patches or a grey card",
    .arguments = "STILL|REEL",
    .run = run,
};
