/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * colour.h - transfer curves: from the numbers of a file to light and back.
 *
 * Calling sequence:
 *     const rw_curve *srgb = rw_curve_find("srgb");
 *     double light = srgb->to_light(0.5);
 *     float table[256];
 *     rw_curve_fill_table(srgb, 8, table);
 *
 * Curves are constant data and live as long as the program; their functions may be called from any
 * thread. Coded values and light run from 0 to 1; both functions clamp to that range.
 */
#ifndef REELWRIGHT_COLOUR_H
#define REELWRIGHT_COLOUR_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct rw_curve {
    const char *name;   /* "srgb", "bt709", "bt1886", "hlg", "linear" */
    const char *title;  /* for people */
    const char *source; /* the standard that gives it */
    double (*to_light)(double coded);
    double (*from_light)(double light);
} rw_curve;

/* NULL when no curve has that name. */
RW_API const rw_curve *rw_curve_find(const char *name);
/* NULL-ended. */
RW_API const rw_curve *const *rw_curve_all(void);

/* table[code] for code = 0 .. 2^bits - 1 of full-range samples; bits 1..16. */
RW_API void rw_curve_fill_table(const rw_curve *curve, int bits, float *table);

/* A camera's curve as a person names it: a name of the table, or "log a b c d e f cut" with the
 * seven numbers of the usual published form coded = c log10(a light + b) + d   where light > cut,
 * else   coded = e light + f taken so that the highest code is light 1. Fills light for each code
 * of 8 or 16 bits. RW_ERROR_USAGE unless it rises from code to code. */
RW_API bool rw_curve_read(const char *text, int bits, float *table, GError **error);

/* BT.1886 in full: the light in cd/m2 of a display with this white and black for signal v 0..1.
 * L = a max(v + b, 0)^2.4, a and b as in its Annex 1. white > black >= 0. */
RW_API double rw_bt1886_light(double v, double white, double black);

#ifdef __cplusplus
}
#endif
#endif
