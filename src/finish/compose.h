/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * compose.h - the one map from a still to the movie: registration, orientation, crop and scale.
 *
 *     still px --(inverse of film_to_still)--> film mm --(film_to_frame)--> frame px
 *
 * film_to_frame is the same for all frames of a scene. Frame x grows with film x, so the perforated
 * edge is at the left and the picture is never mirrored unless asked; frame y grows with film y or
 * against it, as the picture's way up says.
 */
#ifndef RW_FINISH_COMPOSE_H
#define RW_FINISH_COMPOSE_H

#include <reelwright/film.h>
#include <reelwright/types.h>

/* What part of the film is shown, and how. */
typedef struct rw_framing {
    rw_rect rect; /* film mm */
    int way_up;   /* +1 or -1 */
    bool mirror;
} rw_framing;

typedef struct rw_composition {
    int width, height;       /* of the frame, even */
    rw_affine film_to_frame; /* film mm -> frame px */
    double px_per_mm;
    double detail; /* px per mm that a still is decoded for: what steadying crops does not count, so
                      that no scene takes longer than the next */
    rw_irect picture; /* the part of the frame that shows film; black around it */
} rw_composition;

/* A crop over the gauge's projectable area: moved by x, y (mm as seen in the upright picture:
 * right, down) and shown scale times as large an area (1: the projectable area, 0.9: closer). */
rw_framing rw_framing_make(const rw_gauge *gauge, int way_up, bool mirror, double x, double y,
                           double scale);

/* "hd" 1440x1080, "uhd" 2880x2160, "1024x768", or "native": rect at px_per_mm of the stills. Sides
 * even, 16 .. 16384. RW_ERROR_USAGE otherwise. */
bool rw_size_parse(const char *size, rw_rect rect, double px_per_mm, int *width, int *height,
                   GError **error);

/* Shapes that differ by at most 2 % fill the frame and are trimmed; else the whole of rect shows
 * between black bars. */
rw_composition rw_composition_make(const rw_framing *framing, int width, int height);

/* The same view in a frame of another width, its height in proportion (even, as all sides are). */
rw_composition rw_composition_scaled(const rw_composition *composition, int width);

/* The smallest eighths at which a JPEG of that many still pixels per frame pixel still gives the
 * resample enough to work on; docs/decisions/202-scaled-decode.md. */
int rw_scaled_decode(double still_px_per_frame_px);

#endif
