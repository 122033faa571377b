/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <unistd.h>

#include "bench/core.h"
#include "bench/guard.h"

/* Decoded originals that are kept. */
#define STILL_MEMORY ((size_t)224 << 20)
/* Finished frames being made, and what they are made of: a quarter of the memory there is, within
 * these. */
#define FRAME_LEAST ((size_t)1 << 30)
#define FRAME_MOST  ((size_t)6 << 30)
/* Seconds; streams whose page is gone are found by it. */
#define HEARTBEAT 15

static size_t frame_memory(void)
{
    long pages = sysconf(_SC_PHYS_PAGES), page = sysconf(_SC_PAGESIZE);
    size_t all = pages > 0 && page > 0 ? (size_t)pages * (size_t)page : 0;
    return CLAMP(all / 4, FRAME_LEAST, FRAME_MOST);
}

static void on_reel_changed(const char *name, void *data)
{
    rw_bench *bench = data;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "reel", name);
    rw_doc_close(j);
    g_autofree char *text = rw_doc_take(&j);
    rw_events_send(bench->events, "reel", text);
}

static void on_job_ended(const char *kind, const char *reel, void *data)
{
    rw_bench *bench = data;
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "reel", reel);
    rw_doc_text(j, "kind", kind);
    rw_doc_close(j);
    g_autofree char *text = rw_doc_take(&j);
    rw_events_send(bench->events, "worked", text);
}

static bool start_parts(rw_bench *bench, const rw_bench_options *options, GError **error)
{
    bench->shelf = rw_shelf_new(options->shelf, error);
    bench->page = bench->shelf ? rw_page_new(options->web, error) : NULL;
    bench->token = bench->page ? rw_guard_token_new(error) : NULL;
    if (!bench->token)
        return false;
    bench->events = rw_events_new();
    bench->sources = rw_sources_new(options->shelf, options->cards);
    bench->jobs = rw_jobs_new(options->program, bench->events);
    rw_jobs_on_end(bench->jobs, on_job_ended, bench);
    bench->pictures = rw_pictures_new(bench->shelf, STILL_MEMORY);
    bench->frames = rw_frames_new(bench->shelf, frame_memory());
    const rw_server_config config = {.port = options->port,
                                     .token = bench->token,
                                     .routes = rw_bench_routes,
                                     .page = bench->page,
                                     .events = bench->events,
                                     .user = bench};
    bench->server = rw_server_new(&config, error);
    return bench->server != NULL;
}

rw_bench *rw_bench_new(const rw_bench_options *options, GError **error)
{
    rw_bench *bench = g_new0(rw_bench, 1);
    if (!start_parts(bench, options, error)) {
        rw_bench_free(&bench);
        return NULL;
    }
    bench->address =
        g_strdup_printf("http://127.0.0.1:%d/%s/", rw_server_port(bench->server), bench->token);
    return bench;
}

const char *rw_bench_address(const rw_bench *bench)
{
    return bench->address;
}

typedef struct loop {
    rw_bench *bench;
    const atomic_bool *cancel;
    GMainLoop *main;
    unsigned seconds;
} loop;

static gboolean look_for_end(gpointer data)
{
    loop *l = data;
    if (l->cancel && atomic_load(l->cancel))
        g_main_loop_quit(l->main);
    return G_SOURCE_CONTINUE;
}

static gboolean every_second(gpointer data)
{
    loop *l = data;
    rw_shelf_tick(l->bench->shelf, on_reel_changed, l->bench);
    if (++l->seconds % HEARTBEAT == 0)
        rw_events_send(l->bench->events, "beat", "{}");
    return G_SOURCE_CONTINUE;
}

bool rw_bench_run(rw_bench *bench, const atomic_bool *cancel, GError **error)
{
    (void)error;
    loop l = {bench, cancel, g_main_loop_new(NULL, FALSE), 0};
    guint fast = g_timeout_add(100, look_for_end, &l), slow = g_timeout_add(1000, every_second, &l);
    g_main_loop_run(l.main);
    g_source_remove(fast);
    g_source_remove(slow);
    g_main_loop_unref(l.main);
    return true;
}

void rw_bench_free(rw_bench **pointer)
{
    rw_bench *bench = *pointer;
    if (!bench)
        return;
    rw_server_free(&bench->server); /* no handler runs any more */
    if (bench->jobs)
        rw_jobs_free(&bench->jobs);
    rw_frames_free(&bench->frames);
    rw_pictures_free(&bench->pictures);
    rw_sources_free(&bench->sources);
    rw_page_free(&bench->page);
    rw_events_free(&bench->events);
    rw_shelf_free(&bench->shelf);
    g_free(bench->token);
    g_free(bench->address);
    g_clear_pointer(pointer, g_free);
}
