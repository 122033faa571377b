/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Curves against the values of their standards; cadence, geometry and planning of finish.
 */
#include <math.h>

#include <reelwright/colour.h>
#include <reelwright/param.h>
#include <reelwright/reel.h>
#include <reelwright/stage.h>

#include "finish/compose.h"
#include "finish/timeline.h"

static void assert_near(double got, double want, double tolerance)
{
    g_assert_cmpfloat(fabs(got - want), <=, tolerance);
}

static void test_curve_values(void)
{
    const rw_curve *srgb = rw_curve_find("srgb"), *bt709 = rw_curve_find("bt709");
    /* IEC 61966-2-1, worked out from its formula to seven places. */
    assert_near(srgb->from_light(0.18), 0.461356, 5e-7);
    assert_near(srgb->to_light(0.5), 0.2140411, 5e-8);
    assert_near(srgb->to_light(128.0 / 255), 0.2158605, 5e-8);
    /* ITU-R BT.709-6 with its printed 1.099 and 0.018; ours has the exact join, which lies within
     * 3e-4 of it everywhere. */
    assert_near(bt709->from_light(0.18), 0.40901, 3e-4);
    assert_near(bt709->from_light(0.5), 0.70552, 3e-4);
    assert_near(bt709->from_light(0.018), 0.0810, 3e-4);
    for (int i = 0; i <= 1000; i++) {
        double l = i / 1000.0;
        double printed = l < 0.018 ? 4.5 * l : 1.099 * pow(l, 0.45) - 0.099;
        assert_near(bt709->from_light(l), printed, 3e-4);
    }
    /* ITU-R BT.1886 Annex 1: Lw 100, Lb 0.1 gives L(0.5) = 21.60491; black 0 gives 0.5^2.4. */
    assert_near(rw_bt1886_light(0.5, 100, 0.1), 21.60491, 5e-6);
    assert_near(rw_bt1886_light(1, 100, 0.1), 100, 1e-9);
    assert_near(rw_bt1886_light(0, 100, 0.1), 0.1, 1e-9);
    assert_near(rw_curve_find("bt1886")->to_light(0.5), 0.189465, 5e-7);
    g_assert_null(rw_curve_find("gamma"));
}

/* Laws that every row of the table must hold. */
static void test_curve_laws(void)
{
    for (const rw_curve *const *c = rw_curve_all(); *c; c++) {
        const rw_curve *curve = *c;
        g_assert_true(rw_curve_find(curve->name) == curve);
        assert_near(curve->from_light(0), 0, 0);
        assert_near(curve->from_light(1), 1, 1e-12);
        assert_near(curve->to_light(1), 1, 1e-12);
        assert_near(curve->to_light(-1), 0, 0);
        assert_near(curve->from_light(2), 1, 1e-12);
        double last = -1;
        for (int code = 0; code <= 65535; code += 5) {
            double v = code / 65535.0, light = curve->to_light(v);
            g_assert_cmpfloat(light, >, last);
            last = light;
            assert_near(curve->from_light(light), v, 2e-7); /* sRGB's own rounding of its join */
        }
        float table[256];
        rw_curve_fill_table(curve, 8, table);
        assert_near((double)table[128], curve->to_light(128.0 / 255), 1e-7);
        assert_near((double)table[255], 1, 0);
    }
}

typedef struct sample_params {
    double share;
    int steps;
    bool keep;
    int fill;
} sample_params;
static const char *const fills[] = {"hold", "blend", NULL};
static const rw_param sample_rows[] = {
    RW_PARAM_NUMBER_ROW(sample_params, share, "Share", "", -1, 1, 0.1, "Share."),
    RW_PARAM_WHOLE_ROW(sample_params, steps, "Steps", "", 1, 9, 3, "Steps."),
    RW_PARAM_SWITCH_ROW(sample_params, keep, "Keep", true, "Keep."),
    RW_PARAM_WORD_ROW(sample_params, fill, "Fill", fills, 2, 1, "Fill."), RW_PARAM_END};

static void assert_refused(const char *key, const char *text)
{
    g_autoptr(GError) error = NULL;
    sample_params p, before;
    memset(&p, 0, sizeof p);
    rw_params_defaults(sample_rows, &p);
    before = p;
    g_assert_false(rw_params_set(sample_rows, &p, key, text, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
    g_assert_nonnull(strstr(error->message, key));
    g_assert_true(memcmp(&p, &before, sizeof p) == 0);
}

static void test_params(void)
{
    sample_params p, q;
    rw_params_defaults(sample_rows, &p);
    assert_near(p.share, 0.1, 0);
    g_assert_cmpint(p.steps, ==, 3);
    g_assert_true(p.keep);
    g_assert_cmpint(p.fill, ==, 1);
    g_autofree char *first = rw_params_hash(sample_rows, &p);
    const char *const settings[][2] = {
        {"share", "-0.3"}, {"steps", "9"}, {"keep", "off"}, {"fill", "hold"}};
    rw_params_defaults(sample_rows, &q);
    for (size_t i = 0; i < G_N_ELEMENTS(settings); i++) {
        g_assert_true(rw_params_set(sample_rows, &p, settings[i][0], settings[i][1], NULL));
        g_autofree char *text = rw_params_get(sample_rows, &p, settings[i][0]);
        g_assert_true(rw_params_set(sample_rows, &q, settings[i][0], text, NULL));
    }
    g_assert_true(p.share == q.share && p.steps == q.steps && p.keep == q.keep && p.fill == q.fill);
    g_autofree char *second = rw_params_hash(sample_rows, &p);
    g_assert_cmpstr(first, !=, second);
    g_assert_cmpuint(strlen(second), ==, 16);
    const char *const refused[][2] = {{"share", "2"},   {"share", "nan"}, {"share", ""},
                                      {"share", "1x"},  {"steps", "1.5"}, {"keep", "yes"},
                                      {"fill", "soft"}, {"colour", "1"}};
    for (size_t i = 0; i < G_N_ELEMENTS(refused); i++)
        assert_refused(refused[i][0], refused[i][1]);
}

/* Every row of the stage table is one that the pipeline and the page can rely on. */
static void test_stage_table(void)
{
    for (const rw_stage *const *s = rw_stages(); *s; s++) {
        const rw_stage *stage = *s;
        g_assert_true(rw_stage_find(stage->name) == stage);
        g_assert_cmpint(stage->version, >=, 1);
        g_assert_true(stage->title && stage->help);
        g_assert_true((stage->params != NULL) == (stage->params_size > 0));
        g_assert_true((stage->observe != NULL) == (stage->prepare != NULL));
        g_assert_true((stage->observe != NULL) == (stage->observation_bytes > 0));
        g_assert_cmpint(stage->observe_reach, <=, RW_REACH_MAX);
        g_autofree void *params = g_malloc0(MAX(stage->params_size, 1));
        rw_params_defaults(stage->params, params);
        for (const rw_param *row = stage->params; row && row->key; row++) {
            g_assert_cmpfloat(row->min, <=, row->initial);
            g_assert_cmpfloat(row->initial, <=, row->max);
            g_assert_cmpuint(row->offset, <, stage->params_size);
            g_assert_true(row->label && row->help && row->unit);
            g_assert_true((row->kind == RW_PARAM_WORD) == (row->words != NULL));
        }
        int before = 0, after = 0;
        if (stage->reach)
            stage->reach(params, &before, &after);
        g_assert_true(before >= 0 && before <= RW_REACH_MAX && after >= 0 && after <= RW_REACH_MAX);
    }
}

/* ---- cadence ---- */

/* How often each film frame is shown over one period, as in the usual tables. */
static void assert_repeats(rw_rational film, rw_rational out, const int *repeats, int n)
{
    int64_t j = 0;
    for (int t = 0; t < 3 * n; t++) {
        g_assert_cmpint(rw_cadence_first(film, out, t), ==, j);
        for (int k = 0; k < repeats[t % n]; k++, j++)
            g_assert_cmpint(rw_cadence_entry(film, out, j), ==, t);
    }
}

/* Worked out by hand from "output j shows floor(j * film / out)"; 18 to 24 as 2:1:1 and 24 to 60 as
 * 3:2 are common practice in the trade. */
static void test_cadence(void)
{
    static const struct {
        rw_rational film, out;
        int repeats[18], n;
    } rows[] = {
        {{16, 1}, {24, 1}, {2, 1}, 2},
        {{16, 1}, {25, 1}, {2, 2, 1, 2, 1, 2, 1, 2, 2, 1, 2, 1, 2, 1, 2, 1}, 16},
        {{16, 1}, {30, 1}, {2, 2, 2, 2, 2, 2, 2, 1}, 8},
        {{16, 1}, {50, 1}, {4, 3, 3, 3, 3, 3, 3, 3}, 8},
        {{16, 1}, {60, 1}, {4, 4, 4, 3}, 4},
        {{50, 3}, {25, 1}, {2, 1}, 2},
        {{50, 3}, {50, 1}, {3}, 1},
        {{18, 1}, {24, 1}, {2, 1, 1}, 3},
        {{18, 1}, {25, 1}, {2, 1, 2, 1, 1, 2, 1, 2, 1, 1, 2, 1, 2, 1, 1, 2, 1, 1}, 18},
        {{18, 1}, {30, 1}, {2, 2, 1}, 3},
        {{18, 1}, {50, 1}, {3, 3, 3, 3, 2, 3, 3, 3, 2}, 9},
        {{18, 1}, {60, 1}, {4, 3, 3}, 3},
        {{20, 1}, {60, 1}, {3}, 1},
        {{24, 1}, {30, 1}, {2, 1, 1, 1}, 4},
        {{24, 1}, {60, 1}, {3, 2}, 2},
        {{18, 1}, {18, 1}, {1}, 1},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++)
        assert_repeats(rows[i].film, rows[i].out, rows[i].repeats, rows[i].n);
    /* rates over 1001 keep true time: 29.97 shows frame t for the first time at t / 18 s or the
     * next output after it, also a day into the film */
    const rw_rational film = {18, 1}, ntsc = {30000, 1001};
    for (int64_t t = 0; t < 2000000; t += 777) {
        int64_t j = rw_cadence_first(film, ntsc, t);
        g_assert_true(j * 1001 * 18 >= t * 30000 && (j - 1) * 1001 * 18 < t * 30000);
    }
    /* nothing overflows at the largest rates and numbers that can be given */
    const rw_rational fast = {1000000, 1001};
    g_assert_cmpint(rw_cadence_entry(fast, fast, INT64_C(1) << 40), ==, INT64_C(1) << 40);
}

/* ---- timeline ---- */

/* Frames as letters: '.' usable, 'm' missing, 'd' doubled; scenes begin at '|'. */
static void make_timeline(rw_timeline *t, const char *film, rw_finish_missing missing)
{
    rw_timeline_frame frames[64];
    int64_t scene_first[16];
    size_t count = 0;
    int scenes = 0;
    scene_first[scenes++] = 0;
    for (const char *c = film; *c; c++) {
        if (*c == '|') {
            scene_first[scenes++] = (int64_t)count;
            continue;
        }
        frames[count] =
            (rw_timeline_frame){(int64_t)count, *c == 'd' ? (int64_t)count - 1 : -1, *c != 'm'};
        count++;
    }
    rw_timeline_make(t, frames, count, scene_first, scenes, missing);
}

/* Every entry as "n>shown" or "n>a+b:hundredths of b". */
static void assert_shows(const char *film, rw_finish_missing missing, const char *expected)
{
    rw_timeline t;
    make_timeline(&t, film, missing);
    g_autoptr(GString) s = g_string_new(NULL);
    int64_t last = -1;
    for (guint i = 0; i < t.entries->len; i++) {
        const rw_entry *e = &g_array_index(t.entries, rw_entry, i);
        const rw_image *image = &g_array_index(t.images, rw_image, e->image);
        const rw_picture *a = &g_array_index(t.pictures, rw_picture, image->a);
        const rw_picture *b = &g_array_index(t.pictures, rw_picture, image->b);
        g_assert_true(e->image == last || e->image == last + 1); /* upwards, none left out */
        last = e->image;
        g_assert_true(e->held == (a->n != e->n));
        g_string_append_printf(s, "%s%d>%d", i ? " " : "", (int)e->n, (int)a->n);
        if (b != a)
            g_string_append_printf(s, "+%d:%.0f", (int)b->n, image->b_share * 100);
    }
    g_assert_cmpstr(s->str, ==, expected);
    rw_timeline_clear(&t);
}

static void test_timeline(void)
{
    const rw_finish_missing hold = RW_FINISH_HOLD, blend = RW_FINISH_BLEND;
    assert_shows("...", hold, "0>0 1>1 2>2");
    assert_shows(".m.", hold, "0>0 1>0 2>2");
    assert_shows(".mm.", hold, "0>0 1>0 2>0 3>3");
    assert_shows(".m.", blend, "0>0 1>0+2:50 2>2");
    assert_shows(".mmm.", blend, "0>0 1>0+4:25 2>0+4:50 3>0+4:75 4>4");
    /* at the edges of the reel and of a scene */
    assert_shows("m.m", hold, "0>1 1>1 2>1");
    assert_shows("m.m", blend, "0>1 1>1 2>1");
    assert_shows("..|m.", hold, "0>0 1>1 2>3 3>3");
    assert_shows(".m|m.", blend, "0>0 1>0 2>3 3>3");
    assert_shows(".|mm|.", hold, "0>0 1>0 2>0 3>3"); /* a scene without any picture */
    assert_shows("mm|.", hold, "0>2 1>2 2>2");
    /* a doubled still is used once: it is no frame of the film */
    assert_shows("..d.", hold, "0>0 1>1 3>3");
    assert_shows("..ddm.", blend, "0>0 1>1 4>1+5:75 5>5");
    assert_shows("mm", hold, "");
    assert_shows("", hold, "");
}

static void test_scene_windows(void)
{
    rw_timeline t;
    make_timeline(&t, "..m|..d.|.", RW_FINISH_HOLD);
    static const int first[] = {0, 0, 2, 2, 2, 5}, last[] = {1, 1, 4, 4, 4, 5};
    g_assert_cmpuint(t.pictures->len, ==, G_N_ELEMENTS(first));
    for (guint i = 0; i < t.pictures->len; i++) {
        const rw_picture *p = &g_array_index(t.pictures, rw_picture, i);
        g_assert_cmpint(p->first, ==, first[i]);
        g_assert_cmpint(p->last, ==, last[i]);
    }
    rw_timeline_clear(&t);
}

/* ---- composition ---- */

static void assert_at(rw_affine a, double x, double y, double want_x, double want_y)
{
    rw_point p = rw_affine_apply(a, x, y);
    assert_near(p.x, want_x, 1e-9);
    assert_near(p.y, want_y, 1e-9);
}

static void test_composition(void)
{
    const rw_gauge *gauge = rw_gauge_find("super8");
    rw_rect r = gauge->projectable;
    double cx = r.x + r.width / 2, cy = r.y + r.height / 2;
    /* 5.31 x 4.01 is 1.324 : 1, within 2 % of 4 : 3: it fills, trimmed above and below */
    rw_framing upright = rw_framing_make(gauge, 1, false, 0, 0, 1);
    rw_composition c = rw_composition_make(&upright, 1440, 1080);
    assert_near(c.px_per_mm, 1440 / 5.31, 1e-9);
    g_assert_true(c.picture.x == 0 && c.picture.y == 0 && c.picture.width == 1440 &&
                  c.picture.height == 1080);
    assert_at(c.film_to_frame, cx, cy, 719.5, 539.5);
    assert_at(c.film_to_frame, r.x, cy, -0.5, 539.5); /* the film's left is the frame's left */
    assert_at(c.film_to_frame, cx, cy + 1, 719.5, 539.5 + 1440 / 5.31);
    /* turned: down is film -y; mirrored: left is the far side */
    rw_framing turned = rw_framing_make(gauge, -1, false, 0, 0, 1);
    c = rw_composition_make(&turned, 1440, 1080);
    assert_at(c.film_to_frame, r.x, cy + 1, -0.5, 539.5 - 1440 / 5.31);
    rw_framing mirrored = rw_framing_make(gauge, 1, true, 0, 0, 1);
    c = rw_composition_make(&mirrored, 1440, 1080);
    assert_at(c.film_to_frame, r.x, cy, 1439.5, 539.5);
    /* 16 : 9 stands between bars at the sides, a tall frame between bars above and below */
    c = rw_composition_make(&upright, 1920, 1080);
    assert_near(c.px_per_mm, 1080 / 4.01, 1e-9);
    g_assert_true(c.picture.x == 245 && c.picture.width == 1430 && c.picture.height == 1080);
    c = rw_composition_make(&upright, 1000, 1000);
    g_assert_true(c.picture.y == 122 && c.picture.height == 756 && c.picture.width == 1000);
    /* a crop is spoken of as seen: right and down, whichever way up the film lies */
    static const struct {
        int way_up;
        bool mirror;
    } lies[] = {{1, false}, {-1, false}, {1, true}, {-1, true}};
    for (size_t i = 0; i < G_N_ELEMENTS(lies); i++) {
        rw_framing plain = rw_framing_make(gauge, lies[i].way_up, lies[i].mirror, 0, 0, 0.5);
        rw_framing moved = rw_framing_make(gauge, lies[i].way_up, lies[i].mirror, 0.1, 0.2, 0.5);
        rw_composition a = rw_composition_make(&plain, 1440, 1080);
        rw_composition b = rw_composition_make(&moved, 1440, 1080);
        rw_point from = rw_affine_apply(a.film_to_frame, cx, cy);
        rw_point to = rw_affine_apply(b.film_to_frame, cx, cy);
        assert_near(from.x - to.x, 0.1 * a.px_per_mm, 1e-9); /* looking right, things go left */
        assert_near(from.y - to.y, 0.2 * a.px_per_mm, 1e-9);
        assert_near(a.px_per_mm, 2 * 1440 / 5.31, 1e-9);
    }
    /* a smaller frame shows the same corners */
    rw_composition full = rw_composition_make(&upright, 1440, 1080);
    rw_composition small = rw_composition_scaled(&full, 360);
    g_assert_true(small.width == 360 && small.height == 270);
    rw_point corner = rw_affine_apply(full.film_to_frame, r.x, r.y);
    assert_at(small.film_to_frame, r.x, r.y, (corner.x + 0.5) / 4 - 0.5,
              (corner.y + 0.5) / 4 - 0.5);
}

static void test_sizes(void)
{
    rw_rect rect = rw_gauge_find("super8")->projectable;
    static const struct {
        const char *text;
        int width, height; /* 0: refused */
    } rows[] = {{"hd", 1440, 1080},
                {"uhd", 2880, 2160},
                {"640x480", 640, 480},
                {"native", 4424, 3342}, /* 5.31 x 4.01 mm at 833.333 px/mm: 4425 x 3341.7 */
                {"641x480", 0, 0},
                {"640x", 0, 0},
                {"x480", 0, 0},
                {"640x480x2", 0, 0},
                {"640X480", 0, 0},
                {"0x0", 0, 0},
                {"-640x-480", 0, 0},
                {"99999x99999", 0, 0},
                {"640x -480", 0, 0},
                {"", 0, 0},
                {"4k", 0, 0}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        g_autoptr(GError) error = NULL;
        int width = 0, height = 0;
        bool ok = rw_size_parse(rows[i].text, rect, 2500.0 / 3, &width, &height, &error);
        g_assert_true(ok == (rows[i].width > 0));
        g_assert_true(ok || g_error_matches(error, RW_ERROR, RW_ERROR_USAGE));
        g_assert_cmpint(abs(width - rows[i].width), <=, 2);
        g_assert_cmpint(abs(height - rows[i].height), <=, 2);
        g_assert_true(width % 2 == 0 && height % 2 == 0);
    }
}

/* Decoding leaves at least 1.4 pixels for each of the frame's, or all there are. */
static void test_scaled_decode(void)
{
    int last = 0;
    for (double reduction = 20; reduction > 0.1; reduction *= 0.97) {
        int eighths = rw_scaled_decode(reduction);
        g_assert_true(reduction * eighths / 8 >= 1.4 || eighths == 8);
        g_assert_cmpint(eighths, >=, last); /* never less for a larger movie */
        last = eighths;
    }
    g_assert_cmpint(rw_scaled_decode(3.07), ==, 4); /* 24 megapixels of Super 8 at HD */
}

/* All placements at once are those that are read one by one, a person's included. */
static void test_placements(void)
{
    g_autoptr(GError) error = NULL;
    g_autofree char *folder = g_dir_make_tmp("rw-place-XXXXXX", NULL);
    g_autofree char *path = g_build_filename(folder, "reel", NULL);
    rw_reel *reel = rw_reel_create(path, "super8", rw_rational_make(18, 1), "", &error);
    g_assert_no_error(error);
    for (int64_t n = 0; n < 6; n++) {
        rw_geometry_row row = {n, {{{800 + (double)n, 0, 1}, {0, 800, 2}}}, "perforation", 0.5};
        if (n != 2 && n != 3)
            g_assert_true(rw_reel_put_geometry(reel, &row, NULL));
    }
    g_autofree char *text = rw_placement_format((rw_affine){{{700, 1, 2}, {3, 700, 4}}});
    g_assert_true(rw_reel_put_choice(reel, "frame:3", "registration", text, NULL));
    g_assert_true(rw_reel_put_choice(reel, "frame:4", "registration", text, NULL));
    g_assert_true(rw_reel_put_choice(reel, "frame:40", "registration", text, NULL));
    g_autoptr(GArray) rows = rw_reel_placements(reel, 1, 4, &error);
    g_assert_no_error(error);
    g_assert_cmpuint(rows->len, ==, 4);
    for (int64_t n = 1; n <= 4; n++) {
        const rw_geometry_row *all = &g_array_index(rows, rw_geometry_row, n - 1);
        rw_geometry_row one = {.n = n};
        bool found = rw_reel_get_placement(reel, n, &one, NULL);
        g_assert_true(found == (n != 2));
        g_assert_cmpint(all->n, ==, n);
        g_assert_cmpstr(all->method, ==, found ? one.method : "");
        g_assert_true(memcmp(&all->film_to_still, &one.film_to_still, sizeof(rw_affine)) == 0);
        g_assert_true(all->confidence == one.confidence);
    }
    rw_reel_put_choice(reel, "frame:3", "registration", "somewhere", NULL);
    g_assert_null(rw_reel_placements(reel, 1, 4, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_DAMAGED);
    rw_reel_close(&reel);
    g_autofree char *quoted = g_shell_quote(folder);
    g_autofree char *command = g_strdup_printf("rm -rf %s", quoted);
    g_assert_true(g_spawn_command_line_sync(command, NULL, NULL, NULL, NULL));
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/finish/curve/values", test_curve_values);
    g_test_add_func("/finish/curve/laws", test_curve_laws);
    g_test_add_func("/finish/params", test_params);
    g_test_add_func("/finish/stage-table", test_stage_table);
    g_test_add_func("/finish/cadence", test_cadence);
    g_test_add_func("/finish/timeline", test_timeline);
    g_test_add_func("/finish/scene-windows", test_scene_windows);
    g_test_add_func("/finish/composition", test_composition);
    g_test_add_func("/finish/sizes", test_sizes);
    g_test_add_func("/finish/scaled-decode", test_scaled_decode);
    g_test_add_func("/finish/placements", test_placements);
    return g_test_run();
}
