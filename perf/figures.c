/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include "figures.h"

void perf_fail(const GError *error)
{
    g_printerr("%s: %s\n", g_get_prgname(), error->message);
    _exit(1);
}

char *perf_read_options(const GOptionEntry *entries, int *argc, char ***argv)
{
    g_autoptr(GError) error = NULL;
    GOptionContext *context = g_option_context_new("[FOLDER]");
    g_option_context_add_main_entries(context, entries, NULL);
    if (!g_option_context_parse(context, argc, argv, &error))
        perf_fail(error);
    g_option_context_free(context);
    return *argc > 1 ? g_strdup((*argv)[1]) : g_dir_make_tmp("rw-perf-XXXXXX", NULL);
}

double perf_now(void)
{
    return (double)g_get_monotonic_time() * 1e-6;
}

double perf_cpu(void)
{
    struct rusage u;
    getrusage(RUSAGE_SELF, &u);
    return (double)(u.ru_utime.tv_sec + u.ru_stime.tv_sec) +
           (double)(u.ru_utime.tv_usec + u.ru_stime.tv_usec) * 1e-6;
}

static long peak_kib(void)
{
    g_autofree char *status = NULL;
    g_file_get_contents("/proc/self/status", &status, NULL, NULL);
    const char *line = status ? strstr(status, "VmHWM:") : NULL;
    return line ? strtol(line + 6, NULL, 10) : 0;
}

/* In a process of its own: nothing that came before counts in its memory. */
perf_figures perf_apart(perf_figures (*run)(const void *), const void *request)
{
    int ends[2];
    perf_figures f = {0};
    if (pipe(ends) != 0)
        return f;
    pid_t child = fork();
    if (child == 0) {
        f = run(request);
        f.peak_kib = peak_kib();
        _exit(write(ends[1], &f, sizeof f) == sizeof f ? 0 : 1);
    }
    close(ends[1]);
    bool ok = read(ends[0], &f, sizeof f) == sizeof f;
    close(ends[0]);
    int status = 1;
    waitpid(child, &status, 0);
    if (!ok || status != 0)
        exit(1);
    return f;
}

void perf_keep_best(perf_figures *best, perf_figures f, bool first)
{
    if (first) {
        *best = f;
        return;
    }
    best->wall = MIN(best->wall, f.wall);
    best->cpu = MIN(best->cpu, f.cpu);
    best->peak_kib = MAX(best->peak_kib, f.peak_kib);
}

void perf_print_head(void)
{
    g_print("%-24s %8s %10s %12s %14s\n", "", "wall s", "frames/s", "CPU ms/frame", "peak MiB");
}

void perf_print_row(const char *name, const perf_figures *f)
{
    g_print("%-24s %8.2f %10.2f %12.1f %14.1f\n", name, f->wall, (double)f->frames / f->wall,
            1000 * f->cpu / (double)f->frames, (double)f->peak_kib / 1024);
}
