/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Does watch keep up with a camera, and how late does it warn?
 *
 *     perf-watch [--quick] [--rate STILLS_PER_S] [--threads N] [FOLDER]
 *
 * Stills of 24 megapixels (--quick: 6) arrive in a folder at a steady rate, 3 a second unless told
 * otherwise, each written in pieces as a tethered camera does. Film frame 12 was not taken, frame
 * 18 taken twice, and the film moved during frame 24. FOLDER keeps the card that is made. How late
 * a still is told is counted in stills that had arrived by then.
 */
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <reelwright/demo.h>
#include <reelwright/still.h>
#include <reelwright/survey.h>

#include "base/cpu.h"

#include "figures.h"

enum { FRAMES = 40, MOST = 2 * FRAMES };

typedef struct feed {
    GPtrArray *from; /* paths of the card's stills, in order */
    const char *to;
    double rate, begin;
    double arrived[MOST]; /* when still i was whole, 0 not yet */
    GMutex lock;
} feed;

typedef struct meter {
    feed *feed;
    size_t told;
    double late_s[MOST];
    int late_stills[MOST];
} meter;

/* ---- the camera ---- */

static void copy_in_pieces(const char *from, const char *to)
{
    g_autofree char *data = NULL;
    gsize bytes = 0, done = 0;
    g_autoptr(GError) error = NULL;
    if (!g_file_get_contents(from, &data, &bytes, &error))
        perf_fail(error);
    int fd = open(to, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    while (fd >= 0 && done < bytes) {
        ssize_t n = write(fd, data + done, MIN(bytes - done, bytes / 8 + 1));
        if (n <= 0)
            break;
        done += (gsize)n;
    }
    if (fd < 0 || done < bytes) {
        g_printerr("perf-watch: %s cannot be written\n", to);
        _exit(1);
    }
    close(fd);
}

static gpointer shoot(gpointer data)
{
    feed *f = data;
    for (guint i = 0; i < f->from->len; i++) {
        double wait = f->begin + i / f->rate - perf_now();
        if (wait > 0)
            g_usleep((gulong)(wait * 1e6));
        const char *from = g_ptr_array_index(f->from, i);
        g_autofree char *name = g_path_get_basename(from);
        g_autofree char *to = g_build_filename(f->to, name, NULL);
        copy_in_pieces(from, to);
        g_mutex_lock(&f->lock);
        f->arrived[i] = perf_now();
        g_mutex_unlock(&f->lock);
    }
    return NULL;
}

static int count_arrived(feed *f)
{
    int n = 0;
    g_mutex_lock(&f->lock);
    while (n < MOST && f->arrived[n] > 0)
        n++;
    g_mutex_unlock(&f->lock);
    return n;
}

/* ---- the watcher ---- */

static void on_event(const rw_watch_event *e, void *user)
{
    meter *m = user;
    int arrived = count_arrived(m->feed);
    if (e->type == RW_WATCH_STILL && m->told < MOST) {
        m->late_s[m->told] = perf_now() - m->feed->arrived[e->n];
        m->late_stills[m->told++] = arrived - 1 - (int)e->n;
    } else if (e->type == RW_WATCH_WARNING) {
        g_print("  %-15s began with still %2" G_GINT64_FORMAT
                ", told after still %2" G_GINT64_FORMAT
                " was measured, %d had arrived: %d stills late\n",
                e->kind, e->first + 1, e->n + 1, arrived, arrived - 1 - (int)e->first);
    }
}

/* ---- the card ---- */

static void make_card(const char *made, bool quick)
{
    g_autoptr(GError) error = NULL;
    static const char *const settings[] = {"missing.count=0", "missing.at=12", "doubled.count=0",
                                           "doubled.at=18",   "smear.count=0", "smear.at=24",
                                           "smear.travel=0.1"};
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find("super8"));
    o->frames = FRAMES;
    o->width = quick ? 3000 : 6000;
    o->height = quick ? 2000 : 4000;
    o->seed = 5;
    for (size_t i = 0; i < G_N_ELEMENTS(settings); i++)
        if (!rw_demo_options_set(o, settings[i], &error))
            perf_fail(error);
    if (!rw_demo_options_off(o, "hair", &error) || !rw_demo_options_off(o, "damage", &error))
        perf_fail(error);
    rw_demo *demo = rw_demo_new(o, &error);
    if (!demo || !rw_demo_write(demo, made, rw_cpu_count(), NULL, NULL, NULL, &error))
        perf_fail(error);
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
}

static int by_name(gconstpointer a, gconstpointer b)
{
    return rw_natural_compare(*(const char *const *)a, *(const char *const *)b);
}

static void list_below(const char *folder, GPtrArray *out)
{
    g_autoptr(GDir) dir = g_dir_open(folder, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        char *path = g_build_filename(folder, name, NULL);
        if (g_file_test(path, G_FILE_TEST_IS_DIR)) {
            list_below(path, out);
            g_free(path);
        } else {
            g_ptr_array_add(out, path);
        }
    }
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void print_table(const meter *m, const feed *f, double cpu, double end)
{
    double sorted[MOST];
    int worst = 0;
    size_t settled = 0; /* the first ones wait for the basis */
    for (size_t i = 0; i < m->told; i++) {
        worst = MAX(worst, m->late_stills[i]);
        if (i >= 8)
            sorted[settled++] = m->late_s[i];
    }
    qsort(sorted, settled, sizeof *sorted, by_size);
    g_print("stills arrived at %.2f a second, told at %.2f a second\n",
            (f->from->len - 1) / (f->arrived[f->from->len - 1] - f->arrived[0]),
            (double)(m->told - 1) / (end - f->arrived[0]));
    if (settled)
        g_print("a still is told %.2f s after it was whole (median), %.2f s at worst; %d stills "
                "behind at worst\n",
                sorted[settled / 2], sorted[settled - 1], worst);
    g_print("CPU %.1f ms a still, %.0f %% of one core\n", 1e3 * cpu / (double)MAX(m->told, 1),
            100 * cpu / (end - f->begin));
}

int main(int argc, char **argv)
{
    gboolean quick = FALSE;
    double rate = 3;
    int threads = 0;
    const GOptionEntry entries[] = {
        {"quick", 0, 0, G_OPTION_ARG_NONE, &quick, "Smaller stills", NULL},
        {"rate", 0, 0, G_OPTION_ARG_DOUBLE, &rate, "Stills a second", "R"},
        {"threads", 0, 0, G_OPTION_ARG_INT, &threads, "Workers", "N"},
        G_OPTION_ENTRY_NULL};
    g_autofree char *folder = perf_read_options(entries, &argc, &argv);
    g_autoptr(GError) error = NULL;
    g_autofree char *made = g_build_filename(folder, "watch", NULL);
    g_autofree char *card = g_build_filename(made, "card", NULL);
    if (!g_file_test(card, G_FILE_TEST_IS_DIR)) {
        g_print("making a card ...\n");
        g_mkdir_with_parents(folder, 0777);
        make_card(made, quick);
    }
    g_autofree char *place = g_dir_make_tmp("rw-perf-watch-XXXXXX", NULL);
    feed f = {.from = g_ptr_array_new_with_free_func(g_free), .to = place, .rate = MAX(rate, 0.1)};
    list_below(card, f.from);
    g_ptr_array_sort(f.from, by_name);
    g_mutex_init(&f.lock);
    meter m = {.feed = &f};
    rw_watch_options options = {.gauge = rw_gauge_find("super8"),
                                .idle_s = 6,
                                .threads = threads,
                                .event = on_event,
                                .user = &m};
    f.begin = perf_now();
    double cpu = perf_cpu();
    GThread *camera = g_thread_new("camera", shoot, &f);
    bool ok = rw_watch_run(place, &options, &error);
    g_thread_join(camera);
    cpu = perf_cpu() - cpu;
    if (!ok)
        perf_fail(error);
    size_t last = m.told ? m.told - 1 : 0;
    print_table(&m, &f, cpu, f.arrived[last] + m.late_s[last]);
    g_ptr_array_unref(f.from);
    g_autofree char *command =
        g_strdup_printf("rm -rf '%s' '%s'", place, argc > 1 ? place : folder);
    g_spawn_command_line_sync(command, NULL, NULL, NULL, NULL);
    return 0;
}
