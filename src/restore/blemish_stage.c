/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * blemish_stage.c - dirt, scratches and gate hairs as one stage: what is not the picture is taken
 * off, in the order hair, scratch, dirt, so that each is judged without the others.
 */
#include <math.h>

#include "restore/blemish.h"
#include "restore/hair.h"
#include "restore/scratch.h"
#include "restore/stages.h"

typedef struct blemish_params {
    int care;
    bool dirt, scratches, hairs;
} blemish_params;

static const char *const cares[] = {"bold", "usual", "careful", NULL};
/* Confidence from which an object is repaired. */
static const float threshold[] = {0.25f, 0.5f, 0.8f};

static const rw_param rows[] = {
    RW_PARAM_SWITCH_ROW(blemish_params, dirt, "Dirt", true,
                        "Whether dirt and dust that lie on one frame only are repaired."),
    RW_PARAM_SWITCH_ROW(blemish_params, scratches, "Scratches", true,
                        "Whether scratches along the film are repaired."),
    RW_PARAM_SWITCH_ROW(blemish_params, hairs, "Gate hairs", true,
                        "Whether hairs that hang in the transfer's gate are repaired."),
    RW_PARAM_WORD_ROW(blemish_params, care, "Care", cares, 3, 1,
                      "Bold repairs what is likely dirt, careful only what is certain."),
    RW_PARAM_END};

static bool idle(const void *params)
{
    const blemish_params *p = params;
    return !p->dirt && !p->scratches && !p->hairs;
}

static void reach(const void *params, int *before, int *after)
{
    (void)params;
    *before = *after = 2;
}

/* ---- history ---- */

typedef struct observation {
    rw_scratch_look scratch;
    rw_hair_look hair;
} observation;

static bool observe(const rw_stage_run *run, const rw_window *window, void *to, GError **error)
{
    observation *o = to;
    const rw_frame *now = rw_window_at(window, 0);
    return rw_scratch_measure(&o->scratch, run->pool, now, rw_window_at(window, -1), error) &&
           rw_hair_measure(&o->hair, run->pool, now, error);
}

/* Facts: this head, the scratches' lines, then the hairs. */
typedef struct head {
    uint64_t line_bytes, hair_bytes;
} head;

static bool prepare(const rw_stage_scene *scene, const void *params, const int64_t *n,
                    const void *const *observations, size_t count, GByteArray *facts,
                    GError **error)
{
    (void)scene, (void)error;
    const blemish_params *p = params;
    const rw_scratch_look **scratches = g_new(const rw_scratch_look *, count);
    const rw_hair_look **hairs = g_new(const rw_hair_look *, count);
    for (size_t i = 0; i < count; i++) {
        const observation *o = observations[i];
        scratches[i] = &o->scratch;
        hairs[i] = &o->hair;
    }
    head h = {0, 0};
    g_byte_array_append(facts, (const guint8 *)&h, sizeof h);
    if (p->scratches) {
        GArray *lines = rw_scratch_track(scratches, n, count);
        h.line_bytes = (uint64_t)lines->len * sizeof(rw_scratch_line);
        g_byte_array_append(facts, (const guint8 *)lines->data, (guint)h.line_bytes);
        g_array_unref(lines);
    }
    const guint before = facts->len;
    if (p->hairs)
        rw_hair_gather(hairs, n, count, facts);
    h.hair_bytes = facts->len - before;
    memcpy(facts->data, &h, sizeof h);
    g_free(scratches);
    g_free(hairs);
    return true;
}

/* ---- one frame ---- */

typedef struct job {
    const rw_stage_run *run;
    const rw_window *window;
    const rw_frame *now;
    const rw_frame *near[4]; /* -2, -1, 1, 2 */
    const rw_motion_field *field[4], *back[2];
    rw_stage_trace *trace;
    uint8_t *mended[RW_BLEMISH_KINDS]; /* what scratches and hairs were taken off; NULL: nothing */
} job;

static const int offsets[4] = {-2, -1, 1, 2};

static bool get_fields(job *j, GError **error)
{
    const rw_motion_source *m = j->run->motion;
    GError *fault = NULL;
    for (int k = 0; m && k < 4 && !fault; k++) {
        j->near[k] = rw_window_at(j->window, offsets[k]);
        if (!j->near[k])
            continue;
        j->field[k] = m->get(m, 0, offsets[k], &fault);
        if (!fault && (k == 1 || k == 2))
            j->back[k - 1] = m->get(m, offsets[k], 0, &fault);
    }
    if (fault)
        g_propagate_error(error, fault);
    return fault == NULL;
}

static void copy_frame(rw_frame *out, const rw_frame *in)
{
    for (int p = 0; p < 3 && in->plane[p]; p++)
        for (int y = 0; y < in->height; y++)
            memcpy(out->plane[p] + y * out->stride, in->plane[p] + y * in->stride,
                   (size_t)in->width * sizeof(float));
}

/* ---- what a person said ---- */

/* A blemish in its box: its place on the film, and a person's word on it. */
static int verdict_on(const job *j, rw_irect box, rw_spot *spot)
{
    spot->box = box;
    rw_affine to_film;
    if (!rw_affine_invert(j->window->film_to_frame[RW_REACH_MAX], &to_film))
        return 0;
    const rw_point p =
        rw_affine_apply(to_film, box.x + 0.5 * (box.width - 1), box.y + 0.5 * (box.height - 1));
    spot->x = p.x;
    spot->y = p.y;
    const rw_stage_scene *s = j->run->scene;
    return s->verdict ? s->verdict(s, j->now->n, p.x, p.y) : 0;
}

/* Whether a hair or a scratch is to be taken off: it is, unless a person refused. */
static bool allow(const job *j, rw_blemish_kind kind, rw_irect box)
{
    rw_spot spot = {.kind = kind, .confidence = 1};
    spot.repaired = verdict_on(j, box, &spot) >= 0;
    if (j->trace->spots)
        g_array_append_val(j->trace->spots, spot);
    return spot.repaired;
}

/* ---- hairs ---- */

/* All that hangs together with pixel `at` of marks that are 1, from there on 2. */
static rw_irect gather_mark(uint8_t *mark, int width, int height, int at, GArray *pixels)
{
    int x0 = width, y0 = height, x1 = 0, y1 = 0;
    g_array_set_size(pixels, 0);
    mark[at] = 2;
    g_array_append_val(pixels, at);
    for (guint i = 0; i < pixels->len; i++) {
        const int from = g_array_index(pixels, int, i), x = from % width, y = from / width;
        x0 = MIN(x0, x);
        x1 = MAX(x1, x);
        y0 = MIN(y0, y);
        y1 = MAX(y1, y);
        for (int v = MAX(y - 1, 0); v <= MIN(y + 1, height - 1); v++)
            for (int u = MAX(x - 1, 0); u <= MIN(x + 1, width - 1); u++) {
                const int next = v * width + u;
                if (mark[next] != 1)
                    continue;
                mark[next] = 2;
                g_array_append_val(pixels, next);
            }
    }
    return (rw_irect){x0, y0, x1 - x0 + 1, y1 - y0 + 1};
}

/* Marks become 255, or 0 where a person refused. */
static void judge_marks(const job *j, uint8_t *mark)
{
    const int width = j->now->width, height = j->now->height;
    GArray *pixels = g_array_new(FALSE, FALSE, sizeof(int));
    for (int at = 0; at < width * height; at++) {
        if (mark[at] != 1)
            continue;
        const rw_irect box = gather_mark(mark, width, height, at, pixels);
        const uint8_t is = allow(j, RW_BLEMISH_HAIR, box) ? 255 : 0;
        for (guint i = 0; i < pixels->len; i++)
            mark[g_array_index(pixels, int, i)] = is;
    }
    g_array_unref(pixels);
}

static int64_t repair_hairs(job *j, rw_frame *out, const head *h)
{
    const char *hairs = (const char *)(h + 1) + h->line_bytes;
    const rw_hair_window w = {j->now,
                              {j->near[0], j->near[1], j->near[2], j->near[3]},
                              {j->field[0], j->field[1], j->field[2], j->field[3]}};
    if (!h->hair_bytes)
        return 0;
    uint8_t *mark = g_malloc((gsize)j->now->width * (gsize)j->now->height);
    j->mended[RW_BLEMISH_HAIR] = mark;
    if (!rw_hair_mark(mark, j->now, hairs, h->hair_bytes))
        return 0;
    judge_marks(j, mark);
    return rw_hair_repair(out, &w, hairs, h->hair_bytes, mark);
}

/* ---- scratches ---- */

static rw_irect line_box(const rw_scratch_line *line, const rw_frame *frame)
{
    const double half = 0.5 * (fabs((double)line->tilt) + (double)line->width) * frame->width + 1;
    const double x = (double)line->x * frame->width;
    const int x0 = CLAMP((int)floor(x - half), 0, frame->width - 1);
    const int x1 = CLAMP((int)ceil(x + half), 0, frame->width - 1);
    return (rw_irect){x0, 0, x1 - x0 + 1, frame->height};
}

static int64_t repair_scratches(job *j, rw_frame *out, const head *h)
{
    const rw_scratch_line *line = (const rw_scratch_line *)(const void *)(h + 1);
    int64_t changed = 0;
    for (size_t i = 0; i < h->line_bytes / sizeof *line; i++) {
        if (line[i].n != j->now->n || !allow(j, RW_BLEMISH_SCRATCH, line_box(&line[i], j->now)))
            continue;
        uint8_t **mended = &j->mended[RW_BLEMISH_SCRATCH];
        if (!*mended)
            *mended = g_malloc0((gsize)j->now->width * (gsize)j->now->height);
        changed += rw_scratch_repair(out, &line[i], *mended);
    }
    return changed;
}

/* ---- dirt ---- */

#define WORTH_A_WORD 0.3 /* confidence below which a spot that was left alone is not reported */

#define UNLIKE     0.03 /* of the picture */
#define UNLIKE_BAR 2.0f /* none but what a person asked for */

/* A frame of which so much is odd was smeared, flashed or is of another scene: it is no dirt. */
static bool is_unlike(const rw_blemish_map *map, float bar)
{
    double area = 0;
    for (int i = 0; i < map->count; i++)
        if (map->object[i].confidence >= bar)
            area += map->object[i].area;
    return area > UNLIKE * map->width * map->height;
}

#define ON_MENDED 0.2 /* of an object */

/* Where a scratch or a hair was taken off, the frame differs from its neighbours, which still show
 * it; to mend that from them would bring it back. */
static bool is_mended(const job *j, const rw_blemish_map *map, int index)
{
    const rw_blemish *b = &map->object[index];
    int on = 0;
    for (int k = 0; k < RW_BLEMISH_KINDS; k++)
        for (int y = b->y0; j->mended[k] && y <= b->y1; y++)
            for (int x = b->x0; x <= b->x1; x++)
                on +=
                    map->label[y * map->width + x] == index + 1 && j->mended[k][y * map->width + x];
    return on > ON_MENDED * b->area;
}

static bool repair_dirt(const job *j, rw_frame *out, GError **error)
{
    const blemish_params *p = j->run->params;
    rw_noise_survey *survey = rw_noise_survey_new();
    for (int k = 1; k <= 2; k++)
        if (j->near[k] && j->field[k])
            rw_noise_look(survey, j->now, j->near[k], j->field[k]);
    rw_noise *noise = g_new(rw_noise, 1);
    rw_noise_settle(survey, noise);
    rw_noise_survey_free(&survey);
    /* the finder sees the frame as the other repairs left it */
    rw_blemish_window w = {.now = out};
    for (int k = 0; k < 4; k++) {
        w.near[k] = j->near[k];
        w.field[k] = j->field[k];
    }
    w.back[0] = j->back[0];
    w.back[1] = j->back[1];
    rw_blemish_map map;
    const bool ok = rw_blemish_find(&map, j->run->pool, &w, noise, false, error);
    g_free(noise);
    if (!ok)
        return false;
    for (int i = 0; i < map.count; i++)
        if (is_mended(j, &map, i))
            map.object[i].confidence = 0.0f;
    const float bar = is_unlike(&map, threshold[p->care]) ? UNLIKE_BAR : threshold[p->care];
    for (int i = 0; i < map.count; i++) {
        rw_blemish *b = &map.object[i];
        rw_spot spot = {.kind = RW_BLEMISH_DIRT, .confidence = (double)b->confidence};
        const rw_irect box = {b->x0, b->y0, b->x1 - b->x0 + 1, b->y1 - b->y0 + 1};
        const int word = verdict_on(j, box, &spot);
        if (word)
            b->confidence = word > 0 ? 2.0f : 0.0f;
        spot.repaired = b->confidence >= bar;
        if (j->trace->spots && (spot.repaired || word || spot.confidence >= WORTH_A_WORD))
            g_array_append_val(j->trace->spots, spot);
    }
    j->trace->repaired[RW_BLEMISH_DIRT] =
        rw_blemish_repair(out, &w, &map, bar, j->trace->mask[RW_BLEMISH_DIRT]);
    rw_blemish_map_clear(&map);
    return true;
}

/* ---- all of it ---- */

/* What was taken off goes into the trace's masks. */
static void tell_mended(job *j)
{
    const size_t pixels = (size_t)j->now->width * (size_t)j->now->height;
    for (int k = 0; k < RW_BLEMISH_KINDS; k++) {
        uint8_t *mask = j->trace->mask[k];
        for (size_t i = 0; mask && j->mended[k] && i < pixels; i++)
            mask[i] = MAX(mask[i], j->mended[k][i]);
        g_free(j->mended[k]);
    }
}

static bool frame(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error)
{
    const blemish_params *p = run->params;
    job j = {.run = run, .window = window, .now = rw_window_at(window, 0), .trace = trace};
    if (!get_fields(&j, error) || !rw_frame_alloc(out, run->pool, j.now->width, j.now->height,
                                                  j.now->plane[1] ? 3 : 1, error))
        return false;
    copy_frame(out, j.now);
    out->domain = j.now->domain;
    out->n = j.now->n;
    out->still_to_frame = j.now->still_to_frame;
    if (run->facts && run->facts_bytes >= sizeof(head) && j.now->plane[1]) {
        const head *h = run->facts;
        if (p->hairs)
            trace->repaired[RW_BLEMISH_HAIR] = repair_hairs(&j, out, h);
        if (p->scratches)
            trace->repaired[RW_BLEMISH_SCRATCH] = repair_scratches(&j, out, h);
    }
    const bool ok = !p->dirt || repair_dirt(&j, out, error);
    tell_mended(&j);
    if (!ok)
        rw_frame_clear(out);
    return ok;
}

const rw_stage rw_stage_blemish = {
    .name = "blemish",
    .title = "Dirt, scratches, hairs",
    .help = "Repairs dust and dirt from the neighbouring frames, scratches from what shows through "
            "them, gate hairs from what weave reveals; leaves alone what it doubts.",
    .version = 2,
    .by_default = true,
    .params = rows,
    .params_size = sizeof(blemish_params),
    .domain = RW_DOMAIN_LINEAR,
    .needs = RW_STAGE_NEEDS_MOTION,
    .scratch = 90,
    .idle = idle,
    .reach = reach,
    .observation_bytes = sizeof(observation),
    .observe_width = RW_SCRATCH_WIDTH,
    .observe_reach = 1,
    .observe = observe,
    .prepare = prepare,
    .frame = frame,
};
