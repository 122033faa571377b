/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reel_colour.h - what is known of a reel's light and dyes: the form of the survey's fact "colour".
 *
 *     const rw_reel_colour *reel = rw_reel_colour_read(data, bytes);     // NULL: not of this form
 *     const float *drift = rw_reel_colour_drift(reel, n);                // of film frame n
 *
 * One block of plain data: the struct, then n_scenes rows, then n_frames rows. Densities are in
 * stops (log2), light 1.0 is the still's full scale. All numbers are finite.
 */
#ifndef RW_COLOUR_REEL_COLOUR_H
#define RW_COLOUR_REEL_COLOUR_H

#include <reelwright/types.h>

#define RW_REEL_COLOUR_VERSION 1

typedef enum rw_reel_kind {
    RW_REEL_COLOURED,
    RW_REEL_TONED, /* one colour for every tone: its hue is not touched */
    RW_REEL_GREY   /* black and white */
} rw_reel_kind;

typedef struct rw_reel_colour {
    int32_t version;
    int32_t kind;     /* rw_reel_kind */
    int32_t n_scenes; /* rows */
    int32_t n_frames; /* rows, from film frame 0 */
    int32_t measured; /* frames that had a say */
    float lamp[3];    /* what light is multiplied by so that the clear light is neutral; all >= 1 */
    /* What was measured, after the lamp: density of white and of black film; 0 when not known. */
    float white[3], black[3];
    float fade[3][4];    /* E' = fade . (E, 1): the dyes as they were */
    float fade_evidence; /* 0: no sign of fading .. 1; the stage's strength is multiplied by it */
    float kept[3];       /* share of the cyan, magenta and yellow dye that is left */
} rw_reel_colour;

typedef struct rw_scene_colour {
    int64_t first, last; /* film frames */
    float balance[3];    /* stops that are given to each channel at full strength */
} rw_scene_colour;

/* Stops that are given to each channel of a frame so that the lamp is what it is on the reel's
 * average. */
typedef struct rw_frame_colour {
    float drift[3];
} rw_frame_colour;

/* NULL unless the block is whole, of this version and finite throughout. The result points into
 * data, which must be aligned to 8 bytes. */
const rw_reel_colour *rw_reel_colour_read(const void *data, size_t bytes);
/* NULL when the frame lies in no scene. */
const rw_scene_colour *rw_reel_colour_scene(const rw_reel_colour *reel, int64_t n);
/* NULL beyond the reel. */
const rw_frame_colour *rw_reel_colour_frame(const rw_reel_colour *reel, int64_t n);

#endif
