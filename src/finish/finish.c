/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/pipeline.h"
#include "finish/prepare.h"
#include "finish/trace.h"

struct rw_finish {
    rw_plan *plan;
    rw_finish_options callbacks; /* only cancel, progress, note and data are read */
    rw_movie *movie, *mask;
    rw_trace *trace;
    int64_t next_out;
    rw_finish_report report;
};

rw_finish *rw_finish_new(rw_reel *reel, const rw_finish_options *options, GError **error)
{
    rw_plan *plan = rw_plan_new(reel, options, error);
    if (!plan)
        return NULL;
    rw_finish *finish = g_new0(rw_finish, 1);
    finish->plan = plan;
    finish->callbacks = *options;
    return finish;
}

void rw_finish_free(rw_finish **pointer)
{
    rw_finish *finish = *pointer;
    if (!finish)
        return;
    rw_movie_abandon(&finish->movie);
    rw_movie_abandon(&finish->mask);
    rw_trace_abandon(&finish->trace);
    rw_plan_free(&finish->plan);
    g_clear_pointer(pointer, g_free);
}

static bool open_outputs(rw_finish *f, GError **error)
{
    const rw_plan *plan = f->plan;
    rw_rational rate = plan->out_rate;
    rw_movie_spec spec = {.path = plan->output,
                          .width = plan->width,
                          .height = plan->height,
                          .rate = rate,
                          .quality = plan->quality,
                          .threads = plan->threads,
                          .sound = plan->sound,
                          .sound_at = {plan->first_out * rate.den, rate.num},
                          .frames = plan->last_out - plan->first_out + 1,
                          .title = plan->title && *plan->title ? plan->title : NULL};
    if (plan->trace && !(f->trace = rw_trace_open(plan->trace, error)))
        return false;
    f->movie = rw_movie_open(plan->delivery, &spec, error);
    if (!f->movie || !plan->mask)
        return f->movie != NULL;
    spec.path = plan->mask;
    spec.quality = -1;
    spec.sound = NULL;
    f->mask = rw_movie_open(plan->mask_delivery, &spec, error);
    return f->mask != NULL;
}

static void tell_parts(const rw_plan *plan, const rw_made_image *image, rw_trace_line *line)
{
    const rw_plan_still *still = &plan->stills[image->picture];
    if (!rw_affine_invert(still->registered, &line->still_to_film))
        line->still_to_film = rw_affine_identity();
    line->steady = still->steady;
    line->film_to_out =
        plan->scenes[rw_plan_picture(plan, image->picture)->scene].composition.film_to_frame;
}

static bool write_output(rw_finish *f, const rw_made_image *image, GError **error)
{
    const rw_entry *entry = rw_plan_entry(f->plan, f->next_out);
    rw_trace_line line = {.out = f->next_out,
                          .frames = {image->frames[0], image->frames[1]},
                          .n_frames = image->n_frames,
                          .still_to_out = image->still_to_out,
                          .gain = {image->gain[0], image->gain[1], image->gain[2]},
                          .held = entry->held || image->replaced};
    memcpy(line.repaired, image->repaired, sizeof line.repaired);
    tell_parts(f->plan, image, &line);
    if (!rw_movie_write(f->movie, &image->packed, error) ||
        (f->mask && !rw_movie_write(f->mask, &image->mask, error)) ||
        (f->trace && !rw_trace_write(f->trace, &line, error)))
        return false;
    f->next_out++;
    f->report.written++;
    f->report.held += line.held;
    if (f->callbacks.progress)
        f->callbacks.progress(f->callbacks.data, f->report.written,
                              f->plan->last_out - f->plan->first_out + 1);
    return true;
}

/* Every output that shows this image, one after the other. */
static bool take_image(int64_t i, const rw_made_image *image, void *data, GError **error)
{
    rw_finish *f = data;
    if (image->note && f->callbacks.note)
        f->callbacks.note(f->callbacks.data, image->note);
    while (f->next_out <= f->plan->last_out && rw_plan_entry(f->plan, f->next_out)->image == i)
        if (!write_output(f, image, error))
            return false;
    return true;
}

static bool run(rw_finish *f, rw_pool *pool, GError **error)
{
    rw_plan *plan = f->plan;
    int64_t first = rw_plan_entry(plan, plan->first_out)->image;
    int64_t last = rw_plan_entry(plan, plan->last_out)->image;
    int64_t first_picture, last_picture;
    rw_pipeline_pictures(plan, first, last, &first_picture, &last_picture);
    f->report.pictures = last_picture - first_picture + 1;
    f->next_out = plan->first_out;
    return rw_prepare(plan, first_picture, last_picture, pool, &f->callbacks, error) &&
           open_outputs(f, error) &&
           rw_pipeline_run(plan, first, last, pool, f->callbacks.cancel, take_image, f, error) &&
           rw_movie_close(&f->movie, error) && (!f->mask || rw_movie_close(&f->mask, error)) &&
           (!f->trace || rw_trace_close(&f->trace, error));
}

/* What was made goes into the reel's journal; a folder that cannot be written costs only that. */
static void log_run(rw_finish *f)
{
    g_autoptr(GError) error = NULL;
    const rw_plan *plan = f->plan;
    g_autofree char *rate = rw_rational_format(plan->out_rate);
    g_autofree char *detail = g_strdup_printf(
        "%s %s %dx%d %s fps, %" G_GINT64_FORMAT " frames, %" G_GINT64_FORMAT " held",
        plan->output ? plan->output : "-", rw_delivery_name(plan->delivery), plan->width,
        plan->height, rate, f->report.written, f->report.held);
    if (!rw_reel_log_event(plan->reel, "finish", detail, &error) && f->callbacks.note)
        f->callbacks.note(f->callbacks.data, error->message);
}

bool rw_finish_run(rw_finish *f, rw_finish_report *report, GError **error)
{
    const rw_plan *plan = f->plan;
    f->report =
        (rw_finish_report){.width = plan->width, .height = plan->height, .rate = plan->out_rate};
    /* a quarter more than the pictures' own budget: samples of the delivery, a stage's scratch */
    rw_pool *pool = rw_pool_new(plan->memory + plan->memory / 4 + ((size_t)64 << 20));
    bool ok = run(f, pool, error);
    rw_movie_abandon(&f->movie); /* lets go of samples that an encoder still holds */
    rw_movie_abandon(&f->mask);
    rw_trace_abandon(&f->trace);
    f->report.peak = rw_pool_peak(pool);
    rw_pool_free(&pool);
    if (ok && plan->unmeasured && f->callbacks.note)
        f->callbacks.note(f->callbacks.data,
                          "Not steadied: this reel was surveyed before steadying was measured. "
                          "Survey it again to steady it.");
    if (ok)
        log_run(f);
    if (report)
        *report = f->report;
    return ok;
}
