/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "restore/stages.h"

/* The order is the order of the work. */
static const rw_stage *const table[] = {
    /* Where the film lies on the still. First: everything after it sees film that stands still. */
    &rw_stage_register,
    /* What the film's own camera added to that. Next, for the same reason. */
    &rw_stage_steady,
    /* Before all that compares frames with each other. */
    &rw_stage_flicker,
    /* While grain still tells dirt's sharp edges from the picture's, and before a speck is smeared
     * into the frames around by the quieting of grain. */
    &rw_stage_blemish,
    &rw_stage_grain,
    /* Changes nothing unless told to: the one to copy, and the tests' witness. */
    &rw_stage_noop,
    /* After all repair, which it would only make harder to see through. */
    &rw_stage_colour,
    NULL,
};

/* The contract of the command line; a word keeps its meaning whether or not a row exists yet. */
static const char *const words[] = {"register", "steady", "flicker", "blemish",
                                    "grain",    "colour", "sharpen", NULL};

const rw_stage *const *rw_stages(void)
{
    return table;
}

const char *const *rw_stage_words(void)
{
    return words;
}

const rw_stage *rw_stage_find(const char *name)
{
    for (const rw_stage *const *s = table; *s; s++)
        if (g_str_equal((*s)->name, name))
            return *s;
    return NULL;
}

const char *rw_blemish_kind_name(rw_blemish_kind kind)
{
    static const char *const names[RW_BLEMISH_KINDS] = {"dirt", "scratch", "hair"};
    return names[kind];
}

const rw_stage rw_stage_register = {
    .name = "register",
    .title = "Register",
    .help = "Lays every frame in the same place by where the film lies on its still; without it "
            "all frames are cut out at the reel's usual place.",
    .version = 1,
    .by_default = true,
    .domain = RW_DOMAIN_LINEAR,
};
