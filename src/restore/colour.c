/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * colour.c - exposure, warmth and contrast of a scene.
 *
 * In density each of the three is a straight line, as it is when a print is timed:
 *     D' = contrast * (D - D_grey) + D_grey - log10(2) * stops_of_channel
 * with D_grey that of 18 % light, which contrast leaves where it is [C]. Warmth gives red and takes
 * from blue, half each, and keeps the luminance of a neutral grey (BT.709 weights).
 */
#include <math.h>

#include "base/pool.h"
#include "restore/stages.h"

/* Stored by name in reel.db. */
typedef struct colour_params {
    double exposure, warmth, contrast;
} colour_params;

static const rw_param rows[] = {
    RW_PARAM_NUMBER_ROW(colour_params, exposure, "Exposure", "stops", -4, 4, 0,
                        "Lighter or darker, as if the lamp had been set otherwise."),
    RW_PARAM_NUMBER_ROW(colour_params, warmth, "Warmth", "stops", -2, 2, 0,
                        "Red against blue; the brightness of a grey stays."),
    RW_PARAM_NUMBER_ROW(colour_params, contrast, "Contrast", "", 0.4, 2.5, 1,
                        "Slope of density about middle grey; 1 is the film's own."),
    RW_PARAM_END};

static const double grey = 0.18;

static bool idle(const void *params)
{
    const colour_params *p = params;
    return p->exposure == 0 && p->warmth == 0 && p->contrast == 1;
}

/* What each channel's light is multiplied by. */
static void gains(const colour_params *p, double gain[3])
{
    static const double weight[3] = {0.2126, 0.7152, 0.0722};
    const double stops[3] = {p->warmth / 2, 0, -p->warmth / 2};
    double luminance = 0;
    for (int c = 0; c < 3; c++)
        luminance += weight[c] * exp2(stops[c]);
    for (int c = 0; c < 3; c++)
        gain[c] = exp2(p->exposure + stops[c]) / luminance;
}

static bool frame(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error)
{
    const colour_params *p = run->params;
    const rw_frame *in = rw_window_at(window, 0);
    if (!rw_frame_alloc(out, run->pool, in->width, in->height, 3, error))
        return false;
    gains(p, trace->gain);
    double middle = -log10(grey);
    for (int c = 0; c < 3; c++) {
        float slope = (float)p->contrast;
        float offset = (float)(middle - p->contrast * middle - log10(trace->gain[c]));
        for (int y = 0; y < in->height; y++) {
            const float *from = in->plane[c] + (ptrdiff_t)y * in->stride;
            float *to = out->plane[c] + (ptrdiff_t)y * out->stride;
            for (int x = 0; x < in->width; x++)
                to[x] = slope * from[x] + offset;
        }
    }
    return true;
}

const rw_stage rw_stage_colour = {
    .name = "colour",
    .title = "Light and colour",
    .help = "Exposure, warmth and contrast, scene by scene.",
    .version = 1,
    .by_default = true,
    .params = rows,
    .params_size = sizeof(colour_params),
    .domain = RW_DOMAIN_DENSITY,
    .idle = idle,
    .frame = frame,
};
