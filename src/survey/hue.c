/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <reelwright/colour.h>

#include "colour/still_curve.h"
#include "survey/hue.h"
#include "survey/store.h"

enum { FINE = 4 }; /* points per sample and axis for means and extremes */

static const uint8_t *pixel_at(const rw_small *small, rw_affine film_to_px, double x, double y)
{
    rw_point at = rw_affine_apply(film_to_px, x, y);
    int px = (int)floor((at.x + 0.5) / small->factor),
        py = (int)floor((at.y + 0.5) / small->factor);
    px = CLAMP(px, 0, small->width - 1);
    py = CLAMP(py, 0, small->height - 1);
    return small->rgb + 3 * ((ptrdiff_t)py * small->width + px);
}

/* Light below which `share` of a channel's points lie. */
static float quantile(const int histogram[256], int total, double share)
{
    double below = 0;
    for (int v = 0; v < 256; v++) {
        below += histogram[v];
        if (below > share * total)
            return (float)rw_linear_from_coded(v);
    }
    return 1;
}

static double code_below(const int histogram[256], int total, double share)
{
    double below = 0;
    int v = 0;
    for (; v < 255; v++) {
        below += histogram[v];
        if (below > share * total)
            break;
    }
    return v / 255.0;
}

/* ITU-R BT.709-6, items 3.2 and 3.3, on codes. */
static double luma_of(const uint8_t *p, double *chroma)
{
    double y = (0.2126 * p[0] + 0.7152 * p[1] + 0.0722 * p[2]) / 255;
    *chroma = hypot((p[2] / 255.0 - y) / 1.8556, (p[0] / 255.0 - y) / 1.5748);
    return y;
}

rw_hue_spread rw_sample_hues(const rw_small *small, rw_affine film_to_px, rw_rect film,
                             rw_colour_sight *sight)
{
    enum { W = RW_COLOUR_COLUMNS * FINE, H = RW_COLOUR_ROWS * FINE };
    int histogram[3][256] = {{0}}, luma[256] = {0};
    double chroma = 0;
    for (int j = 0; j < H; j++)
        for (int i = 0; i < W; i++) {
            const uint8_t *rgb = pixel_at(small, film_to_px, film.x + (i + 0.5) / W * film.width,
                                          film.y + (j + 0.5) / H * film.height);
            double own;
            luma[(int)lrint(255 * luma_of(rgb, &own))]++;
            chroma += own / (W * H);
            for (int c = 0; c < 3; c++) {
                histogram[c][rgb[c]]++;
                if (i % FINE == FINE / 2 && j % FINE == FINE / 2)
                    sight->sample[j / FINE * RW_COLOUR_COLUMNS + i / FINE][c] = rgb[c];
            }
        }
    for (int c = 0; c < 3; c++) {
        double sum = 0;
        for (int v = 0; v < 256; v++)
            sum += histogram[c][v] * rw_linear_from_coded(v);
        sight->mean[c] = (float)(sum / (W * H));
        sight->low[c] = quantile(histogram[c], W * H, 0.005);
        sight->high[c] = quantile(histogram[c], W * H, 0.995);
    }
    return (rw_hue_spread){code_below(luma, W * H, 0.02), code_below(luma, W * H, 0.98), chroma};
}

/* ---- the reel ---- */

static GArray *scene_rows(rw_reel *reel, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_scenes(reel, error);
    if (!rows)
        return NULL;
    GArray *scenes = g_array_new(FALSE, TRUE, sizeof(rw_scene_colour));
    for (guint i = 0; i < rows->len; i++) {
        const rw_scene_row *row = &g_array_index(rows, rw_scene_row, i);
        rw_scene_colour scene = {.first = row->first, .last = row->last};
        g_array_append_val(scenes, scene);
    }
    return scenes;
}

/* ---- what the codes mean ---- */

/* Of each code by the curve that a person named; all 0 when none was. */
static bool choose_light(rw_reel *reel, float light[256], GError **error)
{
    g_autoptr(GError) inner = NULL;
    memset(light, 0, 256 * sizeof *light);
    g_autofree char *curve = rw_reel_get_choice(reel, "reel", "curve", &inner);
    if (!inner && curve && *curve) {
        g_autoptr(GBytes) table =
            g_str_has_suffix(curve, ".cube") ? rw_reel_read_look(reel, curve, &inner) : NULL;
        if (!inner)
            rw_still_curve(curve, table, 8, light, &inner);
    }
    if (!inner)
        return true;
    g_propagate_error(error, g_steal_pointer(&inner));
    return false;
}

/* Light that was read as sRGB; NAN stays. */
static float read_anew(const rw_curve *srgb, const float light[256], float wrong)
{
    if (isnan(wrong))
        return wrong;
    double code = CLAMP(255 * srgb->from_light((double)wrong), 0, 255);
    int below = MIN((int)code, 254);
    float part = (float)(code - below);
    return CLAMP((light[below] + part * (light[below + 1] - light[below])) / light[255], 0, 1);
}

void rw_hue_read_as(const float light[256], rw_colour_sight *sight)
{
    const rw_curve *srgb = rw_curve_find("srgb");
    float *const seen[] = {sight->clear, sight->rebate, sight->mean, sight->low, sight->high};
    for (size_t k = 0; k < G_N_ELEMENTS(seen); k++)
        for (int c = 0; c < 3; c++)
            seen[k][c] = read_anew(srgb, light, seen[k][c]);
    for (int i = 0; i < RW_COLOUR_SAMPLES; i++)
        for (int c = 0; c < 3; c++) {
            double v = CLAMP((double)light[sight->sample[i][c]] / (double)light[255], 0, 1);
            sight->sample[i][c] = (uint8_t)lrint(255 * srgb->from_light(v));
        }
}

/* ---- the whole reel ---- */

typedef struct collection {
    rw_colour_sight *sights;
    rw_colour_view *views;
    size_t count;
    int64_t frames;
} collection;

static bool collect(rw_reel *reel, collection *c, GError **error)
{
    float light[256];
    if (!choose_light(reel, light, error))
        return false;
    c->frames = rw_reel_frame_count(reel, error);
    g_autoptr(GArray) rows = c->frames < 0 ? NULL : rw_reel_frames(reel, 0, c->frames - 1, error);
    if (!rows)
        return false;
    c->sights = g_new(rw_colour_sight, rows->len + 1);
    c->views = g_new(rw_colour_view, rows->len + 1);
    for (guint i = 0; i < rows->len; i++) {
        const rw_frame_row *row = &g_array_index(rows, rw_frame_row, i);
        g_autoptr(GError) inner = NULL;
        rw_colour_sight *sight = &c->sights[c->count];
        if (row->still && rw_store_get_colour(reel, row->still, sight, &inner) &&
            isfinite(sight->mean[0])) {
            if (light[255] > 0)
                rw_hue_read_as(light, sight);
            c->views[c->count++] = (rw_colour_view){row->n, sight};
        }
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
    }
    return true;
}

bool rw_hue_conclude(rw_reel *reel, GError **error)
{
    g_autoptr(GArray) scenes = scene_rows(reel, error);
    collection c = {0};
    bool ok = scenes && collect(reel, &c, error);
    if (ok) {
        g_autoptr(GByteArray) block =
            rw_colour_estimate(c.views, c.count, c.frames,
                               (const rw_scene_colour *)(const void *)scenes->data, scenes->len);
        ok = rw_reel_put_fact(reel, "survey", RW_SURVEY_FACTS_VERSION, "", "colour", block->data,
                              block->len, error);
    }
    g_free(c.sights);
    g_free(c.views);
    return ok;
}
