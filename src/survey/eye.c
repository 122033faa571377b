/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#include <jpeglib.h>

#include "survey/eye.h"
#include "survey/falloff.h"
#include "survey/hue.h"

#define SMALL_QUALITY 88

struct rw_eye {
    const rw_gauge *gauge;
    rw_basis basis;
    rw_affine like; /* usual place on the stills that imprints are to be compared with */
    bool imitates;
    rw_decoder *decoder;
    rw_gate_finder *finder;
    rw_grain_reader *reader;
    rw_steady_eye *steady; /* NULL: not asked for */
};

rw_eye *rw_eye_new(const rw_gauge *gauge, const rw_basis *basis)
{
    rw_eye *eye = g_new0(rw_eye, 1);
    eye->gauge = gauge;
    eye->basis = *basis;
    eye->decoder = rw_decoder_new();
    eye->finder = rw_gate_finder_new(gauge);
    eye->reader = rw_grain_reader_new(&basis->bands);
    return eye;
}

void rw_eye_imitate(rw_eye *eye, const rw_basis *other)
{
    eye->imitates = true;
    eye->like = rw_film_to_decoded(other->film_to_still, other->eighths);
}

void rw_eye_free(rw_eye **eye)
{
    if (!*eye)
        return;
    rw_decoder_free(&(*eye)->decoder);
    rw_gate_finder_free(&(*eye)->finder);
    rw_grain_reader_free(&(*eye)->reader);
    rw_steady_eye_free(&(*eye)->steady);
    g_clear_pointer(eye, g_free);
}

void rw_eye_watch_steadiness(rw_eye *eye, rw_rect area)
{
    eye->steady = rw_steady_eye_new(eye->gauge, area);
}

void rw_glance_free(rw_glance **glance)
{
    if (!*glance)
        return;
    rw_steady_glance_clear(&(*glance)->steady);
    g_free((*glance)->picture);
    rw_small_clear(&(*glance)->small);
    g_clear_pointer(glance, g_free);
}

/* ---- the small picture as a JPEG ---- */

typedef struct jpeg_fault {
    struct jpeg_error_mgr manager;
    jmp_buf leave;
} jpeg_fault;

static void on_jpeg_error(j_common_ptr info)
{
    jpeg_fault *fault = (jpeg_fault *)(void *)info->err;
    longjmp(fault->leave, 1);
}

/* Leaves glance->picture NULL when memory is out. */
static void compress(rw_glance *glance)
{
    struct jpeg_compress_struct c;
    jpeg_fault fault;
    unsigned char *memory = NULL;
    unsigned long bytes = 0;
    c.err = jpeg_std_error(&fault.manager);
    fault.manager.error_exit = on_jpeg_error;
    if (setjmp(fault.leave)) {
        jpeg_destroy_compress(&c);
        free(memory);
        return;
    }
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &memory, &bytes);
    c.image_width = (JDIMENSION)glance->small.width;
    c.image_height = (JDIMENSION)glance->small.height;
    c.input_components = 3;
    c.in_color_space = JCS_RGB;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, SMALL_QUALITY, TRUE);
    jpeg_start_compress(&c, TRUE);
    while (c.next_scanline < c.image_height) {
        JSAMPROW row = glance->small.rgb + (size_t)c.next_scanline * c.image_width * 3;
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    glance->picture = g_memdup2(memory, bytes);
    glance->picture_bytes = bytes;
    free(memory);
}

/* ---- what one still says ---- */

/* The inner part of a perforation, clear of its edges. */
static rw_rect hole_inside(const rw_perforation *p)
{
    return (rw_rect){p->x + 0.2 * p->width, p->y + 0.2 * p->height, 0.6 * p->width,
                     0.6 * p->height};
}

/* Unexposed film between two perforations, as far as it lies beside this picture. */
static rw_rect rebate(const rw_gauge *gauge)
{
    static const double clearance = 0.15; /* mm: glow round the holes */
    const rw_perforation *p = &gauge->perforations[0];
    rw_rect a = gauge->camera_aperture;
    double first = MAX(p->y + p->height + clearance, a.y);
    double last = MIN(p->y + gauge->pitch - clearance, a.y + a.height - clearance);
    return (rw_rect){p->x + 0.15 * p->width, first, 0.7 * p->width, last - first};
}

static void read_clear(rw_eye *eye, const rw_pixels *pixels, rw_affine map, rw_glance *g)
{
    double *v = g->readings.v;
    for (int i = 0; i < eye->gauge->n_perforations && g->certain; i++) {
        rw_light light = rw_light_of(pixels, map, hole_inside(&eye->gauge->perforations[i]), 3000);
        if (light.samples == 0 || (isfinite(v[RW_M_CLEAR]) && light.median <= v[RW_M_CLEAR]))
            continue;
        v[RW_M_CLEAR] = light.median;
        v[RW_M_CLEAR_CLIPPED] = light.clipped;
    }
}

static void read_light(rw_eye *eye, const rw_pixels *pixels, rw_affine map, rw_glance *g)
{
    double *v = g->readings.v;
    rw_rect a = eye->gauge->camera_aperture;
    rw_rect picture = {a.x + 0.05 * a.width, a.y + 0.05 * a.height, 0.9 * a.width, 0.9 * a.height};
    rw_light light = rw_light_of(pixels, map, picture, 20000);
    v[RW_M_EXPOSURE] = light.mean;
    v[RW_M_CLIPPED] = light.clipped;
    if (g->certain)
        v[RW_M_BLACK] = rw_light_of(pixels, map, rebate(eye->gauge), 2000).median;
    read_clear(eye, pixels, map, g);
    if (g->certain)
        v[RW_M_FALLOFF] = rw_falloff_of(pixels, map, eye->gauge);
}

/* Every channel for itself, for what the whole reel tells of lamp and dyes. */
static void read_colour(rw_eye *eye, const rw_pixels *pixels, rw_affine map, rw_glance *g)
{
    rw_colour_sight *s = &g->colour;
    rw_rect a = eye->gauge->camera_aperture;
    rw_rect inside = {a.x + 0.08 * a.width, a.y + 0.08 * a.height, 0.84 * a.width, 0.84 * a.height};
    if (g->certain)
        rw_hues_of(pixels, map, rebate(eye->gauge), 2000, true, s->rebate);
    double best = 0;
    for (int i = 0; i < eye->gauge->n_perforations && g->certain; i++) {
        float light[3];
        rw_hues_of(pixels, map, hole_inside(&eye->gauge->perforations[i]), 2000, false, light);
        double sum = (double)light[0] + (double)light[1] + (double)light[2];
        if (sum > best) { /* not a hole that is dirty; false with NAN */
            best = sum;
            memcpy(s->clear, light, sizeof light);
        }
    }
    rw_hue_spread spread = rw_sample_hues(&g->small, map, inside, s);
    g->readings.v[RW_M_DARK] = spread.dark;
    g->readings.v[RW_M_BRIGHT] = spread.bright;
    g->readings.v[RW_M_CHROMA] = spread.chroma;
}

static void read_grain(rw_eye *eye, const rw_pixels *pixels, rw_affine map, rw_glance *g)
{
    double *v = g->readings.v;
    rw_grain_reading r;
    rw_grain_reader_read(eye->reader, eye->gauge, pixels, &g->small, map, &r);
    if (r.patches == 0)
        return;
    v[RW_M_GRAIN_RATIO] = r.ln_ratio;
    v[RW_M_GRAIN_FINE] = r.ln_fine;
    v[RW_M_GRAIN_AMOUNT] = r.amount;
    v[RW_M_GRAIN_LEVEL] = r.level;
    v[RW_M_GRAIN_ALONG] = r.ln_along;
    v[RW_M_SHARPNESS] = exp(r.ln_ratio / 2);
}

/* Edge widths of the hole that is seen best. */
static void read_edges(rw_glance *g)
{
    double *v = g->readings.v, best = INFINITY;
    for (int i = 0; i < g->sight.n_holes; i++) {
        const rw_hole_sight *h = &g->sight.hole[i];
        if (!h->found || h->damaged || !(h->sd < best) || !isfinite(h->edge_along) ||
            !isfinite(h->edge_across))
            continue;
        best = h->sd;
        v[RW_M_EDGE_ACROSS] = h->edge_across;
        v[RW_M_EDGE_ALONG] = h->edge_along;
    }
}

rw_glance *rw_eye_look(rw_eye *eye, const char *path)
{
    g_autoptr(GError) error = NULL;
    rw_glance *g = g_new0(rw_glance, 1);
    rw_pixels pixels;
    rw_readings_clear(&g->readings);
    rw_colour_sight_clear(&g->colour);
    g->place = eye->basis.film_to_still;
    if (!rw_decoder_decode(eye->decoder, path, eye->basis.eighths, &pixels, &error)) {
        g_strlcpy(g->fault, error->message, sizeof g->fault);
        g->readings.v[RW_M_STATE] = RW_STATE_UNREADABLE;
        return g;
    }
    rw_small_make(&g->small, &pixels, RW_SMALL_WIDTH);
    compress(g);
    g->readings.v[RW_M_STATE] = pixels.damaged ? RW_STATE_DAMAGED : RW_STATE_GOOD;
    if (pixels.damaged)
        g_strlcpy(g->fault, pixels.fault, sizeof g->fault);
    if (pixels.full_width != eye->basis.width || pixels.full_height != eye->basis.height) {
        /* what holds for the reel does not hold for this one: nothing else is read from it */
        g->readings.v[RW_M_STATE] = RW_STATE_OTHER_SIZE;
        g_snprintf(g->fault, sizeof g->fault, "It measures %d x %d, the reel's stills %d x %d.",
                   pixels.full_width, pixels.full_height, eye->basis.width, eye->basis.height);
        return g;
    }
    if (eye->basis.found) /* else there is none on this reel, and looking everywhere takes long */
        rw_gate_finder_look(eye->finder, &pixels, &eye->basis.prior, &g->sight);
    g->place = rw_basis_place(&eye->basis, eye->gauge, &g->sight, &g->certain);
    g->px_per_mm = sqrt(fabs(rw_affine_determinant(g->place)));
    rw_affine map = rw_film_to_decoded(g->place, pixels.eighths);
    rw_imprint_make_like(&g->imprint, eye->gauge, &pixels, &g->small, map,
                         eye->imitates ? eye->like : map);
    if (eye->steady)
        rw_steady_eye_look(eye->steady, &pixels, g->certain ? &g->place : NULL, &g->steady);
    read_light(eye, &pixels, map, g);
    read_colour(eye, &pixels, map, g);
    read_grain(eye, &pixels, map, g);
    read_edges(g);
    return g;
}
