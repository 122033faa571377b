/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/footage.h"

#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/imgutils.h>
#include <libavutil/pixdesc.h>
#include <libswscale/swscale.h>

#include "demo/fmath.h"

#define KEPT                                                                                       \
    40 /* decoded frames held, so that playing backwards does not decode each GOP per frame */

typedef struct kept_frame {
    int64_t n;
    AVFrame *frame;
} kept_frame;

struct rw_demo_footage {
    char *path;
    AVFormatContext *format;
    AVCodecContext *codec;
    int stream;
    GArray *times; /* int64_t presentation times, ascending: index is the frame number */
    int64_t next;  /* frame that the decoder gives next, or -1 after a seek */
    kept_frame kept[KEPT];
    int kept_at;
    GMutex lock;

    int crop_x, crop_y, crop_width, crop_height; /* of the decoded picture */
    int width, height;                           /* of the reduced one */
    int bits;                                    /* of the file's samples */
    float *code_to_light;                        /* 65536 entries */
    float matrix[3][3];                          /* Y, Cb, Cr to R, G, B */
};

static void set_av_error(GError **error, const char *path, const char *what, int code)
{
    char text[AV_ERROR_MAX_STRING_SIZE];
    av_strerror(code, text, sizeof text);
    g_set_error(error, RW_ERROR, code == AVERROR(ENOENT) ? RW_ERROR_NOT_FOUND : RW_ERROR_DAMAGED,
                "%s %s: %s.", what, path, text);
}

static int compare_times(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

static bool rewind_to(rw_demo_footage *f, int64_t time, GError **error)
{
    int code = av_seek_frame(f->format, f->stream, time, AVSEEK_FLAG_BACKWARD);
    if (code < 0) {
        set_av_error(error, f->path, "Cannot go to a place in", code);
        return false;
    }
    avcodec_flush_buffers(f->codec);
    f->next = -1;
    return true;
}

/* The display times of all packets are the numbering of the frames. */
static bool read_index(rw_demo_footage *f, GError **error)
{
    f->times = g_array_new(FALSE, FALSE, sizeof(int64_t));
    AVPacket *packet = av_packet_alloc();
    while (av_read_frame(f->format, packet) >= 0) {
        if (packet->stream_index == f->stream && packet->size > 0) {
            int64_t time = packet->pts != AV_NOPTS_VALUE ? packet->pts : packet->dts;
            if (time != AV_NOPTS_VALUE)
                g_array_append_val(f->times, time);
        }
        av_packet_unref(packet);
    }
    av_packet_free(&packet);
    if (f->times->len == 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "%s has no frames with times; convert it to a common movie format first.",
                    f->path);
        return false;
    }
    g_array_sort(f->times, compare_times);
    return rewind_to(f, g_array_index(f->times, int64_t, 0), error);
}

static bool open_codec(rw_demo_footage *f, GError **error)
{
    int code = avformat_open_input(&f->format, f->path, NULL, NULL);
    if (code < 0) {
        set_av_error(error, f->path, "Cannot open the footage", code);
        return false;
    }
    const AVCodec *decoder = NULL;
    code = avformat_find_stream_info(f->format, NULL);
    if (code >= 0)
        code = f->stream = av_find_best_stream(f->format, AVMEDIA_TYPE_VIDEO, -1, -1, &decoder, 0);
    if (code >= 0) {
        f->codec = avcodec_alloc_context3(decoder);
        code = avcodec_parameters_to_context(f->codec, f->format->streams[f->stream]->codecpar);
    }
    if (code >= 0) {
        f->codec->thread_count = 1; /* the workers are threads enough */
        f->codec->pkt_timebase = f->format->streams[f->stream]->time_base;
        code = avcodec_open2(f->codec, decoder, NULL);
    }
    if (code < 0)
        set_av_error(error, f->path, "Cannot read moving pictures from", code);
    return code >= 0;
}

static void set_matrix(rw_demo_footage *f)
{
    const AVPixFmtDescriptor *form = av_pix_fmt_desc_get(f->codec->pix_fmt);
    f->bits = form ? CLAMP(form->comp[0].depth, 8, 16) : 8;
    enum AVColorSpace space = f->codec->colorspace;
    if (space == AVCOL_SPC_UNSPECIFIED) /* common practice: small pictures are BT.601 */
        space = f->codec->height < 720 ? AVCOL_SPC_SMPTE170M : AVCOL_SPC_BT709;
    float kr = 0.2126f, kb = 0.0722f; /* ITU-R BT.709-6 */
    if (space == AVCOL_SPC_BT470BG || space == AVCOL_SPC_SMPTE170M) {
        kr = 0.299f; /* ITU-R BT.601-7 */
        kb = 0.114f;
    } else if (space == AVCOL_SPC_BT2020_NCL) {
        kr = 0.2627f; /* ITU-R BT.2020-2 */
        kb = 0.0593f;
    }
    float kg = 1 - kr - kb;
    float m[3][3] = {{1, 0, 2 * (1 - kr)},
                     {1, -2 * (1 - kb) * kb / kg, -2 * (1 - kr) * kr / kg},
                     {1, 2 * (1 - kb), 0}};
    memcpy(f->matrix, m, sizeof m);
}

/* The picture as a reference display shows it (ITU-R BT.1886 with a black of zero). */
static void set_transfer(rw_demo_footage *f)
{
    f->code_to_light = g_new(float, 65536);
    for (int i = 0; i < 65536; i++)
        f->code_to_light[i] = demo_powf((float)i / 65535.0f, 2.4f);
}

static void set_crop(rw_demo_footage *f, double aspect, int most_width, double reduce)
{
    AVRational sar = f->codec->sample_aspect_ratio;
    double squeeze = sar.num > 0 && sar.den > 0 ? (double)sar.num / sar.den : 1;
    int w = f->codec->width, h = f->codec->height;
    double pixel_aspect = aspect / squeeze; /* of the crop, counted in stored pixels */
    f->crop_width = (int)MIN(w, h * pixel_aspect + 0.5);
    f->crop_height = (int)MIN(h, w / pixel_aspect + 0.5);
    f->crop_x = (w - f->crop_width) / 2;
    f->crop_y = (h - f->crop_height) / 2;
    double scale = MIN(1.0, most_width / (f->crop_width * squeeze)) / reduce;
    f->width = MAX(8, (int)(f->crop_width * MIN(1.0, squeeze) * scale + 0.5));
    f->height = MAX(6, (int)(f->width / aspect + 0.5));
    f->width = MIN(f->width, f->crop_width);
    f->height = MIN(f->height, f->crop_height);
}

rw_demo_footage *rw_demo_footage_open(const char *path, double aspect, int most_width,
                                      double reduce, GError **error)
{
    rw_demo_footage *f = g_new0(rw_demo_footage, 1);
    g_mutex_init(&f->lock);
    f->path = g_strdup(path);
    for (int i = 0; i < KEPT; i++)
        f->kept[i].n = -1;
    if (!open_codec(f, error) || !read_index(f, error)) {
        rw_demo_footage_close(&f);
        return NULL;
    }
    set_matrix(f);
    set_transfer(f);
    set_crop(f, aspect, most_width, reduce);
    return f;
}

void rw_demo_footage_close(rw_demo_footage **footage)
{
    rw_demo_footage *f = *footage;
    if (!f)
        return;
    for (int i = 0; i < KEPT; i++)
        av_frame_free(&f->kept[i].frame);
    avcodec_free_context(&f->codec);
    avformat_close_input(&f->format);
    if (f->times)
        g_array_free(f->times, TRUE);
    g_mutex_clear(&f->lock);
    g_free(f->code_to_light);
    g_free(f->path);
    g_clear_pointer(footage, g_free);
}

int64_t rw_demo_footage_count(const rw_demo_footage *footage)
{
    return footage->times->len;
}

static int64_t number_of(const rw_demo_footage *f, int64_t time)
{
    guint at;
    return g_array_binary_search(f->times, &time, compare_times, &at) ? (int64_t)at : -1;
}

static AVFrame *find_kept(rw_demo_footage *f, int64_t n)
{
    for (int i = 0; i < KEPT; i++)
        if (f->kept[i].n == n)
            return av_frame_clone(f->kept[i].frame);
    return NULL;
}

/* Takes over `frame`. */
static void keep(rw_demo_footage *f, AVFrame *frame, int64_t n)
{
    kept_frame *k = &f->kept[f->kept_at];
    f->kept_at = (f->kept_at + 1) % KEPT;
    av_frame_free(&k->frame);
    *k = (kept_frame){n, frame};
}

/* One more frame out of the decoder, kept under its number; its number, or -1 at the end. */
static int64_t decode_next(rw_demo_footage *f, GError **error)
{
    AVFrame *frame = av_frame_alloc();
    AVPacket *packet = av_packet_alloc();
    int code;
    while ((code = avcodec_receive_frame(f->codec, frame)) == AVERROR(EAGAIN)) {
        int read = av_read_frame(f->format, packet);
        if (read >= 0 && packet->stream_index != f->stream) {
            av_packet_unref(packet);
            continue;
        }
        /* a packet that does not decode leaves a hole that the caller sees */
        avcodec_send_packet(f->codec, read >= 0 ? packet : NULL);
        av_packet_unref(packet);
    }
    av_packet_free(&packet);
    if (code < 0) {
        av_frame_free(&frame);
        if (code != AVERROR_EOF)
            set_av_error(error, f->path, "Cannot decode", code);
        return -1;
    }
    f->next = number_of(f, frame->best_effort_timestamp);
    keep(f, frame, f->next);
    return f->next;
}

static AVFrame *take_frame(rw_demo_footage *f, int64_t n, GError **error)
{
    AVFrame *frame = find_kept(f, n);
    if (frame)
        return frame;
    /* forward a little: read on; else go to a key frame some way before, which fills the shelf
     * for whoever plays backwards */
    if (f->next < 0 || n <= f->next || n > f->next + 100) {
        int64_t start = n < f->next && f->next - n < KEPT ? MAX(0, n - KEPT / 2) : n;
        if (!rewind_to(f, g_array_index(f->times, int64_t, start), error))
            return NULL;
    }
    bool again = false;
    while (!(frame = find_kept(f, n))) {
        GError *why = NULL;
        int64_t got = decode_next(f, &why);
        if (got >= 0 && got <= n)
            continue;
        if (!why && !again) { /* the seek went too far: from the start */
            again = true;
            if (!rewind_to(f, g_array_index(f->times, int64_t, 0), error))
                return NULL;
            continue;
        }
        if (why)
            g_propagate_error(error, why);
        else
            g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                        "Frame %" G_GINT64_FORMAT
                        " of %s does not decode; use another part of it (--first-frame).",
                        n, f->path);
        return NULL;
    }
    return frame;
}

static bool is_rgb(const AVFrame *frame)
{
    const AVPixFmtDescriptor *d = av_pix_fmt_desc_get((enum AVPixelFormat)frame->format);
    return d && d->flags & AV_PIX_FMT_FLAG_RGB;
}

/* Three full planes of 16 bits, Y Cb Cr or G B R as it came; NULL when out of memory. */
static AVFrame *to_444(const AVFrame *in)
{
    AVFrame *out = av_frame_alloc();
    out->format = is_rgb(in) ? AV_PIX_FMT_GBRP16 : AV_PIX_FMT_YUV444P16;
    out->width = in->width;
    out->height = in->height;
    struct SwsContext *sws = sws_getContext(
        in->width, in->height, (enum AVPixelFormat)in->format, in->width, in->height,
        (enum AVPixelFormat)out->format,
        SWS_BICUBIC | SWS_ACCURATE_RND | SWS_BITEXACT | SWS_FULL_CHR_H_INP, NULL, NULL, NULL);
    if (!sws || av_frame_get_buffer(out, 64) < 0) {
        sws_freeContext(sws);
        av_frame_free(&out);
        return NULL;
    }
    const int *same = sws_getCoefficients(SWS_CS_DEFAULT);
    int full = in->color_range == AVCOL_RANGE_JPEG;
    sws_setColorspaceDetails(sws, same, full, same, full, 0, 1 << 16, 1 << 16);
    sws_scale(sws, (const uint8_t *const *)in->data, in->linesize, 0, in->height, out->data,
              out->linesize);
    out->color_range = in->color_range;
    sws_freeContext(sws);
    return out;
}

static void row_to_light(const rw_demo_footage *f, const AVFrame *in, int y, float *row)
{
    const uint16_t *p[3];
    for (int c = 0; c < 3; c++)
        p[c] = (const uint16_t *)(const void *)(in->data[c] + (ptrdiff_t)y * in->linesize[c]) +
               f->crop_x;
    bool rgb = is_rgb(in), full = in->color_range == AVCOL_RANGE_JPEG;
    /* samples of fewer bits were shifted up, so that full scale is a little less than 65535 */
    float most = (float)(((1 << f->bits) - 1) << (16 - f->bits));
    float black = full ? 0 : 16.0f * 256, luma = full ? most : 219.0f * 256;
    float chroma = full ? most : 224.0f * 256;
    for (int x = 0; x < f->crop_width; x++) {
        float yy = ((float)p[0][x] - black) / luma, cb = ((float)p[1][x] - 32768.0f) / chroma,
              cr = ((float)p[2][x] - 32768.0f) / chroma;
        for (int c = 0; c < 3; c++) {
            float v = yy + f->matrix[c][1] * cb + f->matrix[c][2] * cr;
            if (rgb)
                v = (float)p[(c + 2) % 3][x] / most;
            row[4 * x + c] = f->code_to_light[(int)(demo_clampf(v, 0, 1) * 65535.0f + 0.5f)];
        }
        row[4 * x + 3] = 0;
    }
}

/* Area mean of `from` samples into `to`, from >= to; `step` floats apart, 4 channels. */
static void reduce_line(const float *in, int from, float *out, int to)
{
    double ratio = (double)from / to;
    for (int i = 0; i < to; i++) {
        double a = i * ratio, b = MIN((i + 1) * ratio, from);
        float sum[4] = {0};
        for (int k = (int)a; k < b; k++) {
            float w = (float)(MIN(k + 1.0, b) - MAX((double)k, a));
            for (int c = 0; c < 4; c++)
                sum[c] += w * in[4 * k + c];
        }
        for (int c = 0; c < 4; c++)
            out[4 * i + c] = sum[c] / (float)(b - a);
    }
}

static void draw(const rw_demo_footage *f, const AVFrame *in, rw_demo_picture *picture)
{
    float *row = g_new(float, (size_t)f->crop_width * 4);
    float *narrow = g_new(float, (size_t)f->width * 4);
    double ratio = (double)f->crop_height / f->height;
    memset(picture->px, 0, sizeof(float) * 4 * (size_t)f->width * (size_t)f->height);
    for (int y = 0; y < f->crop_height; y++) {
        row_to_light(f, in, f->crop_y + y, row);
        reduce_line(row, f->crop_width, narrow, f->width);
        /* each source row belongs to one or two rows of the result */
        for (int j = (int)(y / ratio); j < f->height && j * ratio < y + 1; j++) {
            float w = (float)((MIN((j + 1) * ratio, y + 1.0) - MAX(j * ratio, (double)y)) / ratio);
            float *out = picture->px + (size_t)j * (size_t)f->width * 4;
            for (int i = 0; w > 0 && i < f->width * 4; i++)
                out[i] += w * narrow[i];
        }
    }
    g_free(row);
    g_free(narrow);
}

bool rw_demo_footage_draw(rw_demo_footage *footage, int64_t frame, rw_demo_picture *picture,
                          GError **error)
{
    rw_demo_footage *f = footage;
    g_return_val_if_fail(frame >= 0 && frame < f->times->len, false);
    g_mutex_lock(&f->lock);
    AVFrame *in = take_frame(f, frame, error);
    g_mutex_unlock(&f->lock);
    if (!in)
        return false;
    AVFrame *planar =
        in->width == f->codec->width && in->height == f->codec->height ? to_444(in) : NULL;
    av_frame_free(&in);
    if (!planar) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "Frame %" G_GINT64_FORMAT " of %s cannot be converted; the footage must keep "
                    "one picture size.",
                    frame, f->path);
        return false;
    }
    picture->width = f->width;
    picture->height = f->height;
    picture->px = g_new(float, 4 * (size_t)f->width * (size_t)f->height);
    draw(f, planar, picture);
    av_frame_free(&planar);
    return true;
}
