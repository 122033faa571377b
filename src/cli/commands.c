/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli/cli.h"

extern const rw_command rw_cmd_batch;
extern const rw_command rw_cmd_bench;
extern const rw_command rw_cmd_chart;
extern const rw_command rw_cmd_demo;
extern const rw_command rw_cmd_finish;
extern const rw_command rw_cmd_intake;
extern const rw_command rw_cmd_look;
extern const rw_command rw_cmd_package;
extern const rw_command rw_cmd_plan;
extern const rw_command rw_cmd_report;
extern const rw_command rw_cmd_survey;
extern const rw_command rw_cmd_findings;
extern const rw_command rw_cmd_watch;

/* In the order of the work. */
static const rw_command *const commands[] = {
    &rw_cmd_demo,    &rw_cmd_plan,  &rw_cmd_intake, &rw_cmd_survey, &rw_cmd_findings,
    &rw_cmd_watch,   &rw_cmd_chart, &rw_cmd_look,   &rw_cmd_finish, &rw_cmd_report,
    &rw_cmd_package, &rw_cmd_batch, &rw_cmd_bench,  NULL,
};

const rw_command *const *rw_commands(void)
{
    return commands;
}
