/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <math.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include "base/fs.h"
#include "keep/intake.h"

/* Room for reel.db, folders and half-used blocks beside the files themselves. */
enum { ROOM_PER_FILE = 8192, ROOM_AT_LEAST = 2 << 20 };

/* ---- small things ---- */

static void free_trouble(gpointer data)
{
    rw_intake_trouble *t = data;
    g_free(t->path);
    g_free(t->what);
    g_free(t);
}

void rw_add_trouble(GPtrArray *list, const char *path, const char *what)
{
    rw_intake_trouble *t = g_new0(rw_intake_trouble, 1);
    t->path = g_strdup(path);
    t->what = g_strdup(what);
    g_ptr_array_add(list, t);
}

static void summary_init(rw_intake_summary *s)
{
    *s = (rw_intake_summary){0};
    s->unread = g_ptr_array_new_with_free_func(free_trouble);
    s->unreadable = g_ptr_array_new_with_free_func(free_trouble);
    s->damaged = g_ptr_array_new_with_free_func(free_trouble);
    s->notes = g_ptr_array_new_with_free_func(g_free);
}

void rw_intake_summary_clear(rw_intake_summary *s)
{
    g_clear_pointer(&s->unread, g_ptr_array_unref);
    g_clear_pointer(&s->unreadable, g_ptr_array_unref);
    g_clear_pointer(&s->damaged, g_ptr_array_unref);
    g_clear_pointer(&s->notes, g_ptr_array_unref);
    g_clear_pointer(&s->pause_after, g_free);
    g_clear_pointer(&s->why_not, g_free);
}

char **rw_meta_lines(rw_reel *reel, const char *key, GError **error)
{
    g_autoptr(GError) fault = NULL;
    g_autofree char *text = rw_reel_get_meta(reel, key, &fault);
    if (fault) {
        g_propagate_error(error, g_steal_pointer(&fault));
        return NULL;
    }
    return text && text[0] ? g_strsplit(text, "\n", -1) : g_new0(char *, 1);
}

/* Adds lines to a meta value, each once. */
static bool add_meta_lines(rw_reel *reel, const char *key, const GPtrArray *lines, GError **error)
{
    g_auto(GStrv) old = rw_meta_lines(reel, key, error);
    if (!old)
        return false;
    g_autoptr(GPtrArray) all = g_ptr_array_new();
    for (char **l = old; *l; l++)
        g_ptr_array_add(all, *l);
    for (guint i = 0; i < lines->len; i++)
        if (!g_ptr_array_find_with_equal_func(all, g_ptr_array_index(lines, i), g_str_equal, NULL))
            g_ptr_array_add(all, g_ptr_array_index(lines, i));
    if (all->len == g_strv_length(old))
        return true;
    g_ptr_array_add(all, NULL);
    g_autofree char *text = g_strjoinv("\n", (char **)all->pdata);
    return rw_reel_put_meta(reel, key, text, error);
}

char *rw_source_key(const char *source, int64_t bytes, int64_t mtime_us)
{
    return g_strdup_printf("%" G_GINT64_FORMAT " %" G_GINT64_FORMAT " %s", bytes, mtime_us, source);
}

const rw_still_row *rw_file_row(const rw_intake_run *run, const rw_card_file *f)
{
    g_autofree char *key = rw_source_key(f->source, f->bytes, f->mtime_us);
    return g_hash_table_lookup(run->by_source, key);
}

const rw_still_row *rw_file_known(const rw_intake_run *run, const rw_card_file *f)
{
    const rw_still_row *row = rw_file_row(run, f);
    return row && !g_hash_table_contains(run->lost, row) ? row : NULL;
}

bool rw_file_wanted(const rw_intake_run *run, const rw_card_file *f)
{
    return (f->kind == RW_CARD_STILL || f->kind == RW_CARD_COMPANION) && f->shoot >= 0 &&
           run->chosen[f->shoot];
}

/* ---- the two ends: cards and reel ---- */

static bool lies_in(const char *inner, const char *outer)
{
    size_t n = strlen(outer);
    return strncmp(inner, outer, n) == 0 &&
           (inner[n] == '/' || inner[n] == '\0' || (n > 0 && outer[n - 1] == '/'));
}

/* The real path of something that may not exist yet. */
static char *real_path(const char *path)
{
    char *real = realpath(path, NULL);
    if (real)
        return real;
    g_autofree char *absolute = g_canonicalize_filename(path, NULL);
    g_autofree char *parent = g_path_get_dirname(absolute);
    g_autofree char *name = g_path_get_basename(absolute);
    if (g_str_equal(parent, absolute))
        return g_strdup(absolute);
    g_autofree char *above = real_path(parent);
    return g_build_filename(above, name, NULL);
}

static bool check_card(const char *card, const char *reel, GError **error)
{
    struct stat s;
    if (stat(card, &s) != 0) {
        rw_error_from_errno(error, errno, "Cannot look into the card %s", card);
        return false;
    }
    if (!S_ISDIR(s.st_mode)) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "%s is not a folder; name the card's folder.",
                    card);
        return false;
    }
    g_autofree char *real_card = real_path(card), *real_reel = real_path(reel);
    if (!lies_in(real_reel, real_card) && !lies_in(real_card, real_reel))
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                "The reel %s and the card %s lie in one another; name a folder elsewhere for the "
                "reel.",
                reel, card);
    return false;
}

static bool check_ends(rw_intake_run *run, GError **error)
{
    for (size_t i = 0; i < run->n_cards; i++) {
        if (!check_card(run->cards[i], run->path, error))
            return false;
        for (size_t k = 0; k < i; k++) {
            g_autofree char *a = real_path(run->cards[i]), *b = real_path(run->cards[k]);
            if (lies_in(a, b) || lies_in(b, a)) {
                g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                            "The cards %s and %s lie in one another; name each once.",
                            run->cards[k], run->cards[i]);
                return false;
            }
        }
    }
    return true;
}

/* A folder with anything else in it than what a killed intake may leave is somebody's. */
static bool folder_is_free(const char *path, GError **error)
{
    static const char *const ours[] = {"stills", "cache", "out", "stills.sha256", ".intake.lock"};
    g_autoptr(GDir) dir = g_dir_open(path, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        bool known = g_str_has_prefix(name, "reel.db");
        for (size_t i = 0; i < G_N_ELEMENTS(ours); i++)
            known |= g_str_equal(name, ours[i]);
        if (!known) {
            g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                        "%s is no reel, and it is not empty (%s is in it): name a new folder.",
                        path, name);
            return false;
        }
    }
    return true;
}

static bool take_lock(rw_intake_run *run, GError **error)
{
    g_autofree char *path = g_build_filename(run->path, ".intake.lock", NULL);
    if (!rw_make_folder(run->path, error))
        return false;
    run->lock = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
    if (run->lock < 0) {
        rw_error_from_errno(error, errno, "Cannot write into the reel %s", run->path);
        return false;
    }
    if (flock(run->lock, LOCK_EX | LOCK_NB) == 0) {
        g_autofree char *stills = g_build_filename(run->path, "stills", NULL);
        rw_remove_parts(stills); /* only the holder of the lock may */
        return true;
    }
    if (errno == EWOULDBLOCK)
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "Another intake is at work on the reel %s; wait until it is done.", run->path);
    else
        rw_error_from_errno(error, errno, "Cannot lock the reel %s", run->path);
    return false;
}

/* What was said on the command line against what the reel is. */
static bool check_agreement(rw_intake_run *run, GError **error)
{
    const rw_intake_options *o = run->options;
    rw_rational fps;
    const rw_gauge *gauge = rw_reel_gauge(run->reel, error);
    g_autofree char *title = rw_reel_get_meta(run->reel, "title", NULL);
    if (!gauge || !rw_reel_fps(run->reel, &fps, error))
        return false;
    const char *what = NULL;
    g_autofree char *is = NULL;
    if (o->gauge && !g_str_equal(o->gauge, gauge->name)) {
        what = "--gauge";
        is = g_strdup(gauge->name);
    } else if (o->fps.num && (o->fps.num != fps.num || o->fps.den != fps.den)) {
        what = "--fps";
        is = rw_rational_format(fps);
    } else if (o->title && g_strcmp0(o->title, title ? title : "") != 0) {
        what = "--title";
        is = g_strdup_printf("\"%s\"", title ? title : "");
    }
    if (what)
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "The reel %s exists and has %s %s; leave %s away, or name another folder.",
                    run->path, what + 2, is, what);
    return !what;
}

static bool create_reel(rw_intake_run *run, GError **error)
{
    const rw_intake_options *o = run->options;
    const rw_gauge *gauge = rw_gauge_find(o->gauge ? o->gauge : "super8");
    rw_rational fps = o->fps.num ? o->fps : gauge->speeds[0];
    run->reel = rw_reel_create(run->path, gauge->name, fps, o->title ? o->title : "", error);
    return run->reel != NULL;
}

/* ---- what is in the reel ---- */

static bool copy_is_there(const rw_intake_run *run, const rw_still_row *row)
{
    g_autofree char *path = rw_reel_file(run->reel, row->path);
    struct stat s;
    return stat(path, &s) == 0 && S_ISREG(s.st_mode) && s.st_size == row->bytes;
}

static void index_rows(rw_intake_run *run)
{
    for (guint i = 0; i < run->rows->len; i++) {
        rw_still_row *row = &g_array_index(run->rows, rw_still_row, i);
        if (row->source)
            g_hash_table_insert(run->by_source,
                                rw_source_key(row->source, row->bytes, row->mtime_us), row);
        g_hash_table_insert(run->by_hash, row->sha256, row);
        g_hash_table_add(run->sizes, &row->bytes);
        if (!copy_is_there(run, row))
            g_hash_table_add(run->lost, row);
    }
}

static bool read_rows(rw_intake_run *run, GError **error)
{
    run->rows = run->reel ? rw_reel_stills(run->reel, error)
                          : g_array_new(FALSE, FALSE, sizeof(rw_still_row));
    if (!run->rows)
        return false;
    index_rows(run);
    return true;
}

/* --verify: the known files on the card and their copies are read again. */
static bool verify_known(rw_intake_run *run, GError **error)
{
    for (guint i = 0; i < run->files->len; i++) {
        const rw_card_file *f = &g_array_index(run->files, rw_card_file, i);
        const rw_still_row *row = rw_file_wanted(run, f) ? rw_file_known(run, f) : NULL;
        if (!row)
            continue;
        g_autofree char *path = rw_reel_file(run->reel, row->path);
        g_autoptr(GError) fault = NULL;
        rw_copy copy;
        if (!rw_hash_file(path, RW_SHA256, true, &run->stop, &copy, &fault) &&
            g_error_matches(fault, RW_ERROR, RW_ERROR_CANCELLED)) {
            g_propagate_error(error, g_steal_pointer(&fault));
            return false;
        }
        if (fault || !g_str_equal(copy.sha256, row->sha256))
            g_hash_table_add(run->lost, (gpointer)row); /* is copied again */
        g_clear_error(&fault);
        if (!rw_hash_file(f->source, RW_SHA256, true, &run->stop, &copy, &fault))
            rw_add_trouble(run->summary->unread, f->source, fault->message);
        else if (!g_str_equal(copy.sha256, row->sha256))
            rw_add_trouble(run->summary->unread, f->source,
                           "is not what was taken in from there before");
    }
    return true;
}

/* ---- choosing ---- */

static bool has_still(const GArray *files)
{
    for (guint i = 0; i < files->len; i++)
        if (g_array_index(files, rw_card_file, i).kind == RW_CARD_STILL)
            return true;
    return false;
}

static bool look_at_cards(rw_intake_run *run, GError **error)
{
    run->files = rw_card_scan((const char *const *)run->cards, run->n_cards, error);
    if (!run->files)
        return false;
    if (!has_still(run->files)) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s holds no JPEG, PNG or TIFF stills%s.",
                    run->cards[0],
                    run->files->len ? ", only other files; raw files must be developed first" : "");
        return false;
    }
    if (!rw_card_probe(run->files, run->options->threads, run->options->stop, run->options->user,
                       error))
        return false;
    for (guint i = 0; i < run->files->len; i++)
        g_hash_table_add(run->here, g_array_index(run->files, rw_card_file, i).source);
    run->shoots = rw_card_shoots(run->files, run->options->since_us, run->options->until_us);
    return true;
}

static bool choose(rw_intake_run *run, GError **error)
{
    g_auto(GStrv) taken =
        run->reel ? rw_meta_lines(run->reel, RW_META_TAKEN, error) : g_new0(char *, 1);
    g_auto(GStrv) left =
        run->reel && taken ? rw_meta_lines(run->reel, RW_META_LEFT, error) : g_new0(char *, 1);
    run->chosen = g_new0(bool, run->shoots->len + 1);
    return taken && left &&
           rw_choose_shoots(run->shoots, run->rows, (const char *const *)taken,
                            (const char *const *)left, run->options, run->chosen, error);
}

static void count_what_stays(rw_intake_run *run)
{
    rw_intake_summary *s = run->summary;
    for (guint i = 0; i < run->shoots->len; i++)
        s->other_shoots += run->chosen[i] ? 0 : 1;
    for (guint i = 0; i < run->files->len; i++) {
        const rw_card_file *f = &g_array_index(run->files, rw_card_file, i);
        if (f->kind == RW_CARD_OTHER)
            s->others++;
        else if (f->kind == RW_CARD_STILL && !rw_file_wanted(run, f))
            s->other_stills++;
        else if (f->kind == RW_CARD_STILL && rw_file_known(run, f))
            s->known++;
    }
}

static bool check_room(rw_intake_run *run, GError **error)
{
    int64_t need = ROOM_AT_LEAST;
    for (guint i = 0; i < run->jobs->len; i++) {
        const rw_card_file *f = g_array_index(run->jobs, rw_job, i).file;
        if (!g_hash_table_contains(run->sizes, &f->bytes)) /* else it is most likely here already */
            need += f->bytes + ROOM_PER_FILE;
    }
    int64_t have = rw_free_space(run->path, error);
    if (have < 0)
        return false;
    if (need <= have || need == ROOM_AT_LEAST)
        return true;
    g_autofree char *needs = g_format_size((guint64)need), *has = g_format_size((guint64)have);
    g_set_error(error, RW_ERROR, RW_ERROR_NO_SPACE,
                "The card needs %s and the disk of %s has %s free; make room, or name a reel on "
                "another disk.",
                needs, run->path, has);
    return false;
}

/* ---- the batch ---- */

static int open_batch(rw_reel *reel, GError **error)
{
    g_autofree char *text = rw_reel_get_meta(reel, RW_META_OPEN, error);
    return text ? (int)g_ascii_strtoll(text, NULL, 10) : 0;
}

static bool put_open_batch(rw_reel *reel, int batch, GError **error)
{
    g_autofree char *text = g_strdup_printf("%d", batch);
    return rw_reel_put_meta(reel, RW_META_OPEN, text, error);
}

int rw_intake_batch_of(rw_reel *reel, int64_t still, GError **error)
{
    double batch = rw_reel_get_measure(reel, still, RW_BATCH, RW_BATCH_VERSION, error);
    return isnan(batch) ? 0 : (int)batch;
}

int rw_intake_last_batch(rw_reel *reel, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_stills(reel, error);
    if (!rows || rows->len == 0)
        return 0;
    return rw_intake_batch_of(reel, g_array_index(rows, rw_still_row, rows->len - 1).id, error);
}

/* What was decided becomes known before the first file: an interrupted intake goes on without
 * asking again. */
static bool begin_batch(rw_intake_run *run, GError **error)
{
    g_autoptr(GError) fault = NULL;
    g_autoptr(GPtrArray) cards = g_ptr_array_new(), taken = g_ptr_array_new(),
                         left = g_ptr_array_new();
    for (size_t i = 0; i < run->n_cards; i++)
        g_ptr_array_add(cards, run->cards[i]);
    for (guint i = 0; i < run->shoots->len; i++)
        g_ptr_array_add(run->chosen[i] ? taken : left, g_array_index(run->shoots, rw_shoot, i).id);
    int batch = open_batch(run->reel, &fault);
    if (!fault && batch == 0)
        batch = rw_intake_last_batch(run->reel, &fault) + 1;
    run->batch = batch;
    bool ok = !fault && rw_reel_begin(run->reel, &fault) &&
              add_meta_lines(run->reel, RW_META_CARDS, cards, &fault) &&
              add_meta_lines(run->reel, RW_META_TAKEN, taken, &fault) &&
              add_meta_lines(run->reel, RW_META_LEFT, left, &fault) &&
              put_open_batch(run->reel, batch, &fault) && rw_reel_commit(run->reel, &fault);
    if (ok)
        return true;
    rw_reel_rollback(run->reel);
    g_propagate_error(error, g_steal_pointer(&fault));
    return false;
}

static bool same_frames(rw_reel *reel, const GArray *frames)
{
    g_autoptr(GArray) now = rw_reel_frames(reel, 0, INT64_MAX, NULL);
    if (!now || now->len != frames->len)
        return false;
    for (guint i = 0; i < now->len; i++) {
        const rw_frame_row *a = &g_array_index(now, rw_frame_row, i);
        const rw_frame_row *b = &g_array_index(frames, rw_frame_row, i);
        if (a->still != b->still || a->doubled_of != b->doubled_of || a->replaced != b->replaced)
            return false;
    }
    return true;
}

static bool is_surveyed(rw_reel *reel, bool *surveyed, GError **error)
{
    g_autoptr(GArray) scenes = rw_reel_scenes(reel, error);
    *surveyed = scenes && scenes->len > 0;
    return scenes != NULL;
}

static bool put_frames(rw_intake_run *run, const GArray *frames, const char *event, GError **error)
{
    bool ok = rw_reel_begin(run->reel, error) &&
              (same_frames(run->reel, frames) ||
               rw_reel_set_frames(run->reel, (const rw_frame_row *)(void *)frames->data,
                                  frames->len, error)) &&
              put_open_batch(run->reel, 0, error) &&
              rw_reel_log_event(run->reel, "intake", event, error) &&
              rw_reel_commit(run->reel, error);
    if (!ok)
        rw_reel_rollback(run->reel);
    return ok;
}

/* After a survey the row of frames belongs to it; the new stills are matched into it, or wait. */
static bool match_batch(rw_intake_run *run, const char *event, GError **error)
{
    const rw_intake_options *o = run->options;
    bool empty = rw_intake_last_batch(run->reel, NULL) != run->batch;
    if (!empty && o->match && !o->match(run->reel, run->batch, o->user, error))
        return false;
    run->summary->waits = !empty && !o->match;
    return put_open_batch(run->reel, 0, error) &&
           rw_reel_log_event(run->reel, "intake", event, error);
}

static void list_faults(rw_intake_summary *s, const GArray *rows)
{
    for (guint i = 0; i < rows->len; i++) {
        const rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        if (row->state == RW_STILL_COMPANION || rw_still_came_again(rows, i))
            continue;
        s->stills++;
        if (row->state == RW_STILL_UNREADABLE || row->state == RW_STILL_DAMAGED)
            rw_add_trouble(row->state == RW_STILL_DAMAGED ? s->damaged : s->unreadable, row->path,
                           row->fault ? row->fault : "cannot be read");
    }
}

/* Also when nothing was left to copy: the run before may have been cut off just here. */
static bool close_batch(rw_intake_run *run, const GArray *frames, GError **error)
{
    bool surveyed;
    g_autoptr(GError) fault = NULL;
    run->batch = open_batch(run->reel, &fault);
    if (fault) {
        g_propagate_error(error, g_steal_pointer(&fault));
        return false;
    }
    if (run->batch == 0)
        return true;
    if (!is_surveyed(run->reel, &surveyed, error))
        return false;
    g_autofree char *event = g_strdup_printf(
        "batch %d: %" G_GINT64_FORMAT " stills and %" G_GINT64_FORMAT " companions taken in",
        run->batch, run->summary->taken, run->summary->companions);
    return surveyed ? match_batch(run, event, error) : put_frames(run, frames, event, error);
}

static bool finish_batch(rw_intake_run *run, GError **error)
{
    rw_intake_summary *s = run->summary;
    g_autoptr(GArray) rows = rw_reel_stills(run->reel, error);
    if (!rows)
        return false;
    g_autoptr(GArray) frames = rw_order_frames(run, rows, error);
    if (!frames || !close_batch(run, frames, error))
        return false;
    list_faults(s, rows);
    s->batch = rw_intake_last_batch(run->reel, error);
    s->frames = rw_reel_frame_count(run->reel, error);
    return s->frames >= 0 && rw_manifest_write(run->reel, error);
}

/* ---- the whole ---- */

static void judge(rw_intake_summary *s, bool ok)
{
    if (!ok)
        s->why_not = g_strdup("The intake did not come to its end.");
    else if (s->unread->len)
        s->why_not = g_strdup_printf("%u %s of the card could not be taken in.", s->unread->len,
                                     s->unread->len == 1 ? "file" : "files");
    else if (s->other_stills)
        s->why_not = g_strdup_printf("%" G_GINT64_FORMAT " stills of another shoot are only there.",
                                     s->other_stills);
    else if (s->others)
        s->why_not = g_strdup_printf("%" G_GINT64_FORMAT " other %s (films, sound, raw files) %s "
                                     "only there.",
                                     s->others, s->others == 1 ? "file" : "files",
                                     s->others == 1 ? "is" : "are");
    s->safe_to_wipe = !s->why_not;
}

/* Adds to an error that came in the middle of copying what became of the rest. */
static void say_how_far(const rw_intake_run *run, GError **error)
{
    if (!error || !*error || !run->reel || !run->jobs || run->jobs->len == 0)
        return;
    g_autofree char *first = g_strdup((*error)->message);
    GQuark domain = (*error)->domain;
    int code = (*error)->code;
    g_clear_error(error);
    g_set_error(error, domain, code,
                "%s %" G_GINT64_FORMAT " of %u files are safe in %s; run the same command again to "
                "go on.",
                first, run->done, run->jobs->len, run->path);
}

static bool run_intake(rw_intake_run *run, GError **error)
{
    bool exists = rw_reel_exists(run->path);
    if (!check_ends(run, error) || (!exists && !folder_is_free(run->path, error)))
        return false;
    /* A new reel is made only when it is clear what goes into it. */
    if (exists) {
        if (!take_lock(run, error) || !(run->reel = rw_reel_open(run->path, error)) ||
            !check_agreement(run, error))
            return false;
    }
    if (!look_at_cards(run, error) || !read_rows(run, error) || !choose(run, error))
        return false;
    if (run->options->verify && !verify_known(run, error))
        return false;
    run->jobs = rw_plan_jobs(run);
    if (!check_room(run, error))
        return false;
    if (!exists && (!take_lock(run, error) || !create_reel(run, error)))
        return false;
    count_what_stays(run);
    return (run->jobs->len == 0 || begin_batch(run, error)) && rw_take_jobs(run, error) &&
           finish_batch(run, error);
}

static void clear_run(rw_intake_run *run)
{
    g_strfreev(run->cards);
    g_free(run->path);
    rw_reel_close(&run->reel);
    g_clear_pointer(&run->jobs, g_array_unref);
    g_clear_pointer(&run->shoots, g_array_unref);
    g_hash_table_unref(run->by_source);
    g_hash_table_unref(run->by_hash);
    g_hash_table_unref(run->sizes);
    g_hash_table_unref(run->here);
    g_hash_table_unref(run->lost);
    g_clear_pointer(&run->files, g_array_unref);
    g_clear_pointer(&run->rows, g_array_unref);
    g_free(run->chosen);
    if (run->lock >= 0)
        close(run->lock);
}

static char *without_slash(const char *path)
{
    size_t n = strlen(path);
    while (n > 1 && path[n - 1] == '/')
        n--;
    return g_strndup(path, n);
}

bool rw_intake(const char *const *cards, size_t n_cards, const char *reel,
               const rw_intake_options *options, rw_intake_summary *summary, GError **error)
{
    g_return_val_if_fail(cards && n_cards > 0 && reel && options && summary, false);
    summary_init(summary);
    if (options->gauge && !rw_gauge_find(options->gauge)) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "There is no gauge \"%s\".", options->gauge);
        judge(summary, false);
        return false;
    }
    rw_intake_run run = {.n_cards = n_cards,
                         .options = options,
                         .stop = {options->stop, options->user},
                         .summary = summary,
                         .lock = -1};
    run.path = without_slash(reel);
    run.cards = g_new0(char *, n_cards + 1);
    for (size_t i = 0; i < n_cards; i++)
        run.cards[i] = without_slash(cards[i]);
    run.by_source = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    run.by_hash = g_hash_table_new(g_str_hash, g_str_equal);
    run.sizes = g_hash_table_new(g_int64_hash, g_int64_equal);
    run.here = g_hash_table_new(g_str_hash, g_str_equal);
    run.lost = g_hash_table_new(NULL, NULL);
    g_autoptr(GError) fault = NULL;
    bool ok = run_intake(&run, &fault);
    if (!ok) {
        say_how_far(&run, &fault);
        g_propagate_error(error, g_steal_pointer(&fault));
    }
    judge(summary, ok);
    clear_run(&run);
    return ok;
}

GArray *rw_intake_batch_stills(rw_reel *reel, int batch, GError **error)
{
    g_autoptr(GError) fault = NULL;
    g_autoptr(GArray) rows = rw_reel_stills(reel, error);
    if (!rows)
        return NULL;
    GArray *ids = g_array_new(FALSE, FALSE, sizeof(int64_t));
    for (guint i = 0; i < rows->len && !fault; i++) {
        const rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        if (row->state != RW_STILL_COMPANION && rw_intake_batch_of(reel, row->id, &fault) == batch)
            g_array_append_val(ids, row->id);
    }
    if (!fault)
        return ids;
    g_array_unref(ids);
    g_propagate_error(error, g_steal_pointer(&fault));
    return NULL;
}
