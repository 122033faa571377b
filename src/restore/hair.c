/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "restore/hair.h"

#define LOOK_VERSION 2
#define EDGE         6 /* px round the picture by which it is continued, as it is at its edge */

/* ---- one frame ---- */

static void root_luma(float *out, const rw_frame *f, int y)
{
    const bool colour = f->plane[1] != NULL;
    const float *r = f->plane[0] + y * f->stride;
    const float *g = colour ? f->plane[1] + y * f->stride : r;
    const float *b = colour ? f->plane[2] + y * f->stride : r;
    for (int x = 0; x < f->width; x++) {
        const float l = 0.25f * (r[x] + b[x]) + 0.5f * g[x];
        out[x] = sqrtf(l > 0.0f ? l : 0.0f);
    }
}

/* Roots of luma, EDGE px larger on every side. */
static void fill_roots(float *v, const rw_frame *f)
{
    const int stride = f->width + 2 * EDGE, rows = f->height + 2 * EDGE;
    for (int y = 0; y < rows; y++) {
        float *row = v + y * stride;
        root_luma(row + EDGE, f, CLAMP(y - EDGE, 0, f->height - 1));
        for (int x = 0; x < EDGE; x++) {
            row[x] = row[EDGE];
            row[stride - 1 - x] = row[stride - 1 - EDGE];
        }
    }
}

/* How much darker a place is than both sides of it, in the direction where that is most. */
static float thinness(const float *p, int stride)
{
    static const int way[4][2] = {{4, 0}, {0, 4}, {3, 3}, {3, -3}};
    /* three pixels long along the hair, so that grain is no hair */
    float best = 0.0f;
    for (int k = 0; k < 4; k++) {
        const int s = way[k][1] * stride + way[k][0];
        const int along = k == 0 ? stride : k == 1 ? 1 : k == 2 ? -stride + 1 : stride + 1;
        const float here = (p[0] + p[along] + p[-along]) / 3.0f;
        const float a = (p[s] + p[s + along] + p[s - along]) / 3.0f - here;
        const float b = (p[-s] + p[-s + along] + p[-s - along]) / 3.0f - here;
        best = MAX(best, MIN(a, b));
    }
    return best / (p[0] + 0.25f);
}

#define LEAST_THIN 21 /* of 256 */

/* The lowest bar over which no more than `most` lie. */
static int bar_for(const int histogram[256], int most)
{
    int bar = 256, kept = 0;
    while (bar > LEAST_THIN && kept + histogram[bar - 1] <= most)
        kept += histogram[--bar];
    return bar;
}

/* Adds the places from bar to below top. */
static void keep_points(rw_hair_look *look, const float *thin, int w, int h, int bar, int top,
                        const rw_affine *film_to_camera)
{
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            const int t = CLAMP((int)(thin[y * w + x] * 256.0f), 0, 255);
            if (t < bar || t >= top || look->count >= RW_HAIR_POINTS)
                continue;
            const rw_point c = rw_affine_apply(*film_to_camera, x, y);
            if (c.x < 0 || c.y < 0 || c.x > 65534 || c.y > 65534)
                continue;
            look->point[look->count++] =
                (rw_hair_point){(uint16_t)lrint(c.x), (uint16_t)lrint(c.y)};
        }
}

bool rw_hair_measure(rw_hair_look *look, rw_pool *pool, const rw_frame *now, GError **error)
{
    memset(look, 0, sizeof *look);
    look->version = LOOK_VERSION;
    const int w = now->width, h = now->height, stride = w + 2 * EDGE;
    look->width = w;
    look->height = h;
    look->scale = (float)sqrt(fabs(rw_affine_determinant(now->still_to_frame)));
    rw_affine to_still;
    if (look->scale <= 0.0f || !rw_affine_invert(now->still_to_frame, &to_still))
        return true; /* nowhere to write it down */
    const rw_affine larger = {{{(double)look->scale, 0, 0}, {0, (double)look->scale, 0}}};
    const rw_affine film_to_camera = rw_affine_then(to_still, larger);
    if (!rw_affine_invert(film_to_camera, &look->camera_to_film))
        return true;
    const size_t padded = (size_t)stride * (size_t)(h + 2 * EDGE);
    rw_buffer *buffer = rw_pool_take(pool, (padded + (size_t)w * (size_t)h) * sizeof(float), error);
    if (!buffer)
        return false;
    float *v = rw_buffer_data(buffer), *thin = v + padded;
    fill_roots(v, now);
    int histogram[256] = {0};
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            const float t = thinness(v + (y + EDGE) * stride + x + EDGE, stride);
            thin[y * w + x] = t;
            histogram[CLAMP((int)(t * 256.0f), 0, 255)]++;
        }
    /* the plain ones first, then as many faint ones as there is room for */
    const int bar = bar_for(histogram, RW_HAIR_PLAIN), least = bar_for(histogram, RW_HAIR_POINTS);
    keep_points(look, thin, w, h, bar, 256, &film_to_camera);
    look->plain = look->count;
    keep_points(look, thin, w, h, least, bar, &film_to_camera);
    rw_buffer_unref(&buffer);
    return true;
}

/* ---- a scene ---- */

#define SPAN   16 /* frames that are weighed together */
#define STRIDE 8

typedef struct map {
    int x0, y0, width, height;
    uint8_t *count;
} map;

static map map_new(int x0, int y0, int x1, int y1)
{
    map m = {x0, y0, x1 - x0 + 1, y1 - y0 + 1, NULL};
    m.count = g_malloc0((gsize)m.width * (gsize)m.height);
    return m;
}

/* Counts each frame at most once per place, with one pixel of latitude. */
static void add_look(map *m, const rw_hair_look *look, int count, bool on_film, uint8_t *seen)
{
    memset(seen, 0, (size_t)m->width * (size_t)m->height);
    for (int i = 0; i < count; i++) {
        double px = look->point[i].x, py = look->point[i].y;
        if (on_film) {
            const rw_point p = rw_affine_apply(look->camera_to_film, px, py);
            px = p.x;
            py = p.y;
        }
        const int x = (int)lrint(px) - m->x0, y = (int)lrint(py) - m->y0;
        if (x >= 0 && y >= 0 && x < m->width && y < m->height)
            seen[y * m->width + x] = 1;
    }
    for (int k = 0; k < m->width * m->height; k++)
        m->count[k] = (uint8_t)(m->count[k] + seen[k]);
}

/* Counts the frames whose picture holds a place: near the edges weave takes it in and out. */
static void add_view(map *m, const rw_hair_look *look)
{
    rw_affine film_to_camera;
    if (!rw_affine_invert(look->camera_to_film, &film_to_camera))
        return;
    const rw_point a = rw_affine_apply(film_to_camera, 0, 0);
    const rw_point b = rw_affine_apply(film_to_camera, look->width - 1, look->height - 1);
    const int x0 = MAX((int)ceil(MIN(a.x, b.x)) - m->x0, 0);
    const int y0 = MAX((int)ceil(MIN(a.y, b.y)) - m->y0, 0);
    const int x1 = MIN((int)floor(MAX(a.x, b.x)) - m->x0, m->width - 1);
    const int y1 = MIN((int)floor(MAX(a.y, b.y)) - m->y0, m->height - 1);
    for (int y = y0; y <= y1; y++)
        for (int x = x0; x <= x1; x++)
            m->count[y * m->width + x]++;
}

static uint8_t most_around(const map *m, int x, int y, int reach)
{
    uint8_t most = 0;
    for (int j = MAX(y - reach, 0); j <= MIN(y + reach, m->height - 1); j++)
        for (int i = MAX(x - reach, 0); i <= MIN(x + reach, m->width - 1); i++)
            most = MAX(most, m->count[j * m->width + i]);
    return most;
}

typedef struct patch {
    int x0, y0, x1, y1;
    GArray *place;
} patch;

static void gather_patch(const map *m, uint8_t *open, int32_t seed, patch *p)
{
    p->place = g_array_new(FALSE, FALSE, sizeof(int32_t));
    p->x0 = p->x1 = seed % m->width;
    p->y0 = p->y1 = seed / m->width;
    open[seed] = 0;
    g_array_append_val(p->place, seed);
    for (guint i = 0; i < p->place->len; i++) {
        const int32_t at = g_array_index(p->place, int32_t, i);
        const int x = at % m->width, y = at / m->width;
        p->x0 = MIN(p->x0, x);
        p->x1 = MAX(p->x1, x);
        p->y0 = MIN(p->y0, y);
        p->y1 = MAX(p->y1, y);
        for (int j = MAX(y - 2, 0); j <= MIN(y + 2, m->height - 1); j++)
            for (int k = MAX(x - 2, 0); k <= MIN(x + 2, m->width - 1); k++) {
                int32_t next = j * m->width + k;
                if (!open[next])
                    continue;
                open[next] = 0;
                g_array_append_val(p->place, next);
            }
    }
}

/* The maps of a span of frames. */
typedef struct span_maps {
    map camera, film;         /* of plain places */
    map all_camera, all_film; /* and of faint ones, too */
    map view;
} span_maps;

/* A hair is long, thin, and firmer in the camera than on the film. */
static bool is_hair(const patch *p, const span_maps *m, const rw_affine *camera_to_film)
{
    const int w = p->x1 - p->x0 + 1, h = p->y1 - p->y0 + 1;
    const double length = hypot(w, h), area = p->place->len;
    if (length < 14 || area > 9.0 * length)
        return false;
    double on_camera = 0.0, on_film = 0.0, seen = 1e-9;
    for (guint i = 0; i < p->place->len; i++) {
        const int32_t at = g_array_index(p->place, int32_t, i);
        const double cx = at % m->camera.width + m->camera.x0;
        const double cy = at / m->camera.width + m->camera.y0;
        const rw_point f = rw_affine_apply(*camera_to_film, cx, cy);
        const int fx = (int)lrint(f.x) - m->film.x0, fy = (int)lrint(f.y) - m->film.y0;
        if (fx < 0 || fy < 0 || fx >= m->film.width || fy >= m->film.height)
            continue; /* outside the picture: nothing is known of it on the film */
        on_camera += m->camera.count[at] / (double)m->view.count[at];
        on_film += most_around(&m->film, fx, fy, 1) / (double)SPAN;
        seen += 1.0;
    }
    on_camera /= seen;
    on_film /= seen;
    return seen > 0.5 * area && on_camera > 0.72 && on_camera - on_film > 0.04;
}

#define FAINT 0.25 /* of the frames in which a hair shows where the ground is nearly as dark */
#define MORE  0.12 /* and by how much that is more than what shows on the film there */

static bool goes_on(const span_maps *m, const rw_affine *camera_to_film, int x, int y)
{
    const int at = y * m->camera.width + x;
    const double view = m->view.count[at], seen = m->all_camera.count[at];
    if (view < SPAN / 2 || seen < FAINT * view)
        return false;
    const rw_point f = rw_affine_apply(*camera_to_film, x + m->camera.x0, y + m->camera.y0);
    const int fx = (int)lrint(f.x) - m->film.x0, fy = (int)lrint(f.y) - m->film.y0;
    if (fx < 0 || fy < 0 || fx >= m->film.width || fy >= m->film.height)
        return true;
    return seen / view > most_around(&m->all_film, fx, fy, 1) / (double)SPAN + MORE;
}

/* Adds to a hair what goes on from it and is not plain enough to begin one. */
static void grow_patch(patch *p, const span_maps *m, const rw_affine *camera_to_film,
                       uint8_t *taken)
{
    memset(taken, 0, (size_t)m->camera.width * (size_t)m->camera.height);
    for (guint i = 0; i < p->place->len; i++)
        taken[g_array_index(p->place, int32_t, i)] = 1;
    for (guint i = 0; i < p->place->len; i++) {
        const int32_t at = g_array_index(p->place, int32_t, i);
        const int x = at % m->camera.width, y = at / m->camera.width;
        for (int j = MAX(y - 2, 0); j <= MIN(y + 2, m->camera.height - 1); j++)
            for (int k = MAX(x - 2, 0); k <= MIN(x + 2, m->camera.width - 1); k++) {
                const int32_t next = j * m->camera.width + k;
                if (taken[next] || !goes_on(m, camera_to_film, k, j))
                    continue;
                taken[next] = 1;
                g_array_append_val(p->place, next);
            }
    }
}

static void bounds(const rw_hair_look *const *looks, size_t count, bool on_film, int box[4])
{
    box[0] = box[1] = G_MAXINT;
    box[2] = box[3] = G_MININT;
    for (size_t i = 0; i < count; i++)
        for (int k = 0; k < looks[i]->count; k++) {
            double x = looks[i]->point[k].x, y = looks[i]->point[k].y;
            if (on_film) {
                const rw_point p = rw_affine_apply(looks[i]->camera_to_film, x, y);
                x = p.x;
                y = p.y;
            }
            box[0] = MIN(box[0], (int)lrint(x));
            box[1] = MIN(box[1], (int)lrint(y));
            box[2] = MAX(box[2], (int)lrint(x));
            box[3] = MAX(box[3], (int)lrint(y));
        }
}

static void write_hair(GByteArray *facts, const rw_hair_look *look, const map *m,
                       const GArray *place, int64_t first, int64_t last)
{
    const rw_hair hair = {first, last, look->scale, (int32_t)place->len};
    g_byte_array_append(facts, (const guint8 *)&hair, sizeof hair);
    for (guint i = 0; i < place->len; i++) {
        const int32_t at = g_array_index(place, int32_t, i);
        const rw_hair_point p = {(uint16_t)(at % m->width + m->x0),
                                 (uint16_t)(at / m->width + m->y0)};
        g_byte_array_append(facts, (const guint8 *)&p, sizeof p);
    }
    static const guint8 nothing[8] = {0};
    if (facts->len % 8)
        g_byte_array_append(facts, nothing, 8 - facts->len % 8);
}

/* Share of the hair's places at which the frame shows something thin and dark. */
static double presence(const map *m, const GArray *place, const rw_hair_look *look, uint8_t *seen)
{
    memset(seen, 0, (size_t)m->width * (size_t)m->height);
    for (int i = 0; i < look->plain; i++) {
        const int x = look->point[i].x - m->x0, y = look->point[i].y - m->y0;
        if (x >= 0 && y >= 0 && x < m->width && y < m->height)
            seen[y * m->width + x] = 1;
    }
    int hits = 0;
    for (guint i = 0; i < place->len; i++)
        hits += seen[g_array_index(place, int32_t, i)];
    return hits / (double)place->len;
}

#define PRESENT 0.4 /* of the places: the hair is there; a few may drown in dark ground */
#define AWAY    3   /* frames in a row without it end its life */

/* The life of a hair round the span that showed it. */
static void measure_life(const map *m, const GArray *place, const rw_hair_look *const *looks,
                         size_t count, size_t middle, uint8_t *seen, size_t *first, size_t *last)
{
    *first = *last = middle;
    int away = 0;
    for (size_t i = middle; i-- > 0 && away < AWAY;) {
        const bool there = presence(m, place, looks[i], seen) > PRESENT;
        away = there ? 0 : away + 1;
        if (there)
            *first = i;
    }
    away = 0;
    for (size_t i = middle + 1; i < count && away < AWAY; i++) {
        const bool there = presence(m, place, looks[i], seen) > PRESENT;
        away = there ? 0 : away + 1;
        if (there)
            *last = i;
    }
}

static void map_clear(map *m)
{
    g_free(m->count);
}

static void fill_maps(span_maps *m, const rw_hair_look *const *looks, uint8_t *seen)
{
    map *const each[] = {&m->camera, &m->film, &m->all_camera, &m->all_film, &m->view};
    for (size_t k = 0; k < G_N_ELEMENTS(each); k++)
        memset(each[k]->count, 0, (size_t)each[k]->width * (size_t)each[k]->height);
    for (size_t i = 0; i < SPAN; i++) {
        add_look(&m->camera, looks[i], looks[i]->plain, false, seen);
        add_look(&m->film, looks[i], looks[i]->plain, true, seen);
        add_look(&m->all_camera, looks[i], looks[i]->count, false, seen);
        add_look(&m->all_film, looks[i], looks[i]->count, true, seen);
        add_view(&m->view, looks[i]);
    }
}

int rw_hair_gather(const rw_hair_look *const *looks, const int64_t *n, size_t count,
                   GByteArray *facts)
{
    if (count < SPAN)
        return 0;
    int cam[4], fil[4], found = 0;
    bounds(looks, count, false, cam);
    bounds(looks, count, true, fil);
    if (cam[0] > cam[2] || cam[2] - cam[0] > 8000 || cam[3] - cam[1] > 8000)
        return 0;
    span_maps m = {map_new(cam[0], cam[1], cam[2], cam[3]), map_new(fil[0], fil[1], fil[2], fil[3]),
                   map_new(cam[0], cam[1], cam[2], cam[3]), map_new(fil[0], fil[1], fil[2], fil[3]),
                   map_new(cam[0], cam[1], cam[2], cam[3])};
    const int places = m.camera.width * m.camera.height;
    const size_t room = (size_t)MAX(places, m.film.width * m.film.height);
    uint8_t *seen = g_malloc(room), *open = g_malloc(room);
    for (size_t first = 0; first + SPAN <= count; first += STRIDE) {
        /* the last span ends with the scene */
        const size_t begin = first + SPAN + STRIDE > count ? count - SPAN : first;
        fill_maps(&m, looks + begin, seen);
        for (int k = 0; k < places; k++)
            open[k] = m.view.count[k] >= SPAN / 2 && m.camera.count[k] * 10 >= m.view.count[k] * 6;
        for (int32_t k = 0; k < places; k++) {
            if (!open[k])
                continue;
            patch p;
            gather_patch(&m.camera, open, k, &p);
            if (is_hair(&p, &m, &looks[begin + SPAN / 2]->camera_to_film)) {
                size_t a, b;
                measure_life(&m.camera, p.place, looks, count, begin + SPAN / 2, seen, &a, &b);
                grow_patch(&p, &m, &looks[begin + SPAN / 2]->camera_to_film, seen);
                write_hair(facts, looks[begin], &m.camera, p.place, n[a], n[b]);
                found++;
            }
            g_array_unref(p.place);
        }
        if (begin + SPAN == count)
            break;
    }
    g_free(seen);
    g_free(open);
    map_clear(&m.camera);
    map_clear(&m.film);
    map_clear(&m.all_camera);
    map_clear(&m.all_film);
    map_clear(&m.view);
    return found;
}

const rw_hair *rw_hair_next(const void *facts, size_t bytes, const rw_hair *hair)
{
    const char *base = facts, *at = base;
    if (hair) {
        const size_t size = sizeof *hair + (size_t)hair->count * sizeof(rw_hair_point);
        at = (const char *)hair + ((size + 7) & ~(size_t)7);
    }
    return at + sizeof *hair <= base + bytes ? (const rw_hair *)(const void *)at : NULL;
}

/* ---- repair ---- */

bool rw_hair_mark(uint8_t *mask, const rw_frame *f, const void *facts, size_t bytes)
{
    bool any = false;
    memset(mask, 0, (size_t)f->width * (size_t)f->height);
    for (const rw_hair *h = rw_hair_next(facts, bytes, NULL); h;
         h = rw_hair_next(facts, bytes, h)) {
        if (f->n < h->first || f->n > h->last)
            continue;
        const rw_hair_point *p = (const rw_hair_point *)(h + 1);
        const double ratio =
            sqrt(fabs(rw_affine_determinant(f->still_to_frame))) / (double)h->scale;
        const int reach = MAX(1, (int)ceil(ratio * 1.3));
        for (int i = 0; i < h->count; i++) {
            const rw_point c = rw_affine_apply(f->still_to_frame, p[i].x / (double)h->scale,
                                               p[i].y / (double)h->scale);
            const int x = (int)lrint(c.x), y = (int)lrint(c.y);
            for (int b = -reach; b <= reach; b++)
                for (int a = -reach; a <= reach; a++)
                    if (x + a >= 0 && y + b >= 0 && x + a < f->width && y + b < f->height) {
                        mask[(y + b) * f->width + x + a] = 1;
                        any = true;
                    }
        }
    }
    return any;
}

static float bilinear(const rw_frame *f, int c, double x, double y)
{
    x = CLAMP(x, 0.0, f->width - 1.001);
    y = CLAMP(y, 0.0, f->height - 1.001);
    const int i = (int)x, j = (int)y;
    const float fx = (float)(x - i), fy = (float)(y - j);
    const float *p = f->plane[c] + j * f->stride + i;
    const float a = p[0] + fx * (p[1] - p[0]),
                b = p[f->stride] + fx * (p[f->stride + 1] - p[f->stride]);
    return a + fy * (b - a);
}

/* Vector of the ground: the mean over places around that no hair covers. */
static bool ground_vector(const rw_motion_field *f, const uint8_t *mask, int width, int height,
                          int x, int y, double v[2])
{
    double sum[2] = {0, 0}, n = 0;
    for (int j = -3; j <= 3; j++)
        for (int i = -3; i <= 3; i++) {
            const int px = x + 6 * i, py = y + 6 * j;
            if (px < 0 || py < 0 || px >= width || py >= height || mask[py * width + px])
                continue;
            const ptrdiff_t o = (py / RW_MOTION_CELL) * f->stride + px / RW_MOTION_CELL;
            const double w = 0.05 + (double)f->trust[o];
            sum[0] += w * (double)f->dx[o];
            sum[1] += w * (double)f->dy[o];
            n += w;
        }
    if (n < 0.5)
        return false;
    v[0] = sum[0] / n;
    v[1] = sum[1] / n;
    return true;
}

/* From both sides: the nearest uncovered pixels in eight directions, the near ones the more. */
static void draw_in(const rw_frame *f, const uint8_t *mask, int x, int y, float rgb[3])
{
    static const int way[8][2] = {{1, 0}, {-1, 0},  {0, 1},  {0, -1},
                                  {1, 1}, {-1, -1}, {1, -1}, {-1, 1}};
    float sum[3] = {0}, weight = 0.0f;
    for (int k = 0; k < 8; k++)
        for (int s = 1; s < 24; s++) {
            const int px = x + s * way[k][0], py = y + s * way[k][1];
            if (px < 0 || py < 0 || px >= f->width || py >= f->height)
                break;
            if (mask[py * f->width + px])
                continue;
            const float d = (float)s * (k < 4 ? 1.0f : 1.414f), w = 1.0f / (d * d);
            for (int c = 0; c < 3; c++)
                sum[c] += w * f->plane[c][py * f->stride + px];
            weight += w;
            break;
        }
    for (int c = 0; c < 3; c++)
        rgb[c] = weight > 0.0f ? sum[c] / weight : f->plane[c][y * f->stride + x];
}

int64_t rw_hair_repair(rw_frame *out, const rw_hair_window *w, const void *facts, size_t bytes,
                       const uint8_t *own)
{
    const rw_frame *now = w->now;
    if (!now->plane[1])
        return 0;
    uint8_t *other[4] = {NULL};
    int64_t changed = 0;
    for (int k = 0; k < 4; k++)
        if (w->near[k] && w->field[k]) {
            other[k] = g_malloc((gsize)now->width * (gsize)now->height);
            rw_hair_mark(other[k], w->near[k], facts, bytes);
        }
    for (int y = 0; y < now->height; y++)
        for (int x = 0; x < now->width; x++) {
            if (!own[y * now->width + x])
                continue;
            float sum[3] = {0}, n = 0.0f, drawn[3];
            draw_in(now, own, x, y, drawn);
            for (int k = 0; k < 4; k++) {
                double v[2];
                if (!other[k] || !ground_vector(w->field[k], own, now->width, now->height, x, y, v))
                    continue;
                const int px = (int)lrint(x + v[0]), py = (int)lrint(y + v[1]);
                if (px < 1 || py < 1 || px >= now->width - 1 || py >= now->height - 1 ||
                    other[k][py * now->width + px])
                    continue;
                for (int c = 0; c < 3; c++)
                    sum[c] += bilinear(w->near[k], c, x + v[0], y + v[1]);
                n += 1.0f;
            }
            for (int c = 0; c < 3; c++)
                out->plane[c][y * out->stride + x] = n > 0.0f ? sum[c] / n : drawn[c];
            changed++;
        }
    for (int k = 0; k < 4; k++)
        g_free(other[k]);
    return changed;
}
