/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * cdl.h - the ASC CDL v1.2 correction and its .cdl/.ccc/.cc interchange.
 *
 * out = clamp(in * slope + offset) ^ power per channel, then saturation about BT.709 luma
 * 0.2126 R + 0.7152 G + 0.0722 B, then clamp to 0..1 (Pines and Reisner, ASC CDL 1.2, 2009).
 * Identity: slope 1, offset 0, power 1, saturation 1.
 */
#ifndef RW_COLOUR_CDL_H
#define RW_COLOUR_CDL_H

#include <reelwright/types.h>

typedef struct rw_cdl {
    char id[64];     /* "" none */
    double slope[3]; /* >= 0 */
    double offset[3];
    double power[3];   /* > 0 */
    double saturation; /* >= 0 */
} rw_cdl;

rw_cdl rw_cdl_identity(void);
bool rw_cdl_is_identity(const rw_cdl *cdl);
/* In place, coded values. */
void rw_cdl_apply(const rw_cdl *cdl, float *r, float *g, float *b, size_t count);

/* Every correction in the XML, in order; GArray of rw_cdl, the caller's. At least one or an error.
 */
GArray *rw_cdl_parse(const char *xml, size_t bytes, const char *name, GError **error);
/* A ColorCorrectionCollection of count corrections; free with g_free. */
char *rw_cdl_format(const rw_cdl *cdls, size_t count);

#endif
