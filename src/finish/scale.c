/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/cpu.h"
#include "finish/scale.h"
#include "finish/scale_dsp.h"

#define PHASES (1 << RW_SCALE_PHASE_BITS)

/* ---- kernels ---- */

/* sin(pi x) by its series: the C library's sine differs from one machine to the next. */
static double sin_pi(double x)
{
    x -= 2 * floor(x / 2 + 0.5); /* -1 .. 1 */
    if (x > 0.5)
        x = 1 - x;
    else if (x < -0.5)
        x = -1 - x;
    double t = x * 3.14159265358979323846, t2 = t * t, term = t, sum = t;
    for (int k = 1; k <= 10; k++) {
        term *= -t2 / (double)((2 * k) * (2 * k + 1));
        sum += term;
    }
    return sum;
}

static double sinc(double x)
{
    return fabs(x) < 1e-9 ? 1 : sin_pi(x) / (3.14159265358979323846 * x);
}

static double lanczos2(double x)
{
    return sinc(x) * sinc(x / 2);
}

static double lanczos3(double x)
{
    return sinc(x) * sinc(x / 3);
}

/* Mitchell and Netravali, SIGGRAPH 1988, for any B and C. */
static double cubic(double x, double b, double c)
{
    x = fabs(x);
    if (x < 1)
        return ((12 - 9 * b - 6 * c) * x * x * x + (-18 + 12 * b + 6 * c) * x * x + 6 - 2 * b) / 6;
    if (x < 2)
        return ((-b - 6 * c) * x * x * x + (6 * b + 30 * c) * x * x + (-12 * b - 48 * c) * x +
                8 * b + 24 * c) /
               6;
    return 0;
}

static double mitchell(double x)
{
    return cubic(x, 1.0 / 3, 1.0 / 3);
}

static double catmull_rom(double x)
{
    return cubic(x, 0, 0.5);
}

static const rw_kernel kernel_lanczos3 = {"lanczos3", 3, lanczos3};
static const rw_kernel kernel_lanczos2 = {"lanczos2", 2, lanczos2};
static const rw_kernel kernel_mitchell = {"mitchell", 2, mitchell};
static const rw_kernel kernel_catmull_rom = {"catmull-rom", 2, catmull_rom};
static const rw_kernel *const kernels[] = {&kernel_lanczos3, &kernel_lanczos2, &kernel_mitchell,
                                           &kernel_catmull_rom, NULL};

const rw_kernel *const *rw_kernel_all(void)
{
    return kernels;
}

const rw_kernel *rw_kernel_find(const char *name)
{
    for (const rw_kernel *const *k = kernels; *k; k++)
        if (g_str_equal((*k)->name, name))
            return *k;
    return NULL;
}

const rw_kernel *rw_kernel_usual(void)
{
    return &kernel_lanczos3;
}

/* ---- weights ---- */

static void fill_phase(float *to, double *weight, int taps, const rw_kernel *kernel, double stretch,
                       double place)
{
    double sum = 0;
    for (int k = 0; k < taps; k++) {
        double x = (k - taps / 2 + 1 - place) / stretch;
        weight[k] = fabs(x) < kernel->radius ? kernel->at(x) : 0;
        sum += weight[k];
    }
    for (int k = 0; k < taps; k++)
        to[k] = (float)(weight[k] / sum);
}

void rw_weights_fill(rw_weights *w, const rw_kernel *kernel, double stretch)
{
    stretch = MAX(1, floor(stretch * 512 + 0.5) / 512);
    if (w->at && w->kernel == kernel && w->stretch == stretch)
        return;
    int taps = (2 * (int)ceil(kernel->radius * stretch) + 3) & ~3;
    size_t room = (size_t)taps * PHASES;
    if (room > w->room) {
        w->at = g_renew(float, w->at, room);
        w->room = room;
    }
    w->kernel = kernel;
    w->stretch = stretch;
    w->taps = taps;
    g_autofree double *scratch = g_new(double, taps);
    for (int phase = 0; phase < PHASES; phase++)
        fill_phase(w->at + (ptrdiff_t)phase * taps, scratch, taps, kernel, stretch,
                   (double)phase / PHASES);
}

void rw_weights_clear(rw_weights *w)
{
    g_free(w->at);
    memset(w, 0, sizeof *w);
}

/* ---- the resample ---- */

struct rw_scaler {
    const rw_kernel *kernel;
    rw_scale_dsp dsp;
    rw_weights across, down;
    GByteArray *turned; /* a sideways still, transposed */
    GArray *line;       /* one row of the still in linear light, float */
    GArray *ring;       /* rows that went through the first pass, float */
    GArray *ring_row;   /* which row each place of the ring holds, int */
    GPtrArray *rows;    /* those in use, in order */
};

/* What one run works on. */
typedef struct job {
    const rw_scaler *s;
    const uint8_t *data;
    int width, height;
    ptrdiff_t stride;
    int bits, channels;
    const float *table;
    int first_column, limit; /* of line[0] in the still; taps begin at most at first + limit */
    int64_t across_step, across_place; /* place of frame column 0 on row 0, within the line */
    double across_shift;               /* by each row */
    int out_width;
    size_t row_floats;
    int ring_rows;
} job;

rw_scaler *rw_scaler_new(const rw_kernel *kernel)
{
    rw_scaler *s = g_new0(rw_scaler, 1);
    s->kernel = kernel;
    rw_scale_dsp_init(&s->dsp, rw_cpu_level());
    s->turned = g_byte_array_new();
    s->line = g_array_new(FALSE, FALSE, sizeof(float));
    s->ring = g_array_new(FALSE, FALSE, sizeof(float));
    s->ring_row = g_array_new(FALSE, FALSE, sizeof(int));
    s->rows = g_ptr_array_new();
    return s;
}

void rw_scaler_free(rw_scaler **scaler)
{
    rw_scaler *s = *scaler;
    if (!s)
        return;
    rw_weights_clear(&s->across);
    rw_weights_clear(&s->down);
    g_byte_array_unref(s->turned);
    g_array_unref(s->line);
    g_array_unref(s->ring);
    g_array_unref(s->ring_row);
    g_ptr_array_unref(s->rows);
    g_clear_pointer(scaler, g_free);
}

/* Tiles of 16 by 16: a whole column would miss the cache on every pixel. The size of a pixel is a
 * constant to the compiler wherever it matters. */
static inline void transpose_sized(uint8_t *to, const rw_pixels *p, size_t size)
{
    for (int ty = 0; ty < p->height; ty += 16)
        for (int tx = 0; tx < p->width; tx += 16)
            for (int x = tx; x < MIN(tx + 16, p->width); x++)
                for (int y = ty; y < MIN(ty + 16, p->height); y++)
                    memcpy(to + size * ((size_t)x * (size_t)p->height + (size_t)y),
                           (const uint8_t *)p->data + y * p->stride + (ptrdiff_t)size * x, size);
}

static void transpose(GByteArray *to, const rw_pixels *p)
{
    size_t size = (size_t)p->channels * (size_t)(p->bits / 8);
    g_byte_array_set_size(to, (guint)(size * (size_t)p->width * (size_t)p->height));
    if (size == 3)
        transpose_sized(to->data, p, 3);
    else
        transpose_sized(to->data, p, size);
}

#define FILL_LINE(type)                                                                            \
    do {                                                                                           \
        const type *from = (const type *)(const void *)row + (ptrdiff_t)begin * j->channels;       \
        int green = j->channels == 3 ? 1 : 0, blue = 2 * green;                                    \
        for (int x = begin; x < end; x++, from += j->channels, to += 4) {                          \
            to[0] = j->table[from[0]];                                                             \
            to[1] = j->table[from[green]];                                                         \
            to[2] = j->table[from[blue]];                                                          \
            to[3] = 0;                                                                             \
        }                                                                                          \
    } while (0)

/* The part of a row of the still that the line covers, as light; black where there is no still. */
static void fill_line(const job *j, int y)
{
    float *to = (float *)(void *)j->s->line->data;
    int columns = j->limit + j->s->across.taps;
    int begin = CLAMP(j->first_column, 0, j->width);
    int end = CLAMP(j->first_column + columns, begin, j->width);
    const uint8_t *row = j->data + y * j->stride;
    to += 4 * (begin - j->first_column);
    if (j->bits == 8)
        FILL_LINE(uint8_t);
    else
        FILL_LINE(uint16_t);
}

static int64_t fixed(double x)
{
    return (int64_t)llrint(x * 4294967296.0);
}

/* Row y of the still after the first pass, from the ring. */
static const float *get_row(const job *j, int y)
{
    int place = ((y % j->ring_rows) + j->ring_rows) % j->ring_rows;
    float *row = (float *)(void *)j->s->ring->data + j->row_floats * (size_t)place;
    int *holds = &g_array_index(j->s->ring_row, int, place);
    if (*holds == y)
        return row;
    *holds = y;
    if (y < 0 || y >= j->height) {
        memset(row, 0, j->row_floats * sizeof *row);
        return row;
    }
    fill_line(j, y);
    j->s->dsp.across(row, j->out_width, (const float *)(const void *)j->s->line->data, j->limit,
                     j->across_place + fixed(j->across_shift * y), j->across_step, j->s->across.at,
                     j->s->across.taps);
    return row;
}

/* Prepares the first pass: which columns it reads, and where each frame column lies on row y:
 * scale * x + shift * y + place. */
static void plan_across(job *j, double scale, double shift, double place, int out_width, double y0,
                        double y1)
{
    double low = INFINITY, high = -INFINITY;
    for (int corner = 0; corner < 4; corner++) {
        double at =
            scale * (corner & 1 ? out_width - 1 : 0) + shift * (corner & 2 ? y1 : y0) + place;
        low = MIN(low, at);
        high = MAX(high, at);
    }
    int taps = j->s->across.taps;
    /* Beyond taps columns outside the still all is black, and one place is as good as another. */
    int first = (int)CLAMP(floor(low) - taps / 2, -taps, j->width);
    int last = (int)CLAMP(floor(high) + 2, -taps, j->width); /* first tap of the last column */
    j->first_column = first;
    j->limit = MAX(last - first, 0);
    j->across_step = fixed(scale);
    j->across_place = fixed(place - first);
    j->across_shift = shift;
    j->out_width = out_width;
    j->row_floats = 4 * (((size_t)out_width + 3) & ~(size_t)3);
    guint floats = (guint)(4 * (j->limit + taps));
    g_array_set_size(j->s->line, floats);
    memset(j->s->line->data, 0, floats * sizeof(float));
}

static void plan_ring(job *j, double lean, int out_width)
{
    j->ring_rows = j->s->down.taps + (int)ceil(fabs(lean) * (out_width - 1)) + 3;
    g_array_set_size(j->s->ring, (guint)((size_t)j->ring_rows * j->row_floats));
    g_array_set_size(j->s->ring_row, (guint)j->ring_rows);
    for (int i = 0; i < j->ring_rows; i++)
        g_array_index(j->s->ring_row, int, i) = INT_MIN;
    g_ptr_array_set_size(j->s->rows, j->ring_rows);
}

/* Second pass: frame column x of frame row y lies at lean * x + scale * y + place. */
static void run_down(const job *j, double lean, double scale, double place, rw_frame *frame)
{
    int64_t step = fixed(lean);
    int taps = j->s->down.taps;
    for (int y = 0; y < frame->height; y++) {
        int64_t at = fixed(scale * y + place);
        int64_t end = at + step * (frame->width - 1);
        int first = (int)(MIN(at, end) >> 32) - taps / 2 + 1;
        int count = (int)(MAX(at, end) >> 32) + 1 + taps / 2 - first + 1;
        g_assert(count <= j->ring_rows);
        for (int i = 0; i < count; i++)
            g_ptr_array_index(j->s->rows, i) = (gpointer)get_row(j, first + i);
        float *const planes[3] = {frame->plane[0] + y * frame->stride,
                                  frame->plane[1] + y * frame->stride,
                                  frame->plane[2] + y * frame->stride};
        j->s->dsp.down(planes, frame->width, (const float *const *)j->s->rows->pdata,
                       at - first * (INT64_C(1) << 32), step, j->s->down.at, taps);
    }
}

bool rw_scaler_run(rw_scaler *s, const rw_pixels *pixels, const float *table,
                   rw_affine frame_to_pixels, rw_frame *frame, GError **error)
{
    rw_affine m = frame_to_pixels;
    job j = {.s = s,
             .data = pixels->data,
             .width = pixels->width,
             .height = pixels->height,
             .stride = pixels->stride,
             .bits = pixels->bits,
             .channels = pixels->channels,
             .table = table};
    if (fabs(m.m[0][0] * m.m[1][1]) < fabs(m.m[0][1] * m.m[1][0])) { /* the film lies sideways */
        transpose(s->turned, pixels);
        j.data = s->turned->data;
        j.width = pixels->height;
        j.height = pixels->width;
        j.stride = (ptrdiff_t)j.width * pixels->channels * (pixels->bits / 8);
        rw_affine across = m;
        memcpy(m.m[0], across.m[1], sizeof m.m[0]);
        memcpy(m.m[1], across.m[0], sizeof m.m[1]);
    }
    double a = m.m[0][0], b = m.m[0][1], c = m.m[0][2];
    double d = m.m[1][0], e = m.m[1][1], f = m.m[1][2];
    if (!(fabs(a * e - b * d) > 1e-9) || fabs(d) * frame->width > 1e5 || fabs(f) > 1e6 ||
        fabs(c) > 1e6) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                    "Frame %" G_GINT64_FORMAT " has no usable place on its still.", frame->n);
        return false;
    }
    /* y' = d x + e y + f is the row; on that row x' = a x + b y + c becomes, y eliminated: */
    double scale = a - b * d / e, shift = b / e, place = c - b * f / e;
    rw_weights_fill(&s->across, s->kernel, fabs(scale));
    rw_weights_fill(&s->down, s->kernel, fabs(e));
    double rows[2] = {f, f};
    for (int corner = 1; corner < 4; corner++) {
        double y = f + (corner & 1 ? d * frame->width : 0) + (corner & 2 ? e * frame->height : 0);
        rows[0] = MIN(rows[0], y);
        rows[1] = MAX(rows[1], y);
    }
    plan_across(&j, scale, shift, place, frame->width, CLAMP(rows[0] - s->down.taps, 0, j.height),
                CLAMP(rows[1] + s->down.taps, 0, j.height));
    plan_ring(&j, d, frame->width);
    run_down(&j, d, e, f, frame);
    frame->domain = RW_DOMAIN_LINEAR;
    return true;
}
