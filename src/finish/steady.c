/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/motion.h>

#include "finish/steady.h"
#include "steady/scene.h"

/* Place of the stage in the plan, -1 when it does not run. */
static int find_stage(const rw_plan *plan)
{
    for (int i = 0; i < plan->n_stages; i++)
        if (g_str_equal(plan->stages[i]->name, "steady"))
            return i;
    return -1;
}

/* What each frame shows, for the stage that fills the border. */
static GBytes *shown_of(const rw_steady_run *run)
{
    struct shown {
        int64_t n;
        double x, y, width, height;
    } *list = g_new0(struct shown, run->count);
    for (int i = 0; i < run->count; i++) {
        rw_rect r = run->have[i];
        list[i] = (struct shown){run->first + i, r.x, r.y, r.width, r.height};
    }
    return g_bytes_new_take(list, sizeof *list * (size_t)run->count);
}

static void apply(rw_plan *plan, const rw_picture *any, rw_plan_scene *scene,
                  const rw_steady_run *run)
{
    for (int64_t p = any->first; p <= any->last; p++) {
        rw_plan_still *still = &plan->stills[p];
        rw_affine back;
        still->steady = run->frame[rw_plan_picture(plan, p)->n - run->first].correction;
        if (rw_affine_invert(still->steady, &back))
            still->film_to_still = rw_affine_then(back, still->registered);
    }
    rw_framing framing = scene->framing;
    framing.rect = run->scene.crop;
    double detail = scene->composition.detail;
    scene->composition = rw_composition_make(&framing, plan->width, plan->height);
    scene->composition.detail = detail;
}

static rw_steady_run *run_scene(rw_plan *plan, const rw_plan_scene *scene, int stage,
                                GError **error)
{
    return rw_steady_run_new(plan->reel, scene->first, scene->last,
                             plan->registers ? NULL : &plan->usual, scene->framing.rect,
                             scene->stages[stage].params, error);
}

static bool steady_scene(rw_plan *plan, const rw_picture *any, int stage, GError **error)
{
    rw_plan_scene *scene = &plan->scenes[any->scene];
    rw_plan_stage *s = &scene->stages[stage];
    rw_steady_run *run = run_scene(plan, scene, stage, error);
    if (!run)
        return false;
    if (run->found) {
        apply(plan, any, scene, run);
        if (!s->idle)
            s->facts = shown_of(run);
    }
    plan->unmeasured = plan->unmeasured || !run->found;
    rw_steady_run_free(&run);
    return true;
}

bool rw_steady_scenes(rw_plan *plan, int64_t first, int64_t last, GError **error)
{
    int stage = find_stage(plan);
    for (int64_t p = first; stage >= 0 && p <= last; p = rw_plan_picture(plan, p)->last + 1) {
        const rw_picture *picture = rw_plan_picture(plan, p);
        rw_plan_scene *scene = &plan->scenes[picture->scene];
        if (!scene->steadied && !steady_scene(plan, picture, stage, error))
            return false;
        scene->steadied = true;
    }
    return true;
}

bool rw_finish_steadying(rw_reel *reel, int64_t id, rw_steady_scene *answer, GError **error)
{
    rw_finish_options o = RW_FINISH_DEFAULTS;
    o.codec = "null";
    rw_plan *plan = rw_plan_new(reel, &o, error);
    if (!plan)
        return false;
    int stage = find_stage(plan);
    rw_steady_run *run = NULL;
    const rw_plan_scene *scene = NULL;
    for (int s = 0; s < plan->n_scenes; s++)
        if (plan->scenes[s].id == id)
            scene = &plan->scenes[s];
    if (scene)
        run = run_scene(plan, scene, stage, error);
    else
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s has no scene %" G_GINT64_FORMAT ".",
                    rw_reel_path(reel), id);
    bool ok = run != NULL;
    if (ok)
        *answer = run->scene;
    rw_steady_run_free(&run);
    rw_plan_free(&plan);
    return ok;
}
