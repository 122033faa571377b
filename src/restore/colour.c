/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * colour.c - light and colour, scene by scene: what can be righted by itself, then what a person
 * chose, all in one pass (colour/grade.h).
 *
 * 1. Light: the camera's matrix, the lamp made neutral and steady along the reel.
 * 2. Density: faded dyes brought back, the scene's balance; then exposure, warmth, tint and
 *    contrast, which in density are straight lines, as when a print is timed:
 *        D' = contrast * (D - D_grey) + D_grey - log10(2) * stops_of_channel
 *    with D_grey that of 18 % light, which contrast leaves where it is [C]. Warmth gives red and
 *    takes from blue, tint gives red and blue and takes from green; both keep the luminance of a
 *    neutral grey (BT.709 weights).
 * 3. As the display is sent it: black and white point, saturation, the ASC CDL, a lookup table.
 *
 * What is righted by itself comes from the survey's fact "colour"; without it, or on a reel that
 * needs nothing, a picture is passed on as it is.
 */
#include <math.h>
#include <string.h>

#include "base/pool.h"
#include "colour/grade.h"
#include "colour/reel_colour.h"
#include "restore/stages.h"

/* Stored by name in reel.db. */
typedef struct colour_params {
    bool lamp;
    double fade, balance;
    int dyes, range;
    double exposure, contrast, black, white;
    double warmth, tint, saturation;
    double slope[3], offset[3], power[3], cdl_saturation;
    char cube[RW_PARAM_TEXT_BYTES], camera[RW_PARAM_TEXT_BYTES];
} colour_params;

#define ROW(kind_, key_, label_, unit_, lo, hi, start, member, words_, part_, help_)               \
    {                                                                                              \
        .key = key_, .label = label_, .unit = unit_, .kind = kind_, .min = lo, .max = hi,          \
        .initial = start, .offset = offsetof(colour_params, member), .words = words_,              \
        .part = part_, .help = help_                                                               \
    }
#define NUMBER(part, key, label, unit, lo, hi, start, member, help)                                \
    ROW(RW_PARAM_NUMBER, key, label, unit, lo, hi, start, member, NULL, part, help)
#define THREE(what, label, lo, hi, start, member, help)                                            \
    NUMBER(decision, what "-red", label ", red", "", lo, hi, start, member[0], help),              \
        NUMBER(decision, what "-green", label ", green", "", lo, hi, start, member[1], help),      \
        NUMBER(decision, what "-blue", label ", blue", "", lo, hi, start, member[2], help)

#define automatic "By itself"
#define tones     "Light"
#define hues      "Colour"
#define decision  "Slope, offset, power"
#define tables    "Tables"

static const char *const ranges[] = {"film", "full", NULL};
static const char *const verdicts[] = {"auto", "faded", "whole", NULL};

static const rw_param rows[] = {
    ROW(RW_PARAM_SWITCH, "lamp", "Even lamp", "", 0, 1, 1, lamp, NULL, automatic,
        "Takes the colour of the lamp and its drift along the reel out, as the clear light of the "
        "perforations shows them."),
    NUMBER(automatic, "fade", "Faded dyes", "", 0, 1, 1, fade,
           "How much of what time took from the dyes is given back; a reel that holds its colour "
           "is left alone."),
    ROW(RW_PARAM_WORD, "dyes", "Dyes", "", 0, 2, 0, dyes, verdicts, automatic,
        "Whether they count as faded: as the survey judges the reel, or as a person knows; it "
        "judges "
        "with care where no unexposed film is seen."),
    NUMBER(automatic, "balance", "Scene balance", "", 0, 1, 1, balance,
           "How far a scene that is far off the rest of the reel in colour or light is drawn "
           "towards it."),
    ROW(RW_PARAM_WORD, "range", "Tones", "", 0, 1, 0, range, ranges, automatic,
        "Black and white as the film has them, or the film's white at full light and its black at "
        "none."),
    NUMBER(tones, "exposure", "Exposure", "stops", -4, 4, 0, exposure,
           "Lighter or darker, as if the lamp had been set otherwise."),
    NUMBER(tones, "contrast", "Contrast", "", 0.4, 2.5, 1, contrast,
           "Slope of density about middle grey; 1 is the film's own."),
    NUMBER(tones, "black", "Black point", "", -0.3, 0.5, 0, black,
           "The tone that becomes black, of the display's range."),
    NUMBER(tones, "white", "White point", "", 0.6, 1.6, 1, white,
           "The tone that becomes white, of the display's range."),
    NUMBER(hues, "warmth", "Warmth", "stops", -2, 2, 0, warmth,
           "Red against blue; the brightness of a grey stays."),
    NUMBER(hues, "tint", "Tint", "stops", -2, 2, 0, tint,
           "Magenta against green; the brightness of a grey stays."),
    NUMBER(hues, "saturation", "Saturation", "", 0, 2, 1, saturation,
           "Strength of all colours; 0 is grey."),
    THREE("slope", "Slope", 0, 4, 1, slope, "Multiplies the tones of one colour."),
    THREE("offset", "Offset", -1, 1, 0, offset, "Is added to the tones of one colour."),
    THREE("power", "Power", 0.1, 4, 1, power,
          "Bends the tones of one colour: over 1 darkens the middle."),
    NUMBER(decision, "cdl-saturation", "Saturation of these", "", 0, 4, 1, cdl_saturation,
           "Strength of all colours after slope, offset and power."),
    ROW(RW_PARAM_TEXT, "cube", "Lookup table", "", 0, RW_PARAM_TEXT_BYTES - 1, 0, cube, NULL,
        tables,
        "A .cube table over the display's tones, the last thing that is done; a copy is kept with "
        "the reel."),
    ROW(RW_PARAM_TEXT, "camera", "Camera matrix", "", 0, RW_PARAM_TEXT_BYTES - 1, 0, camera, NULL,
        tables,
        "Nine numbers, row by row, that turn the camera's linear red, green and blue into those "
        "of BT.709, as a photograph of a colour chart gives them."),
    RW_PARAM_END};

#undef automatic
#undef tones
#undef hues
#undef decision
#undef tables

static const double weight[3] = {0.2126, 0.7152, 0.0722};

static bool idle(const void *params)
{
    colour_params none;
    memset(&none, 0, sizeof none);
    rw_params_defaults(rows, &none);
    none.lamp = false;
    none.fade = none.balance = 0;
    if (((const colour_params *)params)->fade == 0)
        none.dyes = ((const colour_params *)params)->dyes; /* then it says nothing */
    for (const rw_param *row = rows; row->key; row++) {
        g_autofree char *a = rw_params_get(rows, params, row->key);
        g_autofree char *b = rw_params_get(rows, &none, row->key);
        if (!g_str_equal(a, b))
            return false;
    }
    return true;
}

/* ---- what holds for a whole scene ---- */

typedef struct equipment {
    rw_grade grade;
    bool changes;  /* the grade does anything by itself */
    bool lamp;     /* each frame's drift is taken out, too */
    float gain[3]; /* of a neutral grey, for the trace */
    rw_lut *lut;
    GBytes *fact;
    const rw_reel_colour *reel; /* in fact; NULL */
} equipment;

static void unequip(void *data)
{
    equipment *e = data;
    rw_lut_free(&e->lut);
    g_clear_pointer(&e->fact, g_bytes_unref);
    g_free(e);
}

/* matrix = rows . matrix, of 3 x 4 maps. */
static void then(float matrix[3][4], const double next[3][4])
{
    float out[3][4];
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 4; j++) {
            double sum = j == 3 ? next[i][3] : 0;
            for (int k = 0; k < 3; k++)
                sum += next[i][k] * (double)matrix[k][j];
            out[i][j] = (float)sum;
        }
    memcpy(matrix, out, sizeof out);
}

static bool read_camera(const colour_params *p, rw_grade *grade, GError **error)
{
    if (!*p->camera)
        return true;
    double next[3][4] = {{0}};
    const char *at = p->camera;
    bool ok = true;
    for (int i = 0; ok && i < 9; i++) {
        char *end;
        double v = g_ascii_strtod(at, &end);
        ok = end != at && isfinite(v) && fabs(v) <= 100;
        next[i / 3][i % 3] = v;
        at = end;
    }
    if (!ok || *at) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED,
                    "The camera matrix \"%s\" is not nine numbers of at most 100 with blanks "
                    "between them.",
                    p->camera);
        return false;
    }
    then(grade->light, next);
    grade->steps |= RW_GRADE_LIGHT;
    return true;
}

static bool read_cube(const colour_params *p, const rw_stage_scene *scene, equipment *e,
                      GError **error)
{
    if (!*p->cube)
        return true;
    g_autoptr(GBytes) text = scene->kept_file(scene, p->cube, error);
    if (!text)
        return false;
    gsize bytes;
    const char *data = g_bytes_get_data(text, &bytes);
    e->lut = rw_lut_parse_cube(data, bytes, p->cube, error);
    e->grade.lut = e->lut;
    e->grade.steps |= RW_GRADE_LUT | RW_GRADE_CODED;
    return e->lut != NULL;
}

static void add_lamp(equipment *e)
{
    double next[3][4] = {{0}};
    bool any = false;
    for (int c = 0; c < 3; c++) {
        next[c][c] = (double)e->reel->lamp[c];
        any = any || e->reel->lamp[c] != 1;
    }
    if (any) {
        then(e->grade.light, next);
        e->grade.steps |= RW_GRADE_LIGHT;
    }
    e->lamp = e->reel->n_frames > 0;
}

static void add_fade(equipment *e, double strength, int dyes)
{
    strength *= dyes == 0 ? (double)e->reel->fade_evidence : dyes == 1;
    if (strength <= 0)
        return;
    double next[3][4];
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 4; j++)
            next[i][j] = (i == j) + strength * ((double)e->reel->fade[i][j] - (double)(i == j));
    then(e->grade.density, next);
    e->grade.steps |= RW_GRADE_DENSITY | RW_GRADE_SHOULDER;
}

static void add_balance(equipment *e, const rw_stage_scene *scene, double strength)
{
    const rw_scene_colour *own = rw_reel_colour_scene(e->reel, scene->first);
    double next[3][4] = {{1}, {0, 1}, {0, 0, 1}};
    bool any = false;
    for (int c = 0; own && c < 3; c++) {
        next[c][3] = -strength * (double)own->balance[c];
        any = any || next[c][3] != 0;
    }
    if (!any)
        return;
    then(e->grade.density, next);
    e->grade.steps |= RW_GRADE_DENSITY | RW_GRADE_SHOULDER;
}

/* The film's white to full light, its black to none: in light, so that stray light goes, too. */
static void add_range(equipment *e)
{
    const rw_reel_colour *r = e->reel;
    double white = INFINITY, black = 0;
    for (int c = 0; c < 3; c++) {
        white = fmin(white, (double)r->white[c]);
        black = fmax(black, (double)r->black[c]);
    }
    if (!(black > white + 1))
        return;
    /* density white -> 0.02 stops, so that nothing new clips; black -> below what 8 bits show */
    double next[3][4] = {{0}};
    double slope = fmax(1, (9.0 - 0.02) / (black - white));
    slope = fmin(slope, 1.3);
    for (int c = 0; c < 3; c++) {
        next[c][c] = slope;
        next[c][3] = 0.02 - slope * white;
    }
    then(e->grade.density, next);
    e->grade.steps |= RW_GRADE_DENSITY | RW_GRADE_SHOULDER;
}

/* Stops given to each channel by exposure, warmth and tint. */
static void chosen_stops(const colour_params *p, double stops[3])
{
    const double hue[3] = {p->warmth / 2 + p->tint / 3, -2 * p->tint / 3,
                           -p->warmth / 2 + p->tint / 3};
    double luminance = 0;
    for (int c = 0; c < 3; c++)
        luminance += weight[c] * exp2(hue[c]);
    for (int c = 0; c < 3; c++)
        stops[c] = p->exposure + hue[c] - log2(luminance);
}

static void add_chosen(equipment *e, const colour_params *p)
{
    static const double grey = 2.473931188; /* -log2 0.18 */
    rw_grade *g = &e->grade;
    double stops[3], next[3][4] = {{0}};
    chosen_stops(p, stops);
    bool any = p->exposure != 0 || p->warmth != 0 || p->tint != 0;
    bool in_density = p->contrast != 1 || (g->steps & RW_GRADE_DENSITY);
    for (int c = 0; c < 3; c++) {
        next[c][c] = in_density ? p->contrast : exp2(stops[c]);
        next[c][3] = in_density ? grey - p->contrast * grey - stops[c] : 0;
    }
    if (in_density && (any || p->contrast != 1)) {
        then(g->density, next);
        g->steps |= RW_GRADE_DENSITY;
    } else if (any) {
        then(g->light, next);
        g->steps |= RW_GRADE_LIGHT;
    }
    if (any || p->contrast != 1)
        g->steps &= ~RW_GRADE_SHOULDER; /* a person says where white lies */
}

static void add_coded(equipment *e, const colour_params *p)
{
    rw_grade *g = &e->grade;
    if (p->black != 0 || p->white != 1) {
        g->levels[0] = (float)(1 / (p->white - p->black));
        g->levels[1] = (float)(-p->black / (p->white - p->black));
        g->steps |= RW_GRADE_CODED;
    }
    if (p->saturation != 1) {
        g->saturation = (float)p->saturation;
        g->steps |= RW_GRADE_CODED;
    }
    rw_cdl cdl = rw_cdl_identity();
    memcpy(cdl.slope, p->slope, sizeof cdl.slope);
    memcpy(cdl.offset, p->offset, sizeof cdl.offset);
    memcpy(cdl.power, p->power, sizeof cdl.power);
    cdl.saturation = p->cdl_saturation;
    rw_grade_set_cdl(g, &cdl);
}

static void *equip(const rw_stage_scene *scene, const void *params, GError **error)
{
    const colour_params *p = params;
    equipment *e = g_new0(equipment, 1);
    rw_grade_init(&e->grade);
    e->grade.shoulder = 0.15f;
    e->fact = scene->reel_fact ? scene->reel_fact(scene, "colour") : NULL;
    if (e->fact) {
        gsize bytes;
        const void *data = g_bytes_get_data(e->fact, &bytes);
        e->reel = rw_reel_colour_read(data, bytes);
    }
    if (!read_camera(p, &e->grade, error)) {
        unequip(e);
        return NULL;
    }
    if (e->reel) {
        if (p->lamp)
            add_lamp(e);
        add_fade(e, p->fade, p->dyes);
        if (p->balance > 0)
            add_balance(e, scene, p->balance);
        if (p->range)
            add_range(e);
    }
    add_chosen(e, p);
    add_coded(e, p);
    if (!read_cube(p, scene, e, error)) {
        unequip(e);
        return NULL;
    }
    e->changes = e->grade.steps != 0;
    double middle[3] = {0.18, 0.18, 0.18}, out[3];
    rw_grade_reference(&e->grade, middle, out);
    for (int c = 0; c < 3; c++)
        e->gain[c] = (float)(out[c] / 0.18);
    return e;
}

/* ---- one frame ---- */

/* The scene's grade with this frame's lamp in front; false when there is nothing to do. */
static bool grade_of(const equipment *e, int64_t n, rw_grade *grade, rw_stage_trace *trace)
{
    *grade = e->grade;
    for (int c = 0; c < 3; c++)
        trace->gain[c] = (double)e->gain[c];
    const rw_frame_colour *own = e->lamp ? rw_reel_colour_frame(e->reel, n) : NULL;
    bool drifts = own && (own->drift[0] != 0 || own->drift[1] != 0 || own->drift[2] != 0);
    if (!drifts)
        return e->changes;
    for (int c = 0; c < 3; c++) {
        double gain = exp2((double)own->drift[c]);
        trace->gain[c] *= gain;
        for (int row = 0; row < 3; row++)
            grade->light[row][c] *= (float)gain; /* before all else: it is the camera's light */
    }
    grade->steps |= RW_GRADE_LIGHT;
    return true;
}

static bool frame(const rw_stage_run *run, const rw_window *window, rw_frame *out,
                  rw_stage_trace *trace, GError **error)
{
    const rw_frame *in = rw_window_at(window, 0);
    rw_grade grade;
    if (!grade_of(run->equipment, in->n, &grade, trace)) {
        rw_frame_share(out, in);
        return true;
    }
    if (!rw_frame_alloc(out, run->pool, in->width, in->height, 3, error))
        return false;
    for (int y = 0; y < in->height; y++) {
        const float *from[3];
        float *to[3];
        for (int c = 0; c < 3; c++) {
            from[c] = in->plane[in->plane[c] ? c : 0] + (ptrdiff_t)y * in->stride;
            to[c] = out->plane[c] + (ptrdiff_t)y * out->stride;
        }
        rw_grade_row(&grade, to, from, in->width);
    }
    return true;
}

const rw_stage rw_stage_colour = {
    .name = "colour",
    .title = "Light and colour",
    .help = "Faded dyes and an uneven lamp put right; exposure, tones and colour, scene by scene.",
    .version = 2,
    .by_default = true,
    .params = rows,
    .params_size = sizeof(colour_params),
    .domain = RW_DOMAIN_LINEAR,
    .idle = idle,
    .equip = equip,
    .unequip = unequip,
    .frame = frame,
};
