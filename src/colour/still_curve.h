/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * still_curve.h - what the codes of a reel's stills mean, as a person named it.
 */
#ifndef RW_COLOUR_STILL_CURVE_H
#define RW_COLOUR_STILL_CURVE_H

#include <reelwright/types.h>

/* Light for each code of 8 or 16 bits. curve: as rw_curve_read takes it, or the name of a table, ""
 * is sRGB; table: the text of that .cube of one dimension, NULL none. RW_ERROR_USAGE when either is
 * no curve. */
bool rw_still_curve(const char *curve, GBytes *table, int bits, float *light, GError **error);

#endif
