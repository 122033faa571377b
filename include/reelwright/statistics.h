/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * statistics.h - how the tones and colours of one picture are spread.
 *
 *     rw_statistics s;
 *     rw_statistics_make(rgb, width, height, 3 * width, &s);
 *
 * rgb: 8 bits R, G, B a pixel as a display is sent them; stride in bytes. Luma and colour
 * differences are those of BT.709. Keeps no state: any thread.
 */
#ifndef REELWRIGHT_STATISTICS_H
#define REELWRIGHT_STATISTICS_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

enum {
    RW_STATISTICS_TONES = 64,   /* steps of four codes */
    RW_STATISTICS_COLUMNS = 96, /* strips across the picture */
    RW_STATISTICS_CHROMA = 48   /* cells a side; the middle is grey */
};

typedef struct rw_statistics {
    /* Pixels by tone: red, green, blue, luma. */
    uint32_t tones[4][RW_STATISTICS_TONES];
    /* Pixels by place across the picture and luma. */
    uint32_t columns[RW_STATISTICS_COLUMNS][RW_STATISTICS_TONES];
    /* Pixels by colour difference: [row][column], column blue-yellow (Cb) from -0.5 to 0.5, row
     * red-cyan (Cr) from 0.5 down to -0.5, both cut at their ends. */
    uint32_t chroma[RW_STATISTICS_CHROMA][RW_STATISTICS_CHROMA];
    double mean[4];                  /* 0..1 */
    double at_black[3], at_white[3]; /* share of pixels with this channel at its end */
    double quantile[3];              /* luma below which 2, 50 and 98 % lie, 0..1 */
    uint32_t pixels;
} rw_statistics;

RW_API void rw_statistics_make(const uint8_t *rgb, int width, int height, ptrdiff_t stride,
                               rw_statistics *out);

#ifdef __cplusplus
}
#endif
#endif
