/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/source.h"

#include "demo/fmath.h"
#include "demo/footage.h"
#include "demo/regatta.h"

/* The original's files, each for an equal share of the reel, or the built-in scenes. */
struct rw_demo_source {
    rw_demo_footage **footage;
    int n_footage;
    int64_t first_frame;
    int step;
    rw_demo_regatta *regatta;
    int width, height; /* of the regatta's pictures */
    rw_demo_scene *scenes;
    int n_scenes;
    char **names;
};

void rw_demo_picture_clear(rw_demo_picture *picture)
{
    g_clear_pointer(&picture->px, g_free);
}

static bool open_footage(rw_demo_source *s, const rw_demo_options *o, double aspect, int most,
                         GError **error)
{
    s->n_footage = (int)g_strv_length(o->footage);
    s->footage = g_new0(rw_demo_footage *, s->n_footage);
    s->scenes = g_new0(rw_demo_scene, s->n_footage);
    s->names = g_new0(char *, s->n_footage + 1);
    s->first_frame = o->first_frame;
    s->step = o->footage_step;
    for (int i = 0; i < s->n_footage; i++) {
        s->footage[i] = rw_demo_footage_open(o->footage[i], aspect, most, o->footage_reduce, error);
        if (!s->footage[i])
            return false;
        if (o->first_frame >= rw_demo_footage_count(s->footage[i])) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "%s has %" G_GINT64_FORMAT " frames; begin earlier than frame "
                        "%" G_GINT64_FORMAT ".",
                        o->footage[i], rw_demo_footage_count(s->footage[i]), o->first_frame);
            return false;
        }
        s->names[i] = g_path_get_basename(o->footage[i]);
        s->scenes[i] = (rw_demo_scene){o->frames * i / s->n_footage,
                                       o->frames * (i + 1) / s->n_footage - 1, s->names[i]};
    }
    s->n_scenes = s->n_footage;
    return true;
}

rw_demo_source *rw_demo_source_open(const rw_demo_options *options, double resolution,
                                    GError **error)
{
    rw_demo_source *s = g_new0(rw_demo_source, 1);
    rw_rect a = options->gauge->camera_aperture;
    int most = MAX(64, (int)(a.width * resolution + 0.5));
    if (options->footage && options->footage[0]) {
        if (!open_footage(s, options, a.width / a.height, most, error))
            rw_demo_source_close(&s);
        return s;
    }
    s->width = most;
    s->height = MAX(48, (int)(most * a.height / a.width + 0.5));
    s->regatta = rw_demo_regatta_new(options->seed, options->frames, s->width, s->height);
    s->scenes = rw_demo_regatta_scenes(s->regatta, &s->n_scenes);
    return s;
}

void rw_demo_source_close(rw_demo_source **source)
{
    rw_demo_source *s = *source;
    if (!s)
        return;
    for (int i = 0; i < s->n_footage; i++)
        rw_demo_footage_close(&s->footage[i]);
    rw_demo_regatta_free(&s->regatta);
    g_free(s->footage);
    g_strfreev(s->names);
    g_free(s->scenes);
    g_clear_pointer(source, g_free);
}

/* 0 .. n-1 forwards, then back, and so on: no jump where a short film ends. */
static int64_t to_and_fro(int64_t i, int64_t n)
{
    if (n < 2)
        return 0;
    int64_t period = 2 * (n - 1), k = ((i % period) + period) % period;
    return k < n ? k : period - k;
}

bool rw_demo_source_draw(rw_demo_source *s, int64_t film, rw_demo_picture *picture, GError **error)
{
    if (s->regatta) {
        *picture = (rw_demo_picture){g_new(float, 4 * (size_t)s->width * (size_t)s->height),
                                     s->width, s->height};
        rw_demo_regatta_draw(s->regatta, film, picture);
        return true;
    }
    int i = 0;
    while (i + 1 < s->n_scenes && s->scenes[i].last < film)
        i++;
    int64_t usable = rw_demo_footage_count(s->footage[i]) - s->first_frame;
    int64_t k = to_and_fro((film - s->scenes[i].first) * s->step, usable);
    return rw_demo_footage_draw(s->footage[i], s->first_frame + k, picture, error);
}

const rw_demo_scene *rw_demo_source_scenes(const rw_demo_source *source, int *count)
{
    *count = source->n_scenes;
    return source->scenes;
}

#define SNAPSHOT_WIDTH 1600 /* larger ones are enlarged: nobody measures them */

uint8_t *rw_demo_source_snapshot(uint64_t seed, int number, int width, int height)
{
    double scale = MAX(1.0, MAX(width, height) / (double)SNAPSHOT_WIDTH);
    int w = MAX(64, (int)(width / scale)), h = MAX(64, (int)(height / scale));
    rw_demo_regatta *pond = rw_demo_regatta_new(seed + 7919u, 400, w, h);
    rw_demo_picture picture = {g_new(float, 4 * (size_t)w * (size_t)h), w, h};
    rw_demo_regatta_draw(pond, 37 * number % 400, &picture);
    uint8_t *out = g_malloc(3 * (size_t)width * (size_t)height), *p = out;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            int i = MIN(w - 1, (int)(x / scale)), j = MIN(h - 1, (int)(y / scale));
            const float *px = picture.px + 4 * ((size_t)j * (size_t)w + (size_t)i);
            for (int c = 0; c < 3; c++)
                *p++ = (uint8_t)(demo_srgb_encode(demo_clampf(px[c], 0, 1)) * 255.0f + 0.5f);
        }
    rw_demo_picture_clear(&picture);
    rw_demo_regatta_free(&pond);
    return out;
}
