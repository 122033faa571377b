/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Regular 8 (8 mm Type R, double 8 after slitting). One hole per frame, on the frame line, so that
 * two holes touch every frame and each is shared with a neighbour.
 */
#include "film/gauges/gauges.h"

#define PITCH               3.810
#define PICTURE_CENTRE_LINE 5.21

static const rw_perforation holes[] = {
    RW_HOLE(0.91, -PITCH / 2, 1.83, 1.27, 0.25),
    RW_HOLE(0.91, +PITCH / 2, 1.83, 1.27, 0.25),
};
static const rw_rational speeds[] = {{16, 1}, {18, 1}, {24, 1}};

static const char *const sources[] = {
    "strip width 7.975 mm (half of 15.95): SMPTE 239 [M]",
    "pitch, long 3.810 mm: SMPTE 239-2004 clause 1 [S]",
    "pitch, short 3.802 mm: SMPTE 239-2004 clause 1 [S]",
    "80 frames per foot: 304.8 / 3.810; reference works agree [D+S2]",
    "perforation 1.83 x 1.27 mm, corner radius 0.25 mm: ASA Z22.5-1947, the 16 mm hole [S]; "
    "the same hole in Regular 8 [S2]",
    "reference edge to perforation 0.91 +/- 0.05 mm: ASA Z22.5-1947 [S]; 0.902 in later editions "
    "[M]",
    "perforation on the frame line, half a pitch from the middle: a reference work and a glossary "
    "[S2+D]",
    "camera aperture 4.80 x 3.51 mm: Wheeler, Principles of Cinematography, p. 286 [S]; 4.9 x 3.6 "
    "is printed too [S2]",
    "projectable picture 4.37 x 3.28 mm: ASA Z22.20 / ISO 74 [M], rounded in print to 4.3 x 3.3 "
    "[S2]",
    "picture centre line 5.21 mm from the reference edge: ASA Z22.19 [M]",
    "speeds 16, later 18: general reference works [S2], ISO 28 and ISO 29 [M]",
    NULL,
};

const rw_gauge rw_gauge_regular8 = {
    .name = "regular8",
    .title = "Regular 8",
    .width = 7.975,
    .pitch = PITCH,
    .pitch_short = 3.802,
    .frames_per_foot = {80, 1},
    .perforations = holes,
    .n_perforations = G_N_ELEMENTS(holes),
    .perforation_on_frame_line = true,
    .camera_aperture = RW_CENTRED_PICTURE(PICTURE_CENTRE_LINE, 4.80, 3.51),
    .projectable = RW_CENTRED_PICTURE(PICTURE_CENTRE_LINE, 4.37, 3.28),
    .speeds = speeds,
    .n_speeds = G_N_ELEMENTS(speeds),
    .sources = sources,
};
