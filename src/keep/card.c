/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <string.h>
#include <sys/stat.h>

#include <glib/gstdio.h>

#include "base/ordered.h"
#include "keep/card.h"

enum { MAX_DEPTH = 16, RUBBISH_BYTES = 1 << 20 };

static void clear_file(rw_card_file *f)
{
    g_free(f->source);
    g_free(f->fault);
}

static bool has_extension(const char *name, const char *const *extensions)
{
    const char *dot = strrchr(name, '.');
    for (; dot && *extensions; extensions++)
        if (g_ascii_strcasecmp(dot + 1, *extensions) == 0)
            return true;
    return false;
}

/* 0 for what is no still; the larger, the more a file of that kind can hold. */
static int richness(const char *name)
{
    static const char *const jpeg[] = {"jpg", "jpeg", "jpe", NULL}, *const png[] = {"png", NULL},
                             *const tiff[] = {"tif", "tiff", NULL};
    return has_extension(name, tiff)   ? 3
           : has_extension(name, png)  ? 2
           : has_extension(name, jpeg) ? 1
                                       : 0;
}

/* Hidden files and what operating systems put on every disk. */
static bool is_of_the_system(const char *name)
{
    return name[0] == '.' || name[0] == '$' || g_str_equal(name, "lost+found") ||
           g_ascii_strcasecmp(name, "System Volume Information") == 0;
}

static bool add_entry(GArray *files, int card, size_t prefix, const char *path, int depth,
                      GError **error);

static bool scan_folder(GArray *files, int card, size_t prefix, const char *folder, int depth,
                        GError **error)
{
    errno = 0;
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    if (!dir) {
        rw_error_from_errno(error, errno ? errno : EIO, "Cannot look into the folder %s", folder);
        return false;
    }
    const char *name;
    while ((name = g_dir_read_name(dir))) {
        if (is_of_the_system(name))
            continue;
        g_autofree char *path = g_build_filename(folder, name, NULL);
        if (!add_entry(files, card, prefix, path, depth, error))
            return false;
    }
    return true;
}

static bool add_entry(GArray *files, int card, size_t prefix, const char *path, int depth,
                      GError **error)
{
    struct stat s;
    if (lstat(path, &s) != 0) {
        rw_error_from_errno(error, errno, "Cannot look at %s", path);
        return false;
    }
    if (S_ISDIR(s.st_mode))
        return depth >= MAX_DEPTH || scan_folder(files, card, prefix, path, depth + 1, error);
    if (!S_ISREG(s.st_mode))
        return true;
    rw_card_file f = {.card = card, .source = g_strdup(path), .shoot = -1};
    f.relative = f.source + prefix;
    f.bytes = s.st_size;
    f.mtime_us = (int64_t)s.st_mtim.tv_sec * 1000000 + s.st_mtim.tv_nsec / 1000;
    g_array_append_val(files, f);
    return true;
}

static int compare_files(const void *a, const void *b)
{
    const rw_card_file *x = a, *y = b;
    if (x->card != y->card)
        return x->card < y->card ? -1 : 1;
    return rw_natural_compare(x->relative, y->relative);
}

/* ---- objects ---- */

/* Folder and name without its extension; the case of the name does not count. */
static char *object_key(const rw_card_file *f)
{
    const char *dot = strrchr(f->relative, '.'), *slash = strrchr(f->relative, '/');
    size_t length =
        dot && (!slash || dot > slash) ? (size_t)(dot - f->relative) : strlen(f->relative);
    g_autofree char *stem = g_strndup(f->relative, length);
    g_autofree char *folded = g_ascii_strdown(stem, -1);
    return g_strdup_printf("%d %s", f->card, folded);
}

static rw_card_kind kind_of_the_rest(const rw_card_file *f)
{
    int folder, number;
    rw_dcf_parse(f->source, &folder, &number);
    return number >= 0 || f->bytes >= RUBBISH_BYTES ? RW_CARD_OTHER : RW_CARD_HOUSEKEEPING;
}

static void sort_out(GArray *files)
{
    g_autoptr(GHashTable) stills =
        g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL); /* key -> index + 1 */
    for (guint i = 0; i < files->len; i++) {
        const rw_card_file *f = &g_array_index(files, rw_card_file, i);
        g_autofree char *key = object_key(f);
        guint best = GPOINTER_TO_UINT(g_hash_table_lookup(stills, key));
        int have = best ? richness(g_array_index(files, rw_card_file, best - 1).relative) : 0;
        if (richness(f->relative) > have)
            g_hash_table_insert(stills, g_steal_pointer(&key), GUINT_TO_POINTER(i + 1));
    }
    for (guint i = 0; i < files->len; i++) {
        rw_card_file *f = &g_array_index(files, rw_card_file, i);
        g_autofree char *key = object_key(f);
        guint still = GPOINTER_TO_UINT(g_hash_table_lookup(stills, key));
        f->still = still ? still - 1 : 0;
        f->kind =
            still == i + 1 ? RW_CARD_STILL : (still ? RW_CARD_COMPANION : kind_of_the_rest(f));
    }
}

GArray *rw_card_scan(const char *const *cards, size_t n_cards, GError **error)
{
    GArray *files = g_array_new(FALSE, TRUE, sizeof(rw_card_file));
    g_array_set_clear_func(files, (GDestroyNotify)clear_file);
    for (size_t i = 0; i < n_cards; i++) {
        size_t prefix = strlen(cards[i]) + (g_str_has_suffix(cards[i], "/") ? 0 : 1);
        if (!scan_folder(files, (int)i, prefix, cards[i], 0, error)) {
            g_array_unref(files);
            return NULL;
        }
    }
    g_array_sort(files, compare_files);
    sort_out(files);
    return files;
}

/* ---- headers ---- */

typedef struct probing {
    GArray *files;
    bool (*stop)(void *user);
    void *user;
} probing;

char *rw_few_words(const char *sentence, const char *path)
{
    const char *words = g_str_has_prefix(sentence, path) ? sentence + strlen(path) + 1 : sentence;
    size_t n = strlen(words);
    return g_strndup(words, n > 0 && words[n - 1] == '.' ? n - 1 : n);
}

static bool probe_one(int64_t n, void *state, void *user, void **result, GError **error)
{
    (void)state;
    (void)result;
    probing *p = user;
    rw_card_file *f = &g_array_index(p->files, rw_card_file, n);
    g_autoptr(GError) fault = NULL;
    if (p->stop && p->stop(p->user)) {
        g_set_error(error, RW_ERROR, RW_ERROR_CANCELLED, "Stopped.");
        return false;
    }
    if (f->kind == RW_CARD_STILL && !rw_still_probe(f->source, &f->info, &fault)) {
        f->info = (rw_still_info){0};
        f->fault = rw_few_words(fault->message, f->source);
    }
    return true;
}

static bool nothing(int64_t n, void *result, void *user, GError **error)
{
    (void)n;
    (void)result;
    (void)user;
    (void)error;
    return true;
}

bool rw_card_probe(GArray *files, int n_threads, bool (*stop)(void *user), void *user,
                   GError **error)
{
    static const rw_ordered_ops ops = {.work = probe_one, .consume = nothing};
    probing p = {files, stop, user};
    return files->len == 0 ||
           rw_ordered_run(&ops, 0, (int64_t)files->len - 1, n_threads, 64, NULL, &p, error);
}

rw_shot rw_card_shot(const rw_card_file *f)
{
    return (rw_shot){.path = f->source,
                     .card = f->card,
                     .has_time = f->info.has_time,
                     .has_subsec = f->info.has_time && f->info.time_us % 1000000 != 0,
                     .time_us = f->info.time_us,
                     .no_picture = f->kind == RW_CARD_OTHER};
}
