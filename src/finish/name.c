/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "finish/name.h"

static void add(GByteArray *name, const void *data, size_t bytes)
{
    g_byte_array_append(name, data, (guint)bytes);
}

static void add_text(GByteArray *name, const char *text)
{
    add(name, text, strlen(text));
}

void rw_name_add_view(GByteArray *name, const rw_plan *plan, const rw_composition *view)
{
    add_text(name, plan->curve);
    add(name, &view->film_to_frame, sizeof view->film_to_frame);
    add(name, &view->width, sizeof view->width);
    add(name, &view->height, sizeof view->height);
}

/* The decoding scale follows from the rest and the reel's usual scale, which is of the same reel as
 * the path. */
void rw_name_add_still(GByteArray *name, const rw_plan *plan, int64_t p)
{
    const rw_plan_still *still = &plan->stills[p];
    add_text(name, still->path);
    add(name, &still->film_to_still, sizeof still->film_to_still);
}

static void add_scene(GByteArray *name, const rw_plan *plan, int scene)
{
    const rw_composition *c = &plan->scenes[scene].composition;
    rw_name_add_view(name, plan, c);
    add(name, &c->picture, sizeof c->picture);
}

GBytes *rw_name_registered(const rw_plan *plan, int64_t p)
{
    GByteArray *name = g_byte_array_new();
    add_text(name, "registered\n");
    add_scene(name, plan, rw_plan_picture(plan, p)->scene);
    rw_name_add_still(name, plan, p);
    return g_byte_array_free_to_bytes(name);
}

static void add_stage(GByteArray *name, const rw_stage *stage, const rw_plan_stage *s)
{
    add_text(name, stage->name);
    add(name, &stage->version, sizeof stage->version);
    add(name, &s->idle, sizeof s->idle);
    if (s->params) {
        g_autofree char *params = rw_params_hash(stage->params, s->params);
        add_text(name, params);
    }
    if (s->facts) {
        gsize bytes;
        const guchar *data = g_bytes_get_data(s->facts, &bytes);
        g_autofree char *sum = g_compute_checksum_for_data(G_CHECKSUM_SHA256, data, bytes);
        add_text(name, sum);
    }
}

/* What a person said of single blemishes of frame n. */
static void add_words(GByteArray *name, const rw_plan *plan, int64_t n)
{
    const GArray *words = plan->spots ? g_hash_table_lookup(plan->spots, &n) : NULL;
    const guint count = words ? words->len : 0;
    add(name, &count, sizeof count);
    for (guint i = 0; i < count; i++) {
        const rw_spot_word *w = &g_array_index(words, rw_spot_word, i);
        add(name, &w->x, sizeof w->x);
        add(name, &w->y, sizeof w->y);
        add(name, &w->word, sizeof w->word);
    }
}

GBytes *rw_name_after(const rw_plan *plan, int64_t p, int stages, int64_t first, int64_t last)
{
    const int scene = rw_plan_picture(plan, p)->scene;
    GByteArray *name = g_byte_array_new();
    add_text(name, "after\n");
    add_scene(name, plan, scene);
    add(name, &p, sizeof p);
    for (int64_t q = first; q <= last; q++) {
        const int64_t n = rw_plan_picture(plan, q)->n;
        add(name, &n, sizeof n);
        rw_name_add_still(name, plan, q);
        add_words(name, plan, n);
    }
    for (int i = 0; i < stages; i++)
        add_stage(name, plan->stages[i], &plan->scenes[scene].stages[i]);
    return g_byte_array_free_to_bytes(name);
}
