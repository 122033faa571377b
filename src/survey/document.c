/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a survey found, as JSON and as a list of frames to shoot again. Reads reel.db alone.
 */
#include <errno.h>
#include <math.h>
#include <string.h>

#include <reelwright/still.h>

#include "survey/json_text.h"
#include "survey/measure.h"

/* Ends the text with a line feed and writes it; frees it. */
static bool flush(GString *text, FILE *out, GError **error)
{
    bool ok = fwrite(text->str, 1, text->len, out) == text->len;
    if (!ok)
        rw_error_from_errno(error, errno, "Cannot write the document");
    g_string_truncate(text, 0);
    return ok;
}

/* ---- survey ---- */

typedef struct frame_facts {
    GHashTable *stills; /* id -> rw_still_row in rows */
    GArray *rows;
    double *sharpness, *exposure;
} frame_facts;

static void add_frame(rw_reel *reel, const frame_facts *facts, const rw_frame_row *frame,
                      GString *text)
{
    const rw_still_row *still = g_hash_table_lookup(facts->stills, &frame->still);
    g_string_append_printf(text, "{\"n\":%" G_GINT64_FORMAT ",\"still\":", frame->n);
    rw_json_string(text, still ? still->path : NULL);
    g_string_append(text, ",\"captured\":");
    g_autofree char *time =
        still && still->captured_us != INT64_MIN ? rw_still_format_time(still->captured_us) : NULL;
    rw_json_string(text, time);
    rw_geometry_row geometry;
    g_string_append(text, ",\"film_to_still\":");
    if (still && rw_reel_get_geometry(reel, frame->n, &geometry, NULL)) {
        for (int i = 0; i < 6; i++) {
            g_string_append(text, i == 0 ? "[[" : i == 3 ? "],[" : ",");
            rw_json_number(text, geometry.film_to_still.m[i / 3][i % 3], 12);
        }
        g_string_append_printf(text, "]],\"method\":\"%s\",\"confidence\":", geometry.method);
        rw_json_number(text, geometry.confidence, 4);
    } else {
        g_string_append(text, "null,\"method\":\"none\",\"confidence\":0");
    }
    g_string_append(text, ",\"sharpness\":");
    rw_json_number(text, facts->sharpness[frame->n], 6);
    g_string_append(text, ",\"exposure\":");
    rw_json_number(text, facts->exposure[frame->n], 6);
    g_string_append(text, ",\"doubled_of\":");
    rw_json_number(text, frame->doubled_of < 0 ? NAN : (double)frame->doubled_of, 15);
    g_string_append_c(text, '}');
}

static bool load_facts(rw_reel *reel, int64_t count, frame_facts *facts, GError **error)
{
    const rw_measure_info *table = rw_measure_table();
    memset(facts, 0, sizeof *facts);
    facts->rows = rw_reel_stills(reel, error);
    if (!facts->rows)
        return false;
    facts->stills = g_hash_table_new(g_int64_hash, g_int64_equal);
    for (guint i = 0; i < facts->rows->len; i++) {
        rw_still_row *row = &g_array_index(facts->rows, rw_still_row, i);
        g_hash_table_insert(facts->stills, &row->id, row);
    }
    facts->sharpness = g_new(double, count + 1);
    facts->exposure = g_new(double, count + 1);
    return rw_reel_measure_series(reel, table[RW_M_SHARPNESS].name, 0, 0, count - 1,
                                  facts->sharpness, error) &&
           rw_reel_measure_series(reel, table[RW_M_EXPOSURE].name, 0, 0, count - 1, facts->exposure,
                                  error);
}

static void clear_facts(frame_facts *facts)
{
    if (facts->stills)
        g_hash_table_unref(facts->stills);
    if (facts->rows)
        g_array_unref(facts->rows);
    g_free(facts->sharpness);
    g_free(facts->exposure);
}

static bool write_frames(rw_reel *reel, int64_t count, GString *text, FILE *out, GError **error)
{
    frame_facts facts;
    bool ok = load_facts(reel, count, &facts, error);
    GArray *frames = ok ? rw_reel_frames(reel, 0, count - 1, error) : NULL;
    ok = frames != NULL;
    g_string_append(text, "\"frames\":[");
    for (guint i = 0; ok && i < frames->len; i++) {
        g_string_append(text, i ? ",\n" : "\n");
        add_frame(reel, &facts, &g_array_index(frames, rw_frame_row, i), text);
        ok = flush(text, out, error);
    }
    g_string_append_c(text, ']');
    if (frames)
        g_array_unref(frames);
    clear_facts(&facts);
    return ok;
}

static bool add_scenes(rw_reel *reel, GString *text, GError **error)
{
    GArray *scenes = rw_reel_scenes(reel, error);
    if (!scenes)
        return false;
    g_string_append(text, ",\n\"scenes\":[");
    for (guint i = 0; i < scenes->len; i++) {
        const rw_scene_row *s = &g_array_index(scenes, rw_scene_row, i);
        g_string_append_printf(text, "%s[%" G_GINT64_FORMAT ",%" G_GINT64_FORMAT "]", i ? "," : "",
                               s->first, s->last);
    }
    g_string_append_c(text, ']');
    g_array_unref(scenes);
    return true;
}

bool rw_survey_write_json(rw_reel *reel, FILE *out, GError **error)
{
    const rw_gauge *gauge = rw_reel_gauge(reel, error);
    int64_t count = gauge ? rw_reel_frame_count(reel, error) : -1;
    if (count < 0)
        return false;
    g_autoptr(GString) text = g_string_new("{\"reel\":");
    rw_json_string(text, rw_reel_path(reel));
    g_string_append_printf(text, ",\"gauge\":\"%s\",", gauge->name);
    if (!write_frames(reel, count, text, out, error) || !add_scenes(reel, text, error))
        return false;
    g_string_append(text, "}\n");
    return flush(text, out, error);
}

/* ---- findings ---- */

/* "stills/100.../X.JPG", or NULL. */
static char *still_path(rw_reel *reel, int64_t id)
{
    rw_still_row row;
    if (id <= 0 || !rw_reel_get_still(reel, id, &row, NULL))
        return NULL;
    char *path = g_steal_pointer(&row.path);
    rw_still_row_clear(&row);
    return path;
}

static void add_finding(rw_reel *reel, const rw_finding_row *f, GString *text)
{
    g_autofree char *path = still_path(reel, f->still);
    g_string_append(text, "{\"kind\":");
    rw_json_string(text, f->kind);
    g_string_append_printf(
        text, ",\"first\":%" G_GINT64_FORMAT ",\"last\":%" G_GINT64_FORMAT ",\"still\":", f->first,
        f->last);
    rw_json_string(text, path);
    g_string_append_printf(text, ",\"severity\":\"%s\",\"confidence\":", f->severity);
    rw_json_number(text, f->confidence, 4);
    g_string_append_printf(text, ",\"evidence\":%s,\"advice\":", f->evidence ? f->evidence : "{}");
    rw_json_string(text, f->advice);
    g_string_append_printf(text, ",\"id\":%" G_GINT64_FORMAT ",\"state\":\"%s\",\"note\":", f->id,
                           f->state);
    rw_json_string(text, f->note);
    g_string_append_c(text, '}');
}

bool rw_findings_write_json(rw_reel *reel, FILE *out, GError **error)
{
    GArray *rows = rw_reel_findings(reel, error);
    if (!rows)
        return false;
    g_autoptr(GString) text = g_string_new("{\"findings\":[");
    for (guint i = 0; i < rows->len; i++) {
        g_string_append(text, i ? ",\n" : "\n");
        add_finding(reel, &g_array_index(rows, rw_finding_row, i), text);
    }
    g_string_append(text, "]}\n");
    g_array_unref(rows);
    return flush(text, out, error);
}

/* ---- to shoot again ---- */

static void clear_reshoot(gpointer data)
{
    rw_reshoot_row *row = data;
    g_free(row->why);
}

/* Adds a reason to a frame's list of reasons, once. */
static void add_reason(char **reasons, int64_t n, const char *kind)
{
    if (!reasons[n]) {
        reasons[n] = g_strdup(kind);
    } else if (!strstr(reasons[n], kind)) {
        char *both = g_strconcat(reasons[n], ",", kind, NULL);
        g_free(reasons[n]);
        reasons[n] = both;
    }
}

/* Runs of frames with the same reasons. */
static GArray *collect(char **reasons, const GArray *frames, double pitch)
{
    GArray *out = g_array_new(FALSE, FALSE, sizeof(rw_reshoot_row));
    g_array_set_clear_func(out, clear_reshoot);
    int64_t repeats = 0;
    for (guint n = 0; n < frames->len; n++) {
        repeats += g_array_index(frames, rw_frame_row, n).doubled_of >= 0;
        if (!reasons[n])
            continue;
        double mm = (double)(n - repeats) * pitch;
        rw_reshoot_row *last = out->len ? &g_array_index(out, rw_reshoot_row, out->len - 1) : NULL;
        if (last && last->last == (int64_t)n - 1 && g_str_equal(last->why, reasons[n])) {
            last->last = n;
            last->last_mm = mm;
        } else {
            rw_reshoot_row row = {n, n, mm, mm, g_strdup(reasons[n])};
            g_array_append_val(out, row);
        }
    }
    return out;
}

GArray *rw_survey_reshoot(rw_reel *reel, GError **error)
{
    const rw_gauge *gauge = rw_reel_gauge(reel, error);
    GArray *frames = gauge ? rw_reel_frames(reel, 0, INT64_MAX / 2, error) : NULL;
    GArray *findings = frames ? rw_reel_findings(reel, error) : NULL;
    if (!findings) {
        if (frames)
            g_array_unref(frames);
        return NULL;
    }
    g_autofree char **reasons = g_new0(char *, frames->len + 1);
    for (guint i = 0; i < frames->len; i++)
        if (g_array_index(frames, rw_frame_row, i).still == 0)
            add_reason(reasons, i, "missing-frame");
    for (guint i = 0; i < findings->len; i++) {
        const rw_finding_row *f = &g_array_index(findings, rw_finding_row, i);
        if (!g_str_equal(f->severity, "redo") || g_str_equal(f->state, "dismissed"))
            continue;
        for (int64_t n = MAX(0, f->first); n <= f->last && n < (int64_t)frames->len; n++)
            add_reason(reasons, n, f->kind);
    }
    GArray *rows = collect(reasons, frames, gauge->pitch);
    for (guint i = 0; i < frames->len; i++)
        g_free(reasons[i]);
    g_array_unref(frames);
    g_array_unref(findings);
    return rows;
}

bool rw_reshoot_write_json(rw_reel *reel, FILE *out, GError **error)
{
    GArray *rows = rw_survey_reshoot(reel, error);
    if (!rows)
        return false;
    g_autoptr(GString) text = g_string_new("{\"reshoot\":[");
    for (guint i = 0; i < rows->len; i++) {
        const rw_reshoot_row *r = &g_array_index(rows, rw_reshoot_row, i);
        const double mm[] = {r->first_mm, r->last_mm};
        g_string_append_printf(
            text, "%s\n{\"first\":%" G_GINT64_FORMAT ",\"last\":%" G_GINT64_FORMAT ",\"why\":",
            i ? "," : "", r->first, r->last);
        rw_json_string(text, r->why);
        for (int k = 0; k < 4; k++) {
            static const char *const keys[] = {"first_m", "last_m", "first_ft", "last_ft"};
            g_string_append_printf(text, ",\"%s\":", keys[k]);
            rw_json_number(text, mm[k % 2] / (k < 2 ? 1000 : 304.8), 6);
        }
        g_string_append_c(text, '}');
    }
    g_string_append(text, "]}\n");
    g_array_unref(rows);
    return flush(text, out, error);
}
