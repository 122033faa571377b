/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/report.h>

#include "cli/cli.h"

static int run_report(const rw_command *self, int argc, char **argv)
{
    g_autofree char *output = NULL;
    const GOptionEntry entries[] = {{"output", 'o', 0, G_OPTION_ARG_FILENAME, &output,
                                     "Write to FILE; its ending, .html or .pdf, says which",
                                     "FILE"},
                                    G_OPTION_ENTRY_NULL};
    int code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 1, 1, &code))
        return code;
    g_autoptr(GError) error = NULL;
    rw_reel *reel = rw_reel_open(argv[1], &error);
    if (!reel)
        return rw_cli_fail(error);
    g_autofree char *path = output ? g_strdup(output) : rw_reel_file(reel, "out/report.html");
    bool ok = rw_report_write(reel, path, &error);
    rw_reel_close(&reel);
    if (!ok)
        return rw_cli_fail(error);
    g_print("%s\n", path);
    return 0;
}

const rw_command rw_cmd_report = {
    .name = "report",
    .summary = "Put on paper what is known of a reel",
    .arguments = "REEL",
    .details =
        "One file with everything in it: the verdict, the scenes, the measurements along the\n"
        "reel and the findings with their pictures. Without -o it goes to\n"
        "REEL/out/report.html.\n",
    .run = run_report,
};
