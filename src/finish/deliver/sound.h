/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * sound.h - a sound file, decoded, brought to the encoder's form, encoded alongside the picture.
 *
 * Sound is cut to the movie: it begins `at` seconds into the file and ends when the movie does (or
 * when the file does, if that is sooner).
 */
#ifndef RW_FINISH_SOUND_H
#define RW_FINISH_SOUND_H

#include <libavformat/avformat.h>

#include <reelwright/types.h>

typedef struct rw_sound rw_sound;

/* Opens the file and adds an encoded stream to out. RW_ERROR_DAMAGED when it has no sound that can
 * be read. */
rw_sound *rw_sound_open(const char *path, rw_rational at, rw_rational length, AVFormatContext *out,
                        const char *encoder, GError **error);
/* Writes packets up to `until` seconds of the movie, interleaved. */
bool rw_sound_write(rw_sound *sound, rw_rational until, GError **error);
bool rw_sound_finish(rw_sound *sound, GError **error);
void rw_sound_close(rw_sound **sound);

#endif
