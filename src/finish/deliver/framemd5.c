/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/deliver/movie.h"

static void set_up(AVCodecContext *encoder, AVDictionary **encoder_options,
                   AVDictionary **muxer_options, int quality)
{
    (void)encoder, (void)encoder_options, (void)quality;
    /* no line that names the library's version: the same frames give the same file */
    av_dict_set(muxer_options, "fflags", "+bitexact", 0);
}

static const char *const extensions[] = {".framemd5", ".md5", NULL};

/* The frames that FFV1 would hold, as `ffmpeg -i movie.mkv -f framemd5` prints them. */
const rw_delivery rw_delivery_framemd5 = {
    .name = "framemd5",
    .title = "A checksum of every frame, as text",
    .extensions = extensions,
    .muxer = "framemd5",
    .pack = RW_PACK_GBR_16,
    .encoder = "rawvideo",
    .lossless = true,
    .set_up = set_up,
};
