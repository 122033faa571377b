/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * stage.h - what a restoration stage is. src/restore/noop.c is one to copy.
 *
 * The law: any output frame can be made alone and equals, bit for bit, the frame of a whole run.
 * So a stage is a pure function of a window of frames, its parameters and its scene's facts. It
 * remembers nothing from call to call; what open() returns is scratch memory.
 *
 * Calls, by finish:
 *     observe()    many threads, any order, once per picture of a scene     -- optional, with
 *     prepare()    once per scene, all its observations in film order       -- facts
 *     equip()      once per scene that is wanted, before any frame of it    -- optional
 *     open()       once per thread
 *     frame()      many threads, any order, once per picture
 *     close()      once per thread
 *     unequip()    once for each equip()
 * Facts are kept in reel.db, keyed by stage, version, parameters and scene: raise the version when
 * observe or prepare change what they compute.
 *
 * Pictures: a window holds only frames that were really photographed, each film frame once. Missing
 * frames are filled after the last stage, so no stage ever sees a held or blended one; rw_frame.n
 * tells how far two neighbours lie apart on the film. Windows end at scene edges.
 * A stage sees no files, no reel.db, no JSON.
 */
#ifndef REELWRIGHT_STAGE_H
#define REELWRIGHT_STAGE_H

#include <reelwright/param.h>
#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct rw_pool rw_pool; /* base/pool.h */

#define RW_REACH_MAX    8  /* frames before or after that a stage may ask for */
#define RW_STAGE_MARGIN 40 /* px round a picture that a stage may use for scratch */

/* A scene as a stage sees it: constant over all calls for the scene. */
typedef struct rw_stage_scene {
    int64_t id;          /* of the scene in reel.db */
    int64_t first, last; /* film frames, inclusive */
    int width, height;   /* of the frames that the stage is given */
    double px_per_mm;    /* pixels of those frames per millimetre on the film */
    rw_rational fps;     /* the film's own speed */
    /* What survey measured of film frame n, such as "clear", "exposure", "sharpness": NAN when it
     * is not known. */
    double (*measure)(const struct rw_stage_scene *scene, const char *name, int64_t n);
    /* What survey found out about the reel as a whole, by name, such as "colour": plain data in the
     * form that the header of its kind gives; NULL when there is none. g_bytes_unref. */
    GBytes *(*reel_fact)(const struct rw_stage_scene *scene, const char *name);
    /* The content of a file that is kept with the reel, by the text that a choice holds
     * (rw_reel_keep_look); NULL with the error set. g_bytes_unref. */
    GBytes *(*kept_file)(const struct rw_stage_scene *scene, const char *text, GError **error);
    const void *data; /* for the functions round it; each of them may be NULL in tests */
    /* What a person said of a spot of film frame n, x and y in film mm: -1 leave it alone, 1 repair
     * it, 0 nothing. NULL: nobody said anything. */
    int (*verdict)(const struct rw_stage_scene *scene, int64_t n, double x, double y);
} rw_stage_scene;

/* Pictures round the one to be made, by offset in pictures. Read with rw_window_at. */
typedef struct rw_window {
    const rw_frame *frame[2 * RW_REACH_MAX + 1];   /* [RW_REACH_MAX + offset]; NULL: none */
    rw_affine film_to_frame[2 * RW_REACH_MAX + 1]; /* film mm -> pixels of that frame */
    int before, after;                             /* as reach() said */
} rw_window;

/* NULL beyond the scene's edge and beyond the reach; offset 0 is never NULL. Its still_to_frame
 * maps stored pixels of the camera's still: what is fixed to the camera stays put in those. */
static inline const rw_frame *rw_window_at(const rw_window *window, int offset)
{
    if (offset < -window->before || offset > window->after)
        return NULL;
    return window->frame[RW_REACH_MAX + offset];
}

/* Nearer than this, mm on the film, a word of a person and a spot are meant to be the same: about
 * the middle of the smallest spots that can be told apart by eye. */
#define RW_SPOT_SAME 0.03

typedef enum rw_blemish_kind {
    RW_BLEMISH_DIRT,
    RW_BLEMISH_SCRATCH,
    RW_BLEMISH_HAIR,
    RW_BLEMISH_KINDS
} rw_blemish_kind;
/* "dirt", "scratch", "hair": the words of the trace and of the bench. */
RW_API const char *rw_blemish_kind_name(rw_blemish_kind kind);

/* Something that a stage found on a frame and repaired, or left alone because it doubted. */
typedef struct rw_spot {
    rw_blemish_kind kind;
    rw_irect box;      /* px of the frame */
    double x, y;       /* its middle, film mm: what verdict is asked */
    double confidence; /* 0..1 */
    bool repaired;
} rw_spot;

/* What one call did; summed over the stages for finish --trace. Starts as {{1, 1, 1}}. */
typedef struct rw_stage_trace {
    double gain[3];                     /* linear light, multiplied on */
    int64_t repaired[RW_BLEMISH_KINDS]; /* pixels */
    /* May be NULL, and are then left alone. mask: all or none; width * height bytes, 255 times the
     * share of each pixel that was replaced, zeroed by the caller. spots: GArray of rw_spot,
     * appended to. */
    uint8_t *mask[RW_BLEMISH_KINDS];
    GArray *spots;
} rw_stage_trace;

/* Motion between two pictures of the window, estimated once per pair and shared by all stages: on
 * the registered pictures, before any stage, so that it depends on no stage's parameters. */
typedef struct rw_motion_field rw_motion_field;
typedef struct rw_motion_source rw_motion_source;
struct rw_motion_source {
    /* Where each pixel of the picture at offset `from` lies in the one at offset `to`. Owned by the
     * source, valid until frame() returns. NULL with the error set, or without one when either
     * picture does not exist. Any thread. */
    const rw_motion_field *(*get)(const rw_motion_source *self, int from, int to, GError **error);
};

typedef struct rw_stage_run {
    const rw_stage_scene *scene;
    const void *params; /* as the stage's rows describe */
    const void *facts;  /* what prepare wrote; NULL when the stage has no prepare */
    size_t facts_bytes;
    const rw_motion_source *motion; /* NULL unless the stage needs it */
    rw_pool *pool;                  /* for the output frame and for large scratch */
    const void *equipment;          /* from equip; constant */
    void *state;                    /* from open */
} rw_stage_run;

typedef enum rw_stage_needs {
    RW_STAGE_NEEDS_NOTHING = 0,
    RW_STAGE_NEEDS_MOTION = 1 << 0
} rw_stage_needs;

typedef struct rw_stage {
    const char *name;       /* "flicker": the word of --only, --skip, --set and reel.db */
    const char *title;      /* for people */
    const char *help;       /* a sentence or two */
    int version;            /* of what it computes */
    bool by_default;        /* runs unless skipped; else only when named */
    const rw_param *params; /* rows, or NULL */
    size_t params_size;     /* bytes of the struct; 0 with params NULL */
    rw_domain domain;       /* of the samples it is given and gives back */
    unsigned needs;         /* rw_stage_needs */
    size_t scratch; /* bytes per pixel that one frame() takes from the pool at most, its output
                       aside; pixels of a picture with RW_STAGE_MARGIN px more on every side */

    /* True when these parameters leave every frame as it is: the stage is then left out of the run,
     * observation and all. NULL: never. */
    bool (*idle)(const void *params);

    /* How many pictures before and after; both <= RW_REACH_MAX. NULL: none. */
    void (*reach)(const void *params, int *before, int *after);

    /* ---- history (all NULL or 0 when the stage has none) ----
     * observe: a small plain struct of observation_bytes from one window of registered pictures in
     * linear light, before any stage. Their width is observe_width (height in proportion), so that
     * facts do not depend on the size of the movie; 0: the movie's own. The window reaches
     * observe_reach pictures to both sides. run->facts is NULL. */
    size_t observation_bytes;
    int observe_width;
    int observe_reach;
    bool (*observe)(const rw_stage_run *run, const rw_window *window, void *observation,
                    GError **error);
    /* observations[i] belongs to film frame n[i]; count > 0. Appends plain data to facts. */
    bool (*prepare)(const rw_stage_scene *scene, const void *params, const int64_t *n,
                    const void *const *observations, size_t count, GByteArray *facts,
                    GError **error);

    /* What frame() needs beside its parameters and is dear to make, such as tables or a look read
     * from its text: once per scene, then constant and shared by all threads. The result may be
     * NULL without an error. NULL functions: none. */
    void *(*equip)(const rw_stage_scene *scene, const void *params, GError **error);
    void (*unequip)(void *equipment);

    /* Scratch for one thread; width and height are those of the scene that comes first and the same
     * for all. NULL function: none wanted. */
    void *(*open)(const rw_stage_scene *scene, const void *params, GError **error);
    void (*close)(void *state);

    /* out is empty. Fill it with rw_frame_alloc(out, run->pool, ...) and its samples, or pass the
     * picture on untouched with rw_frame_share (base/pool.h). n, domain and still_to_frame are set
     * by the caller. NULL function: the stage acts through the composed transform (register,
     * steady) and is run by finish itself. */
    bool (*frame)(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error);
} rw_stage;

/* The table, NULL-ended, in the order in which the stages run. */
RW_API const rw_stage *const *rw_stages(void);
RW_API const rw_stage *rw_stage_find(const char *name);
/* The words that --only and --skip know, NULL-ended, in order; some may have no row yet. */
RW_API const char *const *rw_stage_words(void);

#ifdef __cplusplus
}
#endif
#endif
