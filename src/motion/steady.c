/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "motion/steady.h"

/* One output sample of a resampling along a line: taps weights from first on. */
typedef struct tap {
    int first, count;
    float weight[];
} tap;

typedef struct taps {
    int count;
    size_t bytes; /* of one */
    char *memory;
} taps;

static tap *tap_at(const taps *t, int i)
{
    return (tap *)(void *)(t->memory + t->bytes * (size_t)i);
}

/* Triangles one output pixel (at least one input pixel) wide on each side: the two-fold box, which
 * leaves little that could alias, and plain linear interpolation when there is less than asked. */
static taps taps_make(int from, int to)
{
    double step = (double)from / to, reach = MAX(step, 1.0);
    int most = 2 * (int)ceil(reach) + 1;
    taps t = {.count = to, .bytes = sizeof(tap) + sizeof(float) * (size_t)most};
    t.bytes = (t.bytes + 7) / 8 * 8;
    t.memory = g_malloc0(t.bytes * (size_t)to);
    for (int i = 0; i < to; i++) {
        double centre = (i + 0.5) * step - 0.5, sum = 0;
        tap *p = tap_at(&t, i);
        p->first = MAX(0, (int)ceil(centre - reach));
        int last = MIN(from - 1, (int)floor(centre + reach));
        p->count = MIN(last - p->first + 1, most);
        for (int k = 0; k < p->count; k++)
            sum += 1 - fabs(p->first + k - centre) / reach;
        for (int k = 0; k < p->count; k++)
            p->weight[k] = (float)((1 - fabs(p->first + k - centre) / reach) / sum);
    }
    return t;
}

/* Where lines come from, and the last few of them. */
typedef struct source {
    rw_luma_line_fn *line;
    void *user;
    int width, height;
    float *ring; /* `room` lines; row y at y % room */
    int room, next;
} source;

static const float *source_row(source *s, int y)
{
    for (; s->next <= y; s->next++)
        s->line(s->next, s->ring + (ptrdiff_t)(s->next % s->room) * s->width, s->user);
    return s->ring + (ptrdiff_t)(y % s->room) * s->width;
}

static int most_taps(const taps *t)
{
    int most = 1;
    for (int i = 0; i < t->count; i++)
        most = MAX(most, tap_at(t, i)->count);
    return most;
}

/* Down first, a line at a time: the whole picture is never there as floats. */
static void resample(source in, rw_plane out)
{
    taps across = taps_make(in.width, out.width), down = taps_make(in.height, out.height);
    in.room = most_taps(&down) + 1;
    in.ring = g_new(float, (size_t)in.room *(size_t)in.width);
    float *sum = g_new(float, in.width);
    for (int y = 0; y < out.height; y++) {
        const tap *p = tap_at(&down, y);
        float *to = out.px + y * out.stride;
        memset(sum, 0, sizeof *sum * (size_t)in.width);
        for (int k = 0; k < p->count; k++) {
            const float *line = source_row(&in, p->first + k);
            const float weight = p->weight[k];
            for (int x = 0; x < in.width; x++)
                sum[x] += weight * line[x];
        }
        for (int x = 0; x < out.width; x++) {
            const tap *q = tap_at(&across, x);
            float total = 0;
            for (int k = 0; k < q->count; k++)
                total += q->weight[k] * sum[q->first + k];
            to[x] = total;
        }
    }
    g_free(in.ring);
    g_free(sum);
    g_free(across.memory);
    g_free(down.memory);
}

/* 1 2 1 each way, in place; the outermost pixels are repeated. */
static void smooth(rw_plane p)
{
    float *line = g_new(float, 2 * (size_t)p.width);
    float *above = line, *spare = line + p.width;
    memcpy(above, p.px, sizeof(float) * (size_t)p.width);
    for (int y = 0; y < p.height; y++) {
        float *at = p.px + y * p.stride;
        const float *below = y + 1 < p.height ? at + p.stride : at;
        memcpy(spare, at, sizeof(float) * (size_t)p.width);
        for (int x = 0; x < p.width; x++)
            at[x] = 0.25f * (above[x] + below[x]) + 0.5f * at[x];
        float *swap = above;
        above = spare;
        spare = swap;
    }
    for (int y = 0; y < p.height; y++) {
        float *at = p.px + y * p.stride, left = at[0];
        for (int x = 0; x < p.width; x++) {
            float here = at[x], right = x + 1 < p.width ? at[x + 1] : here;
            at[x] = 0.25f * (left + right) + 0.5f * here;
            left = here;
        }
    }
    g_free(line);
}

static void halve(rw_plane from, rw_plane to)
{
    for (int y = 0; y < to.height; y++) {
        const float *a = from.px + 2 * y * from.stride, *b = a + from.stride;
        for (int x = 0; x < to.width; x++)
            to.px[y * to.stride + x] =
                0.25f * ((a[2 * x] + a[2 * x + 1]) + (b[2 * x] + b[2 * x + 1]));
    }
}

/* Sums over windows of 2r + 1 px each way, repeated outward, divided by the count. */
static void box_mean(rw_plane p, int r)
{
    float scale = 1.0f / (float)(2 * r + 1);
    size_t longest = (size_t)MAX(p.width, p.height);
    float *line = g_new(float, longest);
    for (int pass = 0; pass < 2; pass++) {
        int n = pass ? p.height : p.width, lines = pass ? p.width : p.height;
        ptrdiff_t step = pass ? p.stride : 1, next = pass ? 1 : p.stride;
        for (int l = 0; l < lines; l++) {
            float *at = p.px + l * next;
            for (int i = 0; i < n; i++) {
                float sum = 0;
                for (int k = -r; k <= r; k++)
                    sum += at[CLAMP(i + k, 0, n - 1) * step];
                line[i] = sum * scale;
            }
            for (int i = 0; i < n; i++)
                at[i * step] = line[i];
        }
    }
    g_free(line);
}

/* Deviations of less than this share of the luma range are grain, not detail: they are not blown
 * up. */
#define COARSE_FLOOR  0.006f
#define COARSE_RADIUS 5

static void make_coarse(rw_steady_imprint *im, rw_plane quarter)
{
    int w = quarter.width, h = quarter.height;
    size_t area = (size_t)w * (size_t)h;
    float *memory = g_new(float, 2 * area);
    rw_plane mean = {memory, w, h, w}, square = {memory + area, w, h, w};
    for (int y = 0; y < h; y++)
        memcpy(mean.px + y * w, quarter.px + y * quarter.stride, sizeof(float) * (size_t)w);
    box_mean(mean, COARSE_RADIUS);
    double total = 0;
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            float d = quarter.px[y * quarter.stride + x] - mean.px[y * w + x];
            square.px[y * w + x] = d * d;
            total += (double)d * (double)d;
        }
    im->contrast = (float)sqrt(total / (double)area);
    box_mean(square, COARSE_RADIUS);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            float d = quarter.px[y * quarter.stride + x] - mean.px[y * w + x];
            float z = d / (sqrtf(square.px[y * w + x]) + COARSE_FLOOR);
            im->coarse[y * im->coarse_stride + x] =
                (uint8_t)lrintf(CLAMP(RW_STEADY_NEUTRAL + 48.0f * z, 0.0f, 255.0f));
        }
    g_free(memory);
}

static void make_levels(rw_steady_imprint *im, source in)
{
    resample(in, im->level[0]);
    smooth(im->level[0]);
    halve(im->level[0], im->level[1]);
    int w = im->coarse_width, h = im->coarse_height;
    rw_plane quarter = {g_new(float, (size_t)w *(size_t)h), w, h, w};
    halve(im->level[1], quarter);
    make_coarse(im, quarter);
    g_free(quarter.px);
}

/* Rows are padded so that sixteen floats may be loaded at the last pixel. */
static ptrdiff_t padded(int width)
{
    return (width + 31) / 16 * 16;
}

rw_steady_imprint *rw_steady_imprint_new_by_lines(int width, int height, rw_affine luma_to_still,
                                                  rw_luma_line_fn *line, void *user)
{
    if (width < 96 || height < 72)
        return NULL;
    double scale = sqrt((double)width * height / RW_STEADY_AREA);
    int w = CLAMP((int)lrint(width / scale / 4), 24, 400) * 4;
    int h = CLAMP((int)lrint(height / scale / 4), 24, 400) * 4;
    double sx = (double)width / w, sy = (double)height / h;

    rw_steady_imprint *im = g_new0(rw_steady_imprint, 1);
    g_atomic_ref_count_init(&im->refs);
    size_t first = (size_t)padded(w) * (size_t)(h + 1);
    im->floats = g_new0(float, first + (size_t)padded(w / 2) * (size_t)(h / 2 + 1));
    im->level[0] = (rw_plane){im->floats, w, h, padded(w)};
    im->level[1] = (rw_plane){im->floats + first, w / 2, h / 2, padded(w / 2)};
    im->coarse_width = w / 4;
    im->coarse_height = h / 4;
    im->coarse_stride = w / 4 + 2 * RW_STEADY_MARGIN;
    size_t bytes = (size_t)im->coarse_stride * (size_t)(h / 4 + 2 * RW_STEADY_MARGIN);
    im->bytes = g_malloc(bytes);
    memset(im->bytes, RW_STEADY_NEUTRAL, bytes);
    im->coarse = im->bytes + RW_STEADY_MARGIN * im->coarse_stride + RW_STEADY_MARGIN;
    rw_affine to_luma = {{{sx, 0, -0.5 + 0.5 * sx}, {0, sy, -0.5 + 0.5 * sy}}};
    im->to_still = rw_affine_then(to_luma, luma_to_still);
    make_levels(im, (source){.line = line, .user = user, .width = width, .height = height});
    return im;
}

static void plane_line(int y, float *line, void *user)
{
    const rw_plane *p = user;
    memcpy(line, p->px + y * p->stride, sizeof *line * (size_t)p->width);
}

rw_steady_imprint *rw_steady_imprint_new(rw_plane luma, rw_affine luma_to_still, rw_irect picture)
{
    g_return_val_if_fail(picture.x >= 0 && picture.y >= 0 &&
                             picture.x + picture.width <= luma.width &&
                             picture.y + picture.height <= luma.height,
                         NULL);
    rw_plane part = {luma.px + picture.y * luma.stride + picture.x, picture.width, picture.height,
                     luma.stride};
    rw_affine to_luma = {{{1, 0, picture.x}, {0, 1, picture.y}}};
    return rw_steady_imprint_new_by_lines(
        picture.width, picture.height, rw_affine_then(to_luma, luma_to_still), plane_line, &part);
}

rw_steady_imprint *rw_steady_imprint_ref(rw_steady_imprint *imprint)
{
    g_atomic_ref_count_inc(&imprint->refs);
    return imprint;
}

void rw_steady_imprint_unref(rw_steady_imprint **imprint)
{
    rw_steady_imprint *im = g_steal_pointer(imprint);
    if (!im || !g_atomic_ref_count_dec(&im->refs))
        return;
    g_free(im->floats);
    g_free(im->bytes);
    g_free(im);
}

void rw_steady_block_origin(int width, int height, int block, int *x, int *y)
{
    int column = block % RW_STEADY_COLUMNS, row = block / RW_STEADY_COLUMNS;
    int room_x = width - 2 * RW_STEADY_INSET - RW_STEADY_BLOCK;
    int room_y = height - 2 * RW_STEADY_INSET - RW_STEADY_BLOCK;
    /* even, so that the block falls on whole pixels of level 1 */
    *x = (RW_STEADY_INSET + room_x * column / (RW_STEADY_COLUMNS - 1)) & ~1;
    *y = (RW_STEADY_INSET + room_y * row / (RW_STEADY_ROWS - 1)) & ~1;
}

/* White noise sent through make_levels: its squared gradients per block over its variance, how many
 * pixels share one value when it meets a smooth gradient, and when it meets another frame's noise.
 * The figures are held by tests/unit/path.c. */
static const struct {
    double gradient, shared, shared_noise;
} grain[2] = {{370, 9.0, 3.6}, {128, 2.9, 1.5}};

/* One axis: the sum left to the picture, and the share of its information that grain leaves. */
static double kept_signal(int level, double noise, double sum, double *share)
{
    double kept = MAX(sum - noise * grain[level].gradient, 0.02 * sum);
    double smooth = 2 * kept * grain[level].shared;
    *share = smooth / (smooth + noise * grain[level].gradient * grain[level].shared_noise + 1e-12);
    return kept;
}

rw_sym2 rw_steady_information(int level, double r, rw_sym2 g)
{
    double noise = MAX(1 - r, 1e-4), share_x, share_y;
    double xx = kept_signal(level, noise, g.xx, &share_x),
           yy = kept_signal(level, noise, g.yy, &share_y);
    double xy = g.xy * sqrt(xx * yy / MAX(g.xx * g.yy, 1e-9));
    double scale = 1 / (2 * noise * grain[level].shared * (1 << level) * (1 << level));
    return (rw_sym2){xx * share_x * scale, xy * sqrt(share_x * share_y) * scale,
                     yy * share_y * scale};
}
