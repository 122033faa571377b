/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/preview.h>

#include "finish/kept.h"
#include "finish/pipeline.h"
#include "finish/prepare.h"

struct rw_preview {
    size_t memory;
    rw_pool *pool;
    rw_kept *kept;
};

void rw_preview_picture_clear(rw_preview_picture *picture)
{
    g_free(picture->rgb);
    g_free(picture->note);
    g_clear_pointer(&picture->spots, g_array_unref);
    *picture = (rw_preview_picture){0};
}

rw_preview *rw_preview_new(size_t memory)
{
    rw_preview *preview = g_new0(rw_preview, 1);
    preview->memory = memory;
    preview->pool = rw_pool_new(memory);
    preview->kept = rw_kept_new(memory / 3);
    return preview;
}

void rw_preview_free(rw_preview **preview)
{
    if (!*preview)
        return;
    rw_kept_free(&(*preview)->kept);
    rw_pool_free(&(*preview)->pool);
    g_clear_pointer(preview, g_free);
}

/* Samples go to this and no further. */
static const rw_delivery to_the_eye = {
    .name = "preview", .title = "Preview", .pack = RW_PACK_GBR_16, .lossless = true};

/* The last entry that is not beyond n: repeats have none of their own. */
static const rw_entry *entry_of(const rw_plan *plan, int64_t n)
{
    const GArray *entries = plan->timeline.entries;
    guint low = 0, high = entries->len;
    while (high - low > 1) {
        guint middle = (low + high) / 2;
        if (g_array_index(entries, rw_entry, middle).n <= n)
            low = middle;
        else
            high = middle;
    }
    return &g_array_index(entries, rw_entry, low);
}

static void round_to_8(const rw_packed *packed, uint8_t *rgb)
{
    static const int order[3] = {1, 2, 0}; /* planes are G, B, R */
    for (int p = 0; p < 3; p++)
        for (int y = 0; y < packed->height; y++) {
            const uint16_t *from =
                (const uint16_t *)(const void *)(packed->plane[p] + y * packed->stride[p]);
            uint8_t *to = rgb + 3 * (size_t)y * (size_t)packed->width + order[p];
            for (int x = 0; x < packed->width; x++)
                to[3 * x] = (uint8_t)((from[x] * 255u + 32767u) / 65535u);
        }
}

static bool take(int64_t i, const rw_made_image *image, void *data, GError **error)
{
    (void)i;
    (void)error;
    rw_preview_picture *picture = data;
    const rw_packed *packed = &image->packed;
    picture->width = packed->width;
    picture->height = packed->height;
    picture->rgb = g_malloc(3 * (size_t)packed->width * (size_t)packed->height);
    round_to_8(packed, picture->rgb);
    picture->n_frames = image->n_frames;
    for (int f = 0; f < image->n_frames; f++)
        picture->frames[f] = image->frames[f];
    picture->still_to_out = image->still_to_out;
    picture->held = image->replaced;
    picture->note = g_strdup(image->note);
    picture->spots = image->spots ? g_array_ref(image->spots) : NULL;
    return true;
}

static bool make(rw_preview *preview, rw_plan *plan, const rw_finish_options *options, int64_t n,
                 rw_preview_picture *picture, GError **error)
{
    const rw_entry *entry = entry_of(plan, n);
    int64_t first, last;
    rw_pipeline_pictures(plan, entry->image, entry->image, &first, &last);
    if (!rw_prepare(plan, first, last, preview->pool, options, error) ||
        !rw_pipeline_run(plan, entry->image, entry->image, preview->pool, options->cancel, take,
                         picture, error))
        return false;
    picture->held = picture->held || entry->held;
    return true;
}

bool rw_preview_make(rw_preview *preview, rw_reel *reel, const rw_finish_options *options,
                     int64_t n, rw_preview_picture *picture, GError **error)
{
    *picture = (rw_preview_picture){0};
    rw_finish_options own = *options;
    own.output = own.sound = own.trace = own.mask = NULL;
    own.codec = "null";
    own.quality = -1;
    own.cadence = "native";
    own.from = own.to = -1;
    own.memory = preview->memory / 3 * 2;
    rw_plan *plan = rw_plan_new(reel, &own, error);
    if (!plan)
        return false;
    plan->delivery = &to_the_eye;
    plan->kept = preview->kept;
    plan->tell_spots = true;
    bool ok = make(preview, plan, &own, n, picture, error);
    rw_plan_free(&plan);
    if (!ok)
        rw_preview_picture_clear(picture);
    return ok;
}
