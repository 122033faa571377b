/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "base/select.h"
#include "survey/fft.h"
#include "survey/grain.h"

enum {
    N = 64,       /* patch side, decoded pixels */
    COLUMNS = 12, /* candidates over the picture */
    ROWS = 9,
    CANDIDATES = COLUMNS * ROWS,
    CHOSEN = 20
};

/* Coded levels between which grain is visible: neither black nor clear film. */
#define LEVEL_LOW  25
#define LEVEL_HIGH 235

typedef struct candidate {
    int x, y;        /* decoded pixel of the patch's middle */
    double variance; /* of the small picture: what is no grain */
    double level;
    int order; /* ties are settled by place */
} candidate;

/* What one patch says. */
typedef struct patch_power {
    double ln_ratio, ln_fine, ln_coarse, ln_along, ln_floor, level;
    double radial[RW_RADIAL_BINS];
} patch_power;

/* What a frequency bin counts for. */
enum { IN_COARSE = 1, IN_FINE = 2, IN_X = 4, IN_Y = 8 };

struct rw_grain_reader {
    rw_fft *fft;
    rw_grain_bands bands;
    float window[N];
    uint8_t ring[N * N]; /* radial bin, RW_RADIAL_BINS for the corners, BETWEEN for neither */
    uint8_t flags[N * N];
    float re[N * N], im[N * N];
    candidate candidates[CANDIDATES];
    patch_power powers[CHOSEN];
};

enum { BETWEEN = RW_RADIAL_BINS + 1, RINGS };

static void classify(rw_grain_reader *r, int i, double fx, double fy)
{
    const rw_grain_bands *b = &r->bands;
    double f = hypot(fx, fy);
    int bin = (int)(f * 2 * RW_RADIAL_BINS);
    r->ring[i] = (uint8_t)(bin < RW_RADIAL_BINS ? bin : f > 0.58 ? RW_RADIAL_BINS : BETWEEN);
    if (f >= b->coarse_low && f < b->coarse_high)
        r->flags[i] |= IN_COARSE;
    if (f >= b->fine_low && f < b->fine_high) {
        r->flags[i] |= IN_FINE;
        if (fabs(fy) < 0.5 * fabs(fx))
            r->flags[i] |= IN_X;
        else if (fabs(fx) < 0.5 * fabs(fy))
            r->flags[i] |= IN_Y;
    }
}

rw_grain_reader *rw_grain_reader_new(const rw_grain_bands *bands)
{
    rw_grain_reader *r = g_new0(rw_grain_reader, 1);
    r->fft = rw_fft_new(N, N);
    r->bands = *bands;
    for (int i = 0; i < N; i++)
        r->window[i] = 0.5f - 0.5f * cosf(2 * (float)G_PI * ((float)i + 0.5f) / N);
    for (int i = 0; i < N * N; i++)
        classify(r, i, (double)rw_fft_frequency(i % N, N), (double)rw_fft_frequency(i / N, N));
    return r;
}

void rw_grain_reader_free(rw_grain_reader **reader)
{
    if (!*reader)
        return;
    rw_fft_free(&(*reader)->fft);
    g_clear_pointer(reader, g_free);
}

/* ---- bands ---- */

rw_grain_bands rw_grain_bands_default(void)
{
    return (rw_grain_bands){0.08, 0.15, 0.2, 0.3};
}

rw_grain_bands rw_grain_bands_choose(const double radial[RW_RADIAL_BINS], double floor)
{
    static const double above_noise = 1.4; /* ln: grain four times the noise */
    int last = 10;                         /* never below 0.16: coarser detail is the scene's own */
    while (last < 27 && radial[last] > floor + above_noise && isfinite(radial[last]))
        last++;
    double top = 0.5 * last / RW_RADIAL_BINS;
    return (rw_grain_bands){0.28 * top, 0.5 * top, 0.68 * top, top};
}

/* The middle of a band by power: where its mean square frequency lies. */
static double mean_square(double low, double high)
{
    return 0.5 * (low * low + high * high); /* uniform over the ring */
}

double rw_grain_blur_change(const rw_grain_bands *b, double ln_ratio_change, double ln_fine_change)
{
    double fine = 4 * G_PI * G_PI * mean_square(b->fine_low, b->fine_high);
    double coarse = 4 * G_PI * G_PI * mean_square(b->coarse_low, b->coarse_high);
    double by_ratio = -ln_ratio_change / (fine - coarse), by_fine = -ln_fine_change / fine;
    if (by_ratio * by_fine <= 0)
        return 0;
    return fabs(by_ratio) < fabs(by_fine) ? by_ratio : by_fine;
}

/* ---- which patches ---- */

static int by_variance(const void *a, const void *b)
{
    const candidate *x = a, *y = b;
    if (x->variance != y->variance)
        return x->variance < y->variance ? -1 : 1;
    return x->order - y->order;
}

/* Mean and variance of the small picture under the patch. */
static bool survey_candidate(candidate *c, const rw_pixels *pixels, const rw_small *small)
{
    if (c->x < N / 2 || c->y < N / 2 || c->x + N / 2 > pixels->width ||
        c->y + N / 2 > pixels->height)
        return false;
    int x0 = (c->x - N / 2) / small->factor, y0 = (c->y - N / 2) / small->factor;
    int x1 = MIN((c->x + N / 2) / small->factor, small->width);
    int y1 = MIN((c->y + N / 2) / small->factor, small->height);
    int64_t sum = 0, squares = 0, count = 0;
    for (int y = y0; y < y1; y++)
        for (int x = x0; x < x1; x++, count++) {
            int v = small->luma[(ptrdiff_t)y * small->width + x];
            sum += v;
            squares += v * v;
        }
    if (count < 9)
        return false;
    c->level = (double)sum / (double)count;
    c->variance = (double)squares / (double)count - c->level * c->level;
    return c->level > LEVEL_LOW && c->level < LEVEL_HIGH;
}

/* Fills the reader's list, flattest first; returns how many can be read, at most CHOSEN. */
static int choose(rw_grain_reader *r, const rw_gauge *gauge, const rw_pixels *pixels,
                  const rw_small *small, rw_affine film_to_px)
{
    rw_rect a = gauge->camera_aperture;
    int count = 0;
    for (int i = 0; i < CANDIDATES; i++) {
        double u = 0.07 + 0.86 * (i % COLUMNS + 0.5) / COLUMNS;
        double v = 0.07 + 0.86 * (i / COLUMNS + 0.5) / ROWS;
        rw_point at = rw_affine_apply(film_to_px, a.x + u * a.width, a.y + v * a.height);
        if (!(fabs(at.x) < 1e6 && fabs(at.y) < 1e6))
            continue;
        candidate c = {.x = (int)lrint(at.x), .y = (int)lrint(at.y), .order = i};
        if (survey_candidate(&c, pixels, small))
            r->candidates[count++] = c;
    }
    qsort(r->candidates, (size_t)count, sizeof *r->candidates, by_variance);
    return MIN(count, CHOSEN);
}

/* ---- what they say ---- */

/* Loads a patch, its mean taken off and windowed. */
static double load(const rw_grain_reader *r, const rw_pixels *pixels, const candidate *c,
                   float *out)
{
    double sum = 0;
    for (int y = 0; y < N; y++) {
        rw_luma_line(pixels, c->x - N / 2, c->y - N / 2 + y, 1, 0, N, out + y * N);
        for (int x = 0; x < N; x++)
            sum += (double)out[y * N + x];
    }
    float mean = (float)(sum / (N * N));
    for (int y = 0; y < N; y++)
        for (int x = 0; x < N; x++)
            out[y * N + x] = (out[y * N + x] - mean) * r->window[x] * r->window[y];
    return (double)mean;
}

typedef struct sums {
    double power[RINGS], count[RINGS];
    double fine, n_fine, coarse, n_coarse;
    double in_x, n_x, in_y, n_y; /* fine power of detail across columns, across rows */
} sums;

static void add_bin(sums *s, int ring, int flags, double power)
{
    s->power[ring] += power;
    s->count[ring]++;
    if (flags & IN_COARSE) {
        s->coarse += power;
        s->n_coarse++;
    }
    if (flags & IN_FINE) {
        s->fine += power;
        s->n_fine++;
    }
    if (flags & IN_X) {
        s->in_x += power;
        s->n_x++;
    }
    if (flags & IN_Y) {
        s->in_y += power;
        s->n_y++;
    }
}

/* What is left of a band's power above the noise; never less than a tenth, so that a reading of
 * noise alone stays finite. */
static double above(double power, double count, double noise)
{
    double mean = power / MAX(count, 1);
    return MAX(mean - noise, 0.1 * mean) + 1e-6;
}

static void conclude(const sums *s, bool film_along_y, patch_power *out)
{
    double noise = s->power[RW_RADIAL_BINS] / MAX(s->count[RW_RADIAL_BINS], 1);
    double fine = above(s->fine, s->n_fine, noise), coarse = above(s->coarse, s->n_coarse, noise);
    double x = above(s->in_x, s->n_x, noise), y = above(s->in_y, s->n_y, noise);
    out->ln_ratio = log(fine / coarse);
    out->ln_fine = log(fine);
    out->ln_coarse = log(coarse);
    out->ln_along = film_along_y ? log(y / x) : log(x / y);
    out->ln_floor = log(noise + 1e-6);
    for (int i = 0; i < RW_RADIAL_BINS; i++)
        out->radial[i] = log(s->power[i] / MAX(s->count[i], 1) + 1e-6);
}

/* Two patches at a time; the lower half of the frequencies mirrors the upper. */
static void read_two(rw_grain_reader *r, const rw_pixels *pixels, bool film_along_y, int first,
                     int count)
{
    sums a = {0}, b = {0};
    int second = first + 1 < count ? first + 1 : first;
    double level_a = load(r, pixels, &r->candidates[first], r->re);
    double level_b = load(r, pixels, &r->candidates[second], r->im);
    rw_fft_forward(r->fft, r->re, r->im);
    for (int y = 0; y <= N / 2; y++)
        for (int x = 0; x < N; x++) {
            int i = y * N + x;
            rw_bin_pair k = rw_fft_split(r->re, r->im, N, N, x, y);
            add_bin(&a, r->ring[i], r->flags[i], (double)(k.a_re * k.a_re + k.a_im * k.a_im));
            add_bin(&b, r->ring[i], r->flags[i], (double)(k.b_re * k.b_re + k.b_im * k.b_im));
        }
    conclude(&a, film_along_y, &r->powers[first]);
    r->powers[first].level = level_a;
    if (second != first) {
        conclude(&b, film_along_y, &r->powers[second]);
        r->powers[second].level = level_b;
    }
}

/* Median over the patches of the double at byte offset `field`. */
static double median(const patch_power *powers, int count, size_t field)
{
    double values[CHOSEN];
    for (int i = 0; i < count; i++)
        values[i] = *(const double *)(const void *)((const char *)&powers[i] + field);
    qsort(values, (size_t)count, sizeof *values, rw_compare_doubles);
    return 0.5 * (values[(count - 1) / 2] + values[count / 2]);
}

void rw_grain_reader_read(rw_grain_reader *reader, const rw_gauge *gauge, const rw_pixels *pixels,
                          const rw_small *small, rw_affine film_to_px, rw_grain_reading *reading)
{
    rw_grain_reader *r = reader;
    const rw_grain_bands *bands = &r->bands;
    *reading = (rw_grain_reading){NAN, NAN, NAN, NAN, NAN, NAN, {0}, 0};
    int count = choose(r, gauge, pixels, small, film_to_px);
    if (count == 0)
        return;
    bool film_along_y = fabs(film_to_px.m[1][1]) >= fabs(film_to_px.m[0][1]);
    for (int i = 0; i < count; i += 2)
        read_two(r, pixels, film_along_y, i, count);
    reading->patches = count;
    reading->ln_ratio = median(r->powers, count, offsetof(patch_power, ln_ratio));
    reading->ln_fine = median(r->powers, count, offsetof(patch_power, ln_fine));
    reading->ln_along = median(r->powers, count, offsetof(patch_power, ln_along));
    reading->level = median(r->powers, count, offsetof(patch_power, level));
    reading->floor = median(r->powers, count, offsetof(patch_power, ln_floor));
    for (size_t i = 0; i < RW_RADIAL_BINS; i++)
        reading->radial[i] =
            median(r->powers, count, offsetof(patch_power, radial) + i * sizeof(double));
    /* Parseval: |F|^2 of the windowed patch is N^2 times its energy; the Hann window in two
     * directions leaves (3/8)^2 of it. The coarse band fills pi (high^2 - low^2) of the unit
     * square of frequencies. */
    double area =
        G_PI * (bands->coarse_high * bands->coarse_high - bands->coarse_low * bands->coarse_low);
    double coarse = exp(median(r->powers, count, offsetof(patch_power, ln_coarse)));
    reading->amount = sqrt(coarse * area / (N * N * (9.0 / 64)));
}
