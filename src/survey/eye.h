/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * eye.h - one still, decoded once, and all that is taken from it.
 *
 *     rw_eye *eye = rw_eye_new(gauge, &basis);            // one per thread
 *     rw_glance *glance = rw_eye_look(eye, path);         // never fails: a fault is in the glance
 *     rw_glance_free(&glance);
 *
 * A glance depends on the file and the basis alone.
 */
#ifndef RW_SURVEY_EYE_H
#define RW_SURVEY_EYE_H

#include "colour/sight.h"
#include "survey/basis.h"
#include "survey/imprint.h"
#include "survey/measure.h"
#include "survey/steady.h"

typedef struct rw_glance {
    rw_readings readings; /* those of one still */
    rw_gate_sight sight;
    rw_colour_sight colour;
    rw_affine place; /* film mm -> stored pixels, this still's own idea */
    bool certain;    /* place rests on a perforation */
    rw_imprint imprint;
    uint8_t *picture; /* a small JPEG of the still; owned */
    size_t picture_bytes;
    rw_small small;          /* owned */
    rw_steady_glance steady; /* owned; empty unless the eye was told to look for it */
    double px_per_mm;        /* stored pixels */
    char fault[200];         /* one line, "" when none */
} rw_glance;

void rw_glance_free(rw_glance **glance);

typedef struct rw_eye rw_eye;
rw_eye *rw_eye_new(const rw_gauge *gauge, const rw_basis *basis);
void rw_eye_free(rw_eye **eye);
/* From now on also what steadying needs, in this part of the stills. */
void rw_eye_watch_steadiness(rw_eye *eye, rw_rect area);
/* From now on imprints are made to be compared with those of stills with another basis, which must
 * decode at the same scale. */
void rw_eye_imitate(rw_eye *eye, const rw_basis *other);
rw_glance *rw_eye_look(rw_eye *eye, const char *path);

#endif
