/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * demo.h - a made-up reel on a camera card, with its ground truth.
 *
 * Calling sequence:
 *     rw_demo_options *options = rw_demo_options_new(rw_gauge_find("super8"));
 *     options->frames = 96;
 *     rw_demo_options_set(options, "missing.at=40", &error);      // any number of these
 *     rw_demo *demo = rw_demo_new(options, &error);               // plans the reel; draws nothing
 *     rw_demo_write(demo, "DIR", 2, NULL, NULL, NULL, &error);    // DIR/card and DIR/truth
 *     rw_demo_free(&demo);
 *     rw_demo_options_free(&options);
 *
 * The reel is a pure function of its options: the same bytes with any number of threads and on any
 * machine, any still alone or all of them, and a term that is switched off changes nothing in the
 * others. docs/demo-reel.md says what is modelled and what truth.json holds. Nothing here shares
 * code with what is tested against it.
 */
#ifndef REELWRIGHT_DEMO_H
#define REELWRIGHT_DEMO_H

#include <stdatomic.h>

#include <reelwright/film.h>
#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef enum rw_demo_framing {
    RW_DEMO_FRAME_PERFORATION, /* picture and one whole perforation */
    RW_DEMO_FRAME_GATE,        /* a gate tight to the picture: only its edges show */
    RW_DEMO_FRAME_PICTURE      /* nothing but picture */
} rw_demo_framing;

typedef struct rw_demo_params rw_demo_params;

/* Plain fields may be written at will before rw_demo_new, which copies what it needs. */
typedef struct rw_demo_options {
    const rw_gauge *gauge;
    int64_t frames; /* on the film; 1 .. 1000000 */
    uint64_t seed;
    char **footage;        /* movie files, NULL-ended; owned; NULL: the built-in scenes */
    int64_t first_frame;   /* of the footage */
    double footage_reduce; /* 1 or more: further area reduction of footage */
    int footage_step;      /* 1: every frame of the footage is a film frame */
    rw_rational fps;       /* the film's speed; rw_demo_options_new takes the gauge's usual one */
    int width, height;     /* of the stills, 160 x 120 .. 12000 x 12000 */
    rw_demo_framing framing;
    double px_per_mm;  /* 0: by framing */
    int turn;          /* 0, 90, 180, 270: the upright picture is turned clockwise by this */
    bool mirrored;     /* photographed through the back */
    int quality;       /* JPEG, 1 .. 100 */
    int orientation;   /* Exif, 1 .. 8; does not move pixels */
    bool truth_movies; /* true; false: truth.json alone, for long reels that are only counted */
    int truth_width, truth_height;
    bool truth_camera_weave; /* also write the clean movie with the original camera's weave */
    rw_demo_params *params;  /* owned; through the two functions below */
} rw_demo_options;

RW_API rw_demo_options *rw_demo_options_new(const rw_gauge *gauge);
RW_API void rw_demo_options_free(rw_demo_options **options);
/* "term.parameter=value". RW_ERROR_USAGE when there is no such parameter or the value is off. */
RW_API bool rw_demo_options_set(rw_demo_options *options, const char *assignment, GError **error);
/* A term's name, "faults" or "all". */
RW_API bool rw_demo_options_off(rw_demo_options *options, const char *term, GError **error);
/* Every term and parameter with default, range, unit and meaning; free with g_free. */
RW_API char *rw_demo_terms_help(bool markdown);

typedef struct rw_demo rw_demo;

/* NULL with RW_ERROR_USAGE, or what opening the footage gave. */
RW_API rw_demo *rw_demo_new(const rw_demo_options *options, GError **error);
RW_API void rw_demo_free(rw_demo **demo);

/* Stills of the reel (without those of another shoot), and what still n shows. */
RW_API int64_t rw_demo_count_stills(const rw_demo *demo);
typedef struct rw_demo_still {
    char path[64];   /* below the card: "DCIM/100REELA/REEL0001.JPG" */
    int64_t film;    /* film frame number */
    int take;        /* 1 for the second still of a doubled frame, else 0 */
    int64_t time_ms; /* local time of the exposure, milliseconds since 1970; in Exif unless the
                      * clock is off */
    rw_affine film_to_still;
    rw_point weave;        /* mm: the transfer's, in film coordinates of the upright strip */
    rw_point camera_weave; /* mm: the picture's shift between its perforations */
    double edge_width;     /* 10-90 % width of a sharp edge, px */
} rw_demo_still;
RW_API bool rw_demo_get_still(const rw_demo *demo, int64_t n, rw_demo_still *still);

/* Still n as stored pixels: 3 bytes R, G, B a pixel, rows of 3 * width bytes. Free with g_free.
 * Any thread, any order. */
RW_API uint8_t *rw_demo_render(rw_demo *demo, int64_t n, GError **error);
/* The clean picture of a film frame: 4 bytes B, G, R, 0 a pixel, sRGB coded, truth size. */
RW_API uint8_t *rw_demo_render_clean(rw_demo *demo, int64_t film, GError **error);

typedef void (*rw_demo_progress)(int64_t film_frames_done, void *user);
/* Makes folder/card and folder/truth; refuses a folder that holds either. progress and cancel may
 * be NULL; progress is called on the calling thread. */
RW_API bool rw_demo_write(rw_demo *demo, const char *folder, int n_threads,
                          const atomic_bool *cancel, rw_demo_progress progress, void *user,
                          GError **error);

#ifdef __cplusplus
}
#endif
#endif
