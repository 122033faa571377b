/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pictures and movies.
 */
#include <dirent.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <reelwright/stage.h>

#include "bench/core.h"
#include "bench/guard.h"

#define MAX_SIDE 4096 /* of a preview */
#define QUALITY  94

static const char keep_it[] = "private, max-age=3600, immutable";

static void answer_jpeg(rw_reply *reply, GBytes *bytes, GError *error, const char *caching)
{
    if (!bytes) {
        rw_reply_error(reply, error);
        return;
    }
    reply->status = 200;
    reply->type = "image/jpeg";
    reply->bytes = bytes;
    reply->caching = caching;
}

void rw_answer_small(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    int64_t still;
    if (!rw_guard_number(request->part[1], &still)) {
        rw_reply_refuse(reply, 400, "A still is named by its number.");
        return;
    }
    GBytes *bytes = rw_pictures_small(bench->pictures, request->part[0], still, &error);
    answer_jpeg(reply, bytes, error, keep_it);
}

/* ?eighths=1..8&x=&y=&w=&h= in pixels of the decoded picture */
void rw_answer_still(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    int64_t still;
    if (!rw_guard_number(request->part[1], &still)) {
        rw_reply_refuse(reply, 400, "A still is named by its number.");
        return;
    }
    const int most = 1 << 20;
    int eighths = (int)rw_request_whole(request, "eighths", 1, 8, 2);
    rw_irect part = {(int)rw_request_whole(request, "x", 0, most, 0),
                     (int)rw_request_whole(request, "y", 0, most, 0),
                     (int)rw_request_whole(request, "w", 1, most, 0),
                     (int)rw_request_whole(request, "h", 1, most, 0)};
    GBytes *bytes =
        rw_pictures_still(bench->pictures, request->part[0], still, eighths, part, &error);
    answer_jpeg(reply, bytes, error, keep_it);
}

/* "a,b" -> list; NULL when absent */
static char **list_of(const rw_request *request, const char *name)
{
    const char *text = rw_request_query(request, name);
    return text && *text ? g_strsplit(text, ",", 64) : NULL;
}

/* A finished frame that a request asks for, and the text that the wish points into. */
typedef struct asked {
    rw_frame_wish wish;
    char *size, **only, **skip, **set;
} asked;

static void asked_clear(asked *a)
{
    g_free(a->size);
    g_strfreev(a->only);
    g_strfreev(a->skip);
    g_strfreev(a->set);
}

/* ?page=: who asks, so that what is not waited for any more is given up */
static const char *page_of(const rw_request *request)
{
    const char *page = rw_request_query(request, "page");
    return page && *page && strlen(page) <= 32 ? page : NULL;
}

/* ?w=&h=&only=&skip=&set=stage.key=value,...; false with the reply made */
static bool read_wish(const rw_request *request, rw_reply *reply, asked *a)
{
    *a = (asked){0};
    if (!rw_guard_number(request->part[1], &a->wish.n)) {
        rw_reply_refuse(reply, 400, "A frame is named by its number.");
        return false;
    }
    int width = (int)rw_request_whole(request, "w", 16, MAX_SIDE, 960) & ~1;
    int height = (int)rw_request_whole(request, "h", 16, MAX_SIDE, 720) & ~1;
    a->size = g_strdup_printf("%dx%d", width, height);
    a->only = list_of(request, "only");
    a->skip = list_of(request, "skip");
    a->set = list_of(request, "set");
    a->wish.reel = request->part[0];
    a->wish.size = a->size;
    a->wish.only = (const char *const *)a->only;
    a->wish.skip = (const char *const *)a->skip;
    a->wish.settings = (const char *const *)a->set;
    a->wish.quality = QUALITY;
    return true;
}

void rw_answer_finished(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    asked a;
    if (!read_wish(request, reply, &a))
        return;
    GError *error = NULL;
    a.wish.page = page_of(request);
    GBytes *bytes = rw_frames_make(bench->frames, &a.wish, &error);
    answer_jpeg(reply, bytes, error, NULL);
    asked_clear(&a);
}

static void write_counts(rw_doc *j, const char *key, const uint32_t *counts, size_t n)
{
    rw_doc_open(j, key, '[');
    for (size_t i = 0; i < n; i++)
        rw_doc_whole(j, NULL, counts[i]);
    rw_doc_close(j);
}

static void write_numbers(rw_doc *j, const char *key, const double *values, int n)
{
    rw_doc_open(j, key, '[');
    for (int i = 0; i < n; i++)
        rw_doc_number(j, NULL, values[i]);
    rw_doc_close(j);
}

/* How tones and colours of that finished frame are spread. */
void rw_answer_statistics(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    asked a;
    if (!read_wish(request, reply, &a))
        return;
    GError *error = NULL;
    rw_statistics *s = g_new(rw_statistics, 1);
    if (rw_frames_measure(bench->frames, &a.wish, s, &error)) {
        rw_doc *j = rw_doc_new();
        rw_doc_open(j, NULL, '{');
        rw_doc_whole(j, "pixels", s->pixels);
        rw_doc_open(j, "tones", '[');
        for (int c = 0; c < 4; c++)
            write_counts(j, NULL, s->tones[c], RW_STATISTICS_TONES);
        rw_doc_close(j);
        write_counts(j, "columns", &s->columns[0][0],
                     (size_t)RW_STATISTICS_COLUMNS * RW_STATISTICS_TONES);
        write_counts(j, "chroma", &s->chroma[0][0],
                     (size_t)RW_STATISTICS_CHROMA * RW_STATISTICS_CHROMA);
        write_numbers(j, "mean", s->mean, 4);
        write_numbers(j, "atBlack", s->at_black, 3);
        write_numbers(j, "atWhite", s->at_white, 3);
        write_numbers(j, "quantile", s->quantile, 3);
        rw_doc_close(j);
        rw_reply_doc(reply, &j);
    } else {
        rw_reply_error(reply, error);
    }
    g_free(s);
    asked_clear(&a);
}

/* Blemishes on a frame, those of the picture that rw_answer_finished shows for the same query:
 * {"same": mm nearer than which two spots are one, "spots":[[x, y, width, height, film x, film y,
 * confidence, 1 repaired or 0, "dirt", "scratch" or "hair"],...]} */
void rw_answer_spots(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    asked a;
    if (!read_wish(request, reply, &a))
        return;
    GArray *spots = rw_frames_spots(bench->frames, &a.wish, &error);
    asked_clear(&a);
    if (!spots) {
        rw_reply_error(reply, error);
        return;
    }
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_number(j, "same", RW_SPOT_SAME);
    rw_doc_open(j, "spots", '[');
    for (guint i = 0; i < spots->len; i++) {
        const rw_spot *s = &g_array_index(spots, rw_spot, i);
        const double figures[] = {s->box.x, s->box.y, s->box.width,  s->box.height,
                                  s->x,     s->y,     s->confidence, s->repaired ? 1 : 0};
        rw_doc_open(j, NULL, '[');
        for (size_t k = 0; k < G_N_ELEMENTS(figures); k++)
            rw_doc_number(j, NULL, figures[k]);
        rw_doc_text(j, NULL, rw_blemish_kind_name(s->kind));
        rw_doc_close(j);
    }
    rw_doc_close(j);
    rw_doc_close(j);
    g_array_unref(spots);
    rw_reply_doc(reply, &j);
}

/* ---- what finish made ---- */

static const char *movie_type(const char *name)
{
    static const char *const types[][2] = {{".mp4", "video/mp4"},
                                           {".mov", "video/quicktime"},
                                           {".mkv", "video/x-matroska"},
                                           {".html", NULL},
                                           {".pdf", "application/pdf"}};
    for (size_t i = 0; i < G_N_ELEMENTS(types); i++)
        if (g_str_has_suffix(name, types[i][0]))
            return types[i][1] ? types[i][1] : "application/octet-stream";
    return NULL;
}

static void write_movie(rw_doc *j, int folder, const char *name)
{
    struct stat info;
    if (name[0] == '.' || !movie_type(name) ||
        fstatat(folder, name, &info, AT_SYMLINK_NOFOLLOW) != 0 || !S_ISREG(info.st_mode))
        return;
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "name", name);
    rw_doc_text(j, "type", movie_type(name));
    rw_doc_whole(j, "bytes", info.st_size);
    rw_doc_whole(j, "made", info.st_mtim.tv_sec);
    rw_doc_close(j);
}

void rw_answer_movies(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    rw_shelf_return(bench->shelf, request->part[0], &reel);
    int fd = rw_shelf_open(bench->shelf, request->part[0], "out", NULL);
    DIR *dir = fd >= 0 ? fdopendir(fd) : NULL;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_open(j, "movies", '[');
    struct dirent *entry;
    while (dir && (entry = readdir(dir)))
        write_movie(j, fd, entry->d_name);
    rw_doc_close(j);
    rw_doc_close(j);
    rw_reply_doc(reply, &j);
    if (dir)
        closedir(dir);
    else if (fd >= 0)
        close(fd);
}

void rw_answer_movie(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    const char *name = request->part[1], *type = movie_type(name);
    g_autofree char *path = g_strconcat("out/", name, NULL);
    int fd =
        type && name[0] != '.' ? rw_shelf_open(bench->shelf, request->part[0], path, &error) : -1;
    if (fd < 0) {
        g_clear_error(&error);
        rw_reply_refuse(reply, 404, "There is no such movie.");
        return;
    }
    rw_reply_file(reply, request, type, fd);
    if (rw_request_query(request, "save"))
        reply->filename = g_strdup(name);
}
