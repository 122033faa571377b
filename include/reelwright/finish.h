/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * finish.h - from a surveyed reel to a movie.
 *
 * Calling sequence:
 *     rw_finish_options options = RW_FINISH_DEFAULTS;
 *     options.output = "regatta.mp4";
 *     rw_finish *finish = rw_finish_new(reel, &options, &error);   // reads reel.db, plans
 *     rw_finish_run(finish, &report, &error);                      // makes the movie
 *     rw_finish_free(&finish);
 *
 * Any output frame can be made alone and equals, bit for bit, the frame of a whole run, whatever
 * the number of threads. Files appear whole or not at all. Memory does not grow with the reel.
 *
 * A finish belongs to one thread, that of its reel; it starts workers of its own. options and its
 * strings are read by rw_finish_new only, but for cancel and the two callbacks, which must outlive
 * the finish. Callbacks come on the calling thread.
 */
#ifndef REELWRIGHT_FINISH_H
#define REELWRIGHT_FINISH_H

#include <reelwright/motion.h>
#include <reelwright/reel.h>
#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

/* What stands in for a frame that no still shows. */
typedef enum rw_finish_missing {
    RW_FINISH_CHOSEN, /* what reel.db says under "missing", else held */
    RW_FINISH_HOLD,   /* the frame before it in its scene (else the one after) once more */
    RW_FINISH_BLEND   /* both neighbours mixed in linear light by their distance */
} rw_finish_missing;

typedef struct rw_finish_options {
    const char *output;  /* NULL only with codec "null" */
    const char *size;    /* "hd", "uhd", "native", "1024x768" */
    const char *cadence; /* "native", "24", "29.97" ... any rate that rw_rational_parse reads */
    const char *codec;   /* a name of the delivery table; NULL: by the output's extension */
    int quality;         /* the codec's own scale; -1: its default */
    const char *sound;   /* an audio file to go with it, NULL none */
    const char *trace;   /* one JSON line per output frame goes here, NULL none */
    const char *mask;    /* a movie of what was repaired goes here: dirt red, scratches green, hairs
                            blue; NULL none. Its codec follows from its extension */
    const char *const *only; /* NULL-ended stage names; NULL: all that run by default */
    const char *const *skip;
    const char *const *settings; /* NULL-ended "stage.key=value", over what reel.db says */
    int64_t from, to;            /* film frames, inclusive; -1: the reel's ends */
    int threads;                 /* 0: one per core */
    size_t memory;               /* bytes for pictures; 0: half of what is free */
    rw_finish_missing missing;
    int way_up;                /* +1 down is film +y, -1 the other way, 0: what reel.db says */
    int mirror;                /* 1 mirrored, 0 not, -1: what reel.db says (default not) */
    const atomic_bool *cancel; /* looked at between frames; NULL never */
    void (*progress)(void *data, int64_t done, int64_t total); /* output frames; may be NULL */
    void (*note)(void *data, const char *line); /* something to tell, one line; may be NULL */
    void *data;
} rw_finish_options;

#define RW_FINISH_DEFAULTS                                                                         \
    {                                                                                              \
        .size = "hd", .cadence = "native", .quality = -1, .from = -1, .to = -1, .mirror = -1       \
    }

typedef struct rw_finish_report {
    int64_t written;  /* output frames */
    int64_t held;     /* of these, frames shown in place of a missing or unreadable one */
    int64_t pictures; /* stills resampled */
    int width, height;
    rw_rational rate;
    size_t peak; /* bytes of pictures held at once, at most */
} rw_finish_report;

typedef struct rw_finish rw_finish;
/* RW_ERROR_USAGE for options that make no sense, RW_ERROR_NOT_FOUND for a reel that is not
 * surveyed. */
RW_API rw_finish *rw_finish_new(rw_reel *reel, const rw_finish_options *options, GError **error);
RW_API void rw_finish_free(rw_finish **finish);
/* Once. report may be NULL. */
RW_API bool rw_finish_run(rw_finish *finish, rw_finish_report *report, GError **error);

/* How a scene of reel.db is steadied with the choices that hold, and why: see motion.h. Nothing is
 * decoded. RW_ERROR_NOT_FOUND when there is no such scene. */
RW_API bool rw_finish_steadying(rw_reel *reel, int64_t scene, rw_steady_scene *answer,
                                GError **error);

#ifdef __cplusplus
}
#endif
#endif
