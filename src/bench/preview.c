/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <unistd.h>

#include <reelwright/preview.h>

#include "bench/pictures.h"
#include "bench/preview.h"

#define MAKERS 2 /* frames made at once, each by several threads */

struct rw_frames {
    rw_shelf *shelf;
    GMutex lock;
    GHashTable *inside;       /* reels whose stills all lie inside -> when that was seen; guarded */
    GCond returned;           /* a maker, or a wish that is given up */
    rw_preview *idle[MAKERS]; /* guarded */
    GHashTable *latest;       /* page -> atomic_bool that gives its latest wish up; guarded */
};

rw_frames *rw_frames_new(rw_shelf *shelf, size_t memory)
{
    rw_frames *frames = g_new0(rw_frames, 1);
    frames->shelf = shelf;
    frames->inside = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    frames->latest = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, NULL);
    g_mutex_init(&frames->lock);
    g_cond_init(&frames->returned);
    for (int i = 0; i < MAKERS; i++)
        frames->idle[i] = rw_preview_new(memory / MAKERS);
    return frames;
}

void rw_frames_free(rw_frames **frames)
{
    rw_frames *f = *frames;
    if (!f)
        return;
    for (int i = 0; i < MAKERS; i++)
        rw_preview_free(&f->idle[i]);
    g_hash_table_unref(f->inside);
    g_hash_table_unref(f->latest);
    g_cond_clear(&f->returned);
    g_mutex_clear(&f->lock);
    g_clear_pointer(frames, g_free);
}

/* ---- what nobody waits for any more ---- */

/* A page looks at one picture: what it asked for before is given up. given_up: of this wish, lives
 * until its end. */
static void begin_wish(rw_frames *frames, const char *page, atomic_bool *given_up)
{
    atomic_init(given_up, false);
    if (!page)
        return;
    g_mutex_lock(&frames->lock);
    atomic_bool *before = g_hash_table_lookup(frames->latest, page);
    if (before)
        atomic_store(before, true);
    g_hash_table_replace(frames->latest, g_strdup(page), given_up);
    g_cond_broadcast(&frames->returned);
    g_mutex_unlock(&frames->lock);
}

static void end_wish(rw_frames *frames, const char *page, atomic_bool *given_up)
{
    if (!page)
        return;
    g_mutex_lock(&frames->lock);
    if (g_hash_table_lookup(frames->latest, page) == given_up)
        g_hash_table_remove(frames->latest, page);
    g_mutex_unlock(&frames->lock);
}

/* ---- makers ---- */

/* The first that is free: a single page asks for one frame after the other and gets the maker that
 * has kept its pictures. -1 when the wish is given up before. */
static int take(rw_frames *frames, const atomic_bool *given_up, rw_preview **maker)
{
    int which = -1;
    g_mutex_lock(&frames->lock);
    while (which < 0 && !atomic_load(given_up)) {
        for (int i = 0; i < MAKERS && which < 0; i++)
            if (frames->idle[i])
                which = i;
        if (which < 0)
            g_cond_wait(&frames->returned, &frames->lock);
    }
    *maker = which < 0 ? NULL : g_steal_pointer(&frames->idle[which]);
    g_mutex_unlock(&frames->lock);
    return which;
}

static void give_back(rw_frames *frames, int which, rw_preview *maker)
{
    g_mutex_lock(&frames->lock);
    frames->idle[which] = maker;
    g_cond_broadcast(&frames->returned);
    g_mutex_unlock(&frames->lock);
}

/* ---- a reel.db from a stranger may name any file ---- */

#define SEEN_SECONDS 30

static bool seen_lately(rw_frames *frames, const char *name)
{
    g_mutex_lock(&frames->lock);
    const int64_t *when = g_hash_table_lookup(frames->inside, name);
    bool lately = when && g_get_monotonic_time() - *when < SEEN_SECONDS * G_USEC_PER_SEC;
    g_mutex_unlock(&frames->lock);
    return lately;
}

static void note_seen(rw_frames *frames, const char *name)
{
    int64_t now = g_get_monotonic_time();
    g_mutex_lock(&frames->lock);
    g_hash_table_replace(frames->inside, g_strdup(name), g_memdup2(&now, sizeof now));
    g_mutex_unlock(&frames->lock);
}

/* A still that is not there at all is finish's business: it holds another one in its place. */
static bool is_inside(rw_frames *frames, const char *name, rw_reel *reel, const char *path)
{
    int fd = rw_shelf_open(frames->shelf, name, path, NULL);
    if (fd >= 0) {
        close(fd);
        return true;
    }
    g_autofree char *file = rw_reel_file(reel, path);
    return access(file, F_OK) != 0;
}

/* finish opens stills by the paths that reel.db gives: all of them must lie in the reel. */
static bool check_stills(rw_frames *frames, const char *name, rw_reel *reel, GError **error)
{
    if (seen_lately(frames, name))
        return true;
    g_autoptr(GArray) rows = rw_reel_stills(reel, error);
    if (!rows)
        return false;
    for (guint i = 0; i < rows->len; i++) {
        const rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        if (row->state == RW_STILL_COMPANION || is_inside(frames, name, reel, row->path))
            continue;
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "The reel's database names a still that does not lie in the reel: \"%s\".",
                    row->path);
        return false;
    }
    note_seen(frames, name);
    return true;
}

/* What is made of a finished frame while its pixels are there. */
typedef bool use_picture(const rw_preview_picture *picture, const rw_frame_wish *wish, void *data,
                         GError **error);

static bool make_of(rw_frames *frames, rw_reel *reel, const rw_frame_wish *wish,
                    const atomic_bool *given_up, use_picture *use, void *data, GError **error)
{
    rw_preview *maker;
    int which = take(frames, given_up, &maker);
    if (which < 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_CANCELLED, "Another picture is wanted by now.");
        return false;
    }
    rw_finish_options options = RW_FINISH_DEFAULTS;
    options.cancel = given_up;
    options.size = wish->size;
    options.only = wish->only;
    options.skip = wish->skip;
    options.settings = wish->settings;
    rw_preview_picture picture;
    bool ok = rw_preview_make(maker, reel, &options, wish->n, &picture, error);
    if (ok) {
        ok = use(&picture, wish, data, error);
        rw_preview_picture_clear(&picture);
    }
    give_back(frames, which, maker);
    return ok;
}

static bool make(rw_frames *frames, const rw_frame_wish *wish, use_picture *use, void *data,
                 GError **error)
{
    rw_reel *reel = rw_shelf_borrow(frames->shelf, wish->reel, error);
    atomic_bool given_up;
    begin_wish(frames, wish->page, &given_up);
    bool ok = reel && check_stills(frames, wish->reel, reel, error) &&
              make_of(frames, reel, wish, &given_up, use, data, error);
    end_wish(frames, wish->page, &given_up);
    rw_shelf_return(frames->shelf, wish->reel, &reel);
    return ok;
}

static bool encode(const rw_preview_picture *picture, const rw_frame_wish *wish, void *data,
                   GError **error)
{
    GBytes **bytes = data;
    *bytes = rw_jpeg_encode(picture->rgb, picture->width, picture->height, 3 * picture->width, 3,
                            wish->quality, NULL, 0, error);
    return *bytes != NULL;
}

GBytes *rw_frames_make(rw_frames *frames, const rw_frame_wish *wish, GError **error)
{
    GBytes *bytes = NULL;
    make(frames, wish, encode, &bytes, error);
    return bytes;
}

static bool count(const rw_preview_picture *picture, const rw_frame_wish *wish, void *data,
                  GError **error)
{
    (void)wish, (void)error;
    rw_statistics_make(picture->rgb, picture->width, picture->height, 3 * picture->width, data);
    return true;
}

bool rw_frames_measure(rw_frames *frames, const rw_frame_wish *wish, rw_statistics *statistics,
                       GError **error)
{
    return make(frames, wish, count, statistics, error);
}

static bool keep_spots(const rw_preview_picture *picture, const rw_frame_wish *wish, void *data,
                       GError **error)
{
    (void)wish, (void)error;
    GArray **spots = data;
    *spots =
        picture->spots ? g_array_ref(picture->spots) : g_array_new(FALSE, FALSE, sizeof(rw_spot));
    return true;
}

GArray *rw_frames_spots(rw_frames *frames, const rw_frame_wish *wish, GError **error)
{
    GArray *spots = NULL;
    make(frames, wish, keep_spots, &spots, error);
    return spots;
}
