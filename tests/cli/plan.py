#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""reelwright plan against worked examples, through the command line.

Figures are typed from tables of trade practice and textbooks; marks: [S2] read in a secondary
source that quotes it, [M] from memory of the source, [C] common practice, [D] worked by hand.

    tests/cli/plan.py REELWRIGHT"""
import json
import os
import sys

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

FULL_FRAME = '--sensor 36x24 --pixels 6000x4000 --magnification 5 --focal-length 25'
APS_C = '--sensor 23.5x15.6 --pixels 6000x4000 --magnification 3 --focal-length 25'

# arguments, then section.key: (value, half a unit of its last printed place)
EXAMPLES = [
    # reel table, 50 ft of Super 8; 10 MB stills and a shutter of 150000 [D, C]
    ('--feet 50 --still-bytes 10MB', {
        'reel.frames': (3600, 0), 'reel.length_m': (15.24, 0.005),
        'reel.running_time_16_fps_s': (225, 0), 'reel.running_time_18_fps_s': (200, 0),
        'reel.running_time_24_fps_s': (150, 0), 'reel.running_time_s': (200, 0),
        'capture.card_gb': (36, 0.5), 'capture.shutter_actuations': (3600, 0),
        'capture.reels_per_shutter': (41, 0), 'capture.shutter_life_percent': (2.4, 0.05),
        'capture.duration_h': (1, 1e-9)}),
    # 400 ft: 28800 frames, 288 GB; at 2 stills/s 4 h [D]
    ('--metres 121.92 --still-bytes 10MB --rate 2', {
        'reel.frames': (28800, 0), 'reel.length_ft': (400, 1e-6), 'capture.card_gb': (288, 0.5),
        'capture.duration_s': (14400, 1e-6), 'capture.duration_h': (4, 1e-6)}),
    # Regular 8, 200 ft: 16000 frames, 16:40, 14:49, 11:07 [D]; its own speed is 16 [S2]
    ('--gauge regular8 --feet 200', {
        'reel.frames': (16000, 0), 'reel.running_time_s': (1000, 0),
        'reel.running_time_18_fps_s': (889, 0.5), 'reel.running_time_24_fps_s': (667, 0.5)}),
    ('--frames 1 --fps 50/3', {'reel.running_time_s': (0.06, 1e-9)}),
    # example A, f/2.8 [D from S2 and M]
    (f'{FULL_FRAME} --f-number 2.8', {
        'picture.pixel_pitch_um': (6.000, 0.0005), 'picture.px_per_mm': (833.3, 0.05),
        'picture.um_per_px': (1.2, 0.0005), 'sharpness.nyquist_lp_mm': (416.7, 0.05),
        'sharpness.effective_f_number': (16.8, 0.05), 'sharpness.airy_sensor_um': (22.5, 0.06),
        'sharpness.airy_film_um': (4.51, 0.006), 'sharpness.diffraction_cutoff_lp_mm': (541, 0.6),
        'sharpness.diffraction_mtf50_lp_mm': (219, 0.6), 'depth.dof_geometric_um': (16.1, 0.06),
        'depth.mount_axial_um': (8.06, 0.01), 'depth.dof_wave_um': (24.8, 0.06),
        'depth.object_distance_mm': (30, 0.05), 'depth.image_distance_mm': (150, 0.05),
        'depth.extension_mm': (125, 0.05)}),
    (f'{FULL_FRAME} --f-number 8 --blur-px 1', {
        'sharpness.effective_f_number': (48, 0.05), 'depth.dof_geometric_um': (23, 0.06),
        'depth.dof_wave_um': (202.8, 0.06), 'sharpness.diffraction_mtf50_lp_mm': (77, 0.6)}),
    # example B, f/5.6 [D from S2 and M]
    (f'{APS_C} --f-number 5.6', {
        'picture.pixel_pitch_um': (3.917, 0.0005), 'picture.px_per_mm': (766.0, 0.05),
        'sharpness.effective_f_number': (22.4, 0.05), 'sharpness.airy_film_um': (10.02, 0.006),
        'sharpness.diffraction_cutoff_lp_mm': (244, 0.6), 'depth.dof_geometric_um': (39.0, 0.06),
        'depth.dof_wave_um': (122.7, 0.06)}),
    # N (1 + m/P) [S2]
    ('--magnification 5 --f-number 2.8 --pupil-ratio 2',
     {'sharpness.effective_f_number': (9.8, 1e-6)}),
    # stepper arithmetic [D]; 5 % of a full step [C]
    ('--steps-per-rev 200 --microsteps 16', {
        'drive.pulses_per_frame': (3200, 0), 'drive.pulse_deg': (0.1125, 1e-9),
        'drive.lost_pulses': (0, 0), 'drive.cycle_frames': (1, 0),
        'drive.static_accuracy_deg': (0.09, 1e-9)}),
    ('--microsteps 8 --ratio 60:20 --rate 2', {
        'drive.pulses_per_frame': (4800, 0), 'drive.pulses_per_s': (9600, 0)}),
    ('--microsteps 8 --ratio 60/22 --frames 3600', {
        'drive.pulses_per_frame': (4363.6364, 0.00005), 'drive.cycle_frames': (11, 0),
        'drive.lost_pulses': (2291, 0.5), 'drive.lost_frames': (0.525, 0.0005)}),
    ('--microsteps 8 --ratio 2.75', {'drive.pulses_per_frame': (4400, 0)}),
    # ripple [D]: 0.165 at 1/60 s and 100 Hz; 0.126 at 1/50 s and 120 Hz; beat |100 - 33 x 3| = 1
    ('--shutter 1/60 --rate 3', {
        'light.ripple_hz': (100, 0), 'light.ripple_residual_percent': (16.5, 0.06),
        'light.ripple_rms_percent': (11.7, 0.06), 'light.beat_hz': (1, 1e-6)}),
    ('--shutter 0.02 --mains 60', {
        'light.ripple_residual_percent': (12.6, 0.06), 'light.quiet_shutter_s': (1 / 120, 1e-9),
        'light.pwm_100_cycles_hz': (5000, 1e-6)}),
]

# arguments, then section.key: exact value
EXACT = [
    (FULL_FRAME, {'picture.fits': True, 'picture.fits_with_1_hole': True,
                  'picture.fits_with_2_holes': None}),
    (f'--gauge regular8 {FULL_FRAME}', {'picture.fits_with_1_hole': True,
                                        'picture.fits_with_2_holes': False}),
    (f'--gauge regular8 {APS_C}', {'picture.fits_with_2_holes': True}),
    ('--sensor 23.5x15.6 --magnification 5', {'picture.fits': False}),
    ('--gauge regular8 --sensor 23.5x15.6 --magnification 5', {'picture.fits': False}),
    ('--ratio 60/22', {'drive.pulses_per_frame_exact': '48000/11', 'drive.ratio': '30/11'}),
    ('--ratio 29.97', {'drive.ratio': '2997/100'}),  # a ratio is no film rate
    ('--gauge regular8', {'reel.gauge': 'regular8', 'reel.fps': '16'}),
]

# arguments, then a word that a caution must hold; each is absent without them
CAUTIONS = [
    ('--feet 400', '9999'),
    ('--sensor 23.5x15.6 --magnification 5', 'do not fit'),
    ('--pixels 6000x3000', 'differ in shape'),
    ('--ratio 60/22', 'remainder'),
    ('--shutter 1/60', 'flicker'),
    ('--f-number 22', 'Diffraction'),
    ('--pixels 600x400', 'finer detail'),
]
ALWAYS = ['docs/safety.md', 'Mouldy', 'splice', 'solvents', 'guards', 'Lamps', 'Mains']

WRONG = [
    '--feet 0', '--feet -3', '--feet 1e3', '--feet 0x10', '--feet 1,5', '--feet nan', '--feet inf',
    '--feet 5 --frames 3', '--feet 5 --metres 3', '--frames 0', '--frames 1.5',
    '--frames 99999999999999999999', '--gauge 9.5', '--fps 0', '--fps fast', '--rate 0',
    '--sensor 36', '--sensor 36x', '--sensor x24', '--sensor 36x24x5', '--sensor 0x0',
    '--pixels 6000.5x4000', '--pixels 0x5', '--magnification 0', '--magnification five',
    '--f-number 0', '--pupil-ratio 0', '--focal-length 0', '--blur-px 0', '--film-lp-mm 0',
    '--depth 0', '--steps-per-rev 0', '--steps-per-rev 1.8', '--microsteps 0', '--ratio 0',
    '--ratio 60/0', '--ratio 0/22', '--ratio 1.2.3', '--ratio 1.2345678', '--ratio 1001',
    '--ratio -1', '--ratio /', '--still-bytes 12XB', '--still-bytes 0', '--still-bytes MB',
    '--shutter-life 0', '--mains 0', '--shutter 0', '--shutter 1/0', '--feet', 'extra',
]


def look_up(sheet, path):
    section, key = path.split('.')
    return sheet.get(section, {}).get(key)


def main():
    tap = Tap()
    reelwright = sys.argv[1]

    def plan(arguments):
        return run([reelwright, 'plan', *arguments.split()])

    def sheet(arguments):
        done = plan('--json ' + arguments)
        try:
            return json.loads(done.stdout)
        except json.JSONDecodeError as problem:
            tap.ok(False, f'plan --json {arguments} is JSON', f'{problem}\n{done.stdout}')
            return {}

    for arguments, figures in EXAMPLES:
        got = sheet(arguments)
        for path, (value, tolerance) in figures.items():
            tap.near(look_up(got, path), value, tolerance + 1e-9, f'{path} of plan {arguments}')
    for arguments, facts in EXACT:
        got = sheet(arguments)
        for path, value in facts.items():
            tap.equal(look_up(got, path), value, f'{path} of plan {arguments}')

    plain = ' '.join(sheet('').get('cautions', []))
    for word in ALWAYS:
        tap.ok(word in plain, f'a caution holds "{word}"', plain)
    for arguments, word in CAUTIONS:
        some = ' '.join(sheet(arguments).get('cautions', []))
        tap.ok(word in some and word not in plain, f'plan {arguments} warns: {word}', some)

    # the table tells the same story as the JSON, within 100 columns
    done = plan('--gauge regular8 --feet 100 --shutter 1/50')
    tap.ok(done.returncode == 0 and not done.stderr, 'the table prints', done.stderr)
    for words in (['frames', '8000'], ['running', 'time', '8:20'], ['at', '24', 'fps', '5:33'],
                  ['length', '100.00', 'ft'], ['shutter', '1/50', 's']):
        tap.ok(any(line.split() == words for line in done.stdout.splitlines()),
               f'the table has "{" ".join(words)}"', done.stdout)
    tap.ok(max(len(line) for line in done.stdout.splitlines()) <= 100, 'no line is over 100 wide',
           max(done.stdout.splitlines(), key=len))

    for arguments in WRONG:
        done = plan(arguments)
        tap.ok(done.returncode == 2 and done.stderr.count('\n') == 1 and not done.stdout,
               f'plan {arguments}: one line and exit 2', done.stdout + done.stderr)
    tap.done()


if __name__ == '__main__':
    main()
