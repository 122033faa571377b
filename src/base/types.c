/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include <reelwright/types.h>
#include <reelwright/version.h>

const char *rw_version(void)
{
    return RW_VERSION;
}

rw_affine rw_affine_identity(void)
{
    return (rw_affine){{{1, 0, 0}, {0, 1, 0}}};
}

rw_affine rw_affine_then(rw_affine first, rw_affine second)
{
    rw_affine r;
    for (int i = 0; i < 2; i++) {
        const double *s = second.m[i];
        for (int j = 0; j < 3; j++)
            r.m[i][j] = s[0] * first.m[0][j] + s[1] * first.m[1][j];
        r.m[i][2] += s[2];
    }
    return r;
}

rw_point rw_affine_apply(rw_affine a, double x, double y)
{
    return (rw_point){a.m[0][0] * x + a.m[0][1] * y + a.m[0][2],
                      a.m[1][0] * x + a.m[1][1] * y + a.m[1][2]};
}

double rw_affine_determinant(rw_affine a)
{
    return a.m[0][0] * a.m[1][1] - a.m[0][1] * a.m[1][0];
}

bool rw_affine_invert(rw_affine a, rw_affine *inverse)
{
    double det = rw_affine_determinant(a);
    if (!(fabs(det) >= 1e-12))
        return false;
    double i00 = a.m[1][1] / det, i01 = -a.m[0][1] / det;
    double i10 = -a.m[1][0] / det, i11 = a.m[0][0] / det;
    *inverse = (rw_affine){{{i00, i01, -(i00 * a.m[0][2] + i01 * a.m[1][2])},
                            {i10, i11, -(i10 * a.m[0][2] + i11 * a.m[1][2])}}};
    return true;
}

static int64_t gcd(int64_t a, int64_t b)
{
    while (b) {
        int64_t t = a % b;
        a = b;
        b = t;
    }
    return a < 0 ? -a : a;
}

rw_rational rw_rational_make(int64_t num, int64_t den)
{
    g_return_val_if_fail(den != 0, ((rw_rational){0, 1}));
    int64_t g = gcd(num, den);
    if (den < 0)
        g = -g;
    return g == 0 ? (rw_rational){0, 1} : (rw_rational){num / g, den / g};
}

double rw_rational_value(rw_rational r)
{
    return (double)r.num / (double)r.den;
}

char *rw_rational_format(rw_rational r)
{
    if (r.den == 1)
        return g_strdup_printf("%" G_GINT64_FORMAT, r.num);
    return g_strdup_printf("%" G_GINT64_FORMAT "/%" G_GINT64_FORMAT, r.num, r.den);
}

/* Decimal digits of text into *num / *den; false on anything else. At most six decimals. */
static bool parse_decimal(const char *text, int64_t *num, int64_t *den)
{
    int64_t n = 0, d = 1;
    int digits = 0, decimals = -1;
    for (const char *p = text; *p; p++) {
        if (*p == '.' && decimals < 0) {
            decimals = 0;
            continue;
        }
        if (!g_ascii_isdigit(*p) || ++digits > 12 || (decimals >= 0 && ++decimals > 6))
            return false;
        n = n * 10 + (*p - '0');
        if (decimals > 0)
            d *= 10;
    }
    *num = n;
    *den = d;
    return digits > 0;
}

bool rw_rational_parse(const char *text, rw_rational *out, GError **error)
{
    int64_t num = 0, den = 1, num2 = 1, den2 = 1;
    const char *slash = strchr(text, '/');
    bool ok;
    if (slash) {
        g_autofree char *head = g_strndup(text, (gsize)(slash - text));
        ok = parse_decimal(head, &num, &den) && parse_decimal(slash + 1, &num2, &den2) && num2 > 0;
        if (ok) {
            num *= den2;
            den *= num2;
        }
    } else {
        ok = parse_decimal(text, &num, &den);
        /* The broadcast rates are written short: 29.97 means 30000/1001. */
        static const struct {
            const char *text;
            int64_t num;
        } broadcast[] = {{"23.976", 24000}, {"23.98", 24000}, {"29.97", 30000}, {"59.94", 60000}};
        for (size_t i = 0; ok && i < G_N_ELEMENTS(broadcast); i++)
            if (g_str_equal(text, broadcast[i].text)) {
                num = broadcast[i].num;
                den = 1001;
            }
    }
    if (!ok || num <= 0 || num / den > 1000 || (num / den == 1000 && num % den)) {
        g_set_error(
            error, RW_ERROR, RW_ERROR_USAGE,
            "\"%s\" is not a rate: write 18, 16.667, 50/3 or 29.97 (above 0, at most 1000).", text);
        return false;
    }
    *out = rw_rational_make(num, den);
    return true;
}
