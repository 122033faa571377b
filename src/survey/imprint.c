/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/select.h"
#include "survey/fft.h"
#include "survey/imprint.h"

enum {
    W = RW_PATCH_WIDTH,
    H = RW_PATCH_HEIGHT,
    MOST = 8,            /* pairs of patches compared at a time */
    SPARSE = 3,          /* patches of each frame line that two whole pictures are compared by */
    RADIUS = 6,          /* of the high-pass: grain is finer, most of the picture coarser */
    MARGIN = 2 * RADIUS, /* pixels read round a patch: two box passes */
    WIDE = W + 2 * MARGIN,
    HIGH = H + 2 * MARGIN,
    TAPER = 6, /* samples over which a patch fades to nothing at its ends */
    REACH = 8  /* shifts looked at, pixels: what registration by one hole, torn or not,
                * and shrinkage over one pitch leave */
};

/* Between a frame line and a patch: the picture's own edge is not grain. */
#define GUARD_MM 0.02
/* Of the neighbouring picture that a gate with a usual margin lets through. */
#define STRIP_MM 0.075
/* Steps per robust standard deviation of a patch: clips at 6 sd, and rounding adds less than a
 * thousandth of its power even where the picture's own detail is ten times the grain. */
#define STEPS_PER_SD 21.0f

/* ---- where the patches lie ---- */

typedef struct patch_place {
    double x;        /* share of the picture's width, centre of the patch */
    double y;        /* film mm, the patch's edge of smaller y */
    int first, last; /* rows that must be on the still, last exclusive */
} patch_place;

static bool is_middle(int patch)
{
    return patch >= RW_PATCH_MIDDLE;
}

static int strip_rows(double px_per_mm)
{
    return CLAMP((int)lrint(STRIP_MM * px_per_mm), 8, H - 2 * REACH + 4);
}

/* As many as fit beside each other into nine tenths of the picture's width. */
static int strip_columns(const rw_gauge *gauge, double px_per_mm)
{
    int fit = (int)(0.9 * gauge->camera_aperture.width * px_per_mm / W);
    return CLAMP(fit, 1, RW_STRIP_PATCHES);
}

static patch_place plan_place(const rw_gauge *gauge, double px_per_mm, int rows, int columns,
                              int patch)
{
    rw_rect a = gauge->camera_aperture;
    if (is_middle(patch))
        return (patch_place){patch == RW_PATCH_MIDDLE ? 0.3 : 0.7,
                             a.y + a.height / 2 - H / 2.0 / px_per_mm, 0, H};
    double above = (H - rows) / 2 / px_per_mm; /* of the patch's edge over the strip of picture */
    double near_in = a.y + GUARD_MM - above;
    double far_in = a.y + a.height - GUARD_MM - rows / px_per_mm - above;
    patch_place p = {0, 0, (H - rows) / 2, (H - rows) / 2 + rows};
    if (patch >= RW_PATCH_OUT_FAR)
        p.y = near_in + gauge->pitch;
    else if (patch >= RW_PATCH_OUT_NEAR)
        p.y = far_in - gauge->pitch;
    else
        p.y = patch >= RW_PATCH_IN_FAR ? far_in : near_in;
    p.x = 0.05 + 0.9 * (patch % RW_STRIP_PATCHES + 0.5) / columns;
    return p;
}

/* The still's axis (unit step in pixels) that is nearest to a film axis. */
static void nearest_axis(double dx, double dy, int *step_x, int *step_y)
{
    bool along_x = fabs(dx) >= fabs(dy);
    *step_x = along_x ? (dx < 0 ? -1 : 1) : 0;
    *step_y = along_x ? 0 : (dy < 0 ? -1 : 1);
}

typedef struct axes {
    int ux, uy, vx, vy; /* one patch sample across and along the film, in decoded pixels */
} axes;

static axes patch_axes(rw_affine film_to_px)
{
    axes a;
    nearest_axis(film_to_px.m[0][0], film_to_px.m[1][0], &a.ux, &a.uy);
    nearest_axis(film_to_px.m[0][1], film_to_px.m[1][1], &a.vx, &a.vy);
    return a;
}

static bool is_inside(const rw_pixels *pixels, int x, int y)
{
    return x >= 0 && y >= 0 && x < pixels->width && y < pixels->height;
}

/* Reads WIDE x HIGH luma samples whose sample (MARGIN, MARGIN) is at (x, y). False when rows
 * first..last of the patch are not all on the still; beyond it the edge repeats. */
static bool read_block(const rw_pixels *pixels, axes a, int x, int y, const patch_place *p,
                       float *out)
{
    int end = W - 1, last = p->last - 1;
    if (!is_inside(pixels, x + p->first * a.vx, y + p->first * a.vy) ||
        !is_inside(pixels, x + end * a.ux + last * a.vx, y + end * a.uy + last * a.vy))
        return false;
    for (int j = 0; j < HIGH; j++) {
        int v = j - MARGIN;
        rw_luma_line(pixels, x - MARGIN * a.ux + v * a.vx, y - MARGIN * a.uy + v * a.vy, a.ux, a.uy,
                     WIDE, out + j * WIDE);
    }
    return true;
}

/* ---- on another rig's grid ---- */

typedef struct grid {
    double ux, uy, vx, vy; /* as in axes, now any vectors */
    bool turned;           /* else whole pixels do */
} grid;

/* What a step of one pixel on a still that film_to_px `like` describes is on this one. */
static grid imitate(rw_affine film_to_px, rw_affine like, axes a)
{
    static const double alike = 3e-4; /* 0.04 px over a patch */
    rw_affine inverse;
    grid g = {a.ux, a.uy, a.vx, a.vy, false};
    if (!rw_affine_invert(like, &inverse))
        return g;
    rw_affine step = rw_affine_then(inverse, film_to_px);
    g.ux = step.m[0][0] * a.ux + step.m[0][1] * a.uy;
    g.uy = step.m[1][0] * a.ux + step.m[1][1] * a.uy;
    g.vx = step.m[0][0] * a.vx + step.m[0][1] * a.vy;
    g.vy = step.m[1][0] * a.vx + step.m[1][1] * a.vy;
    g.turned = MAX(hypot(g.ux - a.ux, g.uy - a.uy), hypot(g.vx - a.vx, g.vy - a.vy)) > alike;
    return g;
}

/* Catmull-Rom weights for a sample a share t behind the second of four. */
static void cubic(float t, float w[4])
{
    w[0] = t * (-0.5f + t * (1.0f - 0.5f * t));
    w[1] = 1.0f + t * t * (-2.5f + 1.5f * t);
    w[2] = t * (0.5f + t * (2.0f - 1.5f * t));
    w[3] = t * t * (-0.5f + 0.5f * t);
}

static float sample(const rw_pixels *pixels, double x, double y)
{
    int ix = (int)floor(x), iy = (int)floor(y);
    float wx[4], wy[4], sum = 0;
    cubic((float)(x - ix), wx);
    cubic((float)(y - iy), wy);
    for (int j = 0; j < 4; j++) {
        float line = 0;
        for (int i = 0; i < 4; i++)
            line += wx[i] * (float)rw_luma_at(pixels, ix - 1 + i, iy - 1 + j);
        sum += wy[j] * line;
    }
    return sum;
}

/* As read_block, from anywhere and along any axes. */
static bool read_turned(const rw_pixels *pixels, grid g, double x, double y, const patch_place *p,
                        float *out)
{
    int end = W - 1, last = p->last - 1;
    if (!is_inside(pixels, (int)floor(x + p->first * g.vx), (int)floor(y + p->first * g.vy)) ||
        !is_inside(pixels, (int)floor(x + end * g.ux + last * g.vx),
                   (int)floor(y + end * g.uy + last * g.vy)))
        return false;
    for (int j = 0; j < HIGH; j++)
        for (int i = 0; i < WIDE; i++) {
            int u = i - MARGIN, v = j - MARGIN;
            out[j * WIDE + i] = sample(pixels, x + u * g.ux + v * g.vx, y + u * g.uy + v * g.vy);
        }
    return true;
}

/* ---- from samples to grain ---- */

/* to[i] = mean of from[i - RADIUS .. i + RADIUS]; n samples a step apart; ends repeat. */
static void box_line(const float *from, float *to, int n, int step)
{
    float sum = 0;
    for (int i = -RADIUS; i <= RADIUS; i++)
        sum += from[CLAMP(i, 0, n - 1) * step];
    for (int i = 0; i < n; i++) {
        to[i * step] = sum / (2 * RADIUS + 1);
        sum += from[MIN(i + RADIUS + 1, n - 1) * step] - from[MAX(i - RADIUS, 0) * step];
    }
}

static void box(float *block, float *scratch)
{
    for (int j = 0; j < HIGH; j++)
        box_line(block + j * WIDE, scratch + j * WIDE, WIDE, 1);
    for (int i = 0; i < WIDE; i++)
        box_line(scratch + i, block + i, HIGH, WIDE);
}

/* Robust standard deviation of W * H samples about zero: 1.4826 * median |x|. */
static float robust_sd(const float *grain)
{
    float absolute[W * H];
    for (int i = 0; i < W * H; i++)
        absolute[i] = fabsf(grain[i]);
    return 1.4826f * rw_select_float(absolute, W * H, W * H / 2);
}

/* High-pass, scaled by its own robust spread so that an edge of the picture clips and the grain
 * stays fine. */
static void store_grain(rw_patch *patch, const float *block)
{
    static const float smallest_sd = 0.2f; /* coded; below it there is rounding and no grain */
    float smooth[WIDE * HIGH], scratch[WIDE * HIGH], grain[W * H];
    memcpy(smooth, block, sizeof smooth);
    box(smooth, scratch);
    box(smooth, scratch);
    for (int j = 0; j < H; j++)
        for (int i = 0; i < W; i++) {
            int k = (j + MARGIN) * WIDE + i + MARGIN;
            grain[j * W + i] = block[k] - smooth[k];
        }
    float sd = robust_sd(grain);
    patch->scale = MAX(sd, smallest_sd) / STEPS_PER_SD;
    for (int i = 0; i < W * H; i++) {
        float steps = grain[i] / patch->scale;
        patch->grain[i] = (int8_t)lrintf(CLAMP(steps, -127.0f, 127.0f));
    }
}

/* at: the middle of the patch's first row. */
static void make_patch(rw_patch *patch, const rw_pixels *pixels, axes axis, const grid *g,
                       rw_point at, const patch_place *p)
{
    float block[WIDE * HIGH];
    if (!(fabs(at.x) < 1e6 && fabs(at.y) < 1e6))
        return;
    if (g->turned) {
        if (read_turned(pixels, *g, at.x - W / 2 * g->ux, at.y - W / 2 * g->uy, p, block))
            store_grain(patch, block);
        return;
    }
    rw_point corner = {at.x - W / 2 * axis.ux, at.y - W / 2 * axis.uy};
    int x = (int)lrint(corner.x), y = (int)lrint(corner.y);
    if (!read_block(pixels, axis, x, y, p, block))
        return;
    patch->off_x = (float)((x - corner.x) * axis.ux + (y - corner.y) * axis.uy);
    patch->off_y = (float)((x - corner.x) * axis.vx + (y - corner.y) * axis.vy);
    store_grain(patch, block);
}

void rw_imprint_make_like(rw_imprint *imprint, const rw_gauge *gauge, const rw_pixels *pixels,
                          const rw_small *small, rw_affine film_to_px, rw_affine like)
{
    rw_rect a = gauge->camera_aperture;
    axes axis = patch_axes(like);
    grid g = imitate(film_to_px, like, axis);
    double px_per_mm = sqrt(fabs(rw_affine_determinant(like)));
    memset(imprint, 0, sizeof *imprint);
    imprint->rows = strip_rows(px_per_mm);
    imprint->columns = strip_columns(gauge, px_per_mm);
    rw_view_make(small, film_to_px, a, imprint->view, RW_VIEW_WIDTH, RW_VIEW_HEIGHT);
    for (int i = 0; i < RW_N_PATCHES; i++) {
        if (!is_middle(i) && i % RW_STRIP_PATCHES >= imprint->columns)
            continue;
        patch_place p = plan_place(gauge, px_per_mm, imprint->rows, imprint->columns, i);
        /* the middle of the patch on the film; its corner from there by whole pixels */
        rw_point at = rw_affine_apply(film_to_px, a.x + p.x * a.width, p.y);
        make_patch(&imprint->patch[i], pixels, axis, &g, at, &p);
    }
}

void rw_imprint_make(rw_imprint *imprint, const rw_gauge *gauge, const rw_pixels *pixels,
                     const rw_small *small, rw_affine film_to_px)
{
    rw_imprint_make_like(imprint, gauge, pixels, small, film_to_px, film_to_px);
}

/* ---- comparing ----
 * In two steps. First where: the correlation surfaces of all pairs, added up, peak at one common
 * shift. Then how alike: what overlaps at that shift is cut out of both and correlated alone. */

typedef struct pair {
    const rw_patch *a, *b;
    int first, last; /* rows of a that count */
} pair;

/* What rounding to whole pixels adds to the shift that is measured. */
static float off_x(const pair *p)
{
    return p->b->off_x - p->a->off_x;
}

static float off_y(const pair *p)
{
    return p->b->off_y - p->a->off_y;
}

typedef struct cross {
    float re[W * H], im[W * H];
} cross;

struct rw_matcher {
    rw_fft *fft;
    float weight[W * H]; /* of each frequency bin */
    float re[W * H], im[W * H];
    cross each[MOST], sum;
};

rw_matcher *rw_matcher_new(rw_grain_band band)
{
    /* Frame lines and the gate's edges run across the film: next to no frequency in x. */
    static const float least_x = 0.025f, slope = 0.03f;
    rw_matcher *m = g_new0(rw_matcher, 1);
    m->fft = rw_fft_new(W, H);
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            float fx = rw_fft_frequency(x, W), fy = rw_fft_frequency(y, H);
            float f = hypotf(fx, fy);
            float rise = (f - (float)band.low) / slope, fall = ((float)band.high - f) / slope;
            m->weight[y * W + x] =
                fabsf(fx) < least_x ? 0 : CLAMP(rise, 0.0f, 1.0f) * CLAMP(fall, 0.0f, 1.0f);
        }
    return m;
}

void rw_matcher_free(rw_matcher **matcher)
{
    if (!*matcher)
        return;
    rw_fft_free(&(*matcher)->fft);
    g_clear_pointer(matcher, g_free);
}

static float taper(int i, int n)
{
    int end = MIN(i, n - 1 - i), length = MIN(TAPER, n / 2);
    return end >= length ? 1.0f
                         : 0.5f - 0.5f * cosf((float)G_PI * ((float)end + 0.5f) / (float)length);
}

/* e^(2 pi i f dx) for every column's frequency f. */
static void fill_turns(float turns[W][2], float dx)
{
    for (int x = 0; x < W; x++) {
        float angle = 2 * (float)G_PI * rw_fft_frequency(x, W) * dx;
        turns[x][0] = cosf(angle);
        turns[x][1] = sinf(angle);
    }
}

/* Copies columns x.., rows y.. of a patch to the corner of a cleared block, fading at its ends. */
static void cut(const rw_patch *patch, int x, int y, int width, int height, float *out)
{
    memset(out, 0, sizeof(float) * W * H);
    for (int j = 0; j < height; j++) {
        float fade = taper(j, height);
        for (int i = 0; i < width; i++)
            out[j * W + i] = (float)patch->grain[(y + j) * W + x + i] * fade * taper(i, width);
    }
}

/* Turns the two cut pictures in re, im into their cross spectrum A* B, moved by (dx, dy), every
 * frequency brought to the same strength: where the scene is richer in detail than the film in
 * grain, a few coarse frequencies would speak for all the others. Sums to 1 for equal pictures. */
static void cross_spectrum(rw_matcher *m, float dx, float dy, cross *out)
{
    float turn_x[W][2], total = 0;
    rw_fft_forward(m->fft, m->re, m->im);
    fill_turns(turn_x, -dx);
    for (int y = 0; y < H; y++) {
        float angle = -2 * (float)G_PI * rw_fft_frequency(y, H) * dy;
        float c = cosf(angle), s = sinf(angle);
        for (int x = 0; x < W; x++) {
            int i = y * W + x;
            rw_bin_pair k = rw_fft_split(m->re, m->im, W, H, x, y);
            float re = k.a_re * k.b_re + k.a_im * k.b_im;
            float im = k.a_re * k.b_im - k.a_im * k.b_re;
            float strength = sqrtf(re * re + im * im);
            bool counts = m->weight[i] > 0 && strength > 1e-3f;
            float unit = counts ? m->weight[i] / strength : 0;
            float turn_re = turn_x[x][0] * c - turn_x[x][1] * s;
            float turn_im = turn_x[x][0] * s + turn_x[x][1] * c;
            out->re[i] = (re * turn_re - im * turn_im) * unit;
            out->im[i] = (re * turn_im + im * turn_re) * unit;
            total += counts ? m->weight[i] : 0;
        }
    }
    float scale = total > 0 ? 1 / total : 0;
    for (int i = 0; i < W * H; i++) {
        out->re[i] *= scale;
        out->im[i] *= scale;
    }
}

static void add_up(rw_matcher *m, int count)
{
    m->sum = m->each[0];
    for (int s = 1; s < count; s++)
        for (int i = 0; i < W * H; i++) {
            m->sum.re[i] += m->each[s].re[i];
            m->sum.im[i] += m->each[s].im[i];
        }
}

/* The whole-pixel shift of b against a at which all pairs together are most alike. */
static void locate(rw_matcher *m, const pair *pairs, int count, int *dx, int *dy)
{
    for (int i = 0; i < count; i++) {
        cut(pairs[i].a, 0, 0, W, H, m->re);
        for (int j = 0; j < H; j++) {
            bool counts = j >= pairs[i].first && j < pairs[i].last;
            float fade = counts ? taper(j - pairs[i].first, pairs[i].last - pairs[i].first) : 0;
            for (int x = 0; x < W; x++)
                m->re[j * W + x] *= fade;
        }
        cut(pairs[i].b, 0, 0, W, H, m->im);
        cross_spectrum(m, off_x(&pairs[i]), off_y(&pairs[i]), &m->each[i]);
    }
    add_up(m, count);
    rw_fft_inverse(m->fft, m->sum.re, m->sum.im);
    float best = -INFINITY;
    for (int y = -REACH; y <= REACH; y++)
        for (int x = -REACH; x <= REACH; x++) {
            float value = m->sum.re[((y + H) & (H - 1)) * W + ((x + W) & (W - 1))];
            if (value > best) {
                best = value;
                *dx = x;
                *dy = y;
            }
        }
}

/* The correlation that a cross spectrum gives when b is moved back by (dx, dy). */
static double correlation_at(const cross *c, double dx, double dy)
{
    float turn_x[W][2];
    double sum = 0;
    fill_turns(turn_x, (float)dx);
    for (int y = 0; y < H; y++) {
        double angle = 2 * G_PI * (double)rw_fft_frequency(y, H) * dy;
        float cosine = (float)cos(angle), sine = (float)sin(angle), row = 0;
        const float *re = c->re + y * W, *im = c->im + y * W;
        for (int x = 0; x < W; x++) {
            float turn_re = turn_x[x][0] * cosine - turn_x[x][1] * sine;
            float turn_im = turn_x[x][0] * sine + turn_x[x][1] * cosine;
            row += re[x] * turn_re - im[x] * turn_im;
        }
        sum += (double)row;
    }
    return sum;
}

/* Offset of the top of the parabola through three samples a step apart. */
static double parabola(double before, double top, double after)
{
    double bend = before - 2 * top + after;
    return bend < 0 ? CLAMP(0.5 * (before - after) / bend, -1.0, 1.0) : 0;
}

/* One step to the top of the parabolas through the correlation `step` to each side. A whole pixel
 * is too coarse for them: detail as fine as the grain loses its likeness in a tenth. */
static void refine(const cross *c, double step, double *dx, double *dy)
{
    double top = correlation_at(c, *dx, *dy);
    double x =
        parabola(correlation_at(c, *dx - step, *dy), top, correlation_at(c, *dx + step, *dy));
    double y =
        parabola(correlation_at(c, *dx, *dy - step), top, correlation_at(c, *dx, *dy + step));
    *dx += x * step;
    *dy += y * step;
}

/* each[i] becomes the correlation of pair i at the common shift. */
static rw_grain_match match(rw_matcher *m, const pair *pairs, int count, double *each)
{
    rw_grain_match result = {NAN, NAN, 0, 0, count};
    if (count == 0)
        return result;
    int dx = 0, dy = 0;
    locate(m, pairs, count, &dx, &dy);
    for (int i = 0; i < count; i++) {
        float shift_x = (float)dx - off_x(&pairs[i]), shift_y = (float)dy - off_y(&pairs[i]);
        int ix = (int)lrintf(shift_x), iy = (int)lrintf(shift_y);
        int x = MAX(0, -ix), width = W - abs(ix);
        int y = MAX(pairs[i].first, -iy), height = MIN(pairs[i].last, H - iy) - y;
        cut(pairs[i].a, x, y, width, height, m->re);
        cut(pairs[i].b, x + ix, y + iy, width, height, m->im);
        cross_spectrum(m, (float)ix - shift_x, (float)iy - shift_y, &m->each[i]);
    }
    add_up(m, count);
    double fine_x = 0, fine_y = 0;
    for (double step = 0.5; step > 0.1; step /= 2)
        refine(&m->sum, step, &fine_x, &fine_y);
    result.shift_x = dx + fine_x;
    result.shift_y = dy + fine_y;
    double total = 0, low[2] = {2, 2};
    for (int i = 0; i < count; i++) {
        each[i] = correlation_at(&m->each[i], fine_x, fine_y);
        total += each[i];
        if (each[i] < low[0]) {
            low[1] = low[0];
            low[0] = each[i];
        } else if (each[i] < low[1]) {
            low[1] = each[i];
        }
    }
    result.correlation = total / count;
    result.weakest = count > 3 ? low[1] : low[0];
    return result;
}

/* Adds the pairs of patches that both stills have: every `step`-th of `count` from set_a and set_b.
 * Returns how many the list holds now. */
static int add_pairs(pair *pairs, int used, const rw_imprint *a, int set_a, const rw_imprint *b,
                     int set_b, int count, int step)
{
    int first = (H - a->rows) / 2;
    for (int i = 0; i < count && used < MOST; i += step) {
        const rw_patch *pa = &a->patch[set_a + i], *pb = &b->patch[set_b + i];
        if (pa->scale <= 0 || pb->scale <= 0)
            continue;
        bool whole = is_middle(set_a + i);
        pairs[used++] = (pair){pa, pb, whole ? 0 : first, whole ? H : first + a->rows};
    }
    return used;
}

static rw_grain_match match_sets(rw_matcher *m, const rw_imprint *a, int set_a, const rw_imprint *b,
                                 int set_b)
{
    pair pairs[MOST];
    double each[MOST];
    int count = add_pairs(pairs, 0, a, set_a, b, set_b, RW_STRIP_PATCHES, 1);
    return match(m, pairs, count, each);
}

rw_grain_match rw_matcher_same(rw_matcher *m, const rw_imprint *a, const rw_imprint *b)
{
    pair pairs[MOST];
    double each[MOST];
    int step = MAX(1, (a->columns + SPARSE - 1) / SPARSE), n = 0;
    n = add_pairs(pairs, n, a, RW_PATCH_IN_NEAR, b, RW_PATCH_IN_NEAR, a->columns, step);
    n = add_pairs(pairs, n, a, RW_PATCH_IN_FAR, b, RW_PATCH_IN_FAR, a->columns, step);
    n = add_pairs(pairs, n, a, RW_PATCH_MIDDLE, b, RW_PATCH_MIDDLE, 2, 1);
    return match(m, pairs, n, each);
}

rw_grain_match rw_matcher_next(rw_matcher *m, const rw_imprint *a, const rw_imprint *b, bool far)
{
    return far ? match_sets(m, a, RW_PATCH_OUT_FAR, b, RW_PATCH_IN_NEAR)
               : match_sets(m, a, RW_PATCH_OUT_NEAR, b, RW_PATCH_IN_FAR);
}

rw_grain_match rw_matcher_beside(rw_matcher *m, const rw_imprint *a, const rw_imprint *b, bool far)
{
    int set = far ? RW_PATCH_IN_NEAR : RW_PATCH_IN_FAR;
    return match_sets(m, a, set, b, set);
}

rw_pair_grain rw_matcher_grain(rw_matcher *m, const rw_imprint *a, const rw_imprint *b)
{
    rw_pair_grain g;
    g.same = rw_matcher_same(m, a, b);
    g.far = rw_matcher_next(m, a, b, true);
    g.near = rw_matcher_next(m, a, b, false);
    g.beside_far = rw_matcher_beside(m, a, b, true).correlation;
    g.beside_near = rw_matcher_beside(m, a, b, false).correlation;
    return g;
}
