/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reelwright plan: how long, how large, how sharp and how far to turn, before the film runs.
 * The formulas stand in film.h; this file reads options and lays the answers out.
 */
#include <errno.h>
#include <math.h>

#include <reelwright/film.h>

#include "cli/cli.h"
#include "cli/sheet.h"

/* A card of 24 megapixel JPEG stills: 8 to 14 MB each at fine quality; common practice. */
#define BYTES_PER_PIXEL (10.0e6 / 24.0e6)
/* Camera file numbers run to 9999, then the next folder starts at 0001 (DCF). */
#define FILES_PER_FOLDER 9999
/* Free room round picture and hole when the magnification is ours to choose. */
#define FIT_MARGIN 0.95
/* Between an acetate and a thin polyester base; common practice, no source. */
#define STOCK_STEP_UM 50.0
/* Micro-steps add no static accuracy: 5 % of a full step is common practice. */
#define STATIC_STEP_SHARE 0.05

/* What was asked for, read and within range. */
typedef struct request {
    const rw_gauge *gauge;
    int64_t frames, shutter_life;
    rw_rational fps, rate, shutter; /* shutter.num 0: not given */
    rw_optics optics;
    rw_drive drive;
    double still_bytes, film_lp_mm, depth, mains;
} request;

/* The words of the command line; NULL where an option is absent. */
typedef struct words {
    char *gauge, *feet, *metres, *frames, *fps, *rate, *sensor, *pixels, *magnification, *f_number,
        *pupil_ratio, *focal_length, *blur_px, *film_lp_mm, *depth, *steps, *microsteps, *ratio,
        *still_bytes, *shutter_life, *mains, *shutter;
} words;

static void words_clear(words *w)
{
    char **each[] = {&w->gauge,         &w->feet,       &w->metres,      &w->frames,
                     &w->fps,           &w->rate,       &w->sensor,      &w->pixels,
                     &w->magnification, &w->f_number,   &w->pupil_ratio, &w->focal_length,
                     &w->blur_px,       &w->film_lp_mm, &w->depth,       &w->steps,
                     &w->microsteps,    &w->ratio,      &w->still_bytes, &w->shutter_life,
                     &w->mains,         &w->shutter};
    for (size_t i = 0; i < G_N_ELEMENTS(each); i++)
        g_clear_pointer(each[i], g_free);
}

/* ---- Reading ----------------------------------------------------------------------------------
 */

static bool usage(GError **error, const char *option, const char *text, const char *want)
{
    g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "--%s \"%s\": write %s.", option, text, want);
    return false;
}

/* Digits with at most one point, ended by `stop`: no exponent, no hexadecimal, no sign. */
static bool scan_number(const char *text, char stop, double *out, const char **end)
{
    char *past;
    size_t length = strspn(text, "0123456789.");
    g_autofree char *number = g_strndup(text, length);
    *out = g_ascii_strtod(number, &past);
    *end = text + length;
    return past != number && !*past && **end == stop;
}

static bool read_number(const char *option, const char *text, double low, double high, double *out,
                        GError **error)
{
    double value;
    const char *end;
    if (!text)
        return true;
    if (!scan_number(text, '\0', &value, &end) || value < low || value > high) {
        g_autofree char *want = g_strdup_printf("a number from %.7g to %.7g", low, high);
        return usage(error, option, text, want);
    }
    *out = value;
    return true;
}

static bool read_whole(const char *option, const char *text, int64_t low, int64_t high,
                       int64_t *out, GError **error)
{
    gint64 value;
    if (!text)
        return true;
    if (!g_ascii_string_to_signed(text, 10, low, high, &value, NULL)) {
        g_autofree char *want = g_strdup_printf(
            "a whole number from %" G_GINT64_FORMAT " to %" G_GINT64_FORMAT, low, high);
        return usage(error, option, text, want);
    }
    *out = value;
    return true;
}

/* "36x24" */
static bool read_pair(const char *option, const char *text, double low, double high,
                      const char *want, double *width, double *height, GError **error)
{
    double w, h;
    const char *end;
    if (!text)
        return true;
    if (!scan_number(text, 'x', &w, &end) || !scan_number(end + 1, '\0', &h, &end) || w < low ||
        h < low || w > high || h > high)
        return usage(error, option, text, want);
    *width = w;
    *height = h;
    return true;
}

static bool read_rational(const char *option, const char *text, const char *want, rw_rational *out,
                          GError **error)
{
    if (!text || rw_rational_parse(text, out, NULL))
        return true;
    return usage(error, option, text, want);
}

/* "60/22", "60:22", "3" or "2.75", exact: here 2.75 is 11/4 and nothing is read as a film rate. */
static bool read_ratio(const char *option, const char *text, rw_rational *out, GError **error)
{
    int64_t num = 0, den = 1;
    if (!text)
        return true;
    g_auto(GStrv) parts = g_strsplit_set(text, "/:", 2);
    if (parts[0] && parts[1]) {
        if (!g_ascii_string_to_signed(parts[0], 10, 1, 1000000, &num, NULL) ||
            !g_ascii_string_to_signed(parts[1], 10, 1, 1000000, &den, NULL))
            num = 0;
    } else {
        /* at most six decimals; appending zeros keeps the point out of the arithmetic */
        const char *point = strchr(text, '.');
        size_t decimals = point ? strlen(point + 1) : 0;
        g_autofree char *digits =
            g_strdup_printf("%.*s%s", point ? (int)(point - text) : (int)strlen(text), text,
                            point ? point + 1 : "");
        for (size_t i = 0; i < decimals && i < 7; i++)
            den *= 10;
        if (decimals > 6 || !g_ascii_string_to_signed(digits, 10, 1, 1000000000, &num, NULL))
            num = 0;
    }
    if (num <= 0 || num / den > 1000 || (num / den == 1000 && num % den))
        return usage(error, option, text,
                     "motor turns per frame as 60/22, 3 or 2.75 (above 0, at most 1000)");
    *out = rw_rational_make(num, den);
    return true;
}

/* A count of bytes, "12000000" or "12MB"; decimal prefixes, as cards are sold. */
static bool read_bytes(const char *option, const char *text, double *out, GError **error)
{
    static const struct {
        const char *suffix;
        double factor;
    } units[] = {{"", 1}, {"B", 1}, {"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}};
    if (!text)
        return true;
    size_t number = strspn(text, "0123456789.");
    g_autofree char *head = g_strndup(text, number);
    double value;
    const char *end;
    for (size_t i = 0; i < G_N_ELEMENTS(units); i++)
        if (g_ascii_strcasecmp(text + number, units[i].suffix) == 0 &&
            scan_number(head, '\0', &value, &end) && value * units[i].factor >= 1 &&
            value * units[i].factor <= 1e12) {
            *out = value * units[i].factor;
            return true;
        }
    return usage(error, option, text, "bytes as 12000000 or 12MB (at most 1000GB)");
}

static bool read_gauge(const char *text, const rw_gauge **out, GError **error)
{
    *out = rw_gauge_find(text ? text : "super8");
    if (*out)
        return true;
    GString *names = g_string_new("one of");
    for (const rw_gauge *const *g = rw_gauge_all(); *g; g++)
        g_string_append_printf(names, "%s %s", g == rw_gauge_all() ? "" : ",", (*g)->name);
    usage(error, "gauge", text, names->str);
    g_string_free(names, TRUE);
    return false;
}

/* --feet, --metres or --frames */
static bool read_length(const words *w, request *r, GError **error)
{
    double feet = 50, metres;
    if (!!w->feet + !!w->metres + !!w->frames > 1) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "Give one of --feet, --metres and --frames.");
        return false;
    }
    if (!read_number("feet", w->feet, 0.1, 100000, &feet, error))
        return false;
    metres = feet * RW_MM_PER_FOOT / 1000;
    if (!read_number("metres", w->metres, 0.03, 30000, &metres, error))
        return false;
    r->frames = rw_frames_from_mm(r->gauge, metres * 1000);
    return read_whole("frames", w->frames, 1, RW_FRAMES_MAX, &r->frames, error);
}

/* The greatest that leaves room for one hole, in steps of 0.05. */
static double default_magnification(const rw_gauge *gauge, const rw_optics *optics)
{
    double fit = rw_magnification_to_fit(rw_gauge_extent(gauge, 1), optics->sensor_width,
                                         optics->sensor_height);
    return fmax(floor(fit * FIT_MARGIN * 20) / 20, 0.05);
}

static bool read_optics(const words *w, request *r, GError **error)
{
    rw_optics *o = &r->optics;
    double across = o->pixels_across, down = o->pixels_down;
    if (!read_pair("sensor", w->sensor, 0.5, 1000, "width and height in mm as 36x24",
                   &o->sensor_width, &o->sensor_height, error) ||
        !read_pair("pixels", w->pixels, 1, 1000000, "width and height in pixels as 6000x4000",
                   &across, &down, error))
        return false;
    if (across != floor(across) || down != floor(down))
        return usage(error, "pixels", w->pixels, "whole pixels as 6000x4000");
    o->pixels_across = (int)across;
    o->pixels_down = (int)down;
    o->magnification = default_magnification(r->gauge, o);
    return read_number("magnification", w->magnification, 0.01, 100, &o->magnification, error) &&
           read_number("f-number", w->f_number, 0.5, 128, &o->f_number, error) &&
           read_number("pupil-ratio", w->pupil_ratio, 0.1, 10, &o->pupil_ratio, error) &&
           read_number("focal-length", w->focal_length, 1, 1000, &o->focal_length, error) &&
           read_number("blur-px", w->blur_px, 0.1, 100, &o->blur_px, error);
}

static bool read_drive(const words *w, request *r, GError **error)
{
    int64_t steps = 200, microsteps = 8;
    if (!read_whole("steps-per-rev", w->steps, 1, 100000, &steps, error) ||
        !read_whole("microsteps", w->microsteps, 1, 1024, &microsteps, error))
        return false;
    r->drive = (rw_drive){(int)steps, (int)microsteps, {1, 1}};
    return read_ratio("ratio", w->ratio, &r->drive.ratio, error);
}

static bool read_request(const words *w, request *r, GError **error)
{
    static const char rate[] = "a rate as 18, 0.5, 50/3 or 29.97 (above 0, at most 1000)";
    *r = (request){.rate = {1, 1},
                   .shutter_life = 150000,
                   .optics = RW_OPTICS_DEFAULTS,
                   .film_lp_mm = 100,
                   .depth = STOCK_STEP_UM,
                   .mains = 50};
    if (!read_gauge(w->gauge, &r->gauge, error) || !read_length(w, r, error) ||
        !read_optics(w, r, error) || !read_drive(w, r, error))
        return false;
    r->fps = r->gauge->speeds[0];
    r->still_bytes =
        BYTES_PER_PIXEL * (double)r->optics.pixels_across * (double)r->optics.pixels_down;
    return read_rational("fps", w->fps, rate, &r->fps, error) &&
           read_rational("rate", w->rate, rate, &r->rate, error) &&
           read_rational("shutter", w->shutter, "seconds as 1/50 or 0.02 (above 0, at most 1000)",
                         &r->shutter, error) &&
           read_bytes("still-bytes", w->still_bytes, &r->still_bytes, error) &&
           read_whole("shutter-life", w->shutter_life, 1, 100000000, &r->shutter_life, error) &&
           read_number("film-lp-mm", w->film_lp_mm, 1, 2000, &r->film_lp_mm, error) &&
           read_number("depth", w->depth, 1, 10000, &r->depth, error) &&
           read_number("mains", w->mains, 10, 1000, &r->mains, error);
}

/* ---- Laying out -------------------------------------------------------------------------------
 */

static void lay_time(rw_sheet *s, const char *key, const char *label, int64_t frames,
                     rw_rational rate)
{
    rw_rational seconds = rw_running_time(frames, rate);
    g_autofree char *text = rw_time_format(seconds);
    rw_sheet_time(s, key, label, text, rw_rational_value(seconds), NULL);
}

static void lay_reel(rw_sheet *s, const request *r)
{
    double mm = rw_mm_from_frames(r->gauge, r->frames);
    g_autofree char *fps = rw_rational_format(r->fps);
    rw_sheet_section(s, "reel", "Reel");
    rw_sheet_text(s, "gauge", "gauge", r->gauge->name, NULL, NULL);
    rw_sheet_real(s, "length_ft", "length", mm / RW_MM_PER_FOOT, 2, "ft", NULL);
    rw_sheet_real(s, "length_m", "", mm / 1000, 2, "m", NULL);
    rw_sheet_whole(s, "frames", "frames", r->frames, NULL, NULL);
    rw_sheet_text(s, "fps", "film speed", fps, "fps", NULL);
    lay_time(s, "running_time_s", "running time", r->frames, r->fps);
    lay_time(s, "running_time_16_fps_s", "  at 16 fps", r->frames, (rw_rational){16, 1});
    lay_time(s, "running_time_18_fps_s", "  at 18 fps", r->frames, (rw_rational){18, 1});
    lay_time(s, "running_time_24_fps_s", "  at 24 fps", r->frames, (rw_rational){24, 1});
    rw_sheet_caution(s, "Mouldy, brittle, shrunken or vinegar-smelling film: do not run it; "
                        "docs/safety.md says what to do.");
    rw_sheet_caution(s, "Look over every splice first: an open one jams the gate and tears.");
}

static void lay_capture(rw_sheet *s, const request *r)
{
    g_autofree char *rate = rw_rational_format(r->rate);
    double hours = rw_rational_value(rw_running_time(r->frames, r->rate)) / 3600;
    rw_sheet_section(s, "capture", "Capture");
    rw_sheet_text(s, "rate_stills_per_s", "transfer rate", rate, "stills/s", NULL);
    lay_time(s, "duration_s", "time at the machine", r->frames, r->rate);
    rw_sheet_real(s, "duration_h", "", hours, 2, "h", NULL);
    rw_sheet_real(s, "still_mb", "one still", r->still_bytes / 1e6, 1, "MB", NULL);
    rw_sheet_real(s, "card_gb", "room on the card", (double)r->frames * r->still_bytes / 1e9, 1,
                  "GB", NULL);
    rw_sheet_whole(s, "shutter_actuations", "shutter actuations", r->frames, NULL, NULL);
    rw_sheet_real(s, "shutter_life_percent", "share of the shutter's life",
                  100 * (double)r->frames / (double)r->shutter_life, 1, "%",
                  "none with an electronic shutter");
    rw_sheet_whole(s, "reels_per_shutter", "such reels in its life", r->shutter_life / r->frames,
                   NULL, NULL);
    if (r->frames > FILES_PER_FOLDER)
        rw_sheet_caution(s, "File numbers start again in the next folder after 9999; intake keeps "
                            "the order.");
    rw_sheet_caution(s, "Clean film before capture, never while it runs; solvents burn and give "
                        "off vapour: air the room, no flame.");
}

static void lay_fit(rw_sheet *s, const request *r, int holes)
{
    static const char *const labels[] = {"picture fits", "picture and one hole fit",
                                         "picture and both holes fit"};
    static const char *const keys[] = {"fits", "fits_with_1_hole", "fits_with_2_holes"};
    const rw_optics *o = &r->optics;
    rw_rect extent = rw_gauge_extent(r->gauge, holes);
    double most = rw_magnification_to_fit(extent, o->sensor_width, o->sensor_height);
    g_autofree char *note = g_strdup_printf("%.2f × %.2f mm: up to %.2f : 1", extent.width,
                                            extent.height, floor(most * 100) / 100);
    rw_sheet_yes(s, keys[holes], labels[holes], o->magnification <= most, note);
}

static void lay_picture(rw_sheet *s, const request *r, const rw_optics_plan *p)
{
    const rw_optics *o = &r->optics;
    rw_rect camera = r->gauge->camera_aperture, shown = r->gauge->projectable;
    rw_sheet_section(s, "picture", "Picture on the sensor");
    rw_sheet_pair(s, "sensor_mm", "sensor", o->sensor_width, o->sensor_height, 2, "mm", NULL);
    rw_sheet_pair(s, "sensor_px", "", o->pixels_across, o->pixels_down, 0, "px", NULL);
    rw_sheet_real(s, "pixel_pitch_um", "pixel pitch", p->pixel_pitch, 3, "µm", NULL);
    rw_sheet_real(s, "magnification", "magnification", o->magnification, 2, ": 1", NULL);
    rw_sheet_pair(s, "field_mm", "field on the film", p->field_width, p->field_height, 3, "mm",
                  NULL);
    rw_sheet_real(s, "px_per_mm", "pixels on the film", p->px_per_mm, 1, "px/mm", NULL);
    rw_sheet_real(s, "um_per_px", "one pixel on the film", p->um_per_px, 3, "µm", NULL);
    rw_sheet_pair(s, "camera_aperture_px", "exposed picture", camera.width * p->px_per_mm,
                  camera.height * p->px_per_mm, 0, "px", NULL);
    rw_sheet_pair(s, "projectable_px", "projected picture", shown.width * p->px_per_mm,
                  shown.height * p->px_per_mm, 0, "px", NULL);
    for (int holes = 0; holes <= MIN(r->gauge->n_perforations, 2); holes++)
        lay_fit(s, r, holes);
    double most =
        rw_magnification_to_fit(rw_gauge_extent(r->gauge, 1), o->sensor_width, o->sensor_height);
    if (o->magnification > most)
        rw_sheet_caution(s, "Picture and hole do not fit: choose a lower magnification, or frames "
                            "are placed by the gate or the picture alone, which is less sure.");
    double pixel_shape = o->sensor_width / o->pixels_across * o->pixels_down / o->sensor_height;
    if (fabs(pixel_shape - 1) > 0.02)
        rw_sheet_caution(s, "Sensor and pixel counts differ in shape: check --sensor and --pixels; "
                            "the pitch is taken from the widths.");
}

static void lay_sharpness(rw_sheet *s, const request *r, const rw_optics_plan *p)
{
    double passed = rw_diffraction_mtf(r->film_lp_mm, p->cutoff);
    rw_sheet_section(s, "sharpness", "Sharpness");
    rw_sheet_real(s, "f_number", "f-number on the lens", r->optics.f_number, 1, NULL, NULL);
    rw_sheet_real(s, "effective_f_number", "effective f-number", p->effective_f_number, 1, NULL,
                  NULL);
    rw_sheet_real(s, "film_lp_mm", "film resolves", r->film_lp_mm, 0, "lp/mm",
                  "fine stock; amateur practice 30-60");
    rw_sheet_real(s, "nyquist_lp_mm", "pixels resolve", p->nyquist, 1, "lp/mm", NULL);
    rw_sheet_real(s, "nyquist_over_film", "pixels over film", p->nyquist / r->film_lp_mm, 1, "×",
                  NULL);
    rw_sheet_real(s, "diffraction_cutoff_lp_mm", "diffraction passes nothing from", p->cutoff, 0,
                  "lp/mm", NULL);
    rw_sheet_real(s, "diffraction_mtf50_lp_mm", "diffraction passes half at", p->mtf50, 0, "lp/mm",
                  NULL);
    rw_sheet_real(s, "mtf_at_film_percent", "best contrast at the film's limit", 100 * passed, 0,
                  "%", NULL);
    rw_sheet_real(s, "airy_sensor_um", "Airy disk on the sensor", p->airy_sensor, 1, "µm", NULL);
    rw_sheet_real(s, "airy_film_um", "Airy disk on the film", p->airy_film, 2, "µm", NULL);
    if (p->nyquist < r->film_lp_mm)
        rw_sheet_caution(s, "The film holds finer detail than the pixels can: raise the "
                            "magnification or take more pixels.");
    if (passed < 0.3)
        rw_sheet_caution(s, "Diffraction takes more than two thirds of the finest contrast: open "
                            "the lens.");
}

static void lay_depth(rw_sheet *s, const request *r, const rw_optics_plan *p)
{
    double tilt = atan(p->dof_geometric / 1000 / r->gauge->camera_aperture.width) * 180 / G_PI;
    g_autofree char *blur = g_strdup_printf("blur up to %.4g px", r->optics.blur_px);
    g_autofree char *depth = g_strdup_printf("for %.4g µm: blur equals diffraction", r->depth);
    rw_sheet_section(s, "depth", "Depth of field and mount");
    rw_sheet_real(s, "dof_geometric_um", "depth of field, geometric", p->dof_geometric, 1, "µm",
                  blur);
    rw_sheet_real(s, "dof_wave_um", "depth of field, wave", p->dof_wave, 1, "µm",
                  "a quarter wave; no visible loss");
    rw_sheet_real(s, "mount_axial_um", "mount may move along the axis ±", p->dof_geometric / 2, 1,
                  "µm", "half the geometric depth");
    rw_sheet_real(s, "mount_tilt_deg", "film may tilt across the picture", tilt, 2, "°", NULL);
    rw_sheet_real(s, "mount_shake_um", "shake during one exposure below", p->um_per_px, 2, "µm",
                  "one pixel");
    rw_sheet_real(s, "depth_of_focus_um", "depth of focus at the sensor", p->depth_of_focus, 0,
                  "µm", NULL);
    rw_sheet_real(s, "balanced_f_number", "balanced f-number",
                  rw_balanced_f_number(&r->optics, r->depth), 1, NULL, depth);
    if (r->optics.focal_length > 0) {
        rw_sheet_real(s, "object_distance_mm", "film to lens", p->object_distance, 2, "mm",
                      "thin lens");
        rw_sheet_real(s, "image_distance_mm", "lens to sensor", p->image_distance, 2, "mm", NULL);
        rw_sheet_real(s, "extension_mm", "extension", p->extension, 2, "mm", NULL);
    }
    if (p->dof_geometric < STOCK_STEP_UM)
        rw_sheet_caution(s, "A change of stock can shift focus by 20-50 µm: focus again behind a "
                            "splice to another base.");
}

static void lay_drive(rw_sheet *s, const request *r)
{
    rw_rational p = rw_drive_pulses_per_frame(&r->drive);
    rw_rational lost = rw_drive_lost_pulses(p, r->frames);
    g_autofree char *exact = rw_rational_format(p), *ratio = rw_rational_format(r->drive.ratio);
    double step = 360.0 / r->drive.steps_per_rev;
    rw_sheet_section(s, "drive", "Drive");
    rw_sheet_real(s, "step_deg", "step angle", step, 4, "°", NULL);
    rw_sheet_whole(s, "microsteps", "micro-steps", r->drive.microsteps, NULL, NULL);
    rw_sheet_text(s, "ratio", "motor turns per frame", ratio, NULL, NULL);
    rw_sheet_text(s, "pulses_per_frame_exact", "pulses per frame", exact, NULL, NULL);
    rw_sheet_real(s, "pulses_per_frame", "", rw_rational_value(p), 4, NULL, NULL);
    rw_sheet_real(s, "pulses_per_s", "pulses per second",
                  rw_rational_value(p) * rw_rational_value(r->rate), 1, NULL,
                  "average; more while the film moves");
    rw_sheet_real(s, "pulse_deg", "one pulse", step / r->drive.microsteps, 4, "°", NULL);
    rw_sheet_real(s, "static_accuracy_deg", "holding accuracy about ±", step * STATIC_STEP_SHARE, 2,
                  "°", "micro-steps do not better it");
    rw_sheet_whole(s, "cycle_frames", "pulses come out whole every", p.den, "frames", NULL);
    rw_sheet_real(s, "lost_pulses", "lost if the rest is dropped", rw_rational_value(lost), 1,
                  "pulses", "over the reel");
    rw_sheet_real(s, "lost_frames", "", rw_rational_value(lost) / rw_rational_value(p), 3, "frames",
                  NULL);
    if (p.den != 1)
        rw_sheet_caution(s, "Carry the remainder from frame to frame in whole numbers; dropping or "
                            "rounding it walks the picture out of the gate.");
    rw_sheet_caution(s, "Keep guards on belts and moving parts and cut the power before reaching "
                        "in.");
}

static void lay_light(rw_sheet *s, const request *r)
{
    double ripple = 2 * r->mains, rate = rw_rational_value(r->rate);
    rw_sheet_section(s, "light", "Light");
    rw_sheet_real(s, "mains_hz", "mains", r->mains, 0, "Hz", NULL);
    rw_sheet_real(s, "ripple_hz", "a mains lamp flickers at", ripple, 0, "Hz", NULL);
    rw_sheet_real(s, "quiet_shutter_s", "quiet shutter times: multiples of", 1 / ripple, 5, "s",
                  "0.1 s suits 50 and 60 Hz mains");
    if (r->shutter.num) {
        double seconds = rw_rational_value(r->shutter);
        double residual = rw_ripple_residual(ripple, seconds);
        g_autofree char *text = rw_rational_format(r->shutter);
        rw_sheet_text(s, "shutter_s", "shutter", text, "s", NULL);
        rw_sheet_real(s, "ripple_residual_percent", "ripple left in a still", 100 * residual, 1,
                      "%", "of the ripple's depth");
        rw_sheet_real(s, "ripple_rms_percent", "its rms over random phases",
                      100 * residual / G_SQRT2, 1, "%", NULL);
        rw_sheet_real(s, "beat_hz", "beat at a steady transfer rate",
                      rw_beat_frequency(ripple, rate), 3, "Hz", NULL);
        rw_sheet_real(s, "pwm_100_cycles_hz", "a pulsed lamp needs at least", 100 / seconds, 0,
                      "Hz", "100 cycles in one exposure");
        if (residual > 0.02)
            rw_sheet_caution(s, "A mains lamp will flicker from still to still at this shutter "
                                "time: choose a quiet one or feed the lamp direct current.");
    }
    rw_sheet_caution(s, "Lamps and their housings burn: take a cool lamp with a diffuser and never "
                        "leave film standing before a hot one.");
    rw_sheet_caution(s, "Mains: unplug before a cover comes off; local codes and licensed trades "
                        "go first. See docs/safety.md.");
}

static void lay_out(rw_sheet *s, const request *r)
{
    rw_optics_plan p = rw_optics_solve(&r->optics);
    lay_reel(s, r);
    lay_capture(s, r);
    lay_picture(s, r, &p);
    lay_sharpness(s, r, &p);
    lay_depth(s, r, &p);
    lay_drive(s, r);
    lay_light(s, r);
}

static int run_plan(const rw_command *self, int argc, char **argv)
{
    words w = {0};
    gboolean json = FALSE;
    int exit_code = 0;
    const GOptionEntry entries[] = {
#define WORD(name, field, help, arg) {name, 0, 0, G_OPTION_ARG_STRING, &w.field, help, arg}
        WORD("gauge", gauge, "Film gauge: super8 (default) or regular8", "G"),
        WORD("feet", feet, "Length of the reel (default 50)", "N"),
        WORD("metres", metres, "Length of the reel", "N"),
        WORD("frames", frames, "Length of the reel", "N"),
        WORD("fps", fps, "Film speed (default the gauge's usual one)", "F"),
        WORD("rate", rate, "Transfer rate (default 1)", "STILLS_PER_S"),
        WORD("still-bytes", still_bytes, "Size of a still, as 12MB (default 10 MB per 24 Mpx)",
             "N"),
        WORD("shutter-life", shutter_life, "Actuations a shutter lasts (default 150000)", "N"),
        WORD("sensor", sensor, "Sensor size in mm (default 36x24)", "WxH_MM"),
        WORD("pixels", pixels, "Sensor size in pixels (default 6000x4000)", "WxH"),
        WORD("magnification", magnification, "Sensor over film (default: picture and hole fit)",
             "M"),
        WORD("f-number", f_number, "f-number marked on the lens (default 4)", "N"),
        WORD("pupil-ratio", pupil_ratio, "Exit over entrance pupil (default 1)", "P"),
        WORD("focal-length", focal_length, "Adds the lens's distances", "MM"),
        WORD("blur-px", blur_px, "Blur circle that counts as sharp (default 2)", "PX"),
        WORD("film-lp-mm", film_lp_mm, "What the film resolves (default 100)", "N"),
        WORD("depth", depth, "Play of film and mount for the balanced f-number (default 50)", "UM"),
        WORD("steps-per-rev", steps, "Full steps of the motor (default 200)", "N"),
        WORD("microsteps", microsteps, "Micro-steps per full step (default 8)", "N"),
        WORD("ratio", ratio, "Motor turns per frame, as 60/22 (default 1)", "R"),
        WORD("mains", mains, "Mains frequency (default 50)", "HZ"),
        WORD("shutter", shutter, "Exposure time, as 1/50: adds its flicker", "SECONDS"),
#undef WORD
        {"json", 0, 0, G_OPTION_ARG_NONE, &json, "Print one JSON document", NULL},
        G_OPTION_ENTRY_NULL};

    if (rw_cli_parse(self, entries, &argc, &argv, 0, 0, &exit_code)) {
        request r;
        g_autoptr(GError) error = NULL;
        if (read_request(&w, &r, &error)) {
            rw_sheet *sheet = rw_sheet_new();
            lay_out(sheet, &r);
            rw_sheet_print(sheet, json);
            rw_sheet_free(&sheet);
        } else {
            exit_code = rw_cli_usage(self, "%s", error->message);
        }
    }
    words_clear(&w);
    return exit_code;
}

const rw_command rw_cmd_plan = {
    .name = "plan",
    .summary = "Work out footage, time, optics, drive and light for a transfer",
    .arguments = "",
    .details = NULL,
    .run = run_plan,
};
