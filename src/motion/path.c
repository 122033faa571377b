/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * path.c - what to take out of a scene's movement, and what to show of it.
 *
 * The measured path is the camera's intended movement plus jitter. Jitter is white from frame to
 * frame: each frame found its own place in the camera's gate. The intended movement is smooth.
 * smooth.c finds the smooth line that the path itself makes likeliest. An axis whose line stays in
 * place within what jitter alone would feign is still; a scene whose axes are all still was shot
 * from a tripod. Where a course of rests and sweeps (course.c) is far likelier than any smooth
 * line, it is taken instead: it keeps the ends of a pan. Where the edges of the exposure are seen
 * on the film, they are the jitter: taken off first, they leave the intended path all but bare.
 */
#include <math.h>

#include "base/select.h"
#include "motion/consensus.h"
#include "motion/course.h"
#include "motion/smooth.h"

#define ROWS 1080.0
/* An axis is still when its line stays within so many px, or when wandering explains it no better
 * than so much (a logarithm of likelihood) */
#define STILL_RANGE      1.5
#define STILL_LIKELIHOOD 8.0
#define TURN_MATTERS     0.05 /* px at LEVER, rms: less turning or scaling is not touched */
#define EDGE_SHARE       0.6  /* of frames on which the exposure's edges must be seen */
#define EDGE_MUST_SAVE   0.6  /* of the jitter that they must leave at most, to be believed */
#define EDGE_GAIN        5.0  /* sd of a frame without them against one with */
#define COURSE_MUST_SAVE 25.0 /* of twice the logarithm of likelihood, against the smooth line */
#define FAR_OFF          4.0  /* relative variance, from the line: some four and a half sd */
/* The same, of an axis that goes along with the other: where the film's lie is known; where it may
 * lie as askew as it likes */
#define TILT_MUST_SAVE       4.0
#define TILT_MUST_SAVE_LOOSE 2.0
#define DRIFT_MUST_SAVE      0.9
#define LEVER                540.0
#define SURE_SD              0.5 /* px: half confidence */
#define LEAST_SHARE          0.5 /* of frames that must have been measured */

enum { X, Y, SCALE, TURN, AXES };

/* One coordinate of the path over the scene, px (scale and turn: px at LEVER). */
typedef struct axis {
    double *at;       /* measured; along the line where nothing was */
    double *line;     /* the likeliest intended path */
    double *want;     /* the path that is kept */
    double *variance; /* relative, HUGE_VAL: not measured */
    double *edge;     /* jitter by the exposure's edges, px; NAN: not seen */
    double *bare;     /* at less edge, where it is seen: what the line is drawn through */
    double lambda, sigma, range;
    bool still;
    bool edges;  /* the exposure's edges are taken off */
    bool course; /* the line is one of rests and sweeps */
} axis;

/* Of moments: frames of the film, doubled stills left out. */
typedef struct plan {
    int count;
    double px_per_mm;
    rw_point centre; /* film mm */
    rw_consensus_frame *pose;
    const rw_steady_input **input;
    axis axis[AXES];
} plan;

/* ---- names ---- */

static const char *const mode_names[] = {"auto", "locked", "smooth", "off", NULL};
static const char *const border_names[] = {"crop", "dark", "fill", NULL};

const rw_param rw_steady_rows[] = {
    RW_PARAM_WORD_ROW(rw_steady_params, mode, "Steadying", mode_names, 4, RW_STEADY_AUTO,
                      "Locked: the picture stands. Smooth: the camera's movement stays, the jitter "
                      "goes. Auto takes whichever the scene itself asks for."),
    RW_PARAM_NUMBER_ROW(rw_steady_params, strength, "Calm", "", 0, 1, 0,
                        "How far a hand-held camera's own movement is evened out, where it is "
                        "smooth."),
    RW_PARAM_WORD_ROW(rw_steady_params, border, "Border", border_names, 3, RW_STEADY_CROP,
                      "What becomes of the edge that a moved picture leaves bare: shown a little "
                      "closer, left dark, or filled from neighbouring frames."),
    RW_PARAM_NUMBER_ROW(
        rw_steady_params, crop, "Most crop", "", 0, 0.25, 0.06,
        "Share of the picture that steadying may cost on each side; constant within "
        "a scene."),
    RW_PARAM_END};

const char *rw_steady_mode_name(rw_steady_mode mode)
{
    return mode_names[mode];
}

bool rw_steady_mode_parse(const char *name, rw_steady_mode *mode)
{
    for (size_t i = 0; i < G_N_ELEMENTS(mode_names) - 1; i++)
        if (g_str_equal(name, mode_names[i])) {
            *mode = (rw_steady_mode)i;
            return true;
        }
    return false;
}

/* ---- from poses to coordinates ---- */

static double confidence_of(const rw_consensus_frame *f)
{
    if (isinf(f->sd))
        return 0;
    return 1 / (1 + f->sd * f->sd / (SURE_SD * SURE_SD));
}

/* The path of the picture's centre is added up hop by hop, so that turning about a far-away
 * point of the scene does not pose as travel. */
static void fill_axes(plan *p)
{
    double complex place = 0;
    for (int t = 0; t < p->count; t++) {
        const rw_consensus_frame *now = &p->pose[t];
        if (t) {
            const rw_consensus_frame *then = &p->pose[t - 1];
            place += now->shift - now->turn / then->turn * then->shift;
        }
        double complex turn = clog(now->turn) * LEVER;
        const rw_steady_input *input = p->input[t];
        bool known = confidence_of(now) >= 0.5;
        const double at[AXES] = {creal(place), cimag(place), creal(turn), cimag(turn)};
        for (int a = 0; a < AXES; a++) {
            p->axis[a].at[t] = at[a];
            p->axis[a].variance[t] = known ? 1 : HUGE_VAL;
            p->axis[a].edge[t] = NAN;
        }
        if (input->edge_sd_x > 0)
            p->axis[X].edge[t] = input->edge_x * p->px_per_mm;
        if (input->edge_sd_y > 0)
            p->axis[Y].edge[t] = input->edge_y * p->px_per_mm;
    }
}

/* A held frame, or one that the film itself jolted, must not bend the line. base: relative
 * variances before that, NULL for 1. */
static void trust_less(axis *a, int count, const double *base, double sigma)
{
    for (int t = 0; t < count; t++)
        if (!isinf(a->variance[t])) {
            double v = base ? base[t] : 1;
            double e = (a->bare[t] - a->line[t]) / MAX(sigma, 0.02);
            a->variance[t] = v * (5 + e * e / v) / 6;
        }
}

static rw_smooth_result draw_robust(axis *a, int count, const double *base)
{
    for (int t = 0; t < count; t++)
        if (!isinf(a->variance[t]))
            a->variance[t] = base ? base[t] : 1;
    rw_smooth_result r = rw_smooth_line(a->bare, a->variance, count, a->line);
    for (int round = 0; round < 2; round++) {
        trust_less(a, count, base, r.sigma);
        r = rw_smooth_line(a->bare, a->variance, count, a->line);
    }
    return r;
}

/* A course in place of the smooth line, where it is far likelier. Both are asked with all frames
 * trusted alike but for those that are off by far: the smooth line mistrusts the ends of a pan. */
static void draw_course(axis *a, int count)
{
    double *line = g_new(double, count), *variance = g_new(double, count);
    double *base = g_new(double, count);
    memcpy(line, a->line, sizeof(double) * (size_t)count);
    memcpy(variance, a->variance, sizeof(double) * (size_t)count);
    for (int t = 0; t < count; t++)
        base[t] = a->variance[t] < FAR_OFF ? 1 : a->variance[t];
    double smooth = rw_smooth_line(a->bare, base, count, a->line).criterion;
    rw_course c = rw_course_line(a->bare, base, count, a->line);
    a->course = c.criterion < smooth - COURSE_MUST_SAVE;
    if (a->course) {
        memcpy(a->variance, base, sizeof(double) * (size_t)count);
        trust_less(a, count, base, c.sigma);
        rw_course_line(a->bare, a->variance, count, a->line);
    } else {
        memcpy(a->line, line, sizeof(double) * (size_t)count);
        memcpy(a->variance, variance, sizeof(double) * (size_t)count);
    }
    g_free(line);
    g_free(variance);
    g_free(base);
}

/* rms of the path about the line over the frames that were measured. */
static double scatter(const axis *a, int count)
{
    double sum = 0;
    int known = 0;
    for (int t = 0; t < count; t++)
        if (!isinf(a->variance[t])) {
            sum += (a->at[t] - a->line[t]) * (a->at[t] - a->line[t]);
            known++;
        }
    return known ? sqrt(sum / known) : 0;
}

/* Takes the edges' jitter off where they were seen. False when that is on too few frames, or when
 * what is left is no calmer: then the edges were no edges. */
static bool draw_bare(axis *a, int count, double jitter)
{
    int seen = 0;
    double *base = g_new(double, count), *line = g_new(double, count);
    memcpy(line, a->line, sizeof(double) * (size_t)count);
    for (int t = 0; t < count; t++) {
        bool here = !isnan(a->edge[t]);
        seen += here;
        a->bare[t] = a->at[t] - (here ? a->edge[t] : 0);
        base[t] = here ? 1 : EDGE_GAIN * EDGE_GAIN;
    }
    rw_smooth_result r = {0};
    bool better = seen >= EDGE_SHARE * count;
    if (better) {
        r = draw_robust(a, count, base);
        better = r.sigma < EDGE_MUST_SAVE * jitter;
    }
    if (better)
        a->lambda = r.lambda;
    else {
        memcpy(a->bare, a->at, sizeof(double) * (size_t)count);
        memcpy(a->line, line, sizeof(double) * (size_t)count);
        for (int t = 0; t < count; t++)
            a->edge[t] = NAN;
    }
    g_free(base);
    g_free(line);
    return better;
}

static void weigh_line(axis *a, int count)
{
    double least = HUGE_VAL, most = -HUGE_VAL;
    for (int t = 0; t < count; t++) {
        least = MIN(least, a->line[t]);
        most = MAX(most, a->line[t]);
    }
    a->sigma = scatter(a, count);
    a->range = most - least;
}

static void draw_line(axis *a, int count)
{
    memcpy(a->bare, a->at, sizeof(double) * (size_t)count);
    a->lambda = draw_robust(a, count, NULL).lambda;
    a->edges = draw_bare(a, count, scatter(a, count));
    weigh_line(a, count);
    a->still =
        a->range <= STILL_RANGE || rw_smooth_wander(a->bare, a->variance, count) < STILL_LIKELIHOOD;
    a->course = false;
    if (a->still || a->edges)
        return;
    draw_course(a, count);
    weigh_line(a, count);
}

/* A pan goes across the film only as nearly as the camera stood upright and the film lies straight
 * on the stills. An axis that seems to stand, but keeps step with the other one's travel, goes with
 * it. */
static void tilt(axis *a, const axis *along, int count)
{
    double need = along->edges ? TILT_MUST_SAVE : TILT_MUST_SAVE_LOOSE;
    double n = 0, x = 0, y = 0, xx = 0, xy = 0, yy = 0;
    for (int t = 0; t < count; t++) {
        double w = isinf(a->variance[t]) ? 0 : 1 / a->variance[t];
        n += w;
        x += w * along->line[t];
        y += w * a->bare[t];
    }
    if (n <= 0)
        return;
    x /= n;
    y /= n;
    for (int t = 0; t < count; t++) {
        double w = isinf(a->variance[t]) ? 0 : 1 / a->variance[t];
        double u = along->line[t] - x, v = a->bare[t] - y;
        xx += w * u * u;
        xy += w * u * v;
        yy += w * v * v;
    }
    double left = yy - xy * xy / MAX(xx, 1e-9);
    if (xx <= 0 || count * log(yy / MAX(left, 1e-9 * yy)) < need)
        return;
    for (int t = 0; t < count; t++)
        a->line[t] = y + xy / xx * (along->line[t] - x);
    a->still = false;
    a->course = along->course;
    a->lambda = along->lambda;
    weigh_line(a, count);
}

/* A frame that is half sure is half believed; one that is unknown lies on the line, off it by what
 * its edges say. */
static void settle_measured(plan *p)
{
    for (int a = 0; a < AXES; a++)
        for (int t = 0; t < p->count; t++) {
            axis *x = &p->axis[a];
            double s2 = x->sigma * x->sigma, sd = p->pose[t].sd;
            double belief = isinf(sd) ? 0 : (s2 + 1e-9) / (s2 + sd * sd + 1e-9);
            double place = x->line[t] + (isnan(x->edge[t]) ? 0 : x->edge[t]);
            if (confidence_of(&p->pose[t]) < 0.5)
                belief = 0;
            x->at[t] = place + belief * (x->at[t] - place);
        }
}

/* ---- which path to keep ---- */

static void keep_constant(axis *a, int count)
{
    double sum = 0;
    for (int t = 0; t < count; t++)
        sum += a->at[t];
    for (int t = 0; t < count; t++)
        a->want[t] = sum / count;
}

static double farthest(const axis *a, int count)
{
    double most = 0;
    for (int t = 0; t < count; t++)
        most = MAX(most, fabs(a->want[t] - a->line[t]));
    return most;
}

/* The line itself, or a calmer one that strays from it by no more than limit px. */
static void keep_smooth(axis *a, int count, double strength, double limit)
{
    memcpy(a->want, a->line, sizeof(double) * (size_t)count);
    if (strength <= 0)
        return;
    /* the time over which a line bends goes with lambda^(-1/6): eight times is 2^18 */
    for (double s = strength; s > 0.01; s *= 0.85) {
        rw_smooth_line_at(a->course ? a->line : a->bare, a->variance, count,
                          a->lambda * exp2(-18 * s), a->want);
        if (farthest(a, count) <= limit)
            return;
    }
    memcpy(a->want, a->line, sizeof(double) * (size_t)count);
}

static void keep_everything(axis *a, int count)
{
    memcpy(a->want, a->at, sizeof(double) * (size_t)count);
}

static bool matters(const axis *a, int count)
{
    double sum = 0, mean = 0;
    for (int t = 0; t < count; t++)
        mean += a->at[t] / count;
    for (int t = 0; t < count; t++)
        sum += (a->at[t] - mean) * (a->at[t] - mean);
    return sqrt(sum / count) > TURN_MATTERS;
}

static void choose_want(plan *p, rw_steady_mode mode, const rw_steady_params *params)
{
    for (int i = 0; i < AXES; i++) {
        axis *a = &p->axis[i];
        if (i >= SCALE && !matters(a, p->count))
            keep_everything(a, p->count);
        else if (mode == RW_STEADY_LOCKED || a->still)
            keep_constant(a, p->count);
        else
            keep_smooth(a, p->count, mode == RW_STEADY_SMOOTH ? params->strength : 0,
                        params->crop * ROWS);
    }
}

static double median_background(const plan *p)
{
    size_t n = (size_t)MAX(p->count, 1);
    double *v = g_new(double, n);
    for (size_t t = 0; t < n; t++)
        v[t] = p->pose[t].background;
    qsort(v, n, sizeof *v, rw_compare_doubles);
    double m = v[n / 2];
    g_free(v);
    return m;
}

static rw_steady_mode choose_mode(const plan *p, int measured, rw_steady_scene *scene)
{
    const axis *x = &p->axis[X], *y = &p->axis[Y];
    double jitter = hypot(x->sigma, y->sigma), share = 100 * scene->background;
    if (p->count < 3) {
        g_snprintf(scene->reason, sizeof scene->reason,
                   "Off: a scene of %d frames has no path to speak of.", p->count);
        return RW_STEADY_OFF;
    }
    if (measured < LEAST_SHARE * p->count) {
        g_snprintf(scene->reason, sizeof scene->reason,
                   "Off: only %d of %d frames show enough to hold on to.", measured, p->count);
        return RW_STEADY_OFF;
    }
    if (x->still && y->still) {
        g_snprintf(scene->reason, sizeof scene->reason,
                   "Locked: apart from %.1f px of jitter the background keeps its place "
                   "(%.0f %% of the picture is background).",
                   jitter, share);
        return RW_STEADY_LOCKED;
    }
    g_snprintf(scene->reason, sizeof scene->reason,
               "Smooth: the camera travels %.0f px across and %.0f px along the film; %.1f px of "
               "jitter goes (%.0f %% of the picture is background).",
               x->range, y->range, jitter, share);
    return RW_STEADY_SMOOTH;
}

/* ---- results ---- */

static rw_affine film_affine(const plan *p, double complex turn, double complex shift)
{
    double re = creal(turn), im = cimag(turn), k = p->px_per_mm;
    double cx = p->centre.x, cy = p->centre.y;
    return (rw_affine){{{re, -im, cx - re * cx + im * cy + creal(shift) / k},
                        {im, re, cy - im * cx - re * cy + cimag(shift) / k}}};
}

static rw_affine correction_of(const plan *p, int t)
{
    const axis *a = p->axis;
    double complex turn =
        cexp(((a[SCALE].want[t] - a[SCALE].at[t]) + I * (a[TURN].want[t] - a[TURN].at[t])) / LEVER);
    return film_affine(p, turn, (a[X].want[t] - a[X].at[t]) + I * (a[Y].want[t] - a[Y].at[t]));
}

/* when[i]: the moment of input i. */
static void fill_frames(const plan *p, const rw_steady_input *inputs, const rw_steady_pose *poses,
                        const int *when, int count, bool off, rw_steady_frame *frames)
{
    const axis *a = p->axis;
    for (int i = 0; i < count; i++) {
        int t = when[i];
        bool stays = off && !inputs[i].unplaced;
        double sure = confidence_of(&p->pose[t]);
        frames[i] = (rw_steady_frame){
            .correction = stays ? rw_affine_identity() : correction_of(p, t),
            .confidence = sure,
            .held = sure < 0.5,
            .background = p->pose[t].background,
            .left_x = poses[i].left_x,
            .left_y = poses[i].left_y,
            .x = a[X].at[t] - a[X].at[0],
            .y = a[Y].at[t] - a[Y].at[0],
            .turn = (a[TURN].at[t] - a[TURN].at[0]) / LEVER,
            .want_x = (stays ? a[X].at : a[X].want)[t] - a[X].at[0],
            .want_y = (stays ? a[Y].at : a[Y].want)[t] - a[Y].at[0],
            .want_turn = ((stays ? a[TURN].at : a[TURN].want)[t] - a[TURN].at[0]) / LEVER};
    }
}

typedef struct span {
    double from, to;
} span;

/* What is left of a frame's rectangle, moved, in both axes: the largest upright rectangle that
 * keeps its corners' worst places out. */
static void shrink_to(span *x, span *y, rw_affine move, rw_rect have)
{
    rw_point a = rw_affine_apply(move, have.x, have.y);
    rw_point b = rw_affine_apply(move, have.x + have.width, have.y);
    rw_point c = rw_affine_apply(move, have.x, have.y + have.height);
    rw_point d = rw_affine_apply(move, have.x + have.width, have.y + have.height);
    x->from = MAX(x->from, MAX(a.x, c.x));
    x->to = MIN(x->to, MIN(b.x, d.x));
    y->from = MAX(y->from, MAX(a.y, b.y));
    y->to = MIN(y->to, MIN(c.y, d.y));
}

static double centre_in(span s, double centre, double length)
{
    double low = s.from + length / 2, high = s.to - length / 2;
    return low <= high ? CLAMP(centre, low, high) : 0.5 * (low + high);
}

/* Share of want that a rectangle of its shape has when it just fits. */
static double fitting_share(span x, span y, rw_rect want)
{
    return MIN((x.to - x.from) / want.width, (y.to - y.from) / want.height);
}

#define NEARLY_ALL 0.97

/* The largest rectangle of want's shape that every frame fills; steadying costs no more than its
 * limit on each side. Where want itself reaches beyond the picture (somebody wants to see the
 * film's edge), only what steadying adds is hidden. */
static void choose_crop(const rw_steady_input *inputs, const rw_steady_frame *frames, int count,
                        rw_rect want, const rw_steady_params *params, rw_steady_scene *scene)
{
    scene->crop = want;
    scene->crop_share = 1;
    span x = {-HUGE_VAL, HUGE_VAL}, y = x;
    double bare = HUGE_VAL;
    for (int i = 0; i < count; i++)
        if (inputs[i].have.width > 0 && inputs[i].have.height > 0) {
            span own_x = {-HUGE_VAL, HUGE_VAL}, own_y = own_x;
            shrink_to(&own_x, &own_y, rw_affine_identity(), inputs[i].have);
            bare = MIN(bare, fitting_share(own_x, own_y, want));
            shrink_to(&x, &y, frames[i].correction, inputs[i].have);
        }
    if (params->border != RW_STEADY_CROP || isinf(bare))
        return;
    bool within = bare >= NEARLY_ALL;
    double share = fitting_share(x, y, want) / (within ? 1 : bare);
    share = CLAMP(share, 1 - 2 * params->crop, 1.0);
    double w = share * want.width, h = share * want.height;
    double cx = want.x + want.width / 2, cy = want.y + want.height / 2;
    if (within) {
        cx = centre_in(x, cx, w);
        cy = centre_in(y, cy, h);
    }
    scene->crop = (rw_rect){cx - w / 2, cy - h / 2, w, h};
    scene->crop_share = share;
}

static void fill_scene(const plan *p, rw_steady_scene *scene)
{
    scene->jitter_x = p->axis[X].sigma;
    scene->jitter_y = p->axis[Y].sigma;
    scene->travel_x = p->axis[X].range;
    scene->travel_y = p->axis[Y].range;
    double sum = 0;
    int sure = 0;
    for (int t = 0; t < p->count; t++) {
        bool shown = p->input[t]->have.width > 0;
        if (confidence_of(&p->pose[t]) < 0.5) {
            scene->held += shown;
        } else {
            sum += p->pose[t].sd * p->pose[t].sd;
            sure++;
        }
    }
    scene->left = sure ? sqrt(sum / sure) : 0;
}

static int count_measured(const plan *p)
{
    int n = 0;
    for (int t = 0; t < p->count; t++)
        n += confidence_of(&p->pose[t]) >= 0.5;
    return n;
}

static void draw_lines(plan *p)
{
    fill_axes(p);
    for (int a = 0; a < AXES; a++)
        draw_line(&p->axis[a], p->count);
    axis *x = &p->axis[X], *y = &p->axis[Y];
    if (x->still != y->still)
        tilt(x->still ? x : y, x->still ? y : x, p->count);
}

static void plan_init(plan *p, const rw_steady_input *inputs, int count, rw_rect picture)
{
    *p = (plan){.px_per_mm = ROWS / picture.height,
                .centre = {picture.x + picture.width / 2, picture.y + picture.height / 2}};
    p->input = g_new(const rw_steady_input *, count);
    for (int i = 0; i < count; i++)
        if (i == 0 || !inputs[i].doubled)
            p->input[p->count++] = &inputs[i];
    p->pose = g_new0(rw_consensus_frame, p->count);
    double *memory = g_new0(double, (size_t)p->count *AXES * 6);
    for (int a = 0; a < AXES; a++) {
        ptrdiff_t n = p->count;
        double *m = memory + n * 6 * a;
        p->axis[a] = (axis){.at = m,
                            .line = m + n,
                            .want = m + 2 * n,
                            .variance = m + 3 * n,
                            .edge = m + 4 * n,
                            .bare = m + 5 * n};
    }
}

static void plan_clear(plan *p)
{
    g_free(p->axis[0].at);
    g_free(p->pose);
    g_free(p->input);
}

/* ---- measuring ---- */

static rw_affine film_to_px(const plan *p)
{
    double k = p->px_per_mm;
    return (rw_affine){{{k, 0, -k * p->centre.x}, {0, k, -k * p->centre.y}}};
}

static rw_consensus_view view_of(const plan *p, const rw_steady_input *input)
{
    rw_consensus_view v = {.sight = input->sight};
    rw_affine still_to_film;
    if (v.sight && v.sight->version != RW_STEADY_VERSION)
        v.sight = NULL;
    if (v.sight && rw_affine_invert(input->film_to_still, &still_to_film))
        v.still_to_px = rw_affine_then(still_to_film, film_to_px(p));
    else
        v.sight = NULL;
    return v;
}

/* The jitter is what it is; whatever a measurement adds to it is error. */
static double cost_of(plan *p, const rw_consensus_frame *path, const rw_steady_input *inputs,
                      int count)
{
    int t = 0;
    for (int i = 0; i < count; i++)
        if (i == 0 || !inputs[i].doubled)
            p->pose[t++] = path[i];
    draw_lines(p);
    double lost = 1 - (double)count_measured(p) / p->count;
    return (1 + 4 * lost) *
           (p->axis[X].sigma * p->axis[X].sigma + p->axis[Y].sigma * p->axis[Y].sigma);
}

static void write_poses(const plan *p, const rw_consensus *consensus, const rw_steady_input *inputs,
                        const rw_consensus_frame *path, int count, rw_steady_pose *poses)
{
    for (int i = 0; i < count; i++) {
        rw_affine scene = film_affine(p, path[i].turn, path[i].shift);
        poses[i] =
            (rw_steady_pose){.scene_to_still = rw_affine_then(scene, inputs[i].film_to_still),
                             .sd = path[i].sd,
                             .background = path[i].background};
        rw_consensus_left(consensus, i, &poses[i].left_x, &poses[i].left_y);
    }
}

/* Where the camera moved, near and far things may have moved apart: the second way of looking at
 * the same sights is taken where it leaves clearly less unexplained. */
void rw_steady_measure(const rw_steady_input *inputs, int count, rw_rect picture,
                       rw_steady_pose *poses)
{
    g_return_if_fail(count > 0 && picture.width > 0 && picture.height > 0);
    plan p;
    plan_init(&p, inputs, count, picture);
    rw_consensus_view *views = g_new(rw_consensus_view, count);
    for (int i = 0; i < count; i++)
        views[i] = view_of(&p, &inputs[i]);
    rw_consensus *consensus = rw_consensus_new(views, count);
    const rw_consensus_frame *path = rw_consensus_run(consensus, false);
    double tight = cost_of(&p, path, inputs, count);
    write_poses(&p, consensus, inputs, path, count, poses);
    if (!(p.axis[X].still && p.axis[Y].still)) {
        path = rw_consensus_run(consensus, true);
        if (cost_of(&p, path, inputs, count) <= DRIFT_MUST_SAVE * tight)
            write_poses(&p, consensus, inputs, path, count, poses);
    }
    rw_consensus_free(&consensus);
    g_free(views);
    plan_clear(&p);
}

/* ---- the plan ---- */

/* The pose on the film as it is placed now. */
static rw_consensus_frame on_film(const plan *p, const rw_steady_input *input,
                                  const rw_steady_pose *pose)
{
    rw_consensus_frame f = {.turn = 1, .sd = HUGE_VAL, .background = pose->background};
    rw_affine still_to_film;
    if (isinf(pose->sd) || !rw_affine_invert(input->film_to_still, &still_to_film))
        return f;
    rw_affine a = rw_affine_then(pose->scene_to_still, still_to_film);
    rw_point c = rw_affine_apply(a, p->centre.x, p->centre.y);
    f.turn = (a.m[0][0] + a.m[1][1]) / 2 + I * (a.m[1][0] - a.m[0][1]) / 2;
    f.shift = (c.x - p->centre.x + I * (c.y - p->centre.y)) * p->px_per_mm;
    f.sd = pose->sd;
    return f;
}

/* when[i]: the moment of input i. */
static void read_poses(plan *p, const rw_steady_input *inputs, const rw_steady_pose *poses,
                       int count, int *when)
{
    int t = -1;
    for (int i = 0; i < count; i++) {
        when[i] = i == 0 || !inputs[i].doubled ? ++t : t;
        if (i && inputs[i].doubled)
            continue;
        p->pose[t] = on_film(p, &inputs[i], &poses[i]);
        if (isinf(p->pose[t].sd) && t) { /* for want of better: as the one before */
            p->pose[t].turn = p->pose[t - 1].turn;
            p->pose[t].shift = p->pose[t - 1].shift;
        }
    }
}

static void run_plan(plan *p, const rw_steady_params *params, rw_steady_scene *scene)
{
    settle_measured(p);
    scene->background = median_background(p);
    int measured = count_measured(p);
    rw_steady_mode found = choose_mode(p, measured, scene);
    scene->mode = params->mode == RW_STEADY_AUTO ? found : (rw_steady_mode)params->mode;
    if (params->mode != RW_STEADY_AUTO) {
        g_autofree char *own = g_strdup(scene->reason);
        g_snprintf(scene->reason, sizeof scene->reason, "Chosen. Left to itself: %s", own);
    }
    choose_want(p, scene->mode, params);
    fill_scene(p, scene);
}

void rw_steady_plan(const rw_steady_input *inputs, const rw_steady_pose *poses, int count,
                    rw_rect picture, rw_rect want, const rw_steady_params *params,
                    rw_steady_frame *frames, rw_steady_scene *scene)
{
    g_return_if_fail(count > 0 && picture.height > 0 && want.width > 0 && want.height > 0);
    memset(scene, 0, sizeof *scene);
    plan p;
    plan_init(&p, inputs, count, picture);
    int *when = g_new(int, count);
    read_poses(&p, inputs, poses, count, when);
    draw_lines(&p);
    run_plan(&p, params, scene);
    fill_frames(&p, inputs, poses, when, count, scene->mode == RW_STEADY_OFF, frames);
    choose_crop(inputs, frames, count, want, params, scene);
    g_free(when);
    plan_clear(&p);
}
