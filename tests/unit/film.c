/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The gauge table and the planning arithmetic against published figures, typed here a second time.
 * Marks: [S] read in the named source, [S2] read in a secondary source that quotes it, [M] from
 * memory of the named source, [C] common practice, [D] worked by hand from rows with sources.
 * Film tolerances are the standard's where it gives one.
 */
#include <math.h>

#include <reelwright/film.h>

static const rw_gauge *gauge(const char *name)
{
    const rw_gauge *g = rw_gauge_find(name);
    g_assert_nonnull(g);
    return g;
}

/* A macro, so that a failure names the line of the check. The tolerance is exclusive. */
#define near g_assert_cmpfloat_with_epsilon

static void test_find(void)
{
    int n = 0;
    for (const rw_gauge *const *g = rw_gauge_all(); *g; g++, n++)
        g_assert_true(rw_gauge_find((*g)->name) == *g);
    g_assert_cmpint(n, >=, 2);
    g_assert_null(rw_gauge_find("super9"));
    g_assert_null(rw_gauge_find(""));
    g_assert_null(rw_gauge_find(NULL));
}

/* What must hold for any gauge whatever its numbers. */
static void test_every_gauge(void)
{
    for (const rw_gauge *const *each = rw_gauge_all(); *each; each++) {
        const rw_gauge *g = *each;
        rw_rect a = g->camera_aperture, p = g->projectable;
        g_assert_cmpint(g->n_perforations, >=, 1);
        g_assert_cmpint(g->n_speeds, >=, 1);
        g_assert_nonnull(g->sources[0]);
        for (const char *const *s = g->sources; *s; s++)
            g_assert_true(g_str_has_suffix(*s, "]"));
        /* the picture sits on the strip and on its frame line, the projected part inside it */
        g_assert_cmpfloat(a.x, >, 0);
        g_assert_cmpfloat(a.x + a.width, <, g->width);
        g_assert_cmpfloat(a.height, <, g->pitch);
        near(a.y + a.height / 2, 0, 1e-9);
        near(p.y + p.height / 2, 0, 1e-9);
        near(p.x + p.width / 2, a.x + a.width / 2, 1e-9);
        g_assert_cmpfloat(p.width, <, a.width);
        g_assert_cmpfloat(p.height, <, a.height);
        for (int i = 0; i < g->n_perforations; i++) {
            const rw_perforation *h = &g->perforations[i];
            g_assert_cmpfloat(h->x, >, 0);
            g_assert_cmpfloat(h->radius, <, fmin(h->width, h->height) / 2);
            /* no picture is cut by a hole */
            g_assert_true(h->x + h->width < a.x || h->x > a.x + a.width || h->y > a.y + a.height ||
                          h->y + h->height < a.y);
            if (i > 0)
                g_assert_cmpfloat(h->y, >, g->perforations[i - 1].y);
        }
        /* pitch and whole frames per foot tell the same story within the long pitch's tolerance */
        near(RW_MM_PER_FOOT / rw_rational_value(g->frames_per_foot), g->pitch, 0.010);
        g_assert_cmpfloat(g->pitch_short, <, g->pitch);
    }
}

static void check_speeds(const rw_gauge *g, double first, double second, double third)
{
    g_assert_cmpint(g->n_speeds, ==, 3);
    near(rw_rational_value(g->speeds[0]), first, 1e-9);
    near(rw_rational_value(g->speeds[1]), second, 1e-9);
    near(rw_rational_value(g->speeds[2]), third, 1e-9);
}

static void test_super8(void)
{
    const rw_gauge *g = gauge("super8");
    /* SMPTE 149-2004 Table 1, dims A, B, C, D, E, R [S] */
    near(g->width, 7.976, 1e-9);
    near(g->pitch, 4.234, 1e-9);
    near(g->pitch_short, 4.227, 1e-9);
    g_assert_cmpint(g->n_perforations, ==, 1);
    near(g->perforations[0].width, 0.914, 1e-9);
    near(g->perforations[0].height, 1.143, 1e-9);
    near(g->perforations[0].x, 0.51, 1e-9);
    near(g->perforations[0].radius, 0.13, 1e-9);
    near(g->perforations[0].x + g->perforations[0].width, 1.424, 1e-9); /* [D] */
    /* SMPTE 149-2004 dim. L: 100 pitches 423.42 +/- 0.43 and 422.66 +/- 0.43 [S] */
    near(100 * g->pitch, 423.42, 0.43);
    near(100 * g->pitch_short, 422.66, 0.43);
    /* SMPTE 153-2001, 181-2001 notes: hole beside the middle of the picture [S] */
    near(g->perforations[0].y, -0.5715, 1e-9);
    g_assert_false(g->perforation_on_frame_line);
    /* camera aperture [S2+M], projectable picture [S2+M], centre line [M] */
    near(g->camera_aperture.width, 5.69, 1e-9);
    near(g->camera_aperture.height, 4.22, 1e-9);
    near(g->camera_aperture.x, 1.47, 0.01);
    near(g->camera_aperture.x + g->camera_aperture.width, 7.16, 0.01);
    near(g->projectable.width, 5.31, 1e-9);
    near(g->projectable.height, 4.01, 1e-9);
    /* 72 per foot, 236.2 per metre [D+S2]; 18 fps first [S2+M] */
    near(rw_rational_value(g->frames_per_foot), 72, 1e-9);
    near((double)rw_frames_from_mm(g, 100 * 1000.0) / 100, 236.2, 0.05);
    check_speeds(g, 18, 24, 16);
    /* SMPTE 200M-2003 clause 2.1: a 15 m cartridge runs 3666-3715 pitches, 15.52-15.73 m [S] */
    near(3666 * g->pitch, 15520, 5);
    near(3715 * g->pitch, 15730, 5);
    /* film speed at 18 fps 76.2 mm/s [D] */
    near(rw_mm_from_frames(g, 18), 76.2, 0.05);
}

static void test_regular8(void)
{
    const rw_gauge *g = gauge("regular8");
    /* SMPTE 239-2004 clause 1 [S]; width [M] */
    near(g->pitch, 3.810, 1e-9);
    near(g->pitch_short, 3.802, 1e-9);
    near(g->width, 7.975, 1e-9);
    /* the 16 mm hole of ASA Z22.5-1947 [S], the same in Regular 8 [S2] */
    g_assert_cmpint(g->n_perforations, ==, 2);
    for (int i = 0; i < 2; i++) {
        near(g->perforations[i].width, 1.83, 1e-9);
        near(g->perforations[i].height, 1.27, 1e-9);
        near(g->perforations[i].radius, 0.25, 1e-9);
        near(g->perforations[i].x, 0.91, 1e-9);
        /* on the frame line, 1.905 mm from the middle [S2+D] */
        near(g->perforations[i].y + 0.635, i ? 1.905 : -1.905, 1e-9);
    }
    g_assert_true(g->perforation_on_frame_line);
    /* Wheeler, Principles of Cinematography, p. 286 [S]; ASA Z22.20 [M+S2]; ASA Z22.19 [M] */
    near(g->camera_aperture.width, 4.80, 1e-9);
    near(g->camera_aperture.height, 3.51, 1e-9);
    near(g->camera_aperture.x, 2.81, 0.001);
    near(g->camera_aperture.x + g->camera_aperture.width, 7.61, 0.001);
    near(g->projectable.width, 4.37, 1e-9);
    near(g->projectable.height, 3.28, 1e-9);
    /* 80 per foot, 262.5 per metre [D+S2]; 16 fps first [S2] */
    near(rw_rational_value(g->frames_per_foot), 80, 1e-9);
    near((double)rw_frames_from_mm(g, 100 * 1000.0) / 100, 262.5, 0.05);
    check_speeds(g, 16, 18, 24);
    /* film speed at 18 fps 68.6 mm/s [D] */
    near(rw_mm_from_frames(g, 18), 68.6, 0.05);
}

static void test_extent(void)
{
    /* What a photograph must show to register on the hole [D] */
    rw_rect s8 = rw_gauge_extent(gauge("super8"), 1);
    near(s8.width, 6.65, 0.006);
    near(s8.height, 4.22, 1e-9);
    near(s8.x, 0.51, 1e-9);
    const rw_gauge *r8 = gauge("regular8");
    rw_rect none = rw_gauge_extent(r8, 0), one = rw_gauge_extent(r8, 1),
            both = rw_gauge_extent(r8, 2);
    near(none.width, 4.80, 1e-9);
    near(none.height, 3.51, 1e-9);
    near(one.width, 6.70, 0.001);
    near(one.height, 4.30, 0.006);
    near(both.width, 6.70, 0.001);
    near(both.height, 5.08, 1e-9);
    near(one.y, -1.905 - 0.635, 1e-9); /* either would do: the first */
    near(rw_gauge_extent(r8, 9).height, both.height, 1e-9);
}

/* A gauge of our own making: uneven holes on the far side of the picture, half frames per foot. */
static void test_odd_gauge(void)
{
    static const rw_perforation holes[] = {
        {6, -9, 1, 1, 0.1}, {6, -2, 2, 1, 0.1}, {6, 2, 1, 1, 0.1}};
    static const rw_gauge odd = {.frames_per_foot = {45, 2},
                                 .perforations = holes,
                                 .n_perforations = 3,
                                 .camera_aperture = {1, -1, 4, 2}};
    /* by hand: alone the middle one needs 7 x 3, less than 6 x 10 and 6 x 4; of two the last two */
    rw_rect one = rw_gauge_extent(&odd, 1), two = rw_gauge_extent(&odd, 2);
    near(one.width, 7, 1e-9);
    near(one.y, -2, 1e-9);
    near(one.height, 3, 1e-9);
    near(two.width, 7, 1e-9);
    near(two.height, 5, 1e-9);
    near(rw_gauge_extent(&odd, 3).height, 12, 1e-9);
    near(rw_gauge_extent(&odd, 0).width, 4, 1e-9);
    g_assert_cmpint(rw_frames_from_mm(&odd, 2 * RW_MM_PER_FOOT), ==, 45);
    near(rw_mm_from_frames(&odd, 45), 2 * RW_MM_PER_FOOT, 1e-9);
}

/* Reel table: frames exact by 72 and 80 per foot, time to the second [D] */
static void test_reel_table(void)
{
    static const struct {
        double feet, metres;
        int super8;
        const char *super8_time[3];
        int regular8;
        const char *regular8_time[3];
    } rows[] = {
        {25, 7.62, 1800, {"1:53", "1:40", "1:15"}, 2000, {"2:05", "1:51", "1:23"}},
        {50, 15.24, 3600, {"3:45", "3:20", "2:30"}, 4000, {"4:10", "3:42", "2:47"}},
        {100, 30.48, 7200, {"7:30", "6:40", "5:00"}, 8000, {"8:20", "7:24", "5:33"}},
        {200, 60.96, 14400, {"15:00", "13:20", "10:00"}, 16000, {"16:40", "14:49", "11:07"}},
        {300, 91.44, 21600, {"22:30", "20:00", "15:00"}, 24000, {"25:00", "22:13", "16:40"}},
        {400, 121.92, 28800, {"30:00", "26:40", "20:00"}, 32000, {"33:20", "29:38", "22:13"}},
        {600, 182.88, 43200, {"45:00", "40:00", "30:00"}, 48000, {"50:00", "44:27", "33:20"}},
    };
    static const rw_rational speeds[] = {{16, 1}, {18, 1}, {24, 1}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++)
        for (int k = 0; k < 2; k++) {
            const rw_gauge *g = gauge(k ? "regular8" : "super8");
            int frames = k ? rows[i].regular8 : rows[i].super8;
            g_assert_cmpint(rw_frames_from_mm(g, rows[i].feet * RW_MM_PER_FOOT), ==, frames);
            g_assert_cmpint(rw_frames_from_mm(g, rows[i].metres * 1000), ==, frames);
            near(rw_mm_from_frames(g, frames), rows[i].metres * 1000, 1e-6);
            for (int s = 0; s < 3; s++) {
                g_autofree char *time = rw_time_format(rw_running_time(frames, speeds[s]));
                g_assert_cmpstr(time, ==, (k ? rows[i].regular8_time : rows[i].super8_time)[s]);
            }
        }
}

static void test_time(void)
{
    rw_rational t = rw_running_time(3600, (rw_rational){50, 3}); /* 216 s [D] */
    g_assert_cmpint(t.num, ==, 216);
    g_assert_cmpint(t.den, ==, 1);
    t = rw_running_time(30, (rw_rational){30000, 1001}); /* 1.001 s [D] */
    g_assert_cmpint(t.num, ==, 1001);
    g_assert_cmpint(t.den, ==, 1000);
    static const struct {
        rw_rational seconds;
        const char *text;
    } rows[] = {{{0, 1}, "0:00"},          {{1, 2}, "0:01"},     {{49, 100}, "0:00"},
                {{7199, 2}, "1:00:00"},    {{3599, 1}, "59:59"}, {{3725, 1}, "1:02:05"},
                {{719999, 200}, "1:00:00"}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        g_autofree char *text = rw_time_format(rows[i].seconds);
        g_assert_cmpstr(text, ==, rows[i].text);
    }
    /* there and back for every length, and half a frame counts as one */
    for (int64_t n = 0; n < 5000; n += 7)
        g_assert_cmpint(rw_frames_from_mm(gauge("super8"), rw_mm_from_frames(gauge("super8"), n)),
                        ==, n);
    double pitch = RW_MM_PER_FOOT / 72;
    g_assert_cmpint(rw_frames_from_mm(gauge("super8"), 10.49 * pitch), ==, 10);
    g_assert_cmpint(rw_frames_from_mm(gauge("super8"), 10.51 * pitch), ==, 11);
}

typedef struct optics_row {
    double n, n_e, airy_sensor, airy_px, airy_film, cutoff, mtf50, dof_2p, dof_p, dof_wave;
} optics_row;

static void check_optics_row(rw_optics o, const optics_row *row)
{
    o.f_number = row->n;
    rw_optics_plan plan = rw_optics_solve(&o);
    near(plan.effective_f_number, row->n_e, 0.05);
    near(plan.airy_sensor, row->airy_sensor, 0.051);
    near(plan.airy_sensor / plan.pixel_pitch, row->airy_px, 0.051);
    near(plan.airy_film, row->airy_film, 0.0051);
    near(plan.cutoff, row->cutoff, 0.51);
    near(plan.mtf50, row->mtf50, 0.51);
    near(plan.dof_geometric, row->dof_2p, 0.051);
    near(plan.dof_wave, row->dof_wave, 0.051);
    near(plan.depth_of_focus, row->dof_2p * o.magnification * o.magnification,
         0.051 * o.magnification * o.magnification);
    o.blur_px = 1;
    near(rw_optics_solve(&o).dof_geometric, row->dof_p, 0.051);
}

/* Worked example A: 36 x 24 mm, 6000 x 4000, 25 mm lens at 5:1 [D from Conrad [S2], Lefkowitz [M],
 * the quarter-wave rule [S2] and the perfect pupil's contrast [D]] */
static void test_optics_full_frame(void)
{
    rw_optics o = RW_OPTICS_DEFAULTS;
    o.focal_length = 25;
    rw_optics_plan p = rw_optics_solve(&o);
    near(p.pixel_pitch, 6.000, 0.0005);
    near(p.field_width, 7.200, 0.0005);
    near(p.field_height, 4.800, 0.0005);
    near(p.px_per_mm, 833.3, 0.05);
    near(p.um_per_px, 1.200, 0.0005);
    near(p.nyquist, 416.7, 0.05);
    near(p.object_distance, 30.0, 0.05);
    near(p.image_distance, 150.0, 0.05);
    near(p.extension, 125.0, 0.05);
    near(p.object_distance + p.image_distance, 180.0, 0.05);
    static const struct {
        double mm, px;
    } sizes[] = {{5.69, 4742}, {4.22, 3517}, {5.31, 4425}, {4.01, 3342},
                 {4.80, 4000}, {3.51, 2925}, {4.37, 3642}, {3.28, 2733}};
    for (size_t i = 0; i < G_N_ELEMENTS(sizes); i++)
        near(sizes[i].mm * p.px_per_mm, sizes[i].px, 0.51);
    static const optics_row rows[] = {
        {2.8, 16.8, 22.5, 3.8, 4.51, 541, 219, 16.1, 8.1, 24.8},
        {4, 24.0, 32.2, 5.4, 6.44, 379, 153, 23.0, 11.5, 50.7},
        {5.6, 33.6, 45.1, 7.5, 9.02, 271, 109, 32.3, 16.1, 99.3},
        {8, 48.0, 64.4, 10.7, 12.88, 189, 77, 46.1, 23.0, 202.8},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++)
        check_optics_row(o, &rows[i]);
    /* Super 8 with its hole fits; Regular 8 fits with one hole, not with both [D] */
    g_assert_cmpfloat(rw_magnification_to_fit(rw_gauge_extent(gauge("super8"), 1), 36, 24), >, 5);
    g_assert_cmpfloat(rw_magnification_to_fit(rw_gauge_extent(gauge("regular8"), 1), 36, 24), >, 5);
    g_assert_cmpfloat(rw_magnification_to_fit(rw_gauge_extent(gauge("regular8"), 2), 36, 24), <, 5);
}

/* Worked example B: 23.5 x 15.6 mm, 6000 x 4000, 25 mm lens at 3:1 [D, as above] */
static void test_optics_aps_c(void)
{
    rw_optics o = RW_OPTICS_DEFAULTS;
    o.sensor_width = 23.5;
    o.sensor_height = 15.6;
    o.magnification = 3;
    o.focal_length = 25;
    rw_optics_plan p = rw_optics_solve(&o);
    near(p.pixel_pitch, 3.917, 0.0005);
    near(p.field_width, 7.833, 0.0005);
    near(p.field_height, 5.200, 0.0005);
    near(p.px_per_mm, 766.0, 0.05);
    near(p.um_per_px, 1.306, 0.0005);
    near(p.nyquist, 383.0, 0.05);
    near(p.object_distance, 33.33, 0.005);
    near(p.image_distance, 100.0, 0.05);
    near(p.extension, 75.0, 0.05);
    near(5.69 * p.px_per_mm, 4358, 0.51);
    near(4.22 * p.px_per_mm, 3232, 0.51);
    near(4.80 * p.px_per_mm, 3677, 0.51);
    near(3.51 * p.px_per_mm, 2689, 0.51);
    static const optics_row rows[] = {
        {2.8, 11.2, 15.0, 3.8, 5.01, 487, 197, 19.5, 9.7, 30.7},
        {4, 16.0, 21.5, 5.5, 7.16, 341, 138, 27.9, 13.9, 62.6},
        {5.6, 22.4, 30.1, 7.7, 10.02, 244, 98, 39.0, 19.5, 122.7},
        {8, 32.0, 42.9, 11.0, 14.31, 170, 69, 55.7, 27.9, 250.3},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++)
        check_optics_row(o, &rows[i]);
    /* Regular 8 with both holes just fits at 3:1; at 5:1 no 8 mm frame fits [D] */
    g_assert_cmpfloat(rw_magnification_to_fit(rw_gauge_extent(gauge("regular8"), 2), 23.5, 15.6), >,
                      3);
    for (const rw_gauge *const *g = rw_gauge_all(); *g; g++)
        g_assert_cmpfloat(rw_magnification_to_fit(rw_gauge_extent(*g, 0), 23.5, 15.6), <, 5);
    /* the framing of 36 x 24 mm at 5:1 is 3.26:1 here [D] */
    near(rw_magnification_to_fit((rw_rect){0, 0, 7.2, 4.0}, 23.5, 15.6), 3.26, 0.005);
}

static void test_diffraction(void)
{
    /* half at 0.4040 of the cut-off; 0.0894 at 1/1.22; 0.3910 at half [D, closed form] */
    near(rw_diffraction_mtf(0.4040, 1), 0.5, 1e-4);
    near(rw_diffraction_mtf(1 / 1.22, 1), 0.0894, 5e-5);
    near(rw_diffraction_mtf(50, 100), 0.3910, 5e-5);
    near(rw_diffraction_mtf(0, 100), 1, 1e-12);
    g_assert_cmpfloat(rw_diffraction_mtf(100, 100), ==, 0);
    g_assert_cmpfloat(rw_diffraction_mtf(150, 100), ==, 0);
    rw_optics o = RW_OPTICS_DEFAULTS;
    rw_optics_plan p = rw_optics_solve(&o);
    near(rw_diffraction_mtf(p.mtf50, p.cutoff), 0.5, 1e-9);
}

static void test_pupil_and_balance(void)
{
    /* N (1 + m/P): 2.8 (1 + 5/2) = 9.8 (Conrad [S2]) */
    rw_optics o = RW_OPTICS_DEFAULTS;
    o.f_number = 2.8;
    o.pupil_ratio = 2;
    near(rw_optics_solve(&o).effective_f_number, 9.8, 1e-9);
    /* At the balanced f-number a blur circle as large as the Airy disk just spans the depth. */
    for (double depth = 10; depth < 200; depth *= 2) {
        o.f_number = rw_balanced_f_number(&o, depth);
        rw_optics_plan p = rw_optics_solve(&o);
        o.blur_px = p.airy_sensor / p.pixel_pitch;
        near(rw_optics_solve(&o).dof_geometric, depth, 1e-6);
    }
    /* 50 um at 5:1: N_e = 5 sqrt(50 / (4.88 * 0.55)) = 21.581, marked 3.597 [D] */
    o.pupil_ratio = 1;
    near(rw_balanced_f_number(&o, 50), 3.597, 0.0005);
}

static rw_rational pulses(int steps, int microsteps, int64_t num, int64_t den)
{
    rw_drive drive = {steps, microsteps, {num, den}};
    return rw_drive_pulses_per_frame(&drive);
}

/* Stepper arithmetic [D] */
static void test_drive(void)
{
    static const struct {
        int microsteps, per_frame;
    } rows[] = {{1, 200}, {2, 400}, {4, 800}, {8, 1600}, {16, 3200}, {32, 6400}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        rw_rational p = pulses(200, rows[i].microsteps, 1, 1);
        g_assert_cmpint(p.num, ==, rows[i].per_frame);
        g_assert_cmpint(p.den, ==, 1);
    }
    rw_rational p = pulses(200, 8, 60, 20); /* 20 and 60 teeth: 4800 and, at 2 fps, 9600 */
    near(rw_rational_value(p), 4800, 1e-9);
    g_assert_cmpint(rw_drive_pulses(p, 2), ==, 9600);

    p = pulses(200, 8, 60, 22); /* 22 and 60 teeth: 4363.6364 */
    g_assert_cmpint(p.num, ==, 48000);
    g_assert_cmpint(p.den, ==, 11);
    near(rw_rational_value(p), 4363.6364, 0.00005);
    rw_rational lost = rw_drive_lost_pulses(p, 1);
    near(rw_rational_value(lost), 0.6364, 0.00005);
    lost = rw_drive_lost_pulses(p, 3600);
    near(rw_rational_value(lost), 2291, 0.5);
    near(rw_rational_value(lost) / rw_rational_value(p), 0.525, 0.0005);
    g_assert_cmpint(rw_drive_lost_pulses(pulses(200, 8, 3, 1), 3600).num, ==, 0);

    /* the remainder is carried: whole turns come out exact, no frame is off by a pulse or more */
    g_assert_cmpint(rw_drive_pulses(p, 0), ==, 0);
    g_assert_cmpint(rw_drive_pulses(p, 11), ==, 48000);
    g_assert_cmpint(rw_drive_pulses(p, 11 * 1000), ==, 48000 * 1000);
    for (int k = 0; k < 5000; k++) {
        int64_t step = rw_drive_pulses(p, k + 1) - rw_drive_pulses(p, k);
        g_assert_true(step == 4363 || step == 4364);
        double off = rw_rational_value(p) * k - (double)rw_drive_pulses(p, k);
        g_assert_true(off > -1e-6 && off < 1);
    }
    /* the largest drive over the longest reel stays in range: 1e5 * 1024 * 999999/1000 * 1e7 */
    rw_rational huge = pulses(100000, 1024, 999999, 1000);
    g_assert_cmpint(rw_drive_pulses(huge, RW_FRAMES_MAX), ==, INT64_C(1023998976000000000));
    rw_rational fine = pulses(199, 3, 999999999, 1000000);
    g_assert_cmpint(rw_drive_pulses(fine, RW_FRAMES_MAX), ==, INT64_C(5969999994030));
}

/* Ripple at twice the mains: residual for a shutter time [D] */
static void test_light(void)
{
    static const struct {
        double seconds, at_100, at_120; /* -1: not in the table */
    } rows[] = {{1 / 125.0, 0.234, 0.042}, {1 / 100.0, 0, -1},   {1 / 60.0, 0.165, 0},
                {1 / 50.0, 0, 0.126},      {1 / 30.0, 0.083, 0}, {1 / 15.0, 0.041, 0},
                {1 / 10.0, 0, 0},          {1 / 5.0, 0, 0},      {1 / 4.0, 0, 0}};
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        near(rw_ripple_residual(100, rows[i].seconds), rows[i].at_100, 0.00051);
        if (rows[i].at_120 >= 0)
            near(rw_ripple_residual(120, rows[i].seconds), rows[i].at_120, 0.00051);
    }
    near(rw_ripple_residual(100, 0), 1, 1e-9);
    /* a pulsed lamp: at most 1/(pi f T): 1 kHz at 1/50 s 1.6 %, 20 kHz 0.08 % [D] */
    near(rw_ripple_residual(1025, 1 / 50.0), 0.016, 0.0005);
    near(rw_ripple_residual(20025, 1 / 50.0), 0.0008, 0.00005);
    /* |f - k r|: 100 Hz at 3 stills/s leaves 1 Hz, at 2 stills/s nothing [D] */
    near(rw_beat_frequency(100, 3), 1, 1e-9);
    near(rw_beat_frequency(100, 2), 0, 1e-9);
    near(rw_beat_frequency(120, 0.7), 0.3, 1e-9);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/film/find", test_find);
    g_test_add_func("/film/every-gauge", test_every_gauge);
    g_test_add_func("/film/super8", test_super8);
    g_test_add_func("/film/regular8", test_regular8);
    g_test_add_func("/film/extent", test_extent);
    g_test_add_func("/film/odd-gauge", test_odd_gauge);
    g_test_add_func("/film/reel-table", test_reel_table);
    g_test_add_func("/film/time", test_time);
    g_test_add_func("/film/optics/full-frame", test_optics_full_frame);
    g_test_add_func("/film/optics/aps-c", test_optics_aps_c);
    g_test_add_func("/film/optics/diffraction", test_diffraction);
    g_test_add_func("/film/optics/pupil-and-balance", test_pupil_and_balance);
    g_test_add_func("/film/drive", test_drive);
    g_test_add_func("/film/light", test_light);
    return g_test_run();
}
