/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <reelwright/demo.h>

#include <glib/gstdio.h>

#include "base/fs.h"
#include "base/ordered.h"
#include "demo/camera.h"
#include "demo/clean.h"
#include "demo/jpeg.h"
#include "demo/movie.h"
#include "demo/truth.h"

#define CLOCK_START  1773480600000 /* 2026-03-14 09:30:00 local time, milliseconds since 1970 */
#define ZONE_MINUTES 60

struct rw_demo {
    rw_demo_options options; /* own copies of what it points to */
    rw_demo_source *source;
    rw_demo_strip *strip;
    rw_demo_plan *plan;
    rw_demo_reel reel;
};

/* ---- options ---- */

rw_demo_options *rw_demo_options_new(const rw_gauge *gauge)
{
    rw_demo_options *o = g_new0(rw_demo_options, 1);
    *o = (rw_demo_options){
        .gauge = gauge,
        .frames = 96,
        .seed = 1,
        .footage_reduce = 1,
        .footage_step = 1,
        .fps = gauge->speeds[0],
        .width = 1500,
        .height = 1000,
        .quality = 92,
        .orientation = 1,
        .truth_movies = true,
        .truth_width = 1440,
        .truth_height = 1080,
    };
    o->params = g_new0(rw_demo_params, 1);
    rw_demo_params_init(o->params);
    return o;
}

static void clear_options(rw_demo_options *o)
{
    g_strfreev(o->footage);
    if (o->params)
        rw_demo_params_clear(o->params);
    g_free(o->params);
}

void rw_demo_options_free(rw_demo_options **options)
{
    if (!*options)
        return;
    clear_options(*options);
    g_clear_pointer(options, g_free);
}

bool rw_demo_options_set(rw_demo_options *options, const char *assignment, GError **error)
{
    return rw_demo_params_set(options->params, assignment, error);
}

bool rw_demo_options_off(rw_demo_options *options, const char *term, GError **error)
{
    return rw_demo_params_off(options->params, term, error);
}

char *rw_demo_terms_help(bool markdown)
{
    return rw_demo_params_help(markdown);
}

static bool within(double value, double lo, double hi, const char *what, GError **error)
{
    if (value >= lo && value <= hi)
        return true;
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "The %s must be from %g to %g, not %g.", what, lo,
                hi, value);
    return false;
}

static bool check_options(const rw_demo_options *o, GError **error)
{
    if (o->turn != 0 && o->turn != 90 && o->turn != 180 && o->turn != 270) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE,
                    "The film can be turned by 0, 90, 180 or 270 degrees, not by %d.", o->turn);
        return false;
    }
    return within((double)o->frames, 1, 1e6, "number of frames", error) &&
           within(o->width, 160, 12000, "width of the stills", error) &&
           within(o->height, 120, 12000, "height of the stills", error) &&
           within(o->truth_width, 64, 8192, "width of the clean movie", error) &&
           within(o->truth_height, 48, 8192, "height of the clean movie", error) &&
           within(o->px_per_mm, 0, 2000, "scale in pixels per mm", error) &&
           within(o->quality, 1, 100, "JPEG quality", error) &&
           within(o->orientation, 1, 8, "Exif orientation", error) &&
           within(o->footage_reduce, 1, 64, "reduction of the footage", error) &&
           within(o->footage_step, 1, 1000, "step through the footage", error) &&
           within((double)o->first_frame, 0, 1e9, "first frame of the footage", error);
}

/* ---- a reel ---- */

rw_demo *rw_demo_new(const rw_demo_options *options, GError **error)
{
    if (!check_options(options, error))
        return NULL;
    rw_demo *d = g_new0(rw_demo, 1);
    d->options = *options;
    d->options.footage = g_strdupv(options->footage);
    d->options.params = g_new0(rw_demo_params, 1);
    rw_demo_params_copy(d->options.params, options->params);
    const rw_demo_params *params = d->options.params;
    d->plan = rw_demo_plan_new(params, options->seed, options->frames,
                               options->gauge->camera_aperture, error);
    if (d->plan)
        d->source = rw_demo_source_open(&d->options, params->number[DEMO_FILM_RESOLUTION], error);
    if (!d->source) {
        rw_demo_free(&d);
        return NULL;
    }
    d->strip = rw_demo_strip_new(d->source, options->gauge, params, options->seed);
    d->reel = (rw_demo_reel){
        .gauge = options->gauge, .params = params, .plan = d->plan, .seed = options->seed};
    rw_demo_layout_init(&d->reel.layout, &d->options, params->number[DEMO_GATE_MARGIN]);
    return d;
}

void rw_demo_free(rw_demo **demo)
{
    rw_demo *d = *demo;
    if (!d)
        return;
    rw_demo_strip_free(&d->strip);
    rw_demo_source_close(&d->source);
    rw_demo_plan_free(&d->plan);
    clear_options(&d->options);
    g_clear_pointer(demo, g_free);
}

int64_t rw_demo_count_stills(const rw_demo *demo)
{
    return demo->plan->n_shots;
}

bool rw_demo_get_still(const rw_demo *demo, int64_t n, rw_demo_still *still)
{
    if (n < 0 || n >= demo->plan->n_shots)
        return false;
    const rw_demo_shot *shot = &demo->plan->shots[n];
    rw_demo_view view;
    rw_demo_view_draw(&demo->reel, shot, &view);
    *still = (rw_demo_still){
        .film = shot->film,
        .take = shot->take,
        .time_ms = CLOCK_START + shot->time_ms,
        .film_to_still = view.film_to_still,
        .weave = view.weave,
        .camera_weave = rw_demo_camera_weave(&demo->reel, shot->film),
        .edge_width = view.edge_width,
    };
    rw_demo_card_path(shot->folder, shot->number, still->path, sizeof still->path);
    return true;
}

uint8_t *rw_demo_render(rw_demo *demo, int64_t n, GError **error)
{
    g_return_val_if_fail(n >= 0 && n < demo->plan->n_shots, NULL);
    rw_demo_view view;
    rw_demo_view_draw(&demo->reel, &demo->plan->shots[n], &view);
    return rw_demo_camera_shoot(&demo->reel, demo->strip, &view, error);
}

uint8_t *rw_demo_render_clean(rw_demo *demo, int64_t film, GError **error)
{
    g_return_val_if_fail(film >= 0 && film < demo->plan->frames, NULL);
    rw_demo_cel *cel = rw_demo_strip_take(demo->strip, film, error);
    if (!cel)
        return NULL;
    uint8_t *out = rw_demo_clean_draw(&demo->reel, cel, false, demo->options.truth_width,
                                      demo->options.truth_height);
    rw_demo_strip_return(demo->strip, &cel);
    return out;
}

/* ---- making the card and the truth: one unit of work per film frame ---- */

enum { CLEAN, MASKS, WEAVE, MOVIES };

typedef struct made_frame {
    GBytes *file[2]; /* JPEGs of its stills */
    char *truth[2];
    int n;
    GBytes *packet[MOVIES];
} made_frame;

typedef struct job {
    rw_demo *demo;
    rw_demo_truth_info info;
    char *card, *truth;
    rw_demo_movie_form form[MOVIES];
    rw_demo_movie *movie[MOVIES];
    GString *json;
    char *folder; /* of the card: the last one made */
    rw_demo_progress progress;
    void *user;
} job;

static void discard(void *result, void *user)
{
    made_frame *made = result;
    (void)user;
    for (int i = 0; i < 2; i++) {
        g_clear_pointer(&made->file[i], g_bytes_unref);
        g_free(made->truth[i]);
    }
    for (int i = 0; i < MOVIES; i++)
        g_clear_pointer(&made->packet[i], g_bytes_unref);
    g_free(made);
}

static void stop(void *state, void *user)
{
    rw_demo_encoder **encoders = state;
    (void)user;
    for (int i = 0; i < MOVIES; i++)
        rw_demo_encoder_free(&encoders[i]);
    g_free(encoders);
}

static bool wants(const job *j, int movie)
{
    const rw_demo_options *o = &j->demo->options;
    return o->truth_movies && (movie != WEAVE || o->truth_camera_weave);
}

static void *start(void *user, GError **error)
{
    const job *j = user;
    rw_demo_encoder **encoders = g_new0(rw_demo_encoder *, MOVIES);
    for (int i = 0; i < MOVIES; i++)
        if (wants(j, i) && !(encoders[i] = rw_demo_encoder_new(&j->form[i], error))) {
            stop(encoders, user);
            return NULL;
        }
    return encoders;
}

static rw_demo_exif exif_of(const rw_demo_options *o, const rw_demo_shot *shot)
{
    const double *p = o->params->number;
    return (rw_demo_exif){
        .has_time = o->params->on[DEMO_TERM_CLOCK],
        .time_ms = CLOCK_START + shot->time_ms,
        .digits = (int)p[DEMO_CLOCK_DIGITS],
        .zone_minutes = ZONE_MINUTES,
        .exposure_s = p[DEMO_EXPOSURE_TIME],
        .f_number = p[DEMO_EXPOSURE_F],
        .iso = (int)p[DEMO_EXPOSURE_ISO],
        .orientation = o->orientation,
        .make = "Heronfold",
        .model = "Heronfold Copyist 24",
        .serial = "HF2400417",
    };
}

static bool make_stills(const job *j, int64_t film, made_frame *made, rw_demo_view *first,
                        GError **error)
{
    rw_demo *d = j->demo;
    const rw_demo_options *o = &d->options;
    for (int64_t n = d->plan->first_shot[film]; n < d->plan->first_shot[film + 1]; n++) {
        const rw_demo_shot *shot = &d->plan->shots[n];
        rw_demo_view view;
        rw_demo_view_draw(&d->reel, shot, &view);
        uint8_t *pixels = rw_demo_camera_shoot(&d->reel, d->strip, &view, error);
        if (!pixels)
            return false;
        rw_demo_exif exif = exif_of(o, shot);
        made->file[made->n] = rw_demo_jpeg_encode(pixels, o->width, o->height, o->quality, &exif);
        made->truth[made->n] = rw_demo_truth_still(&j->info, n, &view);
        g_free(pixels);
        if (made->n++ == 0)
            *first = view;
    }
    return true;
}

static bool encode_truth(const job *j, int64_t film, rw_demo_encoder **encoders,
                         const rw_demo_view *view, made_frame *made, GError **error)
{
    rw_demo *d = j->demo;
    int w = d->options.truth_width, h = d->options.truth_height;
    if (!d->options.truth_movies)
        return true;
    rw_demo_cel *cel = rw_demo_strip_take(d->strip, film, error);
    if (!cel)
        return false;
    bool ok = true;
    for (int i = 0; i < MOVIES && ok; i++) {
        if (!wants(j, i))
            continue;
        uint8_t *pixels = i == MASKS ? rw_demo_mask_draw(&d->reel, film, view, w, h)
                                     : rw_demo_clean_draw(&d->reel, cel, i == WEAVE, w, h);
        made->packet[i] = rw_demo_encoder_encode(encoders[i], pixels, error);
        ok = made->packet[i] != NULL;
        g_free(pixels);
    }
    rw_demo_strip_return(d->strip, &cel);
    return ok;
}

static bool work(int64_t film, void *state, void *user, void **result, GError **error)
{
    const job *j = user;
    made_frame *made = g_new0(made_frame, 1);
    rw_demo_view view;
    if (!make_stills(j, film, made, &view, error) ||
        !encode_truth(j, film, state, made->n ? &view : NULL, made, error)) {
        discard(made, NULL);
        return false;
    }
    *result = made;
    return true;
}

static bool write_still(job *j, const rw_demo_shot *shot, GBytes *file, GError **error)
{
    char path[64];
    rw_demo_card_path(shot->folder, shot->number, path, sizeof path);
    g_autofree char *target = g_build_filename(j->card, path, NULL);
    g_autofree char *folder = g_path_get_dirname(target);
    if (g_strcmp0(folder, j->folder) != 0) {
        if (!rw_make_folder(folder, error))
            return false;
        g_free(j->folder);
        j->folder = g_steal_pointer(&folder);
    }
    gsize bytes;
    const void *data = g_bytes_get_data(file, &bytes);
    return rw_write_whole(target, data, bytes, error);
}

static bool consume(int64_t film, void *result, void *user, GError **error)
{
    job *j = user;
    made_frame *made = result;
    const rw_demo_plan *plan = j->demo->plan;
    bool ok = true;
    for (int i = 0; i < made->n && ok; i++) {
        int64_t n = plan->first_shot[film] + i;
        ok = write_still(j, &plan->shots[n], made->file[i], error);
        g_string_append_printf(j->json, "%s%s", n ? ",\n" : "", made->truth[i]);
    }
    for (int i = 0; i < MOVIES && ok; i++)
        if (wants(j, i))
            ok = rw_demo_movie_write(j->movie[i], made->packet[i], error);
    discard(made, NULL);
    if (ok && j->progress)
        j->progress(film + 1, j->user);
    return ok;
}

/* Another shoot's stills: pictures of the pond, taken in the hand. */
static bool write_aliens(job *j, int when, GError **error)
{
    rw_demo *d = j->demo;
    bool same = d->options.params->number[DEMO_ALIEN_SAME_CAMERA] >= 1;
    for (int i = 0; i < d->plan->n_aliens; i++) {
        const rw_demo_shot *shot = &d->plan->aliens[i];
        if (shot->film != when)
            continue;
        int w = same ? d->options.width : 1200, h = same ? d->options.height : 900;
        rw_demo_exif exif = exif_of(&d->options, shot);
        exif.exposure_s = 0.004;
        if (!same) {
            exif.model = "Heronfold Stroller";
            exif.serial = "HS0093355";
        }
        uint8_t *pixels = rw_demo_source_snapshot(d->options.seed, i, w, h);
        g_autoptr(GBytes) file = rw_demo_jpeg_encode(pixels, w, h, 90, &exif);
        g_free(pixels);
        if (!write_still(j, shot, file, error))
            return false;
    }
    return true;
}

static bool open_movies(job *j, GError **error)
{
    static const char *const names[MOVIES] = {"clean.mkv", "masks.mkv", "clean-weave.mkv"};
    for (int i = 0; i < MOVIES; i++) {
        g_autofree char *path = g_build_filename(j->truth, names[i], NULL);
        if (wants(j, i) && !(j->movie[i] = rw_demo_movie_create(path, &j->form[i], error)))
            return false;
    }
    return true;
}

static bool finish_truth(job *j, GError **error)
{
    for (int i = 0; i < MOVIES; i++)
        if (j->movie[i] && !rw_demo_movie_finish(&j->movie[i], error))
            return false;
    g_autofree char *tail = rw_demo_truth_tail(&j->info);
    g_string_append(j->json, tail);
    g_autofree char *path = g_build_filename(j->truth, "truth.json", NULL);
    return rw_write_whole(path, j->json->str, j->json->len, error);
}

static bool make_folders(job *j, GError **error)
{
    if (g_file_test(j->card, G_FILE_TEST_EXISTS) || g_file_test(j->truth, G_FILE_TEST_EXISTS)) {
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "%s or %s exists already; name a new folder or remove them first.", j->card,
                    j->truth);
        return false;
    }
    return rw_make_folder(j->card, error) && rw_make_folder(j->truth, error);
}

bool rw_demo_write(rw_demo *demo, const char *folder, int n_threads, const atomic_bool *cancel,
                   rw_demo_progress progress, void *user, GError **error)
{
    const rw_demo_options *o = &demo->options;
    job j = {.demo = demo, .progress = progress, .user = user};
    j.info = (rw_demo_truth_info){.reel = &demo->reel, .options = o, .start_ms = CLOCK_START};
    j.info.scenes = rw_demo_source_scenes(demo->source, &j.info.n_scenes);
    j.card = g_build_filename(folder, "card", NULL);
    j.truth = g_build_filename(folder, "truth", NULL);
    for (int i = 0; i < MOVIES; i++)
        j.form[i] = (rw_demo_movie_form){o->truth_width, o->truth_height, i == MASKS, o->fps};
    char *head = rw_demo_truth_head(&j.info);
    j.json = g_string_new(head);
    g_free(head);

    const rw_ordered_ops ops = {start, work, consume, discard, stop};
    bool ok = make_folders(&j, error) && open_movies(&j, error) && write_aliens(&j, -1, error) &&
              rw_ordered_run(&ops, 0, demo->plan->frames - 1, n_threads, n_threads + 2, cancel, &j,
                             error) &&
              write_aliens(&j, 1, error) && finish_truth(&j, error);
    for (int i = 0; i < MOVIES; i++)
        rw_demo_movie_abandon(&j.movie[i]);
    g_string_free(j.json, TRUE);
    g_free(j.card);
    g_free(j.truth);
    g_free(j.folder);
    return ok;
}
