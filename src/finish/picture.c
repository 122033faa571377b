/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <reelwright/still.h>

#include "finish/picture.h"
#include "finish/scale.h"
#include "finish/still_light.h"

struct rw_picture_maker {
    const rw_plan *plan;
    rw_decoder *decoder;
    rw_scaler *scaler;
    rw_still_light *light;
};

rw_picture_maker *rw_picture_maker_new(const rw_plan *plan)
{
    rw_picture_maker *m = g_new0(rw_picture_maker, 1);
    m->plan = plan;
    m->decoder = rw_decoder_new();
    m->scaler = rw_scaler_new(rw_kernel_usual());
    m->light = rw_still_light_new(plan->curve, plan->curve_table);
    return m;
}

void rw_picture_maker_free(rw_picture_maker **maker)
{
    rw_picture_maker *m = *maker;
    if (!m)
        return;
    rw_decoder_free(&m->decoder);
    rw_scaler_free(&m->scaler);
    rw_still_light_free(&m->light);
    g_clear_pointer(maker, g_free);
}

/* At which eighths to decode. The reel's usual scale decides, so that frames do not differ by a
 * hair's breadth; only a still that is really another size goes by its own. */
static int choose_eighths(const rw_picture_maker *m, int64_t p, const rw_composition *c)
{
    double own = sqrt(fabs(rw_affine_determinant(m->plan->stills[p].film_to_still)));
    double usual = m->plan->still_px_per_mm;
    double px_per_mm = fabs(own / usual - 1) < 0.02 ? usual : own;
    return rw_scaled_decode(px_per_mm / c->detail);
}

static bool decode(rw_picture_maker *m, int64_t p, const rw_composition *c, rw_pixels *pixels,
                   GError **error)
{
    const char *path = m->plan->stills[p].path;
    if (!rw_decoder_decode(m->decoder, path, choose_eighths(m, p, c), pixels, error))
        return false;
    if (pixels->damaged) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "%s: %s.", path, pixels->fault);
        return false;
    }
    return true;
}

static void blacken(rw_frame *f, int x, int y, int width, int height)
{
    for (int p = 0; p < 3 && width > 0; p++)
        for (int row = y; row < y + height; row++)
            memset(f->plane[p] + row * f->stride + x, 0, sizeof(float) * (size_t)width);
}

/* The scaler fills the part that shows film; bars are drawn round it. */
static bool lay(rw_picture_maker *m, int64_t p, const rw_composition *c, const rw_pixels *pixels,
                rw_frame *f, GError **error)
{
    rw_affine to_film;
    if (!rw_affine_invert(c->film_to_frame, &to_film))
        g_assert_not_reached(); /* a scale and a shift */
    rw_affine stored_to_pixels;
    if (!rw_affine_invert(rw_pixels_to_stored(pixels->eighths), &stored_to_pixels))
        g_assert_not_reached();
    rw_affine map = rw_affine_then(to_film, m->plan->stills[p].film_to_still);
    rw_affine still_to_frame;
    if (!rw_affine_invert(map, &still_to_frame))
        still_to_frame = rw_affine_identity(); /* the scaler says what is wrong */
    f->still_to_frame = still_to_frame;
    rw_irect r = c->picture;
    rw_frame part = *f;
    for (int i = 0; i < 3; i++)
        part.plane[i] += r.y * f->stride + r.x;
    part.width = r.width;
    part.height = r.height;
    rw_affine offset = {{{1, 0, r.x}, {0, 1, r.y}}};
    map = rw_affine_then(offset, rw_affine_then(map, stored_to_pixels));
    rw_pixels own = *pixels;
    const float *table;
    const float(*matrix)[3];
    size_t bytes;
    const void *profile = rw_decoder_profile(m->decoder, &bytes);
    if (!rw_still_light_read(m->light, profile, bytes, &own, &table, &matrix, error) ||
        !rw_scaler_run(m->scaler, &own, table, map, &part, error))
        return false;
    if (matrix)
        rw_still_light_mix(matrix, &part);
    blacken(f, 0, 0, f->width, r.y);
    blacken(f, 0, r.y + r.height, f->width, f->height - r.y - r.height);
    blacken(f, 0, r.y, r.x, r.height);
    blacken(f, r.x + r.width, r.y, f->width - r.x - r.width, r.height);
    return true;
}

/* Faults of one file; anything else ends the run. */
static bool is_fault_of_still(const GError *error)
{
    return g_error_matches(error, RW_ERROR, RW_ERROR_DAMAGED) ||
           g_error_matches(error, RW_ERROR, RW_ERROR_IO) ||
           g_error_matches(error, RW_ERROR, RW_ERROR_NOT_FOUND);
}

/* Stand-ins for picture p in the order of preference: p, p-1 ... first, p+1 ... last. -1: no more.
 */
static int64_t next_choice(const rw_picture *scene, int64_t p, int64_t tried)
{
    if (tried <= p)
        return tried > scene->first ? tried - 1 : p < scene->last ? p + 1 : -1;
    return tried < scene->last ? tried + 1 : -1;
}

bool rw_picture_make(rw_picture_maker *m, int64_t p, const rw_composition *c, rw_pool *pool,
                     rw_frame *frame, int64_t *shown, char **note, GError **error)
{
    const rw_picture *picture = rw_plan_picture(m->plan, p);
    g_autoptr(GError) fault = NULL; /* of picture p itself */
    rw_pixels pixels;
    int64_t q = p;
    for (; q >= 0; q = next_choice(picture, p, q)) {
        GError *failed = NULL;
        if (decode(m, q, c, &pixels, &failed))
            break;
        if (!is_fault_of_still(failed)) {
            g_propagate_error(error, failed);
            return false;
        }
        if (q == p)
            fault = failed;
        else
            g_error_free(failed);
    }
    if (q < 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "Frame %" G_GINT64_FORMAT " cannot be shown, nor any other of its scene: %s",
                    picture->n, fault->message);
        return false;
    }
    *shown = q;
    *note = q == p ? NULL
                   : g_strdup_printf("Frame %" G_GINT64_FORMAT " is held from frame "
                                     "%" G_GINT64_FORMAT ": %s",
                                     picture->n, rw_plan_picture(m->plan, q)->n, fault->message);
    bool ok = rw_frame_alloc(frame, pool, c->width, c->height, 3, error);
    if (ok) {
        frame->n = picture->n;
        ok = lay(m, q, c, &pixels, frame, error);
    }
    if (!ok) {
        rw_frame_clear(frame);
        g_clear_pointer(note, g_free);
    }
    return ok;
}
