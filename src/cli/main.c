/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <locale.h>
#include <signal.h>
#include <stdarg.h>
#include <string.h>

#include <reelwright/version.h>

#include "cli/cli.h"

/* A signal handler can reach nothing but a global. */
static atomic_bool cancelled;

static void on_signal(int number)
{
    atomic_store(&cancelled, true);
    signal(number, SIG_DFL);
}

const atomic_bool *rw_cli_cancelled(void)
{
    return &cancelled;
}

int rw_cli_fail(const GError *error)
{
    g_printerr("reelwright: %s\n", error->message);
    return g_error_matches(error, RW_ERROR, RW_ERROR_USAGE) ? 2 : 1;
}

int rw_cli_usage(const rw_command *self, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    g_autofree char *sentence = g_strdup_vprintf(format, args);
    va_end(args);
    g_printerr("reelwright %s: %s See \"reelwright %s --help\".\n", self->name, sentence,
               self->name);
    return 2;
}

bool rw_cli_parse(const rw_command *self, const GOptionEntry *entries, int *argc, char ***argv,
                  int min_arguments, int max_arguments, int *exit_code)
{
    g_autoptr(GError) error = NULL;
    gboolean help = FALSE;
    const GOptionEntry own[] = {{"help", 'h', 0, G_OPTION_ARG_NONE, &help, "Show this help", NULL},
                                G_OPTION_ENTRY_NULL};
    GOptionContext *context = g_option_context_new(NULL);
    g_option_context_set_help_enabled(context, FALSE);
    if (entries)
        g_option_context_add_main_entries(context, entries, NULL);
    g_option_context_add_main_entries(context, own, NULL);
    bool ok = g_option_context_parse(context, argc, argv, &error);
    if (!ok) {
        /* GLib's messages have no full stop. */
        *exit_code = rw_cli_usage(self, "%s.", error->message);
    } else if (help) {
        g_autofree char *text = g_option_context_get_help(context, FALSE, NULL);
        const char *options = strchr(text, '\n'); /* past GLib's own usage lines */
        options = options ? strstr(options, "\n\n") : NULL;
        g_print("Usage: reelwright %s%s%s [OPTION...]\n\n%s.\n%s%s%s%s", self->name,
                *self->arguments ? " " : "", self->arguments, self->summary,
                self->details ? "\n" : "", self->details ? self->details : "",
                self->details ? "\n" : "", options ? options + 1 : text);
        *exit_code = 0;
        ok = false;
    } else {
        /* "--" ends the options and is no argument itself */
        int given = *argc - 1;
        if (given > 0 && g_str_equal((*argv)[1], "--")) {
            memmove(&(*argv)[1], &(*argv)[2], sizeof(char *) * (size_t)(given));
            given = --*argc - 1;
        }
        if (given < min_arguments || (max_arguments >= 0 && given > max_arguments)) {
            *exit_code = *self->arguments ? rw_cli_usage(self, "Give %s.", self->arguments)
                                          : rw_cli_usage(self, "Give options only.");
            ok = false;
        }
    }
    g_option_context_free(context);
    return ok;
}

static void print_commands(void)
{
    g_print("Usage: reelwright COMMAND ...\n\n"
            "From a camera card of cine-film stills to a finished movie, report and preservation "
            "package.\n\nCommands:\n");
    for (const rw_command *const *c = rw_commands(); *c; c++)
        g_print("  %-10s %s\n", (*c)->name, (*c)->summary);
    g_print("\n\"reelwright COMMAND --help\" tells more. Exit code 0 done, 1 failed, 2 usage.\n");
}

int main(int argc, char **argv)
{
    setlocale(LC_ALL, "");
    setlocale(LC_NUMERIC, "C"); /* numbers in files and on the command line have points */
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    signal(SIGPIPE, SIG_IGN);

    if (argc < 2 || g_str_equal(argv[1], "--help") || g_str_equal(argv[1], "-h") ||
        g_str_equal(argv[1], "help")) {
        print_commands();
        return argc < 2 ? 2 : 0;
    }
    if (g_str_equal(argv[1], "--version")) {
        g_print("reelwright %s\n", rw_version());
        return 0;
    }
    for (const rw_command *const *c = rw_commands(); *c; c++)
        if (g_str_equal(argv[1], (*c)->name))
            return (*c)->run(*c, argc - 1, argv + 1);
    g_printerr("reelwright: There is no command \"%s\"; see \"reelwright --help\".\n", argv[1]);
    return 2;
}
