/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * chart.h - a colour chart of 24 patches on a photograph: where it lies, and the matrix that makes
 * the camera's colours those of the chart.
 *
 * Calling sequence:
 *     rw_chart_place place;
 *     if (rw_chart_find(rgb, width, height, stride, &place, &error)) {   // or corners by hand
 *         double seen[24][3];
 *         rw_chart_read(rgb, width, height, stride, &place, seen);       // linear light
 *         rw_chart_fit fit;
 *         rw_chart_solve(seen, rw_chart_usual(), &fit, &error);
 *     }
 *
 * Patches are numbered as on the chart: 0 dark skin at one corner, six to a row, the last row from
 * white to black. Nothing here keeps state: any thread.
 */
#ifndef REELWRIGHT_CHART_H
#define REELWRIGHT_CHART_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

#define RW_CHART_PATCHES 24

/* Centres of the patches at the chart's corners, pixels: numbers 0, 5, 23 and 18. */
typedef struct rw_chart_place {
    rw_point corner[4];
    double patch; /* side of a patch against the distance of two neighbours' centres, 0..1 */
} rw_chart_place;

/* Looks for the chart, whichever way up, not mirrored. rgb: 8 bits R, G, B a pixel; stride in
 * bytes. RW_ERROR_NOT_FOUND when there is none. */
RW_API bool rw_chart_find(const uint8_t *rgb, int width, int height, ptrdiff_t stride,
                          rw_chart_place *place, GError **error);

/* Mean linear light of the middle of each patch; codes are taken as sRGB. RW_ERROR_FAILED when a
 * patch lies outside or is clipped. */
RW_API bool rw_chart_read(const uint8_t *rgb, int width, int height, ptrdiff_t stride,
                          const rw_chart_place *place, double seen[RW_CHART_PATCHES][3],
                          GError **error);

/* L*a*b* (D50) of charts made from November 2014 on, as their maker published them. */
RW_API const double (*rw_chart_usual(void))[3];

typedef struct rw_chart_fit {
    double matrix[3][3];            /* camera's light to BT.709 light; greys keep their lightness */
    double error[RW_CHART_PATCHES]; /* CIEDE2000 left, exposure matched */
    double mean, worst;
} rw_chart_fit;

/* seen: linear light; wanted: L*a*b* D50. RW_ERROR_FAILED when the patches are not those of a
 * chart. */
RW_API bool rw_chart_solve(const double seen[RW_CHART_PATCHES][3],
                           const double wanted[RW_CHART_PATCHES][3], rw_chart_fit *fit,
                           GError **error);

/* A grey card, or anything that is known to be grey: gains of red, green and blue that make it so
 * and leave its light (BT.709 luma of linear light) as it is. area: pixels, inside the picture;
 * codes are taken as sRGB. RW_ERROR_FAILED when it is too small, clipped, black, uneven or
 * coloured. */
RW_API bool rw_grey_solve(const uint8_t *rgb, int width, int height, ptrdiff_t stride, rw_rect area,
                          double gain[3], GError **error);

#ifdef __cplusplus
}
#endif
#endif
