/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/select.h"
#include "survey/basis.h"

/* Half size from here on: such stills hold more than twice the film's own detail, and grain is
 * still several pixels wide (FACTS 4.3: 2048 pixels across the picture already exceed it). */
#define HALF_SIZE_WIDTH 3600

int rw_basis_eighths(int width)
{
    return width >= HALF_SIZE_WIDTH ? 4 : 8;
}

rw_affine rw_film_to_decoded(rw_affine film_to_still, int eighths)
{
    rw_affine inverse;
    bool ok = rw_affine_invert(rw_pixels_to_stored(eighths), &inverse);
    g_assert(ok);
    return rw_affine_then(film_to_still, inverse);
}

rw_point rw_hole_film_centre(const rw_gauge *gauge, int index)
{
    int n = gauge->n_perforations, i = CLAMP(index, 0, n - 1);
    const rw_perforation *p = &gauge->perforations[i];
    return (rw_point){p->x + p->width / 2, p->y + p->height / 2 + (index - i) * gauge->pitch};
}

rw_affine rw_basis_place(const rw_basis *basis, const rw_gauge *gauge, const rw_gate_sight *sight,
                         bool *certain)
{
    static const double least_confidence = 0.3;
    rw_affine place = basis->film_to_still;
    double x = 0, y = 0, total = 0;
    for (int i = 0; i < sight->n_holes && sight->confidence >= least_confidence; i++) {
        const rw_hole_sight *h = &sight->hole[i];
        if (!h->found || !isfinite(h->sd) || !isfinite(h->cx) || !isfinite(h->cy))
            continue;
        rw_point film = rw_hole_film_centre(gauge, h->index);
        rw_point usual = rw_affine_apply(basis->film_to_still, film.x, film.y);
        double weight = (h->damaged ? 0.01 : 1) / (h->sd * h->sd + 0.01);
        x += weight * (h->cx - usual.x);
        y += weight * (h->cy - usual.y);
        total += weight;
    }
    *certain = total > 0;
    if (total > 0) {
        place.m[0][2] += x / total;
        place.m[1][2] += y / total;
    }
    return place;
}

/* Without a perforation: the picture in the middle of the still, upright, at the scale at which a
 * usual framing shows it. */
static rw_affine guess_place(const rw_gauge *gauge, int width, int height)
{
    rw_rect a = gauge->camera_aperture;
    double scale = MIN(width / (a.width * 1.06), height / (a.height * 1.06));
    return (rw_affine){{{scale, 0, (width - 1) / 2.0 - (a.x + a.width / 2) * scale},
                        {0, scale, (height - 1) / 2.0 - (a.y + a.height / 2) * scale}}};
}

typedef struct sample {
    rw_gate_sight sight;
    rw_grain_reading grain;
    int width, height;
    double f_number;
} sample;

static double median_of(double *values, size_t count)
{
    if (count == 0)
        return NAN;
    qsort(values, count, sizeof *values, rw_compare_doubles);
    return values[count / 2];
}

/* Where one still lies by itself; false when it shows no perforation. */
static bool place_alone(const rw_gauge *gauge, const rw_gate_sight *sight, rw_affine *place)
{
    rw_gate_fit fit;
    rw_gate_summary summary;
    rw_gate_solve(gauge, sight, 1, &fit, &summary);
    *place = fit.film_to_still;
    return fit.method == RW_GATE_PERFORATION && fit.confidence >= 0.3;
}

/* What the first samples have in common, so that the others are not searched all over; none before
 * there are three, or when they show nothing. */
static rw_gate_prior prior_of(const rw_gauge *gauge, const sample *samples, size_t count)
{
    enum { ENOUGH = 3 };
    rw_gate_sight sights[ENOUGH];
    rw_gate_prior prior = {0};
    for (size_t i = 0; i < MIN(count, (size_t)ENOUGH); i++)
        sights[i] = samples[i].sight;
    if (count >= ENOUGH)
        rw_gate_prior_from_sights(gauge, sights, ENOUGH, &prior);
    return prior;
}

/* By the prior, and where that leads to nothing, anywhere. */
static bool find_hole(const rw_gauge *gauge, rw_gate_finder *finder, const rw_pixels *pixels,
                      const rw_gate_prior *prior, rw_gate_sight *sight, rw_affine *place)
{
    if (prior->px_per_mm > 0) {
        rw_gate_finder_look(finder, pixels, prior, sight);
        if (place_alone(gauge, sight, place))
            return true;
    }
    rw_gate_finder_look(finder, pixels, NULL, sight);
    return place_alone(gauge, sight, place);
}

static bool take_sample(sample *s, const char *path, const rw_gauge *gauge,
                        const rw_gate_prior *prior, rw_decoder *decoder, rw_gate_finder *finder,
                        rw_grain_reader *reader)
{
    rw_still_info info;
    rw_pixels pixels;
    if (!rw_still_probe(path, &info, NULL) ||
        !rw_decoder_decode(decoder, path, rw_basis_eighths(info.width), &pixels, NULL))
        return false;
    s->width = pixels.full_width;
    s->height = pixels.full_height;
    s->f_number = info.f_number;
    rw_affine place;
    if (!find_hole(gauge, finder, &pixels, prior, &s->sight, &place))
        place = guess_place(gauge, s->width, s->height);
    rw_small small;
    rw_small_make(&small, &pixels, RW_SMALL_WIDTH);
    rw_grain_reader_read(reader, gauge, &pixels, &small, rw_film_to_decoded(place, pixels.eighths),
                         &s->grain);
    rw_small_clear(&small);
    return true;
}

/* The size that most samples have; of equally many the first. */
static void common_size(const sample *samples, size_t count, int *width, int *height)
{
    size_t most = 0;
    for (size_t i = 0; i < count; i++) {
        size_t same = 0;
        for (size_t k = 0; k < count; k++)
            same += samples[k].width == samples[i].width && samples[k].height == samples[i].height;
        if (same > most) {
            most = same;
            *width = samples[i].width;
            *height = samples[i].height;
        }
    }
}

static void find_place(rw_basis *b, const rw_gauge *gauge, const sample *samples, size_t count)
{
    rw_gate_sight sights[RW_BASIS_STILLS];
    rw_gate_fit fits[RW_BASIS_STILLS];
    rw_gate_summary summary;
    for (size_t i = 0; i < count; i++)
        sights[i] = samples[i].sight;
    rw_gate_prior_from_sights(gauge, sights, count, &b->prior);
    rw_gate_solve(gauge, sights, count, fits, &summary);
    double values[6][RW_BASIS_STILLS];
    size_t good = 0;
    for (size_t i = 0; i < count; i++)
        if (fits[i].method == RW_GATE_PERFORATION && fits[i].confidence >= 0.5) {
            for (int k = 0; k < 6; k++)
                values[k][good] = fits[i].film_to_still.m[k / 3][k % 3];
            good++;
        }
    b->found = good > 0;
    b->film_to_still = guess_place(gauge, b->width, b->height);
    for (int k = 0; k < 6 && good; k++)
        b->film_to_still.m[k / 3][k % 3] = median_of(values[k], good);
}

static void find_bands(rw_basis *b, const sample *samples, size_t count)
{
    double radial[RW_RADIAL_BINS], values[RW_BASIS_STILLS];
    size_t good = 0;
    for (int i = 0; i < RW_RADIAL_BINS; i++) {
        good = 0;
        for (size_t k = 0; k < count; k++)
            if (samples[k].grain.patches > 0)
                values[good++] = samples[k].grain.radial[i];
        radial[i] = median_of(values, good);
    }
    good = 0;
    for (size_t k = 0; k < count; k++)
        if (samples[k].grain.patches > 0)
            values[good++] = samples[k].grain.floor;
    b->bands =
        good ? rw_grain_bands_choose(radial, median_of(values, good)) : rw_grain_bands_default();
    b->band = (rw_grain_band){0.35 * b->bands.fine_high, b->bands.fine_high};
}

bool rw_basis_find(rw_basis *basis, const rw_gauge *gauge, const char *const *paths, size_t count)
{
    sample samples[RW_BASIS_STILLS];
    size_t wanted = MIN(count, (size_t)RW_BASIS_STILLS), good = 0;
    double numbers[RW_BASIS_STILLS];
    rw_grain_bands bands = rw_grain_bands_default();
    rw_decoder *decoder = rw_decoder_new();
    rw_gate_finder *finder = rw_gate_finder_new(gauge);
    rw_grain_reader *reader = rw_grain_reader_new(&bands);
    for (size_t i = 0; i < wanted; i++) {
        size_t at = (2 * i + 1) * count / (2 * wanted); /* the middles of equal parts */
        rw_gate_prior prior = prior_of(gauge, samples, good);
        if (take_sample(&samples[good], paths[at], gauge, &prior, decoder, finder, reader))
            good++;
    }
    rw_grain_reader_free(&reader);
    rw_gate_finder_free(&finder);
    rw_decoder_free(&decoder);

    memset(basis, 0, sizeof *basis);
    basis->version = RW_BASIS_VERSION;
    basis->width = 6000; /* for want of any still */
    basis->height = 4000;
    common_size(samples, good, &basis->width, &basis->height);
    basis->eighths = rw_basis_eighths(basis->width);
    find_place(basis, gauge, samples, good);
    find_bands(basis, samples, good);
    for (size_t i = 0; i < good; i++)
        numbers[i] = samples[i].f_number;
    basis->f_number = good ? median_of(numbers, good) : 0;
    return good > 0;
}
