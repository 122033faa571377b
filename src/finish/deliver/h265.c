/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/deliver/movie.h"

static void set_up(AVCodecContext *encoder, AVDictionary **encoder_options,
                   AVDictionary **muxer_options, int quality)
{
    encoder->codec_tag = MKTAG('h', 'v', 'c', '1'); /* parameter sets in the header, for players */
    av_dict_set(encoder_options, "preset", "veryfast", 0);
    av_dict_set_int(encoder_options, "crf", quality, 0);
    av_dict_set(encoder_options, "x265-params", "log-level=none", 0);
    av_dict_set(muxer_options, "movflags", "+faststart", 0);
}

static const char *const extensions[] = {".mp4", ".m4v", NULL};

const rw_delivery rw_delivery_h265 = {
    .name = "h265",
    .title = "H.265 in MP4, 10 bits, smaller",
    .extensions = extensions,
    .muxer = "mp4",
    .pack = RW_PACK_YUV420_10,
    .encoder = "libx265",
    .sound_encoder = "aac",
    .best = 0,
    .worst = 51,
    .usual = 18,
    .set_up = set_up,
};
