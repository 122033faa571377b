/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli/cli.h"

/* In the order of the work. */
static const rw_command *const commands[] = {
    NULL,
};

const rw_command *const *rw_commands(void)
{
    return commands;
}
