/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * lut.h - colour lookup tables and the .cube text that carries them.
 *
 *     rw_lut *lut = rw_lut_parse_cube(text, bytes, "warm.cube", &error);
 *     rw_lut_apply(lut, r, g, b, count);      // in place, planes of floats
 *     rw_lut_free(&lut);
 *
 * 3D tables are read with tetrahedral interpolation, 1D tables with straight lines; values outside
 * the domain take the value at its border. Format: Cube LUT Specification 1.0 (red varies fastest).
 * A table is not written to after it was made: any number of threads may apply it.
 */
#ifndef RW_COLOUR_LUT_H
#define RW_COLOUR_LUT_H

#include <reelwright/types.h>

typedef struct rw_lut rw_lut;

#define RW_LUT_MAX_3D 256
#define RW_LUT_MAX_1D 65536

/* name is for messages only. text need not end with a NUL. */
rw_lut *rw_lut_parse_cube(const char *text, size_t bytes, const char *name, GError **error);
/* dimensions 1 or 3; values: size (or size^3) triples, copied; domain 0..1. */
rw_lut *rw_lut_new(int dimensions, int size, const float *values);
void rw_lut_free(rw_lut **lut);

int rw_lut_dimensions(const rw_lut *lut);
int rw_lut_size(const rw_lut *lut);
const char *rw_lut_title(const rw_lut *lut); /* "" when the file has none */
void rw_lut_apply(const rw_lut *lut, float *r, float *g, float *b, size_t count);

#endif
