/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/deliver/movie.h"

static void set_up(AVCodecContext *encoder, AVDictionary **encoder_options,
                   AVDictionary **muxer_options, int quality)
{
    (void)muxer_options, (void)quality;
    encoder->thread_type = FF_THREAD_SLICE;
    av_dict_set(encoder_options, "profile", "hq", 0);
}

static const char *const extensions[] = {".mov", NULL};

const rw_delivery rw_delivery_prores = {
    .name = "prores",
    .title = "ProRes 422 HQ in MOV, for editing",
    .extensions = extensions,
    .muxer = "mov",
    .pack = RW_PACK_YUV422_10,
    .encoder = "prores_ks",
    .sound_encoder = "pcm_s24le",
    .set_up = set_up,
};
