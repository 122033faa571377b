/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The whole reel weighed: how large and how turned the film is changes slowly and is taken over
 * many frames; where it lies is taken from each frame's own sides.
 *
 * Everything is kept relative to a pivot, the usual place of a hole, in axes turned with the film:
 *     still = pivot + a.across * x(angle) + a.along * y(angle)      for the film's origin.
 */
#include <math.h>
#include <string.h>

#include "gate/coarse.h"
#include "gate/edge.h"
#include "gate/path.h"

#define SLOW     50   /* frames on either side of a slow path */
#define NEAR     12   /* and of the path that a frame is held to */
#define FLOOR_PX 0.01 /* no side is known better */
#define USED     0.3  /* share of inliers from which a side is used for the place */
#define SOUND    0.85 /* and for the size */
#define MAX_ANISOTROPY                                                                             \
    0.004 /* film shrinks a little more along than across; not more than this                      \
           */

enum { ACROSS, ALONG };

typedef struct solver {
    const rw_gauge *gauge;
    const rw_gate_sight *sights;
    size_t n;
    rw_gate_side side;
    rw_point pivot;
    double half[2]; /* of a hole, film mm */
    gate_series *angle, *scale[2], *place[2];
    gate_series *halo;         /* of the frames whose clear light is clipped */
    gate_series *growth[2][2]; /* [clipped][axis]: how much farther out than the scale says a side
                                * shows, px */
    bool by_pitch;             /* the scale along the film comes from the holes' distance */
    bool clipped_vote;         /* there are too few frames of unclipped light to do without */
    rw_point anchor;           /* film mm: the place whose path is followed */
    double *conflict;          /* per frame: worst disagreement of a side that was left out, px */
    double edge_x;  /* where the film's edge shows on this reel, film mm; NAN when it does not
                     * move with the film */
    double edge_sd; /* px */
} solver;

static bool usable(const rw_gate_sight *s)
{
    return s->version == RW_GATE_VERSION && s->n_holes > 0 && s->confidence > 0.05 &&
           s->stored_width > 0;
}

static bool fits_reel(const solver *v, size_t i)
{
    return usable(&v->sights[i]) && v->sights[i].side == (int32_t)v->side;
}

static rw_gate_side common_side(const rw_gate_sight *sights, size_t n)
{
    double vote[RW_SIDE_BOTTOM + 1] = {0};
    for (size_t i = 0; i < n; i++)
        if (usable(&sights[i]) && sights[i].side > 0 && sights[i].side <= RW_SIDE_BOTTOM)
            vote[sights[i].side] += sights[i].confidence;
    int best = RW_SIDE_UNKNOWN;
    for (int s = RW_SIDE_LEFT; s <= RW_SIDE_BOTTOM; s++)
        if (vote[s] > vote[best])
            best = s;
    return (rw_gate_side)best;
}

static const rw_hole_sight *hole_of(const rw_gate_sight *s, int index)
{
    for (int i = 0; i < s->n_holes; i++)
        if (s->hole[i].index == index)
            return &s->hole[i];
    return NULL;
}

/* A point on a side's line, relative to the pivot. */
static rw_point side_point(const solver *v, const rw_hole_sight *h, int side)
{
    gate_axes a = gate_axes_of(v->side, h->angle);
    rw_point n = gate_side_normal(&a, side);
    const rw_side_sight *s = &h->side[side];
    return (rw_point){h->cx + n.x * s->offset - n.y * s->along - v->pivot.x,
                      h->cy + n.y * s->offset + n.x * s->along - v->pivot.y};
}

static double along_axis(rw_point axis, rw_point p)
{
    return axis.x * p.x + axis.y * p.y;
}

static int axis_of(int side)
{
    return side == RW_SIDE_OUTER || side == RW_SIDE_INNER ? ACROSS : ALONG;
}

static double sign_of(int side)
{
    return side == RW_SIDE_OUTER || side == RW_SIDE_BEFORE ? -1 : 1;
}

/* ---- angle ---- */

enum { FROM_HOLES, FROM_PAIRS, FROM_EDGE, ANGLE_SOURCES };

typedef struct mean {
    double sum, weight;
} mean;

static void mean_add(mean *m, double value, double sd)
{
    if (!isfinite(sd))
        return;
    double w = 1 / (sd * sd + 1e-24);
    m->sum += w * value;
    m->weight += w;
}

static void mean_store(const mean *m, gate_series *s, size_t i)
{
    if (m->weight > 0) {
        s->value[i] = m->sum / m->weight;
        s->sd[i] = sqrt(1 / m->weight);
    }
}

static bool side_sound(const rw_hole_sight *h, int side)
{
    return h->side[side].inliers >= SOUND && isfinite(h->side[side].sd);
}

/* Two holes' like sides lie on one line along the film. */
static void angle_from_pair(const solver *v, const rw_hole_sight *p, const rw_hole_sight *q,
                            mean *m)
{
    if (p->index == q->index)
        return;
    gate_axes a = gate_axes_of(v->side, p->angle);
    for (int side = RW_SIDE_OUTER; side <= RW_SIDE_INNER; side++) {
        if (!side_sound(p, side) || !side_sound(q, side))
            continue;
        rw_point s = side_point(v, p, side), t = side_point(v, q, side);
        rw_point d = {t.x - s.x, t.y - s.y};
        double turned = -a.x.y * d.x + a.x.x * d.y; /* along the x axis turned by a quarter */
        double sd = hypot(hypot(p->side[side].sd, q->side[side].sd), FLOOR_PX) / fabs(turned);
        mean_add(m, p->angle - along_axis(a.x, d) / turned, sd);
    }
}

static void gather_angles(const solver *v, gate_series *const *source)
{
    for (size_t i = 0; i < v->n; i++) {
        if (!fits_reel(v, i))
            continue;
        const rw_gate_sight *s = &v->sights[i];
        mean holes = {0, 0}, pairs = {0, 0};
        for (int k = 0; k < s->n_holes; k++) {
            const rw_hole_sight *h = &s->hole[k];
            if (h->inliers > 0.5)
                mean_add(&holes, h->angle, MAX(h->angle_sd, 1e-6) * (h->damaged ? 3 : 1));
            for (int l = k + 1; l < s->n_holes; l++)
                angle_from_pair(v, h, &s->hole[l], &pairs);
        }
        mean_store(&holes, source[FROM_HOLES], i);
        mean_store(&pairs, source[FROM_PAIRS], i);
        if (s->film_edge_found && isfinite(s->film_edge_angle_sd)) {
            source[FROM_EDGE]->value[i] = s->film_edge_angle;
            source[FROM_EDGE]->sd[i] = MAX(s->film_edge_angle_sd, 1e-6);
        }
    }
}

/* Median difference of two sources and how much larger it scatters than the sds allow. */
static bool compare_sources(const gate_series *a, const gate_series *b, double *offset,
                            double *factor)
{
    double *d = g_new(double, a->n + 1), *r = g_new(double, a->n + 1);
    size_t n = 0;
    for (size_t i = 0; i < a->n; i++)
        if (isfinite(a->sd[i]) && isfinite(b->sd[i]))
            d[n++] = a->value[i] - b->value[i];
    *offset = gate_median(d, (int)n);
    n = 0;
    for (size_t i = 0; i < a->n; i++)
        if (isfinite(a->sd[i]) && isfinite(b->sd[i]))
            r[n++] = fabs(a->value[i] - b->value[i] - *offset) / hypot(a->sd[i], b->sd[i]);
    double scatter = 1.4826 * gate_median(r, (int)n);
    *factor = CLAMP(scatter, 1, 20);
    g_free(d);
    g_free(r);
    return n >= 8;
}

static double pooled_sd(const gate_series *s)
{
    mean m = {0, 0};
    for (size_t i = 0; i < s->n; i++)
        mean_add(&m, 0, s->sd[i]);
    return m.weight > 0 ? sqrt(1 / m.weight) : INFINITY;
}

/* Joins the sources: the most precise one over the reel sets the zero, the others are shifted to
 * agree with it, so that a frame that lacks one does not turn. */
static void solve_angle(solver *v)
{
    gate_series *source[ANGLE_SOURCES];
    int best = 0;
    for (int k = 0; k < ANGLE_SOURCES; k++)
        source[k] = gate_series_new(v->n);
    gather_angles(v, source);
    for (int k = 1; k < ANGLE_SOURCES; k++)
        if (pooled_sd(source[k]) < pooled_sd(source[best]))
            best = k;
    double factor[ANGLE_SOURCES];
    for (int k = 0; k < ANGLE_SOURCES; k++) {
        double offset = 0;
        factor[k] = 1;
        if (k != best && compare_sources(source[k], source[best], &offset, &factor[k]))
            for (size_t i = 0; i < v->n; i++)
                source[k]->value[i] -= offset;
    }
    /* Which of two that disagree is the worse one cannot be told: the less precise. */
    for (size_t i = 0; i < v->n; i++) {
        mean m = {0, 0};
        for (int k = 0; k < ANGLE_SOURCES; k++)
            mean_add(&m, source[k]->value[i], source[k]->sd[i] * factor[k]);
        mean_store(&m, v->angle, i);
    }
    for (int k = 0; k < ANGLE_SOURCES; k++)
        gate_series_free(&source[k]);
    gate_path_find(v->angle, SLOW);
}

static double angle_of(const solver *v, size_t i)
{
    double sd;
    return gate_series_believe(v->angle, i, &sd);
}

/* ---- halo and scale ---- */

static bool is_clipped(const rw_gate_sight *s)
{
    for (int k = 0; k < s->n_holes; k++)
        if (s->hole[k].halo_sd > 0)
            return true;
    return false;
}

static void gather_halo(solver *v)
{
    size_t clear = 0;
    for (size_t i = 0; i < v->n; i++) {
        mean m = {0, 0};
        const rw_gate_sight *s = &v->sights[i];
        if (!fits_reel(v, i))
            continue;
        for (int k = 0; k < s->n_holes; k++)
            if (s->hole[k].halo_sd > 0)
                mean_add(&m, s->hole[k].halo, s->hole[k].halo_sd);
        mean_store(&m, v->halo, i);
        clear += !is_clipped(s);
    }
    gate_path_find(v->halo, SLOW);
    v->clipped_vote = clear < 5;
}

static double halo_of(const solver *v, size_t i)
{
    return is_clipped(&v->sights[i]) ? v->halo->path[i] : 0;
}

/* px between a hole's two parallel sides. */
static bool hole_size(const rw_hole_sight *h, int axis, double *px, double *sd)
{
    const rw_side_sight *lo = &h->side[2 * axis], *hi = lo + 1;
    if (!side_sound(h, 2 * axis) || !side_sound(h, 2 * axis + 1))
        return false;
    *px = lo->offset + hi->offset;
    *sd = hypot(hypot(lo->sd, hi->sd), FLOOR_PX);
    return *px > 0;
}

static void scale_from_hole(const solver *v, size_t i, const rw_hole_sight *h, int axis, mean *m)
{
    double px, sd, halo = halo_of(v, i);
    if (hole_size(h, axis, &px, &sd) && px > 2 * halo)
        mean_add(m, (px - 2 * halo) / (2 * v->half[axis]), sd / (2 * v->half[axis]));
}

/* The way along the film between two holes: between like sides, which knows nothing of the holes'
 * size or of clipping; else (like = false) between the two that face each other. */
typedef struct span {
    double px, mm, sd; /* sd: of px */
} span;

static int pair_spans(const solver *v, size_t i, const rw_hole_sight *p, const rw_hole_sight *q,
                      bool like, span out[2])
{
    if (p->index > q->index) {
        const rw_hole_sight *t = p;
        p = q;
        q = t;
    }
    rw_point y = gate_axes_of(v->side, angle_of(v, i)).y;
    int n = 0;
    if (p->index == q->index)
        return 0;
    double pitches = (q->index - p->index) * v->gauge->pitch;
    for (int side = RW_SIDE_BEFORE; side <= RW_SIDE_AFTER; side++) {
        int other = like ? side : RW_SIDE_BEFORE;
        if ((!like && side == RW_SIDE_BEFORE) || !side_sound(p, side) || !side_sound(q, other))
            continue;
        double px = along_axis(y, side_point(v, q, other)) - along_axis(y, side_point(v, p, side));
        double mm = like ? pitches : pitches - v->gauge->perforations[0].height;
        double sd = hypot(hypot(p->side[side].sd, q->side[other].sd), FLOOR_PX);
        if (px > 0 && mm > 0)
            out[n++] = (span){px, mm, sd};
    }
    return n;
}

static void scale_from_pair(const solver *v, size_t i, const rw_hole_sight *p,
                            const rw_hole_sight *q, bool like, mean *m)
{
    span s[2];
    int n = pair_spans(v, i, p, q, like, s);
    for (int k = 0; k < n; k++)
        mean_add(m, (s[k].px + (like ? 0 : 2 * halo_of(v, i))) / s[k].mm, s[k].sd / s[k].mm);
}

static void gather_scale(solver *v, size_t i, int axis, bool damaged_too)
{
    const rw_gate_sight *s = &v->sights[i];
    mean size = {0, 0}, pitch = {0, 0}, facing = {0, 0};
    for (int k = 0; k < s->n_holes; k++) {
        const rw_hole_sight *h = &s->hole[k];
        if (h->damaged && !damaged_too)
            continue;
        scale_from_hole(v, i, h, axis, &size);
        for (int l = k + 1; axis == ALONG && l < s->n_holes; l++)
            if (!s->hole[l].damaged || damaged_too) {
                scale_from_pair(v, i, h, &s->hole[l], true, &pitch);
                scale_from_pair(v, i, h, &s->hole[l], false, &facing);
            }
    }
    v->by_pitch |= pitch.weight > 0;
    if (pitch.weight > 0)
        mean_store(&pitch, v->scale[axis], i);
    else if (!v->by_pitch && (v->clipped_vote || !is_clipped(s)))
        mean_store(facing.weight > 0 ? &facing : &size, v->scale[axis], i);
}

/* Film shrinks nearly alike both ways. Where the holes say otherwise they are not of their nominal
 * size: the excess is shared out by how well the two measures are known, a hundredth of a
 * millimetre each. */
static void limit_anisotropy(solver *v)
{
    const rw_perforation *p = &v->gauge->perforations[0];
    double *r = g_new(double, v->n + 1);
    for (size_t i = 0; i < v->n; i++)
        r[i] = log(v->scale[ALONG]->path[i] / v->scale[ACROSS]->path[i]);
    double ratio = gate_median(r, (int)v->n);
    g_free(r);
    if (!isfinite(ratio))
        return;
    double excess = ratio - CLAMP(ratio, -MAX_ANISOTROPY, MAX_ANISOTROPY);
    double along = v->gauge->n_perforations > 1 ? v->gauge->pitch : p->height;
    double va = 1 / (p->width * p->width), vl = 1 / (along * along);
    for (size_t i = 0; excess != 0 && i < v->n; i++) {
        v->scale[ACROSS]->path[i] *= exp(excess * va / (va + vl));
        v->scale[ALONG]->path[i] *= exp(-excess * vl / (va + vl));
    }
}

static bool find_scale(solver *v, int axis)
{
    bool any = false, by_pitch;
    do { /* once a pair of holes is met, single ones' sizes do not count beside it */
        by_pitch = v->by_pitch;
        for (size_t i = 0; i < v->n; i++) {
            v->scale[axis]->sd[i] = INFINITY;
            if (fits_reel(v, i))
                gather_scale(v, i, axis, false);
            any |= isfinite(v->scale[axis]->sd[i]);
        }
    } while (by_pitch != v->by_pitch);
    for (size_t i = 0; !any && i < v->n; i++)
        if (fits_reel(v, i))
            gather_scale(v, i, axis, true);
    gate_series_calibrate(v->scale[axis]);
    return gate_path_find(v->scale[axis], SLOW);
}

/* With the scale along known from the pitch, the holes' height tells how far clipping moves a side.
 */
static void halo_from_height(solver *v)
{
    for (size_t i = 0; i < v->n; i++) {
        const rw_gate_sight *s = &v->sights[i];
        mean m = {0, 0};
        for (int k = 0; fits_reel(v, i) && is_clipped(s) && k < s->n_holes; k++) {
            double px, sd;
            if (!s->hole[k].damaged && hole_size(&s->hole[k], ALONG, &px, &sd))
                mean_add(&m, px / 2 - v->scale[ALONG]->path[i] * v->half[ALONG], sd / 2);
        }
        mean_store(&m, v->halo, i);
    }
    gate_path_find(v->halo, SLOW);
}

static void solve_scale(solver *v)
{
    gather_halo(v);
    bool along = find_scale(v, ALONG);
    if (v->by_pitch)
        halo_from_height(v);
    bool by_pitch = v->by_pitch;
    v->by_pitch = false; /* there is no pitch across */
    bool across = find_scale(v, ACROSS);
    v->by_pitch = by_pitch;
    for (size_t i = 0; i < v->n; i++) {
        const rw_gate_sight *s = &v->sights[i];
        if (!across)
            v->scale[ACROSS]->path[i] = along ? v->scale[ALONG]->path[i]
                                        : s->n_holes && s->hole[0].width > 0
                                            ? s->hole[0].width / (2 * v->half[ACROSS])
                                            : 1;
        if (!along)
            v->scale[ALONG]->path[i] = v->scale[ACROSS]->path[i];
    }
    limit_anisotropy(v);
}

/* ---- growth: holes look larger than the scale says when light is clipped or they are not nominal
 */

/* Where the still shows but one end of each hole, what they have grown is missing between them. */
static void growth_between(const solver *v, size_t i, mean *m)
{
    const rw_gate_sight *s = &v->sights[i];
    for (int k = 0; fits_reel(v, i) && k < s->n_holes; k++)
        for (int l = k + 1; l < s->n_holes; l++) {
            span facing[2];
            int n = s->hole[k].damaged || s->hole[l].damaged
                        ? 0
                        : pair_spans(v, i, &s->hole[k], &s->hole[l], false, facing);
            for (int j = 0; j < n; j++)
                mean_add(m, (v->scale[ALONG]->path[i] * facing[j].mm - facing[j].px) / 2,
                         facing[j].sd / 2);
        }
}

static void solve_growth(solver *v)
{
    for (int clipped = 0; clipped < 2; clipped++)
        for (int axis = ACROSS; axis <= ALONG; axis++) {
            for (size_t i = 0; i < v->n; i++) {
                const rw_gate_sight *s = &v->sights[i];
                mean m = {0, 0};
                for (int k = 0; fits_reel(v, i) && is_clipped(s) == clipped && k < s->n_holes;
                     k++) {
                    double px, sd;
                    if (!s->hole[k].damaged && hole_size(&s->hole[k], axis, &px, &sd))
                        mean_add(&m, px / 2 - v->scale[axis]->path[i] * v->half[axis], sd / 2);
                }
                if (axis == ALONG && m.weight <= 0 && is_clipped(s) == clipped)
                    growth_between(v, i, &m);
                mean_store(&m, v->growth[clipped][axis], i);
            }
            gate_path_find(v->growth[clipped][axis], NEAR);
        }
}

/* What the neighbours of the same kind show, unless this frame's holes have grown alike both ways:
 * light comes and goes from frame to frame, a torn side does not grow the others. */
static double growth_of(const solver *v, size_t i, int axis)
{
    int clipped = is_clipped(&v->sights[i]);
    const gate_series *g = v->growth[clipped][axis], *h = v->growth[clipped][1 - axis];
    double own = g->value[i] - g->path[i], other = h->value[i] - h->path[i];
    if (!isfinite(g->sd[i]) || !isfinite(h->sd[i]) ||
        fabs(own - other) > MAX(0.15, 0.15 * fabs(own + other)))
        return g->path[i];
    return g->value[i];
}

/* ---- place ---- */

/* One statement on where the film lies along one axis. */
typedef struct mark {
    double place; /* of the film's origin, px from the pivot */
    double sd;
    double trust; /* share of inliers */
} mark;

static int gather_marks(const solver *v, size_t i, int axis, mark *m)
{
    const rw_gate_sight *s = &v->sights[i];
    gate_axes a = gate_axes_of(v->side, angle_of(v, i));
    rw_point e = axis == ACROSS ? a.x : a.y;
    double scale = v->scale[axis]->path[i], growth = growth_of(v, i, axis);
    int n = 0;
    for (int k = 0; k < s->n_holes; k++) {
        const rw_hole_sight *h = &s->hole[k];
        rw_point c = gate_hole_centre(v->gauge, h->index);
        for (int side = 0; side < 4; side++) {
            const rw_side_sight *o = &h->side[side];
            if (axis_of(side) != axis || o->inliers < USED || !isfinite(o->sd))
                continue;
            double film = (axis == ACROSS ? c.x : c.y) + sign_of(side) * v->half[axis];
            double place =
                along_axis(e, side_point(v, h, side)) - sign_of(side) * growth - scale * film;
            m[n++] = (mark){place, hypot(o->sd, FLOOR_PX), o->inliers};
        }
    }
    return n;
}

/* Where most of the marks' weight agrees; looser sides weigh less. */
static double weighted_median(const mark *m, int n)
{
    double best = INFINITY, place = 0;
    for (int i = 0; i < n; i++) {
        double cost = 0;
        for (int j = 0; j < n; j++)
            cost += m[j].trust * m[j].trust / m[j].sd * fabs(m[j].place - m[i].place);
        if (cost < best) {
            best = cost;
            place = m[i].place;
        }
    }
    return place;
}

/* Joins the marks; those that stand apart are left out and reported in *conflict, px. hint: where
 * the neighbours say it is, used when two marks contradict each other (NAN: not known). */
static bool join_marks(const mark *m, int n, double hint, double *place, double *sd,
                       double *conflict)
{
    if (n == 0)
        return false;
    double start = weighted_median(m, n);
    if (isfinite(hint) && n == 2 && fabs(m[0].trust - m[1].trust) < 0.1)
        start = fabs(m[0].place - hint) < fabs(m[1].place - hint) ? m[0].place : m[1].place;
    mean joined = {0, 0};
    int used = 0;
    for (int i = 0; i < n; i++) {
        double off = fabs(m[i].place - start), room = MAX(6 * m[i].sd, 0.35);
        if (off < room) {
            mean_add(&joined, m[i].place, m[i].sd / (m[i].trust * m[i].trust));
            used++;
        } else
            *conflict = MAX(*conflict, off);
    }
    *place = joined.sum / joined.weight;
    *sd = sqrt(1 / joined.weight);
    if (*conflict > 0 && used <= n / 2)
        *sd = MAX(*sd, *conflict / 4); /* one against one: which is right is a guess */
    return true;
}

/* A reel's frames all show the same holes: one that was taken for its neighbour is put right. */
static void mend_index(const solver *v, double usual, double *along, double scale)
{
    double pitch = v->gauge->pitch * scale, steps = rint((*along - usual) / pitch);
    if (steps != 0 && fabs(*along - usual - steps * pitch) < 0.3 * pitch)
        *along -= steps * pitch;
}

static void gather_places(solver *v, bool hinted)
{
    mark m[RW_GATE_MAX_HOLES * 4];
    for (size_t i = 0; i < v->n; i++) {
        v->conflict[i] = 0;
        for (int axis = ACROSS; axis <= ALONG; axis++) {
            gate_series *s = v->place[axis];
            double to_anchor =
                v->scale[axis]->path[i] * (axis == ACROSS ? v->anchor.x : v->anchor.y);
            double place, sd, hint = hinted ? s->path[i] - to_anchor : NAN;
            s->sd[i] = INFINITY;
            if (!fits_reel(v, i))
                continue;
            int n = gather_marks(v, i, axis, m);
            if (!join_marks(m, n, hint, &place, &sd, &v->conflict[i]))
                continue;
            s->value[i] = place + to_anchor;
            s->sd[i] = sd;
        }
    }
}

static double series_median(const gate_series *s)
{
    double *v = g_new(double, s->n + 1);
    size_t n = 0;
    for (size_t i = 0; i < s->n; i++)
        if (isfinite(s->sd[i]))
            v[n++] = s->value[i];
    double m = gate_median(v, (int)n);
    g_free(v);
    return m;
}

static void mend_indices(solver *v)
{
    double usual = series_median(v->place[ALONG]);
    for (size_t i = 0; i < v->n; i++)
        if (isfinite(v->place[ALONG]->sd[i]))
            mend_index(v, usual, &v->place[ALONG]->value[i], v->scale[ALONG]->path[i]);
}

/* The film's edge helps where no side of the hole does, if it moves with the film: a line that
 * keeps still is the gate's. */
static double edge_place(const solver *v, size_t i)
{
    const rw_gate_sight *s = &v->sights[i];
    rw_point x = gate_axes_of(v->side, angle_of(v, i)).x;
    return along_axis(x, (rw_point){s->film_edge_x - v->pivot.x, s->film_edge_y - v->pivot.y});
}

static void learn_edge(solver *v)
{
    double *off = g_new(double, v->n + 1), *own = g_new(double, v->n + 1), middle, usual;
    size_t n = 0;
    for (size_t i = 0; i < v->n; i++)
        if (fits_reel(v, i) && v->sights[i].film_edge_found && isfinite(v->place[ACROSS]->sd[i]) &&
            v->conflict[i] == 0) {
            off[n] = edge_place(v, i) - v->place[ACROSS]->value[i];
            own[n++] = edge_place(v, i);
        }
    double scatter = gate_robust_sd(off, n, &middle), moves = gate_robust_sd(own, n, &usual);
    v->edge_x = NAN;
    if (n >= 8 && (scatter < 0.5 * moves || scatter < 0.1)) {
        v->edge_x = middle; /* px from the anchor */
        v->edge_sd = MAX(scatter, 0.05);
    }
    g_free(off);
    g_free(own);
}

static void use_edge(solver *v)
{
    gate_series *s = v->place[ACROSS];
    for (size_t i = 0; isfinite(v->edge_x) && i < v->n; i++) {
        bool lost = !isfinite(s->sd[i]) || (v->conflict[i] > 0 && s->sd[i] > v->edge_sd);
        if (lost && fits_reel(v, i) && v->sights[i].film_edge_found) {
            s->value[i] = edge_place(v, i) - v->edge_x;
            s->sd[i] = v->edge_sd;
        }
    }
}

static void solve_place(solver *v)
{
    gather_places(v, false);
    mend_indices(v);
    for (int axis = ACROSS; axis <= ALONG; axis++)
        gate_path_find(v->place[axis], NEAR);
    gather_places(v, true);
    mend_indices(v);
    learn_edge(v);
    use_edge(v);
    for (int axis = ACROSS; axis <= ALONG; axis++)
        gate_path_find(v->place[axis], NEAR);
}

/* ---- results ---- */

static rw_affine affine_at(const solver *v, size_t i, double across, double along)
{
    gate_axes a = gate_axes_of(v->side, angle_of(v, i));
    double sx = v->scale[ACROSS]->path[i], sy = v->scale[ALONG]->path[i];
    double ox = across - sx * v->anchor.x, oy = along - sy * v->anchor.y;
    return (rw_affine){{{sx * a.x.x, sy * a.y.x, v->pivot.x + ox * a.x.x + oy * a.y.x},
                        {sx * a.x.y, sy * a.y.y, v->pivot.y + ox * a.x.y + oy * a.y.y}}};
}

static void fit_frame(const solver *v, size_t i, rw_gate_fit *fit)
{
    const rw_gate_sight *s = &v->sights[i];
    double sd[2], at[2], own[2];
    for (int axis = ACROSS; axis <= ALONG; axis++) {
        at[axis] = gate_series_believe(v->place[axis], i, &sd[axis]);
        own[axis] = v->place[axis]->sd[i];
    }
    *fit = (rw_gate_fit){.film_to_still = affine_at(v, i, at[0], at[1])};
    bool seen = fits_reel(v, i) && (isfinite(own[0]) || isfinite(own[1]));
    fit->method = seen ? RW_GATE_PERFORATION : RW_GATE_NONE;
    for (int index = 0; index < v->gauge->n_perforations; index++) {
        const rw_hole_sight *h = hole_of(s, index);
        fit->damaged |= h && h->damaged;
    }
    fit->damaged |= v->conflict[i] > 0;
    /* A shift is as good as its error is small against a micrometre and a half, or a third of a
     * pixel where pixels are larger. */
    double room = MAX(0.33, 0.0015 * v->scale[ACROSS]->path[i]);
    fit->confidence = 0;
    if (seen) {
        double worst = MAX(own[0], own[1]);
        double precise = isfinite(worst) ? 1 / (1 + worst * worst / (room * room)) : 0.3;
        fit->confidence = precise * CLAMP(0.4 + 0.7 * s->confidence, 0, 1);
        if (fit->damaged)
            fit->confidence = MIN(fit->confidence, 0.8);
    }
    gate_axes a = gate_axes_of(v->side, angle_of(v, i));
    double wx = at[0] - v->place[0]->path[i], wy = at[1] - v->place[1]->path[i];
    fit->dx = wx * a.x.x + wy * a.y.x;
    fit->dy = wx * a.x.y + wy * a.y.y;
}

static double median_of(const double *values, size_t n)
{
    double *v = g_memdup2(values, MAX(n, 1) * sizeof *v), m = gate_median(v, (int)n);
    g_free(v);
    return m;
}

static void summarise(const solver *v, const rw_gate_fit *fits, rw_gate_summary *out)
{
    double *weave[2] = {g_new(double, v->n + 1), g_new(double, v->n + 1)}, middle;
    size_t n = 0;
    for (size_t i = 0; i < v->n; i++) {
        if (fits[i].confidence >= 0.5) {
            out->trusted++;
            for (int axis = ACROSS; axis <= ALONG; axis++)
                weave[axis][n] = v->place[axis]->value[i] - v->place[axis]->path[i];
            n++;
        } else if (v->sights[i].stored_width > 0)
            out->held++;
    }
    out->side = v->side;
    double sx = median_of(v->scale[ACROSS]->path, v->n),
           sy = median_of(v->scale[ALONG]->path, v->n);
    out->px_per_mm = sqrt(sx * sy);
    out->angle = median_of(v->angle->path, v->n);
    out->weave_across = n ? gate_robust_sd(weave[ACROSS], n, &middle) : 0;
    out->weave_along = n ? gate_robust_sd(weave[ALONG], n, &middle) : 0;
    g_free(weave[ACROSS]);
    g_free(weave[ALONG]);
}

/* Nothing was seen: the picture fills the still, the perforated edge to the left. */
static void solve_blind(const rw_gauge *gauge, const rw_gate_sight *sights, size_t count,
                        rw_gate_fit *fits, rw_gate_summary *summary)
{
    double w = 0, h = 0;
    for (size_t i = 0; i < count && w <= 0; i++) {
        w = sights[i].stored_width;
        h = sights[i].stored_height;
    }
    const rw_rect *pic = &gauge->camera_aperture;
    double scale = w > 0 ? MIN(w / pic->width, h / pic->height) : 1;
    rw_affine a = {{{scale, 0, (w - 1) / 2 - scale * (pic->x + pic->width / 2)},
                    {0, scale, (h - 1) / 2 - scale * (pic->y + pic->height / 2)}}};
    for (size_t i = 0; i < count; i++) {
        fits[i] = (rw_gate_fit){.film_to_still = a, .method = RW_GATE_NONE};
        summary->held += sights[i].stored_width > 0;
    }
    summary->px_per_mm = w > 0 ? scale : 0;
}

static void find_pivot(solver *v)
{
    double *x = g_new(double, v->n + 1), *y = g_new(double, v->n + 1);
    int n = 0;
    for (size_t i = 0; i < v->n; i++)
        if (fits_reel(v, i)) {
            x[n] = v->sights[i].hole[0].cx;
            y[n++] = v->sights[i].hole[0].cy;
        }
    v->pivot = (rw_point){gate_median(x, n), gate_median(y, n)};
    g_free(x);
    g_free(y);
}

void rw_gate_solve(const rw_gauge *gauge, const rw_gate_sight *sights, size_t count,
                   rw_gate_fit *fits, rw_gate_summary *summary)
{
    *summary = (rw_gate_summary){.shrinkage = NAN};
    solver v = {.gauge = gauge, .sights = sights, .n = count, .edge_x = NAN};
    v.side = common_side(sights, count);
    if (v.side == RW_SIDE_UNKNOWN) {
        solve_blind(gauge, sights, count, fits, summary);
        return;
    }
    const rw_perforation *p = &gauge->perforations[0];
    v.half[ACROSS] = p->width / 2;
    v.half[ALONG] = p->height / 2;
    v.anchor = gate_hole_centre(gauge, 0);
    v.anchor.y += (gauge->n_perforations - 1) * gauge->pitch / 2;
    v.angle = gate_series_new(count);
    v.halo = gate_series_new(count);
    v.conflict = g_new0(double, count);
    for (int axis = ACROSS; axis <= ALONG; axis++) {
        v.scale[axis] = gate_series_new(count);
        v.growth[0][axis] = gate_series_new(count);
        v.growth[1][axis] = gate_series_new(count);
        v.place[axis] = gate_series_new(count);
    }
    find_pivot(&v);
    solve_angle(&v);
    solve_scale(&v);
    solve_growth(&v);
    solve_place(&v);
    for (size_t i = 0; i < count; i++)
        fit_frame(&v, i, &fits[i]);
    summarise(&v, fits, summary);
    gate_series_free(&v.angle);
    gate_series_free(&v.halo);
    g_free(v.conflict);
    for (int axis = ACROSS; axis <= ALONG; axis++) {
        gate_series_free(&v.scale[axis]);
        gate_series_free(&v.growth[0][axis]);
        gate_series_free(&v.growth[1][axis]);
        gate_series_free(&v.place[axis]);
    }
}

void rw_gate_prior_from_sights(const rw_gauge *gauge, const rw_gate_sight *sights, size_t count,
                               rw_gate_prior *prior)
{
    memset(prior, 0, sizeof *prior);
    rw_gate_side side = common_side(sights, count);
    if (side == RW_SIDE_UNKNOWN)
        return;
    rw_gate_fit *fits = g_new0(rw_gate_fit, count);
    rw_gate_summary summary;
    rw_gate_solve(gauge, sights, count, fits, &summary);
    double *x = g_new(double, count), *y = g_new(double, count);
    rw_point hole = gate_hole_centre(gauge, 0);
    int n = 0;
    for (size_t i = 0; i < count; i++)
        if (fits[i].confidence >= 0.5) {
            rw_point p = rw_affine_apply(fits[i].film_to_still, hole.x, hole.y);
            x[n] = p.x;
            y[n++] = p.y;
        }
    if (n > 0)
        *prior = (rw_gate_prior){side, summary.px_per_mm, gate_median(x, n), gate_median(y, n)};
    g_free(x);
    g_free(y);
    g_free(fits);
}
