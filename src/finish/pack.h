/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * pack.h - from linear light to the samples of a delivery.
 *
 * Light is clipped to 0..1, coded for a BT.1886 display, and either kept as full-range R'G'B' of 16
 * bits or made into limited-range Y'CbCr of BT.709. Chroma is averaged from coded values and sited
 * left: on the even columns, and for 4:2:0 half-way between two rows. Roundings to 8 and 10 bits
 * are dithered by a fixed pattern of place and film frame: a frame made alone gets the same.
 */
#ifndef RW_FINISH_PACK_H
#define RW_FINISH_PACK_H

#include "base/pool.h"

typedef enum rw_pack {
    RW_PACK_NOTHING,
    RW_PACK_YUV420_8,
    RW_PACK_YUV420_10, /* in 16-bit words */
    RW_PACK_YUV422_10,
    RW_PACK_GBR_16, /* planes G, B, R */
} rw_pack;

typedef struct rw_packed {
    rw_pack pack;
    int width, height;
    uint8_t *plane[3];
    int stride[3]; /* bytes */
    rw_buffer *buffer;
} rw_packed;

/* frame: linear, sides even. */
bool rw_packed_make(rw_packed *packed, rw_pack pack, const rw_frame *frame, rw_pool *pool,
                    GError **error);
void rw_packed_clear(rw_packed *packed);

#endif
