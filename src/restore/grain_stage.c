/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * grain_stage.c - grain as a stage.
 */
#include "restore/grain.h"
#include "restore/stages.h"

typedef struct grain_params {
    int amount;
} grain_params;

static const char *const amounts[] = {"keep", "calm", "quiet", NULL};
/* Share of the grain's amplitude that stays. */
static const float stays[] = {1.0f, 0.35f, 0.0f};

static const rw_param rows[] = {
    RW_PARAM_WORD_ROW(
        grain_params, amount, "Grain", amounts, 3, 0,
        "Keep leaves the grain as it was shot, calm leaves a third of it, quiet takes "
        "out all that can be told from the picture."),
    RW_PARAM_END};

static bool idle(const void *params)
{
    return stays[((const grain_params *)params)->amount] >= 1.0f;
}

static void reach(const void *params, int *before, int *after)
{
    (void)params;
    *before = *after = 2;
}

static bool frame(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error)
{
    (void)trace;
    static const int offsets[4] = {-2, -1, 1, 2};
    const grain_params *p = run->params;
    const rw_motion_source *m = run->motion;
    rw_grain_window w = {.now = rw_window_at(window, 0)};
    GError *fault = NULL;
    rw_noise_survey *survey = rw_noise_survey_new();
    for (int k = 0; m && k < 4 && !fault; k++) {
        w.near[k] = rw_window_at(window, offsets[k]);
        w.field[k] = w.near[k] ? m->get(m, 0, offsets[k], &fault) : NULL;
        if (w.field[k] && (k == 1 || k == 2))
            rw_noise_look(survey, w.now, w.near[k], w.field[k]);
    }
    rw_noise *noise = g_new(rw_noise, 1);
    rw_noise_settle(survey, noise);
    const float stay = stays[p->amount];
    rw_noise_keep_light(noise, 1.0f - stay * stay);
    rw_noise_survey_free(&survey);
    bool ok = !fault && rw_frame_alloc(out, run->pool, w.now->width, w.now->height, 3, &fault);
    if (ok && !rw_grain_quiet(out, run->pool, &w, noise, stay, &fault)) {
        rw_frame_clear(out);
        ok = false;
    }
    g_free(noise);
    if (fault)
        g_propagate_error(error, fault);
    return ok;
}

const rw_stage rw_stage_grain = {
    .name = "grain",
    .title = "Grain",
    .help = "Quiets grain along motion and within the picture, by what the reel itself says of it; "
            "fine texture stays.",
    .version = 2,
    .by_default = true,
    .params = rows,
    .params_size = sizeof(grain_params),
    .domain = RW_DOMAIN_LINEAR,
    .needs = RW_STAGE_NEEDS_MOTION,
    .scratch = 180,
    .idle = idle,
    .reach = reach,
    .frame = frame,
};
