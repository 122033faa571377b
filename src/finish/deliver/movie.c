/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdarg.h>

#include <libavutil/imgutils.h>
#include <libavutil/opt.h>

#include "base/fs.h"
#include "finish/deliver/movie.h"
#include "finish/deliver/sound.h"

/* libavcodec's frame threads refuse more than 64; more than this bring nothing. */
#define MOST_THREADS 32

struct rw_movie {
    const rw_delivery *delivery;
    char *path;
    rw_whole_file *file;
    AVFormatContext *format;
    AVCodecContext *encoder;
    AVStream *stream;
    AVFrame *frame;
    AVPacket *packet;
    rw_sound *sound;
    rw_rational rate;
    int64_t written;
};

void rw_error_from_av(GError **error, int code, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    g_autofree char *sentence = g_strdup_vprintf(format, args);
    va_end(args);
    int number = AVUNERROR(code);
    if (number > 0 && number < 4096) { /* an errno in disguise */
        rw_error_from_errno(error, number, "%s", sentence);
        return;
    }
    char reason[AV_ERROR_MAX_STRING_SIZE];
    g_set_error(error, RW_ERROR, code == AVERROR_INVALIDDATA ? RW_ERROR_DAMAGED : RW_ERROR_FAILED,
                "%s: %s.", sentence, av_make_error_string(reason, sizeof reason, code));
}

static enum AVPixelFormat pixel_format(rw_pack pack)
{
    switch (pack) {
    case RW_PACK_YUV420_8:
        return AV_PIX_FMT_YUV420P;
    case RW_PACK_YUV420_10:
        return AV_PIX_FMT_YUV420P10;
    case RW_PACK_YUV422_10:
        return AV_PIX_FMT_YUV422P10;
    case RW_PACK_GBR_16:
        return AV_PIX_FMT_GBRP16;
    case RW_PACK_NOTHING:
        break;
    }
    return AV_PIX_FMT_NONE;
}

/* Numbers that say how the samples are meant: on the stream and on every frame. */
static void tag_encoder(AVCodecContext *c, rw_pack pack)
{
    bool rgb = pack == RW_PACK_GBR_16;
    c->color_primaries = AVCOL_PRI_BT709;
    c->color_trc = AVCOL_TRC_BT709;
    c->colorspace = rgb ? AVCOL_SPC_RGB : AVCOL_SPC_BT709;
    c->color_range = rgb ? AVCOL_RANGE_JPEG : AVCOL_RANGE_MPEG;
    c->chroma_sample_location = rgb ? AVCHROMA_LOC_UNSPECIFIED : AVCHROMA_LOC_LEFT;
    c->sample_aspect_ratio = (AVRational){1, 1};
    c->field_order = AV_FIELD_PROGRESSIVE;
}

static bool open_encoder(rw_movie *m, const rw_movie_spec *spec, AVDictionary **muxer_options,
                         GError **error)
{
    const rw_delivery *d = m->delivery;
    const AVCodec *codec = avcodec_find_encoder_by_name(d->encoder);
    if (!codec) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                    "This system's libavcodec has no encoder \"%s\"; choose another --codec.",
                    d->encoder);
        return false;
    }
    AVCodecContext *c = m->encoder = avcodec_alloc_context3(codec);
    c->width = spec->width;
    c->height = spec->height;
    c->pix_fmt = pixel_format(d->pack);
    c->time_base = (AVRational){(int)spec->rate.den, (int)spec->rate.num};
    c->framerate = (AVRational){(int)spec->rate.num, (int)spec->rate.den};
    c->thread_count = MIN(spec->threads, MOST_THREADS);
    if (m->format->oformat->flags & AVFMT_GLOBALHEADER)
        c->flags |= AV_CODEC_FLAG_GLOBAL_HEADER;
    c->flags |= AV_CODEC_FLAG_BITEXACT; /* no version of the library in what is stored */
    tag_encoder(c, d->pack);
    AVDictionary *options = NULL;
    d->set_up(c, &options, muxer_options, spec->quality < 0 ? d->usual : spec->quality);
    int code = avcodec_open2(c, codec, &options);
    av_dict_free(&options);
    if (code < 0) {
        rw_error_from_av(error, code, "Cannot start the encoder %s at %dx%d", d->encoder,
                         spec->width, spec->height);
        return false;
    }
    m->stream = avformat_new_stream(m->format, NULL);
    m->stream->time_base = c->time_base;
    m->stream->avg_frame_rate = m->stream->r_frame_rate = c->framerate;
    m->stream->sample_aspect_ratio = c->sample_aspect_ratio;
    avcodec_parameters_from_context(m->stream->codecpar, c);
    return true;
}

static bool open_file(rw_movie *m, const rw_movie_spec *spec, GError **error)
{
    m->file = rw_whole_file_open(spec->path, error);
    if (!m->file)
        return false;
    const char *temp = rw_whole_file_temp(m->file);
    int code = avformat_alloc_output_context2(&m->format, NULL, m->delivery->muxer, temp);
    if (code < 0) {
        rw_error_from_av(error, code, "Cannot write a %s file", m->delivery->muxer);
        return false;
    }
    AVDictionary *options = NULL;
    bool ok = open_encoder(m, spec, &options, error);
    if (ok && spec->sound) {
        rw_rational length = {spec->frames * spec->rate.den, spec->rate.num};
        m->sound = rw_sound_open(spec->sound, spec->sound_at, length, m->format,
                                 m->delivery->sound_encoder, error);
        ok = m->sound != NULL;
    }
    if (ok && spec->title)
        av_dict_set(&m->format->metadata, "title", spec->title, 0);
    if (ok) {
        code = avio_open(&m->format->pb, temp, AVIO_FLAG_WRITE);
        if (code >= 0)
            code = avformat_write_header(m->format, &options);
        if (code < 0) {
            rw_error_from_av(error, code, "Cannot begin %s", spec->path);
            ok = false;
        }
    }
    av_dict_free(&options);
    return ok;
}

rw_movie *rw_movie_open(const rw_delivery *delivery, const rw_movie_spec *spec, GError **error)
{
    av_log_set_level(AV_LOG_FATAL); /* what goes wrong is said once, by us */
    rw_movie *m = g_new0(rw_movie, 1);
    m->delivery = delivery;
    m->path = g_strdup(spec->path);
    m->rate = spec->rate;
    m->frame = av_frame_alloc();
    m->packet = av_packet_alloc();
    if (delivery->muxer && !open_file(m, spec, error))
        rw_movie_abandon(&m);
    return m;
}

static void free_buffer(void *opaque, uint8_t *data)
{
    (void)data;
    rw_buffer *buffer = opaque;
    rw_buffer_unref(&buffer);
}

/* An AVFrame that shares the samples. */
static void wrap(rw_movie *m, const rw_packed *p)
{
    AVFrame *f = m->frame;
    const AVCodecContext *c = m->encoder;
    av_frame_unref(f);
    f->width = p->width;
    f->height = p->height;
    f->format = c->pix_fmt;
    f->pts = m->written;
    f->color_primaries = c->color_primaries;
    f->color_trc = c->color_trc;
    f->colorspace = c->colorspace;
    f->color_range = c->color_range;
    f->chroma_location = c->chroma_sample_location;
    f->sample_aspect_ratio = c->sample_aspect_ratio;
    for (int i = 0; i < 3; i++) {
        f->data[i] = p->plane[i];
        f->linesize[i] = p->stride[i];
    }
    f->buf[0] = av_buffer_create(rw_buffer_data(p->buffer), rw_buffer_size(p->buffer), free_buffer,
                                 rw_buffer_ref(p->buffer), AV_BUFFER_FLAG_READONLY);
}

/* Everything that the encoder has ready goes into the file. */
static bool drain(rw_movie *m, GError **error)
{
    for (;;) {
        int code = avcodec_receive_packet(m->encoder, m->packet);
        if (code == AVERROR(EAGAIN) || code == AVERROR_EOF)
            return true;
        if (code >= 0) {
            m->packet->duration = 1; /* one frame, in the encoder's time base */
            m->packet->stream_index = m->stream->index;
            av_packet_rescale_ts(m->packet, m->encoder->time_base, m->stream->time_base);
            code = av_interleaved_write_frame(m->format, m->packet);
        }
        if (code >= 0 && m->format->pb->error < 0)
            code = m->format->pb->error;
        if (code < 0) {
            rw_error_from_av(error, code, "Cannot write %s; nothing of it is kept", m->path);
            return false;
        }
    }
}

bool rw_movie_write(rw_movie *m, const rw_packed *packed, GError **error)
{
    if (!m->encoder) { /* a delivery without a file */
        m->written++;
        return true;
    }
    if (m->sound) {
        rw_rational until = {(m->written + 1) * m->rate.den, m->rate.num};
        if (!rw_sound_write(m->sound, until, error))
            return false;
    }
    wrap(m, packed);
    int code = avcodec_send_frame(m->encoder, m->frame);
    av_frame_unref(m->frame);
    if (code < 0) {
        rw_error_from_av(error, code, "The encoder %s stopped at frame %" G_GINT64_FORMAT,
                         m->delivery->encoder, m->written);
        return false;
    }
    m->written++;
    return drain(m, error);
}

static bool finish(rw_movie *m, GError **error)
{
    int code = avcodec_send_frame(m->encoder, NULL);
    if (code < 0 && code != AVERROR_EOF) {
        rw_error_from_av(error, code, "The encoder %s cannot end", m->delivery->encoder);
        return false;
    }
    if (!drain(m, error) || (m->sound && !rw_sound_finish(m->sound, error)))
        return false;
    code = av_write_trailer(m->format);
    if (code >= 0)
        code = avio_closep(&m->format->pb);
    if (code < 0) {
        rw_error_from_av(error, code, "Cannot write %s; nothing of it is kept", m->path);
        return false;
    }
    return rw_whole_file_commit(&m->file, error);
}

bool rw_movie_close(rw_movie **movie, GError **error)
{
    bool ok = !(*movie)->encoder || finish(*movie, error);
    rw_movie_abandon(movie);
    return ok;
}

void rw_movie_abandon(rw_movie **movie)
{
    rw_movie *m = *movie;
    if (!m)
        return;
    rw_sound_close(&m->sound);
    avcodec_free_context(&m->encoder);
    if (m->format)
        avio_closep(&m->format->pb);
    avformat_free_context(m->format);
    av_frame_free(&m->frame);
    av_packet_free(&m->packet);
    rw_whole_file_abandon(&m->file);
    g_free(m->path);
    g_clear_pointer(movie, g_free);
}
