/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/plan.h"

#include <math.h>

#include "demo/random.h"

void rw_demo_card_path(int folder, int number, char *path, size_t size)
{
    g_snprintf(path, size, "DCIM/%03dREELA/REEL%04d.JPG", folder, number);
}

bool rw_demo_card_next(int *folder, int *number, int *in_folder, int folder_size)
{
    ++*number;
    if (*number > 9999 || ++*in_folder >= folder_size) {
        *in_folder = 0;
        ++*folder;
        if (*number > 9999)
            *number = 1;
    }
    return *folder <= 999;
}

typedef struct picker {
    rw_demo_param at, count, rate; /* DEMO_PARAMS where the term has none */
    unsigned event;
} picker;

static const picker pickers[] = {
    {DEMO_MISSING_AT, DEMO_MISSING_COUNT, DEMO_MISSING_RATE, DEMO_MISSING},
    {DEMO_DOUBLED_AT, DEMO_DOUBLED_COUNT, DEMO_DOUBLED_RATE, DEMO_DOUBLED},
    {DEMO_SMEAR_AT, DEMO_SMEAR_COUNT, DEMO_SMEAR_RATE, DEMO_SMEARED},
    {DEMO_SOFT_AT, DEMO_SOFT_COUNT, DEMO_SOFT_RATE, DEMO_SOFT},
    {DEMO_SPLICE_AT, DEMO_SPLICE_COUNT, DEMO_PARAMS, DEMO_SPLICED},
    {DEMO_DAMAGE_TORN_AT, DEMO_DAMAGE_TORN, DEMO_PARAMS, DEMO_TORN},
    {DEMO_DAMAGE_DIRTY_AT, DEMO_DAMAGE_DIRTY, DEMO_PARAMS, DEMO_DIRTY},
    {DEMO_STEP_AT, DEMO_PARAMS, DEMO_PARAMS, DEMO_STEPPED},
};

/* Listed frames as they are; random ones keep clear of both ends. */
static void pick(rw_demo_plan *plan, const rw_demo_params *params, uint64_t seed, const picker *p)
{
    const rw_demo_list *list = &params->list[p->at];
    if (!params->on[rw_demo_param_term(p->at)])
        return;
    for (int i = 0; i < list->count; i++)
        if (list->at[i] < plan->frames)
            plan->events[list->at[i]] |= (uint16_t)p->event;
    const char *stream_name = rw_demo_param_key(p->at);
    int64_t first = MIN(4, plan->frames / 3), room = plan->frames - 2 * first;
    if (room < 1)
        return;
    int count = p->count == DEMO_PARAMS ? 0 : (int)params->number[p->count];
    rw_demo_stream stream = rw_demo_stream_open(seed, stream_name, -1);
    for (int placed = 0, tries = 0; placed < count && tries < 20 * count; tries++) {
        int64_t f = first + (int64_t)(rw_demo_uniform(&stream) * (double)room);
        placed += !(plan->events[f] & p->event);
        plan->events[f] |= (uint16_t)p->event;
    }
    double rate = p->rate == DEMO_PARAMS ? 0 : params->number[p->rate] / 1000;
    for (int64_t f = first; rate > 0 && f < first + room; f++) {
        rw_demo_stream s = rw_demo_stream_open(seed, stream_name, f);
        if (rw_demo_uniform(&s) < rate)
            plan->events[f] |= (uint16_t)p->event;
    }
}

/* A gap grows to its length and gets its kind; the reel's last frame is never missing, or nobody
 * could tell. */
static void settle_missing(rw_demo_plan *plan, const rw_demo_params *params, uint64_t seed)
{
    int longest = (int)params->number[DEMO_MISSING_LENGTH];
    double skipped = params->number[DEMO_MISSING_SKIPPED] / 100;
    for (int64_t f = 0; f < plan->frames; f++) {
        if (!(plan->events[f] & DEMO_MISSING))
            continue;
        rw_demo_stream s = rw_demo_stream_open(seed, "missing.kind", f);
        unsigned kind = rw_demo_uniform(&s) < skipped ? DEMO_MISSING | DEMO_SKIPPED : DEMO_MISSING;
        int length = 1 + rw_demo_below(&s, longest);
        int64_t end = f + length;
        while (f < end && f < plan->frames) {
            plan->events[f] |= (uint16_t)kind;
            f++;
        }
        while (f < plan->frames && plan->events[f] & DEMO_MISSING)
            plan->events[f++] |= (uint16_t)kind; /* neighbours join one gap */
        f--;
    }
    plan->events[0] &= (uint16_t) ~(DEMO_MISSING | DEMO_SKIPPED);
    plan->events[plan->frames - 1] &= (uint16_t) ~(DEMO_MISSING | DEMO_SKIPPED);
}

static double pause_before(const rw_demo_params *params, uint64_t seed, int64_t film)
{
    rw_demo_stream s = rw_demo_stream_open(seed, "clock.pauses", film);
    if (rw_demo_uniform(&s) >= params->number[DEMO_CLOCK_PAUSES] / 1000)
        return 0;
    double u = rw_demo_uniform(&s);
    return 5 + 115 * u * u;
}

static double late(const rw_demo_params *params, uint64_t seed, int64_t film, int take)
{
    rw_demo_stream s = rw_demo_stream_open(seed, "clock.jitter", 4 * film + take);
    double most = 0.4 * params->number[DEMO_CLOCK_INTERVAL];
    double by = params->number[DEMO_CLOCK_JITTER] * rw_demo_normal(&s);
    return CLAMP(by, -most, most);
}

/* The second card: one still of each frame listed, hours later. What a second try mends is mended.
 */
static void lay_out_reshoot(rw_demo_plan *plan, const rw_demo_params *params, uint64_t seed)
{
    static const unsigned mended =
        DEMO_MISSING | DEMO_SKIPPED | DEMO_DOUBLED | DEMO_SMEARED | DEMO_SOFT;
    static const double later = 4 * 3600; /* s */
    double interval = params->number[DEMO_CLOCK_INTERVAL];
    for (int64_t f = 0; f < plan->frames; f++) {
        plan->first_shot[f] = plan->n_shots;
        plan->events[f] &= (uint16_t)~mended;
        if (!rw_demo_listed(params, DEMO_RESHOOT_AT, f))
            continue;
        double t = later + (double)plan->n_shots * interval + late(params, seed, f, DEMO_AGAIN);
        plan->shots[plan->n_shots++] =
            (rw_demo_shot){.film = f, .take = DEMO_AGAIN, .time_ms = (int64_t)(t * 1000 + 0.5)};
    }
    plan->first_shot[plan->frames] = plan->n_shots;
}

static bool is_reshoot(const rw_demo_params *params)
{
    return params->on[DEMO_TERM_RESHOOT] && params->list[DEMO_RESHOOT_AT].count > 0;
}

static void lay_out_shots(rw_demo_plan *plan, const rw_demo_params *params, uint64_t seed)
{
    double interval = params->number[DEMO_CLOCK_INTERVAL], at = 0;
    plan->shots = g_new0(rw_demo_shot, (size_t)plan->frames * 2);
    plan->first_shot = g_new(int64_t, (size_t)plan->frames + 1);
    if (is_reshoot(params)) {
        lay_out_reshoot(plan, params, seed);
        return;
    }
    for (int64_t f = 0; f < plan->frames; f++) {
        unsigned e = plan->events[f];
        plan->first_shot[f] = plan->n_shots;
        at += pause_before(params, seed, f);
        if (e & DEMO_MISSING) {
            at += e & DEMO_SKIPPED ? 0 : interval;
            continue;
        }
        for (int take = 0; take < (e & DEMO_DOUBLED ? 2 : 1); take++) {
            double t = at + late(params, seed, f, take) + interval;
            plan->shots[plan->n_shots++] =
                (rw_demo_shot){.film = f, .take = take, .time_ms = (int64_t)(t * 1000 + 0.5)};
            at += interval;
        }
    }
    plan->first_shot[plan->frames] = plan->n_shots;
}

/* Aliens come a day and a half before and some hours after. */
static void lay_out_aliens(rw_demo_plan *plan, const rw_demo_params *params)
{
    int before = (int)rw_demo_value(params, DEMO_ALIEN_BEFORE);
    plan->n_aliens = before + (int)rw_demo_value(params, DEMO_ALIEN_AFTER);
    plan->aliens = g_new0(rw_demo_shot, (size_t)plan->n_aliens + 1);
    int64_t end = plan->n_shots ? plan->shots[plan->n_shots - 1].time_ms : 0;
    for (int i = 0; i < plan->n_aliens; i++) {
        int64_t at = i < before ? -131000000 + (int64_t)i * 47000
                                : end + 17400000 + (int64_t)(i - before) * 61000;
        plan->aliens[i] = (rw_demo_shot){.film = i < before ? -1 : 1, .take = i, .time_ms = at};
    }
}

static bool number_shots(rw_demo_plan *plan, const rw_demo_params *params, GError **error)
{
    int folder = (int)params->number[DEMO_CARD_FOLDER];
    int number = (int)params->number[DEMO_CARD_NUMBER], in_folder = 0;
    int folder_size = (int)params->number[DEMO_CARD_FOLDER_SIZE];
    int64_t total = plan->n_shots + plan->n_aliens, alien = 0, shot = 0;
    for (int64_t i = 0; i < total; i++) {
        bool is_alien =
            alien < plan->n_aliens && (plan->aliens[alien].film < 0 || shot == plan->n_shots);
        rw_demo_shot *s = is_alien ? &plan->aliens[alien++] : &plan->shots[shot++];
        s->folder = folder;
        s->number = number;
        if (!rw_demo_card_next(&folder, &number, &in_folder, folder_size) && i + 1 < total) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "The card's numbers end at 999-9999 after %" G_GINT64_FORMAT
                        " stills; begin at a lower card.folder.",
                        i + 1);
            return false;
        }
    }
    return true;
}

static void draw_scratches(rw_demo_plan *plan, const rw_demo_params *params, uint64_t seed,
                           rw_rect aperture)
{
    plan->n_scratches = (int)rw_demo_value(params, DEMO_SCRATCH_COUNT);
    plan->scratches = g_new0(rw_demo_scratch, (size_t)plan->n_scratches + 1);
    for (int i = 0; i < plan->n_scratches; i++) {
        rw_demo_stream s = rw_demo_stream_open(seed, "scratch", i);
        double length = params->number[DEMO_SCRATCH_LENGTH] / 100 * rw_demo_between(&s, 0.6, 1.4);
        double first = rw_demo_between(&s, -0.1, MAX(0, 1 - length));
        double across = rw_demo_between(&s, 0.06, 0.94), wide = rw_demo_between(&s, 0.5, 1.5);
        double deep = rw_demo_between(&s, 0.6, 1.4) * params->number[DEMO_SCRATCH_OPACITY] / 100;
        plan->scratches[i] = (rw_demo_scratch){
            .first = first * (double)plan->frames,
            .last = (first + length) * (double)plan->frames,
            .x = aperture.x + aperture.width * across,
            .width = params->number[DEMO_SCRATCH_WIDTH] * 1e-3 * wide,
            .opacity = MIN(1, deep),
            .light = rw_demo_uniform(&s) < params->number[DEMO_SCRATCH_LIGHT] / 100,
        };
    }
}

static void place_hair(rw_demo_plan *plan, const rw_demo_params *params)
{
    plan->hair_first = 0;
    plan->hair_last = -1;
    if (rw_demo_value(params, DEMO_HAIR_COUNT) < 1 || is_reshoot(params))
        return; /* the gate was cleaned */
    double first = params->number[DEMO_HAIR_FIRST], last = params->number[DEMO_HAIR_LAST];
    plan->hair_first = first < 0 ? plan->frames * 55 / 100 : (int64_t)first;
    plan->hair_last = last < 0 ? plan->frames * 90 / 100 : (int64_t)last;
}

rw_demo_plan *rw_demo_plan_new(const rw_demo_params *params, uint64_t seed, int64_t frames,
                               rw_rect aperture, GError **error)
{
    rw_demo_plan *plan = g_new0(rw_demo_plan, 1);
    plan->frames = frames;
    plan->events = g_new0(uint16_t, (size_t)frames);
    for (size_t i = 0; i < G_N_ELEMENTS(pickers); i++)
        pick(plan, params, seed, &pickers[i]);
    settle_missing(plan, params, seed);
    lay_out_shots(plan, params, seed);
    lay_out_aliens(plan, params);
    draw_scratches(plan, params, seed, aperture);
    place_hair(plan, params);
    if (!number_shots(plan, params, error))
        rw_demo_plan_free(&plan);
    return plan;
}

void rw_demo_plan_free(rw_demo_plan **plan)
{
    rw_demo_plan *p = *plan;
    if (!p)
        return;
    g_free(p->events);
    g_free(p->shots);
    g_free(p->first_shot);
    g_free(p->aliens);
    g_free(p->scratches);
    g_clear_pointer(plan, g_free);
}

unsigned rw_demo_plan_events(const rw_demo_plan *plan, int64_t film)
{
    return film >= 0 && film < plan->frames ? plan->events[film] : 0;
}
