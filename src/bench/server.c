/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <arpa/inet.h>
#include <errno.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include <microhttpd.h>

#include "bench/guard.h"
#include "bench/server.h"

#define USUAL_PORT        7318
#define MAX_CONNECTIONS   400
#define CONNECTION_MEMORY 24576 /* bytes: request line and headers, and what is being sent */
#define IDLE_SECONDS      20
#define MAX_BODY          65536
#define MAX_QUERY         24
#define MAX_QUEUED        192 /* requests that wait for a worker */
#define WORKERS           2   /* of what is quick */
#define PICTURE_WORKERS                                                                            \
    4 /* two more than frames are made at once: what is not wanted any more is told so */
#define STREAM_BLOCK 4096

struct rw_server {
    rw_server_config config;
    int port;
    struct MHD_Daemon *daemon;
    GMutex lock;
    bool closing; /* guarded: after it is set nothing is pushed to the pools */
    GThreadPool *quick, *pictures;
};

typedef struct exchange {
    rw_server *server;
    struct MHD_Connection *connection;
    const rw_route *route; /* NULL: the page's files or events */
    char **parts;          /* of the path, the token first */
    GByteArray *body;
    rw_request request;
    rw_reply reply;
} exchange;

/* ---- sending ---- */

static const char policy[] =
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "media-src 'self'; connect-src 'self'; font-src 'none'; object-src 'none'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; "
    "trusted-types 'none'";

static void add_safety(struct MHD_Response *response)
{
    static const char *const headers[][2] = {
        {"Content-Security-Policy", policy},
        {"X-Content-Type-Options", "nosniff"},
        {"X-Frame-Options", "DENY"},
        {"Referrer-Policy", "no-referrer"}, /* the address holds the token */
        {"Cross-Origin-Resource-Policy", "same-origin"},
        {"Cross-Origin-Opener-Policy", "same-origin"},
        {"Permissions-Policy", "camera=(), microphone=(), geolocation=(), usb=()"}};
    for (size_t i = 0; i < G_N_ELEMENTS(headers); i++)
        MHD_add_response_header(response, headers[i][0], headers[i][1]);
}

static void free_bytes(void *bytes)
{
    g_bytes_unref(bytes);
}

static struct MHD_Response *response_from(rw_reply *reply)
{
    struct MHD_Response *response;
    if (reply->fd >= 0) {
        response = MHD_create_response_from_fd_at_offset64((uint64_t)reply->length, reply->fd,
                                                           (uint64_t)reply->offset);
        if (response)
            reply->fd = -1; /* it is the response's now */
    } else {
        gsize bytes = 0;
        const void *data = reply->bytes ? g_bytes_get_data(reply->bytes, &bytes) : "";
        response = MHD_create_response_from_buffer_with_free_callback_cls(
            bytes, (void *)(bytes ? data : ""), free_bytes,
            reply->bytes ? reply->bytes : g_bytes_new_static("", 0));
        if (response)
            reply->bytes = NULL;
    }
    return response;
}

static void add_headers(struct MHD_Response *response, const rw_reply *reply)
{
    add_safety(response);
    MHD_add_response_header(response, "Cache-Control",
                            reply->caching ? reply->caching : "no-store");
    if (reply->type)
        MHD_add_response_header(response, "Content-Type", reply->type);
    if (reply->etag)
        MHD_add_response_header(response, "ETag", reply->etag);
    if (reply->location)
        MHD_add_response_header(response, "Location", reply->location);
    if (reply->status == 405)
        MHD_add_response_header(response, "Allow", "GET, HEAD, POST");
    if (reply->filename) {
        g_autofree char *name = g_uri_escape_string(reply->filename, NULL, FALSE);
        g_autofree char *value = g_strdup_printf("attachment; filename*=UTF-8''%s", name);
        MHD_add_response_header(response, "Content-Disposition", value);
    }
    if (reply->status == 200 && reply->whole)
        MHD_add_response_header(response, "Accept-Ranges", "bytes");
    if (reply->status == 206 || reply->status == 416) {
        g_autofree char *range =
            reply->status == 206
                ? g_strdup_printf("bytes %" G_GINT64_FORMAT "-%" G_GINT64_FORMAT
                                  "/%" G_GINT64_FORMAT,
                                  reply->offset, reply->offset + reply->length - 1, reply->whole)
                : g_strdup_printf("bytes */%" G_GINT64_FORMAT, reply->whole);
        MHD_add_response_header(response, "Content-Range", range);
    }
}

static enum MHD_Result send_reply(struct MHD_Connection *connection, rw_reply *reply)
{
    struct MHD_Response *response = response_from(reply);
    if (!response)
        return MHD_NO;
    add_headers(response, reply);
    enum MHD_Result result = MHD_queue_response(connection, reply->status, response);
    MHD_destroy_response(response);
    return result;
}

static enum MHD_Result refuse(struct MHD_Connection *connection, unsigned status,
                              const char *sentence)
{
    rw_reply reply = RW_REPLY_INIT;
    rw_reply_refuse(&reply, status, sentence);
    enum MHD_Result result = send_reply(connection, &reply);
    rw_reply_clear(&reply);
    return result;
}

/* ---- events: a reply without an end ---- */

typedef struct stream {
    struct MHD_Connection *connection;
    rw_listener *listener;
} stream;

static void wake_stream(void *data)
{
    MHD_resume_connection(((stream *)data)->connection);
}

static void sleep_stream(void *data)
{
    MHD_suspend_connection(((stream *)data)->connection);
}

static ssize_t read_stream(void *data, uint64_t offset, char *buffer, size_t size)
{
    (void)offset;
    ssize_t n = rw_events_read(((stream *)data)->listener, buffer, size, sleep_stream);
    return n < 0 ? MHD_CONTENT_READER_END_OF_STREAM : n;
}

static void end_stream(void *data)
{
    stream *s = data;
    if (s->listener)
        rw_events_leave(s->listener);
    g_free(s);
}

static enum MHD_Result start_stream(rw_server *server, struct MHD_Connection *connection)
{
    stream *s = g_new0(stream, 1);
    s->connection = connection;
    s->listener = rw_events_listen(server->config.events, wake_stream, s);
    if (!s->listener) {
        g_free(s);
        return refuse(connection, 503, "Too many pages are open.");
    }
    struct MHD_Response *response = MHD_create_response_from_callback(
        MHD_SIZE_UNKNOWN, STREAM_BLOCK, read_stream, s, end_stream);
    rw_reply look = {.status = 200, .type = "text/event-stream", .fd = -1};
    add_headers(response, &look);
    enum MHD_Result result = MHD_queue_response(connection, 200, response);
    MHD_destroy_response(response);
    return result;
}

/* ---- reading and checking ---- */

static const char *header(struct MHD_Connection *connection, const char *name)
{
    return MHD_lookup_connection_value(connection, MHD_HEADER_KIND, name);
}

static enum MHD_Result add_query(void *cls, enum MHD_ValueKind kind, const char *key,
                                 const char *value)
{
    (void)kind;
    exchange *x = cls;
    char *name = g_uri_unescape_string(key, NULL);
    char *text = value ? g_uri_unescape_string(value, NULL) : NULL;
    if (name && text && g_hash_table_size(x->request.query) < MAX_QUERY) {
        g_hash_table_insert(x->request.query, name, text);
        return MHD_YES;
    }
    g_free(name);
    g_free(text);
    return MHD_NO;
}

/* Fills the variable parts. parts: behind the token. */
static bool matches(const rw_route *route, bool post, char **parts, const char **variable)
{
    if (post != g_str_equal(route->method, "POST"))
        return false;
    g_auto(GStrv) pattern = g_strsplit(route->pattern, "/", -1);
    guint n = 0;
    if (g_strv_length(pattern) != g_strv_length(parts))
        return false;
    for (guint i = 0; pattern[i]; i++) {
        if (g_str_equal(pattern[i], "*"))
            variable[n++] = parts[i];
        else if (!g_str_equal(pattern[i], parts[i]))
            return false;
    }
    return true;
}

static const rw_route *find_route(const rw_server *server, bool post, char **parts,
                                  const char **variable)
{
    for (const rw_route *r = server->config.routes; r->method; r++)
        if (matches(r, post, parts, variable))
            return r;
    return NULL;
}

static bool is_json(struct MHD_Connection *connection)
{
    const char *type = header(connection, MHD_HTTP_HEADER_CONTENT_TYPE);
    return type && (g_ascii_strcasecmp(type, "application/json") == 0 ||
                    g_ascii_strncasecmp(type, "application/json;", 17) == 0);
}

static exchange *exchange_new(rw_server *server, struct MHD_Connection *connection, bool post,
                              char **parts)
{
    exchange *x = g_new0(exchange, 1);
    x->server = server;
    x->connection = connection;
    x->parts = parts;
    x->reply = (rw_reply)RW_REPLY_INIT;
    x->body = g_byte_array_new();
    x->request.post = post;
    x->request.query = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    x->request.range = header(connection, MHD_HTTP_HEADER_RANGE);
    x->request.etag = header(connection, MHD_HTTP_HEADER_IF_NONE_MATCH);
    MHD_get_connection_values(connection, MHD_GET_ARGUMENT_KIND, add_query, x);
    return x;
}

static size_t longest_body(const exchange *x)
{
    return x->route && x->route->longest ? x->route->longest : MAX_BODY;
}

static void exchange_free(exchange *x)
{
    g_hash_table_unref(x->request.query);
    g_byte_array_unref(x->body);
    g_strfreev(x->parts);
    rw_reply_clear(&x->reply);
    g_free(x);
}

/* The first call for a request: only its line and headers are known. What is refused here is not
 * read any further. */
static enum MHD_Result begin(rw_server *server, struct MHD_Connection *connection, const char *url,
                             const char *method, void **state)
{
    const char *length = header(connection, MHD_HTTP_HEADER_CONTENT_LENGTH);
    int64_t announced = 0;
    if (!rw_guard_host(header(connection, MHD_HTTP_HEADER_HOST), server->port))
        return refuse(connection, 421, "This address is not served here.");
    if (!rw_guard_origin(header(connection, MHD_HTTP_HEADER_ORIGIN), server->port))
        return refuse(connection, 403, "Another site may not ask this.");
    bool post = g_str_equal(method, "POST");
    if (!post && !g_str_equal(method, "GET") && !g_str_equal(method, "HEAD"))
        return refuse(connection, 405, "There is no such method here.");
    char **parts = rw_guard_split(url);
    if (!parts || !rw_guard_token(parts[0], server->config.token)) {
        g_strfreev(parts);
        return refuse(connection, 403, "Open the address that the bench printed when it started.");
    }
    bool counted = !length || rw_guard_number(length, &announced);
    if (post && !is_json(connection)) {
        g_strfreev(parts);
        return refuse(connection, 415, "Requests are JSON.");
    }
    exchange *x = exchange_new(server, connection, post, parts);
    x->route = find_route(server, post, parts + 1, x->request.part);
    if (!counted || (size_t)announced > longest_body(x)) {
        exchange_free(x);
        return refuse(connection, 413, "The request is too long.");
    }
    *state = x;
    return MHD_YES;
}

/* ---- work ---- */

static void work(gpointer data, gpointer user)
{
    (void)user;
    exchange *x = data;
    x->request.body = (const char *)x->body->data;
    x->request.body_bytes = x->body->len;
    x->route->handler(x->server->config.user, &x->request, &x->reply);
    if (!x->reply.status)
        rw_reply_refuse(&x->reply, 500, "There was no answer.");
    MHD_resume_connection(x->connection); /* x is the server thread's again */
}

static enum MHD_Result answer_own(exchange *x)
{
    char **parts = x->parts + 1;
    if (!x->request.post && parts[0] && g_str_equal(parts[0], "api")) {
        if (parts[1] && g_str_equal(parts[1], "events") && !parts[2])
            return start_stream(x->server, x->connection);
        rw_reply_refuse(&x->reply, 404, "There is nothing here.");
    } else if (x->request.post) {
        rw_reply_refuse(&x->reply, 404, "There is nothing here.");
    } else if (!parts[0]) { /* the page's addresses are relative to ".../TOKEN/" */
        rw_reply_refuse(&x->reply, 308, "The page is one slash on.");
        x->reply.location = g_strdup_printf("/%s/", x->server->config.token);
    } else {
        g_autofree char *path = g_strjoinv("/", parts);
        rw_page_serve(x->server->config.page, &x->request, path, &x->reply);
    }
    return send_reply(x->connection, &x->reply);
}

static enum MHD_Result hand_over(exchange *x)
{
    rw_server *server = x->server;
    g_mutex_lock(&server->lock);
    GThreadPool *pool = x->route->picture ? server->pictures : server->quick;
    bool room = !server->closing && g_thread_pool_unprocessed(pool) < MAX_QUEUED;
    if (room) {
        MHD_suspend_connection(x->connection);
        g_thread_pool_push(pool, x, NULL);
    }
    g_mutex_unlock(&server->lock);
    return room ? MHD_YES : refuse(x->connection, 503, "Too much is asked at once; ask again.");
}

static enum MHD_Result on_request(void *cls, struct MHD_Connection *connection, const char *url,
                                  const char *method, const char *version, const char *upload,
                                  size_t *upload_size, void **state)
{
    (void)version;
    exchange *x = *state;
    if (!x)
        return begin(cls, connection, url, method, state);
    if (*upload_size) {
        if (x->body->len + *upload_size > longest_body(x))
            return MHD_NO; /* it did not say its length, and goes on: cut it off */
        g_byte_array_append(x->body, (const guint8 *)upload, (guint)*upload_size);
        *upload_size = 0;
        return MHD_YES;
    }
    if (x->reply.status) /* back from a worker */
        return send_reply(connection, &x->reply);
    return x->route ? hand_over(x) : answer_own(x);
}

static void on_completed(void *cls, struct MHD_Connection *connection, void **state,
                         enum MHD_RequestTerminationCode why)
{
    (void)cls;
    (void)connection;
    (void)why;
    if (*state)
        exchange_free(*state);
    *state = NULL;
}

/* Paths are split before they are decoded: guard.c does both. */
static size_t leave_escaped(void *cls, struct MHD_Connection *connection, char *text)
{
    (void)cls;
    (void)connection;
    return strlen(text);
}

/* ---- start and end ---- */

static int try_listen(int port, int *chosen)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    int on = 1;
    struct sockaddr_in address = {.sin_family = AF_INET,
                                  .sin_port = htons((uint16_t)port),
                                  .sin_addr = {htonl(INADDR_LOOPBACK)}};
    socklen_t size = sizeof address;
    if (fd < 0)
        return -1;
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    if (bind(fd, (struct sockaddr *)&address, sizeof address) == 0 && listen(fd, 256) == 0 &&
        getsockname(fd, (struct sockaddr *)&address, &size) == 0) {
        *chosen = ntohs(address.sin_port);
        return fd;
    }
    int saved = errno;
    close(fd);
    errno = saved;
    return -1;
}

static int listen_on(int port, int *chosen, GError **error)
{
    int fd = try_listen(port < 0 ? USUAL_PORT : port, chosen);
    if (fd < 0 && port < 0)
        fd = try_listen(0, chosen);
    if (fd < 0)
        rw_error_from_errno(error, errno, "Cannot listen on port %d", MAX(port, 0));
    return fd;
}

rw_server *rw_server_new(const rw_server_config *config, GError **error)
{
    int port = 0, fd = listen_on(config->port, &port, error);
    if (fd < 0)
        return NULL;
    rw_server *server = g_new0(rw_server, 1);
    server->config = *config;
    server->port = port;
    g_mutex_init(&server->lock);
    server->quick = g_thread_pool_new(work, NULL, WORKERS, TRUE, NULL);
    server->pictures = g_thread_pool_new(work, NULL, PICTURE_WORKERS, TRUE, NULL);
    server->daemon = MHD_start_daemon(
        MHD_USE_EPOLL_INTERNAL_THREAD | MHD_ALLOW_SUSPEND_RESUME, (uint16_t)port, NULL, NULL,
        on_request, server, MHD_OPTION_LISTEN_SOCKET, fd, MHD_OPTION_NOTIFY_COMPLETED, on_completed,
        server, MHD_OPTION_CONNECTION_LIMIT, (unsigned)MAX_CONNECTIONS,
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)CONNECTION_MEMORY,
        MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)IDLE_SECONDS, MHD_OPTION_STRICT_FOR_CLIENT, 1,
        MHD_OPTION_UNESCAPE_CALLBACK, leave_escaped, NULL, MHD_OPTION_END);
    if (!server->daemon) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "The web server does not start on port %d.",
                    port);
        close(fd);
        rw_server_free(&server);
    }
    return server;
}

int rw_server_port(const rw_server *server)
{
    return server->port;
}

void rw_server_free(rw_server **server)
{
    rw_server *s = *server;
    if (!s)
        return;
    rw_events_close(s->config.events);
    if (s->daemon) {
        MHD_socket listening = MHD_quiesce_daemon(s->daemon); /* nothing new comes in */
        if (listening != MHD_INVALID_SOCKET)
            close(listening);
    }
    g_mutex_lock(&s->lock);
    s->closing = true;
    g_mutex_unlock(&s->lock);
    g_thread_pool_free(s->quick, FALSE, TRUE);
    g_thread_pool_free(s->pictures, FALSE, TRUE);
    if (s->daemon)
        MHD_stop_daemon(s->daemon);
    g_mutex_clear(&s->lock);
    g_clear_pointer(server, g_free);
}
