/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli/cli.h"

extern const rw_command rw_cmd_demo;
extern const rw_command rw_cmd_finish;
extern const rw_command rw_cmd_intake;
extern const rw_command rw_cmd_plan;

/* In the order of the work. */
static const rw_command *const commands[] = {
    &rw_cmd_demo,
    &rw_cmd_plan,
    &rw_cmd_intake,
    &rw_cmd_finish,
    NULL,
};

const rw_command *const *rw_commands(void)
{
    return commands;
}
