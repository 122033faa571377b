/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Footage, time, drive and light. The formulas and their sources stand in film.h.
 */
#include <math.h>

#include <reelwright/film.h>

static rw_rect rect_union(rw_rect a, rw_rect b)
{
    double left = fmin(a.x, b.x), top = fmin(a.y, b.y);
    double right = fmax(a.x + a.width, b.x + b.width);
    double bottom = fmax(a.y + a.height, b.y + b.height);
    return (rw_rect){left, top, right - left, bottom - top};
}

/* Neighbouring holes from `first` on, with the picture. */
static rw_rect extent_from(const rw_gauge *gauge, int first, int holes)
{
    rw_rect extent = gauge->camera_aperture;
    for (int i = first; i < first + holes; i++) {
        const rw_perforation *p = &gauge->perforations[i];
        extent = rect_union(extent, (rw_rect){p->x, p->y, p->width, p->height});
    }
    return extent;
}

rw_rect rw_gauge_extent(const rw_gauge *gauge, int holes)
{
    holes = CLAMP(holes, 0, gauge->n_perforations);
    rw_rect best = extent_from(gauge, 0, holes);
    for (int first = 1; first + holes <= gauge->n_perforations; first++) {
        rw_rect other = extent_from(gauge, first, holes);
        if (other.width * other.height < best.width * best.height)
            best = other;
    }
    return best;
}

int64_t rw_frames_from_mm(const rw_gauge *gauge, double mm)
{
    return llround(mm * (double)gauge->frames_per_foot.num /
                   (RW_MM_PER_FOOT * (double)gauge->frames_per_foot.den));
}

double rw_mm_from_frames(const rw_gauge *gauge, int64_t frames)
{
    return (double)frames * RW_MM_PER_FOOT * (double)gauge->frames_per_foot.den /
           (double)gauge->frames_per_foot.num;
}

rw_rational rw_running_time(int64_t frames, rw_rational fps)
{
    return rw_rational_make(frames * fps.den, fps.num);
}

char *rw_time_format(rw_rational seconds)
{
    int64_t whole = seconds.num / seconds.den;
    if (seconds.num % seconds.den * 2 >= seconds.den)
        whole++;
    int hours = (int)(whole / 3600), minutes = (int)(whole / 60 % 60), rest = (int)(whole % 60);
    if (hours)
        return g_strdup_printf("%d:%02d:%02d", hours, minutes, rest);
    return g_strdup_printf("%d:%02d", minutes, rest);
}

rw_rational rw_drive_pulses_per_frame(const rw_drive *drive)
{
    rw_rational turns = rw_rational_make(drive->ratio.num, drive->ratio.den);
    return rw_rational_make(turns.num * drive->steps_per_rev * drive->microsteps, turns.den);
}

int64_t rw_drive_pulses(rw_rational pulses_per_frame, int64_t frames)
{
    /* whole and fraction apart, so that the products stay small */
    int64_t whole = pulses_per_frame.num / pulses_per_frame.den;
    int64_t rest = pulses_per_frame.num % pulses_per_frame.den;
    return whole * frames + rest * frames / pulses_per_frame.den;
}

rw_rational rw_drive_lost_pulses(rw_rational pulses_per_frame, int64_t frames)
{
    return rw_rational_make(pulses_per_frame.num % pulses_per_frame.den * frames,
                            pulses_per_frame.den);
}

double rw_ripple_residual(double ripple_hz, double seconds)
{
    double phase = G_PI * ripple_hz * seconds;
    return phase == 0 ? 1 : fabs(sin(phase) / phase);
}

double rw_beat_frequency(double ripple_hz, double rate)
{
    return fabs(ripple_hz - rate * round(ripple_hz / rate));
}
