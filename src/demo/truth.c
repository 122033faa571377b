/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "demo/truth.h"

#include <math.h>
#include <stdarg.h>

#include <reelwright/version.h>

#include "demo/camera.h"
#include "demo/clean.h"
#include "demo/fmath.h"

/* ---- a small writer: members are put one after another, commas take care of themselves ---- */

typedef struct writer {
    GString *text;
} writer;

static void separate(writer *w)
{
    char last = w->text->len ? w->text->str[w->text->len - 1] : '[';
    if (last != '{' && last != '[' && last != ':')
        g_string_append_c(w->text, ',');
}

static void put_key(writer *w, const char *key)
{
    separate(w);
    if (key)
        g_string_append_printf(w->text, "\"%s\":", key);
}

static void open_as(writer *w, const char *key, char bracket)
{
    put_key(w, key);
    g_string_append_c(w->text, bracket);
}

static void close_as(writer *w, char bracket)
{
    g_string_append_c(w->text, bracket);
}

static void put_number(writer *w, const char *key, double value)
{
    char text[G_ASCII_DTOSTR_BUF_SIZE];
    put_key(w, key);
    g_string_append(w->text, g_ascii_formatd(text, sizeof text, "%.12g", value));
}

static void put_int(writer *w, const char *key, int64_t value)
{
    put_key(w, key);
    g_string_append_printf(w->text, "%" G_GINT64_FORMAT, value);
}

static void put_bool(writer *w, const char *key, bool value)
{
    put_key(w, key);
    g_string_append(w->text, value ? "true" : "false");
}

static void put_text(writer *w, const char *key, const char *value)
{
    put_key(w, key);
    g_string_append_c(w->text, '"');
    for (const char *p = value; *p; p++) {
        if (*p == '"' || *p == '\\')
            g_string_append_c(w->text, '\\');
        if ((unsigned char)*p < 32)
            g_string_append_printf(w->text, "\\u%04x", *p);
        else
            g_string_append_c(w->text, *p);
    }
    g_string_append_c(w->text, '"');
}

static void put_numbers(writer *w, const char *key, int count, const double *values)
{
    open_as(w, key, '[');
    for (int i = 0; i < count; i++)
        put_number(w, NULL, values[i]);
    close_as(w, ']');
}

static void put_affine(writer *w, const char *key, rw_affine a)
{
    open_as(w, key, '[');
    put_numbers(w, NULL, 3, a.m[0]);
    put_numbers(w, NULL, 3, a.m[1]);
    close_as(w, ']');
}

static void put_rect(writer *w, const char *key, rw_rect r)
{
    put_numbers(w, key, 4, (double[]){r.x, r.y, r.width, r.height});
}

/* (x, t) rectangles in the truth's (x, y). */
static rw_rect to_xy(const rw_demo_reel *reel, rw_rect r)
{
    if (reel->layout.time_direction < 0)
        r.y = -r.y - r.height;
    return r;
}

static char *finish_text(writer *w)
{
    return g_string_free(w->text, FALSE);
}

/* ---- one still ---- */

static const char *const event_names[] = {
    "missing-frame", NULL,     "doubled-frame",       "smeared-frame",
    "soft-frame",    "splice", "damaged-perforation", "damaged-perforation",
    "exposure-shift"};

static void put_events(writer *w, const rw_demo_truth_info *info, const rw_demo_view *v)
{
    const rw_demo_reel *reel = info->reel;
    unsigned e = rw_demo_plan_events(reel->plan, v->shot.film);
    if (v->shot.take > 0)
        e &= ~(unsigned)DEMO_SMEARED;
    else
        e &= ~(unsigned)DEMO_DOUBLED;
    if (v->shot.film > 0 && reel->gauge->perforation_on_frame_line)
        e |= rw_demo_plan_events(reel->plan, v->shot.film - 1) & (DEMO_TORN | DEMO_DIRTY);
    open_as(w, "events", '[');
    for (size_t i = 0; i < G_N_ELEMENTS(event_names); i++)
        if (e & 1u << i && event_names[i] && (i != 7 || !(e & DEMO_TORN)))
            put_text(w, NULL, event_names[i]);
    if (v->n_hairs)
        put_text(w, NULL, "gate-hair");
    if (v->gain * reel->params->number[DEMO_EXPOSURE_CLEAR] > 1.0)
        put_text(w, NULL, "clipped-light");
    close_as(w, ']');
}

static void put_damage(writer *w, const rw_demo_truth_info *info, const rw_demo_view *v)
{
    const rw_demo_reel *reel = info->reel;
    const rw_gauge *g = reel->gauge;
    open_as(w, "perforations", '[');
    for (int k = 0; k < g->n_perforations; k++) {
        rw_perforation h = g->perforations[k];
        rw_rect r = to_xy(reel, (rw_rect){h.x, h.y, h.width, h.height});
        /* damage is kept with the frame whose last hole it is */
        int64_t owner = v->shot.film - (g->n_perforations - 1 - k);
        unsigned e = rw_demo_plan_events(reel->plan, owner);
        open_as(w, NULL, '{');
        put_rect(w, "film_box", r);
        put_rect(w, "still_box", rw_demo_box(v->film_to_still, r));
        put_text(w, "state", e & DEMO_TORN ? "torn" : e & DEMO_DIRTY ? "dirty" : "clean");
        close_as(w, '}');
    }
    close_as(w, ']');
}

static void put_spot(writer *w, const rw_demo_reel *reel, const rw_demo_view *v,
                     const rw_demo_spot *s)
{
    rw_rect box = to_xy(reel, s->box);
    open_as(w, NULL, '{');
    put_text(w, "kind", rw_demo_spot_name(s->kind));
    put_rect(w, "film_box", box);
    put_rect(w, "still_box", rw_demo_box(v->film_to_still, box));
    put_number(w, "opacity", (double)s->opacity);
    close_as(w, '}');
}

static void put_hairs(writer *w, const rw_demo_reel *reel, const rw_demo_view *v)
{
    const rw_demo_layout *l = &reel->layout;
    double s = l->px_per_mm;
    rw_affine field = {{{s, 0, (l->canon_width - 1) / 2.0}, {0, s, (l->canon_height - 1) / 2.0}}};
    rw_affine to_still = rw_affine_then(field, rw_demo_canon_to_still(l));
    for (int i = 0; i < v->n_hairs; i++) {
        open_as(w, NULL, '{');
        put_text(w, "kind", rw_demo_spot_name(DEMO_SPOT_GATE_HAIR));
        put_rect(w, "still_box", rw_demo_box(to_still, v->hair[i].box));
        put_number(w, "opacity", (double)v->hair[i].opacity);
        close_as(w, '}');
    }
}

static void put_scratches(writer *w, const rw_demo_reel *reel, const rw_demo_view *v)
{
    for (int i = 0; i < reel->plan->n_scratches; i++) {
        const rw_demo_scratch *s = &reel->plan->scratches[i];
        double opacity, x = rw_demo_scratch_at(reel, i, (double)v->shot.film, &opacity);
        if (opacity <= 0)
            continue;
        open_as(w, NULL, '{');
        put_text(w, "kind", s->light ? "light scratch" : "dark scratch");
        put_int(w, "scratch", i);
        put_number(w, "x", x);
        put_number(w, "width", s->width);
        put_number(w, "opacity", opacity);
        close_as(w, '}');
    }
}

static void put_blemishes(writer *w, const rw_demo_reel *reel, const rw_demo_view *v)
{
    rw_demo_spot spots[DEMO_MOST_SPOTS];
    int n = rw_demo_film_spots(reel, v->shot.film, spots, DEMO_MOST_SPOTS);
    open_as(w, "blemishes", '[');
    for (int i = 0; i < n; i++)
        if (spots[i].kind >= DEMO_SPOT_SPECK_DARK)
            put_spot(w, reel, v, &spots[i]);
    put_scratches(w, reel, v);
    put_hairs(w, reel, v);
    close_as(w, ']');
}

static char *format_time(int64_t ms)
{
    g_autoptr(GDateTime) epoch = g_date_time_new_utc(1970, 1, 1, 0, 0, 0);
    g_autoptr(GDateTime) t = g_date_time_add(epoch, ms * 1000);
    g_autofree char *text = g_date_time_format(t, "%Y-%m-%dT%H:%M:%S");
    return g_strdup_printf("%s.%03d", text, (int)(((ms % 1000) + 1000) % 1000));
}

static int scene_of(const rw_demo_truth_info *info, int64_t film)
{
    int i = 0;
    while (i + 1 < info->n_scenes && info->scenes[i].last < film)
        i++;
    return i;
}

char *rw_demo_truth_still(const rw_demo_truth_info *info, int64_t n, const rw_demo_view *v)
{
    const rw_demo_reel *reel = info->reel;
    writer w = {g_string_new(NULL)};
    char path[64];
    rw_demo_card_path(v->shot.folder, v->shot.number, path, sizeof path);
    g_autofree char *time = format_time(info->start_ms + v->shot.time_ms);
    rw_point camera = rw_demo_camera_weave(reel, v->shot.film);
    open_as(&w, NULL, '{');
    put_int(&w, "n", n);
    put_text(&w, "file", path);
    put_int(&w, "film", v->shot.film);
    put_int(&w, "take", v->shot.take);
    put_int(&w, "scene", scene_of(info, v->shot.film));
    put_text(&w, "time", time);
    put_affine(&w, "film_to_still", v->film_to_still);
    put_numbers(&w, "weave", 2, (double[]){v->weave.x, reel->layout.time_direction * v->weave.y});
    put_numbers(&w, "camera_weave", 2,
                (double[]){camera.x, reel->layout.time_direction * camera.y});
    if (v->splice_jump.x != 0 || v->splice_jump.y != 0)
        put_numbers(&w, "splice_jump", 2,
                    (double[]){v->splice_jump.x, reel->layout.time_direction * v->splice_jump.y});
    put_number(&w, "rotation", v->angle * 360);
    put_number(&w, "shutter", rw_demo_shutter(reel, v->shot.film));
    open_as(&w, "light", '{');
    put_number(&w, "gain", v->gain);
    put_number(&w, "flicker", v->flicker);
    put_number(&w, "drift", v->drift);
    put_number(&w, "stops", v->stops);
    put_numbers(&w, "shade", DEMO_SHADES, v->shade);
    close_as(&w, '}');
    put_number(&w, "blur_sigma", v->sigma);
    put_number(&w, "edge_width", v->edge_width);
    if (v->smear_travel != 0) {
        open_as(&w, "smear", '{');
        put_number(&w, "travel", v->smear_travel);
        put_number(&w, "moving", v->smear_moving);
        put_number(&w, "second", v->smear_second);
        close_as(&w, '}');
    }
    put_events(&w, info, v);
    put_damage(&w, info, v);
    put_blemishes(&w, reel, v);
    close_as(&w, '}');
    return finish_text(&w);
}

/* ---- the whole reel ---- */

static void put_parameters(writer *w, const rw_demo_reel *reel)
{
    const rw_demo_params *params = reel->params;
    open_as(w, "parameters", '{');
    for (int i = 0; i < DEMO_PARAMS; i++) {
        rw_demo_param p = (rw_demo_param)i;
        if (rw_demo_param_is_list(p)) {
            open_as(w, rw_demo_param_key(p), '[');
            for (int k = 0; k < params->list[i].count; k++)
                put_int(w, NULL, params->list[i].at[k]);
            close_as(w, ']');
        } else {
            put_number(w, rw_demo_param_key(p), params->number[i]);
        }
    }
    close_as(w, '}');
    open_as(w, "switched_off", '[');
    for (int i = 0; i < DEMO_TERMS; i++)
        if (!params->on[i])
            put_text(w, NULL, rw_demo_term_name((rw_demo_term)i));
    close_as(w, ']');
}

static void put_film(writer *w, const rw_demo_reel *reel)
{
    const rw_gauge *g = reel->gauge;
    open_as(w, "film", '{');
    put_number(w, "width", g->width);
    put_number(w, "pitch", g->pitch);
    put_rect(w, "camera_aperture", to_xy(reel, g->camera_aperture));
    put_rect(w, "projectable", to_xy(reel, g->projectable));
    put_number(w, "shrink_across", 1 - rw_demo_value(reel->params, DEMO_SHRINKAGE_ACROSS) / 100);
    put_number(w, "shrink_along", 1 - rw_demo_value(reel->params, DEMO_SHRINKAGE_ALONG) / 100);
    close_as(w, '}');
}

static void put_geometry(writer *w, const rw_demo_reel *reel)
{
    const rw_demo_layout *l = &reel->layout;
    open_as(w, "stills_are", '{');
    put_int(w, "width", l->width);
    put_int(w, "height", l->height);
    put_int(w, "turn", l->turn);
    put_bool(w, "mirrored", l->mirrored);
    put_int(w, "time_direction", l->time_direction);
    put_number(w, "px_per_mm", l->px_per_mm);
    if (l->gate_in_view && reel->params->on[DEMO_TERM_GATE]) {
        double s = l->px_per_mm;
        rw_affine map = {{{s, 0, (l->canon_width - 1) / 2.0 - s * l->centre.x},
                          {0, s, (l->canon_height - 1) / 2.0 - s * l->centre.y}}};
        put_rect(w, "gate_box",
                 rw_demo_box(rw_affine_then(map, rw_demo_canon_to_still(l)), l->gate));
    }
    close_as(w, '}');
}

static void put_clean(writer *w, const rw_demo_truth_info *info)
{
    const rw_demo_reel *reel = info->reel;
    const double *p = reel->params->number;
    const rw_demo_options *o = info->options;
    rw_affine y_to_t = {{{1, 0, 0}, {0, reel->layout.time_direction, 0}}};
    rw_affine map = rw_demo_film_to_clean(reel->gauge, o->truth_width, o->truth_height);
    rw_demo_developer d;
    float black[3];
    rw_demo_developer_set(reel, &d, black);
    open_as(w, "clean", '{');
    if (o->truth_movies)
        put_text(w, "file", "clean.mkv");
    if (o->truth_movies && o->truth_camera_weave)
        put_text(w, "with_camera_weave", "clean-weave.mkv");
    put_int(w, "width", o->truth_width);
    put_int(w, "height", o->truth_height);
    put_text(w, "coding", "sRGB");
    put_affine(w, "film_to_clean", rw_affine_then(y_to_t, map));
    put_number(w, "clear", p[DEMO_EXPOSURE_CLEAR]);
    put_number(w, "white", (double)demo_exp2f((float)(-p[DEMO_FILM_DMIN] * DEMO_LOG2_10)));
    put_number(w, "black", (double)demo_exp2f((float)(-p[DEMO_FILM_DMAX] * DEMO_LOG2_10)));
    if (d.fades) {
        open_as(w, "fade_matrix", '[');
        for (int i = 0; i < 3; i++)
            put_numbers(
                w, NULL, 3,
                (double[]){(double)d.matrix[i][0], (double)d.matrix[i][1], (double)d.matrix[i][2]});
        close_as(w, ']');
        double stain[3];
        for (int i = 0; i < 3; i++)
            stain[i] = ((double)d.offset[i] - (double)d.base) / DEMO_LOG2_10;
        put_numbers(w, "fade_stain", 3, stain);
    }
    close_as(w, '}');
    if (!o->truth_movies)
        return;
    open_as(w, "masks", '{');
    put_text(w, "file", "masks.mkv");
    put_number(w, "alpha", (double)DEMO_MASK_ALPHA);
    open_as(w, "values", '{');
    static const rw_demo_spot_kind kinds[] = {DEMO_SPOT_SPECK_DARK,   DEMO_SPOT_FIBRE_DARK,
                                              DEMO_SPOT_SPECK_LIGHT,  DEMO_SPOT_FIBRE_LIGHT,
                                              DEMO_SPOT_SCRATCH_DARK, DEMO_SPOT_SCRATCH_LIGHT,
                                              DEMO_SPOT_GATE_HAIR};
    for (size_t i = 0; i < G_N_ELEMENTS(kinds); i++)
        put_int(w, rw_demo_spot_name(kinds[i]), kinds[i]);
    close_as(w, '}');
    close_as(w, '}');
}

static void put_scenes(writer *w, const rw_demo_truth_info *info)
{
    open_as(w, "scenes", '[');
    for (int i = 0; i < info->n_scenes; i++) {
        open_as(w, NULL, '{');
        put_int(w, "first", info->scenes[i].first);
        put_int(w, "last", info->scenes[i].last);
        put_text(w, "name", info->scenes[i].name);
        close_as(w, '}');
    }
    close_as(w, ']');
    open_as(w, "cuts", '[');
    for (int i = 1; i < info->n_scenes; i++)
        put_int(w, NULL, info->scenes[i].first);
    close_as(w, ']');
}

char *rw_demo_truth_head(const rw_demo_truth_info *info)
{
    const rw_demo_reel *reel = info->reel;
    const rw_demo_options *o = info->options;
    writer w = {g_string_new(NULL)};
    open_as(&w, NULL, '{');
    put_text(&w, "format", "reelwright demo truth");
    put_int(&w, "version", 1);
    put_text(&w, "made_by", rw_version());
    put_text(&w, "gauge", reel->gauge->name);
    put_int(&w, "frames", reel->plan->frames);
    put_key(&w, "seed");
    g_string_append_printf(w.text, "%" G_GUINT64_FORMAT, reel->seed);
    put_numbers(&w, "fps", 2, (double[]){(double)o->fps.num, (double)o->fps.den});
    open_as(&w, "footage", '[');
    for (int i = 0; o->footage && o->footage[i]; i++)
        put_text(&w, NULL, o->footage[i]);
    close_as(&w, ']');
    put_geometry(&w, reel);
    put_film(&w, reel);
    put_clean(&w, info);
    put_parameters(&w, reel);
    put_scenes(&w, info);
    open_as(&w, "stills", '[');
    g_string_append_c(w.text, '\n');
    return finish_text(&w);
}

/* ---- the findings that a survey should come to ---- */

static void put_finding(writer *w, const rw_demo_truth_info *info, const char *kind,
                        int64_t first_film, int64_t last_film)
{
    const rw_demo_plan *plan = info->reel->plan;
    int64_t first = CLAMP(first_film, 0, plan->frames),
            last = CLAMP(last_film, 0, plan->frames - 1);
    open_as(w, NULL, '{');
    put_text(w, "kind", kind);
    put_int(w, "first_film", first_film);
    put_int(w, "last_film", last_film);
    put_int(w, "first", plan->first_shot[first]);
    put_int(w, "last", plan->first_shot[last + 1] - 1);
}

static void put_plain_finding(writer *w, const rw_demo_truth_info *info, const char *kind,
                              int64_t first, int64_t last)
{
    put_finding(w, info, kind, first, last);
    close_as(w, '}');
}

/* Between still first and still last = first + 1. */
static int64_t put_missing(writer *w, const rw_demo_truth_info *info, int64_t f)
{
    const rw_demo_plan *plan = info->reel->plan;
    int64_t end = f;
    while (plan->events[end] & DEMO_MISSING)
        end++;
    open_as(w, NULL, '{');
    put_text(w, "kind", "missing-frame");
    put_int(w, "first_film", f);
    put_int(w, "last_film", end - 1);
    put_int(w, "first", plan->first_shot[f] - 1);
    put_int(w, "last", plan->first_shot[f]);
    put_int(w, "missing", end - f);
    put_bool(w, "gap_in_time", !(plan->events[f] & DEMO_SKIPPED));
    close_as(w, '}');
    return end - 1;
}

static void put_frame_findings(writer *w, const rw_demo_truth_info *info)
{
    const rw_demo_reel *reel = info->reel;
    const rw_demo_plan *plan = reel->plan;
    unsigned carried = 0; /* what happened at frames that were not taken shows in the next */
    for (int64_t f = 0; f < plan->frames; f++) {
        unsigned e = plan->events[f] | carried;
        if (plan->events[f] & DEMO_MISSING) {
            int64_t last = put_missing(w, info, f);
            for (; f <= last; f++)
                carried |= plan->events[f] & (DEMO_STEPPED | DEMO_SPLICED);
            f = last;
            continue;
        }
        carried = 0;
        if (plan->first_shot[f] == plan->first_shot[f + 1])
            continue; /* not on a card of frames shot again */
        if (e & DEMO_DOUBLED) {
            put_finding(w, info, "doubled-frame", f, f);
            put_int(w, "doubled_of", plan->first_shot[f]);
            close_as(w, '}');
        }
        for (int i = 3; i < 9; i++) {
            if (!(e & 1u << i) || (i == 7 && e & DEMO_TORN))
                continue;
            bool shared = (i == 6 || i == 7) && reel->gauge->perforation_on_frame_line;
            put_plain_finding(w, info, event_names[i], f,
                              shared && f + 1 < plan->frames ? f + 1 : f);
        }
    }
}

static void put_trends(writer *w, const rw_demo_truth_info *info)
{
    const rw_demo_reel *reel = info->reel;
    const double *p = reel->params->number;
    int64_t last = reel->plan->frames - 1;
    if (reel->plan->hair_first <= MIN(reel->plan->hair_last, last))
        put_plain_finding(w, info, "gate-hair", reel->plan->hair_first,
                          MIN(reel->plan->hair_last, last));
    if (rw_demo_value(reel->params, DEMO_FOCUS_PERCENT) > 0) {
        put_finding(w, info, "focus-drift",
                    p[DEMO_FOCUS_FIRST] < 0 ? 0 : (int64_t)p[DEMO_FOCUS_FIRST],
                    p[DEMO_FOCUS_LAST] < 0 ? last : MIN(last, (int64_t)p[DEMO_FOCUS_LAST]));
        put_number(w, "percent", p[DEMO_FOCUS_PERCENT]);
        close_as(w, '}');
    }
    if (reel->params->on[DEMO_TERM_CLIP] && p[DEMO_CLIP_FIRST] >= 0 &&
        (int64_t)p[DEMO_CLIP_FIRST] <= last)
        put_plain_finding(w, info, "clipped-light", (int64_t)p[DEMO_CLIP_FIRST],
                          p[DEMO_CLIP_LAST] < 0 ? last : MIN(last, (int64_t)p[DEMO_CLIP_LAST]));
}

char *rw_demo_truth_tail(const rw_demo_truth_info *info)
{
    const rw_demo_plan *plan = info->reel->plan;
    writer w = {g_string_new("\n]")};
    open_as(&w, "findings", '[');
    put_frame_findings(&w, info);
    put_trends(&w, info);
    close_as(&w, ']');
    open_as(&w, "aliens", '[');
    for (int i = 0; i < plan->n_aliens; i++) {
        char path[64];
        rw_demo_card_path(plan->aliens[i].folder, plan->aliens[i].number, path, sizeof path);
        put_text(&w, NULL, path);
    }
    close_as(&w, ']');
    close_as(&w, '}');
    g_string_append_c(w.text, '\n');
    return finish_text(&w);
}
