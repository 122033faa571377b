/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Super 8 (8 mm Type S). One hole per frame, beside the middle of the picture.
 */
#include "film/gauges/gauges.h"

#define PICTURE_CENTRE_LINE 4.32

static const rw_perforation holes[] = {RW_HOLE(0.51, 0.0, 0.914, 1.143, 0.13)};
static const rw_rational speeds[] = {{18, 1}, {24, 1}, {16, 1}};

static const char *const sources[] = {
    "strip width 7.976 +/- 0.038 mm: SMPTE 149-2004 Table 1 dim. A [S]",
    "pitch, long 4.234 +/- 0.010 mm: SMPTE 149-2004 dim. B [S]",
    "pitch, short 4.227 +/- 0.010 mm: SMPTE 149-2004 dim. B [S]",
    "72 frames per foot: 304.8 / 4.2333; trade footage tables agree [D+S2]",
    "perforation width 0.914 +/- 0.010 mm: SMPTE 149-2004 dim. C [S]",
    "perforation height 1.143 +/- 0.010 mm: SMPTE 149-2004 dim. D [S]",
    "reference edge to perforation 0.51 +/- 0.05 mm: SMPTE 149-2004 dim. E [S]",
    "perforation corner radius 0.13 +/- 0.03 mm: SMPTE 149-2004 dim. R [S]",
    "perforation beside the middle of the picture: SMPTE 153-2001 and 181-2001, notes [S]",
    "camera aperture 5.69 x 4.22 mm: a trade page; SMPTE 157 and ISO 3645 from memory agree [S2+M]",
    "projectable picture 5.31 x 4.01 mm: SMPTE 154 as quoted on an encyclopaedic page [S2+M]; "
    "5.46 x 4.01 is printed too [S2]",
    "picture centre line 4.32 mm from the reference edge: ISO 3645 / PH22.157 [M]",
    "speeds 18 (silent), 24 (sound): general reference works [S2+M]; 16 after the older gauges [C]",
    NULL,
};

const rw_gauge rw_gauge_super8 = {
    .name = "super8",
    .title = "Super 8",
    .width = 7.976,
    .pitch = 4.234,
    .pitch_short = 4.227,
    .frames_per_foot = {72, 1},
    .perforations = holes,
    .n_perforations = G_N_ELEMENTS(holes),
    .perforation_on_frame_line = false,
    .camera_aperture = RW_CENTRED_PICTURE(PICTURE_CENTRE_LINE, 5.69, 4.22),
    .projectable = RW_CENTRED_PICTURE(PICTURE_CENTRE_LINE, 5.31, 4.01),
    .speeds = speeds,
    .n_speeds = G_N_ELEMENTS(speeds),
    .sources = sources,
};
