/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * cache.h - the small picture that a survey keeps of each still in REEL/cache: 000017.jpg, for
 * people and for what must be looked at again in film order. It can be made again at any time.
 *
 * Files appear whole but are not forced to the disk: after a power cut one may be empty.
 */
#ifndef RW_SURVEY_CACHE_H
#define RW_SURVEY_CACHE_H

#include <reelwright/types.h>

/* It is there and not empty. */
bool rw_cache_has(const char *reel_path, int64_t still);
bool rw_cache_write(const char *reel_path, int64_t still, const void *picture, size_t bytes,
                    GError **error);
/* Coded luma of the small picture, width * height bytes; NULL when there is none. g_free. */
uint8_t *rw_cache_read_luma(const char *reel_path, int64_t still, int *width, int *height);

#endif
