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

static char *matrix_text(const rw_chart_fit *fit)
{
    GString *text = g_string_new(NULL);
    char number[G_ASCII_DTOSTR_BUF_SIZE];
    for (int i = 0; i < 9; i++)
        g_string_append_printf(
            text, "%s%s", i ? " " : "",
            g_ascii_formatd(number, sizeof number, "%.6f", fit->matrix[i / 3][i % 3]));
    return g_string_free(text, FALSE);
}

static bool fit_chart(const char *path, const char *corners, rw_chart_fit *fit,
                      rw_chart_place *place, GError **error)
{
    if (corners && !read_corners(corners, place, error))
        return false;
    rw_decoder *decoder = rw_decoder_new();
    rw_pixels pixels;
    bool ok = rw_decoder_decode(decoder, path, 8, &pixels, error);
    if (ok) {
        g_autofree uint8_t *rgb = plain_rgb(&pixels);
        int w = pixels.width, h = pixels.height;
        double seen[RW_CHART_PATCHES][3];
        ok = (corners || rw_chart_find(rgb, w, h, 3 * (ptrdiff_t)w, place, error)) &&
             rw_chart_read(rgb, w, h, 3 * (ptrdiff_t)w, place, seen, error) &&
             rw_chart_solve((const double(*)[3])seen, rw_chart_usual(), fit, error);
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

static void print(const rw_chart_fit *fit, const rw_chart_place *place, const char *matrix)
{
    g_print("Corners  ");
    for (int k = 0; k < 4; k++)
        g_print(" %.1f,%.1f", place->corner[k].x, place->corner[k].y);
    g_print("\nMatrix    %s\nLeft      mean %.2f, worst %.2f dE2000\n", matrix, fit->mean,
            fit->worst);
    for (int row = 0; row < 4; row++) {
        for (int p = 6 * row; p < 6 * row + 6; p++)
            g_print("%8.2f", fit->error[p]);
        g_print("\n");
    }
}

static int run(const rw_command *self, int argc, char **argv)
{
    char *corners = NULL, *reel = NULL;
    const GOptionEntry entries[] = {
        {"corners", 0, 0, G_OPTION_ARG_STRING, &corners,
         "Centres of the patches dark skin, bluish green, black and white, in pixels",
         "\"x,y x,y x,y x,y\""},
        {"reel", 0, 0, G_OPTION_ARG_FILENAME, &reel, "Choose the matrix for this reel", "REEL"},
        G_OPTION_ENTRY_NULL};
    int exit_code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 1, 1, &exit_code))
        return exit_code;
    g_autoptr(GError) error = NULL;
    rw_chart_fit fit;
    rw_chart_place place;
    bool ok = fit_chart(argv[1], corners, &fit, &place, &error);
    if (ok) {
        g_autofree char *matrix = matrix_text(&fit);
        print(&fit, &place, matrix);
        ok = !reel || store(reel, matrix, &error);
    }
    g_free(corners);
    g_free(reel);
    return ok ? 0 : rw_cli_fail(error);
}

const rw_command rw_cmd_chart = {
    .name = "chart",
    .summary = "The camera's colour matrix from a photograph of a chart of 24 patches",
    .arguments = "STILL",
    .run = run,
};
