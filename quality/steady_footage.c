/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>

#include "steady_footage.h"

/* ---- clips ---- */

typedef struct clip {
    int width, height, count;
    GPtrArray *luma; /* uint8_t planes */
} clip;

static void clip_take(clip *c, const AVFrame *frame)
{
    uint8_t *plane = g_malloc((gsize)frame->width * (gsize)frame->height);
    for (int y = 0; y < frame->height; y++)
        memcpy(plane + (size_t)y * (size_t)frame->width, frame->data[0] + y * frame->linesize[0],
               (size_t)frame->width);
    c->width = frame->width;
    c->height = frame->height;
    g_ptr_array_add(c->luma, plane);
    c->count++;
}

static void clip_drain(clip *c, AVCodecContext *codec, AVFrame *frame, int *skip, int most)
{
    while (avcodec_receive_frame(codec, frame) == 0) {
        if (*skip > 0)
            (*skip)--;
        else if (c->count < most)
            clip_take(c, frame);
        av_frame_unref(frame);
    }
}

static clip *clip_read(const char *path, int first, int most, GError **error)
{
    clip *c = g_new0(clip, 1);
    c->luma = g_ptr_array_new_with_free_func(g_free);
    AVFormatContext *format = NULL;
    AVCodecContext *codec = NULL;
    const AVCodec *decoder = NULL;
    int stream = -1;
    if (avformat_open_input(&format, path, NULL, NULL) == 0 &&
        avformat_find_stream_info(format, NULL) >= 0)
        stream = av_find_best_stream(format, AVMEDIA_TYPE_VIDEO, -1, -1, &decoder, 0);
    if (stream >= 0 && (codec = avcodec_alloc_context3(decoder)) &&
        avcodec_parameters_to_context(codec, format->streams[stream]->codecpar) >= 0 &&
        avcodec_open2(codec, decoder, NULL) == 0) {
        AVPacket *packet = av_packet_alloc();
        AVFrame *frame = av_frame_alloc();
        while (c->count < most && av_read_frame(format, packet) >= 0) {
            if (packet->stream_index == stream && avcodec_send_packet(codec, packet) == 0)
                clip_drain(c, codec, frame, &first, most);
            av_packet_unref(packet);
        }
        avcodec_send_packet(codec, NULL);
        clip_drain(c, codec, frame, &first, most);
        av_packet_free(&packet);
        av_frame_free(&frame);
    }
    avcodec_free_context(&codec);
    avformat_close_input(&format);
    if (c->count > 0)
        return c;
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "No picture of %s can be read.", path);
    g_ptr_array_unref(c->luma);
    g_free(c);
    return NULL;
}

static void clip_free(clip *c)
{
    if (!c)
        return;
    g_ptr_array_unref(c->luma);
    g_free(c);
}

/* Played to and fro, so that it never jumps. */
static const uint8_t *clip_frame(const clip *c, int t)
{
    int period = MAX(1, 2 * (c->count - 1)), at = t % period;
    return g_ptr_array_index(c->luma, (guint)(at < c->count ? at : period - at));
}

/* ---- warp: windowed sinc of six taps each way, table of 1/64 px interpolated linearly ---- */

#define TAPS  6
#define STEPS 64

typedef struct kernel {
    float weight[STEPS + 1][TAPS];
} kernel;

static double lanczos(double x)
{
    if (fabs(x) < 1e-9)
        return 1;
    if (fabs(x) >= 3)
        return 0;
    return 3 * sin(G_PI * x) * sin(G_PI * x / 3) / (G_PI * G_PI * x * x);
}

static void kernel_init(kernel *k)
{
    for (int i = 0; i <= STEPS; i++) {
        double f = (double)i / STEPS, sum = 0, w[TAPS];
        for (int j = 0; j < TAPS; j++)
            sum += w[j] = lanczos(j - 2 - f);
        for (int j = 0; j < TAPS; j++)
            k->weight[i][j] = (float)(w[j] / sum);
    }
}

static void kernel_at(const kernel *k, double fraction, float w[TAPS])
{
    double at = fraction * STEPS;
    int i = MIN((int)at, STEPS - 1);
    float f = (float)(at - i);
    for (int j = 0; j < TAPS; j++)
        w[j] = k->weight[i][j] + f * (k->weight[i + 1][j] - k->weight[i][j]);
}

static float sample(const kernel *k, const uint8_t *px, int width, int height, double x, double y)
{
    int ix = (int)floor(x), iy = (int)floor(y);
    float wx[TAPS], wy[TAPS], sum = 0;
    kernel_at(k, x - ix, wx);
    kernel_at(k, y - iy, wy);
    for (int j = 0; j < TAPS; j++) {
        const uint8_t *row = px + (size_t)CLAMP(iy + j - 2, 0, height - 1) * (size_t)width;
        float line = 0;
        if (ix >= 2 && ix + 3 < width)
            for (int i = 0; i < TAPS; i++)
                line += wx[i] * (float)row[ix + i - 2];
        else
            for (int i = 0; i < TAPS; i++)
                line += wx[i] * (float)row[CLAMP(ix + i - 2, 0, width - 1)];
        sum += wy[j] * line;
    }
    return sum;
}

/* ---- the picture ---- */

typedef struct maker {
    const footage_recipe *recipe;
    clip *scene, *object;
    kernel kernel;
    float *work;
    size_t area;
} maker;

/* 0..1 with an ease at each end: still, then quickly to an even speed, then still again. */
static double pan_progress(double u)
{
    const double still = 0.15, ease = 0.1;
    double v = (u - still) / (1 - 2 * still), top = 1 / (1 - ease);
    if (v <= 0)
        return 0;
    if (v >= 1)
        return 1;
    if (v < ease)
        return 0.5 * top * v * v / ease;
    if (v > 1 - ease)
        return 1 - 0.5 * top * (1 - v) * (1 - v) / ease;
    return top * (v - 0.5 * ease);
}

/* How far the scene lies from its place: the pan, and a sway of three periods. */
static void place_at(const footage_recipe *r, int t, double *x, double *y)
{
    static const double period[3] = {70, 31, 17}, size[3] = {1, 0.5, 0.2};
    double sway_x = 0, sway_y = 0;
    for (int i = 0; i < 3; i++) {
        sway_x += size[i] * sin(2 * G_PI * (t / period[i] + 0.37 * i));
        sway_y += size[i] * sin(2 * G_PI * (t / (period[i] * 1.3) + 0.61 * i + 0.2));
    }
    *x = r->hand * sway_x / 0.8 - r->pan * pan_progress((double)t / MAX(r->frames - 1, 1));
    *y = r->hand * sway_y / 0.8;
}

static void draw_scene(maker *m, int t, float *out)
{
    const footage_recipe *r = m->recipe;
    const clip *c = m->scene;
    const uint8_t *px = clip_frame(c, t);
    double x0, y0;
    place_at(r, t, &x0, &y0);
    /* the pan starts half its travel to the left of the middle */
    double cx = 0.5 * (c->width - 1) - (0.5 * r->pan + x0 + 0.5 * FOOTAGE_WIDTH - 0.5) / r->zoom;
    double cy = 0.5 * (c->height - 1) - (y0 + 0.5 * FOOTAGE_HEIGHT - 0.5) / r->zoom;
    for (int y = 0; y < FOOTAGE_HEIGHT; y++)
        for (int x = 0; x < FOOTAGE_WIDTH; x++)
            *out++ =
                sample(&m->kernel, px, c->width, c->height, cx + x / r->zoom, cy + y / r->zoom);
}

/* A body that walks to and fro and bobs, wearing another clip. The camera's movement does not
 * concern it. */
static void draw_object(maker *m, int t, float *out)
{
    const clip *c = m->object;
    const uint8_t *px = clip_frame(c, t);
    double half_h = 0.46 * FOOTAGE_HEIGHT;
    double half_w = m->recipe->object * FOOTAGE_WIDTH * FOOTAGE_HEIGHT / (4 * half_h * 0.9);
    double ox = 0.5 * FOOTAGE_WIDTH + 0.24 * FOOTAGE_WIDTH * sin(2 * G_PI * t / 83.0) +
                9 * sin(2 * G_PI * t / 11.0);
    double oy = 0.58 * FOOTAGE_HEIGHT + 12 * sin(2 * G_PI * t / 9.0);
    for (int y = 0; y < FOOTAGE_HEIGHT; y++)
        for (int x = 0; x < FOOTAGE_WIDTH; x++, out++) {
            double u = x - ox, v = y - oy, a = fabs(u) / half_w, b = fabs(v) / half_h;
            double edge = (1 - (a * a * a * a + b * b * b * b)) * half_w / 8;
            if (edge <= 0)
                continue;
            float f = (float)MIN(edge, 1.0);
            float g = sample(&m->kernel, px, c->width, c->height, 0.5 * c->width + u / 1.6,
                             0.5 * c->height + v / 1.6);
            *out += f * (g - *out);
        }
}

static void blur_lines(float *px, float *spare, int width, int height, double sd)
{
    int reach = (int)ceil(3 * sd);
    float *w = g_new(float, reach + 1), sum = 0;
    for (int i = 0; i <= reach; i++)
        sum += (i ? 2 : 1) * (w[i] = (float)exp(-0.5 * i * i / (sd * sd)));
    for (int pass = 0; pass < 2; pass++) {
        int n = pass ? height : width, lines = pass ? width : height;
        size_t step = pass ? (size_t)width : 1, line = pass ? 1 : (size_t)width;
        for (int l = 0; l < lines; l++) {
            float *at = px + (size_t)l * line;
            for (int i = 0; i < n; i++) {
                float v = w[0] * at[(size_t)i * step];
                for (int k = 1; k <= reach; k++)
                    v += w[k] *
                         (at[(size_t)MAX(i - k, 0) * step] + at[(size_t)MIN(i + k, n - 1) * step]);
                spare[i] = v / sum;
            }
            for (int i = 0; i < n; i++)
                at[(size_t)i * step] = spare[i];
        }
    }
    g_free(w);
}

#define FAR_BLUR 40.0 /* px sd */

/* Broad shapes out of focus that go their own way, quickly. */
static void draw_hand(int t, float *out)
{
    for (int y = 0; y < FOOTAGE_HEIGHT; y++)
        for (int x = 0; x < FOOTAGE_WIDTH; x++) {
            double u = (x + 47.0 * t) / 210, v = (y - 29.0 * t) / 160;
            *out++ = (float)(48 + 18 * sin(u + 0.6 * sin(v)) + 12 * sin(1.7 * v - 0.8 * u));
        }
}

static void draw_frame(maker *m, int t, uint8_t *luma, ptrdiff_t stride)
{
    const footage_recipe *r = m->recipe;
    footage_loss loss = t >= r->lost_first && t <= r->lost_last ? r->loss : FOOTAGE_SHOWN;
    int moment = r->held_every > 0 && t % r->held_every == r->held_every - 1 ? t - 1 : t;
    if (loss == FOOTAGE_BLACK)
        for (size_t i = 0; i < m->area; i++)
            m->work[i] = 4;
    else if (loss == FOOTAGE_COVERED)
        draw_hand(t, m->work);
    else {
        draw_scene(m, moment, m->work);
        if (m->object)
            draw_object(m, moment, m->work);
        double blur = loss == FOOTAGE_BLURRED ? FAR_BLUR : r->blur;
        if (blur > 0)
            blur_lines(m->work, m->work + m->area, FOOTAGE_WIDTH, FOOTAGE_HEIGHT, blur);
    }
    const float *from = m->work;
    for (int y = 0; y < FOOTAGE_HEIGHT; y++)
        for (int x = 0; x < FOOTAGE_WIDTH; x++, from++)
            luma[y * stride + x] = (uint8_t)lrintf(CLAMP(*from, 0.0f, 255.0f));
}

/* ---- the movie: FFV1, grey ---- */

typedef struct movie {
    AVFormatContext *format;
    AVCodecContext *codec;
    AVPacket *packet;
    AVFrame *frame;
} movie;

static void movie_close(movie *m)
{
    avcodec_free_context(&m->codec);
    av_packet_free(&m->packet);
    av_frame_free(&m->frame);
    if (m->format) {
        avio_closep(&m->format->pb);
        avformat_free_context(m->format);
    }
}

static bool movie_open(movie *m, const char *path)
{
    const AVCodec *codec = avcodec_find_encoder(AV_CODEC_ID_FFV1);
    memset(m, 0, sizeof *m);
    if (!codec || avformat_alloc_output_context2(&m->format, NULL, "matroska", path) < 0)
        return false;
    m->codec = avcodec_alloc_context3(codec);
    m->packet = av_packet_alloc();
    m->frame = av_frame_alloc();
    AVStream *stream = avformat_new_stream(m->format, NULL);
    if (!m->codec || !m->packet || !m->frame || !stream)
        return false;
    m->codec->width = FOOTAGE_WIDTH;
    m->codec->height = FOOTAGE_HEIGHT;
    m->codec->pix_fmt = AV_PIX_FMT_GRAY8;
    m->codec->time_base = stream->time_base = (AVRational){1, 18};
    m->codec->flags |= AV_CODEC_FLAG_GLOBAL_HEADER;
    m->frame->width = FOOTAGE_WIDTH;
    m->frame->height = FOOTAGE_HEIGHT;
    m->frame->format = AV_PIX_FMT_GRAY8;
    return avcodec_open2(m->codec, codec, NULL) == 0 &&
           avcodec_parameters_from_context(stream->codecpar, m->codec) >= 0 &&
           avio_open(&m->format->pb, path, AVIO_FLAG_WRITE) >= 0 &&
           avformat_write_header(m->format, NULL) >= 0 && av_frame_get_buffer(m->frame, 0) == 0;
}

static bool movie_send(movie *m, AVFrame *frame)
{
    if (avcodec_send_frame(m->codec, frame) < 0)
        return false;
    while (avcodec_receive_packet(m->codec, m->packet) == 0) {
        av_packet_rescale_ts(m->packet, m->codec->time_base, m->format->streams[0]->time_base);
        if (av_interleaved_write_frame(m->format, m->packet) < 0)
            return false;
    }
    return true;
}

static bool add_scene(movie *out, const footage_recipe *recipe, int64_t *pts, GError **error)
{
    maker m = {.recipe = recipe, .area = (size_t)FOOTAGE_WIDTH * FOOTAGE_HEIGHT};
    m.scene = clip_read(recipe->clip, recipe->first, recipe->frozen ? 1 : recipe->frames, error);
    if (m.scene && recipe->object > 0)
        m.object = clip_read(recipe->object_clip, 0, recipe->frames, error);
    bool ok = m.scene && (m.object || recipe->object <= 0);
    if (ok) {
        kernel_init(&m.kernel);
        m.work = g_new(float, 2 * m.area);
    }
    for (int t = 0; ok && t < recipe->frames; t++) {
        ok = av_frame_make_writable(out->frame) == 0;
        draw_frame(&m, t, out->frame->data[0], out->frame->linesize[0]);
        out->frame->pts = (*pts)++;
        ok = ok && movie_send(out, out->frame);
        if (!ok)
            g_set_error(error, RW_ERROR, RW_ERROR_IO, "The made-up footage cannot be written.");
    }
    g_free(m.work);
    clip_free(m.scene);
    clip_free(m.object);
    return ok;
}

bool footage_write(const char *path, const footage_recipe *scenes, int n_scenes, GError **error)
{
    movie m;
    int64_t pts = 0;
    bool ok = movie_open(&m, path);
    if (!ok)
        g_set_error(error, RW_ERROR, RW_ERROR_IO, "%s cannot be made.", path);
    for (int i = 0; ok && i < n_scenes; i++)
        ok = add_scene(&m, &scenes[i], &pts, error);
    ok = ok && movie_send(&m, NULL) && av_write_trailer(m.format) == 0;
    movie_close(&m);
    if (!ok && error && !*error)
        g_set_error(error, RW_ERROR, RW_ERROR_IO, "%s cannot be finished.", path);
    return ok;
}
