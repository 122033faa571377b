/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include <libavfilter/avfilter.h>
#include <libavfilter/buffersink.h>
#include <libavfilter/buffersrc.h>
#include <libavutil/frame.h>

#include "vidstab.h"

#define CHART_SD  8.0 /* px of the dot */
#define CHART_BOX 130 /* px around the middle in which it is looked for */

typedef struct chain {
    AVFilterGraph *graph;
    AVFilterContext *in, *out;
    int w, h;
} chain;

bool vidstab_there(void)
{
    return avfilter_get_by_name("vidstabdetect") && avfilter_get_by_name("vidstabtransform");
}

static bool chain_open(chain *c, int w, int h, const char *name, const char *options)
{
    c->w = w;
    c->h = h;
    av_log_set_level(AV_LOG_ERROR);
    c->graph = avfilter_graph_alloc();
    g_autofree char *source = g_strdup_printf(
        "video_size=%dx%d:pix_fmt=%d:time_base=1/18:pixel_aspect=1/1", w, h, AV_PIX_FMT_YUV420P);
    AVFilterContext *work = NULL;
    avfilter_graph_set_auto_convert(c->graph, (unsigned)AVFILTER_AUTO_CONVERT_NONE);
    return avfilter_graph_create_filter(&c->in, avfilter_get_by_name("buffer"), "in", source, NULL,
                                        c->graph) >= 0 &&
           avfilter_graph_create_filter(&work, avfilter_get_by_name(name), "work", options, NULL,
                                        c->graph) >= 0 &&
           avfilter_graph_create_filter(&c->out, avfilter_get_by_name("buffersink"), "out", NULL,
                                        NULL, c->graph) >= 0 &&
           avfilter_link(c->in, 0, work, 0) == 0 && avfilter_link(work, 0, c->out, 0) == 0 &&
           avfilter_graph_config(c->graph, NULL) >= 0;
}

/* One frame in; whatever comes out goes to take, in order. NULL luma: the end. */
static bool chain_push(chain *c, const uint8_t *luma, int64_t pts, int *done,
                       void (*take)(const AVFrame *, int, void *), void *user)
{
    AVFrame *frame = NULL;
    if (luma) {
        frame = av_frame_alloc();
        frame->width = c->w;
        frame->height = c->h;
        frame->format = AV_PIX_FMT_YUV420P;
        frame->pts = pts;
        if (av_frame_get_buffer(frame, 0) < 0) {
            av_frame_free(&frame);
            return false;
        }
        for (int y = 0; y < c->h; y++)
            memcpy(frame->data[0] + y * frame->linesize[0], luma + (size_t)y * (size_t)c->w,
                   (size_t)c->w);
        for (int p = 1; p < 3; p++)
            for (int y = 0; y < c->h / 2; y++)
                memset(frame->data[p] + y * frame->linesize[p], 128, (size_t)c->w / 2);
    }
    bool ok = av_buffersrc_add_frame(c->in, frame) >= 0;
    av_frame_free(&frame);
    AVFrame *out = av_frame_alloc();
    while (ok && av_buffersink_get_frame(c->out, out) >= 0) {
        take(out, (*done)++, user);
        av_frame_unref(out);
    }
    av_frame_free(&out);
    return ok;
}

static void ignore(const AVFrame *frame, int i, void *user)
{
    (void)frame;
    (void)i;
    (void)user;
}

bool vidstab_detect(vidstab_frame frame, void *user, int n, int w, int h, int shakiness,
                    bool tripod, const char *trf, GError **error)
{
    chain c = {0};
    g_autofree char *options = g_strdup_printf("shakiness=%d:accuracy=15:stepsize=6%s:result=%s",
                                               shakiness, tripod ? ":tripod=1" : "", trf);
    uint8_t *luma = g_malloc((size_t)w * (size_t)h);
    int done = 0;
    bool ok = chain_open(&c, w, h, "vidstabdetect", options);
    for (int i = 0; ok && i < n; i++) {
        frame(i, luma, user);
        ok = chain_push(&c, luma, i, &done, ignore, NULL);
    }
    ok = ok && chain_push(&c, NULL, 0, &done, ignore, NULL);
    avfilter_graph_free(&c.graph); /* this closes the result */
    g_free(luma);
    if (!ok)
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "vidstabdetect does not run.");
    return ok;
}

static void draw_chart(uint8_t *luma, int w, int h)
{
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            double dx = x - 0.5 * (w - 1), dy = y - 0.5 * (h - 1);
            double v = 20 + 220 * exp(-(dx * dx + dy * dy) / (2 * CHART_SD * CHART_SD));
            luma[(size_t)y * (size_t)w + (size_t)x] = (uint8_t)lrint(v);
        }
}

typedef struct shifts {
    double *dx, *dy;
    int n;
} shifts;

static void read_chart(const AVFrame *f, int i, void *user)
{
    shifts *s = user;
    double cx = 0.5 * (f->width - 1), cy = 0.5 * (f->height - 1), sum = 0, x_sum = 0, y_sum = 0;
    for (int y = (int)cy - CHART_BOX; y <= (int)cy + CHART_BOX; y++)
        for (int x = (int)cx - CHART_BOX; x <= (int)cx + CHART_BOX; x++) {
            double v = f->data[0][y * f->linesize[0] + x] - 24.0;
            if (v <= 0)
                continue;
            sum += v;
            x_sum += v * (x - cx);
            y_sum += v * (y - cy);
        }
    if (i < s->n && sum > 0) {
        s->dx[i] = x_sum / sum;
        s->dy[i] = y_sum / sum;
    }
}

bool vidstab_shifts(const char *trf, int n, int w, int h, int smoothing, bool gauss, bool tripod,
                    double *dx, double *dy, GError **error)
{
    chain c = {0};
    g_autofree char *options = g_strdup_printf(
        "input=%s:smoothing=%d:optalgo=%s:optzoom=0:zoom=0:crop=black:interpol=bicubic%s", trf,
        smoothing, gauss ? "gauss" : "avg", tripod ? ":tripod=1" : "");
    uint8_t *luma = g_malloc((size_t)w * (size_t)h);
    draw_chart(luma, w, h);
    shifts s = {dx, dy, n};
    for (int i = 0; i < n; i++)
        dx[i] = dy[i] = 0;
    int done = 0;
    bool ok = chain_open(&c, w, h, "vidstabtransform", options);
    for (int i = 0; ok && i < n; i++)
        ok = chain_push(&c, luma, i, &done, read_chart, &s);
    ok = ok && chain_push(&c, NULL, 0, &done, read_chart, &s);
    avfilter_graph_free(&c.graph);
    g_free(luma);
    if (!ok)
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "vidstabtransform does not run.");
    return ok;
}
