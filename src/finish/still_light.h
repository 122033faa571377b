/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * still_light.h - from the codes of a still to light: by the curve that a person named, else by the
 * profile in the file, else as sRGB.
 *
 *     rw_still_light *light = rw_still_light_new("", NULL);        // one per thread
 *     rw_still_light_read(light, profile, bytes, &pixels, &table, &matrix, &error);
 *     ... resample pixels through table ...
 *     if (matrix) rw_still_light_mix(matrix, &frame);
 *
 * A matrix commutes with a resample, a table of three inputs does not: such a profile is applied to
 * the pixels themselves.
 */
#ifndef RW_FINISH_STILL_LIGHT_H
#define RW_FINISH_STILL_LIGHT_H

#include <reelwright/still.h>

typedef struct rw_still_light rw_still_light;
/* curve: rw_curve_read's text or the name of a table, "" none; table: the text of that .cube of one
 * dimension, NULL none. Both must outlive it. */
rw_still_light *rw_still_light_new(const char *curve, GBytes *table);
void rw_still_light_free(rw_still_light **light);

/* pixels may be put in place by converted ones. What is returned is valid until the next call. A
 * profile that cannot be used counts as none. */
bool rw_still_light_read(rw_still_light *light, const void *profile, size_t bytes,
                         rw_pixels *pixels, const float **table, const float (**matrix)[3],
                         GError **error);
/* In place, three planes. */
void rw_still_light_mix(const float matrix[3][3], const rw_frame *frame);

#endif
