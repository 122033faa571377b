/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * make-reel FOLDER GAUGE STILLS WIDTH HEIGHT [TURN] [mirrored]
 *
 * Leaves FOLDER/regatta: a demo reel with its true geometry in reel.db, as tests of finish need it.
 */
#include "made_reel.h"

static int number(const char *text)
{
    return (int)g_ascii_strtoll(text, NULL, 10);
}

int main(int argc, char **argv)
{
    if (argc < 6) {
        g_printerr("Usage: make-reel FOLDER GAUGE STILLS WIDTH HEIGHT [TURN] [mirrored]\n");
        return 2;
    }
    g_autoptr(GError) error = NULL;
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find(argv[2]));
    o->frames = number(argv[3]);
    o->width = number(argv[4]);
    o->height = number(argv[5]);
    o->turn = argc > 6 ? number(argv[6]) : 0;
    o->mirrored = argc > 7;
    o->seed = 11;
    o->truth_width = 480;
    o->truth_height = 360;
    rw_demo_options_off(o, "faults", &error);
    g_assert_no_error(error);
    made_reel *m = made_reel_from(o, argv[1]);
    rw_demo_options_free(&o);
    made_reel_free(m);
    return 0;
}
