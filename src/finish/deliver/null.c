/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/deliver/movie.h"

static const char *const extensions[] = {NULL};

/* Every frame is made and packed as for H.264, and dropped: for timing and for traces. */
const rw_delivery rw_delivery_null = {
    .name = "null",
    .title = "Nothing: make every frame and drop it",
    .extensions = extensions,
    .pack = RW_PACK_YUV420_8,
};
