/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <signal.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <gio/gio.h>

#include "base/child.h"
#include "base/progress.h"
#include "bench/jobs.h"

#define MAX_KEPT    60
#define MAX_WAITING 200
#define MAX_TEXT    65536
#define NICENESS    5  /* the page's own pictures come first */
#define LAST_GRACE  10 /* seconds from SIGTERM to SIGKILL */

typedef enum job_state { WAITING, RUNNING, DONE, FAILED, STOPPED } job_state;
static const char *const state_names[] = {"waiting", "running", "done", "failed", "stopped"};

typedef struct job {
    rw_jobs *jobs;
    int64_t number;
    char *kind, *reel, *key, *scratch, **arguments;
    job_state state;
    bool stop_asked;
    rw_progress_line progress;
    int64_t start_us, end_us;
    GString *message; /* what it said on stderr, last lines */
    GString *result;  /* on stdout */
    /* of the main context only */
    GSubprocess *process;
    GDataInputStream *lines;
    GInputStream *output;
    char block[4096];
    int open; /* streams and the process itself that have not ended */
    int status;
    guint kill_timer;
} job;

struct rw_jobs {
    char *program;
    rw_events *events;
    GMutex lock; /* of all below and of every job's plain fields */
    GQueue list; /* job, in the order of starting */
    int64_t last_number;
    bool closing;
    void (*ended)(const char *kind, const char *reel, void *data);
    void *ended_data;
};

static void pump(rw_jobs *jobs);

/* ---- one job ---- */

static void job_free(job *j)
{
    g_free(j->kind);
    g_free(j->reel);
    g_free(j->key);
    g_free(j->scratch);
    g_strfreev(j->arguments);
    rw_progress_line_clear(&j->progress);
    g_string_free(j->message, TRUE);
    g_string_free(j->result, TRUE);
    g_clear_object(&j->process);
    g_clear_object(&j->lines);
    g_clear_object(&j->output);
    g_free(j);
}

static bool is_over(const job *j)
{
    return j->state >= DONE;
}

static void write_job(rw_doc *json, const job *j)
{
    int64_t now = is_over(j) ? j->end_us : g_get_monotonic_time();
    rw_doc_open(json, NULL, '{');
    rw_doc_whole(json, "number", j->number);
    rw_doc_text(json, "kind", j->kind);
    rw_doc_text(json, "reel", j->reel);
    rw_doc_text(json, "key", j->key);
    rw_doc_text(json, "state", state_names[j->state]);
    rw_doc_text(json, "what", j->progress.what);
    rw_doc_text(json, "units", j->progress.units);
    rw_doc_whole(json, "done", j->progress.done);
    rw_doc_whole(json, "total", j->progress.total);
    rw_doc_number(json, "seconds", j->start_us ? (double)(now - j->start_us) * 1e-6 : 0);
    rw_doc_text(json, "message", j->message->len ? j->message->str : NULL);
    rw_doc_text(json, "result", j->result->len ? j->result->str : NULL);
    rw_doc_close(json);
}

/* With the lock held. */
static void tell(job *j)
{
    rw_doc *json = rw_doc_new();
    rw_doc_open(json, NULL, '[');
    write_job(json, j);
    rw_doc_close(json);
    g_autofree char *text = rw_doc_take(&json);
    rw_events_send(j->jobs->events, "job", text);
}

static void add_text(GString *to, const char *text, size_t bytes)
{
    g_string_append_len(to, text, (gssize)MIN(bytes, MAX_TEXT));
    if (to->len > MAX_TEXT)
        g_string_erase(to, 0, (gssize)(to->len - MAX_TEXT));
}

static void weigh_scratch(job *j)
{
    struct stat info;
    if (!j->scratch || lstat(j->scratch, &info) != 0)
        return;
    g_string_append_printf(j->result, "bytes %" G_GINT64_FORMAT "\n", (gint64)info.st_size);
    unlink(j->scratch);
}

/* A stream or the process came to its end; the last one closes the job. */
static void part_ended(job *j)
{
    if (--j->open > 0)
        return;
    rw_jobs *jobs = j->jobs;
    g_autofree char *kind = g_strdup(j->kind), *reel = g_strdup(j->reel);
    if (j->kill_timer)
        g_source_remove(j->kill_timer);
    j->kill_timer = 0;
    g_mutex_lock(&jobs->lock);
    j->state = j->status == 0 ? DONE : j->stop_asked ? STOPPED : FAILED;
    j->end_us = g_get_monotonic_time();
    weigh_scratch(j);
    tell(j);
    g_mutex_unlock(&jobs->lock); /* from here on it may be forgotten */
    if (jobs->ended)
        jobs->ended(kind, reel, jobs->ended_data);
    pump(jobs);
}

static void on_line(GObject *source, GAsyncResult *result, gpointer data)
{
    job *j = data;
    gsize bytes = 0;
    g_autofree char *line =
        g_data_input_stream_read_line_finish(G_DATA_INPUT_STREAM(source), result, &bytes, NULL);
    if (!line) {
        part_ended(j);
        return;
    }
    g_mutex_lock(&j->jobs->lock);
    if (!rw_progress_read(line, &j->progress)) {
        if (j->message->len)
            g_string_append_c(j->message, '\n');
        add_text(j->message, line, bytes);
    }
    tell(j);
    g_mutex_unlock(&j->jobs->lock);
    g_data_input_stream_read_line_async(j->lines, G_PRIORITY_DEFAULT, NULL, on_line, j);
}

static void on_output(GObject *source, GAsyncResult *result, gpointer data)
{
    job *j = data;
    gssize bytes = g_input_stream_read_finish(G_INPUT_STREAM(source), result, NULL);
    if (bytes <= 0) {
        part_ended(j);
        return;
    }
    g_mutex_lock(&j->jobs->lock);
    add_text(j->result, j->block, (size_t)bytes);
    g_mutex_unlock(&j->jobs->lock);
    g_input_stream_read_async(j->output, j->block, sizeof j->block, G_PRIORITY_DEFAULT, NULL,
                              on_output, j);
}

static void on_exit_status(GObject *source, GAsyncResult *result, gpointer data)
{
    job *j = data;
    bool waited = g_subprocess_wait_finish(G_SUBPROCESS(source), result, NULL);
    j->status = waited && g_subprocess_get_if_exited(j->process)
                    ? g_subprocess_get_exit_status(j->process)
                    : -1;
    part_ended(j);
}

static void run(job *j)
{
    g_autoptr(GError) error = NULL;
    j->process = rw_child_start(j->jobs->program, (const char *const *)j->arguments,
                                G_SUBPROCESS_FLAGS_STDOUT_PIPE | G_SUBPROCESS_FLAGS_STDERR_PIPE,
                                NICENESS, &error);
    g_mutex_lock(&j->jobs->lock);
    j->start_us = g_get_monotonic_time();
    j->state = j->process ? RUNNING : FAILED;
    if (!j->process) {
        j->end_us = j->start_us;
        g_string_assign(j->message, error->message);
    }
    tell(j);
    g_mutex_unlock(&j->jobs->lock);
    if (!j->process)
        return;
    j->open = 3;
    j->lines = g_data_input_stream_new(g_subprocess_get_stderr_pipe(j->process));
    j->output = g_object_ref(g_subprocess_get_stdout_pipe(j->process));
    g_subprocess_wait_async(j->process, NULL, on_exit_status, j);
    g_data_input_stream_read_line_async(j->lines, G_PRIORITY_DEFAULT, NULL, on_line, j);
    g_input_stream_read_async(j->output, j->block, sizeof j->block, G_PRIORITY_DEFAULT, NULL,
                              on_output, j);
}

/* ---- the list ---- */

/* With the lock held. */
static bool any_running(const rw_jobs *jobs)
{
    for (const GList *l = jobs->list.head; l; l = l->next)
        if (((const job *)l->data)->state == RUNNING)
            return true;
    return false;
}

/* The first that waits, marked as running; NULL while another one runs. */
static job *take_waiting(rw_jobs *jobs)
{
    job *taken = NULL;
    g_mutex_lock(&jobs->lock);
    GList *l = jobs->closing || any_running(jobs) ? NULL : jobs->list.head;
    for (; l && !taken; l = l->next)
        if (((job *)l->data)->state == WAITING)
            taken = l->data;
    if (taken)
        taken->state = RUNNING;
    g_mutex_unlock(&jobs->lock);
    return taken;
}

/* On the main context. A job that does not even start lets the next one have its turn. */
static void pump(rw_jobs *jobs)
{
    for (job *j; (j = take_waiting(jobs));)
        run(j);
}

static gboolean pump_soon(gpointer jobs)
{
    pump(jobs);
    return G_SOURCE_REMOVE;
}

static gboolean kill_late(gpointer data)
{
    job *j = data;
    j->kill_timer = 0;
    g_subprocess_force_exit(j->process);
    return G_SOURCE_REMOVE;
}

/* On the main context. */
static void end_process(job *j)
{
    if (!j->process || is_over(j))
        return;
    g_subprocess_send_signal(j->process, SIGTERM);
    if (!j->kill_timer)
        j->kill_timer = g_timeout_add_seconds(LAST_GRACE, kill_late, j);
}

static gboolean end_asked(gpointer data)
{
    rw_jobs *jobs = data;
    g_mutex_lock(&jobs->lock);
    for (GList *l = jobs->list.head; l; l = l->next) {
        job *j = l->data;
        if (j->stop_asked)
            end_process(j);
    }
    g_mutex_unlock(&jobs->lock);
    return G_SOURCE_REMOVE;
}

rw_jobs *rw_jobs_new(const char *program, rw_events *events)
{
    rw_jobs *jobs = g_new0(rw_jobs, 1);
    jobs->program = g_strdup(program);
    jobs->events = events;
    g_mutex_init(&jobs->lock);
    g_queue_init(&jobs->list);
    return jobs;
}

static bool still_running(rw_jobs *jobs)
{
    g_mutex_lock(&jobs->lock);
    bool running = any_running(jobs);
    g_mutex_unlock(&jobs->lock);
    return running;
}

void rw_jobs_free(rw_jobs **jobs)
{
    rw_jobs *s = *jobs;
    if (!s)
        return;
    g_mutex_lock(&s->lock);
    s->closing = true;
    for (GList *l = s->list.head; l; l = l->next)
        ((job *)l->data)->stop_asked = true;
    g_mutex_unlock(&s->lock);
    end_asked(s);
    while (still_running(s))
        g_main_context_iteration(NULL, TRUE);
    while (g_source_remove_by_user_data(s)) { /* pumps that are still to come */
    }
    g_queue_clear_full(&s->list, (GDestroyNotify)job_free);
    g_mutex_clear(&s->lock);
    g_free(s->program);
    g_clear_pointer(jobs, g_free);
}

static job *find_same(rw_jobs *jobs, const rw_job_order *order)
{
    for (GList *l = jobs->list.head; l; l = l->next) {
        job *j = l->data;
        if (!is_over(j) && !j->stop_asked && g_str_equal(j->kind, order->kind) &&
            g_str_equal(j->reel, order->reel) && g_strcmp0(j->key, order->key) == 0)
            return j;
    }
    return NULL;
}

static void drop_oldest(rw_jobs *jobs)
{
    for (GList *l = jobs->list.head; l && jobs->list.length > MAX_KEPT;) {
        GList *next = l->next;
        if (is_over(l->data)) {
            job_free(l->data);
            g_queue_delete_link(&jobs->list, l);
        }
        l = next;
    }
}

static job *add_job(rw_jobs *jobs, const rw_job_order *order)
{
    job *j = g_new0(job, 1);
    j->jobs = jobs;
    j->number = ++jobs->last_number;
    j->kind = g_strdup(order->kind);
    j->reel = g_strdup(order->reel);
    j->key = g_strdup(order->key);
    j->scratch = g_strdup(order->scratch);
    j->arguments = g_strdupv((char **)(void *)order->arguments);
    j->message = g_string_new(NULL);
    j->result = g_string_new(NULL);
    if (order->first)
        g_queue_push_head(&jobs->list, j);
    else
        g_queue_push_tail(&jobs->list, j);
    return j;
}

int64_t rw_jobs_start(rw_jobs *jobs, const rw_job_order *order, GError **error)
{
    int64_t number = 0;
    g_mutex_lock(&jobs->lock);
    drop_oldest(jobs);
    job *same = find_same(jobs, order);
    if (!jobs->program || jobs->closing) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "This bench starts no work.");
    } else if (same) {
        number = same->number;
    } else if (jobs->list.length >= MAX_WAITING) {
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "There are %d jobs waiting; let some of them end first.", MAX_WAITING);
    } else {
        job *j = add_job(jobs, order);
        number = j->number;
        tell(j);
        g_idle_add(pump_soon, jobs);
    }
    g_mutex_unlock(&jobs->lock);
    return number;
}

bool rw_jobs_stop(rw_jobs *jobs, int64_t number)
{
    bool found = false;
    g_mutex_lock(&jobs->lock);
    for (GList *l = jobs->list.head; l && !found; l = l->next) {
        job *j = l->data;
        if (j->number != number || is_over(j))
            continue;
        found = j->stop_asked = true;
        if (j->state == WAITING) {
            j->state = STOPPED;
            j->end_us = g_get_monotonic_time();
            tell(j);
        } else {
            g_idle_add(end_asked, jobs);
        }
    }
    g_mutex_unlock(&jobs->lock);
    return found;
}

void rw_jobs_forget(rw_jobs *jobs)
{
    g_mutex_lock(&jobs->lock);
    for (GList *l = jobs->list.head; l;) {
        GList *next = l->next;
        if (is_over(l->data)) {
            job_free(l->data);
            g_queue_delete_link(&jobs->list, l);
        }
        l = next;
    }
    g_mutex_unlock(&jobs->lock);
}

void rw_jobs_write(rw_jobs *jobs, rw_doc *json, const char *key)
{
    rw_doc_open(json, key, '[');
    g_mutex_lock(&jobs->lock);
    for (GList *l = jobs->list.head; l; l = l->next)
        write_job(json, l->data);
    g_mutex_unlock(&jobs->lock);
    rw_doc_close(json);
}

void rw_jobs_on_end(rw_jobs *jobs, void (*ended)(const char *kind, const char *reel, void *data),
                    void *data)
{
    jobs->ended = ended;
    jobs->ended_data = data;
}
