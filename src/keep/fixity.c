/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <string.h>

#include <glib/gstdio.h>

#include <reelwright/package.h>

#include "base/ordered.h"
#include "base/progress.h"
#include "keep/bag.h"
#include "keep/copy.h"

enum { WINDOW = 8 };

/* A manifest: one algorithm's list of payload files, or of the bag's own. */
typedef struct listing {
    GChecksumType type;
    char *word;          /* "sha512" */
    char *name;          /* "manifest-sha512.txt" */
    GHashTable *digests; /* path -> lower-case hex */
} listing;

typedef struct checking {
    const char *folder;
    const rw_bag_options *options;
    rw_bag_summary *summary;
    rw_stop stop;
    GPtrArray *payload, *tags; /* listing * */
    GPtrArray *present;        /* char *: paths of payload files that lie there */
    GPtrArray *paths;          /* char *, not owned: all that are listed or lie there, in order */
    GHashTable *to_fetch;      /* paths that fetch.txt names */
    rw_progress *progress;
} checking;

void rw_bag_summary_clear(rw_bag_summary *summary)
{
    g_clear_pointer(&summary->algorithms, g_free);
    g_clear_pointer(&summary->troubles, g_ptr_array_unref);
}

static void say(checking *c, const char *format, ...) G_GNUC_PRINTF(2, 3);
static void say(checking *c, const char *format, ...)
{
    va_list values;
    va_start(values, format);
    g_ptr_array_add(c->summary->troubles, g_strdup_vprintf(format, values));
    va_end(values);
}

static char *path_in(const checking *c, const char *path)
{
    return g_build_filename(c->folder, path, NULL);
}

static void free_listing(gpointer data)
{
    listing *l = data;
    g_hash_table_unref(l->digests);
    g_free(l->word);
    g_free(l->name);
    g_free(l);
}

/* ---- reading what the bag says ---- */

/* NULL and a trouble when it cannot be read. */
static char *read_tag(checking *c, const char *name)
{
    g_autofree char *path = path_in(c, name);
    g_autoptr(GError) fault = NULL;
    char *text = NULL;
    gsize length;
    if (!g_file_get_contents(path, &text, &length, &fault)) {
        say(c, "%s cannot be read: %s.", name, fault->message);
        return NULL;
    }
    if (!g_utf8_validate(text, (gssize)length, NULL)) {
        say(c, "%s is not UTF-8 text.", name);
        g_clear_pointer(&text, g_free);
    }
    return text;
}

static bool check_declaration(checking *c, GError **error)
{
    g_autofree char *path = path_in(c, "bagit.txt");
    if (!g_file_test(path, G_FILE_TEST_IS_REGULAR)) {
        g_autofree char *unfinished = path_in(c, ".unfinished-package");
        bool begun = g_file_test(unfinished, G_FILE_TEST_EXISTS);
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s is no package: it has no bagit.txt.%s",
                    c->folder,
                    begun ? " It was begun and not finished; run \"reelwright package\" again."
                          : "");
        return false;
    }
    g_autofree char *text = read_tag(c, "bagit.txt");
    g_autofree char *version = text ? rw_bag_field(text, "BagIt-Version") : NULL;
    g_autofree char *encoding = text ? rw_bag_field(text, "Tag-File-Character-Encoding") : NULL;
    if (text &&
        (!version || (!g_str_has_prefix(version, "1.") && !g_str_has_prefix(version, "0."))))
        say(c, "bagit.txt does not name a version of BagIt that is known here.");
    if (text && g_strcmp0(encoding, "UTF-8") != 0)
        say(c, "bagit.txt does not say that its text is UTF-8.");
    return true;
}

/* Reads one list; one that nobody here can compute is told. */
static void read_listing(checking *c, GPtrArray *into, const char *name, const char *prefix)
{
    g_autofree char *word =
        g_strndup(name + strlen(prefix), strlen(name) - strlen(prefix) - strlen(".txt"));
    g_autoptr(GError) fault = NULL;
    GChecksumType type;
    if (!rw_bag_algorithm(word, &type)) {
        say(c, "%s uses an algorithm that this program does not know; nothing was checked by it.",
            name);
        return;
    }
    g_autofree char *text = read_tag(c, name);
    listing *l = g_new0(listing, 1);
    l->type = type;
    l->word = g_ascii_strdown(word, -1);
    l->name = g_strdup(name);
    l->digests = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    if (text && !rw_bag_read_manifest(text, name, type, l->digests, &fault))
        say(c, "%s", fault->message);
    g_ptr_array_add(into, l);
}

static int compare_listings(gconstpointer a, gconstpointer b)
{
    const listing *const *x = a, *const *y = b;
    return strcmp((*x)->name, (*y)->name);
}

static bool read_listings(checking *c, GError **error)
{
    g_autoptr(GDir) dir = g_dir_open(c->folder, 0, NULL);
    const char *name;
    if (!dir) {
        rw_error_from_errno(error, errno, "Cannot read the folder %s", c->folder);
        return false;
    }
    while ((name = g_dir_read_name(dir))) {
        if (!g_str_has_suffix(name, ".txt"))
            continue;
        if (g_str_has_prefix(name, "manifest-"))
            read_listing(c, c->payload, name, "manifest-");
        else if (g_str_has_prefix(name, "tagmanifest-"))
            read_listing(c, c->tags, name, "tagmanifest-");
    }
    g_ptr_array_sort(c->payload, compare_listings);
    g_ptr_array_sort(c->tags, compare_listings);
    if (c->payload->len == 0)
        say(c, "There is no list of checksums (manifest-sha512.txt or the like): nothing can be "
               "proved.");
    return true;
}

/* Lines "URL LENGTH PATH" of fetch.txt, section 2.2.3. */
static void read_fetch(checking *c)
{
    g_autofree char *path = path_in(c, "fetch.txt");
    g_autofree char *text = NULL;
    if (!g_file_get_contents(path, &text, NULL, NULL))
        return;
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    for (char **line = lines; *line; line++) {
        g_strchomp(*line);
        const char *p = *line;
        for (int word = 0; word < 2; word++) {
            p += strcspn(p, " \t");
            p += strspn(p, " \t");
        }
        if (*p)
            g_hash_table_add(c->to_fetch, rw_bag_decode(p));
    }
}

/* ---- what lies there ---- */

static void list_present(checking *c, const char *relative)
{
    g_autofree char *folder = path_in(c, relative);
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name;
    if (!dir)
        say(c, "The folder %s cannot be read.", relative);
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *inner = g_build_filename(relative, name, NULL);
        g_autofree char *path = path_in(c, inner);
        if (g_file_test(path, G_FILE_TEST_IS_SYMLINK))
            say(c, "%s is a link; a package holds files.", inner);
        else if (g_file_test(path, G_FILE_TEST_IS_DIR))
            list_present(c, inner);
        else
            g_ptr_array_add(c->present, g_steal_pointer(&inner));
    }
}

static int compare_paths(gconstpointer a, gconstpointer b)
{
    const char *const *x = a, *const *y = b;
    return strcmp(*x, *y);
}

/* All paths of the lists, and those that lie there, each once. */
static void gather_paths(checking *c)
{
    g_autoptr(GHashTable) seen = g_hash_table_new(g_str_hash, g_str_equal);
    for (guint i = 0; i < c->present->len; i++)
        g_hash_table_add(seen, g_ptr_array_index(c->present, i));
    for (int tags = 0; tags < 2; tags++) {
        GPtrArray *lists = tags ? c->tags : c->payload;
        for (guint i = 0; i < lists->len; i++) {
            GHashTableIter iter;
            gpointer path;
            g_hash_table_iter_init(&iter, ((listing *)g_ptr_array_index(lists, i))->digests);
            while (g_hash_table_iter_next(&iter, &path, NULL))
                g_hash_table_add(seen, path);
        }
    }
    GHashTableIter iter;
    gpointer path;
    g_hash_table_iter_init(&iter, seen);
    while (g_hash_table_iter_next(&iter, &path, NULL))
        g_ptr_array_add(c->paths, path);
    g_ptr_array_sort(c->paths, compare_paths);
}

/* ---- one file ---- */

typedef struct outcome {
    char *trouble; /* a sentence, or NULL */
    int64_t bytes; /* -1: not there */
} outcome;

static bool is_payload(const char *path)
{
    return g_str_has_prefix(path, "data/");
}

/* The first list that should have the file and has not. */
static const listing *missing_from(const checking *c, const char *path)
{
    const GPtrArray *lists = is_payload(path) ? c->payload : NULL; /* tag files may be unlisted */
    for (guint i = 0; lists && i < lists->len; i++) {
        const listing *l = g_ptr_array_index(lists, i);
        if (!g_hash_table_contains(l->digests, path))
            return l;
    }
    return NULL;
}

static void free_sum(gpointer sum)
{
    if (sum) /* the end of the list */
        g_checksum_free(sum);
}

static bool look_at(const checking *c, const char *path, outcome *o, GError **error)
{
    const GPtrArray *lists = is_payload(path) ? c->payload : c->tags;
    g_autoptr(GPtrArray) of = g_ptr_array_new(); /* lists that name the file, ... */
    g_autoptr(GPtrArray) sums = g_ptr_array_new_with_free_func(free_sum); /* ... and its sums */
    g_autoptr(GError) fault = NULL;
    g_autofree char *full = path_in(c, path);
    for (guint i = 0; i < lists->len; i++) {
        listing *l = g_ptr_array_index(lists, i);
        if (!g_hash_table_contains(l->digests, path))
            continue;
        g_ptr_array_add(of, l);
        g_ptr_array_add(sums, g_checksum_new(l->type));
    }
    g_ptr_array_add(sums, NULL);
    if (!rw_sum_file(full, (GChecksum **)sums->pdata, &c->stop, &o->bytes, &fault)) {
        bool stopped = g_error_matches(fault, RW_ERROR, RW_ERROR_CANCELLED);
        o->bytes = -1;
        if (stopped)
            g_propagate_error(error, g_steal_pointer(&fault));
        else
            o->trouble = g_strdup(fault->message);
        return !stopped;
    }
    for (guint i = 0; i < of->len && !o->trouble; i++) {
        const listing *l = g_ptr_array_index(of, i);
        const char *digest = g_hash_table_lookup(l->digests, path);
        if (!g_str_equal(digest, g_checksum_get_string(g_ptr_array_index(sums, i))))
            o->trouble = g_strdup_printf("%s has changed: its checksum is not the one in %s.", path,
                                         l->name);
    }
    return true;
}

static void free_outcome(void *result, void *user)
{
    (void)user;
    outcome *o = result;
    g_free(o->trouble);
    g_free(o);
}

static bool work(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)state;
    checking *c = user;
    const char *path = g_ptr_array_index(c->paths, (guint)n);
    g_autofree char *full = path_in(c, path);
    const listing *gap = missing_from(c, path);
    outcome *o = g_new0(outcome, 1);
    bool ok = true;
    o->bytes = -1;
    if (!g_file_test(full, G_FILE_TEST_EXISTS))
        o->trouble = g_strdup_printf(g_hash_table_contains(c->to_fetch, path)
                                         ? "%s is not here yet: fetch.txt says where to fetch it."
                                         : "%s is missing.",
                                     path);
    else
        ok = look_at(c, path, o, error);
    if (ok && !o->trouble && gap)
        o->trouble = g_strdup_printf("%s is not in %s.", path, gap->name);
    if (ok)
        *result = o;
    else
        free_outcome(o, NULL);
    return ok;
}

static bool consume(int64_t n, void *result, void *user, GError **error)
{
    (void)error;
    checking *c = user;
    outcome *o = result;
    if (o->trouble)
        g_ptr_array_add(c->summary->troubles, g_steal_pointer(&o->trouble));
    if (o->bytes >= 0 && is_payload(g_ptr_array_index(c->paths, (guint)n))) {
        c->summary->files++;
        c->summary->bytes += o->bytes;
    }
    free_outcome(o, NULL);
    if (c->progress)
        rw_progress_step(c->progress, n + 1);
    return true;
}

static bool check_files(checking *c, GError **error)
{
    static const rw_ordered_ops ops = {.work = work, .consume = consume, .discard = free_outcome};
    int threads = CLAMP(c->options->threads, 1, 8);
    if (c->paths->len == 0)
        return true;
    if (c->options->progress)
        c->progress = rw_progress_new("check", "files", c->paths->len);
    bool ok = rw_ordered_run(&ops, 0, (int64_t)c->paths->len - 1, threads, WINDOW + threads,
                             c->options->cancel, c, error);
    rw_progress_free(&c->progress);
    return ok;
}

/* ---- the whole ---- */

/* Payload-Oxum, section 2.2.2: bytes and files of the payload. */
static void check_oxum(checking *c)
{
    g_autofree char *path = path_in(c, "bag-info.txt");
    if (!g_file_test(path, G_FILE_TEST_EXISTS))
        return;
    g_autofree char *text = read_tag(c, "bag-info.txt");
    g_autofree char *told = text ? rw_bag_field(text, "Payload-Oxum") : NULL;
    g_autofree char *found = g_strdup_printf("%" G_GINT64_FORMAT ".%" G_GINT64_FORMAT,
                                             c->summary->bytes, c->summary->files);
    if (told && !g_str_equal(told, found))
        say(c, "bag-info.txt promises %s (bytes and files of data/); there are %s.", told, found);
}

static char *name_algorithms(const GPtrArray *lists)
{
    GString *text = g_string_new(NULL);
    for (guint i = 0; i < lists->len; i++)
        g_string_append_printf(text, "%s%s", i ? ", " : "",
                               ((const listing *)g_ptr_array_index(lists, i))->word);
    return g_string_free(text, FALSE);
}

static bool check(checking *c, GError **error)
{
    if (!check_declaration(c, error) || !read_listings(c, error))
        return false;
    c->summary->algorithms = name_algorithms(c->payload);
    read_fetch(c);
    list_present(c, "data");
    gather_paths(c);
    if (!check_files(c, error))
        return false;
    check_oxum(c);
    return true;
}

bool rw_bag_check(const char *folder, const rw_bag_options *options, rw_bag_summary *summary,
                  GError **error)
{
    g_return_val_if_fail(folder && options && summary, false);
    *summary = (rw_bag_summary){.troubles = g_ptr_array_new_with_free_func(g_free)};
    checking c = {.folder = folder,
                  .options = options,
                  .summary = summary,
                  .stop = rw_stop_at(options->cancel),
                  .payload = g_ptr_array_new_with_free_func(free_listing),
                  .tags = g_ptr_array_new_with_free_func(free_listing),
                  .present = g_ptr_array_new_with_free_func(g_free),
                  .paths = g_ptr_array_new(),
                  .to_fetch = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL)};
    bool ok = check(&c, error);
    g_ptr_array_unref(c.payload);
    g_ptr_array_unref(c.tags);
    g_ptr_array_unref(c.present);
    g_ptr_array_unref(c.paths);
    g_hash_table_unref(c.to_fetch);
    return ok;
}
