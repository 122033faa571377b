#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Cuts and splices that a survey finds against those that are there, FFmpeg's scdet beside the cuts. Prints
a table; does not gate.

    quality/cuts.py REELWRIGHT FOOTAGE_FOLDER [--quick] [--keep FOLDER]

Reels: a clip whose cuts are known; shots of several clips put together with flash frames, whip pans and
stops of the camera in one place; fades and dissolves; the built-in scenes; each as it is and with
strong flicker. A cut counts as found when it is named to the frame. What is named inside a fade or a
dissolve is neither right nor wrong; how many of them are named at all is printed beside. The shots are
also joined by splices at half of their cuts and in the middle of three: taped with little and much of a
jump, and cemented. A splice counts as found when it is named to the frame; those named on the reels
that have none count as wrong."""
import argparse
import json
import os
import re
import shutil
import subprocess
import tempfile

FLICKER = ['lamp.flicker=6', 'shutter.flicker=6', 'lamp.spatial=2']
# but for splices, of which there are none unless set
FAULTS = ['step', 'clip', 'hair', 'damage', 'missing', 'doubled', 'smear', 'focus', 'soft', 'alien']
SIZE = 'settb=1/25,setpts=N,fps=25,scale=640:480:force_original_aspect_ratio=increase,crop=640:480'
CLIPS = {'dog': 'dog_fetch.mp4', 'coffee': 'coffee_pour.mp4', 'bed': 'bedroom_dog_orbit.mp4',
         'tos': 'tos_cuts_a.mp4'}
# (clip, first frame, frames, what happens): flash N: frame N of the shot is overexposed; whip: the
# camera is torn aside in the middle of the shot
SHOTS = [('dog', 30, 20, 'flash 9'), ('coffee', 0, 16, ''), ('bed', 10, 18, ''), ('tos', 40, 14, ''),
         ('dog', 100, 18, 'whip'), ('tos', 103, 20, 'flash 12'), ('coffee', 60, 20, 'whip'),
         ('bed', 90, 16, 'flash 5'), ('dog', 140, 12, ''), ('coffee', 120, 14, ''),
         ('tos', 70, 16, 'whip'), ('bed', 50, 16, '')]
# the camera stopped and started again in the same place
STOPS = [('dog', 35, 25, ''), ('dog', 100, 20, ''), ('coffee', 10, 20, ''), ('coffee', 95, 20, ''),
         ('dog', 160, 20, '')]
# (clip, first frame, frames, into the next by, over so many frames)
MIXED = [('dog', 30, 40, 'fade', 12), ('coffee', 0, 40, 'fadeblack', 14), ('bed', 10, 40, 'fade', 10),
         ('tos', 105, 40, '', 0)]


# at every other cut and in the middle of shots, film frames
JOINTS = [20, 54, 86, 124, 160, 188, 8, 114, 174]
JOINED = [('taped', []), ('taped-flicker', ['splice.jump=0.1', *FLICKER]),
          ('cemented', ['splice.tape=0', 'splice.jump=0.15'])]


def run(*command):
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f'{" ".join(command)}\n{done.stderr}')
    return done.stdout or done.stderr


def shot_filter(first, frames, event):
    chain = f'trim=start_frame={first}:end_frame={first + frames},{SIZE}'
    word, _, number = event.partition(' ')
    if word == 'flash':
        chain += f",eq=brightness=0.55:enable='eq(n,{number})'"
    if word == 'whip':
        middle = frames // 2
        chain += (f",scale=1280:480,crop=640:480:x='clip((n-{middle - 3})/6,0,1)*640':y=0,"
                  f"gblur=sigma=12:sigmaV=0.01:enable='between(n,{middle - 3},{middle + 4})'")
    return chain + ',setsar=1,format=yuv420p'


def encode(inputs, graph, path):
    run('ffmpeg', '-v', 'error', '-y', *[word for i in inputs for word in ('-i', i)], '-filter_complex',
        graph, '-map', '[out]', '-c:v', 'ffv1', path)


def put_together(footage, shots, path):
    inputs = [os.path.join(footage, CLIPS[clip]) for clip, *_ in shots]
    parts = ';'.join(f'[{i}:v]{shot_filter(first, frames, event)}[s{i}]'
                     for i, (_, first, frames, event) in enumerate(shots))
    names = ''.join(f'[s{i}]' for i in range(len(shots)))
    encode(inputs, f'{parts};{names}concat=n={len(shots)}[out]', path)
    cuts, at = [], 0
    for _, _, frames, _ in shots[:-1]:
        at += frames
        cuts.append(at)
    return sum(shot[2] for shot in shots), cuts, []


def mix(footage, path):
    inputs = [os.path.join(footage, CLIPS[clip]) for clip, *_ in MIXED]
    graph = [f'[{i}:v]{shot_filter(first, frames, "")}[s{i}]'
             for i, (_, first, frames, _, _) in enumerate(MIXED)]
    length, spans, last = MIXED[0][2], [], 's0'
    for i in range(1, len(MIXED)):
        kind, over = MIXED[i - 1][3:]
        begin = length - over
        name = 'out' if i == len(MIXED) - 1 else f'm{i}'
        graph.append(f'[{last}][s{i}]xfade=transition={kind}:duration={over / 25}:offset={begin / 25}[{name}]')
        spans.append((begin, begin + over))
        length += MIXED[i][2] - over
        last = name
    encode(inputs, ';'.join(graph), path)
    return length, [], spans


def make_reel(program, folder, name, clip, frames, settings, gauge):
    demo, reel = os.path.join(folder, name + '-demo'), os.path.join(folder, name)
    if not os.path.isdir(reel):
        command = [program, 'demo', demo, '--gauge', gauge, '--frames', str(frames), '--pixels', '600x400',
                   '--no-movies', '--seed', '21']
        command += [word for term in FAULTS for word in ('--no', term)]
        if clip:
            command += ['--footage', clip]
        for setting in settings:
            command += ['--set', setting]
        run(*command)
        run(program, 'intake', os.path.join(demo, 'card'), reel, '--gauge', gauge)
    told = json.loads(run(program, 'survey', reel, '--json'))
    # by still, whatever the survey thinks of missing frames: none is missing here
    still_of, still = {}, -1
    for frame in told['frames']:
        still += frame['still'] is not None
        still_of[frame['n']] = max(still, 0)
    with open(os.path.join(demo, 'truth', 'truth.json'), encoding='utf-8') as file:
        known = json.load(file)['cuts']
    found = json.loads(run(program, 'findings', reel, '--json'))['findings']
    splices = [still_of[f['first']] for f in found if f['kind'] == 'splice']
    return [still_of[first] for first, _ in told['scenes'][1:]], known, still_of, splices


def scdet(program, folder, name, still_of):
    movie = os.path.join(folder, name + '.mkv')
    run(program, 'finish', os.path.join(folder, name), '-o', movie, '--only', 'register', '--size', '320x240',
        '--codec', 'ffv1')
    said = run('ffmpeg', '-i', movie, '-vf', 'setpts=N/TB/25,scdet', '-f', 'null', '-')
    return [still_of[round(float(t) * 25)] for t in re.findall(r'lavfi\.scd\.time: *([0-9.]+)', said)]


def count(found, cuts, spans):
    right = len(set(found) & set(cuts))
    wrong = [n for n in found if n not in cuts and not any(a <= n <= b for a, b in spans)]
    named = sum(any(a <= n <= b for n in found) for a, b in spans)
    return right, len(cuts) - right, len(wrong), named, sorted(wrong), sorted(set(cuts) - set(found))


def f1(right, missed, wrong):
    return 2 * right / (2 * right + missed + wrong) if right + missed + wrong else 1


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument('program')
    parser.add_argument('footage')
    parser.add_argument('--quick', action='store_true')
    parser.add_argument('--keep')
    options = parser.parse_args()
    folder = options.keep or tempfile.mkdtemp(prefix='rw-cuts-')
    os.makedirs(folder, exist_ok=True)
    tos = os.path.join(options.footage, CLIPS['tos'])
    made = {name: os.path.join(folder, name + '.footage.mkv') for name in ('shots', 'stops', 'mixed')}
    kinds = [('clip', tos, (150, [2, 38, 101], [])),
             ('shots', made['shots'], put_together(options.footage, SHOTS, made['shots'])),
             ('stops', made['stops'], put_together(options.footage, STOPS, made['stops'])),
             ('mixed', made['mixed'], mix(options.footage, made['mixed'])),
             ('regatta', None, (220, None, []))]
    totals = {'reelwright': [0, 0, 0], 'scdet': [0, 0, 0], 'splices': [0, 0, 0]}
    print(f'{"reel":24}{"":12}{"right":>6}{"missed":>8}{"wrong":>7}{"F1":>8}   fades named')

    def row(reel, who, found, truth, spans=()):
        right, missed, wrong, named, extra, lost = count(found, truth, spans)
        totals[who] = [a + b for a, b in zip(totals[who], (right, missed, wrong))]
        print(f'{reel:24}{who:12}{right:6}{missed:8}{wrong:7}{f1(right, missed, wrong):8.3f}   '
              f'{f"{named} of {len(spans)}" if spans else "":12}'
              f'{f"wrong {extra} " if extra else ""}{f"missed {lost}" if lost else ""}', flush=True)

    for name, clip, (frames, cuts, spans) in kinds[:2] if options.quick else kinds:
        for flicker in (False, True):
            gauge = 'regular8' if flicker else 'super8'
            reel = name + ('-flicker' if flicker else '')
            own, known, still_of, splices = make_reel(options.program, folder, reel, clip, frames,
                                                      FLICKER if flicker else [], gauge)
            truth = known if cuts is None else cuts
            row(reel, 'reelwright', own, truth, spans)
            row('', 'scdet', scdet(options.program, folder, reel, still_of), truth, spans)
            row('', 'splices', splices, [])
    frames, cuts, _ = kinds[1][2]
    for i, (name, settings) in enumerate(JOINED):
        settings = [*settings, 'splice.at=' + ','.join(map(str, JOINTS))]
        own, _, _, splices = make_reel(options.program, folder, 'shots-' + name, kinds[1][1], frames, settings,
                                       ('super8', 'regular8')[i % 2])
        row('shots-' + name, 'reelwright', own, cuts)
        row('', 'splices', splices, JOINTS)
    for who, (right, missed, wrong) in totals.items():
        print(f'{"all" if who == "reelwright" else "":24}{who:12}{right:6}{missed:8}{wrong:7}'
              f'{f1(right, missed, wrong):8.3f}')
    if not options.keep:
        shutil.rmtree(folder)


if __name__ == '__main__':
    main()
