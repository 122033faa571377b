/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How well the film is found: made-up reels against their truth.
 *
 *     registration [--quick] [--only TEXT] [--reels DIR] [--pictures DIR] [--footage FILE]
 *
 * Every reel is decoded, looked at and solved as survey does it. The error is taken at the centre
 * and the four corners of the camera aperture, in stored pixels; `weave` is what is left when each
 * of the five points' mean error over the reel is taken off: the unsteadiness that a viewer would
 * see. p99 is of the frames' rms over the five points. A reel is made once and kept with --reels.
 */
#include <math.h>
#include <string.h>
#include <time.h>

#include <glib/gstdio.h>
#include <json-glib/json-glib.h>
#include <png.h>

#include <reelwright/demo.h>
#include <reelwright/gate.h>

#ifndef FOOTAGE
#define FOOTAGE ""
#endif

typedef struct reel_case {
    const char *name, *gauge;
    int frames, width, height, eighths;
    int turn;
    bool mirrored, footage, quick;
    const char *set[6]; /* NULL-ended */
    const char *off[4];
    double px_per_mm;
} reel_case;

#define CLEAN   "damage", "smear", "soft"
#define DAMAGED "smear", "soft"
static const reel_case cases[] = {
    {"super8 clean", "super8", 36, 1500, 1000, 8, 0, false, true, true, {NULL}, {CLEAN}, 0},
    {"super8 2 bad holes", "super8", 36, 1500, 1000, 8, 0, false, true, true, {NULL}, {DAMAGED}, 0},
    {"regular8 clean", "regular8", 36, 1500, 1000, 8, 0, false, true, true, {NULL}, {CLEAN}, 0},
    {"regular8 2 bad holes",
     "regular8",
     36,
     1500,
     1000,
     8,
     0,
     false,
     true,
     true,
     {NULL},
     {DAMAGED},
     0},
    {"super8 10 bad holes",
     "super8",
     60,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"damage.torn=6", "damage.dirty=4"},
     {DAMAGED},
     0},
    {"regular8 10 bad holes",
     "regular8",
     60,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"damage.torn=6", "damage.dirty=4"},
     {DAMAGED},
     0},
    {"super8 built-in", "super8", 36, 1500, 1000, 8, 0, false, false, false, {NULL}, {CLEAN}, 0},
    {"regular8 built-in",
     "regular8",
     36,
     1500,
     1000,
     8,
     0,
     false,
     false,
     false,
     {NULL},
     {CLEAN},
     0},
    {"super8 all faults", "super8", 60, 1500, 1000, 8, 0, false, true, false, {NULL}, {NULL}, 0},
    {"super8 turned 180", "super8", 24, 1500, 1000, 8, 180, false, true, false, {NULL}, {CLEAN}, 0},
    {"super8 turned 90", "super8", 24, 1500, 1000, 8, 90, false, true, false, {NULL}, {CLEAN}, 0},
    {"regular8 270 mirrored",
     "regular8",
     24,
     1500,
     1000,
     8,
     270,
     true,
     true,
     false,
     {NULL},
     {CLEAN},
     0},
    {"super8 mirrored", "super8", 24, 1500, 1000, 8, 0, true, true, false, {NULL}, {CLEAN}, 0},
    {"super8 wide, film edge",
     "super8",
     36,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"gate.margin=0.8"},
     {CLEAN},
     165},
    {"regular8 both holes",
     "regular8",
     36,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"gate.margin=1.2"},
     {CLEAN},
     165},
    {"super8 clipped",
     "super8",
     36,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"exposure.clear=1.5"},
     {CLEAN},
     0},
    {"regular8 clipped",
     "regular8",
     36,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"exposure.clear=1.5"},
     {CLEAN},
     0},
    {"super8 clipped stretch",
     "super8",
     60,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"clip.first=25", "clip.last=45"},
     {CLEAN},
     0},
    {"super8 splice jumps",
     "super8",
     60,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"splice.count=3", "splice.jump=0.3"},
     {CLEAN},
     0},
    {"super8 very grainy, dirty",
     "super8",
     36,
     1500,
     1000,
     8,
     0,
     false,
     true,
     false,
     {"grain.rms=30", "dirt.rate=25", "lamp.flicker=6", "noise.shot=2"},
     {CLEAN},
     0},
    {"super8 750x500", "super8", 36, 750, 500, 8, 0, false, true, false, {NULL}, {CLEAN}, 0},
    {"regular8 750x500", "regular8", 36, 750, 500, 8, 0, false, true, false, {NULL}, {CLEAN}, 0},
    {"super8 3000x2000", "super8", 24, 3000, 2000, 8, 0, false, true, false, {NULL}, {CLEAN}, 0},
    {"super8 6000x4000 at 4/8",
     "super8",
     24,
     6000,
     4000,
     4,
     0,
     false,
     true,
     false,
     {NULL},
     {CLEAN},
     0},
    {"regular8 6000x4000 at 4/8",
     "regular8",
     24,
     6000,
     4000,
     4,
     0,
     false,
     true,
     false,
     {NULL},
     {CLEAN},
     0},
    {"super8 6000x4000 whole",
     "super8",
     24,
     6000,
     4000,
     8,
     0,
     false,
     true,
     false,
     {NULL},
     {CLEAN},
     0},
};

typedef struct settings {
    gboolean quick;
    char *only, *reels, *pictures, *footage;
} settings;

typedef struct shot {
    char *path;
    rw_affine truth;
    bool damaged; /* a perforation of which most can be seen is torn or dirty */
    bool maybe;   /* one is of which less can be seen: not counted */
} shot;

typedef struct outcome {
    double absolute, weave, across, along; /* rms px: all, without the mean, that by axis */
    double p99, px_per_mm;
    double bad_weave; /* rms of frames with damage, mean of the others taken off */
    int hit, missed, false_alarm, n_damaged, n, held;
    double prior_ms, look_ms; /* processor time of a look without and with a prior */
    int first_right;          /* of the seven looks without one */
    double way, way_margin;   /* +1, -1: picture's down in film y; mean of the votes' differences */
    bool way_certain;
} outcome;

/* ---- reels ---- */

static bool make_reel(const reel_case *c, const settings *s, const char *folder, GError **error)
{
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find(c->gauge));
    o->frames = c->frames;
    o->seed = 20;
    o->width = c->width;
    o->height = c->height;
    o->turn = c->turn;
    o->mirrored = c->mirrored;
    o->px_per_mm = c->px_per_mm;
    o->truth_width = 160;
    o->truth_height = 120;
    o->first_frame = 30;
    if (c->footage && s->footage && *s->footage) {
        const char *const files[] = {s->footage, NULL};
        o->footage = g_strdupv((char **)files);
    }
    bool ok = true;
    for (int i = 0; ok && i < 6 && c->set[i]; i++)
        ok = rw_demo_options_set(o, c->set[i], error);
    for (int i = 0; ok && i < 4 && c->off[i]; i++)
        ok = rw_demo_options_off(o, c->off[i], error);
    rw_demo *demo = ok ? rw_demo_new(o, error) : NULL;
    ok = demo && rw_demo_write(demo, folder, 2, NULL, NULL, NULL, error);
    rw_demo_free(&demo);
    rw_demo_options_free(&o);
    return ok;
}

static rw_affine read_affine(JsonObject *o, const char *name)
{
    rw_affine a;
    JsonArray *rows = json_object_get_array_member(o, name);
    for (guint i = 0; i < 2; i++)
        for (guint k = 0; k < 3; k++)
            a.m[i][k] = json_array_get_double_element(json_array_get_array_element(rows, i), k);
    return a;
}

/* Share of a box that lies within the still and the gate. */
static double seen_share(JsonArray *box, double x0, double y0, double x1, double y1)
{
    double x = json_array_get_double_element(box, 0), y = json_array_get_double_element(box, 1);
    double w = json_array_get_double_element(box, 2), h = json_array_get_double_element(box, 3);
    double sw = MIN(x + w, x1) - MAX(x, x0), sh = MIN(y + h, y1) - MAX(y, y0);
    return sw > 0 && sh > 0 ? sw * sh / (w * h) : 0;
}

static GArray *read_truth(const char *folder, GError **error)
{
    g_autoptr(JsonParser) parser = json_parser_new();
    g_autofree char *path = g_build_filename(folder, "truth", "truth.json", NULL);
    if (!json_parser_load_from_file(parser, path, error))
        return NULL;
    JsonObject *root = json_node_get_object(json_parser_get_root(parser));
    JsonObject *are = json_object_get_object_member(root, "stills_are");
    double x0 = 0, y0 = 0, x1 = (double)json_object_get_int_member(are, "width");
    double y1 = (double)json_object_get_int_member(are, "height");
    if (json_object_has_member(are, "gate_box")) {
        JsonArray *gate = json_object_get_array_member(are, "gate_box");
        x0 = MAX(x0, json_array_get_double_element(gate, 0));
        y0 = MAX(y0, json_array_get_double_element(gate, 1));
        x1 = MIN(x1,
                 json_array_get_double_element(gate, 0) + json_array_get_double_element(gate, 2));
        y1 = MIN(y1,
                 json_array_get_double_element(gate, 1) + json_array_get_double_element(gate, 3));
    }
    GArray *shots = g_array_new(FALSE, TRUE, sizeof(shot));
    JsonArray *stills = json_object_get_array_member(root, "stills");
    for (guint i = 0; i < json_array_get_length(stills); i++) {
        JsonObject *o = json_array_get_object_element(stills, i);
        shot t = {.path = g_build_filename(folder, "card", json_object_get_string_member(o, "file"),
                                           NULL),
                  .truth = read_affine(o, "film_to_still")};
        JsonArray *holes = json_object_get_array_member(o, "perforations");
        for (guint k = 0; k < json_array_get_length(holes); k++) {
            JsonObject *h = json_array_get_object_element(holes, k);
            bool clean = g_str_equal(json_object_get_string_member(h, "state"), "clean");
            JsonArray *box = json_object_get_array_member(h, "still_box");
            double seen = seen_share(box, x0, y0, x1, y1);
            t.damaged |= !clean && seen > 0.6;
            t.maybe |= !clean && seen > 0 && seen <= 0.6;
        }
        g_array_append_val(shots, t);
    }
    return shots;
}

static void free_shots(GArray *shots)
{
    for (guint i = 0; i < shots->len; i++)
        g_free(g_array_index(shots, shot, i).path);
    g_array_unref(shots);
}

/* ---- pictures ---- */

static void dot(uint8_t *rgb, int w, int h, double x, double y, const uint8_t *colour)
{
    int ix = (int)lrint(x), iy = (int)lrint(y);
    if (ix >= 0 && iy >= 0 && ix < w && iy < h)
        memcpy(rgb + ((size_t)iy * (size_t)w + (size_t)ix) * 3, colour, 3);
}

/* The outline of a film rectangle through a transform. */
static void outline(uint8_t *rgb, int w, int h, rw_affine a, rw_rect r, const uint8_t *colour)
{
    for (int i = 0; i < 4000; i++) {
        double t = (i % 1000) / 1000.0, x = r.x, y = r.y;
        x += i < 2000 ? t * r.width : i < 3000 ? 0 : r.width;
        y += i >= 2000 ? t * r.height : i < 1000 ? 0 : r.height;
        rw_point p = rw_affine_apply(a, x, y);
        dot(rgb, w, h, p.x, p.y, colour);
    }
}

static void draw_fit(const char *path, const rw_pixels *pixels, const rw_gauge *gauge,
                     const rw_gate_sight *sight, const rw_gate_fit *fit)
{
    int w = pixels->width, h = pixels->height;
    uint8_t *rgb = g_malloc((size_t)w * (size_t)h * 3);
    for (int y = 0; y < h; y++)
        memcpy(rgb + (size_t)y * (size_t)w * 3, (const uint8_t *)pixels->data + y * pixels->stride,
               (size_t)w * 3);
    static const uint8_t red[] = {255, 40, 40}, green[] = {40, 255, 40}, blue[] = {80, 160, 255},
                         yellow[] = {255, 230, 0};
    rw_affine back;
    rw_affine_invert(rw_pixels_to_stored(pixels->eighths), &back);
    rw_affine a = rw_affine_then(fit->film_to_still, back);
    outline(rgb, w, h, a, gauge->camera_aperture, blue);
    for (int i = 0; i < gauge->n_perforations; i++) {
        const rw_perforation *p = &gauge->perforations[i];
        outline(rgb, w, h, a, (rw_rect){p->x, p->y, p->width, p->height},
                fit->damaged ? red : green);
    }
    for (int i = 0; i < sight->n_holes; i++) {
        rw_point c = rw_affine_apply(back, sight->hole[i].cx, sight->hole[i].cy);
        for (int k = -6; k <= 6; k++) {
            dot(rgb, w, h, c.x + k, c.y, sight->hole[i].damaged ? red : yellow);
            dot(rgb, w, h, c.x, c.y + k, sight->hole[i].damaged ? red : yellow);
        }
    }
    png_image image = {.version = PNG_IMAGE_VERSION,
                       .width = (png_uint_32)w,
                       .height = (png_uint_32)h,
                       .format = PNG_FORMAT_RGB};
    png_image_write_to_file(&image, path, 0, rgb, 0, NULL);
    g_free(rgb);
}

static void draw_reel(const reel_case *c, const settings *s, const rw_gauge *gauge, GArray *shots,
                      const rw_gate_sight *sights, const rw_gate_fit *fits)
{
    rw_decoder *decoder = rw_decoder_new();
    for (guint i = 0; i < shots->len; i++) {
        const shot *t = &g_array_index(shots, shot, i);
        rw_pixels pixels;
        if ((i % 12 && !t->damaged && !fits[i].damaged) ||
            !rw_decoder_decode(decoder, t->path, c->eighths, &pixels, NULL))
            continue;
        g_autofree char *name = g_strdup_printf("%s-%03u.png", c->name, i);
        g_strdelimit(name, " ,/", '_');
        g_autofree char *path = g_build_filename(s->pictures, name, NULL);
        draw_fit(path, &pixels, gauge, &sights[i], &fits[i]);
    }
    rw_decoder_free(&decoder);
}

/* ---- measuring ---- */

static gint64 processor_time(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (gint64)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

static bool look_is_right(const rw_gauge *gauge, const rw_gate_sight *s, rw_affine truth)
{
    const rw_perforation *p = &gauge->perforations[0];
    for (int i = 0; i < s->n_holes; i++) {
        const rw_hole_sight *h = &s->hole[i];
        rw_point c = rw_affine_apply(truth, p->x + p->width / 2,
                                     p->y + p->height / 2 + h->index * gauge->pitch);
        if (!h->damaged && hypot(h->cx - c.x, h->cy - c.y) < 1)
            return s->confidence > 0.5;
    }
    return false;
}

static bool look_at_reel(const reel_case *c, const rw_gauge *gauge, GArray *shots,
                         rw_gate_sight *sights, outcome *out, GError **error)
{
    rw_decoder *decoder = rw_decoder_new();
    rw_gate_finder *finder = rw_gate_finder_new(gauge);
    rw_pixels pixels;
    rw_gate_sight first[7];
    rw_gate_prior prior;
    guint n = shots->len;
    gint64 spent[2] = {0, 0};
    bool ok = true;
    for (guint i = 0; ok && i < 7; i++) {
        ok = rw_decoder_decode(decoder, g_array_index(shots, shot, i * (n - 1) / 6).path,
                               c->eighths, &pixels, error);
        gint64 start = processor_time();
        if (ok)
            rw_gate_finder_look(finder, &pixels, NULL, &first[i]);
        spent[0] += processor_time() - start;
        out->first_right += ok && look_is_right(gauge, &first[i],
                                                g_array_index(shots, shot, i * (n - 1) / 6).truth);
    }
    if (ok)
        rw_gate_prior_from_sights(gauge, first, 7, &prior);
    for (guint i = 0; ok && i < n; i++) {
        ok = rw_decoder_decode(decoder, g_array_index(shots, shot, i).path, c->eighths, &pixels,
                               error);
        gint64 start = processor_time();
        if (ok)
            rw_gate_finder_look(finder, &pixels, &prior, &sights[i]);
        spent[1] += processor_time() - start;
    }
    out->prior_ms = (double)spent[0] / 7000;
    out->look_ms = (double)spent[1] / 1000 / n;
    rw_gate_finder_free(&finder);
    rw_decoder_free(&decoder);
    return ok;
}

/* Luma of a still in linear light, every `step`th pixel's block mean. */
static rw_plane luma_plane(const rw_pixels *p, int step)
{
    rw_plane out = {NULL, p->width / step, p->height / step, p->width / step};
    out.px = g_new(float, (size_t)out.width *(size_t)out.height);
    float linear[256];
    for (int i = 0; i < 256; i++)
        linear[i] = powf((float)i / 255, 2.2f);
    for (int y = 0; y < out.height; y++)
        for (int x = 0; x < out.width; x++) {
            float sum = 0;
            for (int j = 0; j < step; j++)
                for (int i = 0; i < step; i++) {
                    const uint8_t *px = (const uint8_t *)p->data + (y * step + j) * p->stride +
                                        (x * step + i) * p->channels;
                    sum += linear[px[p->channels / 2]];
                }
            out.px[(size_t)y * (size_t)out.width + (size_t)x] = sum / (float)(step * step);
        }
    return out;
}

/* Six pairs of neighbours over the reel vote on which way is up. */
static void vote_way_up(const reel_case *c, const rw_gauge *gauge, GArray *shots,
                        const rw_gate_fit *fits, rw_gate_side side, outcome *out)
{
    enum { PAIRS = 6 };
    rw_way_up_vote votes[PAIRS];
    rw_decoder *decoder = rw_decoder_new();
    int valid = 0;
    for (guint k = 0; k < PAIRS; k++) {
        guint i = k * (shots->len - 2) / (PAIRS - 1);
        rw_plane plane[2] = {{0}};
        rw_affine film[2];
        for (guint j = 0; j < 2; j++) {
            rw_pixels pixels;
            if (!rw_decoder_decode(decoder, g_array_index(shots, shot, i + j).path, c->eighths,
                                   &pixels, NULL))
                continue;
            int step = MAX(1, pixels.width / 1500);
            plane[j] = luma_plane(&pixels, step);
            double r = 8.0 / pixels.eighths * step;
            rw_affine shrink = {{{1 / r, 0, (0.5 / r) - 0.5}, {0, 1 / r, (0.5 / r) - 0.5}}};
            film[j] = rw_affine_then(fits[i + j].film_to_still, shrink);
        }
        rw_way_up_compare(gauge, plane[0], film[0], plane[1], film[1], &votes[k]);
        if (votes[k].valid) {
            out->way_margin += votes[k].with_y - votes[k].against_y;
            valid++;
        }
        g_free(plane[0].px);
        g_free(plane[1].px);
    }
    out->way_margin /= MAX(valid, 1);
    out->way = rw_way_up_decide(side, votes, PAIRS, &out->way_certain);
    rw_decoder_free(&decoder);
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void compare(const rw_gauge *gauge, GArray *shots, const rw_gate_fit *fits, outcome *out)
{
    enum { POINTS = 5 };
    const rw_rect *r = &gauge->camera_aperture;
    guint n = shots->len, sound = 0;
    double(*e)[POINTS][2] = g_malloc(sizeof *e * n), mean[POINTS][2] = {{0}};
    for (guint i = 0; i < n; i++) {
        const shot *t = &g_array_index(shots, shot, i);
        /* Unit vectors of the film's axes on the still. */
        double sx = hypot(t->truth.m[0][0], t->truth.m[1][0]),
               sy = hypot(t->truth.m[0][1], t->truth.m[1][1]);
        for (int k = 0; k < POINTS; k++) {
            double x = r->x + r->width * (k == 4 ? 0.5 : k & 1),
                   y = r->y + r->height * (k == 4 ? 0.5 : k / 2);
            rw_point a = rw_affine_apply(fits[i].film_to_still, x, y),
                     b = rw_affine_apply(t->truth, x, y);
            double dx = a.x - b.x, dy = a.y - b.y;
            e[i][k][0] = (dx * t->truth.m[0][0] + dy * t->truth.m[1][0]) / sx;
            e[i][k][1] = (dx * t->truth.m[0][1] + dy * t->truth.m[1][1]) / sy;
        }
        if (!t->damaged)
            sound++;
        for (int k = 0; !t->damaged && k < POINTS; k++)
            for (int a = 0; a < 2; a++)
                mean[k][a] += e[i][k][a];
        out->px_per_mm = sqrt(sx * sy);
    }
    double all = 0, axis[2] = {0, 0}, bad = 0, *frame = g_new0(double, n);
    for (guint i = 0; i < n; i++) {
        const shot *t = &g_array_index(shots, shot, i);
        for (int k = 0; k < POINTS; k++)
            for (int a = 0; a < 2; a++) {
                double left = e[i][k][a] - mean[k][a] / MAX(sound, 1);
                frame[i] += e[i][k][a] * e[i][k][a] / POINTS;
                axis[a] += left * left / POINTS / n;
                bad += t->damaged ? left * left / POINTS : 0;
            }
        all += frame[i] / n;
        frame[i] = sqrt(frame[i]);
        out->n_damaged += t->damaged;
        out->hit += t->damaged && fits[i].damaged;
        out->missed += t->damaged && !fits[i].damaged;
        out->false_alarm += !t->damaged && !t->maybe && fits[i].damaged;
        out->held += fits[i].confidence < 0.5;
        if (g_getenv("REGISTRATION_FRAMES"))
            printf("    %3u error %.3f centre %+.3f %+.3f far %+.3f %+.3f / %+.3f %+.3f confidence "
                   "%.2f damaged %d truth %d\n",
                   i, frame[i], e[i][4][0], e[i][4][1], e[i][1][0], e[i][1][1], e[i][3][0],
                   e[i][3][1], fits[i].confidence, fits[i].damaged, t->damaged);
    }
    if (g_getenv("REGISTRATION_FRAMES"))
        for (int k = 0; k < POINTS; k++)
            printf("    point %d mean %+.4f %+.4f\n", k, mean[k][0] / sound, mean[k][1] / sound);
    qsort(frame, n, sizeof *frame, by_value);
    out->n = (int)n;
    out->p99 = frame[MIN(n - 1, (guint)(0.99 * n))];
    out->absolute = sqrt(all);
    out->across = sqrt(axis[0]);
    out->along = sqrt(axis[1]);
    out->weave = sqrt(axis[0] + axis[1]);
    out->bad_weave = out->n_damaged ? sqrt(bad / out->n_damaged) : 0;
    g_free(frame);
    g_free(e);
}

static bool remove_tree(const char *path)
{
    g_autoptr(GDir) dir = g_dir_open(path, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *child = g_build_filename(path, name, NULL);
        if (g_file_test(child, G_FILE_TEST_IS_DIR) && !g_file_test(child, G_FILE_TEST_IS_SYMLINK))
            remove_tree(child);
        else
            g_unlink(child);
    }
    return g_rmdir(path) == 0;
}

static bool run_case(const reel_case *c, const settings *s, const char *folder, outcome *out,
                     GError **error)
{
    const rw_gauge *gauge = rw_gauge_find(c->gauge);
    g_autofree char *truth = g_build_filename(folder, "truth", "truth.json", NULL);
    if (!g_file_test(truth, G_FILE_TEST_EXISTS) && !make_reel(c, s, folder, error))
        return false;
    GArray *shots = read_truth(folder, error);
    if (!shots)
        return false;
    rw_gate_sight *sights = g_new0(rw_gate_sight, shots->len);
    rw_gate_fit *fits = g_new0(rw_gate_fit, shots->len);
    bool ok = look_at_reel(c, gauge, shots, sights, out, error);
    if (ok) {
        rw_gate_summary summary;
        rw_gate_solve(gauge, sights, shots->len, fits, &summary);
        compare(gauge, shots, fits, out);
        vote_way_up(c, gauge, shots, fits, summary.side, out);
        if (s->pictures)
            draw_reel(c, s, gauge, shots, sights, fits);
    }
    g_free(sights);
    g_free(fits);
    free_shots(shots);
    return ok;
}

int main(int argc, char **argv)
{
    settings s = {.footage = g_strdup(FOOTAGE)};
    const GOptionEntry entries[] = {
        {"quick", 0, 0, G_OPTION_ARG_NONE, &s.quick, "The four plain reels only", NULL},
        {"only", 0, 0, G_OPTION_ARG_STRING, &s.only, "Reels whose name holds this", "TEXT"},
        {"reels", 0, 0, G_OPTION_ARG_FILENAME, &s.reels, "Keep the reels here and use them again",
         "DIR"},
        {"pictures", 0, 0, G_OPTION_ARG_FILENAME, &s.pictures, "Write stills with what was found",
         "DIR"},
        {"footage", 0, 0, G_OPTION_ARG_FILENAME, &s.footage, "A movie for the film", "FILE"},
        G_OPTION_ENTRY_NULL};
    g_autoptr(GError) error = NULL;
    GOptionContext *context = g_option_context_new("- registration error on made-up reels");
    g_option_context_add_main_entries(context, entries, NULL);
    bool ok = g_option_context_parse(context, &argc, &argv, &error);
    g_option_context_free(context);
    if (s.footage && !g_file_test(s.footage, G_FILE_TEST_EXISTS))
        g_clear_pointer(&s.footage, g_free);
    g_autofree char *scratch =
        ok && !s.reels ? g_dir_make_tmp("registration-XXXXXX", &error) : NULL;
    ok = ok && (s.reels || scratch);
    if (s.pictures)
        g_mkdir_with_parents(s.pictures, 0755);
    if (ok)
        printf("footage: %s\nErrors in stored px, rms over centre and corners of the camera "
               "aperture.\n"
               "%-28s %3s %6s | %8s %7s | %7s %7s %7s %6s | %7s | %-11s %4s | %-14s | %s\n",
               s.footage ? s.footage : "built-in scenes", "reel", "n", "px/mm", "absolute", "p99",
               "weave", "across", "along", "um", "damaged", "hit/miss/no", "held", "way up",
               "ms/look, first (right of 7)");
    for (size_t i = 0; ok && i < G_N_ELEMENTS(cases); i++) {
        const reel_case *c = &cases[i];
        if ((s.quick && !c->quick) || (s.only && !strstr(c->name, s.only)))
            continue;
        g_autofree char *name = g_strdup(c->name);
        g_strdelimit(name, " ,/", '_');
        g_autofree char *folder = g_build_filename(s.reels ? s.reels : scratch, name, NULL);
        outcome o = {0};
        ok = run_case(c, &s, folder, &o, &error);
        if (!ok)
            break;
        printf("%-28s %3d %6.1f | %8.4f %7.4f | %7.4f %7.4f %7.4f %6.3f | %7.4f | %4d/%d/%-4d %4d "
               "| %+.0f %s %+.2f | %.1f, %.0f (%d)\n",
               c->name, o.n, o.px_per_mm, o.absolute, o.p99, o.weave, o.across, o.along,
               o.weave / o.px_per_mm * 1000, o.bad_weave, o.hit, o.missed, o.false_alarm, o.held,
               o.way, o.way_certain ? "sure " : "guess", o.way_margin, o.look_ms, o.prior_ms,
               o.first_right);
        fflush(stdout);
        if (!s.reels)
            remove_tree(folder);
    }
    if (!ok)
        g_printerr("%s\n", error ? error->message : "failed");
    if (scratch)
        remove_tree(scratch);
    g_free(s.only);
    g_free(s.reels);
    g_free(s.pictures);
    g_free(s.footage);
    return ok ? 0 : 1;
}
