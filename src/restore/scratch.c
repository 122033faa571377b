/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "base/select.h"
#include "motion/field.h"
#include "restore/scratch.h"

#define LOOK_VERSION 2
#define BANDS        RW_SCRATCH_BANDS
#define SIDE         4     /* px of each side that a ridge is held against */
#define WIDEST       3     /* half widths looked at: 1 .. 3 px at the look's size */
#define CUT          3.0f  /* sigmas that one band may give */
#define TILTS        13    /* -12, -10 .. 12 px over the height */
#define UPRIGHT      0.8f  /* score by which a line has to win for each step that it leans more */
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
                const float lean = UPRIGHT * (float)abs(t - TILTS / 2);
                for (int x = 6; x < b->width - 6; x++)
                    if (sum[x] - lean > best[x].score)
                        best[x] = (best_line){sum[x] - lean, w, t};
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

/* How much of the scene's jumps a track makes: the slope of its bends (second differences) over the
 * scene's by least squares, 0 on the film and 1 on the scene; and its standard error. */
static double slope_on_scene(const track *t, const double *scene, double *unsure)
{
    const point *p = (const point *)(const void *)t->point->data;
    double n = 0.0, ss = 1e-12, st = 0.0, tt = 0.0;
    for (guint i = 1; i + 1 < t->point->len; i++) {
        if (p[i + 1].look - p[i].look != 1 || p[i].look - p[i - 1].look != 1)
            continue;
        const size_t at = p[i].look;
        const double own = (double)(p[i - 1].peak.x - 2 * p[i].peak.x + p[i + 1].peak.x);
        const double its = scene[at - 1] - 2 * scene[at] + scene[at + 1];
        n += 1.0;
        ss += its * its;
        st += own * its;
        tt += own * own;
    }
    const double quarter = 0.25 / ((double)RW_SCRATCH_WIDTH * RW_SCRATCH_WIDTH); /* px^2 */
    *unsure = n < 2.0 ? INFINITY : sqrt((tt - st * st / ss + quarter * n) / ((n - 1.0) * ss));
    return st / ss;
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

/* Whether the track goes with the film and not with the scene, beyond doubt. */
static bool surely_on_film(const track *t, const double *scene, double score, double lean)
{
    if (t->point->len < 8)
        return false;
    double unsure;
    const double slope = slope_on_scene(t, scene, &unsure);
    return lean < 0.2 || (score >= 28.0 && slope + 2.5 * unsure < 0.55);
}

static bool is_scratch(const track *t, const double *scene)
{
    const point *p = (const point *)(const void *)t->point->data;
    double score = 0.0, cover = 0.0;
    const double n = t->point->len;
    if (n < 4)
        return false;
    for (guint i = 0; i < t->point->len; i++) {
        score += (double)p[i].peak.score;
        cover += bits(p[i].peak.bands) / (double)BANDS;
    }
    score /= n;
    cover /= n;
    if (score < 16.0 || cover < 0.45 || score * sqrt(n) < 50.0)
        return false;
    const double on_film = roughness(t, scene, false), on_scene = roughness(t, scene, true);
    const double one = 1.0 / (RW_SCRATCH_WIDTH * RW_SCRATCH_WIDTH); /* px^2 */
    const double lean = (on_film + 0.1 * one) / (on_scene + 0.1 * one);
    /* where the scene hardly moves against the film the two are alike, and only the rows can tell
     */
    if (!surely_on_film(t, scene, score, lean) && shows_only_in_part(t))
        return false;
    if (isfinite(on_film) && lean > 1.0 / 0.7)
        return false; /* jumps as the scene jumps */
    const double film = travel(t, scene, false), with_scene = travel(t, scene, true);
    if (film > 0.01 && with_scene < 0.5 * film)
        return false; /* wanders as the scene wanders */
    return true;
}

static double middle_score(const track *t)
{
    double *score = g_new(double, t->point->len);
    for (guint i = 0; i < t->point->len; i++)
        score[i] = (double)g_array_index(t->point, point, i).peak.score;
    qsort(score, t->point->len, sizeof *score, rw_compare_doubles);
    const double middle = score[t->point->len / 2];
    g_free(score);
    return middle;
}

/* Whether a piece of a track that lies beyond a gap, or is its very end, is as much of a line as
 * the track is: a stray line of the scene that stands near carries no scratch on. */
static bool belongs(const point *p, guint count, bool behind_gap, double middle)
{
    double sum = 0.0;
    for (guint i = 0; i < count; i++)
        sum += (double)p[i].peak.score;
    return behind_gap ? sum >= 1.5 * middle : sum >= 0.5 * middle * count;
}

#define LOST 2 /* frames lost, from which what comes back has to prove itself */

/* Takes ends off that do not belong. */
static void trim_ends(track *t)
{
    if (t->point->len == 0)
        return;
    const double middle = middle_score(t);
    for (bool again = true; again && t->point->len > 1;) {
        again = false;
        const point *p = (const point *)(const void *)t->point->data;
        const guint n = t->point->len;
        guint tail = 1, head = 1;
        while (tail < n && p[n - tail].look - p[n - tail - 1].look <= LOST)
            tail++;
        while (head < n && p[head].look - p[head - 1].look <= LOST)
            head++;
        if (!belongs(p + n - 1, 1, false, middle))
            again = g_array_set_size(t->point, n - 1) != NULL;
        else if (tail < n && !belongs(p + n - tail, tail, true, middle))
            again = g_array_set_size(t->point, n - tail) != NULL;
        else if (!belongs(p, 1, false, middle))
            again = g_array_remove_range(t->point, 0, 1) != NULL;
        else if (head < n && !belongs(p, head, true, middle))
            again = g_array_remove_range(t->point, 0, head) != NULL;
    }
}

#define BESIDE (9.0f / RW_SCRATCH_WIDTH) /* within which a dark line makes its sides look light */

/* The ground beside a scratch looks like a fainter one of the other sign. */
static bool is_shade(const point *p, int32_t sign, const track *of)
{
    if (sign == of->sign)
        return false;
    for (guint k = 0; k < of->point->len; k++) {
        const point *q = &g_array_index(of->point, point, k);
        if (q->look == p->look)
            return fabsf(q->peak.x - p->peak.x) < BESIDE && q->peak.score > 1.5f * p->peak.score;
    }
    return false;
}

/* Takes out of a track what is the shade of scratches. */
static void drop_shades(track *t, const GPtrArray *scratches)
{
    for (guint i = t->point->len; i-- > 0;)
        for (guint k = 0; k < scratches->len; k++)
            if (is_shade(&g_array_index(t->point, point, i), t->sign, scratches->pdata[k])) {
                g_array_remove_index(t->point, i);
                break;
            }
    trim_ends(t);
}

/* The tracks that are scratches, owned by `tracks`. */
static GPtrArray *choose_scratches(const GPtrArray *tracks, const double *scene)
{
    GPtrArray *chosen = g_ptr_array_new();
    for (guint t = 0; t < tracks->len; t++) {
        trim_ends(tracks->pdata[t]);
        if (is_scratch(tracks->pdata[t], scene))
            g_ptr_array_add(chosen, tracks->pdata[t]);
    }
    for (guint t = chosen->len; t-- > 0;) {
        drop_shades(chosen->pdata[t], chosen);
        if (!is_scratch(chosen->pdata[t], scene))
            g_ptr_array_remove_index(chosen, t);
    }
    return chosen;
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
    GPtrArray *scratches = choose_scratches(tracks, scene);
    GArray *lines = g_array_new(FALSE, FALSE, sizeof(rw_scratch_line));
    for (guint t = 0; t < scratches->len; t++)
        write_lines(lines, scratches->pdata[t], n, (int32_t)t);
    g_array_sort(lines, compare_lines); /* of none, too */
    g_ptr_array_unref(scratches);
    g_ptr_array_unref(tracks);
    g_free(scene);
    return lines;
}

/* ---- repair ---- */

#define REACH 6  /* px: how far to a side the ground is read */
#define RUN   36 /* rows above and below over which the scratch's effect is measured */
/* of the light must come through for the picture under it to be used */
#define LEAST_THROUGH 0.5f

typedef struct strip {
    int half;  /* columns -half .. half round the ridge are repaired */
    int width; /* 2 * (half + REACH) + 1 */
    int height;
    float *px[3];     /* light, height rows of width, centred on the ridge */
    float *ground[3]; /* what both sides say lies there: height rows of 2 half + 1 */
    float *unsure[3]; /* squared difference of both sides, per row */
    int *centre;      /* column of the frame, per row */
    float *off;       /* and by how much the ridge lies to the right of it, -0.5 .. 0.5 */
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

/* Over so many pieces to each side the ridge's place is smoothed: a scratch is all but straight. */
#define STRAIGHT 5

/* The line in pieces of some rows, and how far each stands out for each place near it. */
typedef struct chain {
    int search, states, rows, count;
    int *middle;   /* per piece: the line's column, then the ridge's */
    float *raw;    /* per piece and state */
    float typical; /* mean over the pieces of the most it stands out */
} chain;

static chain chain_new(const strip *s, const rw_frame *f, const rw_scratch_line *line)
{
    chain c = {.search = CLAMP(f->width / 360, 2, SEARCH_MOST), .rows = MAX(8, f->height / 48)};
    c.states = 2 * c.search + 1;
    c.count = (f->height + c.rows - 1) / c.rows;
    c.middle = g_new(int, c.count);
    c.raw = g_new(float, c.states *c.count);
    for (int p = 0; p < c.count; p++) {
        const int y0 = p * c.rows, y1 = MIN(y0 + c.rows, f->height);
        const double mid = 0.5 * (y0 + y1) / f->height - 0.5;
        c.middle[p] = (int)lrint(((double)line->x + (double)line->tilt * mid) * f->width - 0.5);
        float best = 0.0f;
        for (int k = 0; k < c.states; k++) {
            const float out = stands_out(s, f, line->sign, c.middle[p] + k - c.search,
                                         MAX(y0 - c.rows / 2, 0), MIN(y1 + c.rows / 2, f->height));
            c.raw[p * c.states + k] = out;
            best = MAX(best, out);
        }
        c.typical += best / (float)c.count;
    }
    return c;
}

static void chain_clear(chain *c)
{
    g_free(c->middle);
    g_free(c->raw);
}

/* The best path over the pieces, along which moving from one to the next has its price (dynamic
 * programming): the state of each piece. */
static void best_path(const chain *c, int *state)
{
    float *score = g_new(float, c->states * c->count);
    int *from = g_new0(int, c->states * c->count);
    for (int p = 0; p < c->count; p++)
        for (int k = 0; k < c->states; k++) {
            float own = MIN(c->raw[p * c->states + k], 1.5f * c->typical) -
                        0.03f * c->typical * (float)abs(k - c->search);
            float best = p ? -INFINITY : 0.0f;
            for (int q = 0; p && q < c->states; q++) {
                const int step = abs(c->middle[p] + k - c->middle[p - 1] - q);
                const float total =
                    score[(p - 1) * c->states + q] - 0.35f * c->typical * (float)step;
                if (total > best) {
                    best = total;
                    from[p * c->states + k] = q;
                }
            }
            score[p * c->states + k] = own + best;
        }
    const float *end = score + (c->count - 1) * c->states;
    int k = 0;
    for (int q = 1; q < c->states; q++)
        if (end[q] > end[k])
            k = q;
    for (int p = c->count - 1; p >= 0; p--) {
        state[p] = k;
        k = from[p * c->states + k];
    }
    g_free(score);
    g_free(from);
}

/* Between the three places round the best one: the top of a parabola. */
static float between_places(const chain *c, int piece, int state)
{
    const float *raw = c->raw + piece * c->states + state;
    if (state == 0 || state == c->states - 1)
        return 0.0f;
    const float bend = raw[-1] - 2.0f * raw[0] + raw[1];
    return bend < 0.0f ? CLAMP(0.5f * (raw[-1] - raw[1]) / bend, -0.5f, 0.5f) : 0.0f;
}

/* The ridge's own place, row by row: the path, what is plain the more, smoothed. */
static void follow_ridge(strip *s, const rw_frame *f, const rw_scratch_line *line)
{
    chain c = chain_new(s, f, line);
    int *state = g_new(int, c.count);
    float *at = g_new(float, c.count), *smooth = g_new(float, c.count);
    best_path(&c, state);
    for (int p = 0; p < c.count; p++)
        at[p] = (float)(c.middle[p] + state[p] - c.search) + between_places(&c, p, state[p]);
    for (int p = 0; p < c.count; p++) {
        /* a straight line through the pieces round it, so that the ends are not drawn inwards */
        double n = 0, sp = 0, sx = 0, spp = 0, spx = 0;
        for (int q = MAX(p - STRAIGHT, 0); q <= MIN(p + STRAIGHT, c.count - 1); q++) {
            const double out = (double)CLAMP(c.raw[q * c.states + state[q]], 0.0f, c.typical);
            const double w = (out + 0.02 * (double)c.typical + 1e-9) * (STRAIGHT + 1 - abs(q - p));
            n += w;
            sp += w * (q - p);
            sx += w * (double)at[q];
            spp += w * (q - p) * (q - p);
            spx += w * (q - p) * (double)at[q];
        }
        const double spread = spp - sp * sp / n;
        const double slope = spread > 0.0 ? (spx - sp * sx / n) / (spread + 2.0 * n) : 0.0;
        smooth[p] = (float)(sx / n - slope * sp / n);
    }
    for (int y = 0; y < f->height; y++) {
        const float t =
            CLAMP(((float)y + 0.5f) / (float)c.rows - 0.5f, 0.0f, (float)c.count - 1.0f);
        const int p = (int)t, next = MIN(p + 1, c.count - 1);
        const float x = smooth[p] + (t - (float)p) * (smooth[next] - smooth[p]);
        s->centre[y] = (int)lrintf(x);
        s->off[y] = x - (float)s->centre[y];
    }
    g_free(state);
    g_free(at);
    g_free(smooth);
    chain_clear(&c);
}

#define WIDER 5 /* px at 1440 by which a scratch may be wider than the look saw */

/* The ridge's real width: how far the mean profile over all rows stands out. */
static int measure_half(const strip *s, const rw_frame *f, int sign)
{
    const int most = s->half + MAX(1, f->width * WIDER / 1440);
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
    for (int k = 0; k <= s->half; k++)
        top = MAX(top, profile[k]);
    /* what rises again further out is something else */
    int half = 1;
    while (half < most && profile[half + 1] > 0.08f * top && profile[half + 1] < profile[half])
        half++;
    return half + 1; /* its run-out, too */
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

static float seen_at(const strip *s, int c, int row, float column)
{
    const float x = column + (float)(s->half + REACH);
    const int i = (int)x;
    const float *p = s->px[c] + row * s->width + i;
    return p[0] + (x - (float)i) * (p[1] - p[0]);
}

static float ground_at(const strip *s, int c, int row, float column)
{
    const float *p = s->ground[c] + row * (2 * s->half + 1);
    const float slope = p[1] - p[0]; /* one straight line from side to side */
    return p[0] + (column + (float)s->half) * slope;
}

/* Both by least squares over the rows around, three times: each time without what fitted badly
 * before. The ground is itself unsure, by about an eighth of the squared difference of both sides,
 * which would flatten the slope: that much is taken off its variance. Where the ground is too even
 * to tell, all of the difference is the scratch's own. */
static effect measure_effect(const strip *s, int c, int column, int y)
{
    const int first = MAX(y - RUN, 0), last = MIN(y + RUN, s->height - 1);
    effect e = {1.0f, 0.0f};
    double limit = INFINITY;
    for (int round = 0; round < 3; round++) {
        double n = 1e-9, su = 0, sv = 0, suu = 0, suv = 0, unsure = 0, miss = 0;
        for (int pass = 0; pass < 2; pass++) {
            for (int r = first; r <= last; r += 2) {
                /* the same place of the ridge, which may lie between two pixels there */
                const double u = (double)ground_at(s, c, r, (float)column + s->off[r] - s->off[y]);
                const double v = (double)seen_at(s, c, r, (float)column + s->off[r] - s->off[y]);
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

#define KNOT 4 /* rows from one measured effect to the next: each is of many rows */

/* Effects of all columns and channels at every KNOT-th row; g_free. */
static effect *measure_effects(const strip *s)
{
    const int columns = 2 * s->half + 1, knots = (s->height + KNOT - 2) / KNOT + 1;
    effect *e = g_new(effect, knots * columns * 3), *next = e;
    for (int j = 0; j < knots; j++)
        for (int k = -s->half; k <= s->half; k++)
            for (int c = 0; c < 3; c++)
                *next++ = measure_effect(s, c, k, MIN(j * KNOT, s->height - 1));
    return e;
}

/* The effects at a knot of the place that lies at column k of row y: the ridge moves between pixels
 * from row to row. */
static void effect_of_knot(effect e[3], const effect *knots, const strip *s, int knot, int k, int y)
{
    const int at_row = MIN(knot * KNOT, s->height - 1), columns = 2 * s->half + 1;
    const float at =
        CLAMP((float)(k + s->half) + s->off[at_row] - s->off[y], 0.0f, (float)columns - 1.0f);
    const int left = MIN((int)at, columns - 2);
    const float f = at - (float)left;
    const effect *a = knots + 3 * (knot * columns + left), *b = a + 3;
    for (int c = 0; c < 3; c++)
        e[c] = (effect){a[c].through + f * (b[c].through - a[c].through),
                        a[c].own + f * (b[c].own - a[c].own)};
}

static void effect_at(effect e[3], const effect *knots, const strip *s, int k, int y)
{
    effect below[3];
    const float f = (float)(y % KNOT) / KNOT;
    effect_of_knot(e, knots, s, y / KNOT, k, y);
    if (y % KNOT == 0)
        return;
    effect_of_knot(below, knots, s, y / KNOT + 1, k, y);
    for (int c = 0; c < 3; c++) {
        e[c].through += f * (below[c].through - e[c].through);
        e[c].own += f * (below[c].own - e[c].own);
    }
}

/* How far what shows through may be used: not where hardly anything does, which would raise the
 * grain with it. The channels go together, or grain would turn into colour. */
static float trust_of(const effect e[3])
{
    const float least = MIN(MIN(e[0].through, e[1].through), e[2].through);
    return CLAMP((least - 0.5f * LEAST_THROUGH) / (0.5f * LEAST_THROUGH), 0.0f, 1.0f);
}

/* What would be there without the scratch: what shows through, never far from the ground that both
 * sides tell of. */
static float without(effect e, float trust, float v, float ground)
{
    float seen = (v - e.own) / MAX(e.through, LEAST_THROUGH);
    seen = CLAMP(seen, 0.6f * ground - 0.002f, 1.6f * ground + 0.004f);
    return MAX(ground + trust * (seen - ground), 0.0f);
}

/* Twice the mean over 2 reach + 1 rows (fewer at the ends), of one column, in place. */
static void smooth_column(float *v, int height, int reach, float *room)
{
    for (int turn = 0; turn < 2; turn++) {
        const float *in = turn ? room : v;
        float *out = turn ? v : room;
        double sum = 0.0;
        for (int y = 0; y < MIN(reach, height); y++)
            sum += (double)in[y];
        for (int y = 0; y < height; y++) {
            if (y + reach < height)
                sum += (double)in[y + reach];
            if (y - reach > 0)
                sum -= (double)in[y - reach - 1];
            out[y] = (float)(sum / (MIN(y + reach, height - 1) - MAX(y - reach, 0) + 1));
        }
    }
}

#define STREAK 200  /* a part of the height: rows over which a column is brought to its ground */
#define PART   0.5f /* of what was taken off that this may change */
#define SKIRT  0.7f /* share of the outermost columns */

/* One column of a repair, by channels: what was there, what is put there, and what that takes off,
 * smoothed along the line. */
typedef struct mended {
    float *now[3], *after[3], *taken[3], *lack, *room;
} mended;

static void mend_column(mended *m, const strip *s, const effect *knots, int k)
{
    const int columns = 2 * s->half + 1, middle = s->half + REACH;
    for (int y = 0; y < s->height; y++) {
        effect e[3];
        effect_at(e, knots, s, k, y);
        const float trust = trust_of(e);
        for (int c = 0; c < 3; c++) {
            m->now[c][y] = s->px[c][y * s->width + middle + k];
            m->after[c][y] =
                without(e[c], trust, m->now[c][y], s->ground[c][y * columns + k + s->half]);
        }
    }
}

/* The effect was measured over many rows, so what it misses of a column runs on over many rows: to
 * the eye a thin line. Over some rows the mean of what is put there is therefore brought to what
 * both sides say, by no more than a part of what was taken off; what is finer along the line and
 * shows through stays. */
static void take_off_streaks(mended *m, const strip *s, int k)
{
    const int columns = 2 * s->half + 1, reach = MAX(2, s->height / STREAK);
    for (int c = 0; c < 3; c++) {
        for (int y = 0; y < s->height; y++) {
            m->lack[y] = s->ground[c][y * columns + k + s->half] - m->after[c][y];
            m->taken[c][y] = m->now[c][y] - m->after[c][y];
        }
        smooth_column(m->lack, s->height, reach, m->room);
        smooth_column(m->taken[c], s->height, reach, m->room);
        for (int y = 0; y < s->height; y++) {
            const float most = PART * fabsf(m->taken[c][y]);
            const float by = CLAMP(m->lack[y], -most, most);
            m->after[c][y] = MAX(m->after[c][y] + by, 0.0f);
            m->taken[c][y] -= by;
        }
    }
}

static int64_t put_column(rw_frame *frame, const mended *m, const strip *s, int k, int sign,
                          uint8_t *mask)
{
    int64_t changed = 0;
    for (int y = 0; y < s->height; y++) {
        const int x = s->centre[y] + k;
        /* against the sign of the track it is no scratch */
        const float taken = 0.25f * (m->taken[0][y] + m->taken[2][y]) + 0.5f * m->taken[1][y];
        if (x < 0 || x >= frame->width || (float)sign * taken < 0.0f)
            continue;
        const float share = abs(k) == s->half ? SKIRT : 1.0f;
        for (int c = 0; c < 3; c++)
            frame->plane[c][y * frame->stride + x] =
                m->now[c][y] + share * (m->after[c][y] - m->now[c][y]);
        if (mask)
            mask[y * frame->width + x] = 255;
        changed++;
    }
    return changed;
}

int64_t rw_scratch_repair(rw_frame *frame, const rw_scratch_line *line, uint8_t *mask)
{
    if (!frame->plane[1])
        return 0;
    strip s = {.height = frame->height};
    s.half = CLAMP((int)ceil(0.5 * (double)line->width * frame->width + 0.8), 1, 40);
    s.centre = g_new(int, s.height);
    s.off = g_new(float, s.height);
    follow_ridge(&s, frame, line);
    s.half = measure_half(&s, frame, line->sign);
    s.width = 2 * (s.half + REACH) + 1;
    const int columns = 2 * s.half + 1;
    float *data = g_new(float, (3 * (s.width + columns + 1) + 11) * s.height), *next = data;
    for (int c = 0; c < 3; c++) {
        s.px[c] = next;
        s.ground[c] = s.px[c] + s.width * s.height;
        s.unsure[c] = s.ground[c] + columns * s.height;
        next = s.unsure[c] + s.height;
    }
    mended m;
    float **const rows[11] = {&m.now[0],   &m.now[1],   &m.now[2],   &m.after[0],
                              &m.after[1], &m.after[2], &m.taken[0], &m.taken[1],
                              &m.taken[2], &m.lack,     &m.room};
    for (int i = 0; i < 11; i++, next += s.height)
        *rows[i] = next;
    cut_strip(&s, frame);
    effect *knots = measure_effects(&s);
    int64_t changed = 0;
    for (int k = -s.half; k <= s.half; k++) {
        mend_column(&m, &s, knots, k);
        take_off_streaks(&m, &s, k);
        changed += put_column(frame, &m, &s, k, line->sign, mask);
    }
    g_free(s.centre);
    g_free(s.off);
    g_free(data);
    g_free(knots);
    return changed;
}
