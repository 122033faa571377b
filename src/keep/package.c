/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include <reelwright/keep.h>
#include <reelwright/package.h>
#include <reelwright/version.h>

#include "base/fs.h"
#include "base/ordered.h"
#include "base/progress.h"
#include "keep/bag.h"
#include "keep/copy.h"
#include "keep/describe.h"

/* Stands in the folder until the package is whole; its text says of which reel it is. */
#define UNFINISHED ".unfinished-package"

/* Room for lists, reel.db and half-used blocks beside the files themselves. */
enum { SPARE_BYTES = 32 << 20, WINDOW = 8 };

/* One file of the payload. */
typedef struct item {
    char *source;    /* NULL: made here, and there already */
    char *path;      /* in the package, "data/..." */
    char sha256[65]; /* what it must be; "" when nobody wrote that down */
} item;

typedef struct packing {
    rw_reel *reel;
    const char *folder;
    const rw_package_options *options;
    rw_package_summary *summary;
    rw_stop stop;
    GArray *items;    /* item */
    GPtrArray *files; /* rw_bag_file *: what the payload holds */
    rw_progress *progress;
    int reel_lock, lock;
} packing;

/* What a worker made of one item. */
typedef struct outcome {
    rw_bag_file *file; /* NULL: lost */
    char *lost;        /* a sentence */
    bool kept;
} outcome;

void rw_package_summary_clear(rw_package_summary *summary)
{
    g_clear_pointer(&summary->lost, g_ptr_array_unref);
}

static char *path_in(const packing *p, const char *path)
{
    return g_build_filename(p->folder, path, NULL);
}

/* ---- what goes in ---- */

static void clear_item(gpointer data)
{
    item *i = data;
    g_free(i->source);
    g_free(i->path);
}

/* Takes source. */
static void add_item(packing *p, char *source, const char *path, const char *sha256)
{
    item i = {.source = source, .path = g_strconcat("data/", path, NULL)};
    g_strlcpy(i.sha256, sha256, sizeof i.sha256);
    g_array_append_val(p->items, i);
}

static bool add_originals(packing *p, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_stills(p->reel, error);
    if (!rows)
        return false;
    for (guint i = 0; i < rows->len; i++) {
        const rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        if (!rw_bag_path_is_safe(row->path)) { /* a reel.db may come from elsewhere */
            g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                        "reel.db names a still outside of the reel, \"%s\": it is damaged.",
                        row->path);
            return false;
        }
        add_item(p, rw_reel_file(p->reel, row->path), row->path, row->sha256);
    }
    p->summary->originals = rows->len;
    add_item(p, rw_reel_file(p->reel, "stills.sha256"), "stills.sha256", "");
    return true;
}

/* Each look is named by its SHA-256. */
static void add_looks(packing *p)
{
    g_autofree char *folder = rw_reel_file(p->reel, "looks");
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *path = g_strconcat("looks/", name, NULL);
        if (strlen(name) == 64)
            add_item(p, rw_reel_file(p->reel, path), path, name);
    }
}

static bool add_parts(packing *p, GError **error)
{
    for (size_t i = 0; i < p->options->n_parts; i++) {
        const rw_package_part *part = &p->options->parts[i];
        if (!rw_bag_path_is_safe(part->path) || !g_utf8_validate(part->path, -1, NULL)) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "\"%s\" is no path inside a package: give the file a plain name.",
                        part->path);
            return false;
        }
        add_item(p, g_strdup(part->source), part->path, "");
    }
    return true;
}

/* Two files for one place would overwrite each other. */
static bool check_places(const packing *p, GError **error)
{
    g_autoptr(GHashTable) seen = g_hash_table_new(g_str_hash, g_str_equal);
    for (guint i = 0; i < p->items->len; i++) {
        const item *it = &g_array_index(p->items, item, i);
        if (!g_hash_table_add(seen, it->path)) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "Two files would be %s in the package: name one of them otherwise.",
                        it->path);
            return false;
        }
    }
    return true;
}

/* ---- the folder ---- */

/* The reel, whatever it is called now: when it was created. */
static char *mark_of(rw_reel *reel, GError **error)
{
    g_autoptr(GArray) journal = rw_reel_journal(reel, error);
    if (!journal)
        return NULL;
    return g_strdup_printf(
        "A preservation package that is not whole yet, of the reel created %s.\n",
        journal->len ? g_array_index(journal, rw_journal_row, 0).at : "-");
}

/* But for our own mark while it was being written. */
static bool is_empty(const char *folder)
{
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir)))
        if (!g_str_has_prefix(name, "." UNFINISHED ".part-"))
            return false;
    return dir != NULL;
}

/* A new or empty folder, or one that we left unfinished. */
static bool claim_folder(packing *p, GError **error)
{
    g_autofree char *mark = mark_of(p->reel, error), *old = NULL;
    g_autofree char *path = path_in(p, UNFINISHED), *bagit = path_in(p, "bagit.txt");
    if (!mark)
        return false;
    if (g_file_get_contents(path, &old, NULL, NULL)) {
        if (g_str_equal(old, mark))
            return true;
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "%s holds an unfinished package of another reel: name another folder, or "
                    "remove that one.",
                    p->folder);
        return false;
    }
    if (g_file_test(bagit, G_FILE_TEST_EXISTS))
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "%s is a package already: name another folder, or look at it with "
                    "\"reelwright package --check %s\".",
                    p->folder, p->folder);
    else if (g_file_test(p->folder, G_FILE_TEST_EXISTS) && !is_empty(p->folder))
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "%s is not empty: name a new folder for the package.", p->folder);
    else
        return rw_make_folder(p->folder, error) && rw_write_whole(path, mark, strlen(mark), error);
    return false;
}

/* -1 with the error set. operation as flock takes it. */
static int lock_file(const char *path, int operation, const char *busy, GError **error)
{
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
    if (fd < 0) {
        rw_error_from_errno(error, errno, "Cannot open %s", path);
        return -1;
    }
    if (flock(fd, operation | LOCK_NB) == 0)
        return fd;
    g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT, "%s", busy);
    close(fd);
    return -1;
}

static bool take_locks(packing *p, GError **error)
{
    g_autofree char *reel = rw_reel_file(p->reel, ".intake.lock"), *own = path_in(p, UNFINISHED);
    p->reel_lock = lock_file(reel, LOCK_SH,
                             "An intake is at work on this reel; wait until it is "
                             "done.",
                             error);
    if (p->reel_lock < 0 || !claim_folder(p, error))
        return false;
    p->lock = lock_file(own, LOCK_EX,
                        "This package is being made by another program; wait until "
                        "it is done.",
                        error);
    return p->lock >= 0;
}

/* ---- one file ---- */

static bool same_time(const struct stat *a, const struct stat *b)
{
    return a->st_size == b->st_size && a->st_mtim.tv_sec == b->st_mtim.tv_sec &&
           a->st_mtim.tv_nsec == b->st_mtim.tv_nsec;
}

/* What an earlier call left is as long and as old as its source: it is read, and good if it is what
 * it must be. */
static bool is_there(const packing *p, const item *it, const char *target, rw_copy *copy)
{
    struct stat from, to;
    return it->source && stat(it->source, &from) == 0 && stat(target, &to) == 0 &&
           S_ISREG(to.st_mode) && same_time(&from, &to) &&
           rw_hash_file(target, RW_SHA256_SHA512, true, &p->stop, copy, NULL) &&
           (it->sha256[0] == '\0' || g_str_equal(it->sha256, copy->sha256));
}

static rw_bag_file *file_of(const item *it, const rw_copy *copy)
{
    rw_bag_file *f = g_new0(rw_bag_file, 1);
    f->path = g_strdup(it->path);
    f->bytes = copy->bytes;
    g_strlcpy(f->sha256, copy->sha256, sizeof f->sha256);
    g_strlcpy(f->sha512, copy->sha512, sizeof f->sha512);
    return f;
}

/* Copies under the file's last name when it is what it must be. */
static bool bring(const packing *p, const item *it, const char *target, outcome *o, GError **error)
{
    rw_copy copy;
    g_autoptr(GError) fault = NULL;
    g_autofree char *part = rw_part_name(target);
    if (!rw_copy_verified(it->source, part, RW_SHA256_SHA512, &p->stop, &copy, &fault)) {
        if (copy.source_failed)
            o->lost = g_strdup(fault->message);
        else
            g_propagate_error(error, g_steal_pointer(&fault));
        return copy.source_failed;
    }
    if (it->sha256[0] && !g_str_equal(it->sha256, copy.sha256)) {
        g_unlink(part);
        o->lost = g_strdup_printf("%s has changed since it was taken in (its SHA-256 is %.12s..., "
                                  "and was %.12s...).",
                                  it->source, copy.sha256, it->sha256);
        return true;
    }
    if (!rw_give_name(part, target, error))
        return false;
    o->file = file_of(it, &copy);
    return true;
}

static void free_outcome(void *result, void *user)
{
    (void)user;
    outcome *o = result;
    if (o->file)
        rw_bag_file_free(o->file);
    g_free(o->lost);
    g_free(o);
}

static bool work(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)state;
    packing *p = user;
    rw_copy copy;
    const item *it = &g_array_index(p->items, item, n);
    g_autofree char *target = path_in(p, it->path);
    outcome *o = g_new0(outcome, 1);
    bool ok = true;
    if (is_there(p, it, target, &copy)) {
        o->file = file_of(it, &copy);
        o->kept = true;
    } else {
        ok = bring(p, it, target, o, error);
    }
    if (ok)
        *result = o;
    else
        free_outcome(o, NULL);
    return ok;
}

static bool consume(int64_t n, void *result, void *user, GError **error)
{
    (void)error;
    packing *p = user;
    outcome *o = result;
    p->summary->kept += o->kept;
    if (o->lost)
        g_ptr_array_add(p->summary->lost, g_steal_pointer(&o->lost));
    if (o->file)
        g_ptr_array_add(p->files, g_steal_pointer(&o->file));
    free_outcome(o, NULL);
    if (p->progress)
        rw_progress_step(p->progress, n + 1);
    return true;
}

/* ---- all of them ---- */

static bool make_folders(const packing *p, GError **error)
{
    g_autoptr(GHashTable) made = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    for (guint i = 0; i < p->items->len; i++) {
        g_autofree char *path = path_in(p, g_array_index(p->items, item, i).path);
        g_autofree char *folder = g_path_get_dirname(path);
        if (g_hash_table_contains(made, folder))
            continue;
        if (!rw_make_folder(folder, error))
            return false;
        g_hash_table_add(made, g_steal_pointer(&folder));
    }
    return true;
}

static bool check_room(const packing *p, GError **error)
{
    int64_t wanted = SPARE_BYTES, room = rw_free_space(p->folder, error);
    if (room < 0)
        return false;
    for (guint i = 0; i < p->items->len; i++) {
        struct stat from, to;
        const item *it = &g_array_index(p->items, item, i);
        g_autofree char *target = path_in(p, it->path);
        if (stat(it->source, &from) == 0 && !(stat(target, &to) == 0 && same_time(&from, &to)))
            wanted += from.st_size;
    }
    if (wanted <= room)
        return true;
    g_autofree char *needs = g_format_size((guint64)wanted), *has = g_format_size((guint64)room);
    g_set_error(error, RW_ERROR, RW_ERROR_NO_SPACE,
                "The package needs %s more on the disk of %s, which has %s free.", needs, p->folder,
                has);
    return false;
}

static bool copy_all(packing *p, GError **error)
{
    static const rw_ordered_ops ops = {.work = work, .consume = consume, .discard = free_outcome};
    int threads = CLAMP(p->options->threads, 1, 8);
    if (!make_folders(p, error) || !check_room(p, error))
        return false;
    if (p->options->progress)
        p->progress = rw_progress_new("package", "files", p->items->len);
    bool ok = rw_ordered_run(&ops, 0, (int64_t)p->items->len - 1, threads, WINDOW + threads,
                             p->options->cancel, p, error);
    rw_progress_free(&p->progress);
    if (!ok || p->summary->lost->len == 0)
        return ok;
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                "%u files cannot be packaged as they were taken in, the first: %s Put them back "
                "from the card or another copy (intake does so from the card) and run this again; "
                "nothing in the reel was touched.",
                p->summary->lost->len, (const char *)g_ptr_array_index(p->summary->lost, 0));
    return false;
}

/* Something of somebody else's in the folder of the payload would not be listed, and a package with
 * unlisted files is not complete. */
static bool check_strays(const packing *p, const char *relative, GHashTable *known, GError **error)
{
    g_autofree char *folder = path_in(p, relative);
    g_autoptr(GDir) dir = g_dir_open(folder, 0, error);
    const char *name;
    if (!dir)
        return false;
    while ((name = g_dir_read_name(dir))) {
        g_autofree char *inner = g_build_filename(relative, name, NULL);
        g_autofree char *path = path_in(p, inner);
        if (g_file_test(path, G_FILE_TEST_IS_DIR) && !g_file_test(path, G_FILE_TEST_IS_SYMLINK)) {
            if (!check_strays(p, inner, known, error))
                return false;
        } else if (!g_hash_table_contains(known, inner)) {
            g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                        "%s lies in the unfinished package and belongs to nothing that is packaged "
                        "now: move it away and run this again.",
                        path);
            return false;
        }
    }
    return true;
}

static bool check_payload(const packing *p, GError **error)
{
    g_autoptr(GHashTable) known = g_hash_table_new(g_str_hash, g_str_equal);
    for (guint i = 0; i < p->files->len; i++)
        g_hash_table_add(known, ((rw_bag_file *)g_ptr_array_index(p->files, i))->path);
    return check_strays(p, "data", known, error);
}

/* ---- what is made here ---- */

/* Hashes a file that stands in the package and lists it. */
static bool list_file(const packing *p, GPtrArray *files, const char *path, GError **error)
{
    rw_copy copy;
    item it = {.path = (char *)path};
    g_autofree char *full = path_in(p, path);
    if (!rw_hash_file(full, RW_SHA256_SHA512, true, &p->stop, &copy, error))
        return false;
    g_ptr_array_add(files, file_of(&it, &copy));
    return true;
}

/* Takes text; NULL: it could not be made and the error is set. */
static bool write_text(const packing *p, GPtrArray *files, const char *path, char *text,
                       GError **error)
{
    g_autofree char *full = path_in(p, path);
    bool ok =
        text && rw_write_whole(full, text, strlen(text), error) && list_file(p, files, path, error);
    g_free(text);
    return ok;
}

static bool write_database(packing *p, GError **error)
{
    g_autofree char *path = path_in(p, "data/reel.db");
    return rw_reel_snapshot(p->reel, path, error) && list_file(p, p->files, "data/reel.db", error);
}

/* PREMIS last: it lists all the others. */
static bool write_descriptions(packing *p, GError **error)
{
    g_autofree char *folder = path_in(p, "data/metadata");
    g_autoptr(GDateTime) now = g_date_time_new_now_utc();
    g_autofree char *at = g_date_time_format_iso8601(now);
    return rw_make_folder(folder, error) &&
           write_text(p, p->files, "data/README.txt",
                      rw_describe_plainly(p->reel, p->summary->originals, error), error) &&
           write_text(p, p->files, "data/metadata/dublin-core.xml",
                      rw_describe_dublin_core(p->reel, p->options->describe, error), error) &&
           write_text(p, p->files, "data/metadata/premis.xml",
                      rw_describe_premis(p->reel, p->files, at, error), error);
}

static char *make_info(const packing *p)
{
    GString *text = g_string_new(NULL);
    g_autofree char *title = rw_reel_get_meta(p->reel, "title", NULL);
    g_autofree char *agent = g_strdup_printf("reelwright %s", rw_version());
    g_autofree char *size = g_format_size((guint64)p->summary->bytes);
    g_autofree char *oxum = g_strdup_printf("%" G_GINT64_FORMAT ".%" G_GINT64_FORMAT,
                                            p->summary->bytes, p->summary->files);
    g_autoptr(GDateTime) now = g_date_time_new_now_local();
    g_autofree char *date = g_date_time_format(now, "%Y-%m-%d");
    if (title && title[0])
        rw_bag_add_field(text, "External-Description", title);
    rw_bag_add_field(text, "Bagging-Date", date);
    rw_bag_add_field(text, "Bag-Size", size);
    rw_bag_add_field(text, "Payload-Oxum", oxum);
    rw_bag_add_field(text, "Bag-Software-Agent", agent);
    return g_string_free(text, FALSE);
}

static void count_payload(packing *p)
{
    p->summary->files = p->files->len;
    for (guint i = 0; i < p->files->len; i++)
        p->summary->bytes += ((rw_bag_file *)g_ptr_array_index(p->files, i))->bytes;
}

/* bagit.txt is listed before it is written: it always says the same. */
static void list_declaration(GPtrArray *tags)
{
    rw_bag_file *f = g_new0(rw_bag_file, 1);
    g_autofree char *short_sum =
        g_compute_checksum_for_string(G_CHECKSUM_SHA256, RW_BAG_DECLARATION, -1);
    g_autofree char *long_sum =
        g_compute_checksum_for_string(G_CHECKSUM_SHA512, RW_BAG_DECLARATION, -1);
    f->path = g_strdup("bagit.txt");
    f->bytes = (int64_t)strlen(RW_BAG_DECLARATION);
    g_strlcpy(f->sha256, short_sum, sizeof f->sha256);
    g_strlcpy(f->sha512, long_sum, sizeof f->sha512);
    g_ptr_array_add(tags, f);
}

static bool write_tags(packing *p, GError **error)
{
    g_autoptr(GPtrArray) tags = g_ptr_array_new_with_free_func(rw_bag_file_free);
    g_autoptr(GPtrArray) unlisted = g_ptr_array_new_with_free_func(rw_bag_file_free);
    count_payload(p);
    list_declaration(tags);
    return write_text(p, tags, "bag-info.txt", make_info(p), error) &&
           write_text(p, tags, "manifest-sha256.txt", rw_bag_manifest(p->files, G_CHECKSUM_SHA256),
                      error) &&
           write_text(p, tags, "manifest-sha512.txt", rw_bag_manifest(p->files, G_CHECKSUM_SHA512),
                      error) &&
           write_text(p, unlisted, "tagmanifest-sha256.txt",
                      rw_bag_manifest(tags, G_CHECKSUM_SHA256), error) &&
           write_text(p, unlisted, "tagmanifest-sha512.txt",
                      rw_bag_manifest(tags, G_CHECKSUM_SHA512), error) &&
           write_text(p, unlisted, "bagit.txt", g_strdup(RW_BAG_DECLARATION), error);
}

static bool seal(packing *p, GError **error)
{
    g_autofree char *mark = path_in(p, UNFINISHED);
    g_autofree char *detail =
        g_strdup_printf("%s, %" G_GINT64_FORMAT " files, %" G_GINT64_FORMAT " bytes", p->folder,
                        p->summary->files, p->summary->bytes);
    if (g_unlink(mark) != 0) {
        rw_error_from_errno(error, errno, "Cannot remove %s", mark);
        return false;
    }
    return rw_fsync_path(p->folder, error) && rw_reel_log_event(p->reel, "packaged", detail, error);
}

/* ---- the whole ---- */

static bool pack(packing *p, GError **error)
{
    g_autofree char *data = path_in(p, "data");
    if (!take_locks(p, error) || !rw_manifest_write(p->reel, error) || !add_originals(p, error))
        return false;
    add_looks(p);
    if (!add_parts(p, error) || !check_places(p, error) || !rw_make_folder(data, error))
        return false;
    rw_remove_parts(data);
    return copy_all(p, error) && write_database(p, error) && write_descriptions(p, error) &&
           check_payload(p, error) && write_tags(p, error) && seal(p, error);
}

bool rw_package_write(rw_reel *reel, const char *folder, const rw_package_options *options,
                      rw_package_summary *summary, GError **error)
{
    g_return_val_if_fail(reel && folder && options && summary, false);
    *summary = (rw_package_summary){.lost = g_ptr_array_new_with_free_func(g_free)};
    if (!rw_describe_check_words(options->describe, error))
        return false;
    packing p = {.reel = reel,
                 .folder = folder,
                 .options = options,
                 .summary = summary,
                 .stop = rw_stop_at(options->cancel),
                 .items = g_array_new(FALSE, TRUE, sizeof(item)),
                 .files = g_ptr_array_new_with_free_func(rw_bag_file_free),
                 .reel_lock = -1,
                 .lock = -1};
    g_array_set_clear_func(p.items, clear_item);
    bool ok = pack(&p, error);
    if (p.lock >= 0)
        close(p.lock);
    if (p.reel_lock >= 0)
        close(p.reel_lock);
    g_array_unref(p.items);
    g_ptr_array_unref(p.files);
    return ok;
}
