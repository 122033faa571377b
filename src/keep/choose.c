/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "keep/intake.h"

static void append_count(GString *text, int64_t n)
{
    g_autofree char *digits = g_strdup_printf("%" G_GINT64_FORMAT, n);
    size_t length = strlen(digits);
    for (size_t i = 0; i < length; i++) {
        if (i > 0 && (length - i) % 3 == 0)
            g_string_append_c(text, ',');
        g_string_append_c(text, digits[i]);
    }
}

static char *short_time(int64_t us)
{
    char *time = rw_still_format_time(us); /* 2026-03-14T09:30:03.344 */
    if (strlen(time) > 16) {
        time[10] = ' ';
        time[16] = '\0';
    }
    return time;
}

char *rw_shoot_describe(const rw_shoot *s)
{
    GString *text = g_string_new(NULL);
    append_count(text, (int64_t)s->stills);
    g_string_append(text, s->stills == 1 ? " still" : " stills");
    if (s->first_us != INT64_MIN) {
        g_autofree char *first = short_time(s->first_us), *last = short_time(s->last_us);
        bool same_day = strncmp(first, last, 10) == 0;
        g_string_append_printf(text, ", %s to %s", first, same_day ? last + 11 : last);
    }
    if (s->width > 0)
        g_string_append_printf(text, ", %d x %d", s->width, s->height);
    if (s->camera[0])
        g_string_append_printf(text, ", %s", s->camera);
    if (s->serial[0])
        g_string_append_printf(text, " no. %s", s->serial);
    g_string_append_printf(text, ", %s", s->first_name);
    if (s->stills > 1)
        g_string_append_printf(text, " to %s", s->last_name);
    char *valid = g_utf8_make_valid(text->str, -1);
    g_string_free(text, TRUE);
    return valid;
}

static const rw_shoot *shoot_at(const GArray *shoots, guint i)
{
    return &g_array_index(shoots, rw_shoot, i);
}

static guint largest(const GArray *shoots)
{
    guint best = 0;
    for (guint i = 1; i < shoots->len; i++)
        if (shoot_at(shoots, i)->stills > shoot_at(shoots, best)->stills)
            best = i;
    return best;
}

/* One word of --take: a number in the list, or a serial number. */
static bool take_word(const GArray *shoots, const char *word, bool *chosen)
{
    gint64 number = 0;
    bool found = false;
    if (g_ascii_string_to_signed(word, 10, 1, shoots->len, &number, NULL)) {
        chosen[number - 1] = true;
        return true;
    }
    for (guint i = 0; i < shoots->len; i++)
        if (word[0] && g_ascii_strcasecmp(shoot_at(shoots, i)->serial, word) == 0)
            chosen[i] = found = true;
    return found;
}

static bool take_words(const GArray *shoots, const char *take, bool *chosen, GError **error)
{
    if (g_ascii_strcasecmp(take, "largest") == 0) {
        chosen[largest(shoots)] = true;
        return true;
    }
    bool all = g_ascii_strcasecmp(take, "all") == 0;
    for (guint i = 0; all && i < shoots->len; i++)
        chosen[i] = true;
    if (all)
        return true;
    g_auto(GStrv) words = g_strsplit_set(take, ", ", -1);
    size_t n = 0;
    for (char **w = words; *w; w++) {
        if (!**w)
            continue;
        n++;
        if (!take_word(shoots, *w, chosen)) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "\"%s\" names no shoot on the card: write all, largest, a number from 1 to "
                        "%u, or a camera's serial number.",
                        *w, shoots->len);
            return false;
        }
    }
    if (n == 0)
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "No shoot was named: write all, largest, or a number from 1 to %u.",
                    shoots->len);
    return n > 0;
}

static bool refuse(const GArray *shoots, bool unfamiliar, GError **error)
{
    GString *list = g_string_new(NULL);
    for (guint i = 0; i < shoots->len; i++) {
        g_autofree char *text = rw_shoot_describe(shoot_at(shoots, i));
        g_string_append_printf(list, "%s(%u) %s", i ? "; " : "", i + 1, text);
    }
    if (shoots->len > 1)
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "There are %u shoots on the card, and only one may be this film: %s. Say which "
                    "with --take 1, --take largest or --take all, or with --since and --until.",
                    shoots->len, list->str);
    else
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "The stills on the card are of another %s than those in the reel: %s. If "
                    "they belong to it all the same, say --take all.",
                    unfamiliar ? "camera or size" : "shoot", list->str);
    g_string_free(list, TRUE);
    return false;
}

static bool ask(const GArray *shoots, const rw_intake_options *options, bool unfamiliar,
                bool *chosen, GError **error)
{
    if (!options->ask)
        return refuse(shoots, unfamiliar, error);
    g_autofree char *answer =
        options->ask((const rw_shoot *)(void *)shoots->data, shoots->len, options->user);
    if (answer)
        return take_words(shoots, answer, chosen, error);
    g_set_error(error, RW_ERROR, RW_ERROR_CANCELLED, "Nothing was taken in.");
    return false;
}

/* The reel is empty, or has stills of the same camera and size. */
static bool familiar(const rw_shoot *s, const GArray *rows)
{
    for (guint i = 0; i < rows->len; i++) {
        const rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        if (MAX(row->width, row->height) == MAX(s->width, s->height) &&
            MIN(row->width, row->height) == MIN(s->width, s->height) &&
            g_strcmp0(row->serial ? row->serial : "", s->serial) == 0)
            return true;
    }
    return rows->len == 0;
}

bool rw_choose_shoots(const GArray *shoots, const GArray *rows, const char *const *taken,
                      const char *const *left, const rw_intake_options *options, bool *chosen,
                      GError **error)
{
    if (shoots->len == 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND,
                    "No still on the card was taken between the times given.");
        return false;
    }
    if (options->take)
        return take_words(shoots, options->take, chosen, error);
    guint fresh = 0;
    for (guint i = 0; i < shoots->len; i++) {
        const char *id = shoot_at(shoots, i)->id;
        chosen[i] = g_strv_contains(taken, id);
        if (!chosen[i] && !g_strv_contains(left, id))
            fresh++;
    }
    if (fresh == 0)
        return true;
    bool known_camera = familiar(shoot_at(shoots, 0), rows);
    if (shoots->len == 1 && known_camera) {
        chosen[0] = true;
        return true;
    }
    memset(chosen, 0, shoots->len * sizeof *chosen);
    return ask(shoots, options, !known_camera, chosen, error);
}
