/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * motion.h - steadying: how the camera that shot the film moved, and what to take out of it.
 *
 * Calling sequence. Survey, once per still, in any order and on any thread:
 *     rw_steady_imprint *now = rw_steady_imprint_new(luma, luma_to_still, picture);
 *     const rw_steady_imprint *before[RW_STEADY_LINKS] = {of frame n-1, n-2, n-4 ... or NULL};
 *     rw_steady_sight sight;
 *     rw_steady_look(now, before, &sight);         // plain data: store it as it is
 *     rw_steady_imprint_unref(&now);               // when frame n + 32 has been looked at
 * Survey again, once per scene, when all of its sights are there (a second per hundred frames):
 *     rw_steady_measure(inputs, count, picture, poses);
 * Finish, once per scene, whenever a choice changes (milliseconds per hundred frames):
 *     rw_steady_scene scene; rw_steady_frame frames[count];
 *     rw_steady_plan(inputs, poses, count, picture, want, &params, frames, &scene);
 * Then an output pixel is reached by: still -> film mm (registration) -> frames[i].correction ->
 * scene.crop scaled to the output.
 *
 * A look is a pure function of the imprints it is given; a plan is a pure function of its inputs.
 * So resuming, the number of threads and single frames do not change a bit. Nothing here sees
 * files.
 *
 * Units: film coordinates are mm (types.h); figures called px are pixels of a picture 1080 rows
 * high, whatever the still or the output.
 */
#ifndef REELWRIGHT_MOTION_H
#define REELWRIGHT_MOTION_H

#include <reelwright/param.h>
#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- measuring ---- */

#define RW_STEADY_VERSION 1
#define RW_STEADY_COLUMNS 16
#define RW_STEADY_ROWS    12
#define RW_STEADY_BLOCKS  (RW_STEADY_COLUMNS * RW_STEADY_ROWS)
#define RW_STEADY_LINKS   6

/* How far back each link reaches, in frames: 1, 2, 4, 8, 16, 32. The long ones are what keeps error
 * from adding up over a scene, and what tells a still background from a person who stands still. */
RW_API int rw_steady_link_back(int link);

/* What is kept of a frame while others are compared with it: about 1 MB. Counted. */
typedef struct rw_steady_imprint rw_steady_imprint;

/* luma: one plane of any scale that is monotone in light; coded values (sRGB, 0..1) spread grain
 * most evenly. picture: the part of it to look at, in its whole pixels: the picture area less its
 * ragged edge, the same for all frames of a reel. Not smaller than 96 x 72 (NULL then). */
RW_API rw_steady_imprint *rw_steady_imprint_new(rw_plane luma, rw_affine luma_to_still,
                                                rw_irect picture);
/* The same of a picture that is made as it is needed: line(y, ...) writes row y, `width` samples,
 * once for each row, in order. */
typedef void rw_luma_line_fn(int y, float *line, void *user);
RW_API rw_steady_imprint *rw_steady_imprint_new_by_lines(int width, int height,
                                                         rw_affine luma_to_still,
                                                         rw_luma_line_fn *line, void *user);
RW_API rw_steady_imprint *rw_steady_imprint_ref(rw_steady_imprint *imprint);
RW_API void rw_steady_imprint_unref(rw_steady_imprint **imprint);

/* Where each block of this frame lies on the frames before. Plain data of fixed size (about 10 kB),
 * stored as a blob; the same on every machine of one byte order. */
typedef struct rw_steady_sight {
    int32_t version;
    int32_t width, height; /* of the imprint, px */
    float contrast;        /* rms detail of the frame, in the luma's units; 0 when black */
    rw_affine to_still;    /* imprint px -> stored still px */
    /* Of each block, at full and at half the imprint's resolution: sums of gradient products over
     * the mean square, 1/px^2 of that resolution: how firmly a good match would hold the block. */
    float xx[2][RW_STEADY_BLOCKS], xy[2][RW_STEADY_BLOCKS], yy[2][RW_STEADY_BLOCKS];
    /* The block centred at p lies at p + (dx, dy) / 256 imprint px of the earlier frame. */
    int16_t dx[RW_STEADY_LINKS][RW_STEADY_BLOCKS];
    int16_t dy[RW_STEADY_LINKS][RW_STEADY_BLOCKS];
    /* 2 * (-8 log2(1 - r)) + half, r the zero-mean normalised correlation of the two, half 1 where
     * half the resolution told more, as it does under grain; 0: no match. */
    uint8_t match[RW_STEADY_LINKS][RW_STEADY_BLOCKS];
} rw_steady_sight;

/* before[i]: the imprint of the frame rw_steady_link_back(i) before, NULL when there is none. */
RW_API void rw_steady_look(const rw_steady_imprint *now,
                           const rw_steady_imprint *const before[RW_STEADY_LINKS],
                           rw_steady_sight *sight);
/* Centre of a block, imprint px. */
RW_API rw_point rw_steady_block_centre(const rw_steady_sight *sight, int block);

/* ---- planning ---- */

typedef enum rw_steady_mode {
    RW_STEADY_AUTO,
    RW_STEADY_LOCKED, /* the camera stood: the picture stands */
    RW_STEADY_SMOOTH, /* the camera moved: its movement stays, the jitter goes */
    RW_STEADY_OFF
} rw_steady_mode;
/* "auto", "locked", "smooth", "off". */
RW_API const char *rw_steady_mode_name(rw_steady_mode mode);
/* False when no mode has that name. */
RW_API bool rw_steady_mode_parse(const char *name, rw_steady_mode *mode);

/* What is done about the border that a moved picture leaves. */
typedef enum rw_steady_border {
    RW_STEADY_CROP, /* the scene is shown as much closer as hides it */
    RW_STEADY_DARK, /* it stays dark */
    RW_STEADY_FILL  /* it is filled from neighbouring frames as far as they reach */
} rw_steady_border;

typedef struct rw_steady_params {
    int mode;        /* rw_steady_mode */
    double strength; /* of RW_STEADY_SMOOTH, 0..1: 0 leaves the operator's movement as it is and
                        takes only jitter out, 1 evens it out over eight times as long */
    double crop;     /* 0..0.25: share of the picture that steadying may cost on each side before it
                        gives way (SMOOTH) or leaves a border (LOCKED) */
    int border;      /* rw_steady_border */
} rw_steady_params;
#define RW_STEADY_DEFAULTS                                                                         \
    {                                                                                              \
        RW_STEADY_AUTO, 0.0, 0.06, RW_STEADY_CROP                                                  \
    }
/* The same as rows for the command line, reel.db and the page. */
RW_API extern const rw_param rw_steady_rows[];

/* One frame of a scene, in film order. */
typedef struct rw_steady_input {
    const rw_steady_sight *sight; /* for measuring only; NULL: a still that could not be read */
    rw_affine film_to_still;      /* registration, film mm -> stored still px */
    rw_rect have;  /* film mm: what this frame can show: inside the still and inside the exposure;
                      empty: no still shows this frame */
    bool doubled;  /* another still of the film frame before: not a moment of its own */
    bool unplaced; /* registration is not to be trusted here: the frame is put where its neighbours
                      are even when steadying is off */
    /* Where the exposure's own edges lie against their usual place, film mm, and the standard
     * errors; 0: not seen. They move with the jitter alone, never with the operator, so that they
     * tell the two apart exactly where jitter's whiteness only can on average. */
    double edge_x, edge_y, edge_sd_x, edge_sd_y;
} rw_steady_input;

/* Where the background of a scene lies on one still. Plain data; says nothing of where the film
 * lies, so that it stays true when a frame is placed anew. */
typedef struct rw_steady_pose {
    rw_affine scene_to_still; /* the scene in film mm, as some frame of it shows it */
    double sd;                /* px: how far its shift may be off; INFINITY: not known */
    double background;        /* share of the picture that the measurement rests on */
    double left_x, left_y; /* px: what this frame and the one before it, looked at alone, still say
                              against the path; NAN: nothing */
} rw_steady_pose;

/* One scene: a cut inside would be taken for a movement. inputs: its stills in the order in which
 * they were looked at (no missing frames, doubled ones included). picture: film mm; its height is
 * what 1080 px are. Memory and time are linear in count. */
RW_API void rw_steady_measure(const rw_steady_input *inputs, int count, rw_rect picture,
                              rw_steady_pose *poses);

typedef struct rw_steady_frame {
    rw_affine correction;  /* film mm -> steadied film mm, a similarity; identity when off */
    double confidence;     /* 0..1 */
    bool held;             /* confidence below 0.5: nothing was measured here, the frame goes
                              where its neighbours' path leads */
    double background;     /* share of the picture that the measurement rests on */
    double left_x, left_y; /* of the pose */
    double x, y, turn;     /* measured place of the picture, px, px, radians, from the first */
    double want_x, want_y, want_turn; /* where it should be: the path that is kept */
} rw_steady_frame;

typedef struct rw_steady_scene {
    rw_steady_mode mode; /* what was done: never RW_STEADY_AUTO */
    char reason[320];    /* one or two sentences, why */
    rw_rect crop;      /* steadied film mm, the shape of want: what to show, for the whole scene */
    double crop_share; /* its height over want's */
    double jitter_x, jitter_y; /* px rms that goes */
    double left;               /* px rms that may stay, by the measurement's own reckoning */
    double travel_x, travel_y; /* px between the extremes of the path */
    double background;         /* median share of the picture that was measured on */
    int held;                  /* frames */
} rw_steady_scene;

/* inputs, poses and frames have count entries, one for each frame of the film in order; the pose of
 * a frame without a still has sd INFINITY. picture as it was measured by; want: film mm, what is
 * shown when nothing need be cropped. Time and memory are linear in count. */
RW_API void rw_steady_plan(const rw_steady_input *inputs, const rw_steady_pose *poses, int count,
                           rw_rect picture, rw_rect want, const rw_steady_params *params,
                           rw_steady_frame *frames, rw_steady_scene *scene);

#ifdef __cplusplus
}
#endif
#endif
