/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/deliver/movie.h"

/* FFV1 version 3 (RFC 9043): a checksum on every slice, so that damage is found and stays small.
 * Every frame stands by itself. The number of slices is fixed: it is part of what is stored. */
static void set_up(AVCodecContext *encoder, AVDictionary **encoder_options,
                   AVDictionary **muxer_options, int quality)
{
    (void)muxer_options, (void)quality;
    encoder->level = 3;
    encoder->gop_size = 1;
    encoder->slices = 16;
    encoder->thread_type = FF_THREAD_SLICE;
    av_dict_set(encoder_options, "slicecrc", "1", 0);
    av_dict_set(encoder_options, "coder", "range_tab", 0);
    av_dict_set(encoder_options, "context", "0", 0);
}

static const char *const extensions[] = {".mkv", NULL};

const rw_delivery rw_delivery_ffv1 = {
    .name = "ffv1",
    .title = "FFV1 in Matroska, lossless, 16 bits",
    .extensions = extensions,
    .muxer = "matroska",
    .pack = RW_PACK_GBR_16,
    .encoder = "ffv1",
    .sound_encoder = "flac",
    .lossless = true,
    .set_up = set_up,
};
