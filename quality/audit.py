#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings of a survey against the truth of demo reels. Prints a table; does not gate.

    quality/audit.py REELWRIGHT FOOTAGE_FOLDER [--quick] [--seed N]

Both gauges, four clips (tripod and hand-held, fast and slow, cuts) and the built-in scene; with a steady
clock, an irregular one and none. Then focus: a drift of 10 % in edge width over 500 frames, and the same
film without, whose scenes go from detailed to plain. --quick makes two reels and no focus. --seed adds N
to every seed, --only K makes the K-th reel alone, --focus only the reels of focus, --misses lists what was
missed or false.

The lens of the focus reels spreads light over one pixel of these small stills (6 um), as any lens does over
the decoded pixels of a 24-megapixel still. The demo draws a sharper edge from one sample a pixel, and its
width then depends on where it falls between two: by up to 40 %, and growth reads half as much again."""
import argparse
import collections
import json
import os
import shutil
import subprocess
import tempfile

FAULTS = ['missing.count=6', 'doubled.count=6', 'smear.count=6']
# gauge, seed, frames, clip, first frame of it, more settings, terms that are off
REELS = [
    ('super8', 11, 150, 'dog_fetch.mp4', 30, [], []),
    ('regular8', 12, 150, 'coffee_pour.mp4', 0, [], []),
    ('super8', 13, 149, 'bedroom_dog_orbit.mp4', 0, ['clock.jitter=0.3', 'clock.pauses=15'], []),
    ('regular8', 14, 150, 'tos_cuts_a.mp4', 0, [], ['clock']),
    ('super8', 15, 200, None, 0, ['missing.length=3'], []),
    ('regular8', 16, 150, 'dog_fetch.mp4', 30, ['clock.jitter=0.3'], []),
    ('super8', 17, 150, 'coffee_pour.mp4', 0, [], ['clock']),
    ('regular8', 18, 149, 'bedroom_dog_orbit.mp4', 0, [], []),
    ('super8', 19, 150, 'tos_cuts_a.mp4', 0, ['missing.skipped=100'], []),
    ('regular8', 20, 200, None, 0, [], ['clock']),
]
# gauge, seed, clips, drift in percent; 500 frames each
FOCUS = [
    ('super8', 31, ['dog_fetch.mp4', 'coffee_pour.mp4'], 10),
    ('super8', 31, ['dog_fetch.mp4', 'coffee_pour.mp4'], 0),
    ('regular8', 32, ['bedroom_dog_orbit.mp4', 'coffee_pour.mp4'], 10),
    ('regular8', 32, ['bedroom_dog_orbit.mp4', 'coffee_pour.mp4'], 0),
]
KINDS = ('missing-frame', 'doubled-frame', 'smeared-frame')


def run(*command):
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f'{" ".join(command)}\n{done.stderr}')
    return done.stdout


def make(program, folder, reel, footage, shift):
    gauge, seed, frames, clip, first, settings, off = reel
    more = ['--footage', os.path.join(footage, clip), '--first-frame', str(first)] if clip else []
    for setting in FAULTS + settings:
        more += ['--set', setting]
    for term in off:
        more += ['--no', term]
    return survey(program, folder, gauge, seed + shift, frames, more)


def survey(program, folder, gauge, seed, frames, more):
    run(program, 'demo', os.path.join(folder, 'demo'), '--gauge', gauge, '--seed', str(seed), '--frames',
        str(frames), '--pixels', '1200x800', '--no-movies', *more)
    run(program, 'intake', os.path.join(folder, 'demo', 'card'), os.path.join(folder, 'reel'), '--gauge',
        gauge)
    run(program, 'survey', os.path.join(folder, 'reel'))
    with open(os.path.join(folder, 'demo', 'truth', 'truth.json'), encoding='utf-8') as file:
        truth = json.load(file)
    return truth, json.loads(run(program, 'findings', os.path.join(folder, 'reel'), '--json'))['findings']


def positions(truth, findings, kind):
    """Places of a kind's faults in the order of stills: in truth, and as found."""
    place = {os.path.basename(s['file']): i for i, s in enumerate(truth['stills'])}
    end = 'first' if kind == 'smeared-frame' else 'last'
    want = {f[end] for f in truth['findings'] if f['kind'] == kind}
    return want, {place[os.path.basename(f['still'])] for f in findings if f['kind'] == kind}


def hair(truth, findings):
    place = {os.path.basename(s['file']): i for i, s in enumerate(truth['stills'])}
    want = [f['first'] for f in truth['findings'] if f['kind'] == 'gate-hair']
    # a finding's frames are counted with the missing ones; its still is where it begins
    found = [place[os.path.basename(f['still'])] for f in findings if f['kind'] == 'gate-hair']
    return len(want), sum(any(abs(g - w) <= 5 for g in found) for w in want), \
        sum(not any(abs(g - w) <= 5 for w in want) for g in found)


def tell_misses(truth, findings, kind):
    want, found = positions(truth, findings, kind)
    place = {os.path.basename(s['file']): i for i, s in enumerate(truth['stills'])}
    end = 'first' if kind == 'smeared-frame' else 'last'
    for n in sorted(want - found):
        cause = next(f for f in truth['findings'] if f['kind'] == kind and f[end] == n)
        print(f'    missed {kind} at still {n}: {cause} {truth["stills"][n].get("smear", "")}')
    for f in findings:
        n = place[os.path.basename(f['still'])]
        if f['kind'] == kind and n not in want:
            print(f'    false {kind} at still {n}: confidence {f["confidence"]}, {f["evidence"]}')


def score_focus(options):
    print(f'\n{"focus over 500 frames":58} {"true":>6}  told')
    for gauge, seed, clips, percent in FOCUS:
        folder = tempfile.mkdtemp(prefix='rw-audit-')
        more = ['--no', 'faults'] if percent == 0 else ['--set', f'focus.percent={percent}']
        for term in ('step', 'clip', 'hair', 'missing', 'doubled', 'smear', 'soft', 'splice') if percent else ():
            more += ['--no', term]
        more += ['--set', 'lens.blur=6']
        for clip in clips:
            more += ['--footage', os.path.join(options.footage, clip)]
        _, findings = survey(options.program, folder, gauge, seed + options.seed, 500, more)
        shutil.rmtree(folder)
        told = [f['evidence']['edge_growth_percent'] for f in findings if f['kind'] == 'focus-drift']
        print(f'{gauge + ", " + " then ".join(clips):58} {percent:4} %  ' +
              (', '.join(f'{growth:.1f} %' for growth in told) or 'no drift'), flush=True)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('program')
    parser.add_argument('footage')
    parser.add_argument('--quick', action='store_true')
    parser.add_argument('--seed', type=int, default=0)
    parser.add_argument('--only', type=int)
    parser.add_argument('--focus', action='store_true')
    parser.add_argument('--misses', action='store_true')
    options = parser.parse_args()
    if options.focus:
        score_focus(options)
        return
    total, stills = collections.Counter(), 0
    print(f'{"reel":42} {"stills":>6}  ' + '  '.join(f'{k:>22}' for k in KINDS) + f'  {"gate-hair":>16}')
    reels = REELS[:2] if options.quick else REELS if options.only is None else [REELS[options.only]]
    for reel in reels:
        folder = tempfile.mkdtemp(prefix='rw-audit-')
        truth, findings = make(options.program, folder, reel, options.footage, options.seed)
        shutil.rmtree(folder)
        stills += len(truth['stills'])
        cells = []
        for kind in KINDS:
            want, found = positions(truth, findings, kind)
            total[kind, 'want'] += len(want)
            total[kind, 'hit'] += len(want & found)
            total[kind, 'false'] += len(found - want)
            cells.append(f'{len(want & found)} of {len(want)}, {len(found - want)} false')
        want, hit, false = hair(truth, findings)
        total['hair', 'want'] += want
        total['hair', 'hit'] += hit
        total['hair', 'false'] += false
        name = f'{reel[0]} {reel[3] or "built-in"} {" ".join(reel[5])}{" no " + reel[6][0] if reel[6] else ""}'
        print(f'{name[:42]:42} {len(truth["stills"]):6}  ' + '  '.join(f'{c:>22}' for c in cells) +
              f'  {hit} of {want}, {false} false', flush=True)
        for kind in KINDS if options.misses else ():
            tell_misses(truth, findings, kind)
    for kind in KINDS + ('hair',):
        print(f'{kind:16} recall {total[kind, "hit"] / max(1, total[kind, "want"]):.3f} of '
              f'{total[kind, "want"]}, {1000 * total[kind, "false"] / max(1, stills):.2f} false per 1,000 stills')
    if not options.quick and options.only is None:
        score_focus(options)


main()
