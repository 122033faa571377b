/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include <reelwright/colour.h>

static double unit(double x)
{
    return x > 0 ? (x < 1 ? x : 1) : 0; /* not a number becomes 0 */
}

static double linear(double x)
{
    return unit(x);
}

static double srgb_to_light(double v)
{
    v = unit(v);
    return v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
}

static double srgb_from_light(double l)
{
    l = unit(l);
    return l <= 0.0031308 ? 12.92 * l : 1.055 * pow(l, 1 / 2.4) - 0.055;
}

/* BT.709 prints 1.099 and 0.018, which leave a step of 2.5e-4 where line and curve meet. These are
 * the values at which both meet exactly; BT.2020 gives them for 12 bits as 1.0993 and 0.0181. */
#define BT709_ALPHA 1.09929682680944
#define BT709_BETA  0.018053968510807

static double bt709_to_light(double v)
{
    v = unit(v);
    return v < 4.5 * BT709_BETA ? v / 4.5 : pow((v + BT709_ALPHA - 1) / BT709_ALPHA, 1 / 0.45);
}

static double bt709_from_light(double l)
{
    l = unit(l);
    return l < BT709_BETA ? 4.5 * l : BT709_ALPHA * pow(l, 0.45) - (BT709_ALPHA - 1);
}

static double bt1886_to_light(double v)
{
    return pow(unit(v), 2.4);
}

static double bt1886_from_light(double l)
{
    return pow(unit(l), 1 / 2.4);
}

/* Hybrid log-gamma, a camera curve. BT.2100 prints 0.17883277, 0.28466892 and 0.55991073; these are
 * the values at which the curve ends at 1 and both parts meet exactly. */
#define HLG_A 0.17883277265694977
#define HLG_B 0.2846689093722009
#define HLG_C 0.5599107277627164

static double hlg_to_light(double v)
{
    v = unit(v);
    return v <= 0.5 ? v * v / 3 : unit((exp((v - HLG_C) / HLG_A) + HLG_B) / 12);
}

static double hlg_from_light(double l)
{
    l = unit(l);
    return l <= 1.0 / 12 ? sqrt(3 * l) : unit(HLG_A * log(12 * l - HLG_B) + HLG_C);
}

static const rw_curve curve_srgb = {"srgb", "sRGB", "IEC 61966-2-1", srgb_to_light,
                                    srgb_from_light};
static const rw_curve curve_bt709 = {"bt709", "BT.709 camera curve", "ITU-R BT.709-6, item 1.2",
                                     bt709_to_light, bt709_from_light};
static const rw_curve curve_bt1886 = {"bt1886", "BT.1886 display, black at zero",
                                      "ITU-R BT.1886, Annex 1", bt1886_to_light, bt1886_from_light};
static const rw_curve curve_hlg = {"hlg", "Hybrid log-gamma camera curve",
                                   "ITU-R BT.2100-2, table 5", hlg_to_light, hlg_from_light};
static const rw_curve curve_linear = {"linear", "Proportional to light", "-", linear, linear};

static const rw_curve *const table[] = {&curve_srgb, &curve_bt709,  &curve_bt1886,
                                        &curve_hlg,  &curve_linear, NULL};

const rw_curve *const *rw_curve_all(void)
{
    return table;
}

const rw_curve *rw_curve_find(const char *name)
{
    for (const rw_curve *const *c = table; *c; c++)
        if (g_str_equal((*c)->name, name))
            return *c;
    return NULL;
}

void rw_curve_fill_table(const rw_curve *curve, int bits, float *out)
{
    g_return_if_fail(bits >= 1 && bits <= 16);
    int top = (1 << bits) - 1;
    for (int code = 0; code <= top; code++)
        out[code] = (float)curve->to_light((double)code / top);
}

/* Light for a coded value by the seven numbers. */
static double log_to_light(const double n[7], double v)
{
    double at_cut = n[4] * n[6] + n[5];
    return v > at_cut ? (pow(10, (v - n[3]) / n[2]) - n[1]) / n[0] : (v - n[5]) / n[4];
}

static bool read_numbers(const char *text, double *out, int count)
{
    for (int i = 0; i < count; i++) {
        char *end;
        out[i] = g_ascii_strtod(text, &end);
        if (end == text || !isfinite(out[i]) || fabs(out[i]) > 1e6)
            return false;
        text = end;
    }
    return !*text;
}

bool rw_curve_read(const char *text, int bits, float *light, GError **error)
{
    const rw_curve *named = rw_curve_find(text);
    if (named) {
        rw_curve_fill_table(named, bits, light);
        return true;
    }
    double n[7];
    int top = (1 << bits) - 1;
    bool ok = g_str_has_prefix(text, "log ") && read_numbers(text + 4, n, 7) && n[0] > 0 &&
              n[2] > 0 && n[4] > 0;
    double most = ok ? log_to_light(n, 1) : 0;
    ok = ok && isfinite(most) && most > 0;
    for (int code = 0; ok && code <= top; code++) {
        double value = log_to_light(n, (double)code / top) / most;
        ok = isfinite(value) && (code == 0 || (float)value >= light[code - 1]);
        light[code] = (float)value;
    }
    if (!ok)
        g_set_error(
            error, RW_ERROR, RW_ERROR_USAGE,
            "\"%s\" is no curve: it takes srgb, bt709, bt1886, hlg, linear, or log and seven "
            "numbers a b c d e f cut of a curve that rises.",
            text);
    return ok;
}

double rw_bt1886_light(double v, double white, double black)
{
    double w = pow(white, 1 / 2.4), k = pow(black, 1 / 2.4);
    double a = pow(w - k, 2.4), b = k / (w - k);
    return a * pow(fmax(v + b, 0), 2.4);
}
