/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The shelf: every reel in a few figures; and what holds for all of them.
 */
#include <dirent.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <reelwright/deliver.h>
#include <reelwright/stage.h>
#include <reelwright/still.h>
#include <reelwright/survey.h>
#include <reelwright/version.h>

#include "bench/beneath.h"
#include "bench/catalogue.h"
#include "bench/core.h"

#define STRIP 9 /* pictures that stand for a reel */

/* ---- one reel ---- */

/* Pictures from all over the reel, one from the middle of each ninth. */
static bool write_strip(rw_doc *j, rw_reel *reel, int64_t count, GError **error)
{
    rw_doc_open(j, "strip", '[');
    for (int64_t i = 0; i < STRIP && i < count; i++) {
        int64_t n = count > STRIP ? (2 * i + 1) * count / (2 * STRIP) : i;
        rw_frame_row row;
        if (!rw_reel_get_frame(reel, n, &row, error))
            return false;
        if (!row.still)
            continue;
        rw_doc_open(j, NULL, '[');
        rw_doc_whole(j, NULL, n);
        rw_doc_whole(j, NULL, row.still);
        rw_geometry_row place;
        if (rw_reel_get_placement(reel, n, &place, NULL))
            for (int k = 0; k < 6; k++)
                rw_doc_number(j, NULL, place.film_to_still.m[k / 3][k % 3]);
        rw_doc_close(j);
    }
    rw_doc_close(j);
    return true;
}

static bool write_stills(rw_doc *j, rw_reel *reel, GError **error)
{
    g_autoptr(GArray) stills = rw_reel_stills(reel, error);
    if (!stills)
        return false;
    int64_t bytes = 0, pictures = 0, first = INT64_MIN;
    int width = 0, height = 0;
    for (guint i = 0; i < stills->len; i++) {
        const rw_still_row *row = &g_array_index(stills, rw_still_row, i);
        bytes += row->bytes;
        pictures += row->state != RW_STILL_COMPANION;
        if (row->captured_us > INT64_MIN && (first == INT64_MIN || row->captured_us < first))
            first = row->captured_us;
        if (!width && row->width > 0) {
            width = row->width;
            height = row->height;
        }
    }
    g_autofree char *time = first > INT64_MIN ? rw_still_format_time(first) : NULL;
    rw_doc_whole(j, "stills", pictures);
    rw_doc_whole(j, "stillBytes", bytes);
    rw_doc_text(j, "captured", time);
    rw_doc_whole(j, "stillWidth", width);
    rw_doc_whole(j, "stillHeight", height);
    return true;
}

static bool write_findings(rw_doc *j, rw_reel *reel, GError **error)
{
    static const char *const severities[] = {"redo", "look", "note"};
    int64_t open[3] = {0}, judged = 0;
    g_autoptr(GArray) rows = rw_reel_findings(reel, error);
    if (!rows)
        return false;
    for (guint i = 0; i < rows->len; i++) {
        const rw_finding_row *row = &g_array_index(rows, rw_finding_row, i);
        for (int s = 0; s < 3; s++)
            open[s] += g_str_equal(row->state, "open") && g_str_equal(row->severity, severities[s]);
        judged += !g_str_equal(row->state, "open");
    }
    rw_doc_open(j, "findings", '{');
    for (int s = 0; s < 3; s++)
        rw_doc_whole(j, severities[s], open[s]);
    rw_doc_whole(j, "judged", judged);
    rw_doc_close(j);
    return true;
}

/* Scenes as their first frames, for the little map. */
static bool write_scenes(rw_doc *j, rw_reel *reel, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_scenes(reel, error);
    if (!rows)
        return false;
    rw_doc_open(j, "scenes", '[');
    for (guint i = 0; i < rows->len; i++)
        rw_doc_whole(j, NULL, g_array_index(rows, rw_scene_row, i).first);
    rw_doc_close(j);
    return true;
}

/* How many stills of the reel have their place on the film; none: not surveyed. */
static bool is_surveyed(rw_reel *reel, int64_t count)
{
    rw_geometry_row row;
    for (int64_t n = 0; n < count && n < 50; n++)
        if (rw_reel_get_geometry(reel, n, &row, NULL))
            return true;
    return false;
}

static int64_t count_movies(rw_bench *bench, const char *name)
{
    static const char *const endings[] = {".mp4", ".mov", ".mkv"};
    int fd = rw_shelf_open(bench->shelf, name, "out", NULL);
    DIR *dir = fd >= 0 ? fdopendir(fd) : NULL;
    int64_t count = 0;
    struct dirent *entry;
    while (dir && (entry = readdir(dir)))
        for (size_t i = 0; i < G_N_ELEMENTS(endings); i++)
            count += entry->d_name[0] != '.' && g_str_has_suffix(entry->d_name, endings[i]);
    if (dir)
        closedir(dir);
    else if (fd >= 0)
        close(fd);
    return count;
}

static bool write_facts(rw_doc *j, rw_reel *reel, GError **error)
{
    int64_t count = rw_reel_frame_count(reel, error);
    int64_t film = count >= 0 ? rw_reel_film_before(reel, count, error) : -1;
    const rw_gauge *gauge = film >= 0 ? rw_reel_gauge(reel, error) : NULL;
    rw_rational fps;
    if (!gauge || !rw_reel_fps(reel, &fps, error))
        return false;
    g_autofree char *title = rw_reel_get_meta(reel, "title", NULL);
    g_autofree char *chosen = rw_reel_get_choice(reel, "reel", "fps", NULL);
    if (chosen)
        rw_rational_parse(chosen, &fps, NULL);
    g_autofree char *rate = rw_rational_format(fps);
    g_autofree char *way = rw_reel_get_choice(reel, "reel", "way_up", NULL);
    if (!way)
        way = rw_reel_get_meta(reel, "way_up", NULL);
    g_autofree char *packed = rw_reel_get_meta(reel, "package", NULL);
    rw_doc_text(j, "title", title);
    rw_doc_text(j, "gauge", gauge->name);
    rw_doc_text(j, "gaugeTitle", gauge->title);
    rw_doc_text(j, "fps", rate);
    rw_doc_text(j, "wayUp", way);
    rw_doc_whole(j, "frames", count);
    rw_doc_number(j, "seconds", (double)film / rw_rational_value(fps));
    rw_doc_number(j, "mm", rw_mm_from_frames(gauge, film));
    rw_doc_flag(j, "surveyed", is_surveyed(reel, count));
    rw_doc_text(j, "package", packed && *packed ? packed : NULL);
    return write_strip(j, reel, count, error) && write_stills(j, reel, error) &&
           write_findings(j, reel, error) && write_scenes(j, reel, error);
}

static void write_reel(rw_bench *bench, rw_doc *j, const char *name)
{
    g_autoptr(GError) error = NULL;
    int folder = rw_shelf_folder(bench->shelf);
    g_autofree char *cache = g_strconcat(name, "/cache", NULL);
    g_autofree char *out = g_strconcat(name, "/out", NULL);
    rw_reel *reel = rw_shelf_borrow(bench->shelf, name, &error);
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "name", name);
    if (reel && write_facts(j, reel, &error)) {
        rw_doc_whole(j, "movies", count_movies(bench, name));
        rw_doc_whole(j, "cacheBytes", rw_beneath_size(folder, cache));
        rw_doc_whole(j, "outBytes", rw_beneath_size(folder, out));
    }
    rw_doc_text(j, "fault", error ? error->message : NULL);
    rw_doc_close(j);
    rw_shelf_return(bench->shelf, name, &reel);
}

void rw_answer_shelf(void *user, const rw_request *request, rw_reply *reply)
{
    (void)request;
    rw_bench *bench = user;
    g_auto(GStrv) names = rw_shelf_names(bench->shelf);
    g_autofree char *title = g_path_get_basename(rw_shelf_path(bench->shelf));
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "shelf", title);
    rw_doc_open(j, "reels", '[');
    for (char **name = names; *name; name++)
        write_reel(bench, j, *name);
    rw_doc_close(j);
    rw_jobs_write(bench->jobs, j, "jobs");
    rw_doc_close(j);
    rw_reply_doc(reply, &j);
}

/* ---- where stills can come from ---- */

void rw_answer_sources(void *user, const rw_request *request, rw_reply *reply)
{
    (void)request;
    rw_bench *bench = user;
    g_autoptr(GPtrArray) found = rw_sources_look(bench->sources);
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_open(j, "sources", '[');
    for (guint i = 0; i < found->len; i++) {
        const rw_source *source = g_ptr_array_index(found, i);
        rw_doc_open(j, NULL, '{');
        rw_doc_text(j, "id", source->id);
        rw_doc_text(j, "path", source->path);
        rw_doc_whole(j, "stills", source->stills);
        rw_doc_whole(j, "bytes", source->bytes);
        rw_doc_flag(j, "card", source->is_card);
        rw_doc_close(j);
    }
    rw_doc_close(j);
    rw_doc_close(j);
    rw_reply_doc(reply, &j);
}

/* ---- tables ---- */

static void write_gauges(rw_doc *j)
{
    rw_doc_open(j, "gauges", '[');
    for (const rw_gauge *const *g = rw_gauge_all(); *g; g++) {
        rw_doc_open(j, NULL, '{');
        rw_doc_text(j, "name", (*g)->name);
        rw_doc_text(j, "title", (*g)->title);
        rw_doc_flag(j, "onFrameLine", (*g)->perforation_on_frame_line);
        const rw_rect shown = (*g)->projectable;
        const double sides[4] = {shown.x, shown.y, shown.width, shown.height};
        rw_doc_open(j, "shown", '[');
        for (int i = 0; i < 4; i++)
            rw_doc_number(j, NULL, sides[i]);
        rw_doc_close(j);
        rw_doc_open(j, "speeds", '[');
        for (int i = 0; i < (*g)->n_speeds; i++) {
            g_autofree char *speed = rw_rational_format((*g)->speeds[i]);
            rw_doc_text(j, NULL, speed);
        }
        rw_doc_close(j);
        rw_doc_close(j);
    }
    rw_doc_close(j);
}

static void write_deliveries(rw_doc *j)
{
    rw_doc_open(j, "deliveries", '[');
    for (const rw_delivery *const *d = rw_delivery_all(); *d; d++) {
        int best = 0, worst = 0, usual = 0;
        bool scale = rw_delivery_quality_range(*d, &best, &worst, &usual);
        const char *const *extensions = rw_delivery_extensions(*d);
        rw_doc_open(j, NULL, '{');
        rw_doc_text(j, "name", rw_delivery_name(*d));
        rw_doc_text(j, "title", rw_delivery_title(*d));
        rw_doc_text(j, "extension", extensions[0]);
        rw_doc_flag(j, "lossless", rw_delivery_is_lossless(*d));
        rw_doc_flag(j, "scale", scale);
        rw_doc_whole(j, "best", best);
        rw_doc_whole(j, "worst", worst);
        rw_doc_whole(j, "quality", usual);
        rw_doc_close(j);
    }
    rw_doc_close(j);
}

static void write_measures(rw_doc *j)
{
    rw_doc_open(j, "measures", '[');
    for (const rw_measure_info *m = rw_measure_table(); m->name; m++) {
        if (!m->plot)
            continue;
        rw_doc_open(j, NULL, '{');
        rw_doc_text(j, "name", m->name);
        rw_doc_text(j, "title", m->title);
        rw_doc_text(j, "unit", g_str_equal(m->unit, "1") ? "" : m->unit);
        rw_doc_text(j, "help", m->help);
        rw_doc_close(j);
    }
    rw_doc_close(j);
}

static void write_kinds(rw_doc *j)
{
    rw_doc_open(j, "kinds", '[');
    for (const rw_finding_kind *k = rw_finding_kinds(); k->name; k++) {
        rw_doc_open(j, NULL, '{');
        rw_doc_text(j, "name", k->name);
        rw_doc_text(j, "title", k->title);
        rw_doc_text(j, "help", k->help);
        rw_doc_close(j);
    }
    rw_doc_close(j);
}

void rw_answer_tables(void *user, const rw_request *request, rw_reply *reply)
{
    (void)user;
    (void)request;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "version", rw_version());
    write_gauges(j);
    write_deliveries(j);
    write_measures(j);
    write_kinds(j);
    rw_catalogue_write(j, "groups");
    rw_doc_open(j, "stages", '[');
    for (const rw_stage *const *stage = rw_stages(); *stage; stage++) {
        rw_doc_open(j, NULL, '{');
        rw_doc_text(j, "name", (*stage)->name);
        rw_doc_text(j, "title", (*stage)->title);
        rw_doc_flag(j, "usual", (*stage)->by_default);
        /* it looks at a whole scene or at motion: its picture takes a while */
        rw_doc_flag(j, "slow", (*stage)->observe || (*stage)->needs & RW_STAGE_NEEDS_MOTION);
        rw_doc_close(j);
    }
    rw_doc_close(j);
    rw_doc_close(j);
    rw_reply_doc(reply, &j);
}
