/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "finish/flow.h"
#include "finish/name.h"
#include "finish/picture.h"
#include "finish/prepare.h"
#include "finish/steady.h"
#include "finish/window.h"

typedef struct job {
    rw_plan *plan;
    int scene, stage;
    rw_composition composition; /* of the pictures that are observed */
    rw_stage_scene seen;
    rw_pool *pool;
    int64_t first, last;      /* pictures */
    GByteArray *observations; /* in order */
    GArray *n;                /* film frames, int64_t */
} job;

static const rw_stage *stage_of(const job *j)
{
    return j->plan->stages[j->stage];
}

/* ---- level 0: registered pictures; level 1: one observation each ---- */

static void needs(int level, int64_t item, void *user, int64_t *first, int64_t *last)
{
    (void)level;
    const job *j = user;
    int reach = stage_of(j)->observe_reach;
    rw_window_range(rw_plan_picture(j->plan, item), item, reach, reach, first, last);
}

static void *start(void *user, GError **error)
{
    (void)error;
    return rw_picture_maker_new(((job *)user)->plan);
}

static void stop(void *state, void *user)
{
    (void)user;
    rw_picture_maker *maker = state;
    rw_picture_maker_free(&maker);
}

static bool make_picture(job *j, int64_t p, rw_picture_maker *maker, void **result, GError **error)
{
    int64_t shown;
    g_autofree char *note = NULL; /* is told when the frame itself is made */
    rw_frame *frame = g_new0(rw_frame, 1);
    if (!rw_picture_make(maker, p, &j->composition, j->pool, frame, &shown, &note, error)) {
        g_free(frame);
        return false;
    }
    *result = frame;
    return true;
}

static bool observe(job *j, int64_t p, void *const *inputs, void **result, GError **error)
{
    const rw_stage *stage = stage_of(j);
    int64_t first, last;
    needs(1, p, j, &first, &last);
    rw_window window;
    rw_window_make(&window, j->plan, p, stage->observe_reach, stage->observe_reach, first, last,
                   (const rw_frame *const *)inputs, j->composition.film_to_frame);
    rw_stage_run run = {.scene = &j->seen,
                        .params = j->plan->scenes[j->scene].stages[j->stage].params,
                        .pool = j->pool};
    *result = g_malloc0(stage->observation_bytes);
    if (!stage->observe(&run, &window, *result, error)) {
        g_clear_pointer(result, g_free);
        return false;
    }
    return true;
}

static bool make(int level, int64_t item, void *const *inputs, void *state, void *user,
                 void **result, GError **error)
{
    return level == 0 ? make_picture(user, item, state, result, error)
                      : observe(user, item, inputs, result, error);
}

static bool consume(int64_t item, void *result, void *user, GError **error)
{
    (void)error;
    job *j = user;
    g_byte_array_append(j->observations, result, (guint)stage_of(j)->observation_bytes);
    g_array_append_val(j->n, rw_plan_picture(j->plan, item)->n);
    return true;
}

static void discard(int level, void *result, void *user)
{
    (void)user;
    if (level == 0)
        rw_frame_clear(result);
    g_free(result);
}

static const rw_flow_ops ops = {2, needs, start, stop, make, consume, discard};

/* ---- facts ---- */

/* Names all that the facts follow from. */
static char *facts_name(const job *j)
{
    const rw_plan *plan = j->plan;
    const rw_stage *stage = stage_of(j);
    GByteArray *name = g_byte_array_new();
    g_autofree char *params =
        rw_params_hash(stage->params, plan->scenes[j->scene].stages[j->stage].params);
    g_byte_array_append(name, (const guint8 *)params, (guint)strlen(params));
    rw_name_add_view(name, plan, &j->composition);
    for (int64_t p = j->first; p <= j->last; p++) {
        g_byte_array_append(name, (const guint8 *)&rw_plan_picture(plan, p)->n, sizeof(int64_t));
        rw_name_add_still(name, plan, p);
    }
    g_autofree char *sum = g_compute_checksum_for_data(G_CHECKSUM_SHA256, name->data, name->len);
    g_byte_array_unref(name);
    return g_strndup(sum, 32);
}

static bool compute(job *j, const rw_finish_options *callbacks, GByteArray *facts, GError **error)
{
    const rw_stage *stage = stage_of(j);
    size_t frame_bytes = 12u * (size_t)j->composition.width * (size_t)j->composition.height;
    int live = (int)MIN(j->plan->memory / frame_bytes, 10000u);
    if (!rw_flow_run(&ops, j->first, j->last, j->plan->threads, 2 * j->plan->threads, MAX(live, 1),
                     callbacks->cancel, j, error))
        return false;
    const void **list = g_new(const void *, j->n->len);
    for (guint i = 0; i < j->n->len; i++)
        list[i] = j->observations->data + i * stage->observation_bytes;
    bool ok = stage->prepare(&j->seen, j->plan->scenes[j->scene].stages[j->stage].params,
                             (const int64_t *)(void *)j->n->data, list, j->n->len, facts, error);
    g_free(list);
    return ok;
}

static bool prepare_one(rw_plan *plan, int scene, int stage, int64_t first, int64_t last,
                        rw_pool *pool, const rw_finish_options *callbacks, GError **error)
{
    job j = {
        .plan = plan, .scene = scene, .stage = stage, .pool = pool, .first = first, .last = last};
    const rw_composition *full = &plan->scenes[scene].composition;
    int width = plan->stages[stage]->observe_width;
    j.composition = width > 0 ? rw_composition_scaled(full, width) : *full;
    j.seen = rw_plan_stage_scene(plan, scene, &j.composition);
    GBytes **facts = &plan->scenes[scene].stages[stage].facts;
    g_autofree char *name = facts_name(&j);
    g_autofree char *key = g_strdup_printf("%" G_GINT64_FORMAT, plan->scenes[scene].first);
    const rw_stage *s = plan->stages[stage];
    GError *failed = NULL;
    *facts = rw_reel_get_fact(plan->reel, s->name, s->version, name, key, &failed);
    if (failed) {
        g_propagate_error(error, failed);
        return false;
    }
    if (*facts)
        return true;
    j.observations = g_byte_array_new();
    j.n = g_array_new(FALSE, FALSE, sizeof(int64_t));
    GByteArray *made = g_byte_array_new();
    bool ok = compute(&j, callbacks, made, error);
    g_byte_array_unref(j.observations);
    g_array_unref(j.n);
    /* Not to be able to keep them (a read-only folder) costs time and nothing else. */
    if (ok && !rw_reel_put_fact(plan->reel, s->name, s->version, name, key, made->data, made->len,
                                &failed)) {
        if (callbacks->note)
            callbacks->note(callbacks->data, failed->message);
        g_error_free(failed);
    }
    *facts = g_byte_array_free_to_bytes(made);
    return ok;
}

static bool equip_one(rw_plan *plan, int scene, int stage, GError **error)
{
    rw_plan_stage *s = &plan->scenes[scene].stages[stage];
    rw_stage_scene seen = rw_plan_stage_scene(plan, scene, &plan->scenes[scene].composition);
    GError *failed = NULL;
    s->equipment = plan->stages[stage]->equip(&seen, s->params, &failed);
    if (failed) {
        g_propagate_error(error, failed);
        return false;
    }
    s->equipped = true;
    return true;
}

bool rw_prepare(rw_plan *plan, int64_t first, int64_t last, rw_pool *pool,
                const rw_finish_options *callbacks, GError **error)
{
    if (!rw_steady_scenes(plan, first, last, error))
        return false;
    for (int64_t p = first; p <= last; p = rw_plan_picture(plan, p)->last + 1) {
        const rw_picture *picture = rw_plan_picture(plan, p);
        for (int i = 0; i < plan->n_stages; i++) {
            const rw_plan_stage *s = &plan->scenes[picture->scene].stages[i];
            if (plan->stages[i]->equip && !s->idle && !s->equipped &&
                !equip_one(plan, picture->scene, i, error))
                return false;
            if (plan->stages[i]->prepare && !s->idle && !s->facts &&
                !prepare_one(plan, picture->scene, i, picture->first, picture->last, pool,
                             callbacks, error))
                return false;
        }
    }
    return true;
}
