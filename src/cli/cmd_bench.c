/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/bench.h>

#include "cli/cli.h"

static int serve(const rw_bench_options *options)
{
    g_autoptr(GError) error = NULL;
    rw_bench *bench = rw_bench_new(options, &error);
    if (!bench)
        return rw_cli_fail(error);
    g_print("%s\n", rw_bench_address(bench));
    g_printerr("Open this address in a browser on this machine. Ctrl-C ends the bench.\n");
    fflush(stdout);
    bool ok = rw_bench_run(bench, rw_cli_cancelled(), &error);
    rw_bench_free(&bench);
    return ok ? 0 : rw_cli_fail(error);
}

static int run(const rw_command *self, int argc, char **argv)
{
    int port = -1, exit_code;
    char *web = NULL;
    char **cards = NULL;
    const GOptionEntry entries[] = {
        {"port", 'p', 0, G_OPTION_ARG_INT, &port,
         "Port on this machine (default 7318, or any free one; 0: any)", "N"},
        {"cards", 0, 0, G_OPTION_ARG_FILENAME_ARRAY, &cards,
         "A folder to take stills in from, besides mounted cards; may be given again", "DIR"},
        {"web", 0, 0, G_OPTION_ARG_FILENAME, &web, "Serve the page from a folder, to work on it",
         "DIR"},
        G_OPTION_ENTRY_NULL};
    if (rw_cli_parse(self, entries, &argc, &argv, 0, 1, &exit_code)) {
        g_autofree char *program = g_file_read_link("/proc/self/exe", NULL);
        const rw_bench_options options = {.shelf = argc > 1 ? argv[1] : ".",
                                          .port = port,
                                          .web = web,
                                          .program = program,
                                          .cards = (const char *const *)cards};
        exit_code = port < -1 || port > 65535
                        ? rw_cli_usage(self, "--port takes a number from 0 to 65535.")
                        : serve(&options);
    }
    g_free(web);
    g_strfreev(cards);
    return exit_code;
}

const rw_command rw_cmd_bench = {
    .name = "bench",
    .summary = "The local page: look, judge, adjust, finish",
    .arguments = "[SHELF]",
    .details = "SHELF is a folder whose folders are reels (default: this one). Prints the page's "
               "address,\n"
               "which holds a key made for this start; only this machine is answered.\n",
    .run = run,
};
