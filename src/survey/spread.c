/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "survey/hue.h"
#include "survey/store.h"

enum { MOST = 64, SAMPLE_BYTES = 3 * RW_COLOUR_SAMPLES };

bool rw_survey_spread(rw_reel *reel, int64_t first, int64_t last, rw_statistics *out,
                      GError **error)
{
    g_autofree uint8_t *rgb = g_malloc(MOST * SAMPLE_BYTES);
    int64_t frames = last - first + 1, taken = MIN(frames, MOST);
    int seen = 0;
    for (int64_t k = 0; k < taken; k++) {
        g_autoptr(GError) inner = NULL;
        rw_frame_row row;
        rw_colour_sight sight;
        bool is_there = rw_reel_get_frame(reel, first + k * frames / taken, &row, &inner) &&
                        row.still && rw_store_get_colour(reel, row.still, &sight, &inner);
        if (inner) {
            g_propagate_error(error, g_steal_pointer(&inner));
            return false;
        }
        if (is_there && isfinite(sight.mean[0]))
            memcpy(rgb + seen++ * SAMPLE_BYTES, sight.sample, SAMPLE_BYTES);
    }
    /* one picture above the other: places across stay what they are */
    rw_statistics_make(rgb, RW_COLOUR_COLUMNS, seen * RW_COLOUR_ROWS, 3 * RW_COLOUR_COLUMNS, out);
    return true;
}
