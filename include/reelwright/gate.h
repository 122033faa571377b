/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * gate.h - where the film lies on a still: registration on perforations.
 *
 * Calling sequence, per still (any thread, any order):
 *     rw_gate_finder *finder = rw_gate_finder_new(gauge);        // one per thread
 *     rw_gate_sight sight;
 *     rw_gate_finder_look(finder, &pixels, &prior, &sight);      // prior may be NULL
 * then once over the reel, in film order:
 *     rw_gate_solve(gauge, sights, count, fits, &summary);
 *
 * A look measures one still by itself: same pixels and prior, same sight. The solve weighs the
 * whole reel: scale, rotation and the place of the hole's edges are slow terms and are taken over
 * many frames, the two shifts are taken per frame. film_to_still maps film millimetres to stored
 * pixels: x from the perforated edge; y from the frame's centre line, positive the way still rows
 * grow (columns, when the film lies sideways). Sees no files, no JSON, no database.
 */
#ifndef REELWRIGHT_GATE_H
#define REELWRIGHT_GATE_H

#include <reelwright/film.h>
#include <reelwright/still.h>
#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

#define RW_GATE_VERSION 1

typedef enum rw_gate_method {
    RW_GATE_NONE,
    RW_GATE_PERFORATION,
    RW_GATE_GATE,
    RW_GATE_PICTURE
} rw_gate_method;
/* "none", "perforation", "gate", "picture". */
RW_API const char *rw_gate_method_name(rw_gate_method method);

/* Side of the still on which the perforated edge lies. */
typedef enum rw_gate_side {
    RW_SIDE_UNKNOWN,
    RW_SIDE_LEFT,
    RW_SIDE_RIGHT,
    RW_SIDE_TOP,
    RW_SIDE_BOTTOM
} rw_gate_side;

#define RW_GATE_MAX_HOLES 4

/* One straight side of a perforation, a line through the point
 *     centre + normal * offset + tangent * along
 * with the normal pointing out of the hole and the tangent a quarter turn on from it (x to y). */
typedef struct rw_side_sight {
    double offset;  /* px, outwards from the hole's centre */
    double along;   /* px, where on the side the samples lie on average */
    double sd;      /* standard error of offset, px; from the scatter of stretches of the side */
    double inliers; /* share of the side's samples that lie on the line, 0..1; 0: not seen */
} rw_side_sight;

/* The sides of rw_hole_sight.side. */
enum {
    RW_SIDE_OUTER,  /* -x of the film */
    RW_SIDE_INNER,  /* +x: towards the picture */
    RW_SIDE_BEFORE, /* -y */
    RW_SIDE_AFTER   /* +y */
};

/* One perforation as seen; all in stored pixels, radians, linear light 0..1. */
typedef struct rw_hole_sight {
    bool found;
    int index;            /* place in the gauge's list; -1 and n_perforations lie one pitch
                           * before the first and beyond the last */
    double cx, cy;        /* centre */
    double width, height; /* across, along the film; from the look's scale where a side lacks */
    double angle;         /* of the film's y axis against the still's: it runs along
                           * (-sin, cos) or, with the film sideways, (cos, sin) */
    double angle_sd;
    double sd;       /* standard error of cx, cy, px; INFINITY when an axis has no side */
    double inliers;  /* share of edge samples that fit, 0..1 */
    double residual; /* rms of the inliers, px */
    bool damaged;    /* torn, dirty or otherwise not to be trusted */
    double edge_across, edge_along; /* 10-90 % edge widths met when moving across and along the
                                     * film, px: for smear and focus; NAN unknown */
    double light;                   /* median linear level inside: the clear light */
    double dirt;                    /* share of the inside that is not clear, 0..1 */
    double halo;                    /* clipped clear light makes every side appear this far out, px;
                                     * 0 when it is not clipped */
    double halo_sd;
    rw_side_sight side[4];
} rw_hole_sight;

/* All that one look measured. Plain data: stored as a blob by survey, versioned by
 * RW_GATE_VERSION, the same on every machine of one byte order. */
typedef struct rw_gate_sight {
    int32_t version;
    int32_t side; /* rw_gate_side */
    int32_t n_holes;
    rw_hole_sight hole[RW_GATE_MAX_HOLES];
    bool film_edge_found;            /* the reference edge of the strip */
    double film_edge_x, film_edge_y; /* the point of it in the middle of what is seen */
    double film_edge_angle;          /* as rw_hole_sight.angle */
    double film_edge_angle_sd;
    double film_edge_sd; /* across, px */
    double confidence;   /* of this look alone, 0..1 */
    int32_t stored_width, stored_height;
} rw_gate_sight;

/* What is already known of the reel; speeds up and steadies a look. Zero means unknown. Part of
 * the look's input, so survey fixes it before it starts (from a few stills spread over the reel).
 */
typedef struct rw_gate_prior {
    rw_gate_side side;
    double px_per_mm;
    double hole_x, hole_y; /* usual place of the first hole's centre, stored px */
} rw_gate_prior;

typedef struct rw_gate_finder rw_gate_finder;
RW_API rw_gate_finder *rw_gate_finder_new(const rw_gauge *gauge);
RW_API void rw_gate_finder_free(rw_gate_finder **finder);
/* Never fails: a still without any perforation gives confidence 0. Deterministic. pixels may be
 * scaled (pixels->eighths); the sight is in stored pixels all the same. */
RW_API void rw_gate_finder_look(rw_gate_finder *finder, const rw_pixels *pixels,
                                const rw_gate_prior *prior, rw_gate_sight *sight);
/* A prior from several looks (NULL priors) over the reel: medians of the trustworthy ones. */
RW_API void rw_gate_prior_from_sights(const rw_gauge *gauge, const rw_gate_sight *sights,
                                      size_t count, rw_gate_prior *prior);

typedef struct rw_gate_fit {
    rw_affine film_to_still;
    rw_gate_method method;
    double confidence; /* 0..1; below 0.5 the frame is held to its neighbours' path */
    bool damaged;      /* a perforation of this frame is torn or dirty */
    double dx, dy;     /* weave: shift against the reel's slow path, px */
} rw_gate_fit;

typedef struct rw_gate_summary {
    rw_gate_side side;
    double px_per_mm; /* median of the root of across times along; shrinkage is in it */
    double angle;     /* median, radians */
    double shrinkage; /* NAN: sights alone do not tell it from the magnification */
    double weave_across, weave_along; /* robust rms, px */
    size_t trusted, held;
} rw_gate_summary;

/* sights[i] and fits[i] are in film order; sights of missing frames have confidence 0 and
 * stored_width 0. Memory O(count). */
RW_API void rw_gate_solve(const rw_gauge *gauge, const rw_gate_sight *sights, size_t count,
                          rw_gate_fit *fits, rw_gate_summary *summary);

/* ---- which way up ----
 * Facts used: in an upright, unmirrored picture of camera film the perforations are on the left
 * and time runs downwards (the next frame lies below). Common practice, no source: a setting.
 * The film coordinates already have the perforated edge at x = 0, so the movie is never mirrored;
 * what is left to decide is whether the picture's "down" is +y or -y. */
typedef struct rw_way_up_vote {
    double with_y;    /* how well the strips beyond the frame line match if the next frame lies at
                       * +y, -1..1 */
    double against_y; /* the same if it lies at -y */
    bool valid;       /* the strips were large and textured enough */
} rw_way_up_vote;

/* this/next: two neighbouring frames' stills as linear luma at the same scale with their
 * plane-pixel transforms film_mm -> plane pixels. */
RW_API void rw_way_up_compare(const rw_gauge *gauge, rw_plane this_still, rw_affine this_film,
                              rw_plane next_still, rw_affine next_film, rw_way_up_vote *vote);
/* +1: picture's down is +y; -1: it is -y; chosen by the votes if they are clear, else by the side:
 * left, unknown -> +1; right -> -1 (turned half round; never mirrored); top -> -1; bottom -> +1...
 * see register.c. *certain tells which of the two it was. */
RW_API int rw_way_up_decide(rw_gate_side side, const rw_way_up_vote *votes, size_t count,
                            bool *certain);

#ifdef __cplusplus
}
#endif
#endif
