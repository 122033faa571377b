/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * figures.h - what a measuring program counts: time, processor time, memory, each run in a process
 * of its own so that nothing that came before is in its memory.
 */
#ifndef RW_PERF_FIGURES_H
#define RW_PERF_FIGURES_H

#include <reelwright/types.h>

typedef struct perf_figures {
    double wall, cpu; /* seconds */
    long peak_kib;    /* VmHWM; 0: not to be shown */
    int64_t frames;
    int eighths; /* at which stills were decoded */
} perf_figures;

/* Says the error and ends the program. */
void perf_fail(const GError *error) G_GNUC_NORETURN;
/* Reads options out of argv; what is left names the folder to work in, or one is made. g_free. */
char *perf_read_options(const GOptionEntry *entries, int *argc, char ***argv);

double perf_now(void);
double perf_cpu(void);
/* Ends this program when the run fails. */
perf_figures perf_apart(perf_figures (*run)(const void *request), const void *request);
void perf_keep_best(perf_figures *best, perf_figures f, bool first);
void perf_print_head(void);
void perf_print_row(const char *name, const perf_figures *f);

#endif
