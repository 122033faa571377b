/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>
#include <unistd.h>

#include "base/cpu.h"
#include "base/select.h"
#include "colour/still_curve.h"
#include "finish/plan.h"

/* ---- choices ---- */

/* What a person said of single blemishes, by frame. What makes no sense is passed over: the bench
 * refuses it, and a stray word is no reason to make no movie. */
static void read_spots(rw_plan *plan)
{
    plan->spots = g_hash_table_new_full(g_int64_hash, g_int64_equal, g_free,
                                        (GDestroyNotify)(void (*)(void))g_array_unref);
    GHashTableIter i;
    gpointer name, value;
    g_hash_table_iter_init(&i, plan->choices);
    while (g_hash_table_iter_next(&i, &name, &value)) {
        const char *key = strchr(name, '\n');
        if (!g_str_has_prefix(name, "frame:") || !g_str_equal(key + 1, RW_SPOT_WORDS))
            continue;
        GArray *words = rw_spot_words_parse(value);
        if (!words)
            continue;
        const int64_t n = g_ascii_strtoll((const char *)name + strlen("frame:"), NULL, 10);
        g_hash_table_replace(plan->spots, g_memdup2(&n, sizeof n), words);
    }
}

/* All at once: a long reel has many scenes and a stage many parameters. */
static bool read_choices(rw_plan *plan, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_choices(plan->reel, error);
    if (!rows)
        return false;
    plan->choices = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    for (guint i = 0; i < rows->len; i++) {
        const rw_choice_row *row = &g_array_index(rows, rw_choice_row, i);
        g_hash_table_insert(plan->choices, g_strconcat(row->scope, "\n", row->key, NULL),
                            g_strdup(row->value));
    }
    read_spots(plan);
    return true;
}

/* The scene's own choice, else the reel's, else NULL; the plan's. */
static const char *get_choice(const rw_plan *plan, int64_t scene, const char *key)
{
    char name[160];
    g_snprintf(name, sizeof name, "scene:%" G_GINT64_FORMAT "\n%s", scene, key);
    const char *value = g_hash_table_lookup(plan->choices, name);
    g_snprintf(name, sizeof name, "reel\n%s", key);
    return value ? value : g_hash_table_lookup(plan->choices, name);
}

static bool bad_choice(const rw_plan *plan, const char *key, const char *value, const char *takes,
                       GError **error)
{
    g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                "The choice %s of %s is \"%s\"; it takes %s. Change it on the bench.", key,
                rw_reel_path(plan->reel), value, takes);
    return false;
}

static bool number_choice(rw_plan *plan, int64_t scene, const char *key, double min, double max,
                          double *value, GError **error)
{
    const char *text = get_choice(plan, scene, key);
    if (!text)
        return true;
    char *end = NULL;
    double number = g_ascii_strtod(text, &end);
    if (end == text || *end || !(number >= min && number <= max)) {
        g_autofree char *takes = g_strdup_printf("a number from %g to %g", min, max);
        return bad_choice(plan, key, text, takes, error);
    }
    *value = number;
    return true;
}

/* Index of the reel's choice among words; *value stays when there is none. */
static bool word_choice(rw_plan *plan, const char *key, const char *const *words, int *value,
                        GError **error)
{
    GError *failed = NULL;
    g_autofree char *text = rw_reel_get_choice(plan->reel, "reel", key, &failed);
    if (failed) {
        g_propagate_error(error, failed);
        return false;
    }
    for (int i = 0; text && words[i]; i++) {
        if (g_str_equal(words[i], text)) {
            *value = i;
            return true;
        }
    }
    g_autofree char *takes = g_strjoinv(" or ", (char **)(void *)words);
    return !text || bad_choice(plan, key, text, takes, error);
}

static bool choose_way_up(rw_plan *plan, const rw_finish_options *o, int *way_up, GError **error)
{
    static const char *const words[] = {"-1", "1", NULL};
    int word = 1;
    GError *failed = NULL;
    g_autofree char *surveyed = rw_reel_get_meta(plan->reel, "way_up", &failed);
    if (failed) {
        g_propagate_error(error, failed);
        return false;
    }
    if (surveyed && g_str_equal(surveyed, "-1"))
        word = 0;
    if (!word_choice(plan, "way_up", words, &word, error))
        return false;
    *way_up = o->way_up ? o->way_up : word ? 1 : -1;
    return true;
}

static bool choose_mirror(rw_plan *plan, const rw_finish_options *o, bool *mirror, GError **error)
{
    static const char *const words[] = {"off", "on", NULL};
    int word = 0;
    if (!word_choice(plan, "mirror", words, &word, error))
        return false;
    *mirror = o->mirror >= 0 ? o->mirror : word;
    return true;
}

static bool choose_missing(rw_plan *plan, const rw_finish_options *o, rw_finish_missing *missing,
                           GError **error)
{
    static const char *const words[] = {"hold", "blend", NULL};
    int word = 0;
    if (!word_choice(plan, "missing", words, &word, error))
        return false;
    *missing = o->missing != RW_FINISH_CHOSEN ? o->missing
               : word                         ? RW_FINISH_BLEND
                                              : RW_FINISH_HOLD;
    return true;
}

/* A curve that cannot be used is told now, not by the first still. */
static bool choose_curve(rw_plan *plan, GError **error)
{
    const char *text = g_hash_table_lookup(plan->choices, "reel\ncurve");
    plan->curve = g_strdup(text ? text : "");
    if (!*plan->curve)
        return true;
    float table[256];
    GError *failed = NULL;
    if (g_str_has_suffix(plan->curve, ".cube"))
        plan->curve_table = rw_reel_read_look(plan->reel, plan->curve, &failed);
    if (failed || !rw_still_curve(plan->curve, plan->curve_table, 8, table, &failed)) {
        failed->code = RW_ERROR_FAILED; /* not the caller's words: reel.db's */
        g_propagate_error(error, failed);
        return false;
    }
    return true;
}

static bool choose_rates(rw_plan *plan, const rw_finish_options *o, GError **error)
{
    GError *failed = NULL;
    g_autofree char *chosen = rw_reel_get_choice(plan->reel, "reel", "fps", &failed);
    if (failed) {
        g_propagate_error(error, failed);
        return false;
    }
    if (!(chosen ? rw_rational_parse(chosen, &plan->film_rate, error)
                 : rw_reel_fps(plan->reel, &plan->film_rate, error)))
        return false;
    plan->out_rate = plan->film_rate;
    return g_str_equal(o->cadence, "native") ||
           rw_rational_parse(o->cadence, &plan->out_rate, error);
}

/* ---- what lies on the film ---- */

static GHashTable *still_rows_by_id(GArray *rows)
{
    GHashTable *by_id = g_hash_table_new(g_int64_hash, g_int64_equal);
    for (guint i = 0; i < rows->len; i++) {
        rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        g_hash_table_insert(by_id, &row->id, row);
    }
    return by_id;
}

static bool read_scenes(rw_plan *plan, int64_t frames, GError **error)
{
    g_autoptr(GArray) rows = rw_reel_scenes(plan->reel, error);
    if (!rows)
        return false;
    plan->n_scenes = MAX((int)rows->len, 1);
    plan->scenes = g_new0(rw_plan_scene, plan->n_scenes);
    plan->scenes[0].last = frames - 1; /* a reel without cues is one scene */
    for (guint i = 0; i < rows->len; i++) {
        const rw_scene_row *row = &g_array_index(rows, rw_scene_row, i);
        plan->scenes[i].id = row->id;
        plan->scenes[i].first = row->first;
        plan->scenes[i].last = row->last;
    }
    return true;
}

static void make_timeline(rw_plan *plan, GArray *frames, GHashTable *stills,
                          rw_finish_missing missing)
{
    rw_timeline_frame *list = g_new0(rw_timeline_frame, frames->len);
    int64_t *scene_first = g_new(int64_t, plan->n_scenes);
    for (guint i = 0; i < frames->len; i++) {
        const rw_frame_row *row = &g_array_index(frames, rw_frame_row, i);
        const rw_still_row *still = g_hash_table_lookup(stills, &row->still);
        list[i] = (rw_timeline_frame){.n = row->n,
                                      .doubled_of = row->doubled_of,
                                      .usable = still && still->state == RW_STILL_GOOD};
    }
    for (int s = 0; s < plan->n_scenes; s++)
        scene_first[s] = plan->scenes[s].first;
    rw_timeline_make(&plan->timeline, list, frames->len, scene_first, plan->n_scenes, missing);
    g_free(list);
    g_free(scene_first);
}

/* A reel.db from a stranger must not have us open files elsewhere. */
static bool lies_in_reel(const char *path)
{
    g_auto(GStrv) parts = g_strsplit(path, "/", -1);
    bool plain = parts[0] != NULL;
    for (char **part = parts; *part; part++)
        plain = plain && **part && !g_str_equal(*part, ".") && !g_str_equal(*part, "..");
    return plain;
}

static bool refuse_still(const rw_plan *plan, int64_t n, const char *path, GError **error)
{
    const char *reel = rw_reel_path(plan->reel);
    if (path)
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "%s/reel.db names a still that does not lie in the reel: \"%s\".", reel, path);
    else
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND,
                    "Frame %" G_GINT64_FORMAT " of %s is not surveyed; run \"reelwright survey "
                    "%s\" first.",
                    n, reel, reel);
    return false;
}

static bool read_stills(rw_plan *plan, GArray *frames, GHashTable *stills, GError **error)
{
    guint count = plan->timeline.pictures->len;
    g_autoptr(GArray) places = rw_reel_placements(plan->reel, 0, (int64_t)frames->len - 1, error);
    if (!places)
        return false;
    plan->stills = g_new0(rw_plan_still, count + 1);
    for (guint i = 0; i < count; i++) {
        int64_t n = rw_plan_picture(plan, i)->n;
        const rw_frame_row *frame = &g_array_index(frames, rw_frame_row, n);
        const rw_still_row *still = g_hash_table_lookup(stills, &frame->still);
        const rw_geometry_row *place = &g_array_index(places, rw_geometry_row, n);
        if (!*place->method || !lies_in_reel(still->path))
            return refuse_still(plan, n, *place->method ? still->path : NULL, error);
        plan->stills[i] = (rw_plan_still){.path = rw_reel_file(plan->reel, still->path),
                                          .film_to_still = place->film_to_still,
                                          .registered = place->film_to_still,
                                          .steady = rw_affine_identity()};
    }
    return true;
}

/* The reel's usual place of the film on a still: the median of each number. */
static rw_affine usual_place(const rw_plan *plan)
{
    guint count = plan->timeline.pictures->len;
    g_autofree double *values = g_new(double, count);
    rw_affine usual;
    for (int k = 0; k < 6; k++) {
        for (guint i = 0; i < count; i++)
            values[i] = plan->stills[i].film_to_still.m[k / 3][k % 3];
        qsort(values, count, sizeof *values, rw_compare_doubles);
        usual.m[k / 3][k % 3] = values[count / 2];
    }
    return usual;
}

static bool read_film(rw_plan *plan, const rw_finish_options *o, GError **error)
{
    int64_t count = rw_reel_frame_count(plan->reel, error);
    if (count < 0)
        return false;
    rw_finish_missing missing;
    if (!read_scenes(plan, count, error) || !choose_missing(plan, o, &missing, error))
        return false;
    g_autoptr(GArray) rows = rw_reel_stills(plan->reel, error);
    g_autoptr(GArray) frames = rows && count > 0 ? rw_reel_frames(plan->reel, 0, count - 1, error)
                                                 : g_array_new(FALSE, FALSE, sizeof(rw_frame_row));
    if (!rows || !frames)
        return false;
    g_autoptr(GHashTable) stills = still_rows_by_id(rows);
    make_timeline(plan, frames, stills, missing);
    if (plan->timeline.pictures->len == 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND, "%s has no still that can be read.",
                    rw_reel_path(plan->reel));
        return false;
    }
    if (!read_stills(plan, frames, stills, error))
        return false;
    plan->usual = usual_place(plan);
    plan->still_px_per_mm = sqrt(fabs(rw_affine_determinant(plan->usual)));
    return true;
}

/* ---- stages ---- */

static bool listed(const char *const *names, const char *name)
{
    return names && g_strv_contains(names, name);
}

/* Only and skip may name any word of the contract and any row of the table. */
static bool check_names(const char *const *names, const rw_finish_options *o, GError **error)
{
    for (; names && *names; names++) {
        if (rw_stage_find(*names))
            continue;
        if (!g_strv_contains(rw_stage_words(), *names)) {
            g_autofree char *known = g_strjoinv(" ", (char **)(void *)rw_stage_words());
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "There is no stage \"%s\"; the stages are %s.", *names, known);
            return false;
        }
        if (o->note) {
            g_autofree char *line =
                g_strdup_printf("This version has no stage \"%s\"; it is left out.", *names);
            o->note(o->data, line);
        }
    }
    return true;
}

static bool is_on(const rw_stage *stage, const rw_finish_options *o)
{
    bool on = o->only ? listed(o->only, stage->name) : stage->by_default;
    return on && !listed(o->skip, stage->name);
}

static bool apply_choices(rw_plan *plan, const rw_stage *stage, const rw_plan_scene *scene,
                          void *params, GError **error)
{
    for (const rw_param *row = stage->params; row && row->key; row++) {
        g_autofree char *key = g_strdup_printf("%s.%s", stage->name, row->key);
        GError *failed = NULL;
        const char *value = get_choice(plan, scene->id, key);
        if (value && !rw_params_set(stage->params, params, row->key, value, &failed)) {
            failed->code = RW_ERROR_FAILED; /* not the caller's words: reel.db's */
            g_prefix_error(&failed, "A choice of stage %s in %s is off: ", stage->name,
                           rw_reel_path(plan->reel));
        }
        if (failed) {
            g_propagate_error(error, failed);
            return false;
        }
    }
    return true;
}

/* "stage.key=value" split at its first point and sign; false with the error set. */
static bool split_setting(const char *setting, char **stage, char **key, const char **value,
                          GError **error)
{
    const char *dot = strchr(setting, '.'), *equal = strchr(setting, '=');
    if (!dot || !equal || equal < dot) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "\"%s\" is no setting; write STAGE.KEY=VALUE.",
                    setting);
        return false;
    }
    *stage = g_strndup(setting, (gsize)(dot - setting));
    *key = g_strndup(dot + 1, (gsize)(equal - dot - 1));
    *value = equal + 1;
    return true;
}

/* Nothing happens when the setting is another stage's. */
static bool apply_setting(const rw_stage *stage, void *params, const char *setting, GError **error)
{
    g_autofree char *name = NULL, *key = NULL;
    const char *value;
    if (!split_setting(setting, &name, &key, &value, error))
        return false;
    return !g_str_equal(name, stage->name) ||
           rw_params_set(stage->params, params, key, value, error);
}

static bool set_up_stage(rw_plan *plan, const rw_stage *stage, const rw_plan_scene *scene,
                         rw_plan_stage *s, const rw_finish_options *o, GError **error)
{
    s->params = stage->params_size ? g_malloc0(stage->params_size) : NULL;
    rw_params_defaults(stage->params, s->params);
    if (!apply_choices(plan, stage, scene, s->params, error))
        return false;
    for (const char *const *setting = o->settings; setting && *setting; setting++)
        if (!apply_setting(stage, s->params, *setting, error))
            return false;
    s->idle = stage->idle && stage->idle(s->params);
    if (stage->reach && !s->idle)
        stage->reach(s->params, &s->before, &s->after);
    g_assert(s->before >= 0 && s->before <= RW_REACH_MAX && s->after >= 0 &&
             s->after <= RW_REACH_MAX);
    return true;
}

/* Settings must make sense whether or not their stage runs. */
static bool check_settings(const rw_finish_options *o, GError **error)
{
    for (const char *const *setting = o->settings; setting && *setting; setting++) {
        g_autofree char *name = NULL, *key = NULL;
        const char *value;
        if (!split_setting(*setting, &name, &key, &value, error))
            return false;
        const rw_stage *stage = rw_stage_find(name);
        if (!stage) {
            g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                        "\"%s\" sets nothing: there is no stage \"%s\".", *setting, name);
            return false;
        }
        g_autofree void *scratch = g_malloc0(stage->params_size + 1);
        if (!rw_params_set(stage->params, scratch, key, value, error))
            return false;
    }
    return true;
}

static bool plan_stages(rw_plan *plan, const rw_finish_options *o, GError **error)
{
    if (!check_names(o->only, o, error) || !check_names(o->skip, o, error) ||
        !check_settings(o, error))
        return false;
    int count = 0;
    while (rw_stages()[count])
        count++;
    plan->stages = g_new0(const rw_stage *, count);
    for (int i = 0; i < count; i++)
        if (rw_stages()[i]->frame && is_on(rw_stages()[i], o))
            plan->stages[plan->n_stages++] = rw_stages()[i];
    for (int s = 0; s < plan->n_scenes; s++) {
        rw_plan_scene *scene = &plan->scenes[s];
        scene->stages = g_new0(rw_plan_stage, MAX(plan->n_stages, 1));
        for (int i = 0; i < plan->n_stages; i++)
            if (!set_up_stage(plan, plan->stages[i], scene, &scene->stages[i], o, error))
                return false;
    }
    plan->registers = is_on(rw_stage_find("register"), o);
    for (guint i = 0; i < plan->timeline.pictures->len && !plan->registers; i++)
        plan->stills[i].film_to_still = plan->stills[i].registered = plan->usual;
    return true;
}

/* ---- the frame ---- */

static bool plan_frame(rw_plan *plan, const rw_finish_options *o, GError **error)
{
    int way_up;
    bool mirror;
    if (!choose_way_up(plan, o, &way_up, error) || !choose_mirror(plan, o, &mirror, error))
        return false;
    for (int s = 0; s < plan->n_scenes; s++) {
        rw_plan_scene *scene = &plan->scenes[s];
        double x = 0, y = 0, scale = 1;
        if (!number_choice(plan, scene->id, "crop.x", -20, 20, &x, error) ||
            !number_choice(plan, scene->id, "crop.y", -20, 20, &y, error) ||
            !number_choice(plan, scene->id, "crop.scale", 0.1, 4, &scale, error))
            return false;
        scene->framing = rw_framing_make(plan->gauge, way_up, mirror, x, y, scale);
        if (s == 0 && !rw_size_parse(o->size, scene->framing.rect, plan->still_px_per_mm,
                                     &plan->width, &plan->height, error))
            return false;
        scene->composition = rw_composition_make(&scene->framing, plan->width, plan->height);
    }
    return true;
}

/* ---- which part ---- */

static bool plan_range(rw_plan *plan, const rw_finish_options *o, GError **error)
{
    const GArray *entries = plan->timeline.entries;
    int64_t count = entries->len, first = 0, last = count - 1;
    while (o->from >= 0 && first < count && g_array_index(entries, rw_entry, first).n < o->from)
        first++;
    while (o->to >= 0 && last >= 0 && g_array_index(entries, rw_entry, last).n > o->to)
        last--;
    if (first <= last) {
        plan->first_out = rw_cadence_first(plan->film_rate, plan->out_rate, first);
        plan->last_out = rw_cadence_first(plan->film_rate, plan->out_rate, last + 1) - 1;
    }
    if (first > last || plan->first_out > plan->last_out) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "No frame of %s lies between %" G_GINT64_FORMAT " and %" G_GINT64_FORMAT
                    "; it has frames 0 to %" G_GINT64_FORMAT ".",
                    rw_reel_path(plan->reel), MAX(o->from, 0), o->to,
                    g_array_index(entries, rw_entry, count - 1).n);
        return false;
    }
    return true;
}

/* ---- the rest ---- */

static bool plan_delivery(rw_plan *plan, const rw_finish_options *o, GError **error)
{
    plan->delivery = o->codec    ? rw_delivery_find(o->codec)
                     : o->output ? rw_delivery_for_file(o->output)
                                 : NULL;
    const rw_delivery *d = plan->delivery;
    plan->mask_delivery = o->mask ? rw_delivery_for_file(o->mask) : NULL;
    const char *fault = NULL;
    if (!d && o->codec)
        fault = "There is no codec of that name; see \"reelwright finish --help\".";
    else if (!d)
        fault = "The output's extension says nothing of the codec; give --codec.";
    else if (o->mask && !plan->mask_delivery)
        fault = "The mask's extension says nothing of its codec; .mkv keeps it without loss.";
    else if (o->mask && o->output && g_str_equal(o->mask, o->output))
        fault = "Movie and mask cannot be one file.";
    else if (d->muxer && !o->output)
        fault = "Give the output file.";
    else if (o->quality >= 0 && d->best == d->worst)
        fault = "That codec has no quality scale.";
    else if (o->quality >= 0 && (o->quality < d->best || o->quality > d->worst))
        fault = "That quality is not on the codec's scale.";
    else if (o->sound && !d->sound_encoder)
        fault = "That codec's files hold no sound.";
    if (fault) {
        g_set_error_literal(error, RW_ERROR, RW_ERROR_USAGE, fault);
        return false;
    }
    return true;
}

static size_t usual_memory(void)
{
    long pages = sysconf(_SC_AVPHYS_PAGES), page = sysconf(_SC_PAGESIZE);
    size_t free = pages > 0 && page > 0 ? (size_t)pages * (size_t)page : 0;
    return MAX(free / 2, (size_t)512 << 20);
}

rw_plan *rw_plan_new(rw_reel *reel, const rw_finish_options *o, GError **error)
{
    rw_plan *plan = g_new0(rw_plan, 1);
    plan->reel = reel;
    g_mutex_init(&plan->reel_lock);
    plan->series = g_hash_table_new_full(g_str_hash, g_str_equal, g_free, g_free);
    plan->output = g_strdup(o->output);
    plan->sound = g_strdup(o->sound);
    plan->trace = g_strdup(o->trace);
    plan->mask = g_strdup(o->mask);
    plan->quality = o->quality;
    plan->threads = o->threads > 0 ? o->threads : rw_cpu_count();
    plan->memory = o->memory > 0 ? o->memory : usual_memory();
    plan->title = rw_reel_get_meta(reel, "title", NULL);
    plan->gauge = rw_reel_gauge(reel, error);
    if (!plan->gauge || !read_choices(plan, error) || !plan_delivery(plan, o, error) ||
        !choose_rates(plan, o, error) || !choose_curve(plan, error) || !read_film(plan, o, error) ||
        !plan_stages(plan, o, error) || !plan_frame(plan, o, error) || !plan_range(plan, o, error))
        rw_plan_free(&plan);
    return plan;
}

static void free_scene(rw_plan_scene *scene, const rw_stage *const *stages, int n_stages)
{
    for (int i = 0; scene->stages && i < n_stages; i++) {
        if (scene->stages[i].equipment)
            stages[i]->unequip(scene->stages[i].equipment);
        g_free(scene->stages[i].params);
        g_clear_pointer(&scene->stages[i].facts, g_bytes_unref);
    }
    g_free(scene->stages);
}

void rw_plan_free(rw_plan **pointer)
{
    rw_plan *plan = *pointer;
    if (!plan)
        return;
    for (guint i = 0; plan->stills && i < plan->timeline.pictures->len; i++)
        g_free(plan->stills[i].path);
    g_free(plan->stills);
    for (int s = 0; s < plan->n_scenes; s++)
        free_scene(&plan->scenes[s], plan->stages, plan->n_stages);
    g_free(plan->scenes);
    g_free(plan->stages);
    rw_timeline_clear(&plan->timeline);
    g_hash_table_unref(plan->series);
    g_clear_pointer(&plan->choices, g_hash_table_unref);
    g_clear_pointer(&plan->spots, g_hash_table_unref);
    g_free(plan->mask);
    g_mutex_clear(&plan->reel_lock);
    g_free(plan->curve);
    g_clear_pointer(&plan->curve_table, g_bytes_unref);
    g_free(plan->output);
    g_free(plan->sound);
    g_free(plan->trace);
    g_free(plan->title);
    g_clear_pointer(pointer, g_free);
}

/* ---- scenes as stages see them ---- */

/* Many threads ask; the reel's handle is used by one at a time, and each series is read once. */
static double measure(const rw_stage_scene *scene, const char *name, int64_t n)
{
    rw_plan *plan = (rw_plan *)(uintptr_t)scene->data;
    if (n < scene->first || n > scene->last)
        return NAN;
    g_autofree char *key = g_strdup_printf("%" G_GINT64_FORMAT "/%s", scene->first, name);
    g_mutex_lock(&plan->reel_lock);
    double *series = g_hash_table_lookup(plan->series, key);
    if (!series) {
        int64_t count = scene->last - scene->first + 1;
        series = g_new(double, count);
        if (!rw_reel_measure_series(plan->reel, name, 0, scene->first, scene->last, series, NULL))
            for (int64_t i = 0; i < count; i++)
                series[i] = NAN;
        g_hash_table_insert(plan->series, g_steal_pointer(&key), series);
    }
    double value = series[n - scene->first];
    g_mutex_unlock(&plan->reel_lock);
    return value;
}

static GBytes *reel_fact(const rw_stage_scene *scene, const char *name)
{
    rw_plan *plan = (rw_plan *)(uintptr_t)scene->data;
    g_mutex_lock(&plan->reel_lock);
    GBytes *fact = rw_reel_get_fact(plan->reel, "survey", RW_SURVEY_FACTS_VERSION, "", name, NULL);
    g_mutex_unlock(&plan->reel_lock);
    return fact;
}

static GBytes *kept_file(const rw_stage_scene *scene, const char *text, GError **error)
{
    rw_plan *plan = (rw_plan *)(uintptr_t)scene->data;
    g_mutex_lock(&plan->reel_lock);
    GBytes *content = rw_reel_read_look(plan->reel, text, error);
    g_mutex_unlock(&plan->reel_lock);
    return content;
}

rw_point rw_plan_unsteady(const rw_plan *plan, int64_t p, double x, double y)
{
    rw_affine back;
    if (!rw_affine_invert(plan->stills[p].steady, &back))
        return (rw_point){x, y};
    return rw_affine_apply(back, x, y);
}

/* Stages see the film as it was steadied; what a person said holds for the film itself. */
static int verdict(const rw_stage_scene *scene, int64_t n, double x, double y)
{
    const rw_plan *plan = scene->data;
    const GArray *words = g_hash_table_lookup(plan->spots, &n);
    guint low = 0, high = plan->timeline.pictures->len;
    while (words && low < high) { /* the picture of frame n */
        const guint middle = (low + high) / 2;
        if (rw_plan_picture(plan, middle)->n < n)
            low = middle + 1;
        else
            high = middle;
    }
    if (!words || low >= plan->timeline.pictures->len)
        return 0;
    const rw_point at = rw_plan_unsteady(plan, low, x, y);
    double nearest = RW_SPOT_SAME;
    int word = 0;
    for (guint i = 0; i < words->len; i++) {
        const rw_spot_word *w = &g_array_index(words, rw_spot_word, i);
        const double far = hypot(w->x - at.x, w->y - at.y);
        if (far < nearest) {
            nearest = far;
            word = w->word;
        }
    }
    return word;
}

rw_stage_scene rw_plan_stage_scene(rw_plan *plan, int s, const rw_composition *c)
{
    const rw_plan_scene *scene = &plan->scenes[s];
    return (rw_stage_scene){.id = scene->id,
                            .first = scene->first,
                            .last = scene->last,
                            .width = c->width,
                            .height = c->height,
                            .px_per_mm = c->px_per_mm,
                            .fps = plan->film_rate,
                            .measure = measure,
                            .reel_fact = reel_fact,
                            .kept_file = kept_file,
                            .verdict = verdict,
                            .data = plan};
}
