/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * film.h - film gauges as a table, and the arithmetic of footage, time, optics and drive.
 *
 * Calling sequence:
 *     const rw_gauge *gauge = rw_gauge_find("super8");
 *     int64_t frames = rw_frames_from_mm(gauge, 15240.0);
 *
 * Gauges are constant data and live as long as the program. All lengths are millimetres on new,
 * unshrunk film. Film coordinates: x from the reference edge (the edge nearest the perforations),
 * y from the centre line of the frame, both in the plane of the film.
 *
 * The planning functions are pure arithmetic: no state, no errors, any thread. Their callers keep
 * to the ranges given beside each field; outside of them the answer has no meaning. Marks as in
 * rw_gauge.sources tell how far a formula's source was checked.
 */
#ifndef REELWRIGHT_FILM_H
#define REELWRIGHT_FILM_H

#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

/* A rectangular hole with rounded corners. x, y is its corner with the smallest coordinates. */
typedef struct rw_perforation {
    double x, y, width, height, radius;
} rw_perforation;

typedef struct rw_gauge {
    const char *name;  /* "super8": the word used on the command line and in reel.db */
    const char *title; /* "Super 8" */
    double width;      /* across the strip */
    double pitch;      /* camera stock, long pitch */
    double pitch_short;
    rw_rational frames_per_foot;        /* exact by trade: 72, 80 */
    const rw_perforation *perforations; /* those that touch one frame, by growing y */
    int n_perforations;
    bool perforation_on_frame_line; /* true: the holes are shared with the neighbouring frames */
    rw_rect camera_aperture;        /* the exposed picture */
    rw_rect projectable;            /* what finish shows */
    const rw_rational *speeds;      /* usual speeds, the default first */
    int n_speeds;
    /* One line per fact, NULL-ended: value, source, mark. [S] read in that source; [S2] read in a
     * secondary source that quotes it; [M] from memory of it; [C] common practice; [D] derived. */
    const char *const *sources;
} rw_gauge;

/* NULL when no gauge has that name. */
RW_API const rw_gauge *rw_gauge_find(const char *name);
/* NULL-ended, in the order of the table. */
RW_API const rw_gauge *const *rw_gauge_all(void);

/* What a photograph must show to hold the camera aperture and `holes` whole perforations (0 up to
 * n_perforations, larger counts are cut to it): the smallest upright rectangle, film mm. Where
 * there is a choice of neighbouring holes, those that need the least area. */
RW_API rw_rect rw_gauge_extent(const rw_gauge *gauge, int holes);

/* ---- Footage and time ------------------------------------------------------------------------ */

#define RW_MM_PER_FOOT 304.8    /* exact by definition */
#define RW_FRAMES_MAX  10000000 /* the longest reel that the arithmetic below allows for */

/* The trade's whole frames per foot (72, 80) hold, not the pitch: 50 ft of Super 8 are 3600
 * frames. To the nearest frame; half a frame counts as one. */
RW_API int64_t rw_frames_from_mm(const rw_gauge *gauge, double mm);
RW_API double rw_mm_from_frames(const rw_gauge *gauge, int64_t frames);

/* Seconds, exact: frames / fps. */
RW_API rw_rational rw_running_time(int64_t frames, rw_rational fps);
/* "3:20", from an hour on "1:02:05"; to the nearest second, half a second counts as one. Free with
 * g_free. */
RW_API char *rw_time_format(rw_rational seconds);

/* ---- Optics ---------------------------------------------------------------------------------- */

typedef struct rw_optics {
    double sensor_width, sensor_height; /* mm, > 0 */
    int pixels_across, pixels_down;     /* > 0; pixels are square: the pitch comes from the width */
    double magnification;               /* sensor over film, > 0 */
    double f_number;                    /* as marked on the lens, > 0 */
    double pupil_ratio;                 /* exit over entrance pupil, > 0; 1 for a symmetric lens */
    double focal_length;                /* mm; 0: not known, distances stay 0 */
    double blur_px;                     /* largest blur circle that still counts as sharp, pixels */
    double wavelength;                  /* um */
} rw_optics;

#define RW_OPTICS_DEFAULTS                                                                         \
    {                                                                                              \
        .sensor_width = 36, .sensor_height = 24, .pixels_across = 6000, .pixels_down = 4000,       \
        .magnification = 5, .f_number = 4, .pupil_ratio = 1, .focal_length = 0, .blur_px = 2,      \
        .wavelength = 0.55                                                                         \
    }

/* m magnification, N f-number, P pupil ratio, p pixel pitch, c = blur_px p, l wavelength. */
typedef struct rw_optics_plan {
    double pixel_pitch;               /* um at the sensor; geometry [D] */
    double field_width, field_height; /* mm on film: sensor / m; geometry [D] */
    double px_per_mm, um_per_px;      /* on film: m / p; geometry [D] */
    double nyquist;                   /* line pairs per mm on film: px_per_mm / 2 [D] */
    double effective_f_number;        /* N_e = N (1 + m/P); Conrad, Depth of Field in Depth [S2] */
    double airy_sensor, airy_film;    /* um, first dark ring's diameter 2.44 l N_e [S2+M] */
    double cutoff;                    /* lp/mm on film, diffraction: m / (l N_e) [D] */
    double mtf50;                     /* lp/mm on film where a perfect lens passes half [D] */
    double dof_geometric;             /* um in all, object side: 2 N_e c / m^2; Conrad; Lefkowitz
                                       * 1979 [M] */
    double dof_wave;       /* um in all, a quarter wave: l / NA^2 with NA = m / (2 N_e) [S2] */
    double depth_of_focus; /* um in all, image side: 2 N_e c; Gaussian optics [M] */
    /* Thin lens, mm; 0 when the focal length is not known. f (1 + 1/m), f (1 + m), f m. [M] */
    double object_distance, image_distance, extension;
} rw_optics_plan;

RW_API rw_optics_plan rw_optics_solve(const rw_optics *optics);

/* Contrast that a perfect round pupil passes at a frequency, 0..1, both in the same unit; 0 from
 * the cut-off on. (2/pi)(acos v - v sqrt(1 - v^2)), v = frequency / cutoff [D]. */
RW_API double rw_diffraction_mtf(double frequency, double cutoff);

/* The marked f-number at which the geometric blur at both ends of a depth (um on film, > 0) equals
 * the Airy disk: N_e = m sqrt(depth / (4.88 l)). From two rows above and the rule that they should
 * be equal (photo macrography practice [S2]). */
RW_API double rw_balanced_f_number(const rw_optics *optics, double depth);

/* The greatest magnification at which a sensor of this size holds a piece of film. */
RW_API double rw_magnification_to_fit(rw_rect film, double sensor_width, double sensor_height);

/* ---- Drive ----------------------------------------------------------------------------------- */

typedef struct rw_drive {
    int steps_per_rev; /* full steps of the motor: 200 for 1.8 degrees; 1..100000 */
    int microsteps;    /* per full step; 1..1024 */
    rw_rational ratio; /* turns of the motor per frame: driven over driver teeth when the driven
                        * shaft turns once per frame; (0, 1000], den <= 1000000 */
} rw_drive;

/* Exact: steps_per_rev * microsteps * ratio [D]. */
RW_API rw_rational rw_drive_pulses_per_frame(const rw_drive *drive);
/* Whole pulses given when `frames` frames have passed: floor(frames * pulses_per_frame). Frame k
 * gets pulses(k + 1) - pulses(k): nothing is ever lost. frames 0..RW_FRAMES_MAX. */
RW_API int64_t rw_drive_pulses(rw_rational pulses_per_frame, int64_t frames);
/* Pulses that are lost over `frames` frames by a drive that drops the fraction at every frame. */
RW_API rw_rational rw_drive_lost_pulses(rw_rational pulses_per_frame, int64_t frames);

/* ---- Light ----------------------------------------------------------------------------------- */

/* Share of a sinusoidal ripple (Hz, twice the mains for a mains lamp) that is left in an exposure
 * of `seconds`: |sin(pi f T) / (pi f T)| [D]. Times the ripple's depth it is the largest change
 * from still to still; over random phases the rms is that over sqrt(2). */
RW_API double rw_ripple_residual(double ripple_hz, double seconds);
/* The slow frequency, 0..rate/2, at which the ripple shows in stills taken at a steady rate:
 * the least |f - k rate| [D]. */
RW_API double rw_beat_frequency(double ripple_hz, double rate);

#ifdef __cplusplus
}
#endif
#endif
