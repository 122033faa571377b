/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * basis.h - what a survey settles before it measures: how film lies on this reel's stills, at what
 * scale to decode them, where their grain is to be found.
 *
 * It comes from a few stills spread over the reel by a fixed rule and is stored as a fact, so that
 * every still is measured by the same rule, today and after a resume.
 */
#ifndef RW_SURVEY_BASIS_H
#define RW_SURVEY_BASIS_H

#include <reelwright/gate.h>
#include <reelwright/still.h>

#include "survey/grain.h"
#include "survey/imprint.h"

enum { RW_BASIS_VERSION = 1, RW_BASIS_STILLS = 9 };

/* Plain data, stored as a blob. */
typedef struct rw_basis {
    int32_t version;
    int32_t eighths;       /* scale of decoding */
    int32_t width, height; /* of most stills, as stored */
    int32_t found;         /* perforations were found: place and scale are measured, else a guess */
    int32_t pad;
    rw_gate_prior prior;
    rw_affine film_to_still; /* usual place, stored pixels */
    rw_grain_bands bands;
    rw_grain_band band; /* for comparing grain */
    double f_number;    /* from Exif, 0 unknown */
} rw_basis;

/* The scale at which stills of this width are decoded: grain must stay visible. */
int rw_basis_eighths(int width);

/* paths[0..count) in film order; unreadable ones are passed over. False when none of the chosen
 * ones could be read: the basis is then a guess that is good for nothing but to go on. */
bool rw_basis_find(rw_basis *basis, const rw_gauge *gauge, const char *const *paths, size_t count);

/* A look's own idea of where the film lies, without the rest of the reel: the usual scale and
 * rotation, moved to the holes that this still shows. *certain: there was such a hole. */
rw_affine rw_basis_place(const rw_basis *basis, const rw_gauge *gauge, const rw_gate_sight *sight,
                         bool *certain);

/* From film mm to pixels decoded at `eighths`. */
rw_affine rw_film_to_decoded(rw_affine film_to_still, int eighths);

/* Centre of perforation `index` (rw_hole_sight.index), film mm. */
rw_point rw_hole_film_centre(const rw_gauge *gauge, int index);

#endif
