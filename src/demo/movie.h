/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * movie.h - lossless truth movies: FFV1 (RFC 9043) in Matroska.
 *
 * Every frame is a key frame, so any worker may encode any frame; one writer puts the packets in
 * order. Same input, same bytes.
 */
#ifndef RW_DEMO_MOVIE_H
#define RW_DEMO_MOVIE_H

#include <reelwright/types.h>

typedef struct rw_demo_movie_form {
    int width, height;
    bool grey; /* 1 byte a pixel, else 4: B, G, R, unused */
    rw_rational fps;
} rw_demo_movie_form;

typedef struct rw_demo_encoder rw_demo_encoder; /* one per thread and movie */
rw_demo_encoder *rw_demo_encoder_new(const rw_demo_movie_form *form, GError **error);
void rw_demo_encoder_free(rw_demo_encoder **encoder);
/* pixels without padding between rows. NULL on error. Free with g_bytes_unref. */
GBytes *rw_demo_encoder_encode(rw_demo_encoder *encoder, const uint8_t *pixels, GError **error);

typedef struct rw_demo_movie rw_demo_movie; /* a file that appears whole when it is closed */
rw_demo_movie *rw_demo_movie_create(const char *path, const rw_demo_movie_form *form,
                                    GError **error);
bool rw_demo_movie_write(rw_demo_movie *movie, GBytes *packet, GError **error);
bool rw_demo_movie_finish(rw_demo_movie **movie, GError **error);
void rw_demo_movie_abandon(rw_demo_movie **movie);

#endif
