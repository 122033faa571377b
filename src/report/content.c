/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <json-glib/json-glib.h>

#include <reelwright/film.h>
#include <reelwright/survey.h>
#include <reelwright/version.h>

#include "report/content.h"
#include "report/weave.h"

#define MM_PER_FOOT 304.8

/* ---- facts ---- */

static void add_fact(rw_report_content *c, const char *label, char *value)
{
    if (!value)
        return;
    rw_report_fact fact = {g_strdup(label), value};
    g_array_append_val(c->facts, fact);
}

static void clear_fact(gpointer data)
{
    rw_report_fact *fact = data;
    g_free(fact->label);
    g_free(fact->value);
}

static char *format_length(double mm)
{
    int inches = (int)lround(mm / MM_PER_FOOT * 12);
    return g_strdup_printf("%d ft %d in (%.2f m)", inches / 12, inches % 12, mm / 1000);
}

static char *format_minutes(double seconds)
{
    int64_t s = llround(seconds);
    return g_strdup_printf("%" G_GINT64_FORMAT ":%02" G_GINT64_FORMAT, s / 60, s % 60);
}

/* The camera's wall clock has no zone; it is shown as it stood. */
static char *format_clock(int64_t time_us)
{
    g_autoptr(GDateTime) t = g_date_time_new_from_unix_utc(time_us / G_USEC_PER_SEC);
    return t ? g_date_time_format(t, "%Y-%m-%d %H:%M:%S") : g_strdup("an impossible time");
}

static char *format_capture(GArray *stills)
{
    int64_t first = INT64_MAX, last = INT64_MIN;
    for (guint i = 0; i < stills->len; i++) {
        int64_t t = g_array_index(stills, rw_still_row, i).captured_us;
        if (t == INT64_MIN)
            continue;
        first = MIN(first, t);
        last = MAX(last, t);
    }
    if (last == INT64_MIN)
        return g_strdup("no times in the stills");
    g_autofree char *from = format_clock(first);
    g_autofree char *to = format_clock(last);
    return g_strdup_printf("%s to %s by the camera's clock", from, to);
}

static char *format_stills(GArray *stills)
{
    int64_t bytes = 0;
    guint count = 0, companions = 0, spoilt = 0, hashed = 0;
    for (guint i = 0; i < stills->len; i++) {
        const rw_still_row *s = &g_array_index(stills, rw_still_row, i);
        bytes += s->bytes;
        hashed += s->sha256[0] != '\0';
        if (s->state == RW_STILL_COMPANION) {
            companions++;
            continue;
        }
        count++;
        spoilt += s->state != RW_STILL_GOOD;
    }
    g_autofree char *size = g_format_size((guint64)bytes);
    g_autofree char *beside =
        companions ? g_strdup_printf(" and %u files beside them", companions) : g_strdup("");
    return g_strdup_printf("%u%s, %s, %u with a SHA-256 on record, %u damaged or unreadable", count,
                           beside, size, hashed, spoilt);
}

static char *format_camera(GArray *stills)
{
    const char *serial = NULL;
    int width = 0, height = 0;
    for (guint i = 0; i < stills->len && !width; i++) {
        const rw_still_row *s = &g_array_index(stills, rw_still_row, i);
        if (s->state == RW_STILL_COMPANION)
            continue;
        width = s->width;
        height = s->height;
        serial = s->serial;
    }
    if (!width)
        return NULL;
    return serial && *serial ? g_strdup_printf("serial number %s, %d x %d", serial, width, height)
                             : g_strdup_printf("%d x %d", width, height);
}

static bool gather_facts(rw_report_content *c, rw_reel *reel, GArray *stills, GError **error)
{
    rw_rational fps;
    const rw_gauge *gauge = rw_reel_gauge(reel, error);
    int64_t film = rw_reel_film_before(reel, c->frames, error);
    if (!gauge || film < 0 || !rw_reel_fps(reel, &fps, error))
        return false;
    g_autofree char *rate = rw_rational_format(fps);
    g_autofree char *length = format_length((double)film * gauge->pitch);
    g_autofree char *time = format_minutes((double)film / rw_rational_value(fps));
    add_fact(c, "Gauge", g_strdup(gauge->title));
    add_fact(c, "Film", g_strdup_printf("%" G_GINT64_FORMAT " frames, %s", film, length));
    add_fact(c, "Running time", g_strdup_printf("%s at %s frames a second", time, rate));
    add_fact(c, "Stills", format_stills(stills));
    add_fact(c, "Captured", format_capture(stills));
    add_fact(c, "Camera", format_camera(stills));
    return true;
}

/* ---- plots ---- */

static double *new_series(rw_report_content *c)
{
    double *v = g_new(double, MAX(c->frames, 1));
    g_ptr_array_add(c->series, v);
    return v;
}

static rw_plot *new_plot(rw_report_content *c, const char *title, const char *unit)
{
    if (c->n_plots == RW_REPORT_MAX_PLOTS)
        return NULL;
    rw_plot *p = &c->plots[c->n_plots++];
    *p = (rw_plot){.title = title,
                   .unit = unit,
                   .count = c->frames,
                   .scene_first = c->scene_first,
                   .n_scenes = c->scenes->len};
    return p;
}

static char *format_weave(const double *x, const double *y, int64_t count)
{
    double across = rw_weave_rms(x, count), along = rw_weave_rms(y, count);
    return isnan(across)
               ? NULL
               : g_strdup_printf("%.2f px (%.3f %%) across, %.2f px (%.3f %%) along", across,
                                 100 * across / RW_WEAVE_ROWS, along, 100 * along / RW_WEAVE_ROWS);
}

static void plot_weave(rw_report_content *c, const char *title, const double *before,
                       const double *after)
{
    rw_plot *plot = new_plot(c, title, "px of 1080 rows; right: % of frame height");
    if (!plot)
        return;
    plot->series[0] = (rw_plot_series){"after", after};
    plot->series[1] = (rw_plot_series){"before", before};
    plot->n_series = 2;
    plot->zero_based = true;
    plot->right_scale = 100 / RW_WEAVE_ROWS;
}

static bool gather_weave(rw_report_content *c, rw_reel *reel, GError **error)
{
    rw_weave w;
    for (int k = 0; k < 2; k++) {
        w.before[k] = new_series(c);
        w.after[k] = new_series(c);
    }
    if (!rw_weave_gather(reel, c->frames, &w, error))
        return false;
    plot_weave(c, "Weave across the film, before and after", w.before[0], w.after[0]);
    plot_weave(c, "Weave along the film, before and after", w.before[1], w.after[1]);
    char *before = format_weave(w.before[0], w.before[1], c->frames);
    if (before) { /* rms */
        g_autofree char *after = format_weave(w.after[0], w.after[1], c->frames);
        add_fact(c, "Weave",
                 after ? g_strdup_printf("%s rms; after steadying %s", before, after)
                       : g_strdup_printf("%s rms", before));
    }
    g_free(before);
    return true;
}

static bool gather_plots(rw_report_content *c, rw_reel *reel, GError **error)
{
    for (const rw_measure_info *m = rw_measure_table(); m->name; m++) {
        if (!m->plot)
            continue;
        double *values = new_series(c);
        if (!rw_reel_measure_series(reel, m->name, m->version, 0, c->frames - 1, values, error))
            return false;
        rw_plot *plot = new_plot(c, m->title, g_str_equal(m->unit, "1") ? "" : m->unit);
        if (plot) {
            plot->series[0] = (rw_plot_series){m->title, values};
            plot->n_series = 1;
        }
    }
    return gather_weave(c, reel, error);
}

/* Every plot shows what is to be shot again or looked at, so that a curve explains a finding. */
static void gather_marks(rw_report_content *c)
{
    rw_plot_mark *marks = g_new0(rw_plot_mark, c->findings->len + 1);
    size_t count = 0;
    g_ptr_array_add(c->marks, marks);
    for (guint i = 0; i < c->findings->len; i++) {
        const rw_finding_row *row = &g_array_index(c->findings, rw_report_finding, i).row;
        int weight = g_str_equal(row->severity, "redo") ? 2 : g_str_equal(row->severity, "look");
        if (weight > 0 && !g_str_equal(row->state, "dismissed"))
            marks[count++] = (rw_plot_mark){row->first, row->last, weight};
    }
    for (int i = 0; i < c->n_plots; i++) {
        c->plots[i].marks = marks;
        c->plots[i].n_marks = count;
    }
}

/* ---- pictures ---- */

/* The cache's picture of a frame, or NULL: the cache may have been deleted. */
static GBytes *load_picture(rw_reel *reel, int64_t n)
{
    rw_frame_row frame;
    if (n < 0 || !rw_reel_get_frame(reel, n, &frame, NULL) || !frame.still)
        return NULL;
    g_autofree char *relative = rw_survey_picture_path(frame.still);
    g_autofree char *path = rw_reel_file(reel, relative);
    char *data;
    gsize size;
    return g_file_get_contents(path, &data, &size, NULL) ? g_bytes_new_take(data, size) : NULL;
}

/* ---- findings ---- */

static void clear_finding(gpointer data)
{
    rw_report_finding *f = data;
    rw_finding_row_clear(&f->row);
    g_free(f->title);
    g_free(f->place);
    g_free(f->footage);
    g_free(f->evidence);
    g_clear_pointer(&f->before, g_bytes_unref);
    g_clear_pointer(&f->at, g_bytes_unref);
}

static const char *finding_title(const char *kind)
{
    for (const rw_finding_kind *k = rw_finding_kinds(); k->name; k++)
        if (g_str_equal(k->name, kind))
            return k->title;
    return kind;
}

/* What was seen, in the survey's own sentence; else the plain numbers and words of a finding's
 * evidence: "gap 1.02 s; missing 1". */
static char *format_evidence(const char *text)
{
    g_autoptr(JsonNode) node = json_from_string(text, NULL);
    if (!node || !JSON_NODE_HOLDS_OBJECT(node))
        return g_strdup("");
    JsonObject *object = json_node_get_object(node);
    const char *because = json_object_get_string_member_with_default(object, "because", NULL);
    if (because)
        return g_strdup(because);
    GString *out = g_string_new(NULL);
    JsonObjectIter iter;
    const char *key;
    JsonNode *value;
    json_object_iter_init(&iter, object);
    while (json_object_iter_next(&iter, &key, &value)) {
        if (!JSON_NODE_HOLDS_VALUE(value) || g_str_has_prefix(key, "picture"))
            continue;
        g_autofree char *label = g_strdelimit(g_strdup(key), "_", ' ');
        g_string_append_printf(out, "%s%s ", out->len ? "; " : "", label);
        if (json_node_get_value_type(value) == G_TYPE_STRING)
            g_string_append(out, json_node_get_string(value));
        else if (json_node_get_value_type(value) == G_TYPE_BOOLEAN)
            g_string_append(out, json_node_get_boolean(value) ? "yes" : "no");
        else
            g_string_append_printf(out, "%.4g", json_node_get_double(value));
    }
    return g_string_free(out, FALSE);
}

static void add_finding(rw_report_content *c, rw_reel *reel, const rw_gauge *gauge,
                        rw_finding_row *row)
{
    rw_report_finding f = {.row = *row};
    *row = (rw_finding_row){0}; /* moved */
    f.title = g_strdup(finding_title(f.row.kind));
    f.place = f.row.first == f.row.last
                  ? g_strdup_printf("frame %" G_GINT64_FORMAT, f.row.first)
                  : g_strdup_printf("frames %" G_GINT64_FORMAT " to %" G_GINT64_FORMAT, f.row.first,
                                    f.row.last);
    int64_t film = MAX(rw_reel_film_before(reel, f.row.first, NULL), 0);
    g_autofree char *length = format_length((double)film * gauge->pitch);
    f.footage = g_strdup_printf("%s from the head", length);
    f.evidence = format_evidence(f.row.evidence);
    f.before = load_picture(reel, f.row.first - 1);
    f.at = load_picture(reel, f.row.first);
    if (!f.at) { /* no still shows it: the next one that does stands for it */
        f.at = load_picture(reel, f.row.last + 1);
        f.at_is_after = true;
    }
    if (!g_str_equal(f.row.state, "dismissed"))
        c->counts[g_str_equal(f.row.severity, "redo")   ? 2
                  : g_str_equal(f.row.severity, "look") ? 1
                                                        : 0]++;
    g_array_append_val(c->findings, f);
}

static bool gather_findings(rw_report_content *c, rw_reel *reel, GError **error)
{
    const rw_gauge *gauge = rw_reel_gauge(reel, error);
    GArray *rows = gauge ? rw_reel_findings(reel, error) : NULL;
    if (!rows)
        return false;
    for (guint i = 0; i < rows->len; i++)
        add_finding(c, reel, gauge, &g_array_index(rows, rw_finding_row, i));
    g_array_unref(rows);
    return true;
}

/* ---- scenes ---- */

/* Whether the frame has to be shot again: smeared, soft or cut short, it is no picture to show. */
static bool is_spoilt(const rw_report_content *c, int64_t n)
{
    for (guint i = 0; i < c->findings->len; i++) {
        const rw_finding_row *row = &g_array_index(c->findings, rw_report_finding, i).row;
        if (row->first <= n && n <= row->last && g_str_equal(row->severity, "redo") &&
            !g_str_equal(row->state, "dismissed"))
            return true;
    }
    return false;
}

/* The picture nearest to the scene's middle: a whole one, else any; NULL when there is none. */
static GBytes *load_scene_picture(const rw_report_content *c, rw_reel *reel,
                                  const rw_scene_row *scene)
{
    const int64_t length = scene->last - scene->first + 1;
    for (int spoilt = 0; spoilt < 2; spoilt++) {
        int64_t n = scene->first + (length - 1) / 2;
        for (int64_t step = 1; step <= length; step++) { /* n: the middle, one after, one before */
            GBytes *picture = is_spoilt(c, n) == spoilt ? load_picture(reel, n) : NULL;
            if (picture)
                return picture;
            n += step % 2 ? step : -step;
        }
    }
    return NULL;
}

static bool gather_scenes(rw_report_content *c, rw_reel *reel, GError **error)
{
    c->scenes = rw_reel_scenes(reel, error);
    if (!c->scenes)
        return false;
    c->scene_first = g_new(int64_t, c->scenes->len + 1);
    for (guint i = 0; i < c->scenes->len; i++) {
        const rw_scene_row *s = &g_array_index(c->scenes, rw_scene_row, i);
        c->scene_first[i] = s->first;
        g_ptr_array_add(c->scene_pictures, load_scene_picture(c, reel, s));
        rw_statistics spread;
        if (!rw_survey_spread(reel, s->first, s->last, &spread, error))
            return false;
        g_array_append_val(c->scene_spreads, spread);
    }
    return true;
}

static bool was_surveyed(rw_reel *reel, int64_t frames, GError **error)
{
    rw_geometry_row g;
    for (int64_t n = 0; n < frames; n++)
        if (rw_reel_get_geometry(reel, n, &g, error))
            return true;
    return false;
}

static void set_verdict(rw_report_content *c, bool surveyed)
{
    if (!surveyed) {
        c->verdict_weight = 1;
        c->verdict = g_strdup("This reel was taken in but not surveyed: keep the film at hand.");
    } else if (c->counts[2]) {
        c->verdict_weight = 2;
        c->verdict = g_strdup_printf("Keep the film at hand: %" G_GSIZE_FORMAT
                                     " place%s should be shot again.",
                                     c->counts[2], c->counts[2] == 1 ? "" : "s");
    } else if (c->counts[1]) {
        c->verdict_weight = 1;
        c->verdict = g_strdup_printf("Look at %" G_GSIZE_FORMAT
                                     " finding%s before the film goes back into its box.",
                                     c->counts[1], c->counts[1] == 1 ? "" : "s");
    } else {
        c->verdict = g_strdup("Every frame was taken once, sharp and evenly lit: the film may go "
                              "back into its box.");
    }
}

static void free_bytes(gpointer bytes)
{
    if (bytes)
        g_bytes_unref(bytes);
}

static rw_report_content *new_empty(void)
{
    rw_report_content *c = g_new0(rw_report_content, 1);
    c->facts = g_array_new(FALSE, FALSE, sizeof(rw_report_fact));
    g_array_set_clear_func(c->facts, clear_fact);
    c->findings = g_array_new(FALSE, FALSE, sizeof(rw_report_finding));
    g_array_set_clear_func(c->findings, clear_finding);
    c->scene_pictures = g_ptr_array_new_with_free_func(free_bytes);
    c->scene_spreads = g_array_new(FALSE, FALSE, sizeof(rw_statistics));
    c->series = g_ptr_array_new_with_free_func(g_free);
    c->marks = g_ptr_array_new_with_free_func(g_free);
    return c;
}

rw_report_content *rw_report_content_new(rw_reel *reel, GError **error)
{
    g_autoptr(GError) inner = NULL;
    rw_report_content *c = new_empty();
    g_autofree char *title = rw_reel_get_meta(reel, "title", &inner);
    g_autofree char *folder = g_path_get_basename(rw_reel_path(reel));
    c->title = g_strdup(title && *title ? title : folder);
    c->frames = inner ? -1 : rw_reel_frame_count(reel, &inner);
    GArray *stills = c->frames >= 0 ? rw_reel_stills(reel, &inner) : NULL;
    g_autoptr(GDateTime) now = g_date_time_new_now_local();
    g_autofree char *day = g_date_time_format(now, "%Y-%m-%d");
    c->made = g_strdup_printf("%s, Reelwright %s", day, rw_version());

    bool ok = stills && gather_facts(c, reel, stills, &inner) && gather_findings(c, reel, &inner) &&
              gather_scenes(c, reel, &inner) && gather_plots(c, reel, &inner);
    bool surveyed = ok && was_surveyed(reel, c->frames, &inner);
    g_clear_pointer(&stills, g_array_unref);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        rw_report_content_free(&c);
        return NULL;
    }
    gather_marks(c);
    set_verdict(c, surveyed);
    return c;
}

void rw_report_content_free(rw_report_content **content)
{
    rw_report_content *c = *content;
    if (!c)
        return;
    g_free(c->title);
    g_free(c->verdict);
    g_free(c->made);
    g_free(c->scene_first);
    g_array_unref(c->facts);
    g_array_unref(c->findings);
    g_ptr_array_unref(c->scene_pictures);
    g_array_unref(c->scene_spreads);
    if (c->scenes)
        g_array_unref(c->scenes);
    g_ptr_array_unref(c->series);
    g_ptr_array_unref(c->marks);
    g_clear_pointer(content, g_free);
}
