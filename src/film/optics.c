/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A lens in front of film. The formulas and their sources stand in film.h.
 */
#include <math.h>

#include <reelwright/film.h>

/* Where rw_diffraction_mtf(v, 1) is one half. */
#define MTF50_OF_CUTOFF 0.4039727532995172
#define UM_PER_MM       1000.0

/* Effective over marked f-number. */
static double aperture_factor(const rw_optics *o)
{
    return 1 + o->magnification / o->pupil_ratio;
}

rw_optics_plan rw_optics_solve(const rw_optics *o)
{
    double m = o->magnification;
    double pitch = o->sensor_width / o->pixels_across * UM_PER_MM;
    double n_e = o->f_number * aperture_factor(o);
    double focus = 2 * n_e * o->blur_px * pitch;
    double airy = 2.44 * o->wavelength * n_e;
    double cutoff = m / (o->wavelength * n_e) * UM_PER_MM;
    return (rw_optics_plan){
        .pixel_pitch = pitch,
        .field_width = o->sensor_width / m,
        .field_height = o->sensor_height / m,
        .px_per_mm = m / pitch * UM_PER_MM,
        .um_per_px = pitch / m,
        .nyquist = m / pitch * UM_PER_MM / 2,
        .effective_f_number = n_e,
        .airy_sensor = airy,
        .airy_film = airy / m,
        .cutoff = cutoff,
        .mtf50 = MTF50_OF_CUTOFF * cutoff,
        .dof_geometric = focus / (m * m),
        .dof_wave = 4 * o->wavelength * n_e * n_e / (m * m),
        .depth_of_focus = focus,
        .object_distance = o->focal_length * (1 + 1 / m),
        .image_distance = o->focal_length * (1 + m),
        .extension = o->focal_length * m,
    };
}

double rw_diffraction_mtf(double frequency, double cutoff)
{
    double v = frequency / cutoff;
    return v >= 1 ? 0 : 2 / G_PI * (acos(v) - v * sqrt(1 - v * v));
}

double rw_balanced_f_number(const rw_optics *o, double depth)
{
    double n_e = o->magnification * sqrt(depth / (2 * 2.44 * o->wavelength));
    return n_e / aperture_factor(o);
}

double rw_magnification_to_fit(rw_rect film, double sensor_width, double sensor_height)
{
    return fmin(sensor_width / film.width, sensor_height / film.height);
}
