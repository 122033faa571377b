/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How steady a reel becomes: made-up reels against their truth, FFmpeg's stabiliser beside it.
 *
 *     steadiness [--quick] [--only TEXT] [--seed N] [--reels DIR [--again]] [--footage DIR]
 *                [--no-rival]
 *
 * A demo reel is decoded, looked at and planned as survey and finish do it. Truth says where a
 * point of the intended picture really lies on each still; taken through registration and
 * correction it should stay in one place. A twin of the reel without weave, grain, dirt and flicker
 * goes the same way and tells what the footage itself moves. A scene from a tripod is compared with
 * the twin as steadied, for what little the footage itself trembles is to go, and so is a pan some
 * of whose frames are held; any other with the twin as shot, for that is the path to keep. All
 * figures are px of a picture 1080 rows high, each scene about its own mean:
 *
 * - register: rms that registration leaves of the transfer's weave (perforation visible)
 * - rms: of what is left after steadying
 * - step: rms from frame to frame over root two, what is seen as jitter
 * - lag: mean error along a pan while it speeds up and slows down
 * - jump: largest step from one frame to the next within five frames of a cut, as far as the
 *   picture makes it and the footage does not
 * - ends: largest error within five frames of a cut
 * - exact: rms that the same plan leaves when it is told every frame's place; the rest is
 *   measuring's
 * - held: of the frames that show nothing of the scene, how many were held, and how many others;
 * the error of the former. They do not count in any other figure.
 * - shake: of scenes that are not from a tripod, rms second difference of the picture's path over
 *   root six (of white jitter: its rms); as shot, with weave, as steadied
 *
 * A still that shows the frame before once more is left out of all figures, and the rival does not
 * get to see it: it gets the frames after registration, the whole reel at once, and the best of its
 * settings for each reel by rms, told by the truth.
 */
#include <math.h>
#include <string.h>

#include <glib/gstdio.h>
#include <json-glib/json-glib.h>

#include <reelwright/demo.h>
#include <reelwright/motion.h>
#include <reelwright/still.h>

#include "gate/ladder.h"
#include "gate/picture.h"
#include "steady_footage.h"
#include "survey/basis.h"
#include "vidstab.h"

#ifndef FOOTAGE_FOLDER
#define FOOTAGE_FOLDER ""
#endif
#define ROWS 1080.0

typedef enum scene_kind { STILL, PAN, HAND, MOVING } scene_kind;

enum { MOST_SCENES = 4, MOST_SETS = 8 };

typedef struct reel_case {
    const char *name, *gauge;
    rw_demo_framing framing;
    bool quick;
    const char *set[MOST_SETS]; /* of the demo's terms, NULL-ended */
    int n_scenes;               /* 0: the demo's own scenes */
    scene_kind kind[MOST_SCENES];
    footage_recipe scene[MOST_SCENES];
} reel_case;

#define DOG    "dog_fetch.mp4"
#define COFFEE "coffee_pour.mp4"
#define BED    "bedroom_dog_orbit.mp4"
#define CHURCH "tos_cuts_a.mp4"
#define SEEN   RW_DEMO_FRAME_PERFORATION
#define GATE   RW_DEMO_FRAME_GATE
#define NONE   RW_DEMO_FRAME_PICTURE
#define HARD   "lamp.flicker=6", "lamp.spatial=3", "grain.rms=26", "dirt.rate=12"
#define BASE   .lost_last = -1
/* a pond from a tripod, a pan and a close view from the hand, a meadow from a tripod */
#define BUILT_IN STILL, MOVING, MOVING, STILL

#define DOG_STILL                                                                                  \
    {                                                                                              \
        .clip = DOG, .first = 30, .frames = 96, .zoom = 1.6, BASE                                  \
    }
#define COFFEE_STILL                                                                               \
    {                                                                                              \
        .clip = COFFEE, .first = 0, .frames = 96, .zoom = 1.5, BASE                                \
    }
#define DOG_OBJECT(share)                                                                          \
    {                                                                                              \
        .clip = DOG, .first = 30, .frames = 96, .zoom = 1.6, .object = share, .object_clip = BED,  \
        BASE                                                                                       \
    }
#define DOG_LOST(as)                                                                               \
    {                                                                                              \
        .clip = DOG, .first = 30, .frames = 96, .zoom = 1.6, .loss = as, .lost_first = 40,         \
        .lost_last = 44                                                                            \
    }
#define DOG_PAN_LOST(as)                                                                           \
    {                                                                                              \
        .clip = DOG, .first = 30, .frames = 120, .zoom = 1.6, .pan = 560, .loss = as,              \
        .lost_first = 55, .lost_last = 59                                                          \
    }
#define DOG_PAN                                                                                    \
    {                                                                                              \
        .clip = DOG, .first = 30, .frames = 120, .zoom = 1.6, .pan = 560, BASE                     \
    }
#define DOG_HAND                                                                                   \
    {                                                                                              \
        .clip = DOG, .first = 30, .frames = 96, .zoom = 1.75, .hand = 16, BASE                     \
    }
#define BED_ORBIT                                                                                  \
    {                                                                                              \
        .clip = BED, .first = 0, .frames = 96, .zoom = 1.6, BASE                                   \
    }

static const reel_case cases[] = {
    {"still, dog", "super8", SEEN, true, {NULL}, 1, {STILL}, {DOG_STILL}},
    {"still, dog", "super8", GATE, false, {NULL}, 1, {STILL}, {DOG_STILL}},
    {"still, dog", "super8", NONE, false, {NULL}, 1, {STILL}, {DOG_STILL}},
    {"still, dog", "regular8", SEEN, false, {NULL}, 1, {STILL}, {DOG_STILL}},
    {"still, coffee", "super8", SEEN, false, {NULL}, 1, {STILL}, {COFFEE_STILL}},
    {"still, coffee", "super8", GATE, false, {NULL}, 1, {STILL}, {COFFEE_STILL}},
    {"still, coffee", "super8", NONE, true, {NULL}, 1, {STILL}, {COFFEE_STILL}},
    {"still, dog, hard", "super8", NONE, false, {HARD}, 1, {STILL}, {DOG_STILL}},
    {"still, coffee, hard", "super8", NONE, false, {HARD}, 1, {STILL}, {COFFEE_STILL}},
    {"still, plain, hard",
     "super8",
     NONE,
     false,
     {HARD},
     1,
     {STILL},
     {{.clip = BED, .first = 70, .frames = 96, .frozen = true, .zoom = 1.6, .blur = 5, BASE}}},
    {"still, 30 % object", "super8", NONE, false, {NULL}, 1, {STILL}, {DOG_OBJECT(0.3)}},
    {"still, 50 % object", "super8", SEEN, false, {NULL}, 1, {STILL}, {DOG_OBJECT(0.5)}},
    {"still, 50 % object", "super8", NONE, false, {HARD}, 1, {STILL}, {DOG_OBJECT(0.5)}},
    {"still, black frames", "super8", NONE, false, {NULL}, 1, {STILL}, {DOG_LOST(FOOTAGE_BLACK)}},
    {"still, defocused", "super8", NONE, false, {NULL}, 1, {STILL}, {DOG_LOST(FOOTAGE_BLURRED)}},
    {"still, covered", "super8", NONE, false, {NULL}, 1, {STILL}, {DOG_LOST(FOOTAGE_COVERED)}},
    {"still, soft stills",
     "super8",
     SEEN,
     false,
     {"soft.at=40-44", "soft.count=0", "soft.percent=2000"},
     1,
     {STILL},
     {DOG_LOST(FOOTAGE_SHOWN)}},
    {"still, doubled",
     "super8",
     NONE,
     false,
     {"doubled.at=20,41,42,70", "doubled.count=0"},
     1,
     {STILL},
     {DOG_STILL}},
    {"pan, dog", "super8", SEEN, true, {NULL}, 1, {PAN}, {DOG_PAN}},
    {"pan, dog", "regular8", SEEN, false, {NULL}, 1, {PAN}, {DOG_PAN}},
    {"pan, dog", "super8", GATE, false, {NULL}, 1, {PAN}, {DOG_PAN}},
    {"pan, dog", "super8", NONE, false, {NULL}, 1, {PAN}, {DOG_PAN}},
    {"pan, 40 % object, hard",
     "super8",
     SEEN,
     false,
     {HARD},
     1,
     {PAN},
     {{.clip = DOG,
       .first = 30,
       .frames = 120,
       .zoom = 1.6,
       .pan = 560,
       .object = 0.4,
       .object_clip = BED,
       BASE}}},
    {"pan, held frames",
     "super8",
     NONE,
     false,
     {NULL},
     1,
     {PAN},
     {{.clip = DOG, .first = 30, .frames = 120, .zoom = 1.6, .pan = 560, .held_every = 9, BASE}}},
    {"pan, defocused", "super8", SEEN, false, {NULL}, 1, {PAN}, {DOG_PAN_LOST(FOOTAGE_BLURRED)}},
    {"pan, covered", "super8", NONE, false, {NULL}, 1, {PAN}, {DOG_PAN_LOST(FOOTAGE_COVERED)}},
    {"pan, doubled",
     "super8",
     SEEN,
     false,
     {"doubled.at=30,31,60,90", "doubled.count=0"},
     1,
     {PAN},
     {DOG_PAN}},
    {"hand, dog", "super8", SEEN, false, {NULL}, 1, {HAND}, {DOG_HAND}},
    {"hand, dog", "super8", NONE, false, {NULL}, 1, {HAND}, {DOG_HAND}},
    {"orbit, bedroom", "super8", SEEN, false, {NULL}, 1, {MOVING}, {BED_ORBIT}},
    {"orbit, bedroom", "super8", NONE, false, {NULL}, 1, {MOVING}, {BED_ORBIT}},
    {"tilt and machine",
     "super8",
     SEEN,
     false,
     {NULL},
     2,
     {MOVING, MOVING},
     {{.clip = CHURCH, .first = 38, .frames = 63, .zoom = 3.7, BASE},
      {.clip = CHURCH, .first = 101, .frames = 49, .zoom = 3.7, BASE}}},
    {"cuts: still, still, pan",
     "super8",
     NONE,
     true,
     {NULL},
     3,
     {STILL, STILL, PAN},
     {{.clip = DOG, .first = 30, .frames = 40, .zoom = 1.6, BASE},
      {.clip = COFFEE, .first = 0, .frames = 40, .zoom = 1.5, BASE},
      {.clip = DOG, .first = 30, .frames = 60, .zoom = 1.6, .pan = 400, BASE}}},
    {"built-in", "super8", SEEN, false, {NULL}, 0, {BUILT_IN}, {{0}}},
    {"built-in", "super8", NONE, false, {NULL}, 0, {BUILT_IN}, {{0}}},
};

typedef struct settings {
    gboolean quick, no_rival, verbose, again;
    int seed;
    char *only, *reels, *footage;
} settings;

/* A reel and its twin have the same frames; a reel may have doubled stills until it was planned. */
typedef struct reel {
    int n;
    const rw_gauge *gauge;
    char **path;
    rw_demo_still *truth;
    int n_scenes, first[MOST_SCENES + 4]; /* of a scene; one more at the end */
    rw_gate_fit *fit;
    rw_rung_sight *rung;
    rw_steady_sight *sight;
    rw_camera_weave *weave;
    rw_steady_frame *frame;
    rw_steady_scene scene[MOST_SCENES + 3];
    /* where the middle of the intended picture ends up, px: steadied; registered only; registered
     * only and as if the camera had not woven */
    rw_point *out, *shot, *registered;
    double decode_ms, look_ms;
} reel;

typedef struct score {
    double rms, step, lag, jump, ends, exact, shake, lost;
    bool has_lag, has_cut, has_smooth, has_lost;
} score;

/* ---- making ---- */

/* Everything that damages or unsteadies, so that the twin is the footage on a calm machine. */
static const char *const calm[] = {"weave", "camera-weave", "shutter", "lamp", "grain", "noise",
                                   "dirt",  "scratch",      "hair",    "fade", NULL};
static const char *const faults[] = {"damage", "missing", "doubled", "smear", "focus", "soft",
                                     "splice", "step",    "clip",    "alien", NULL};

/* Whether a reel sets anything of a term: then it is not switched off. */
static bool sets(const reel_case *c, const char *term)
{
    size_t length = strlen(term);
    for (int i = 0; i < MOST_SETS && c->set[i]; i++)
        if (g_str_has_prefix(c->set[i], term) && c->set[i][length] == '.')
            return true;
    return false;
}

static rw_demo *plan_reel(const reel_case *c, const char *footage, int seed, bool twin,
                          GError **error)
{
    rw_demo_options *o = rw_demo_options_new(rw_gauge_find(c->gauge));
    o->framing = c->framing;
    o->seed = (uint64_t)seed;
    o->truth_movies = false;
    o->frames = c->n_scenes ? 0 : 132;
    for (int i = 0; i < c->n_scenes; i++)
        o->frames += c->scene[i].frames;
    if (footage) {
        const char *const files[] = {footage, NULL};
        o->footage = g_strdupv((char **)files);
    }
    bool ok = true;
    for (int i = 0; ok && faults[i]; i++)
        ok = (!twin && sets(c, faults[i])) || rw_demo_options_off(o, faults[i], error);
    for (int i = 0; ok && !twin && i < MOST_SETS && c->set[i]; i++)
        ok = rw_demo_options_set(o, c->set[i], error);
    for (int i = 0; ok && twin && calm[i]; i++)
        ok = rw_demo_options_off(o, calm[i], error);
    if (ok && twin)
        ok = rw_demo_options_set(o, "rotation.jitter=0", error) &&
             rw_demo_options_set(o, "rotation.drift=0", error);
    rw_demo *demo = ok ? rw_demo_new(o, error) : NULL;
    rw_demo_options_free(&o);
    return demo;
}

static bool read_scenes(reel *r, const char *folder, GError **error)
{
    g_autoptr(JsonParser) parser = json_parser_new();
    g_autofree char *path = g_build_filename(folder, "truth", "truth.json", NULL);
    if (!json_parser_load_from_file(parser, path, error))
        return false;
    JsonArray *scenes =
        json_object_get_array_member(json_node_get_object(json_parser_get_root(parser)), "scenes");
    r->n_scenes = (int)MIN(json_array_get_length(scenes), MOST_SCENES + 3);
    for (int i = 0; i < r->n_scenes; i++) {
        JsonNode *node = json_array_get_element(scenes, (guint)i);
        r->first[i] = JSON_NODE_HOLDS_ARRAY(node)
                          ? (int)json_array_get_int_element(json_node_get_array(node), 0)
                          : (int)json_object_get_int_member(json_node_get_object(node), "first");
    }
    return true;
}

#define USUAL_SEED 31

/* Where a reel is kept, and beside it under the same name whatever else is kept of it. A twin has
 * nothing of chance in it. */
static char *reel_folder(const reel_case *c, const settings *s, bool twin)
{
    g_autofree char *seed =
        s->seed == USUAL_SEED ? g_strdup("") : g_strdup_printf("-seed%d", s->seed);
    g_autofree char *name =
        g_strdup_printf("%s-%s-%d%s", c->name, c->gauge, (int)c->framing, twin ? "-twin" : seed);
    g_strdelimit(name, " ,:%", '_');
    return g_build_filename(s->reels, name, NULL);
}

/* Once for all reels of that name. */
static char *make_footage(const reel_case *c, const settings *s, GError **error)
{
    g_autofree char *name = g_strconcat(c->name, ".mkv", NULL);
    g_strdelimit(name, " ,:%", '_');
    g_autofree char *movie = g_build_filename(s->reels, name, NULL);
    if (g_file_test(movie, G_FILE_TEST_EXISTS))
        return g_steal_pointer(&movie);
    footage_recipe scenes[MOST_SCENES];
    char *names[2 * MOST_SCENES] = {NULL};
    for (int i = 0; i < c->n_scenes; i++) {
        scenes[i] = c->scene[i];
        scenes[i].clip = names[2 * i] = g_build_filename(s->footage, scenes[i].clip, NULL);
        if (scenes[i].object_clip)
            scenes[i].object_clip = names[2 * i + 1] =
                g_build_filename(s->footage, scenes[i].object_clip, NULL);
    }
    bool ok = footage_write(movie, scenes, c->n_scenes, error);
    for (int i = 0; i < 2 * MOST_SCENES; i++)
        g_free(names[i]);
    return ok ? g_steal_pointer(&movie) : NULL;
}

/* Of the scenes' film frames to stills, some of which may be doubled. */
static void place_scenes(reel *r, const reel_case *c)
{
    int film = 0;
    r->n_scenes = c->n_scenes;
    for (int s = 0; s < c->n_scenes; s++) {
        while (r->first[s] < r->n && r->truth[r->first[s]].film < film)
            r->first[s]++;
        film += c->scene[s].frames;
    }
}

static bool make_reel(const reel_case *c, const settings *s, bool twin, reel *r, GError **error)
{
    g_autofree char *folder = reel_folder(c, s, twin);
    g_autofree char *movie = c->n_scenes ? make_footage(c, s, error) : NULL;
    if (c->n_scenes && !movie)
        return false;
    bool there = g_file_test(folder, G_FILE_TEST_IS_DIR);
    rw_demo *demo = plan_reel(c, movie, twin ? USUAL_SEED : s->seed, twin, error);
    bool ok = demo && (there || rw_demo_write(demo, folder, 2, NULL, NULL, NULL, error));
    if (ok) {
        memset(r, 0, sizeof *r);
        r->gauge = rw_gauge_find(c->gauge);
        r->n = (int)rw_demo_count_stills(demo);
        r->path = g_new0(char *, r->n + 1);
        r->truth = g_new0(rw_demo_still, r->n);
        for (int i = 0; i < r->n; i++) {
            rw_demo_get_still(demo, i, &r->truth[i]);
            r->path[i] = g_build_filename(folder, "card", r->truth[i].path, NULL);
        }
        if (c->n_scenes)
            place_scenes(r, c);
        else
            ok = read_scenes(r, folder, error);
        r->first[r->n_scenes] = r->n;
    }
    rw_demo_free(&demo);
    return ok;
}

static void free_reel(reel *r)
{
    g_strfreev(r->path);
    g_free(r->truth);
    g_free(r->fit);
    g_free(r->rung);
    g_free(r->sight);
    g_free(r->weave);
    g_free(r->frame);
    g_free(r->out);
    g_free(r->shot);
    g_free(r->registered);
    memset(r, 0, sizeof *r);
}

/* ---- measuring, as survey does ---- */

static rw_rect area_of(const reel *r, const rw_basis *basis, rw_decoder *decoder,
                       rw_rung_looker *looker)
{
    if (basis->found)
        return rw_picture_area(r->gauge, &basis->film_to_still, NULL, 0, basis->width,
                               basis->height);
    enum { SAMPLES = 7 };
    rw_rung_sight samples[SAMPLES];
    rw_pixels pixels;
    size_t n = 0;
    for (int i = 0; i < SAMPLES; i++)
        if (rw_decoder_decode(decoder, r->path[i * (r->n - 1) / (SAMPLES - 1)], basis->eighths,
                              &pixels, NULL))
            rw_rung_look(looker, &pixels, NULL, &samples[n++]);
    return rw_picture_area(r->gauge, NULL, samples, n, basis->width, basis->height);
}

/* What is kept of a look at a still. */
typedef struct kept_look {
    rw_rung_sight rung;
    rw_steady_sight sight;
    rw_gate_fit fit;
    rw_camera_weave weave;
} kept_look;

static void alloc_looks(reel *r)
{
    r->rung = g_new0(rw_rung_sight, r->n);
    r->sight = g_new0(rw_steady_sight, r->n);
    r->fit = g_new0(rw_gate_fit, r->n);
    r->weave = g_new0(rw_camera_weave, r->n);
}

static bool keep_looks(const reel *r, const char *path, GError **error)
{
    gsize size = sizeof(kept_look) * (gsize)r->n;
    kept_look *k = g_malloc0(size);
    for (int i = 0; i < r->n; i++)
        k[i] = (kept_look){r->rung[i], r->sight[i], r->fit[i], r->weave[i]};
    bool ok = g_file_set_contents(path, (const char *)k, (gssize)size, error);
    g_free(k);
    return ok;
}

static bool load_looks(reel *r, const char *path)
{
    g_autofree char *data = NULL;
    gsize size;
    if (!g_file_get_contents(path, &data, &size, NULL) || size != sizeof(kept_look) * (gsize)r->n)
        return false;
    alloc_looks(r);
    for (int i = 0; i < r->n; i++) {
        kept_look k;
        memcpy(&k, data + sizeof k * (gsize)i, sizeof k);
        r->rung[i] = k.rung;
        r->sight[i] = k.sight;
        r->fit[i] = k.fit;
        r->weave[i] = k.weave;
    }
    return true;
}

static bool look_at_reel(reel *r, GError **error)
{
    rw_basis basis;
    if (!rw_basis_find(&basis, r->gauge, (const char *const *)r->path, (size_t)r->n)) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "The reel's stills cannot be read.");
        return false;
    }
    rw_decoder *decoder = rw_decoder_new();
    rw_gate_finder *finder = rw_gate_finder_new(r->gauge);
    rw_rung_looker *looker = rw_rung_looker_new(r->gauge);
    rw_gate_sight *gate = g_new0(rw_gate_sight, r->n);
    rw_steady_imprint **kept = g_new0(rw_steady_imprint *, r->n);
    alloc_looks(r);
    rw_rect area = area_of(r, &basis, decoder, looker);
    bool ok = true;
    gint64 spent = 0;
    for (int i = 0; ok && i < r->n; i++) {
        rw_pixels pixels;
        ok = rw_decoder_decode(decoder, r->path[i], basis.eighths, &pixels, error);
        if (!ok)
            break;
        rw_gate_finder_look(finder, &pixels, &basis.prior, &gate[i]);
        bool certain = false;
        rw_affine place = rw_basis_place(&basis, r->gauge, &gate[i], &certain);
        gint64 start = g_get_monotonic_time();
        rw_rung_look(looker, &pixels, certain ? &place : NULL, &r->rung[i]);
        kept[i] = rw_picture_imprint(&pixels, area);
        const rw_steady_imprint *before[RW_STEADY_LINKS];
        for (int l = 0; l < RW_STEADY_LINKS; l++) {
            int back = i - rw_steady_link_back(l);
            before[l] = back >= 0 ? kept[back] : NULL;
        }
        rw_steady_look(kept[i], before, &r->sight[i]);
        spent += g_get_monotonic_time() - start;
        if (i >= 32)
            rw_steady_imprint_unref(&kept[i - 32]);
    }
    r->look_ms = (double)spent / 1000 / r->n;
    rw_gate_summary summary;
    rw_gate_solve(r->gauge, gate, (size_t)r->n, r->fit, &summary);
    rw_ladder_climb(r->gauge, gate, r->rung, r->fit, (size_t)r->n);
    rw_ladder_weave(r->gauge, r->rung, r->fit, (size_t)r->n, r->weave);
    for (int i = 0; i < r->n; i++)
        rw_steady_imprint_unref(&kept[i]);
    g_free(kept);
    g_free(gate);
    rw_rung_looker_free(&looker);
    rw_gate_finder_free(&finder);
    rw_decoder_free(&decoder);
    return ok;
}

/* What of the still's film is picture and on the still: film mm. */
static rw_rect shown_by(const reel *r, int i)
{
    const rw_rung_sight *s = &r->rung[i];
    rw_affine film;
    if (!rw_affine_invert(r->fit[i].film_to_still, &film))
        return (rw_rect){0, 0, 0, 0};
    rw_rect still = {0, 0, s->stored_width - 1, s->stored_height - 1};
    double left = -HUGE_VAL, top = -HUGE_VAL, right = HUGE_VAL, foot = HUGE_VAL;
    for (int k = 0; k < 4; k++) {
        rw_point p = rw_affine_apply(film, still.x + (k & 1) * still.width,
                                     still.y + (k >> 1) * still.height);
        *(k & 1 ? &right : &left) = k & 1 ? MIN(right, p.x) : MAX(left, p.x);
        *(k >> 1 ? &foot : &top) = k >> 1 ? MIN(foot, p.y) : MAX(top, p.y);
    }
    if (r->fit[i].method == RW_GATE_PERFORATION) {
        rw_rect a = r->gauge->camera_aperture;
        left = MAX(left, a.x);
        top = MAX(top, a.y);
        right = MIN(right, a.x + a.width);
        foot = MIN(foot, a.y + a.height);
    }
    return (rw_rect){left, top, right - left, foot - top};
}

/* ---- planning, as finish does ---- */

static void set_input(const reel *r, int i, rw_steady_input *input)
{
    *input = (rw_steady_input){.sight = &r->sight[i],
                               .film_to_still = r->fit[i].film_to_still,
                               .have = shown_by(r, i),
                               .unplaced = r->fit[i].confidence<0.5, .doubled = r->truth[i].take> 0,
                               .edge_x = r->weave[i].x,
                               .edge_y = r->weave[i].y,
                               .edge_sd_x = r->weave[i].sd_x,
                               .edge_sd_y = r->weave[i].sd_y};
}

static void plan_scenes(reel *r)
{
    rw_steady_params params = RW_STEADY_DEFAULTS;
    rw_steady_input *inputs = g_new0(rw_steady_input, r->n);
    r->frame = g_new0(rw_steady_frame, r->n);
    for (int i = 0; i < r->n; i++)
        set_input(r, i, &inputs[i]);
    rw_rect picture = r->gauge->projectable;
    rw_steady_pose *poses = g_new(rw_steady_pose, r->n);
    for (int i = 0; i < r->n_scenes; i++) {
        int first = r->first[i], count = r->first[i + 1] - first;
        rw_steady_measure(inputs + first, count, picture, poses + first);
        rw_steady_plan(inputs + first, poses + first, count, picture, picture, &params,
                       r->frame + first, &r->scene[i]);
    }
    g_free(poses);
    g_free(inputs);
}

static rw_point film_to_px(const reel *r, rw_point p)
{
    rw_rect w = r->gauge->projectable;
    double k = ROWS / w.height;
    return (rw_point){(p.x - w.x) * k, (p.y - w.y) * k};
}

/* The middle of the intended picture through truth, registration and correction. */
static void follow_middle(reel *r)
{
    rw_rect w = r->gauge->projectable;
    r->out = g_new0(rw_point, r->n);
    r->shot = g_new0(rw_point, r->n);
    r->registered = g_new0(rw_point, r->n);
    for (int i = 0; i < r->n; i++) {
        const rw_demo_still *t = &r->truth[i];
        double x = w.x + w.width / 2, y = w.y + w.height / 2;
        rw_affine back;
        rw_point moved =
            rw_affine_apply(t->film_to_still, x + t->camera_weave.x, y + t->camera_weave.y);
        rw_point bare = rw_affine_apply(t->film_to_still, x, y);
        if (!rw_affine_invert(r->fit[i].film_to_still, &back))
            continue;
        rw_point film = rw_affine_apply(back, moved.x, moved.y);
        r->shot[i] = film_to_px(r, film);
        film = rw_affine_apply(r->frame[i].correction, film.x, film.y);
        r->out[i] = film_to_px(r, film);
        r->registered[i] = film_to_px(r, rw_affine_apply(back, bare.x, bare.y));
    }
}

/* From here on a reel has one still of each film frame, as a movie does. */
static void drop_doubled(reel *r)
{
    int kept = 0;
    for (int i = 0, s = 0; i < r->n; i++) {
        for (; s < r->n_scenes && r->first[s] == i; s++)
            r->first[s] = kept;
        if (r->truth[i].take > 0) {
            g_free(r->path[i]);
            continue;
        }
        r->path[kept] = r->path[i];
        r->truth[kept] = r->truth[i];
        r->fit[kept] = r->fit[i];
        r->rung[kept] = r->rung[i];
        r->sight[kept] = r->sight[i];
        r->weave[kept] = r->weave[i];
        r->frame[kept] = r->frame[i];
        r->out[kept] = r->out[i];
        r->shot[kept] = r->shot[i];
        r->registered[kept++] = r->registered[i];
    }
    r->n = r->first[r->n_scenes] = kept;
    r->path[kept] = NULL;
}

/* ---- scores ---- */

/* Difference of the two, less each scene's mean, in which frames that show nothing do not count. */
static void differences(const reel *r, const rw_point *a, const rw_point *b, const bool *skip,
                        rw_point *e)
{
    for (int s = 0; s < r->n_scenes; s++) {
        rw_point mean = {0, 0};
        int n = 0;
        for (int i = r->first[s]; i < r->first[s + 1]; i++) {
            e[i] = (rw_point){a[i].x - (b ? b[i].x : 0), a[i].y - (b ? b[i].y : 0)};
            if (skip && skip[i])
                continue;
            mean.x += e[i].x;
            mean.y += e[i].y;
            n++;
        }
        for (int i = r->first[s]; i < r->first[s + 1]; i++)
            e[i] = (rw_point){e[i].x - mean.x / MAX(n, 1), e[i].y - mean.y / MAX(n, 1)};
    }
}

static double rms_of(const rw_point *e, int n, const bool *skip)
{
    double sum = 0;
    int count = 0;
    for (int i = 0; i < n; i++)
        if (!skip || !skip[i]) {
            sum += e[i].x * e[i].x + e[i].y * e[i].y;
            count += 2;
        }
    return sqrt(sum / MAX(count, 1));
}

/* rms over those that show nothing. */
static double lost_of(const rw_point *e, int n, const bool *skip)
{
    double sum = 0;
    int count = 0;
    for (int i = 0; i < n; i++)
        if (skip[i]) {
            sum += e[i].x * e[i].x + e[i].y * e[i].y;
            count += 2;
        }
    return sqrt(sum / MAX(count, 1));
}

static double step_of(const reel *r, const rw_point *e, const bool *skip)
{
    double sum = 0;
    int count = 0;
    for (int s = 0; s < r->n_scenes; s++)
        for (int i = r->first[s] + 1; i < r->first[s + 1]; i++) {
            if (skip && (skip[i] || skip[i - 1]))
                continue;
            double x = e[i].x - e[i - 1].x, y = e[i].y - e[i - 1].y;
            sum += x * x + y * y;
            count += 4;
        }
    return sqrt(sum / MAX(count, 1));
}

/* steady_footage.c: 15 % of the frames still, a tenth of the rest to speed up, and the same at the
 * end. */
static double lag_of(const reel *r, const reel_case *c, const rw_point *e)
{
    double worst = 0;
    for (int s = 0; s < c->n_scenes; s++) {
        if (c->kind[s] != PAN)
            continue;
        int n = c->scene[s].frames;
        for (int end = 0; end < 2; end++) {
            double from = end ? 0.85 - 0.07 - 0.03 : 0.15 - 0.03, to = from + 0.13, sum = 0;
            int count = 0;
            for (int i = (int)ceil(from * (n - 1)); i <= (int)(to * (n - 1)); i++, count++)
                sum += e[r->first[s] + i].x;
            worst = MAX(worst, fabs(sum / MAX(count, 1)));
        }
    }
    return worst;
}

static bool near_cut(const reel *r, int s, int i)
{
    return (s > 0 && i < r->first[s] + 5) || (s + 1 < r->n_scenes && i >= r->first[s + 1] - 5);
}

/* Largest of the errors within five frames of a cut. */
static double ends_of(const reel *r, const rw_point *e, const bool *skip)
{
    double most = 0;
    for (int s = 0; s < r->n_scenes; s++)
        for (int i = r->first[s]; i < r->first[s + 1]; i++)
            if (near_cut(r, s, i) && !(skip && skip[i]))
                most = MAX(most, hypot(e[i].x, e[i].y));
    return most;
}

/* The footage's own path is the twin's; place: where the middle goes. */
static double jump_of(const reel *r, const reel *twin, const rw_point *e, const rw_point *place,
                      const bool *skip)
{
    double most = 0;
    for (int s = 0; s < r->n_scenes; s++)
        for (int i = r->first[s] + 1; i < r->first[s + 1]; i++) {
            if (!near_cut(r, s, i) || (skip && (skip[i] || skip[i - 1])))
                continue;
            const rw_steady_frame *f = &twin->frame[i];
            double wrong = hypot(e[i].x - e[i - 1].x, e[i].y - e[i - 1].y);
            double seen = hypot(f[0].x - f[-1].x + place[i].x - place[i - 1].x,
                                f[0].y - f[-1].y + place[i].y - place[i - 1].y);
            most = MAX(most, MIN(wrong, seen));
        }
    return most;
}

/* What a scene is compared with: see above. */
static void reference(const reel *twin, const reel_case *c, const rw_point *steadied, rw_point *ref)
{
    for (int s = 0; s < twin->n_scenes; s++)
        for (int i = twin->first[s]; i < twin->first[s + 1]; i++)
            ref[i] = c->kind[s] == STILL || c->scene[s].held_every ? steadied[i] : twin->shot[i];
}

/* place: of the middle; NULL: as shot. The footage's own path is the twin's. */
static double shake_of(const reel *r, const reel *twin, const reel_case *c, const rw_point *place,
                       const bool *skip)
{
    double sum = 0;
    int count = 0;
    for (int s = 0; s < r->n_scenes; s++)
        for (int i = r->first[s] + 2; i < r->first[s + 1]; i++) {
            static const double weight[3] = {1, -2, 1};
            rw_point d = {0, 0};
            for (int k = 0; k < 3; k++) {
                const rw_steady_frame *f = &twin->frame[i - 2 + k];
                d.x += weight[k] * (f->x + (place ? place[i - 2 + k].x : 0));
                d.y += weight[k] * (f->y + (place ? place[i - 2 + k].y : 0));
            }
            if (c->kind[s] == STILL || skip[i] || skip[i - 1] || skip[i - 2])
                continue;
            sum += d.x * d.x + d.y * d.y;
            count += 12;
        }
    return sqrt(sum / MAX(count, 1));
}

/* The plan that the twin's path and the true weave would get. */
static double exact_of(const reel *r, const reel *twin, const reel_case *c)
{
    rw_rect picture = r->gauge->projectable;
    double k = ROWS / picture.height;
    rw_steady_params params = RW_STEADY_DEFAULTS;
    rw_steady_input *inputs = g_new0(rw_steady_input, r->n);
    rw_steady_pose *poses = g_new0(rw_steady_pose, r->n);
    rw_steady_frame *frames = g_new0(rw_steady_frame, r->n);
    rw_point *e = g_new0(rw_point, r->n);
    bool *skip = g_new0(bool, r->n);
    for (int s = 0; s < r->n_scenes; s++) {
        int first = r->first[s], n = r->first[s + 1] - first;
        rw_steady_scene scene;
        for (int i = first; i < first + n; i++) {
            const rw_demo_still *t = &r->truth[i];
            bool held = r->fit[i].method == RW_GATE_PERFORATION;
            rw_point jitter = {t->camera_weave.x + (held ? 0 : t->weave.x),
                               t->camera_weave.y + (held ? 0 : t->weave.y)};
            rw_affine place = {
                {{1, 0, twin->frame[i].x / k + jitter.x}, {0, 1, twin->frame[i].y / k + jitter.y}}};
            set_input(r, i, &inputs[i]);
            poses[i] =
                (rw_steady_pose){.scene_to_still = rw_affine_then(place, inputs[i].film_to_still),
                                 .sd = 0.01,
                                 .background = 1};
            e[i] = (rw_point){k * jitter.x, k * jitter.y};
            skip[i] = c->kind[s] == STILL;
        }
        rw_steady_plan(inputs + first, poses + first, n, picture, picture, &params, frames + first,
                       &scene);
        for (int i = first; i < first + n; i++) {
            e[i].x += frames[i].want_x - frames[i].x;
            e[i].y += frames[i].want_y - frames[i].y;
        }
    }
    rw_point *d = g_new0(rw_point, r->n);
    differences(r, e, NULL, skip, d);
    double rms = rms_of(d, r->n, skip);
    g_free(d);
    g_free(e);
    g_free(skip);
    g_free(inputs);
    g_free(poses);
    g_free(frames);
    return rms;
}

static score score_of(const reel *r, const reel *twin, const reel_case *c, const rw_point *out,
                      const rw_point *twin_out, const bool *skip)
{
    rw_point *e = g_new(rw_point, r->n), *ref = g_new(rw_point, r->n);
    reference(twin, c, twin_out, ref);
    differences(r, out, ref, skip, e);
    score s = {
        .rms = rms_of(e, r->n, skip), .step = step_of(r, e, skip), .lost = lost_of(e, r->n, skip)};
    for (int i = 0; i < r->n_scenes; i++) {
        s.has_lag |= c->kind[i] == PAN;
        s.has_smooth |= c->kind[i] != STILL;
        s.has_lost |= i < c->n_scenes && c->scene[i].lost_last >= c->scene[i].lost_first;
    }
    if (s.has_lag)
        s.lag = lag_of(r, c, e);
    s.has_cut = r->n_scenes > 1;
    s.jump = jump_of(r, twin, e, out, skip);
    s.ends = ends_of(r, e, skip);
    s.shake = shake_of(r, twin, c, out, skip);
    g_free(e);
    g_free(ref);
    return s;
}

/* ---- the rival ---- */

enum { OUT_W = 1440, OUT_H = 1080 };

typedef struct rival_source {
    const reel *r;
    rw_decoder *decoder;
} rival_source;

static double luma_at(const rw_pixels *p, int x, int y)
{
    const uint8_t *px = (const uint8_t *)p->data + CLAMP(y, 0, p->height - 1) * p->stride +
                        CLAMP(x, 0, p->width - 1) * p->channels;
    return p->channels == 1 ? px[0] : 0.299 * px[0] + 0.587 * px[1] + 0.114 * px[2];
}

/* The projectable picture of a still by its registration, bilinear. */
static void registered_frame(int i, uint8_t *luma, void *user)
{
    rival_source *s = user;
    rw_rect w = s->r->gauge->projectable;
    rw_pixels p;
    memset(luma, 16, (size_t)OUT_W * OUT_H);
    if (!rw_decoder_decode(s->decoder, s->r->path[i], 8, &p, NULL))
        return;
    for (int y = 0; y < OUT_H; y++)
        for (int x = 0; x < OUT_W; x++) {
            rw_point q =
                rw_affine_apply(s->r->fit[i].film_to_still, w.x + (x + 0.5) * w.width / OUT_W,
                                w.y + (y + 0.5) * w.height / OUT_H);
            int ix = (int)floor(q.x), iy = (int)floor(q.y);
            double fx = q.x - ix, fy = q.y - iy;
            if (ix < -1 || iy < -1 || ix > p.width || iy > p.height)
                continue;
            double v = (1 - fy) * ((1 - fx) * luma_at(&p, ix, iy) + fx * luma_at(&p, ix + 1, iy)) +
                       fy * ((1 - fx) * luma_at(&p, ix, iy + 1) + fx * luma_at(&p, ix + 1, iy + 1));
            luma[(size_t)y * OUT_W + (size_t)x] = (uint8_t)lrint(CLAMP(v, 0.0, 255.0));
        }
}

typedef struct rival_setting {
    int shakiness, smoothing;
    bool gauss, tripod;
} rival_setting;

static const rival_setting rival_settings[] = {
    {5, 10, true, false},   {5, 15, true, false}, {5, 30, true, false},  {5, 15, false, false},
    {5, 30, false, false},  {5, 0, true, true},   {10, 15, true, false}, {10, 30, true, false},
    {10, 15, false, false}, {10, 0, true, true}};

/* Shakiness and tripod are the first pass's; each has a file. */
static char *trf_of(const char *folder, const rival_setting *v)
{
    return g_strdup_printf("%s-s%d%s.trf", folder, v->shakiness, v->tripod ? "-tripod" : "");
}

static void stored_frame(int i, uint8_t *luma, void *user)
{
    memcpy(luma, (const uint8_t *)user + (size_t)i * OUT_W * OUT_H, (size_t)OUT_W * OUT_H);
}

static uint8_t *draw_frames(const reel *r)
{
    rival_source source = {r, rw_decoder_new()};
    uint8_t *frames = g_malloc((gsize)r->n * OUT_W * OUT_H);
    for (int i = 0; i < r->n; i++)
        registered_frame(i, frames + (size_t)i * OUT_W * OUT_H, &source);
    rw_decoder_free(&source.decoder);
    return frames;
}

static bool rival_detect(const reel *r, const settings *s, const char *folder, GError **error)
{
    uint8_t *frames = NULL;
    bool ok = true;
    for (int k = 0; ok && k < 4; k++) {
        rival_setting v = {.shakiness = k & 1 ? 10 : 5, .tripod = k & 2};
        g_autofree char *trf = trf_of(folder, &v);
        if (s->again && g_file_test(trf, G_FILE_TEST_EXISTS))
            continue;
        if (!frames)
            frames = draw_frames(r);
        ok = vidstab_detect(stored_frame, frames, r->n, OUT_W, OUT_H, v.shakiness, v.tripod, trf,
                            error);
    }
    g_free(frames);
    return ok;
}

/* Where the middle goes with one setting. */
static bool rival_out(const reel *r, const char *folder, const rival_setting *v, rw_point *out,
                      GError **error)
{
    double *dx = g_new(double, r->n), *dy = g_new(double, r->n);
    g_autofree char *trf = trf_of(folder, v);
    bool ok =
        vidstab_shifts(trf, r->n, OUT_W, OUT_H, v->smoothing, v->gauss, v->tripod, dx, dy, error);
    rw_rect w = r->gauge->projectable;
    for (int i = 0; ok && i < r->n; i++) {
        const rw_demo_still *t = &r->truth[i];
        rw_affine back;
        rw_point moved = rw_affine_apply(t->film_to_still, w.x + w.width / 2 + t->camera_weave.x,
                                         w.y + w.height / 2 + t->camera_weave.y);
        if (!rw_affine_invert(r->fit[i].film_to_still, &back))
            continue;
        rw_point p = film_to_px(r, rw_affine_apply(back, moved.x, moved.y));
        /* output px across are not quite square */
        double square = w.width / w.height * OUT_H / OUT_W;
        out[i] = (rw_point){p.x + dx[i] * square, p.y + dy[i]};
    }
    g_free(dx);
    g_free(dy);
    return ok;
}

static bool run_rival(const reel_case *c, const reel *r, const reel *twin, const settings *s,
                      const bool *skip, score *best, int *setting, GError **error)
{
    rw_point *a = g_new0(rw_point, r->n), *b = g_new0(rw_point, r->n);
    g_autofree char *folder = reel_folder(c, s, false), *calm_folder = reel_folder(c, s, true);
    bool still = false; /* the twin as steadied is asked for by scenes from a tripod only */
    for (int i = 0; i < r->n_scenes; i++)
        still |= c->kind[i] == STILL || c->scene[i].held_every;
    bool ok =
        rival_detect(r, s, folder, error) && (!still || rival_detect(twin, s, calm_folder, error));
    best->rms = HUGE_VAL;
    for (size_t k = 0; ok && k < G_N_ELEMENTS(rival_settings); k++) {
        ok = rival_out(r, folder, &rival_settings[k], a, error) &&
             (!still || rival_out(twin, calm_folder, &rival_settings[k], b, error));
        score now = score_of(r, twin, c, a, b, skip);
        if (ok && now.rms < best->rms) {
            *best = now;
            *setting = (int)k;
        }
    }
    g_free(a);
    g_free(b);
    return ok;
}

/* ---- the table ---- */

static void cell(bool there, double v)
{
    if (there)
        g_print(" %7.3f", v);
    else
        g_print(" %7s", "-");
}

static const char *framing_name(rw_demo_framing f)
{
    return f == SEEN ? "perforation" : f == GATE ? "gate edge" : "picture";
}

/* How many of the frames that show nothing were held, and how many others. */
static void held_cell(const reel *r, const score *ours, const bool *skip)
{
    int lost = 0, held = 0, others = 0;
    for (int i = 0; i < r->n; i++) {
        lost += skip[i];
        held += skip[i] && r->frame[i].held;
        others += !skip[i] && r->frame[i].held;
    }
    g_autofree char *text =
        lost || others ? g_strdup_printf("%d/%d+%d", held, lost, others) : g_strdup("-");
    g_print(" %7s", text);
    cell(ours->has_lost, ours->lost);
}

static void print_case(const reel_case *c, const reel *r, const reel *twin, const score *ours,
                       const score *rival, int setting, const bool *skip)
{
    const rw_steady_scene *scene = &r->scene[0];
    g_print("%-24s %-8s %-11s", c->name, c->gauge, framing_name(c->framing));
    rw_point *e = g_new(rw_point, r->n);
    differences(r, r->registered, NULL, NULL, e);
    cell(c->framing == SEEN, rms_of(e, r->n, NULL));
    g_free(e);
    g_print("  %-6s", rw_steady_mode_name(scene->mode));
    cell(true, ours->rms);
    cell(true, ours->step);
    cell(ours->has_lag, ours->lag);
    cell(ours->has_cut, ours->jump);
    cell(ours->has_cut, ours->ends);
    cell(ours->has_smooth, ours->exact);
    cell(ours->has_smooth, shake_of(r, twin, c, NULL, skip));
    cell(ours->has_smooth, shake_of(r, twin, c, r->shot, skip));
    cell(ours->has_smooth, ours->shake);
    held_cell(r, ours, skip);
    g_print("  |");
    cell(rival != NULL, rival ? rival->rms : 0);
    cell(rival != NULL, rival ? rival->step : 0);
    cell(rival && rival->has_lag, rival ? rival->lag : 0);
    cell(rival && rival->has_cut, rival ? rival->jump : 0);
    cell(rival && rival->has_cut, rival ? rival->ends : 0);
    cell(rival && rival->has_smooth, rival ? rival->shake : 0);
    cell(rival && rival->has_lost, rival ? rival->lost : 0);
    if (rival) {
        const rival_setting *v = &rival_settings[setting];
        g_print("  s%d %s%d", v->shakiness,
                v->tripod  ? "tripod "
                : v->gauss ? "gauss "
                           : "avg ",
                v->smoothing);
    }
    g_print("\n");
}

/* e: errors about each scene's mean; NULL: of the twin. */
static void print_details(const reel *r, const rw_point *errors)
{
    for (int s = 0; s < r->n_scenes; s++) {
        const rw_steady_scene *sc = &r->scene[s];
        double x = 0, y = 0;
        int n = r->first[s + 1] - r->first[s];
        for (int i = r->first[s]; errors && i < r->first[s + 1]; i++) {
            x += errors[i].x * errors[i].x / n;
            y += errors[i].y * errors[i].y / n;
        }
        if (errors)
            g_print("    scene %d: rms (%.3f, %.3f)\n", s, sqrt(x), sqrt(y));
        g_print("    %d-%d: %s crop %.1f %%, %d held, jitter %.2f %.2f, left %.3f\n", r->first[s],
                r->first[s + 1] - 1, sc->reason, 100 * sc->crop_share, sc->held, sc->jitter_x,
                sc->jitter_y, sc->left);
    }
    double k = ROWS / r->gauge->projectable.height;
    for (int axis = 0; axis < 2; axis++) {
        double sum = 0, mean = 0, all = 0;
        int n = 0;
        for (int i = 0; i < r->n; i++) {
            double sd = axis ? r->weave[i].sd_y : r->weave[i].sd_x;
            double e = axis ? r->weave[i].y - r->truth[i].camera_weave.y
                            : r->weave[i].x - r->truth[i].camera_weave.x;
            if (sd > 0) {
                sum += e * e;
                mean += e;
                all += sd * sd;
                n++;
            }
        }
        if (n)
            g_print("    exposure's edges %s: seen on %d of %d, error %.3f px rms, claimed %.3f\n",
                    axis ? "along" : "across", n, r->n,
                    k * sqrt(MAX(sum / n - mean / n * mean / n, 0)), k * sqrt(all / n));
    }
    rw_point *e = g_new(rw_point, r->n);
    differences(r, r->out, NULL, NULL, e);
    g_print("    by itself, the footage's own movement with it: %.3f px rms; at its ends "
            "(%.2f, %.2f) and (%.2f, %.2f)\n",
            rms_of(e, r->n, NULL), e[0].x, e[0].y, e[r->n - 1].x, e[r->n - 1].y);
    g_free(e);
    int by[4] = {0};
    for (int i = 0; i < r->n; i++)
        by[r->fit[i].method]++;
    rw_affine f = r->fit[r->n / 2].film_to_still;
    g_print("    %d by perforation, %d by gate, %d by picture; %.1f px/mm at (%.1f, %.1f); "
            "%.1f ms a frame to look\n",
            by[RW_GATE_PERFORATION], by[RW_GATE_GATE], by[RW_GATE_PICTURE], f.m[0][0], f.m[0][2],
            f.m[1][2], r->look_ms);
}

static bool run_reel(const reel_case *c, const settings *s, bool twin, reel *r, GError **error)
{
    g_autofree char *folder = reel_folder(c, s, twin), *looks = g_strconcat(folder, ".looks", NULL);
    if (!make_reel(c, s, twin, r, error))
        return false;
    if (!(s->again && load_looks(r, looks)) &&
        !(look_at_reel(r, error) && keep_looks(r, looks, error)))
        return false;
    plan_scenes(r);
    follow_middle(r);
    drop_doubled(r);
    return true;
}

static bool run_case(const reel_case *c, const settings *s, GError **error)
{
    reel r = {0}, twin = {0};
    bool ok = run_reel(c, s, false, &r, error) && run_reel(c, s, true, &twin, error);
    if (ok) {
        bool *skip = g_new0(bool, r.n);
        for (int i = 0; i < c->n_scenes; i++)
            for (int k = c->scene[i].lost_first; k <= c->scene[i].lost_last; k++)
                skip[r.first[i] + k] = true;
        score ours = score_of(&r, &twin, c, r.out, twin.out, skip), rival = {0};
        ours.exact = ours.has_smooth ? exact_of(&r, &twin, c) : 0;
        int setting = 0;
        bool with_rival = !s->no_rival && vidstab_there();
        ok = !with_rival || run_rival(c, &r, &twin, s, skip, &rival, &setting, error);
        if (ok)
            print_case(c, &r, &twin, &ours, with_rival ? &rival : NULL, setting, skip);
        if (s->verbose) {
            rw_point *e = g_new(rw_point, r.n), *ref = g_new(rw_point, r.n);
            reference(&twin, c, twin.out, ref);
            differences(&r, r.out, ref, skip, e);
            print_details(&r, e);
            print_details(&twin, NULL);
            g_free(e);
            g_free(ref);
        }
        g_free(skip);
    }
    free_reel(&r);
    free_reel(&twin);
    return ok;
}

int main(int argc, char **argv)
{
    settings s = {.seed = USUAL_SEED};
    const GOptionEntry entries[] = {
        {"quick", 0, 0, G_OPTION_ARG_NONE, &s.quick, "Four reels only", NULL},
        {"only", 0, 0, G_OPTION_ARG_STRING, &s.only,
         "Reels whose line holds this: \"pan, dog super8 picture\"", "TEXT"},
        {"seed", 0, 0, G_OPTION_ARG_INT, &s.seed, "Of what chance does to the reels", "N"},
        {"reels", 0, 0, G_OPTION_ARG_FILENAME, &s.reels, "Keep reels here", "DIR"},
        {"again", 0, 0, G_OPTION_ARG_NONE, &s.again,
         "Plan anew from what the last run saw of kept reels", NULL},
        {"footage", 0, 0, G_OPTION_ARG_FILENAME, &s.footage, "Clips are here", "DIR"},
        {"no-rival", 0, 0, G_OPTION_ARG_NONE, &s.no_rival, "Without the comparison", NULL},
        {"verbose", 'v', 0, G_OPTION_ARG_NONE, &s.verbose, "Say more of each reel", NULL},
        {NULL, 0, 0, 0, NULL, NULL, NULL}};
    g_autoptr(GError) error = NULL;
    g_autoptr(GOptionContext) context = g_option_context_new(NULL);
    g_option_context_add_main_entries(context, entries, NULL);
    if (!g_option_context_parse(context, &argc, &argv, &error)) {
        g_printerr("%s\n", error->message);
        return 2;
    }
    bool keep = s.reels != NULL;
    if (!s.footage)
        s.footage = g_strdup(FOOTAGE_FOLDER);
    if (!keep)
        s.reels = g_dir_make_tmp("steadiness-XXXXXX", &error);
    if (!s.reels || g_mkdir_with_parents(s.reels, 0777) != 0) {
        g_printerr("There is no place for the reels.\n");
        return 1;
    }
    g_print("%-24s %-8s %-11s %8s  %-6s%8s%8s%8s%8s%8s%8s%8s%8s%8s%8s%8s  |%8s%8s%8s%8s%8s%8s%8s\n",
            "reel", "gauge", "visible", "register", "mode", "rms", "step", "lag", "jump", "ends",
            "exact", "shot", "woven", "shake", "held", "error", "rms", "step", "lag", "jump",
            "ends", "shake", "error");
    int failed = 0;
    for (size_t i = 0; i < G_N_ELEMENTS(cases); i++) {
        const reel_case *c = &cases[i];
        g_autofree char *line =
            g_strdup_printf("%s %s %s", c->name, c->gauge, framing_name(c->framing));
        if ((s.quick && !c->quick) || (s.only && !strstr(line, s.only)))
            continue;
        if (!run_case(c, &s, &error)) {
            g_printerr("%s: %s\n", c->name, error->message);
            g_clear_error(&error);
            failed = 1;
        }
        if (!keep) {
            const char *rm[] = {"rm", "-rf", s.reels, NULL};
            g_spawn_sync(NULL, (char **)rm, NULL, G_SPAWN_SEARCH_PATH, NULL, NULL, NULL, NULL, NULL,
                         NULL);
            g_mkdir_with_parents(s.reels, 0777);
        }
    }
    if (!keep)
        g_rmdir(s.reels);
    return failed;
}
