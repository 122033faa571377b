/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * movie.h - how a delivery is written; inside src/finish only.
 *
 *     rw_movie *movie = rw_movie_open(delivery, &spec, &error);
 *     rw_movie_write(movie, &packed, &error);        // once per output frame
 *     rw_movie_close(&movie, &error);                // only now the file appears
 *     rw_movie_abandon(&movie);                      // or: nothing appears
 *
 * To add a delivery: a file beside this one with a const rw_delivery, its extern and row in
 * deliver.c, its line in ../meson.build.
 */
#ifndef RW_FINISH_MOVIE_H
#define RW_FINISH_MOVIE_H

#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>

#include <reelwright/deliver.h>

#include "finish/pack.h"

struct rw_delivery {
    const char *name;  /* the word of --codec */
    const char *title; /* for people */
    const char *const *extensions;
    const char *muxer;         /* libavformat's name; NULL: no file at all */
    rw_pack pack;              /* what the frames are */
    const char *encoder;       /* libavcodec's name */
    const char *sound_encoder; /* NULL: it holds no sound */
    bool lossless;
    int best, worst, usual; /* quality scale; all 0 when there is none */
    /* Sets the encoder and the muxer beyond what all deliveries share. */
    void (*set_up)(AVCodecContext *encoder, AVDictionary **encoder_options,
                   AVDictionary **muxer_options, int quality);
};

extern const rw_delivery rw_delivery_h264, rw_delivery_h265, rw_delivery_prores, rw_delivery_ffv1,
    rw_delivery_null, rw_delivery_framemd5;

typedef struct rw_movie_spec {
    const char *path;
    int width, height;
    rw_rational rate;
    int quality; /* -1: usual */
    int threads;
    const char *sound;    /* a file, or NULL */
    rw_rational sound_at; /* seconds into it at which the movie begins */
    int64_t frames;       /* how many will be written: sound ends with them */
    const char *title;    /* for the container, or NULL */
} rw_movie_spec;

typedef struct rw_movie rw_movie;
rw_movie *rw_movie_open(const rw_delivery *delivery, const rw_movie_spec *spec, GError **error);
/* Takes a reference of its own to the samples where it needs them longer. */
bool rw_movie_write(rw_movie *movie, const rw_packed *frame, GError **error);
bool rw_movie_close(rw_movie **movie, GError **error);
void rw_movie_abandon(rw_movie **movie);

/* A sentence from libav's error number; RW_ERROR_NO_SPACE when the disk is full. */
void rw_error_from_av(GError **error, int code, const char *format, ...) G_GNUC_PRINTF(3, 4);

#endif
