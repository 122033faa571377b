/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Names in the reel: stills/<folder of the card>/<name on the card>. Where two folders of one name
 * hold files of one name, the later folder gets "-2" and so on.
 */
#include <string.h>

#include "keep/intake.h"

typedef struct naming {
    GHashTable *used;    /* paths in the reel, case folded: disks may not tell case apart */
    GHashTable *folders; /* folder on the card -> folder in the reel */
} naming;

static char *folded(const char *path)
{
    return g_utf8_casefold(path, -1);
}

static bool is_used(const naming *n, const char *path)
{
    g_autofree char *key = folded(path);
    return g_hash_table_contains(n->used, key);
}

/* Fit for every disk and for one line of text. */
static char *tame(const char *name)
{
    char *valid = g_utf8_make_valid(name, -1);
    for (char *p = valid; *p; p++)
        if (g_ascii_iscntrl(*p) || *p == '\\')
            *p = '_';
    return valid;
}

static char *folder_of(const rw_card_file *f)
{
    return g_path_get_dirname(f->source);
}

/* "stills/100RWDMO", "stills/100RWDMO-2", ... */
static char *folder_candidate(const rw_card_file *f, int k)
{
    g_autofree char *relative = g_path_get_dirname(f->relative);
    bool top = g_str_equal(relative, ".");
    if (top && k == 1)
        return g_strdup("stills");
    g_autofree char *base = g_path_get_basename(relative);
    g_autofree char *name = top ? g_strdup("card") : tame(base);
    return k == 1 ? g_strdup_printf("stills/%s", name) : g_strdup_printf("stills/%s-%d", name, k);
}

static char *path_in(const char *folder, const rw_card_file *f)
{
    g_autofree char *base = g_path_get_basename(f->relative);
    g_autofree char *name = tame(base);
    return g_strdup_printf("%s/%s", folder, name);
}

/* A folder in the reel where every file of f's folder on the card finds its name free. */
static char *free_folder(const naming *n, const GPtrArray *files, const rw_card_file *f)
{
    g_autofree char *folder = folder_of(f);
    for (int k = 1;; k++) {
        g_autofree char *candidate = folder_candidate(f, k);
        bool free = true;
        for (guint i = 0; free && i < files->len; i++) {
            const rw_card_file *other = g_ptr_array_index(files, i);
            g_autofree char *its = folder_of(other);
            if (!g_str_equal(its, folder))
                continue;
            g_autofree char *path = path_in(candidate, other);
            free = !is_used(n, path);
        }
        if (free)
            return g_steal_pointer(&candidate);
    }
}

/* The name in its folder; a second file whose tamed name is the same gets "-2" before its dot. */
static char *free_path(const naming *n, const char *folder, const rw_card_file *f)
{
    g_autofree char *path = path_in(folder, f);
    const char *dot = strrchr(path, '.');
    size_t stem = dot > strrchr(path, '/') ? (size_t)(dot - path) : strlen(path);
    g_autofree char *candidate = g_strdup(path);
    for (int k = 2; is_used(n, candidate); k++) {
        g_free(candidate);
        candidate = g_strdup_printf("%.*s-%d%s", (int)stem, path, k, path + stem);
    }
    return g_steal_pointer(&candidate);
}

static void start_naming(naming *n, const rw_intake_run *run)
{
    n->used = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    n->folders = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    for (guint i = 0; i < run->rows->len; i++)
        g_hash_table_add(n->used, folded(g_array_index(run->rows, rw_still_row, i).path));
    for (guint i = 0; i < run->files->len; i++) { /* folders that an earlier run began */
        const rw_card_file *f = &g_array_index(run->files, rw_card_file, i);
        const rw_still_row *row = rw_file_wanted(run, f) ? rw_file_row(run, f) : NULL;
        if (row)
            g_hash_table_insert(n->folders, folder_of(f), g_path_get_dirname(row->path));
    }
}

/* Wanted stills in capture order, each followed by its companions. */
static GPtrArray *in_capture_order(const rw_intake_run *run)
{
    guint n_files = run->files->len;
    g_autofree rw_shot *shots = g_new0(rw_shot, MAX(n_files, 1));
    g_autofree guint *index = g_new(guint, MAX(n_files, 1));
    g_autofree GSList **companions = g_new0(GSList *, MAX(n_files, 1));
    size_t n = 0;
    for (guint i = n_files; i-- > 0;) {
        rw_card_file *f = &g_array_index(run->files, rw_card_file, i);
        if (f->kind == RW_CARD_COMPANION && rw_file_wanted(run, f))
            companions[f->still] = g_slist_prepend(companions[f->still], f);
        if (f->kind != RW_CARD_STILL || !rw_file_wanted(run, f))
            continue;
        index[n] = i;
        shots[n++] = rw_card_shot(f);
    }
    rw_order *order = rw_order_shots(shots, n);
    GPtrArray *files = g_ptr_array_new();
    for (size_t i = 0; i < order->count; i++) {
        guint still = index[order->shots[i]];
        g_ptr_array_add(files, &g_array_index(run->files, rw_card_file, still));
        for (GSList *c = companions[still]; c; c = c->next)
            g_ptr_array_add(files, c->data);
        g_slist_free(companions[still]);
    }
    rw_order_free(&order);
    return files;
}

/* A file that was lost from the reel goes where it was. */
static char *path_for(naming *n, const rw_intake_run *run, const GPtrArray *files,
                      const rw_card_file *f)
{
    const rw_still_row *row = rw_file_row(run, f);
    if (row)
        return g_strdup(row->path);
    g_autofree char *folder = folder_of(f);
    const char *to = g_hash_table_lookup(n->folders, folder);
    if (!to) {
        char *fresh = free_folder(n, files, f);
        g_hash_table_insert(n->folders, g_strdup(folder), fresh);
        to = fresh;
    }
    char *path = free_path(n, to, f);
    g_hash_table_add(n->used, folded(path));
    return path;
}

static void clear_job(rw_job *job)
{
    g_free(job->path);
}

GArray *rw_plan_jobs(const rw_intake_run *run)
{
    naming n;
    start_naming(&n, run);
    g_autoptr(GPtrArray) all = in_capture_order(run);
    g_autoptr(GPtrArray) files = g_ptr_array_new();
    for (guint i = 0; i < all->len; i++)
        if (!rw_file_known(run, g_ptr_array_index(all, i)))
            g_ptr_array_add(files, g_ptr_array_index(all, i));
    GArray *jobs = g_array_new(FALSE, FALSE, sizeof(rw_job));
    g_array_set_clear_func(jobs, (GDestroyNotify)clear_job);
    for (guint i = 0; i < files->len; i++) {
        rw_card_file *f = g_ptr_array_index(files, i);
        rw_job job = {f, path_for(&n, run, files, f)};
        g_array_append_val(jobs, job);
    }
    g_hash_table_unref(n.used);
    g_hash_table_unref(n.folders);
    return jobs;
}
