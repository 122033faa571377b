/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * cli.h - how a command is written.
 *
 * To add one: src/cli/cmd_foo.c with `const rw_command rw_cmd_foo`, its extern and its row in
 * commands.c, its file in src/cli/meson.build, docs/man/foo.md (a test holds the page and --help
 * together). A command reads its options with rw_cli_parse, does its work through the public
 * headers, and returns 0 (done), 1 (failed) or 2 (usage). stdout is for results, stderr for
 * progress and complaints.
 */
#ifndef RW_CLI_CLI_H
#define RW_CLI_CLI_H

#include <stdatomic.h>

#include <reelwright/types.h>

typedef struct rw_command {
    const char *name;
    const char *summary;   /* one line, no full stop */
    const char *arguments; /* "CARD REEL" */
    const char *details;   /* more for --help, or NULL */
    int (*run)(const struct rw_command *self, int argc, char **argv);
} rw_command;

const rw_command *const *rw_commands(void); /* NULL-ended */

/* Reads options out of argv (argv[0] is the command's name); what is left are the arguments, their
 * number between min and max (-1: any). False: return *exit_code at once (0 after --help). */
bool rw_cli_parse(const rw_command *self, const GOptionEntry *entries, int *argc, char ***argv,
                  int min_arguments, int max_arguments, int *exit_code);

/* Prints "reelwright: <message>" and returns 2 for RW_ERROR_USAGE, else 1. */
int rw_cli_fail(const GError *error);
int rw_cli_usage(const rw_command *self, const char *format, ...) G_GNUC_PRINTF(2, 3);

/* Set once by SIGINT or SIGTERM; long work looks at it. A second signal ends the process. */
const atomic_bool *rw_cli_cancelled(void);

#endif
