/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <glib/gstdio.h>
#include <lcms2.h>

#include <reelwright/colour.h>

#include "colour/cdl.h"
#include "colour/lab.h"
#include "colour/lut.h"

/* Sharma, Wu, Dalal, Color Research & Application 30(1) 21-30, 2005, Table 1: all 34 pairs, both
 * ways round. */
static void test_ciede2000(void)
{
    g_autofree char *text = NULL;
    g_assert_true(g_file_get_contents(TEST_DATA "/ciede2000.csv", &text, NULL, NULL));
    g_auto(GStrv) lines = g_strsplit(text, "\n", -1);
    int pairs = 0;
    for (char **line = lines; *line; line++) {
        if (!g_ascii_isdigit(**line))
            continue;
        g_auto(GStrv) f = g_strsplit(*line, ",", -1);
        double v[8];
        for (int i = 1; i < 8; i++)
            v[i] = g_ascii_strtod(f[i], NULL);
        rw_lab one = {v[1], v[2], v[3]}, two = {v[4], v[5], v[6]};
        g_assert_cmpfloat_with_epsilon(rw_delta_e2000(one, two), v[7], 1e-4);
        g_assert_cmpfloat_with_epsilon(rw_delta_e2000(two, one), v[7], 1e-4);
        g_assert_cmpfloat(rw_delta_e2000(one, one), ==, 0);
        pairs++;
    }
    g_assert_cmpint(pairs, ==, 34);
}

/* sRGB primaries in Lab (D65), as a public colour library's unit test has them, +-0.02; L* values
 * from CIE 15: L*(0.18) = 49.4961, L* = 50 at Y = 0.184187. */
static void test_lab(void)
{
    static const struct {
        double rgb[3];
        rw_lab lab;
    } primaries[] = {{{1, 0, 0}, {53.24, 80.09, 67.20}},
                     {{0, 1, 0}, {87.73, -86.18, 83.18}},
                     {{0, 0, 1}, {32.30, 79.19, -107.86}}};
    for (size_t i = 0; i < G_N_ELEMENTS(primaries); i++) {
        rw_lab lab = rw_lab_from_linear(primaries[i].rgb);
        g_assert_cmpfloat_with_epsilon(lab.L, primaries[i].lab.L, 0.02);
        g_assert_cmpfloat_with_epsilon(lab.a, primaries[i].lab.a, 0.02);
        g_assert_cmpfloat_with_epsilon(lab.b, primaries[i].lab.b, 0.02);
    }
    rw_xyz grey = {0.18 * rw_white_d50.x, 0.18, 0.18 * rw_white_d50.z};
    g_assert_cmpfloat_with_epsilon(rw_lab_from_xyz(grey, rw_white_d50).L, 49.4961, 5e-5);
    rw_xyz mid = rw_xyz_from_lab((rw_lab){50, 0, 0}, rw_white_d65);
    g_assert_cmpfloat_with_epsilon(mid.y, 0.184187, 1e-6);
}

static void test_lab_round_trip(void)
{
    GRand *rand = g_rand_new_with_seed(7);
    for (int i = 0; i < 500; i++) {
        double rgb[3], back[3];
        for (int c = 0; c < 3; c++)
            rgb[c] = pow(g_rand_double(rand), 3); /* the dark, straight part of the curve too */
        rw_lab lab = rw_lab_from_linear(rgb);
        rw_linear_from_xyz(rw_xyz_from_lab(lab, rw_white_d65), back);
        for (int c = 0; c < 3; c++)
            g_assert_cmpfloat_with_epsilon(back[c], rgb[c], 1e-6);
    }
    rw_xyz white = rw_xyz_d50_to_d65(rw_white_d50);
    g_assert_cmpfloat_with_epsilon(white.x, rw_white_d65.x, 2e-4);
    g_assert_cmpfloat_with_epsilon(white.y, rw_white_d65.y, 2e-4);
    /* the PCS white 0.8249 is the s15Fixed16 of 0.8252 cut short: 4e-4 after the matrix */
    g_assert_cmpfloat_with_epsilon(white.z, rw_white_d65.z, 5e-4);
    g_rand_free(rand);
}

static char *random_cube(GRand *rand, int size)
{
    GString *s = g_string_new("# noise\nTITLE \"noise\"\n");
    g_string_append_printf(s, "LUT_3D_SIZE %d\n", size);
    for (int i = 0; i < size * size * size; i++)
        g_string_append_printf(s, "%.6f %.6f %.6f\n", g_rand_double(rand), g_rand_double(rand),
                               g_rand_double(rand));
    return g_string_free(s, FALSE);
}

/* Against libavfilter's lut3d, tetrahedral, on random tables in float. */
static void test_lut_reference(void)
{
    g_autofree char *ffmpeg = g_find_program_in_path("ffmpeg");
    if (!ffmpeg) {
        g_test_skip("ffmpeg is not installed");
        return;
    }
    enum { W = 64, H = 48, N = W * H };
    GRand *rand = g_rand_new_with_seed(11);
    g_autofree char *folder = g_dir_make_tmp("rw-lut-XXXXXX", NULL);
    g_autofree char *cube = g_build_filename(folder, "t.cube", NULL);
    g_autofree char *in = g_build_filename(folder, "in.raw", NULL);
    g_autofree char *out = g_build_filename(folder, "out.raw", NULL);
    for (int size = 2; size <= 17; size += 5) {
        g_autofree char *text = random_cube(rand, size);
        g_assert_true(g_file_set_contents(cube, text, -1, NULL));
        static float planes[3][N]; /* G, B, R: the order of gbrpf32 */
        for (int c = 0; c < 3; c++)
            for (int i = 0; i < N; i++)
                planes[c][i] = (float)g_rand_double(rand);
        memset(planes[0], 0, 16 * sizeof(float)); /* the corners and the diagonal */
        planes[1][0] = planes[2][0] = 1;
        planes[0][20] = planes[1][20] = planes[2][20] = 0.37f;
        planes[0][21] = planes[1][21] = planes[2][21] = 1.0f;
        g_assert_true(g_file_set_contents(in, (const char *)planes, sizeof planes, NULL));
        g_autofree char *filter = g_strdup_printf("lut3d=file=%s:interp=tetrahedral", cube);
        const char *argv[] = {
            ffmpeg, "-v", "error", "-y",   "-f", "rawvideo", "-pix_fmt", "gbrpf32le", "-s", "64x48",
            "-i",   in,   "-vf",   filter, "-f", "rawvideo", "-pix_fmt", "gbrpf32le", out,  NULL};
        g_assert_true(
            g_spawn_sync(NULL, (char **)argv, NULL, 0, NULL, NULL, NULL, NULL, NULL, NULL));
        g_autofree char *theirs = NULL;
        gsize bytes = 0;
        g_assert_true(g_file_get_contents(out, &theirs, &bytes, NULL));
        g_assert_cmpuint(bytes, ==, sizeof planes);
        g_autoptr(GError) error = NULL;
        rw_lut *lut = rw_lut_parse_cube(text, strlen(text), "t.cube", &error);
        g_assert_no_error(error);
        g_assert_cmpstr(rw_lut_title(lut), ==, "noise");
        rw_lut_apply(lut, planes[2], planes[0], planes[1], N);
        const float *t = (const float *)(const void *)theirs;
        for (int i = 0; i < 3 * N; i++)
            g_assert_cmpfloat_with_epsilon((&planes[0][0])[i], t[i], 2e-6f);
        rw_lut_free(&lut);
    }
    g_unlink(cube);
    g_unlink(in);
    g_unlink(out);
    g_rmdir(folder);
    g_rand_free(rand);
}

static void test_lut_parse(void)
{
    g_autoptr(GError) error = NULL;
    const char one[] = "LUT_1D_SIZE 3\r\nDOMAIN_MIN -1 -1 -1\r\nDOMAIN_MAX 1 1 3\r\n"
                       "0 0 0\r\n0.5 .25 1e0\r\n1 1 1"; /* no last newline */
    rw_lut *lut = rw_lut_parse_cube(one, strlen(one), "one", &error);
    g_assert_no_error(error);
    float r[] = {-5, 0, 0.5f, 9, NAN}, g[] = {-5, 0, 0.5f, 9, NAN}, b[] = {-5, 1, 0, 9, NAN};
    rw_lut_apply(lut, r, g, b, 5);
    g_assert_cmpfloat(r[0], ==, 0);
    g_assert_cmpfloat(r[1], ==, 0.5f);
    g_assert_cmpfloat(r[2], ==, 0.75f);
    g_assert_cmpfloat(g[2], ==, 0.625f);
    g_assert_cmpfloat(b[1], ==, 1);
    g_assert_cmpfloat(b[2], ==, 0.5f);
    g_assert_cmpfloat(r[3], ==, 1);
    g_assert_cmpfloat(r[4], ==, 0);
    rw_lut_free(&lut);
    static const char *const bad[] = {"",
                                      "0 0 0\n",
                                      "LUT_3D_SIZE 1\n",
                                      "LUT_3D_SIZE 257\n",
                                      "LUT_3D_SIZE 2\n0 0 0\n",
                                      "LUT_1D_SIZE 2\n0 0 0\n1 1 1\n1 1 1\n",
                                      "LUT_1D_SIZE 2\nLUT_3D_SIZE 2\n",
                                      "LUT_1D_SIZE 2\n0 0\n1 1 1\n",
                                      "LUT_1D_SIZE 2\n0 0 nan\n1 1 1\n",
                                      "HELLO 3\n",
                                      "LUT_1D_SIZE 2\nDOMAIN_MIN 1 1 1\n0 0 0\n1 1 1\n",
                                      "LUT_1D_SIZE 99999999999999\n"};
    for (size_t i = 0; i < G_N_ELEMENTS(bad); i++) {
        g_assert_null(rw_lut_parse_cube(bad[i], strlen(bad[i]), "bad.cube", &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_DAMAGED);
        g_assert_nonnull(strstr(error->message, "bad.cube, line "));
        g_clear_error(&error);
    }
}

/* The published formula, worked by hand for one pixel, and its laws. */
static void test_cdl(void)
{
    rw_cdl cdl = {
        .slope = {1.2, 1, 0.5}, .offset = {-0.1, 0.05, 0}, .power = {1, 2, 0.5}, .saturation = 0.5};
    float r = 0.5f, g = 0.45f, b = 0.5f;
    rw_cdl_apply(&cdl, &r, &g, &b, 1);
    /* SOP: .5, .5^2 = .25, .25^.5 = .5; luma .2126*.5 + .7152*.25 + .0722*.5 = .3212 */
    g_assert_cmpfloat_with_epsilon(r, 0.3212 + 0.5 * (0.5 - 0.3212), 1e-6);
    g_assert_cmpfloat_with_epsilon(g, 0.3212 + 0.5 * (0.25 - 0.3212), 1e-6);
    g_assert_cmpfloat_with_epsilon(b, 0.3212 + 0.5 * (0.5 - 0.3212), 1e-6);
    cdl = rw_cdl_identity();
    g_assert_true(rw_cdl_is_identity(&cdl));
    GRand *rand = g_rand_new_with_seed(5);
    for (int i = 0; i < 1000; i++) {
        float v[3], w[3];
        for (int c = 0; c < 3; c++)
            v[c] = w[c] = (float)g_rand_double_range(rand, -0.5, 1.5);
        rw_cdl_apply(&cdl, &w[0], &w[1], &w[2], 1);
        for (int c = 0; c < 3; c++)
            g_assert_cmpfloat_with_epsilon(w[c], CLAMP(v[c], 0.0f, 1.0f), 1e-6f);
    }
    g_rand_free(rand);
}

static void test_cdl_interchange(void)
{
    g_autoptr(GError) error = NULL;
    rw_cdl cdls[2] = {rw_cdl_identity(), rw_cdl_identity()};
    g_strlcpy(cdls[0].id, "scene <1> & \"2\"", sizeof cdls[0].id);
    cdls[0].slope[1] = 1.0 / 3;
    cdls[0].offset[2] = -0.02;
    cdls[1].power[0] = 2.2;
    cdls[1].saturation = 0;
    g_autofree char *xml = rw_cdl_format(cdls, 2);
    GArray *back = rw_cdl_parse(xml, strlen(xml), "x.ccc", &error);
    g_assert_no_error(error);
    g_assert_cmpuint(back->len, ==, 2);
    for (guint i = 0; i < 2; i++) {
        const rw_cdl *b = &g_array_index(back, rw_cdl, i);
        g_assert_cmpstr(b->id, ==, cdls[i].id);
        g_assert_true(memcmp(b->slope, cdls[i].slope, sizeof b->slope) == 0); /* to the bit */
        g_assert_true(memcmp(b->offset, cdls[i].offset, sizeof b->offset) == 0);
        g_assert_true(memcmp(b->power, cdls[i].power, sizeof b->power) == 0);
        g_assert_cmpfloat(b->saturation, ==, cdls[i].saturation);
    }
    g_array_unref(back);
    static const char *const bad[] = {
        "",
        "<a/>",
        "<ColorCorrection>",
        "not xml",
        "<ColorCorrection><SOPNode><Slope>-1 1 1</Slope></SOPNode></ColorCorrection>",
        "<ColorCorrection><SOPNode><Power>1 0 1</Power></SOPNode></ColorCorrection>",
        "<ColorCorrection><SOPNode><Slope>1 1</Slope></SOPNode></ColorCorrection>"};
    for (size_t i = 0; i < G_N_ELEMENTS(bad); i++) {
        g_assert_null(rw_cdl_parse(bad[i], strlen(bad[i]), "bad.cdl", &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_DAMAGED);
        g_clear_error(&error);
    }
}

/* Curves against LittleCMS's own: parametric type 4 is y = (a x + b)^g for x >= d, c x below. */
static void test_curves(void)
{
    static const struct {
        const char *name;
        double g, a, b, c, d;
    } forms[] = {{"srgb", 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045},
                 {"bt709", 1 / 0.45, 1 / 1.09929682680944, 0.09929682680944 / 1.09929682680944,
                  1 / 4.5, 4.5 * 0.018053968510807},
                 {"bt1886", 2.4, 1, 0, 0, 0}};
    for (size_t i = 0; i < G_N_ELEMENTS(forms); i++) {
        double p[5] = {forms[i].g, forms[i].a, forms[i].b, forms[i].c, forms[i].d};
        cmsToneCurve *theirs = cmsBuildParametricToneCurve(NULL, 4, p);
        const rw_curve *ours = rw_curve_find(forms[i].name);
        for (int k = 0; k <= 1000; k++)
            g_assert_cmpfloat_with_epsilon(
                ours->to_light(k / 1000.0),
                (double)cmsEvalToneCurveFloat(theirs, (float)(k / 1000.0)), 2e-6);
        cmsFreeToneCurve(theirs);
    }
    /* ITU-R BT.2100-2, table 5: E = 1/12 gives 0.5; both ends */
    const rw_curve *hlg = rw_curve_find("hlg");
    g_assert_cmpfloat_with_epsilon(hlg->from_light(1.0 / 12), 0.5, 1e-7);
    g_assert_cmpfloat_with_epsilon(hlg->from_light(1), 1, 1e-6);
    for (const rw_curve *const *c = rw_curve_all(); *c; c++)
        for (int k = 0; k <= 100; k++) /* inverse and rising */
            g_assert_cmpfloat_with_epsilon((*c)->from_light((*c)->to_light(k / 100.0)), k / 100.0,
                                           1e-6);
}

/* Seven numbers, worked out here by the formula that the header gives. */
static void test_log_curve(void)
{
    g_autoptr(GError) error = NULL;
    float table[256];
    g_assert_true(rw_curve_read("log 5.5 0.05 0.25 0.39 5.4 0.09 0.01", 8, table, &error));
    g_assert_no_error(error);
    double most = (pow(10, (1 - 0.39) / 0.25) - 0.05) / 5.5;
    for (int code = 0; code < 256; code += 5) {
        double v = code / 255.0;
        double light =
            v > 5.4 * 0.01 + 0.09 ? (pow(10, (v - 0.39) / 0.25) - 0.05) / 5.5 : (v - 0.09) / 5.4;
        g_assert_cmpfloat_with_epsilon((double)table[code], light / most, 1e-6);
    }
    static const char *const wrong[] = {"log 1 2 3", "logarithmic", "log 5 0 -1 0 1 0 0",
                                        "log 5.5 0.05 0.25 0.39 5.4 0.09 0.01 7",
                                        "log a b c d e f g"};
    for (size_t i = 0; i < G_N_ELEMENTS(wrong); i++) {
        g_assert_false(rw_curve_read(wrong[i], 8, table, &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
        g_clear_error(&error);
    }
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/colour/ciede2000", test_ciede2000);
    g_test_add_func("/colour/lab", test_lab);
    g_test_add_func("/colour/lab-round-trip", test_lab_round_trip);
    g_test_add_func("/colour/lut-reference", test_lut_reference);
    g_test_add_func("/colour/lut-parse", test_lut_parse);
    g_test_add_func("/colour/cdl", test_cdl);
    g_test_add_func("/colour/cdl-interchange", test_cdl_interchange);
    g_test_add_func("/colour/curves", test_curves);
    g_test_add_func("/colour/log-curve", test_log_curve);
    return g_test_run();
}
