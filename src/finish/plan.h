/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * plan.h - everything that finish must know before the first still is opened, read from reel.db and
 * the options once. Constant while workers run; they share it without locks.
 */
#ifndef RW_FINISH_PLAN_H
#define RW_FINISH_PLAN_H

#include <reelwright/film.h>
#include <reelwright/finish.h>
#include <reelwright/stage.h>

#include "finish/compose.h"
#include "finish/deliver/movie.h"
#include "finish/kept.h"
#include "finish/timeline.h"

/* What finish knows of the still behind a picture; runs alongside rw_timeline.pictures. */
typedef struct rw_plan_still {
    char *path;              /* absolute or as the reel was given */
    rw_affine film_to_still; /* steadied film mm -> stored px: what frames are cut out by */
    rw_affine registered;    /* film mm -> stored px, or the reel's usual one without that stage */
    rw_affine steady;        /* film mm -> steadied film mm */
} rw_plan_still;

/* One stage's choices and facts in one scene. */
typedef struct rw_plan_stage {
    void *params; /* NULL when the stage has none */
    int before, after;
    bool idle;       /* passes every picture on */
    GBytes *facts;   /* filled by prepare.c; NULL when the stage has none */
    void *equipment; /* the same */
    bool equipped;
} rw_plan_stage;

typedef struct rw_plan_scene {
    int64_t id;
    int64_t first, last;        /* film frames */
    rw_framing framing;         /* as chosen */
    rw_composition composition; /* that, and what steadying crops */
    bool steadied;              /* by steady.c */
    rw_plan_stage *stages;      /* as many as the plan has */
} rw_plan_scene;

typedef struct rw_plan {
    rw_reel *reel; /* for the calling thread only, but through rw_plan_measure */
    GMutex reel_lock;
    GHashTable *series;  /* "scene/measure" -> double[]; guarded by reel_lock */
    GHashTable *choices; /* "scope\nkey" -> value, as they were when the plan was made */
    const rw_gauge *gauge;
    rw_rational film_rate, out_rate;
    const rw_delivery *delivery;
    rw_timeline timeline;
    rw_plan_still *stills;
    rw_plan_scene *scenes;
    int n_scenes;
    const rw_stage **stages; /* those with a frame(), in order */
    int n_stages;
    int width, height;
    rw_affine usual;             /* the reel's usual place of the film on a still */
    double still_px_per_mm;      /* there */
    bool registers;              /* the stage runs */
    int64_t first_out, last_out; /* output numbers as in a run over the whole reel */
    char *curve; /* of the stills: as rw_curve_read takes it, or a table kept with the reel; "" none
                  */
    GBytes *curve_table; /* that table's text */
    char *output, *sound, *trace, *title;
    int quality, threads;
    size_t memory;
    bool unmeasured;   /* a scene was surveyed before steadying was measured */
    rw_kept *kept;     /* registered pictures from earlier runs, not owned; NULL: none */
    GHashTable *spots; /* film frame (int64_t) -> GArray of rw_spot_word: what a person said */
    char *mask;        /* a movie of what was repaired goes here, NULL none */
    const rw_delivery *mask_delivery;
    bool tell_spots; /* images come with their blemishes */
} rw_plan;

rw_plan *rw_plan_new(rw_reel *reel, const rw_finish_options *options, GError **error);
void rw_plan_free(rw_plan **plan);

static inline const rw_picture *rw_plan_picture(const rw_plan *plan, int64_t p)
{
    return &g_array_index(plan->timeline.pictures, rw_picture, p);
}

static inline const rw_image *rw_plan_image(const rw_plan *plan, int64_t i)
{
    return &g_array_index(plan->timeline.images, rw_image, i);
}

/* The entry that output j shows. */
static inline const rw_entry *rw_plan_entry(const rw_plan *plan, int64_t j)
{
    int64_t t = rw_cadence_entry(plan->film_rate, plan->out_rate, j);
    return &g_array_index(plan->timeline.entries, rw_entry, t);
}

/* A place on the film as steadied back to where it lies on the film of picture p, mm. */
rw_point rw_plan_unsteady(const rw_plan *plan, int64_t p, double x, double y);

/* A scene as stages see it, for frames of this composition. */
rw_stage_scene rw_plan_stage_scene(rw_plan *plan, int scene, const rw_composition *composition);

#endif
