/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdbool.h>

#include "colour/lab.h"

const rw_xyz rw_white_d50 = {0.9642, 1.0, 0.8249};
const rw_xyz rw_white_d65 = {0.95047, 1.0, 1.08883};

#define PI    3.14159265358979323846
#define DELTA (6.0 / 29.0)

static double lab_curve(double t)
{
    return t > DELTA * DELTA * DELTA ? cbrt(t) : t / (3 * DELTA * DELTA) + 4.0 / 29.0;
}

static double lab_curve_inverse(double f)
{
    return f > DELTA ? f * f * f : 3 * DELTA * DELTA * (f - 4.0 / 29.0);
}

rw_lab rw_lab_from_xyz(rw_xyz xyz, rw_xyz white)
{
    double fx = lab_curve(xyz.x / white.x), fy = lab_curve(xyz.y / white.y);
    double fz = lab_curve(xyz.z / white.z);
    return (rw_lab){116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)};
}

rw_xyz rw_xyz_from_lab(rw_lab lab, rw_xyz white)
{
    double fy = (lab.L + 16) / 116, fx = fy + lab.a / 500, fz = fy - lab.b / 200;
    return (rw_xyz){white.x * lab_curve_inverse(fx), white.y * lab_curve_inverse(fy),
                    white.z * lab_curve_inverse(fz)};
}

rw_xyz rw_xyz_from_linear(const double rgb[3])
{
    return (rw_xyz){0.4124564 * rgb[0] + 0.3575761 * rgb[1] + 0.1804375 * rgb[2],
                    0.2126729 * rgb[0] + 0.7151522 * rgb[1] + 0.0721750 * rgb[2],
                    0.0193339 * rgb[0] + 0.1191920 * rgb[1] + 0.9503041 * rgb[2]};
}

void rw_linear_from_xyz(rw_xyz c, double rgb[3])
{
    /* The inverse of the matrix above. */
    rgb[0] = 3.2404542 * c.x - 1.5371385 * c.y - 0.4985314 * c.z;
    rgb[1] = -0.9692660 * c.x + 1.8760108 * c.y + 0.0415560 * c.z;
    rgb[2] = 0.0556434 * c.x - 0.2040259 * c.y + 1.0572252 * c.z;
}

rw_lab rw_lab_from_linear(const double rgb[3])
{
    return rw_lab_from_xyz(rw_xyz_from_linear(rgb), rw_white_d65);
}

rw_xyz rw_xyz_d50_to_d65(rw_xyz c)
{
    /* The inverse of the Bradford matrix D65 -> D50. */
    return (rw_xyz){0.9555766 * c.x - 0.0230393 * c.y + 0.0631636 * c.z,
                    -0.0282895 * c.x + 1.0099416 * c.y + 0.0210077 * c.z,
                    0.0122982 * c.x - 0.0204830 * c.y + 1.3299098 * c.z};
}

static double degrees(double radians)
{
    return radians * (180.0 / PI);
}

static double hue(double a, double b)
{
    if (a == 0 && b == 0)
        return 0;
    double h = degrees(atan2(b, a));
    return h < 0 ? h + 360 : h;
}

static double pow7(double x)
{
    double x2 = x * x;
    return x2 * x2 * x2 * x;
}

/* sqrt(C^7 / (C^7 + 25^7)): the weight of the blue region's correction */
static double chroma_weight(double c)
{
    return sqrt(pow7(c) / (pow7(c) + pow7(25)));
}

static double radians(double deg)
{
    return deg * (PI / 180.0);
}

double rw_delta_e2000(rw_lab one, rw_lab two)
{
    double mean_c = (hypot(one.a, one.b) + hypot(two.a, two.b)) / 2;
    double g = 0.5 * (1 - chroma_weight(mean_c));
    double a1 = (1 + g) * one.a, a2 = (1 + g) * two.a;
    double c1 = hypot(a1, one.b), c2 = hypot(a2, two.b);
    double h1 = hue(a1, one.b), h2 = hue(a2, two.b);

    double dh = 0, mean_h = h1 + h2;
    if (c1 * c2 != 0) {
        dh = h2 - h1;
        bool wraps = fabs(dh) > 180;
        if (dh > 180)
            dh -= 360;
        else if (dh < -180)
            dh += 360;
        if (wraps)
            mean_h += mean_h < 360 ? 360 : -360;
        mean_h /= 2;
    }
    double dl = two.L - one.L, dc = c2 - c1;
    double big_dh = 2 * sqrt(c1 * c2) * sin(radians(dh / 2));
    double l = (one.L + two.L) / 2, c = (c1 + c2) / 2;

    double t = 1 - 0.17 * cos(radians(mean_h - 30)) + 0.24 * cos(radians(2 * mean_h)) +
               0.32 * cos(radians(3 * mean_h + 6)) - 0.20 * cos(radians(4 * mean_h - 63));
    double theta = 30 * exp(-((mean_h - 275) / 25) * ((mean_h - 275) / 25));
    double sl = 1 + 0.015 * (l - 50) * (l - 50) / sqrt(20 + (l - 50) * (l - 50));
    double sc = 1 + 0.045 * c, sh = 1 + 0.015 * c * t;
    double rt = -sin(radians(2 * theta)) * 2 * chroma_weight(c);
    double kl = dl / sl, kc = dc / sc, kh = big_dh / sh;
    return sqrt(kl * kl + kc * kc + kh * kh + rt * kc * kh);
}
