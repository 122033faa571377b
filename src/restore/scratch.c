/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "base/select.h"
#include "motion/field.h"
#include "restore/scratch.h"

#define LOOK_VERSION 1
#define BANDS        RW_SCRATCH_BANDS
#define SIDE         4     /* px of each side that a ridge is held against */
#define WIDEST       3     /* half widths looked at: 1 .. 3 px at the look's size */
#define CUT          3.0f  /* sigmas that one band may give */
#define TILTS        13    /* -12, -10 .. 12 px over the height */
#define WEAK         9.0f  /* score of a peak that may carry a track on */
#define STRONG       20.0f /* and that may begin one */

/* ---- one frame ---- */

/* Mean roots of luma over each band: band rows of width floats. */
static void band_means(float *mean, const rw_frame *f)
{
    const bool colour = f->plane[1] != NULL;
    for (int b = 0; b < BANDS; b++) {
        float *row = mean + b * f->width;
        const int y0 = f->height * b / BANDS, y1 = f->height * (b + 1) / BANDS;
        memset(row, 0, (size_t)f->width * sizeof *row);
        for (int y = y0; y < y1; y++) {
            const float *r = f->plane[0] + y * f->stride;
            const float *g = colour ? f->plane[1] + y * f->stride : r;
            const float *bl = colour ? f->plane[2] + y * f->stride : r;
            for (int x = 0; x < f->width; x++) {
                const float l = 0.25f * (r[x] + bl[x]) + 0.5f * g[x];
                row[x] += sqrtf(l > 0.0f ? l : 0.0f);
            }
        }
        for (int x = 0; x < f->width; x++)
            row[x] /= (float)MAX(y1 - y0, 1);
    }
}

/* How far the middle 2 half - 1 px stand above (or below, negative) the nearer of both sides. */
static float ridge(const float *row, int x, int half)
{
    float middle = 0.0f, left = 0.0f, right = 0.0f;
    for (int k = -half + 1; k < half; k++)
        middle += row[x + k];
    for (int k = 0; k < SIDE; k++) {
        left += row[x - half - 1 - k];
        right += row[x + half + 1 + k];
    }
    middle /= (float)(2 * half - 1);
    const float a = middle - left / SIDE, b = middle - right / SIDE;
    if (a * b <= 0.0f)
        return 0.0f;
    return a > 0.0f ? MIN(a, b) : MAX(a, b);
}

/* Ridges of one band in units of how strong ridges usually are round the place. */
static void band_ridges(float *z, const float *row, int width, int half, float *room)
{
    const int margin = half + SIDE + 1, reach = 48;
    for (int x = 0; x < width; x++)
        z[x] = x < margin || x >= width - margin ? 0.0f : ridge(row, x, half);
    /* the usual strength over blocks of 2 reach, so that texture judges texture */
    for (int x0 = 0; x0 < width; x0 += reach) {
        int n = 0;
        for (int x = MAX(x0 - reach / 2, margin); x < MIN(x0 + reach + reach / 2, width - margin);
             x++)
            room[n++] = fabsf(z[x]);
        qsort(room, (size_t)n, sizeof *room, rw_compare_floats);
        /* half of all places are no ridge at all; the 80th percentile of grain is about a sigma */
        const float usual = n ? room[n * 8 / 10] : 1.0f, unit = 1.2f * usual + 0.0008f;
        for (int x = x0; x < MIN(x0 + reach, width); x++)
            room[4 * reach + x] = z[x] / unit;
    }
    memcpy(z, room + 4 * reach, (size_t)width * sizeof *z);
}

typedef struct board {
    int width;
    float *z[WIDEST]; /* per half width: BANDS rows */
    float *sum;       /* per tilt: width */
} board;

static int shift_of(int tilt, int band)
{
    const float t = (float)(2 * (tilt - TILTS / 2));
    return (int)rintf(t * ((float)band + 0.5f - 0.5f * BANDS) / BANDS);
}

/* The bands in which the ridge shows along a line. */
static uint32_t seen_in(const board *b, int w, int x, int tilt, int sign, float bar)
{
    uint32_t seen = 0;
    for (int k = 0; k < BANDS; k++) {
        const int at = x + shift_of(tilt, k);
        if (at >= 0 && at < b->width && (float)sign * b->z[w][k * b->width + at] > bar)
            seen |= 1u << k;
    }
    return seen;
}

static void keep_peak(rw_scratch_look *look, rw_scratch_peak p, float apart)
{
    int weakest = 0;
    for (int i = 0; i < look->count; i++) {
        rw_scratch_peak *q = &look->peak[i];
        if (q->sign == p.sign && fabsf(q->x - p.x) < apart) {
            if (p.score > q->score)
                *q = p;
            return;
        }
        if (q->score < look->peak[weakest].score)
            weakest = i;
    }
    if (look->count < RW_SCRATCH_PEAKS)
        look->peak[look->count++] = p;
    else if (p.score > look->peak[weakest].score)
        look->peak[weakest] = p;
}

/* Score of every column for one half width, tilt and sign. */
static void score_columns(const board *b, int w, int tilt, float sign, float *sum)
{
    memset(sum, 0, (size_t)b->width * sizeof *sum);
    for (int k = 0; k < BANDS; k++) {
        const int shift = shift_of(tilt, k), first = MAX(0, -shift);
        const int last = MIN(b->width, b->width - shift);
        const float *z = b->z[w] + k * b->width + shift;
        for (int x = first; x < last; x++) {
            float v = sign * z[x];
            v = v < CUT ? v : CUT;
            sum[x] += v > -0.5f * CUT ? v : -0.5f * CUT;
        }
    }
}

typedef struct best_line {
    float score;
    int w, tilt;
} best_line;

static void find_peaks(rw_scratch_look *look, const board *b, float *sum)
{
    const float scale = 1.0f / (float)b->width;
    best_line *best = g_new(best_line, b->width);
    for (int sign = -1; sign <= 1; sign += 2) {
        for (int x = 0; x < b->width; x++)
            best[x] = (best_line){WEAK, 0, -1};
        for (int w = 0; w < WIDEST; w++)
            for (int t = 0; t < TILTS; t++) {
                score_columns(b, w, t, (float)sign, sum);
                for (int x = 6; x < b->width - 6; x++)
                    if (sum[x] > best[x].score)
                        best[x] = (best_line){sum[x], w, t};
            }
        for (int x = 6; x < b->width - 6; x++) {
            if (best[x].tilt < 0)
                continue;
            keep_peak(look,
                      (rw_scratch_peak){((float)x + 0.5f) * scale,
                                        (float)(2 * (best[x].tilt - TILTS / 2)) * scale,
                                        best[x].score, (float)(2 * best[x].w + 1) * scale, sign,
                                        seen_in(b, best[x].w, x, best[x].tilt, sign, 0.8f),
                                        seen_in(b, best[x].w, x, best[x].tilt, sign, 0.2f)},
                      6.0f * scale);
        }
    }
    g_free(best);
}

/* Means of two by two pixels. */
static bool halve(rw_frame *out, rw_pool *pool, const rw_frame *in, GError **error)
{
    if (!rw_frame_alloc(out, pool, in->width / 2, in->height / 2, in->plane[1] ? 3 : 1, error))
        return false;
    out->domain = in->domain;
    for (int p = 0; p < 3 && in->plane[p]; p++)
        for (int y = 0; y < out->height; y++) {
            const float *a = in->plane[p] + 2 * y * in->stride, *b = a + in->stride;
            float *to = out->plane[p] + y * out->stride;
            for (int x = 0; x < out->width; x++)
                to[x] = 0.25f * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
        }
    return true;
}

static float median_shift(const rw_motion_field *f)
{
    float *room = g_new(float, f->cols * f->rows), shift = NAN;
    int n = 0;
    for (int j = 0; j < f->rows; j++)
        for (int i = 0; i < f->cols; i++)
            if (f->trust[j * f->stride + i] > 0.5f)
                room[n++] = -f->dx[j * f->stride + i];
    qsort(room, (size_t)n, sizeof *room, rw_compare_floats);
    if (n > 20)
        shift = room[n / 2] / (float)f->width;
    g_free(room);
    return shift;
}

/* How the scene moved across, at half size. */
static bool scene_shift(float *shift, rw_pool *pool, const rw_frame *now, const rw_frame *before,
                        GError **error)
{
    rw_frame small[2];
    rw_motion_picture pic[2];
    memset(small, 0, sizeof small);
    memset(pic, 0, sizeof pic);
    rw_motion_field there = {0}, back = {0};
    const bool ok =
        halve(&small[0], pool, now, error) && halve(&small[1], pool, before, error) &&
        rw_motion_picture_init(&pic[0], pool, &small[0], error) &&
        rw_motion_picture_init(&pic[1], pool, &small[1], error) &&
        rw_motion_pair_estimate(&there, &back, pool, &pic[0], &pic[1], NULL, NULL, 0, error);
    if (ok) {
        *shift = median_shift(&there);
        rw_motion_field_clear(&there);
        rw_motion_field_clear(&back);
    }
    for (int k = 0; k < 2; k++) {
        rw_motion_picture_clear(&pic[k]);
        rw_frame_clear(&small[k]);
    }
    return ok;
}

bool rw_scratch_measure(rw_scratch_look *look, rw_pool *pool, const rw_frame *now,
                        const rw_frame *before, GError **error)
{
    memset(look, 0, sizeof *look);
    look->version = LOOK_VERSION;
    look->scene_x = NAN;
    const size_t plane = (size_t)now->width * BANDS;
    rw_buffer *buffer = rw_pool_take(
        pool, ((WIDEST + 1) * plane + (size_t)now->width + 1024) * sizeof(float), error);
    if (!buffer)
        return false;
    float *data = rw_buffer_data(buffer), *room = data + (WIDEST + 1) * plane;
    board b = {.width = now->width};
    band_means(data, now);
    for (int w = 0; w < WIDEST; w++) {
        b.z[w] = data + (size_t)(w + 1) * plane;
        for (int k = 0; k < BANDS; k++)
            band_ridges(b.z[w] + k * now->width, data + k * now->width, now->width, w + 1, room);
    }
    find_peaks(look, &b, room);
    rw_buffer_unref(&buffer);
    return !before || scene_shift(&look->scene_x, pool, now, before, error);
}

/* ---- a scene ---- */

typedef struct track {
    GArray *point; /* of size_t look, rw_scratch_peak */
    int32_t sign;
    size_t last; /* look */
} track;

typedef struct point {
    size_t look;
    rw_scratch_peak peak;
} point;

#define NEAR 0.005f /* share of the width by which a scratch may step from frame to frame */
#define GAP  5      /* frames that a track may be lost for */

static float expected(const track *t, size_t look)
{
    const point *p = (const point *)(const void *)t->point->data;
    const guint n = t->point->len;
    if (n < 3)
        return p[n - 1].peak.x;
    /* a slow drift goes on */
    const guint back = MIN(n - 1, 6u);
    const float slope =
        (p[n - 1].peak.x - p[n - 1 - back].peak.x) / (float)(p[n - 1].look - p[n - 1 - back].look);
    return p[n - 1].peak.x + CLAMP(slope, -0.001f, 0.001f) * (float)(look - p[n - 1].look);
}

static void free_track(gpointer data)
{
    track *t = data;
    g_array_unref(t->point);
    g_free(t);
}

/* Lays each frame's peaks to the tracks they go on, the strongest first. */
static GPtrArray *link_peaks(const rw_scratch_look *const *looks, size_t count)
{
    GPtrArray *tracks = g_ptr_array_new_with_free_func(free_track);
    for (size_t i = 0; i < count; i++) {
        bool used[RW_SCRATCH_PEAKS] = {false};
        for (;;) {
            int best = -1;
            for (int k = 0; k < looks[i]->count; k++)
                if (!used[k] && (best < 0 || looks[i]->peak[k].score > looks[i]->peak[best].score))
                    best = k;
            if (best < 0)
                break;
            used[best] = true;
            const point p = {i, looks[i]->peak[best]};
            track *home = NULL;
            float nearest = NEAR;
            for (guint t = 0; t < tracks->len; t++) {
                track *c = tracks->pdata[t];
                if (c->sign != p.peak.sign || c->last == i || i - c->last > GAP)
                    continue;
                const float far = fabsf(expected(c, i) - p.peak.x);
                if (far < nearest) {
                    nearest = far;
                    home = c;
                }
            }
            if (!home && p.peak.score < STRONG)
                continue;
            if (!home) {
                home = g_new0(track, 1);
                home->point = g_array_new(FALSE, FALSE, sizeof(point));
                home->sign = p.peak.sign;
                g_ptr_array_add(tracks, home);
            }
            g_array_append_val(home->point, p);
            home->last = i;
        }
    }
    return tracks;
}

static int bits(uint32_t v)
{
    int n = 0;
    for (; v; v &= v - 1)
        n++;
    return n;
}

/* Mean square second difference of the track's place, on the film or on the scene. */
static double roughness(const track *t, const double *scene, bool of_scene)
{
    const point *p = (const point *)(const void *)t->point->data;
    double sum = 0.0, n = 0.0;
    for (guint i = 1; i + 1 < t->point->len; i++) {
        if (p[i + 1].look - p[i].look != 1 || p[i].look - p[i - 1].look != 1)
            continue;
        double v[3];
        for (guint k = 0; k < 3; k++)
            v[k] = (double)p[i + k - 1].peak.x - (of_scene ? scene[p[i + k - 1].look] : 0.0);
        const double bend = v[0] - 2 * v[1] + v[2];
        sum += fmin(bend * bend, 1e-4);
        n += 1;
    }
    return n > 0 ? sum / n : NAN;
}

/* Travel over the track, on the film or on the scene. */
static double travel(const track *t, const double *scene, bool of_scene)
{
    const point *p = (const point *)(const void *)t->point->data;
    double low = INFINITY, high = -INFINITY;
    for (guint i = 0; i < t->point->len; i++) {
        const double v = (double)p[i].peak.x - (of_scene ? scene[p[i].look] : 0.0);
        low = fmin(low, v);
        high = fmax(high, v);
    }
    return high - low;
}

/* Rows of the frame where the line is always plain and rows without a trace of it: a thing that
 * stands in the scene. A scratch lifts off wherever it likes, and on dark ground it is faint. */
static bool shows_only_in_part(const track *t)
{
    const point *p = (const point *)(const void *)t->point->data;
    const double n = t->point->len;
    int always = 0, never = 0;
    for (int b = 0; b < BANDS; b++) {
        double plain = 0.0, traces = 0.0;
        for (guint i = 0; i < t->point->len; i++) {
            plain += (p[i].peak.bands >> b) & 1u;
            traces += (p[i].peak.traces >> b) & 1u;
        }
        always += plain > 0.75 * n;
        never += traces < 0.4 * n;
    }
    return never >= BANDS / 5 && always >= BANDS / 4;
}

static bool is_scratch(const track *t, const double *scene)
{
    const point *p = (const point *)(const void *)t->point->data;
    double score = 0.0, cover = 0.0;
    const double n = t->point->len;
    for (guint i = 0; i < t->point->len; i++) {
        score += (double)p[i].peak.score;
        cover += bits(p[i].peak.bands) / (double)BANDS;
    }
    score /= n;
    cover /= n;
    if (n < 4 || score < 16.0 || cover < 0.45 || score * sqrt(n) < 50.0)
        return false;
    const double on_film = roughness(t, scene, false), on_scene = roughness(t, scene, true);
    const double one = 1.0 / (RW_SCRATCH_WIDTH * RW_SCRATCH_WIDTH); /* px^2 */
    const double lean = (on_film + 0.1 * one) / (on_scene + 0.1 * one);
    /* where the scene hardly moves against the film the two are alike, and only the rows can tell
     */
    if (!(lean < 0.2 && n >= 8) && shows_only_in_part(t))
        return false;
    if (isfinite(on_film) && lean > 1.0 / 0.7)
        return false; /* jumps as the scene jumps */
    const double film = travel(t, scene, false), with_scene = travel(t, scene, true);
    if (film > 0.01 && with_scene < 0.5 * film)
        return false; /* wanders as the scene wanders */
    return true;
}

static int compare_lines(const void *a, const void *b)
{
    const rw_scratch_line *x = a, *y = b;
    if (x->n != y->n)
        return x->n < y->n ? -1 : 1;
    return (x->x > y->x) - (x->x < y->x);
}

/* The track as lines, its gaps filled between their ends, its place smoothed over five frames. */
static void write_lines(GArray *lines, const track *t, const int64_t *n, int32_t number)
{
    const point *p = (const point *)(const void *)t->point->data;
    const guint count = t->point->len;
    float width = 0.0f;
    for (guint i = 0; i < count; i++)
        width = MAX(width, 0.0f) + p[i].peak.width / (float)count;
    for (guint i = 0; i < count; i++) {
        const size_t next = i + 1 < count ? p[i + 1].look : p[i].look + 1;
        for (size_t look = p[i].look; look < next; look++) {
            float x = 0.0f, tilt = 0.0f, weight = 0.0f;
            for (guint k = i > 4 ? i - 4 : 0; k < MIN(i + 5, count); k++) {
                const float far = (float)p[k].look - (float)look;
                const float w = p[k].peak.score / (1.0f + far * far * far * far);
                x += w * p[k].peak.x;
                tilt += w * p[k].peak.tilt;
                weight += w;
            }
            const rw_scratch_line l = {n[look], x / weight, tilt / weight, width, t->sign, number};
            g_array_append_val(lines, l);
        }
    }
}

GArray *rw_scratch_track(const rw_scratch_look *const *looks, const int64_t *n, size_t count)
{
    double *scene = g_new0(double, count + 1);
    for (size_t i = 1; i < count; i++)
        scene[i] = scene[i - 1] + (isfinite(looks[i]->scene_x) ? (double)looks[i]->scene_x : 0.0);
    GPtrArray *tracks = link_peaks(looks, count);
    GArray *lines = g_array_new(FALSE, FALSE, sizeof(rw_scratch_line));
    for (guint t = 0; t < tracks->len; t++)
        if (is_scratch(tracks->pdata[t], scene))
            write_lines(lines, tracks->pdata[t], n, (int32_t)t);
    g_array_sort(lines, compare_lines); /* of none, too */
    g_ptr_array_unref(tracks);
    g_free(scene);
    return lines;
}

/* ---- repair ---- */

#define REACH 6  /* px: how far to a side the ground is read */
#define RUN   36 /* rows above and below over which the scratch's effect is measured */
#define LEAST_THROUGH                                                                              \
    0.35f /* of the light must come through for the picture under it to be used                    \
           */

typedef struct strip {
    int half;  /* columns -half .. half round the ridge are repaired */
    int width; /* 2 * (half + REACH) + 1 */
    int height;
    float *px[3];     /* light, height rows of width, centred on the ridge */
    float *ground[3]; /* what both sides say lies there: height rows of 2 half + 1 */
    float *unsure[3]; /* squared difference of both sides, per row */
    int *centre;      /* column of the frame, per row */
} strip;

static float root_at(const rw_frame *f, int c, int x, int y)
{
    const float v = f->plane[c][y * f->stride + CLAMP(x, 0, f->width - 1)];
    return sqrtf(v > 0.0f ? v : 0.0f);
}

#define SEARCH_MOST 12

/* How far a piece of the line stands out when it is moved by d px. */
static float stands_out(const strip *s, const rw_frame *f, int sign, int x, int y0, int y1)
{
    const int side = s->half + 2;
    float sum = 0.0f;
    for (int y = y0; y < y1; y++)
        sum += (float)sign * (2.0f * root_at(f, 1, x, y) - root_at(f, 1, x - side, y) -
                              root_at(f, 1, x + side, y));
    return sum / (float)(y1 - y0);
}

/* The ridge's own place, row by row: the best path over pieces of the line, along which moving from
 * one piece to the next has its price (dynamic programming). */
static void follow_ridge(strip *s, const rw_frame *f, const rw_scratch_line *line)
{
    const int search = CLAMP(f->width / 360, 2, SEARCH_MOST), states = 2 * search + 1;
    const int rows = MAX(8, f->height / 48), pieces = (f->height + rows - 1) / rows;
    float *score = g_new(float, states *pieces), typical = 0.0f;
    int *from = g_new(int, states *pieces), *middle = g_new(int, pieces);
    for (int p = 0; p < pieces; p++) {
        const int y0 = p * rows, y1 = MIN(y0 + rows, f->height);
        const double mid = 0.5 * (y0 + y1) / f->height - 0.5;
        middle[p] = (int)lrint(((double)line->x + (double)line->tilt * mid) * f->width - 0.5);
        float best = 0.0f;
        for (int k = 0; k < states; k++) {
            score[p * states + k] =
                stands_out(s, f, line->sign, middle[p] + k - search, MAX(y0 - rows / 2, 0),
                           MIN(y1 + rows / 2, f->height));
            best = MAX(best, score[p * states + k]);
        }
        typical += best / (float)pieces;
    }
    for (int p = 0; p < pieces; p++)
        for (int k = 0; k < states; k++) {
            float *own = &score[p * states + k], best = -INFINITY;
            *own = MIN(*own, 1.5f * typical) - 0.01f * typical * (float)abs(k - search);
            for (int q = 0; p && q < states; q++) {
                const int step = abs(middle[p] + k - middle[p - 1] - q);
                const float total = score[(p - 1) * states + q] - 0.35f * typical * (float)step;
                if (total > best) {
                    best = total;
                    from[p * states + k] = q;
                }
            }
            if (p)
                *own += best;
        }
    int k = 0;
    for (int q = 1; q < states; q++)
        if (score[(pieces - 1) * states + q] > score[(pieces - 1) * states + k])
            k = q;
    for (int p = pieces - 1; p >= 0; p--) {
        middle[p] += k - search;
        if (p)
            k = from[p * states + k];
    }
    for (int y = 0; y < f->height; y++) {
        const double at = CLAMP((y + 0.5) / rows - 0.5, 0.0, pieces - 1.0);
        const int p = (int)at, next = MIN(p + 1, pieces - 1);
        s->centre[y] = (int)lrint(middle[p] + (at - p) * (middle[next] - middle[p]));
    }
    g_free(score);
    g_free(from);
    g_free(middle);
}

#define WIDER 5 /* px by which a scratch may be wider than the look saw */

/* The ridge's real width: how far the mean profile over all rows stands out. */
static int measure_half(const strip *s, const rw_frame *f, int sign)
{
    const int most = s->half + WIDER;
    float profile[64] = {0}, top = 0.0f;
    for (int y = 0; y < s->height; y += 2) {
        float side = 0.0f;
        for (int k = 1; k <= 3; k++)
            side += root_at(f, 1, s->centre[y] - most - k, y) +
                    root_at(f, 1, s->centre[y] + most + k, y);
        for (int k = 0; k <= most; k++)
            profile[k] += (float)sign * (root_at(f, 1, s->centre[y] - k, y) +
                                         root_at(f, 1, s->centre[y] + k, y) - side / 3.0f);
    }
    for (int k = 0; k <= most; k++)
        top = MAX(top, profile[k]);
    int half = 1;
    while (half < most && profile[half + 1] > 0.08f * top)
        half++;
    return half;
}

static void cut_strip(strip *s, const rw_frame *f)
{
    const int middle = s->half + REACH, columns = 2 * s->half + 1;
    for (int c = 0; c < 3; c++)
        for (int y = 0; y < s->height; y++) {
            float *row = s->px[c] + y * s->width + middle;
            for (int k = -middle; k <= middle; k++)
                row[k] = f->plane[c][y * f->stride + CLAMP(s->centre[y] + k, 0, f->width - 1)];
            float left = 0.0f, right = 0.0f;
            for (int k = 1; k <= 3; k++) {
                left += row[-s->half - k] / 3.0f;
                right += row[s->half + k] / 3.0f;
            }
            s->unsure[c][y] = (left - right) * (left - right);
            for (int k = -s->half; k <= s->half; k++) {
                const float t = (float)(k + s->half + 2) / (float)(2 * s->half + 4);
                s->ground[c][y * columns + k + s->half] = left + t * (right - left);
            }
        }
}

/* A scratch lets a share of the light through and adds some of its own: v = through * ground + own,
 * alike for a column over some rows. */
typedef struct effect {
    float through, own;
} effect;

/* Both by least squares over the rows around, three times: each time without what fitted badly
 * before. The ground is itself unsure, by about an eighth of the squared difference of both sides,
 * which would flatten the slope: that much is taken off its variance. Where the ground is too even
 * to tell, all of the difference is the scratch's own. */
static effect measure_effect(const strip *s, int c, int column, int y)
{
    const int columns = 2 * s->half + 1, first = MAX(y - RUN, 0),
              last = MIN(y + RUN, s->height - 1);
    effect e = {1.0f, 0.0f};
    double limit = INFINITY;
    for (int round = 0; round < 3; round++) {
        double n = 1e-9, su = 0, sv = 0, suu = 0, suv = 0, unsure = 0, miss = 0;
        for (int pass = 0; pass < 2; pass++) {
            for (int r = first; r <= last; r += 2) {
                const double u = (double)s->ground[c][r * columns + column + s->half];
                const double v = (double)s->px[c][r * s->width + s->half + REACH + column];
                const double off = fabs(v - (double)e.through * u - (double)e.own);
                if (off > limit)
                    continue;
                if (pass) {
                    miss += off;
                    continue;
                }
                n += 1;
                su += u;
                sv += v;
                suu += u * u;
                suv += u * v;
                unsure += 0.125 * (double)s->unsure[c][r];
            }
            if (pass)
                break;
            const double mu = su / n, mv = sv / n, spread = suu - n * mu * mu;
            const double prior = 12.0 * (0.02 * mu + 0.003) * (0.02 * mu + 0.003);
            const double known = fmax(spread - unsure, 0.25 * spread);
            const double through = (suv - n * mu * mv + prior + unsure) / (known + prior + unsure);
            e.through = (float)CLAMP(through, 0.1, 1.0);
            e.own = (float)(mv - (double)e.through * mu);
        }
        limit = 2.0 * miss / n + 1e-4;
    }
    return e;
}

/* What would be there without the scratch. Where hardly anything shows through, the ground from
 * both sides takes over; what is seen is never far from it. */
static float without(effect e, float v, float ground)
{
    float seen = (v - e.own) / MAX(e.through, LEAST_THROUGH);
    seen = CLAMP(seen, 0.6f * ground - 0.002f, 1.6f * ground + 0.004f);
    const float trust =
        CLAMP((e.through - 0.5f * LEAST_THROUGH) / (0.5f * LEAST_THROUGH), 0.0f, 1.0f);
    return MAX(ground + trust * (seen - ground), 0.0f);
}

int64_t rw_scratch_repair(rw_frame *frame, const rw_scratch_line *line, uint8_t *mask)
{
    if (!frame->plane[1])
        return 0;
    strip s = {.height = frame->height};
    s.half = CLAMP((int)ceil(0.5 * (double)line->width * frame->width + 0.8), 1, 40);
    s.centre = g_new(int, s.height);
    follow_ridge(&s, frame, line);
    s.half = measure_half(&s, frame, line->sign);
    s.width = 2 * (s.half + REACH) + 1;
    const int columns = 2 * s.half + 1, middle = s.half + REACH;
    float *data = g_new(float, 3 * (s.width + columns + 1) * s.height), *next = data;
    for (int c = 0; c < 3; c++) {
        s.px[c] = next;
        s.ground[c] = s.px[c] + s.width * s.height;
        s.unsure[c] = s.ground[c] + columns * s.height;
        next = s.unsure[c] + s.height;
    }
    cut_strip(&s, frame);
    int64_t changed = 0;
    for (int y = 0; y < s.height; y++) {
        for (int k = -s.half; k <= s.half; k++) {
            const int x = s.centre[y] + k;
            if (x < 0 || x >= frame->width)
                continue;
            float now[3], after[3], change = 0.0f;
            for (int c = 0; c < 3; c++) {
                now[c] = s.px[c][y * s.width + middle + k];
                after[c] = without(measure_effect(&s, c, k, y), now[c],
                                   s.ground[c][y * columns + k + s.half]);
                const float part = sqrtf(MAX(now[c], 0.0f)) - sqrtf(after[c]);
                change += (c == 1 ? 0.5f : 0.25f) * (float)line->sign * part;
            }
            /* against the sign of the track it is no scratch */
            if (change < 0.0f)
                continue;
            const float share = abs(k) == s.half ? 0.7f : 1.0f;
            for (int c = 0; c < 3; c++)
                frame->plane[c][y * frame->stride + x] = now[c] + share * (after[c] - now[c]);
            if (mask)
                mask[y * frame->width + x] = 255;
            changed++;
        }
    }
    g_free(s.centre);
    g_free(data);
    return changed;
}
