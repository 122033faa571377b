/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * deliver.h - the deliveries that finish can make, as a table.
 *
 * Calling sequence:
 *     const rw_delivery *delivery = rw_delivery_find("ffv1");
 *     if (!delivery) delivery = rw_delivery_for_file("movie.mkv");
 *
 * Constant data that lives as long as the program.
 */
#ifndef REELWRIGHT_DELIVER_H
#define REELWRIGHT_DELIVER_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct rw_delivery rw_delivery;

RW_API const rw_delivery *rw_delivery_find(const char *name);
/* By the file's extension; NULL when no delivery claims it. */
RW_API const rw_delivery *rw_delivery_for_file(const char *path);
/* NULL-ended, in the order of the table. */
RW_API const rw_delivery *const *rw_delivery_all(void);

RW_API const char *rw_delivery_name(const rw_delivery *delivery);
RW_API const char *rw_delivery_title(const rw_delivery *delivery);
/* NULL-ended, with the point: ".mp4". Empty for a delivery without a file. */
RW_API const char *const *rw_delivery_extensions(const rw_delivery *delivery);
/* False when the delivery has no such scale. Smaller is better on all of them. */
RW_API bool rw_delivery_quality_range(const rw_delivery *delivery, int *best, int *worst,
                                      int *usual);
RW_API bool rw_delivery_is_lossless(const rw_delivery *delivery);

#ifdef __cplusplus
}
#endif
#endif
