#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What is left of the lens's fall-off. Demo reels of one seed are made with and without it; both are
finished, and the light of the one is held against that of the other, averaged over the reel. Prints a
table; does not gate.

    quality/falloff.py REELWRIGHT [--frames N]

told: stops lost in the still's corners as the survey reads them, beside the truth. Figures in stops over
a grid of 32 x 24 places of the frame; "clipped" has clear light over the camera's ceiling, where
nothing can be told and nothing is done."""
import argparse
import math
import os
import sqlite3
import struct
import subprocess
import tempfile

WIDTH, HEIGHT = 32, 24
CLIPPED = ['exposure.clear=1.3']


def run(*command):
    done = subprocess.run(command, capture_output=True, check=False)
    if done.returncode:
        raise SystemExit(f'{" ".join(command)}\n{done.stderr.decode()}')
    return done.stdout


def make(program, folder, name, gauge, loss, frames, settings):
    demo, reel = os.path.join(folder, name + '-demo'), os.path.join(folder, name)
    command = [program, 'demo', demo, '--gauge', gauge, '--frames', str(frames), '--pixels', '1200x800',
               '--no', 'faults', '--no-movies', '--seed', '3', '--set', f'vignette.loss={loss}']
    for setting in settings:
        command += ['--set', setting]
    run(*command)
    run(program, 'intake', os.path.join(demo, 'card'), reel, '--gauge', gauge)
    run(program, 'survey', reel)
    return reel


def told(reel):
    (blob,), = sqlite3.connect(os.path.join(reel, 'reel.db')).execute("select value from fact where key = 'falloff'")
    return struct.unpack('3if', blob)[3]


def light(program, reel, stages):
    movie = reel + '.mkv'
    run(program, 'finish', reel, '-o', movie, '--size', f'{8 * WIDTH}x{8 * HEIGHT}', '--only', stages, '--codec', 'ffv1')
    raw = run('ffmpeg', '-v', 'error', '-i', movie, '-vf', f'scale={WIDTH}:{HEIGHT}:flags=area,format=gray16le',
              '-f', 'rawvideo', '-')
    values = struct.unpack(f'<{len(raw) // 2}H', raw)
    size = WIDTH * HEIGHT
    # full range in gray16; BT.1886
    return [sum((v / 65535) ** 2.4 for v in values[i::size]) / (len(values) // size) for i in range(size)]


def spread(a, b):
    ratio = [math.log2((x + 1e-4) / (y + 1e-4)) for x, y in zip(a, b)]
    mean = sum(ratio) / len(ratio)
    return math.sqrt(sum((r - mean) ** 2 for r in ratio) / len(ratio)), max(ratio) - min(ratio)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument('program')
    parser.add_argument('--frames', type=int, default=40)
    options = parser.parse_args()
    print(f'{"reel":20}{"lost":>8}{"told":>8}{"before: rms":>14}{"worst":>8}{"after: rms":>14}{"worst":>8}')
    with tempfile.TemporaryDirectory(prefix='rw-falloff-') as folder:
        for gauge, more, word in (('super8', [], ''), ('regular8', [], ''), ('super8', CLIPPED, ', clipped')):
            flat = None
            for loss in (0, 9, 25):
                reel = make(options.program, folder, f'{gauge}{len(more)}-{loss}', gauge, loss, options.frames, more)
                before = light(options.program, reel, 'register')
                after = light(options.program, reel, 'register,flicker')
                flat = flat or (before, after)
                figures = [*spread(before, flat[0]), *spread(after, flat[1])]
                print(f'{gauge + word:20}{-math.log2(1 - loss / 100):8.3f}{told(reel):8.3f}{figures[0]:14.4f}{figures[1]:8.3f}'
                      f'{figures[2]:14.4f}{figures[3]:8.3f}', flush=True)


if __name__ == '__main__':
    main()
