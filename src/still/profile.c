/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <lcms2.h>

#include <reelwright/still.h>

struct rw_profile {
    cmsHPROFILE profile;
    cmsHTRANSFORM to_srgb[2]; /* from 8, 16 bits; made when asked for */
    bool shaped;              /* one curve for all channels and a matrix */
    cmsToneCurve *curve;      /* owned by the profile */
    float matrix[3][3];       /* its light to BT.709 light */
};

/* BT.709 light of D50 XYZ (the space of ICC profiles): the inverse of the sRGB colorants as adapted
 * by Bradford; IEC 61966-2-1 and ICC.1 annex E. */
static const double from_d50[3][3] = {{3.1338561, -1.6168667, -0.4906146},
                                      {-0.9787684, 1.9161415, 0.0334540},
                                      {0.0719453, -0.2289914, 1.4052427}};

static bool same_curve(const cmsToneCurve *a, const cmsToneCurve *b)
{
    for (int i = 0; i <= 64; i++) {
        float x = (float)i / 64;
        if (fabsf(cmsEvalToneCurveFloat(a, x) - cmsEvalToneCurveFloat(b, x)) > 1e-4f)
            return false;
    }
    return true;
}

/* A curve and a matrix can be applied before and after the resample without any clipping. */
static void read_shape(rw_profile *p)
{
    static const cmsTagSignature curves[3] = {cmsSigRedTRCTag, cmsSigGreenTRCTag, cmsSigBlueTRCTag};
    static const cmsTagSignature colorants[3] = {cmsSigRedColorantTag, cmsSigGreenColorantTag,
                                                 cmsSigBlueColorantTag};
    cmsToneCurve *curve[3];
    const cmsCIEXYZ *xyz[3];
    if (!cmsIsMatrixShaper(p->profile) || cmsIsTag(p->profile, cmsSigAToB0Tag))
        return;
    for (int c = 0; c < 3; c++) {
        curve[c] = cmsReadTag(p->profile, curves[c]);
        xyz[c] = cmsReadTag(p->profile, colorants[c]);
        if (!curve[c] || !xyz[c])
            return;
    }
    if (!same_curve(curve[0], curve[1]) || !same_curve(curve[0], curve[2]))
        return;
    for (int i = 0; i < 3; i++)
        for (int c = 0; c < 3; c++)
            p->matrix[i][c] = (float)(from_d50[i][0] * xyz[c]->X + from_d50[i][1] * xyz[c]->Y +
                                      from_d50[i][2] * xyz[c]->Z);
    p->curve = curve[0];
    p->shaped = true;
}

static bool refuse(GError **error, const char *why)
{
    g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED, "The embedded colour profile %s.", why);
    return false;
}

static bool check(const rw_profile *p, GError **error)
{
    if (!p->profile)
        return refuse(error, "cannot be read");
    if (cmsGetColorSpace(p->profile) != cmsSigRgbData)
        return refuse(error, "is not one of red, green and blue");
    return true;
}

rw_profile *rw_profile_new(const void *data, size_t bytes, GError **error)
{
    rw_profile *p = g_new0(rw_profile, 1);
    cmsSetLogErrorHandler(NULL);
    p->profile = bytes <= G_MAXUINT32 ? cmsOpenProfileFromMem(data, (cmsUInt32Number)bytes) : NULL;
    if (!check(p, error)) {
        rw_profile_free(&p);
        return NULL;
    }
    read_shape(p);
    return p;
}

void rw_profile_free(rw_profile **pointer)
{
    rw_profile *p = *pointer;
    if (!p)
        return;
    for (int i = 0; i < 2; i++)
        if (p->to_srgb[i])
            cmsDeleteTransform(p->to_srgb[i]);
    if (p->profile)
        cmsCloseProfile(p->profile);
    g_clear_pointer(pointer, g_free);
}

static double srgb(double v)
{
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

bool rw_profile_is_srgb(const rw_profile *p)
{
    if (!p->shaped)
        return false;
    for (int i = 0; i < 9; i++)
        if (fabsf(p->matrix[i / 3][i % 3] - (i % 4 == 0)) > 4e-3f)
            return false;
    for (int i = 0; i <= 255; i++) {
        double v = i / 255.0, light = (double)cmsEvalToneCurveFloat(p->curve, (float)v);
        double step = srgb(fmin(v + 0.5 / 255, 1)) - srgb(fmax(v - 0.5 / 255, 0));
        if (fabs(light - srgb(v)) > 0.3 * step) /* less than a third of an 8-bit step */
            return false;
    }
    return true;
}

bool rw_profile_shape(const rw_profile *p, int bits, float *table, float matrix[3][3])
{
    if (!p->shaped)
        return false;
    int top = (1 << bits) - 1;
    for (int code = 0; code <= top; code++)
        table[code] = cmsEvalToneCurveFloat(p->curve, (float)code / (float)top);
    memcpy(matrix, p->matrix, sizeof p->matrix);
    return true;
}

bool rw_profile_to_srgb(rw_profile *p, const rw_pixels *from, uint16_t *to, GError **error)
{
    int deep = from->bits == 16;
    if (from->channels != 3)
        return refuse(error, "is one of red, green and blue, the still is grey");
    if (!p->to_srgb[deep]) {
        cmsHPROFILE srgb_profile = cmsCreate_sRGBProfile();
        p->to_srgb[deep] = cmsCreateTransform(
            p->profile, deep ? TYPE_RGB_16 : TYPE_RGB_8, srgb_profile, TYPE_RGB_16,
            INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOCACHE | cmsFLAGS_BLACKPOINTCOMPENSATION);
        cmsCloseProfile(srgb_profile);
    }
    if (!p->to_srgb[deep])
        return refuse(error, "cannot be used");
    for (int y = 0; y < from->height; y++)
        cmsDoTransform(p->to_srgb[deep], (const uint8_t *)from->data + (ptrdiff_t)y * from->stride,
                       to + (size_t)3 * (size_t)from->width * (size_t)y,
                       (cmsUInt32Number)from->width);
    return true;
}
