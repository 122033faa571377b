/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/movie.h"

#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/opt.h>

#include "base/fs.h"

struct rw_demo_encoder {
    AVCodecContext *codec;
    AVFrame *frame;
    rw_demo_movie_form form;
};

struct rw_demo_movie {
    rw_whole_file *file;
    char *path;
    AVFormatContext *format;
    AVStream *stream;
    AVRational tick; /* one frame */
    int64_t written;
};

static void set_av_error(GError **error, const char *sentence, int code)
{
    char text[AV_ERROR_MAX_STRING_SIZE];
    av_strerror(code, text, sizeof text);
    g_set_error(error, RW_ERROR, code == AVERROR(ENOSPC) ? RW_ERROR_NO_SPACE : RW_ERROR_IO,
                "%s: %s.", sentence, text);
}

void rw_demo_encoder_free(rw_demo_encoder **encoder)
{
    if (!*encoder)
        return;
    avcodec_free_context(&(*encoder)->codec);
    av_frame_free(&(*encoder)->frame);
    g_clear_pointer(encoder, g_free);
}

rw_demo_encoder *rw_demo_encoder_new(const rw_demo_movie_form *form, GError **error)
{
    const AVCodec *codec = avcodec_find_encoder(AV_CODEC_ID_FFV1);
    rw_demo_encoder *e = g_new0(rw_demo_encoder, 1);
    e->form = *form;
    e->codec = avcodec_alloc_context3(codec);
    e->codec->width = form->width;
    e->codec->height = form->height;
    e->codec->pix_fmt = form->grey ? AV_PIX_FMT_GRAY8 : AV_PIX_FMT_0RGB32;
    e->codec->time_base = (AVRational){(int)form->fps.den, (int)form->fps.num};
    e->codec->gop_size = 1;
    e->codec->thread_count = 1;
    e->codec->slices = 4;
    e->codec->level = 3;
    e->codec->flags |= AV_CODEC_FLAG_BITEXACT | AV_CODEC_FLAG_GLOBAL_HEADER;
    e->codec->sample_aspect_ratio = (AVRational){1, 1};
    if (!form->grey) {
        e->codec->color_primaries = AVCOL_PRI_BT709;
        e->codec->color_trc = AVCOL_TRC_IEC61966_2_1;
        e->codec->colorspace = AVCOL_SPC_RGB;
    }
    e->codec->color_range = AVCOL_RANGE_JPEG;
    int code = avcodec_open2(e->codec, codec, NULL);
    if (code >= 0) {
        e->frame = av_frame_alloc();
        e->frame->format = e->codec->pix_fmt;
        e->frame->width = form->width;
        e->frame->height = form->height;
        e->frame->color_range = AVCOL_RANGE_JPEG;
        code = av_frame_get_buffer(e->frame, 0);
    }
    if (code < 0) {
        set_av_error(error, "Cannot open the FFV1 encoder for the truth movie", code);
        rw_demo_encoder_free(&e);
    }
    return e;
}

GBytes *rw_demo_encoder_encode(rw_demo_encoder *e, const uint8_t *pixels, GError **error)
{
    AVPacket *packet = av_packet_alloc();
    size_t row = (size_t)e->form.width * (e->form.grey ? 1 : 4);
    int code = av_frame_make_writable(e->frame);
    for (int y = 0; code >= 0 && y < e->form.height; y++)
        memcpy(e->frame->data[0] + (ptrdiff_t)y * e->frame->linesize[0], pixels + (size_t)y * row,
               row);
    e->frame->pts++;
    if (code >= 0)
        code = avcodec_send_frame(e->codec, e->frame);
    if (code >= 0)
        code = avcodec_receive_packet(e->codec, packet);
    GBytes *out = code >= 0 ? g_bytes_new(packet->data, (gsize)packet->size) : NULL;
    if (!out)
        set_av_error(error, "Cannot encode a frame of the truth movie", code);
    av_packet_free(&packet);
    return out;
}

static void close_movie(rw_demo_movie **movie)
{
    rw_demo_movie *m = *movie;
    if (m->format)
        avio_closep(&m->format->pb);
    avformat_free_context(m->format);
    g_free(m->path);
    g_clear_pointer(movie, g_free);
}

static int open_file(rw_demo_movie *m, const rw_demo_encoder *model)
{
    int code = avformat_alloc_output_context2(&m->format, NULL, "matroska", m->path);
    if (code < 0)
        return code;
    m->format->flags |= AVFMT_FLAG_BITEXACT;
    m->stream = avformat_new_stream(m->format, NULL);
    if (!m->stream)
        return AVERROR(ENOMEM);
    m->tick = model->codec->time_base;
    m->stream->time_base = m->tick;
    m->stream->avg_frame_rate = (AVRational){m->tick.den, m->tick.num};
    code = avcodec_parameters_from_context(m->stream->codecpar, model->codec);
    if (code >= 0)
        code = avio_open(&m->format->pb, rw_whole_file_temp(m->file), AVIO_FLAG_WRITE);
    return code < 0 ? code : avformat_write_header(m->format, NULL);
}

rw_demo_movie *rw_demo_movie_create(const char *path, const rw_demo_movie_form *form,
                                    GError **error)
{
    rw_demo_encoder *model = rw_demo_encoder_new(form, error); /* for its configuration record */
    if (!model)
        return NULL;
    rw_demo_movie *m = g_new0(rw_demo_movie, 1);
    m->path = g_strdup(path);
    m->file = rw_whole_file_open(path, error);
    int code = m->file ? open_file(m, model) : 0;
    if (code < 0) {
        g_autofree char *sentence = g_strdup_printf("Cannot begin the movie %s", path);
        set_av_error(error, sentence, code);
    }
    rw_demo_encoder_free(&model);
    if (!m->file || code < 0)
        rw_demo_movie_abandon(&m);
    return m;
}

bool rw_demo_movie_write(rw_demo_movie *m, GBytes *packet, GError **error)
{
    gsize bytes;
    const void *data = g_bytes_get_data(packet, &bytes);
    AVPacket *p = av_packet_alloc();
    int code = av_new_packet(p, (int)bytes);
    if (code >= 0) {
        memcpy(p->data, data, bytes);
        p->flags |= AV_PKT_FLAG_KEY;
        p->pts = p->dts = m->written++;
        p->duration = 1;
        av_packet_rescale_ts(p, m->tick, m->stream->time_base);
        code = av_interleaved_write_frame(m->format, p);
    }
    av_packet_free(&p);
    if (code < 0) {
        g_autofree char *sentence = g_strdup_printf("Cannot write %s", m->path);
        set_av_error(error, sentence, code);
    }
    return code >= 0;
}

bool rw_demo_movie_finish(rw_demo_movie **movie, GError **error)
{
    rw_demo_movie *m = *movie;
    int code = av_write_trailer(m->format);
    if (code >= 0)
        code = avio_closep(&m->format->pb);
    if (code < 0) {
        g_autofree char *sentence = g_strdup_printf("Cannot finish %s", m->path);
        set_av_error(error, sentence, code);
        rw_demo_movie_abandon(movie);
        return false;
    }
    rw_whole_file *file = m->file;
    close_movie(movie);
    return rw_whole_file_commit(&file, error);
}

void rw_demo_movie_abandon(rw_demo_movie **movie)
{
    if (!*movie)
        return;
    rw_whole_file *file = (*movie)->file;
    close_movie(movie);
    rw_whole_file_abandon(&file);
}
