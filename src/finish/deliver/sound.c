/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <libavcodec/avcodec.h>
#include <libavutil/audio_fifo.h>
#include <libavutil/channel_layout.h>
#include <libswresample/swresample.h>

#include "finish/deliver/movie.h"
#include "finish/deliver/sound.h"

#define RATE 48000

struct rw_sound {
    char *path;
    AVFormatContext *in, *out;
    int in_stream;
    AVCodecContext *decoder, *encoder;
    SwrContext *swr;
    AVStream *stream;
    AVFrame *frame;
    AVPacket *packet;
    AVAudioFifo *fifo;
    int64_t skip;    /* samples still to be dropped before the movie begins */
    int64_t length;  /* samples that the movie lasts */
    int64_t decoded; /* samples past the skip that went into the fifo */
    int64_t encoded; /* samples that went into the encoder */
    bool ended;      /* nothing more comes from the file */
};

static int64_t samples(rw_rational seconds)
{
    return av_rescale(seconds.num, RATE, seconds.den);
}

static bool fail(const rw_sound *s, int code, GError **error)
{
    rw_error_from_av(error, code, "Cannot read the sound file %s", s->path);
    return false;
}

static bool open_input(rw_sound *s, GError **error)
{
    int code = avformat_open_input(&s->in, s->path, NULL, NULL);
    if (code >= 0)
        code = avformat_find_stream_info(s->in, NULL);
    if (code < 0)
        return fail(s, code, error);
    const AVCodec *codec = NULL;
    s->in_stream = av_find_best_stream(s->in, AVMEDIA_TYPE_AUDIO, -1, -1, &codec, 0);
    if (s->in_stream < 0 || !codec) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "There is no sound in %s.", s->path);
        return false;
    }
    s->decoder = avcodec_alloc_context3(codec);
    avcodec_parameters_to_context(s->decoder, s->in->streams[s->in_stream]->codecpar);
    code = avcodec_open2(s->decoder, codec, NULL);
    if (code < 0)
        return fail(s, code, error);
    if (s->decoder->sample_rate <= 0 || s->decoder->ch_layout.nb_channels <= 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "There is no sound in %s.", s->path);
        return false;
    }
    return true;
}

/* The encoder's own favourite among its sample formats that loses nothing of 24 bits, else its
 * first. */
static enum AVSampleFormat sample_format(const AVCodec *codec)
{
    for (const enum AVSampleFormat *f = codec->sample_fmts; f && *f != AV_SAMPLE_FMT_NONE; f++)
        if (*f == AV_SAMPLE_FMT_S32)
            return *f;
    return codec->sample_fmts ? codec->sample_fmts[0] : AV_SAMPLE_FMT_S16;
}

static bool open_encoder(rw_sound *s, const char *name, GError **error)
{
    const AVCodec *codec = avcodec_find_encoder_by_name(name);
    if (!codec) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                    "This system's libavcodec has no encoder \"%s\" for the sound.", name);
        return false;
    }
    AVCodecContext *c = s->encoder = avcodec_alloc_context3(codec);
    c->sample_rate = RATE;
    c->sample_fmt = sample_format(codec);
    c->bits_per_raw_sample = 24;
    av_channel_layout_default(&c->ch_layout, MIN(s->decoder->ch_layout.nb_channels, 2));
    c->time_base = (AVRational){1, RATE};
    c->bit_rate = 96000 * c->ch_layout.nb_channels;
    if (s->out->oformat->flags & AVFMT_GLOBALHEADER)
        c->flags |= AV_CODEC_FLAG_GLOBAL_HEADER;
    c->flags |= AV_CODEC_FLAG_BITEXACT;
    int code = avcodec_open2(c, codec, NULL);
    if (code < 0) {
        rw_error_from_av(error, code, "Cannot start the sound encoder %s", name);
        return false;
    }
    s->stream = avformat_new_stream(s->out, NULL);
    s->stream->time_base = c->time_base;
    avcodec_parameters_from_context(s->stream->codecpar, c);
    return true;
}

static bool open_converter(rw_sound *s, GError **error)
{
    int code = swr_alloc_set_opts2(&s->swr, &s->encoder->ch_layout, s->encoder->sample_fmt, RATE,
                                   &s->decoder->ch_layout, s->decoder->sample_fmt,
                                   s->decoder->sample_rate, 0, NULL);
    if (code >= 0)
        code = swr_init(s->swr);
    if (code < 0)
        return fail(s, code, error);
    s->fifo = av_audio_fifo_alloc(s->encoder->sample_fmt, s->encoder->ch_layout.nb_channels, RATE);
    return true;
}

static bool decode_some(rw_sound *s, GError **error);

rw_sound *rw_sound_open(const char *path, rw_rational at, rw_rational length, AVFormatContext *out,
                        const char *encoder, GError **error)
{
    rw_sound *s = g_new0(rw_sound, 1);
    s->path = g_strdup(path);
    s->out = out;
    s->skip = samples(at);
    s->length = samples(length);
    s->frame = av_frame_alloc();
    s->packet = av_packet_alloc();
    /* the first decoded samples prove that there is something to read */
    if (!open_input(s, error) || !open_encoder(s, encoder, error) || !open_converter(s, error) ||
        !decode_some(s, error))
        rw_sound_close(&s);
    return s;
}

/* Converted samples into the fifo, without those before the movie and after it. frame NULL: what
 * the converter still holds. */
static bool keep_samples(rw_sound *s, const AVFrame *frame, GError **error)
{
    int room = swr_get_out_samples(s->swr, frame ? frame->nb_samples : 0);
    uint8_t **data = NULL;
    int code = av_samples_alloc_array_and_samples(&data, NULL, s->encoder->ch_layout.nb_channels,
                                                  MAX(room, 1), s->encoder->sample_fmt, 0);
    if (code < 0)
        return fail(s, code, error);
    int got = swr_convert(s->swr, data, room, frame ? (const uint8_t **)frame->extended_data : NULL,
                          frame ? frame->nb_samples : 0);
    int drop = (int)MIN((int64_t)MAX(got, 0), s->skip);
    int keep = (int)MIN((int64_t)(MAX(got, 0) - drop), s->length - s->decoded);
    s->skip -= drop;
    s->decoded += keep;
    if (keep > 0) {
        int channels = s->encoder->ch_layout.nb_channels;
        int size = av_get_bytes_per_sample(s->encoder->sample_fmt);
        bool planar = av_sample_fmt_is_planar(s->encoder->sample_fmt) != 0;
        void *from[8];
        for (int i = 0; i < (planar ? channels : 1); i++)
            from[i] = data[i] + (ptrdiff_t)drop * size * (planar ? 1 : channels);
        code = av_audio_fifo_write(s->fifo, from, keep);
    }
    av_freep(&data[0]);
    av_freep(&data);
    return (got >= 0 && code >= 0) || fail(s, got < 0 ? got : code, error);
}

/* One step on in the file. At its end, s->ended. A packet that cannot be decoded is passed over:
 * old recordings have such places. A file of nothing else is refused. */
static bool decode_some(rw_sound *s, GError **error)
{
    for (;;) {
        int code = avcodec_receive_frame(s->decoder, s->frame);
        if (code >= 0) {
            bool ok = keep_samples(s, s->frame, error);
            av_frame_unref(s->frame);
            return ok;
        }
        if (code == AVERROR_EOF) {
            s->ended = true;
            if (s->decoder->frame_number == 0)
                return fail(s, AVERROR_INVALIDDATA, error);
            return keep_samples(s, NULL, error);
        }
        if (code != AVERROR(EAGAIN))
            return fail(s, code, error);
        code = av_read_frame(s->in, s->packet);
        if (code < 0) {
            avcodec_send_packet(s->decoder, NULL);
        } else {
            if (s->packet->stream_index == s->in_stream)
                code = avcodec_send_packet(s->decoder, s->packet);
            av_packet_unref(s->packet);
            if (code < 0 && code != AVERROR_INVALIDDATA)
                return fail(s, code, error);
        }
    }
}

static bool drain(rw_sound *s, GError **error)
{
    for (;;) {
        int code = avcodec_receive_packet(s->encoder, s->packet);
        if (code == AVERROR(EAGAIN) || code == AVERROR_EOF)
            return true;
        if (code >= 0) {
            s->packet->stream_index = s->stream->index;
            av_packet_rescale_ts(s->packet, s->encoder->time_base, s->stream->time_base);
            code = av_interleaved_write_frame(s->out, s->packet);
        }
        if (code < 0) {
            rw_error_from_av(error, code, "Cannot write the sound of %s", s->path);
            return false;
        }
    }
}

/* `count` samples from the fifo into the encoder. */
static bool encode(rw_sound *s, int count, GError **error)
{
    AVFrame *f = s->frame;
    f->nb_samples = count;
    f->format = s->encoder->sample_fmt;
    f->sample_rate = RATE;
    f->pts = s->encoded;
    av_channel_layout_copy(&f->ch_layout, &s->encoder->ch_layout);
    int code = av_frame_get_buffer(f, 0);
    if (code >= 0)
        code = av_audio_fifo_read(s->fifo, (void **)f->extended_data, count);
    if (code >= 0)
        code = avcodec_send_frame(s->encoder, f);
    av_frame_unref(f);
    if (code < 0) {
        rw_error_from_av(error, code, "Cannot encode the sound of %s", s->path);
        return false;
    }
    s->encoded += count;
    return drain(s, error);
}

bool rw_sound_write(rw_sound *s, rw_rational until, GError **error)
{
    int64_t wanted = MIN(samples(until), s->length);
    int chunk = s->encoder->frame_size > 0 ? s->encoder->frame_size : 1024;
    while (s->encoded < wanted) {
        while (av_audio_fifo_size(s->fifo) < chunk && !s->ended && s->decoded < s->length)
            if (!decode_some(s, error))
                return false;
        if (av_audio_fifo_size(s->fifo) < chunk)
            return true; /* the rest is for finish */
        if (!encode(s, chunk, error))
            return false;
    }
    return true;
}

bool rw_sound_finish(rw_sound *s, GError **error)
{
    if (!rw_sound_write(s, (rw_rational){s->length, RATE}, error))
        return false;
    int rest = av_audio_fifo_size(s->fifo);
    if (rest > 0 && !encode(s, rest, error))
        return false;
    int code = avcodec_send_frame(s->encoder, NULL);
    if (code < 0 && code != AVERROR_EOF) {
        rw_error_from_av(error, code, "Cannot end the sound of %s", s->path);
        return false;
    }
    return drain(s, error);
}

void rw_sound_close(rw_sound **sound)
{
    rw_sound *s = *sound;
    if (!s)
        return;
    avformat_close_input(&s->in);
    avcodec_free_context(&s->decoder);
    avcodec_free_context(&s->encoder);
    swr_free(&s->swr);
    av_frame_free(&s->frame);
    av_packet_free(&s->packet);
    if (s->fifo)
        av_audio_fifo_free(s->fifo);
    g_free(s->path);
    g_clear_pointer(sound, g_free);
}
