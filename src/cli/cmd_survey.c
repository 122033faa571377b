/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/survey.h>

#include "cli/cli.h"

static void print_summary(const rw_survey_summary *s)
{
    g_print("%" G_GINT64_FORMAT " stills, %" G_GINT64_FORMAT " measured now; %" G_GINT64_FORMAT
            " frames of film",
            s->stills, s->measured, s->frames - s->doubled);
    if (s->missing)
        g_print(", %" G_GINT64_FORMAT " missing", s->missing);
    if (s->doubled)
        g_print(", %" G_GINT64_FORMAT " taken twice", s->doubled);
    if (s->unreadable)
        g_print(", %" G_GINT64_FORMAT " unreadable", s->unreadable);
    g_print(".\n");
    if (s->placed || s->spare || s->unplaced)
        g_print("Shot again: %" G_GINT64_FORMAT " placed in the film, %" G_GINT64_FORMAT
                " not needed (their frames have a good still), %" G_GINT64_FORMAT
                " could not be placed.\n",
                s->placed, s->spare, s->unplaced);
    if (s->findings == 0)
        g_print("Nothing needs a look.\n");
    else
        g_print("%" G_GINT64_FORMAT " findings, %" G_GINT64_FORMAT
                " of them need new stills; see \"reelwright findings\".\n",
                s->findings, s->redo);
}

static int run(const rw_command *self, int argc, char **argv)
{
    rw_survey_options options = RW_SURVEY_DEFAULTS;
    gboolean json = FALSE, again = FALSE;
    const GOptionEntry entries[] = {
        {"threads", 't', 0, G_OPTION_ARG_INT, &options.threads,
         "Workers that decode and measure (default: one for each core)", "N"},
        {"again", 0, 0, G_OPTION_ARG_NONE, &again, "Measure everything again", NULL},
        {"json", 0, 0, G_OPTION_ARG_NONE, &json, "Print frames and scenes as one JSON document",
         NULL},
        G_OPTION_ENTRY_NULL};
    int exit_code;
    if (!rw_cli_parse(self, entries, &argc, &argv, 1, 1, &exit_code))
        return exit_code;
    if (options.threads < 0 || options.threads > 256)
        return rw_cli_usage(self, "--threads takes 1 to 256.");
    options.again = again;
    options.progress = true;
    options.cancel = rw_cli_cancelled();

    g_autoptr(GError) error = NULL;
    rw_survey_summary summary;
    rw_reel *reel = rw_reel_open(argv[1], &error);
    bool ok = reel && rw_survey_run(reel, &options, &summary, &error) &&
              (!json || rw_survey_write_json(reel, stdout, &error));
    rw_reel_close(&reel);
    if (!ok)
        return rw_cli_fail(error);
    if (!json)
        print_summary(&summary);
    return 0;
}

const rw_command rw_cmd_survey = {
    .name = "survey",
    .summary = "Measure every still of a reel and judge whether the capture is good",
    .arguments = "REEL",
    .details = "Only what is not measured yet is measured; a survey that was stopped goes on where "
               "it was.",
    .run = run,
};
