/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * mains.h - does the light pulse with the mains?
 *
 * A lamp on alternating current pulses at twice the mains' frequency. Stills are taken far slower,
 * so the pulses are seen through their beat with the shutter; but each still's time is known, and
 * pulses of 100 or 120 Hz fit those times or do not. Where the clock is irregular by a few
 * milliseconds only the true frequency fits; where it is as regular as the pulses themselves others
 * fit as well, and how many do is told.
 *
 * Pure functions of their arguments.
 */
#ifndef RW_SURVEY_MAINS_H
#define RW_SURVEY_MAINS_H

#include <reelwright/types.h>

typedef struct rw_mains {
    int hz;           /* of the mains, 50 or 60 */
    double pulses_hz; /* twice that, as read with the camera's clock */
    double share;     /* of the flicker's power, 0..1 */
    double chance;    /* share of other frequencies near it that would fit as well */
    double beat_hz;   /* what stills one usual interval apart see of it */
} rw_mains;

/* time_us: of each still, INT64_MIN unknown, to a millisecond or so (times to the whole second or
 * tenth are used where the transport is steady). light: ln of the light less its slow course, NAN
 * unknown. False when neither 50 nor 60 Hz mains fit. */
bool rw_mains_find(const int64_t *time_us, const double *light, size_t count, rw_mains *mains);

#endif
