/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * lab.h - CIE 1976 L*a*b* and the CIEDE2000 difference, in double.
 *
 * Sources: L*a*b* from CIE 15 / ISO 11664-4 (delta = 6/29); CIEDE2000 from Sharma, Wu, Dalal,
 * Color Research & Application 30(1), 2005, equations 2-22, with kL = kC = kH = 1; BT.709/sRGB
 * primaries to XYZ (D65) and the Bradford step to D50 as printed in the ICC and sRGB documents.
 */
#ifndef RW_COLOUR_LAB_H
#define RW_COLOUR_LAB_H

typedef struct rw_lab {
    double L, a, b; /* 0..100, about -128..127 */
} rw_lab;

typedef struct rw_xyz {
    double x, y, z; /* white has y = 1 */
} rw_xyz;

extern const rw_xyz rw_white_d50; /* ICC PCS: 0.9642, 1, 0.8249 */
extern const rw_xyz rw_white_d65; /* 0.95047, 1, 1.08883 */

rw_lab rw_lab_from_xyz(rw_xyz xyz, rw_xyz white);
rw_xyz rw_xyz_from_lab(rw_lab lab, rw_xyz white);
/* Linear BT.709 light, 1.0 = white; Lab against D65. */
rw_xyz rw_xyz_from_linear(const double rgb[3]);
void rw_linear_from_xyz(rw_xyz xyz, double rgb[3]);
rw_lab rw_lab_from_linear(const double rgb[3]);
/* D50 XYZ (ICC PCS) to D65 by Bradford. */
rw_xyz rw_xyz_d50_to_d65(rw_xyz d50);

double rw_delta_e2000(rw_lab one, rw_lab two);

#endif
