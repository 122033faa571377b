/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <reelwright/reel.h>

#define FURTHEST 1000.0 /* mm: no film is wider */

static bool parse_one(const char *text, rw_spot_word *w)
{
    const char *at = text;
    double *const place[2] = {&w->x, &w->y};
    for (int k = 0; k < 2; k++) {
        char *end = NULL;
        *place[k] = g_ascii_strtod(at, &end);
        if (end == at || !(fabs(*place[k]) < FURTHEST))
            return false;
        at = end;
    }
    g_autofree char *word = g_strstrip(g_strdup(at));
    w->word = g_str_equal(word, "leave") ? -1 : g_str_equal(word, "repair") ? 1 : 0;
    return w->word != 0;
}

GArray *rw_spot_words_parse(const char *text)
{
    g_auto(GStrv) parts = g_strsplit(text, ",", -1);
    GArray *words = g_array_new(FALSE, FALSE, sizeof(rw_spot_word));
    for (char **part = parts; *part; part++) {
        rw_spot_word w;
        if (!parse_one(*part, &w)) {
            g_array_unref(words);
            return NULL;
        }
        g_array_append_val(words, w);
    }
    return words;
}
