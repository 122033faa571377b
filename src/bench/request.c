/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "bench/guard.h"
#include "bench/request.h"

void rw_reply_clear(rw_reply *reply)
{
    g_clear_pointer(&reply->bytes, g_bytes_unref);
    if (reply->fd >= 0)
        close(reply->fd);
    g_free(reply->etag);
    g_free(reply->filename);
    g_free(reply->location);
    *reply = (rw_reply)RW_REPLY_INIT;
}

void rw_reply_data(rw_reply *reply, const char *type, void *data, size_t bytes)
{
    rw_reply_clear(reply);
    reply->status = 200;
    reply->type = type;
    reply->bytes = g_bytes_new_take(data, bytes);
}

void rw_reply_doc(rw_reply *reply, rw_doc **json)
{
    char *text = rw_doc_take(json);
    rw_reply_data(reply, "application/json", text, strlen(text));
}

static void say(rw_reply *reply, unsigned status, const char *code, const char *sentence)
{
    rw_doc *json = rw_doc_new();
    rw_doc_open(json, NULL, '{');
    rw_doc_text(json, "error", sentence);
    rw_doc_text(json, "code", code);
    rw_doc_close(json);
    rw_reply_doc(reply, &json);
    reply->status = status;
}

void rw_reply_refuse(rw_reply *reply, unsigned status, const char *sentence)
{
    say(reply, status, "refused", sentence);
}

void rw_reply_error(rw_reply *reply, GError *error)
{
    static const struct {
        rw_error_code code;
        unsigned status;
        const char *word;
    } kinds[] = {{RW_ERROR_USAGE, 400, "usage"},       {RW_ERROR_NOT_FOUND, 404, "not-found"},
                 {RW_ERROR_CONFLICT, 409, "conflict"}, {RW_ERROR_CANCELLED, 409, "cancelled"},
                 {RW_ERROR_DAMAGED, 422, "damaged"},   {RW_ERROR_NO_SPACE, 507, "no-space"},
                 {RW_ERROR_MEMORY, 503, "memory"}};
    unsigned status = 500;
    const char *word = "failed";
    for (size_t i = 0; i < G_N_ELEMENTS(kinds); i++)
        if (g_error_matches(error, RW_ERROR, (gint)kinds[i].code)) {
            status = kinds[i].status;
            word = kinds[i].word;
        }
    say(reply, status, word, error->message);
    g_error_free(error);
}

void rw_reply_file(rw_reply *reply, const rw_request *request, const char *type, int fd)
{
    struct stat info;
    rw_reply_clear(reply);
    reply->fd = fd;
    if (fstat(fd, &info) != 0 || !S_ISREG(info.st_mode)) {
        rw_reply_refuse(reply, 404, "There is no such file.");
        return;
    }
    int64_t first = 0, last = info.st_size - 1;
    bool part = rw_guard_range(request->range, info.st_size, &first, &last);
    if (!part) {
        first = 0;
        last = info.st_size - 1;
    } else if (first > last) {
        rw_reply_refuse(reply, 416, "The file is shorter than that.");
        reply->whole = info.st_size;
        return;
    }
    reply->status = part ? 206 : 200;
    reply->type = type;
    reply->offset = first;
    reply->length = last - first + 1;
    reply->whole = info.st_size;
}

const char *rw_request_query(const rw_request *request, const char *name)
{
    return request->query ? g_hash_table_lookup(request->query, name) : NULL;
}

int64_t rw_request_whole(const rw_request *request, const char *name, int64_t least, int64_t most,
                         int64_t fallback)
{
    int64_t value;
    if (!rw_guard_number(rw_request_query(request, name), &value) || value < least || value > most)
        return fallback;
    return value;
}

bool rw_request_number(const rw_request *request, const char *name, double *value)
{
    const char *text = rw_request_query(request, name);
    char *end = NULL;
    if (!text || !*text)
        return false;
    *value = g_ascii_strtod(text, &end);
    return *end == '\0' && isfinite(*value);
}
