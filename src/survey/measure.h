/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * measure.h - the table of measurements and one still's readings.
 *
 * To add one: a name in the enum, its row in measure.c, and the line that fills it in eye.c (of one
 * still) or pair.c (of two). A raised version measures again what is stale and nothing else of the
 * same still's other values changes meaning.
 */
#ifndef RW_SURVEY_MEASURE_H
#define RW_SURVEY_MEASURE_H

#include <reelwright/survey.h>

typedef enum rw_measure {
    /* of one still */
    RW_M_STATE,
    RW_M_CLEAR,
    RW_M_CLEAR_CLIPPED,
    RW_M_EXPOSURE,
    RW_M_BLACK,
    RW_M_CLIPPED,
    RW_M_SHARPNESS,
    RW_M_GRAIN_RATIO,
    RW_M_GRAIN_FINE,
    RW_M_GRAIN_AMOUNT,
    RW_M_GRAIN_LEVEL,
    RW_M_GRAIN_ALONG,
    RW_M_EDGE_ACROSS,
    RW_M_EDGE_ALONG,
    RW_M_DARK,
    RW_M_BRIGHT,
    RW_M_CHROMA,
    RW_M_FALLOFF,
    /* of a still and the one before it */
    RW_M_SAME,
    RW_M_SAME_WEAKEST,
    RW_M_FAR,
    RW_M_FAR_BESIDE,
    RW_M_FAR_X,
    RW_M_FAR_Y,
    RW_M_NEAR,
    RW_M_NEAR_BESIDE,
    RW_M_NEAR_X,
    RW_M_NEAR_Y,
    RW_M_MOTION_X,
    RW_M_MOTION_Y,
    RW_M_MOTION,
    RW_M_DIFFERENCE,
    RW_M_RESIDUAL,
    RW_M_TONES,
    RW_N_MEASURES,
    RW_M_FIRST_OF_PAIR = RW_M_SAME
} rw_measure;

/* One still's numbers by rw_measure; NAN: no answer. */
typedef struct rw_readings {
    double v[RW_N_MEASURES];
} rw_readings;

void rw_readings_clear(rw_readings *readings);

/* Values of RW_M_STATE. */
enum { RW_STATE_GOOD = 0, RW_STATE_DAMAGED = 1, RW_STATE_OTHER_SIZE = 2, RW_STATE_UNREADABLE = 3 };

/* The blobs kept beside the numbers. */
#define RW_BLOB_SIGHT          "gate"   /* rw_gate_sight, version RW_GATE_VERSION */
#define RW_BLOB_COLOUR         "colour" /* rw_colour_sight */
#define RW_BLOB_COLOUR_VERSION 1
#define RW_BLOB_STEP           "step" /* rw_step */
#define RW_BLOB_STEP_VERSION   1

#endif
