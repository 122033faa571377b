/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore.c - scores of clean-up against the truth of demo reels, FFmpeg's general filters beside.
 *
 *     quality-restore [--quick] [--part NAME] [--pictures DIR] [--seed S]
 *     quality-restore --features > features.txt      (for quality/blemish_rule.py)
 *
 * FFmpeg's filters get the same frames in the same run, each with several settings, of which the
 * best counts.
 */
#include <stdio.h>

#include "trial.h"

static const struct {
    const char *name;
    void (*score)(trial *t);
} parts[] = {
    {"flicker", part_flicker}, {"blemish", part_blemish}, {"scratch", part_scratch},
    {"hair", part_hair},       {"grain", part_grain},     {"chain", part_chain},
    {"speed", part_speed},
};

int main(int argc, char **argv)
{
    gboolean quick = FALSE, features = FALSE, ours = FALSE;
    g_autofree char *part = NULL, *reel = NULL, *pictures = NULL;
    gint64 seed = 7000;
    const GOptionEntry entries[] = {
        {"quick", 0, 0, G_OPTION_ARG_NONE, &quick, "small reels", NULL},
        {"ours", 0, 0, G_OPTION_ARG_NONE, &ours, "without the filters beside", NULL},
        {"part", 0, 0, G_OPTION_ARG_STRING, &part,
         "flicker, blemish, scratch, hair, grain, chain, speed", "NAME"},
        {"reel", 0, 0, G_OPTION_ARG_STRING, &reel,
         "courtyard, kitchen, bedroom, tower, \"thrown ball\"", "NAME"},
        {"pictures", 0, 0, G_OPTION_ARG_FILENAME, &pictures,
         "write a page of triplets: scanned, ours, truth", "DIR"},
        {"seed", 0, 0, G_OPTION_ARG_INT64, &seed, "of the damage", "S"},
        {"features", 0, 0, G_OPTION_ARG_NONE, &features, "what blemish_rule.py is fitted on", NULL},
        {NULL, 0, 0, G_OPTION_ARG_NONE, NULL, NULL, NULL}};
    g_autoptr(GOptionContext) context = g_option_context_new(NULL);
    g_option_context_add_main_entries(context, entries, NULL);
    g_autoptr(GError) error = NULL;
    if (!g_option_context_parse(context, &argc, &argv, &error)) {
        g_printerr("%s\n", error->message);
        return 2;
    }
    trial t = {.quick = quick,
               .ours = ours,
               .threads = 2,
               .seed = (uint64_t)seed,
               .reel = reel,
               .pictures = pictures};
    if (!trial_open(&t, &error)) {
        g_printerr("%s\n", error->message);
        return 1;
    }
    if (features)
        part_features(&t);
    for (size_t k = 0; !features && k < G_N_ELEMENTS(parts); k++)
        if (!part || g_str_equal(part, parts[k].name))
            parts[k].score(&t);
    trial_close(&t);
    return 0;
}
