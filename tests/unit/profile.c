/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * ICC profiles of stills, and what finish makes of them, against LittleCMS's own transforms.
 */
#include <math.h>
#include <string.h>

#include <lcms2.h>

#include "colour/still_curve.h"
#include "finish/still_light.h"

/* Of these primaries and this gamma; its bytes. */
static GBytes *make_profile(const double xy[3][2], double gamma)
{
    cmsCIExyY white = {0.3127, 0.3290, 1};
    cmsCIExyYTRIPLE primaries = {
        {xy[0][0], xy[0][1], 1}, {xy[1][0], xy[1][1], 1}, {xy[2][0], xy[2][1], 1}};
    cmsToneCurve *curve = cmsBuildGamma(NULL, gamma), *curves[3] = {curve, curve, curve};
    cmsHPROFILE profile = cmsCreateRGBProfile(&white, &primaries, curves);
    cmsUInt32Number bytes = 0;
    g_assert_true(cmsSaveProfileToMem(profile, NULL, &bytes));
    void *data = g_malloc(bytes);
    g_assert_true(cmsSaveProfileToMem(profile, data, &bytes));
    cmsCloseProfile(profile);
    cmsFreeToneCurve(curve);
    return g_bytes_new_take(data, bytes);
}

static const double wide[3][2] = {{0.64, 0.33}, {0.21, 0.71}, {0.15, 0.06}};

/* A three-input table: Lab to device is not a curve and a matrix any more. */
static GBytes *make_table_profile(void)
{
    cmsHPROFILE srgb = cmsCreate_sRGBProfile(), lab = cmsCreateLab4Profile(NULL);
    cmsHTRANSFORM through =
        cmsCreateTransform(srgb, TYPE_RGB_16, lab, TYPE_Lab_16, INTENT_RELATIVE_COLORIMETRIC, 0);
    cmsHPROFILE table = cmsTransform2DeviceLink(through, 4.3, cmsFLAGS_FORCE_CLUT);
    cmsSetDeviceClass(table, cmsSigInputClass);
    cmsSetPCS(table, cmsSigLabData);
    cmsUInt32Number bytes = 0;
    g_assert_true(cmsSaveProfileToMem(table, NULL, &bytes));
    void *data = g_malloc(bytes);
    g_assert_true(cmsSaveProfileToMem(table, data, &bytes));
    cmsDeleteTransform(through);
    cmsCloseProfile(table);
    cmsCloseProfile(srgb);
    cmsCloseProfile(lab);
    return g_bytes_new_take(data, bytes);
}

static void test_srgb(void)
{
    cmsHPROFILE srgb = cmsCreate_sRGBProfile();
    cmsUInt32Number bytes = 0;
    cmsSaveProfileToMem(srgb, NULL, &bytes);
    g_autofree void *data = g_malloc(bytes);
    cmsSaveProfileToMem(srgb, data, &bytes);
    cmsCloseProfile(srgb);
    g_autoptr(GError) error = NULL;
    rw_profile *p = rw_profile_new(data, bytes, &error);
    g_assert_no_error(error);
    g_assert_true(rw_profile_is_srgb(p));
    rw_profile_free(&p);
    g_assert_null(rw_profile_new(data, 100, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_DAMAGED);
}

/* Light that finish takes from a pixel, by the whole way. */
static void light_of(GBytes *profile, const uint8_t rgb[3], const char *curve, double light[3])
{
    gsize bytes;
    const void *data = g_bytes_get_data(profile, &bytes);
    rw_still_light *l = rw_still_light_new(curve, NULL);
    rw_pixels pixels = {
        .data = rgb, .width = 1, .height = 1, .stride = 3, .bits = 8, .channels = 3};
    const float *table, (*matrix)[3];
    g_assert_true(rw_still_light_read(l, data, bytes, &pixels, &table, &matrix, NULL));
    float v[3];
    for (int c = 0; c < 3; c++)
        v[c] = table[pixels.bits == 8 ? ((const uint8_t *)pixels.data)[c]
                                      : ((const uint16_t *)pixels.data)[c]];
    if (matrix) {
        rw_frame f = {.plane = {&v[0], &v[1], &v[2]}, .width = 1, .height = 1, .stride = 1};
        rw_still_light_mix(matrix, &f);
    }
    for (int c = 0; c < 3; c++)
        light[c] = (double)v[c];
    rw_still_light_free(&l);
}

/* BT.709 light by LittleCMS in floats, which does not clip. */
static void light_by_lcms(GBytes *profile, const uint8_t rgb[3], double light[3])
{
    gsize bytes;
    const void *data = g_bytes_get_data(profile, &bytes);
    cmsCIExyY white = {0.3127, 0.3290, 1};
    cmsCIExyYTRIPLE primaries = {{0.64, 0.33, 1}, {0.30, 0.60, 1}, {0.15, 0.06, 1}};
    cmsToneCurve *line = cmsBuildGamma(NULL, 1), *lines[3] = {line, line, line};
    cmsHPROFILE from = cmsOpenProfileFromMem(data, (cmsUInt32Number)bytes),
                to = cmsCreateRGBProfile(&white, &primaries, lines);
    cmsHTRANSFORM t = cmsCreateTransform(from, TYPE_RGB_DBL, to, TYPE_RGB_DBL,
                                         INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    double in[3] = {rgb[0] / 255.0, rgb[1] / 255.0, rgb[2] / 255.0};
    cmsDoTransform(t, in, light, 1);
    cmsDeleteTransform(t);
    cmsCloseProfile(from);
    cmsCloseProfile(to);
    cmsFreeToneCurve(line);
}

static void test_light(void)
{
    static const uint8_t colours[][3] = {{255, 255, 255}, {128, 128, 128}, {30, 200, 90},
                                         {200, 40, 60},   {20, 30, 220},   {5, 5, 5}};
    g_autoptr(GBytes) shaped = make_profile(wide, 2.2), table = make_table_profile();
    for (size_t i = 0; i < G_N_ELEMENTS(colours); i++) {
        double ours[3], theirs[3];
        light_of(shaped, colours[i], "", ours);
        light_by_lcms(shaped, colours[i], theirs);
        for (int c = 0; c < 3; c++) /* also what lies outside of BT.709 */
            g_assert_cmpfloat_with_epsilon(ours[c], theirs[c], 5e-4);
        light_of(table, colours[i], "", ours);
        light_by_lcms(table, colours[i], theirs);
        for (int c = 0; c < 3; c++) /* by a table of some 33 points a side, twice */
            g_assert_cmpfloat_with_epsilon(ours[c], CLAMP(theirs[c], 0, 1), 4e-3);
        light_of(shaped, colours[i], "linear", ours); /* what a person says goes before */
        for (int c = 0; c < 3; c++)
            g_assert_cmpfloat_with_epsilon(ours[c], colours[i][c] / 255.0, 1e-6);
    }
}

static void test_table_curve(void)
{
    static const char cube[] = "LUT_1D_SIZE 3\n0 0 0\n0.2 0.2 0.2\n1 1 1\n";
    static const char solid[] =
        "LUT_3D_SIZE 2\n0 0 0\n1 0 0\n0 1 0\n1 1 0\n0 0 1\n1 0 1\n0 1 1\n1 1 1\n";
    g_autoptr(GBytes) text = g_bytes_new_static(cube, sizeof cube - 1),
                      wrong = g_bytes_new_static(solid, sizeof solid - 1);
    g_autoptr(GError) error = NULL;
    float light[256];
    g_assert_true(rw_still_curve("x.cube", text, 8, light, &error));
    g_assert_cmpfloat_with_epsilon((double)light[51], 0.08, 1e-6);
    g_assert_cmpfloat_with_epsilon((double)light[204], 0.68, 1e-6);
    g_assert_false(rw_still_curve("x.cube", wrong, 8, light, &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/profile/srgb", test_srgb);
    g_test_add_func("/profile/light", test_light);
    g_test_add_func("/profile/table-curve", test_table_curve);
    return g_test_run();
}
