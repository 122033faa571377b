/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <libavutil/opt.h>

#include "finish/deliver/movie.h"

static void set_up(AVCodecContext *encoder, AVDictionary **encoder_options,
                   AVDictionary **muxer_options, int quality)
{
    encoder->profile = FF_PROFILE_H264_HIGH;
    /* docs/decisions/203-deliveries.md: how the preset was chosen */
    av_dict_set(encoder_options, "preset", "faster", 0);
    av_dict_set_int(encoder_options, "crf", quality, 0);
    av_dict_set(muxer_options, "movflags", "+faststart", 0);
}

static const char *const extensions[] = {".mp4", ".m4v", NULL};

const rw_delivery rw_delivery_h264 = {
    .name = "h264",
    .title = "H.264 in MP4, plays everywhere",
    .extensions = extensions,
    .muxer = "mp4",
    .pack = RW_PACK_YUV420_8,
    .encoder = "libx264",
    .sound_encoder = "aac",
    .best = 1, /* 0 is another profile, which few players know */
    .worst = 51,
    .usual = 17,
    .set_up = set_up,
};
