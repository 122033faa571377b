#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A shelf of reels done in one go, stopped, gone on with, and done again where something changed.

    tests/cli/batch.py REELWRIGHT"""
import json
import os
import signal
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

SMALL = ['--size', '320x240']


def make_shelf(reelwright, folder, shelf):
    for seed, name in enumerate(('harbour', 'picnic')):
        demo = os.path.join(folder, name)
        run([reelwright, 'demo', demo, '--frames', '10', '--pixels', '600x400', '--seed', str(seed),
             '--no', 'faults'])
        run([reelwright, 'intake', os.path.join(demo, 'card'), os.path.join(shelf, name)])
    os.makedirs(os.path.join(shelf, 'notes'))  # no reel, and none of our business


def batch(reelwright, shelf, *words):
    done = run([reelwright, 'batch', shelf, '--json', *words], timeout=300)
    reels = {r['reel']: r for r in json.loads(done.stdout)['reels']} if done.stdout else {}
    return done, reels


def steps(reels):
    return {name: list(r['steps'].values()) for name, r in reels.items()}


def check_steps(tap, reelwright, shelf):
    done, reels = batch(reelwright, shelf, '--until', 'survey')
    tap.equal((done.returncode, steps(reels)), (0, {'harbour': ['done'], 'picnic': ['done']}),
              'one step of every reel, and no more')
    done, reels = batch(reelwright, shelf, *SMALL, '--workers', '2')
    tap.equal((done.returncode, steps(reels)), (0, {name: ['kept', 'done', 'done']
                                                   for name in ('harbour', 'picnic')}),
              'what is done is kept, the rest is done, two reels at once')
    for name in ('harbour', 'picnic'):
        for file in (name + '.mp4', 'report.html'):
            tap.ok(os.path.getsize(os.path.join(shelf, name, 'out', file)) > 1000, f'{name}: {file}')
    movie = os.path.join(shelf, 'picnic', 'out', 'picnic.mp4')
    before = os.stat(movie).st_mtime_ns
    done, reels = batch(reelwright, shelf, *SMALL)
    tap.equal((done.returncode, steps(reels)), (0, {name: ['kept', 'kept', 'done']
                                                   for name in ('harbour', 'picnic')}),
              'nothing changed: only the reports are written anew')
    tap.equal(os.stat(movie).st_mtime_ns, before, 'a movie that is kept is not touched')


def check_changes(tap, reelwright, shelf):
    run([reelwright, 'look', os.path.join(shelf, 'picnic'), '--set', 'colour.exposure=0.5'])
    done, reels = batch(reelwright, shelf, *SMALL)
    tap.equal(steps(reels)['harbour'], ['kept', 'kept', 'done'], 'another reel\'s choice: kept')
    tap.equal(steps(reels)['picnic'][1], 'done', 'a choice was made: the movie is made anew')
    done, reels = batch(reelwright, shelf, '--size', '400x300')
    tap.equal([s[1] for s in steps(reels).values()], ['done', 'done'], 'another size: made anew')
    os.remove(os.path.join(shelf, 'harbour', 'out', 'harbour.mp4'))
    done, reels = batch(reelwright, shelf, '--size', '400x300')
    tap.equal([s[1] for s in steps(reels).values()], ['done', 'kept'], 'a lost movie: made anew')


def check_packages(tap, reelwright, folder, shelf):
    packages = os.path.join(folder, 'packages')
    words = ('--size', '400x300', '--until', 'package', '--packages', packages)
    done, reels = batch(reelwright, shelf, *words)
    tap.equal([s[3] for s in steps(reels).values()], ['done', 'done'], 'packages are made')
    tap.ok(all(run([reelwright, 'package', '--check', os.path.join(packages, name)]).returncode == 0
               for name in reels), 'and prove themselves', done.stderr)
    done, reels = batch(reelwright, shelf, *words)
    tap.equal([s[3] for s in steps(reels).values()], ['kept', 'kept'], 'and are kept')
    run([reelwright, 'look', os.path.join(shelf, 'picnic'), '--set', 'colour.exposure=0.2'])
    done, reels = batch(reelwright, shelf, *words)
    tap.equal(sorted(os.listdir(packages)), ['harbour', 'picnic', 'picnic-2'],
              'a reel that changed gets a second package; the first stays')


def check_faults(tap, reelwright, shelf):
    torn = os.path.join(shelf, 'attic')
    os.makedirs(torn)
    with open(os.path.join(torn, 'reel.db'), 'wb') as file:
        file.write(b'no database' * 500)
    done, reels = batch(reelwright, shelf, '--size', '400x300')
    tap.ok(done.returncode == 1 and steps(reels)['attic'][0] == 'failed' and
           'attic' in reels['attic']['error'], 'a reel that cannot be read is told',
           done.stdout + done.stderr)
    tap.equal([steps(reels)[name][2] for name in ('harbour', 'picnic')], ['done', 'done'],
              'and the others are done')
    os.remove(os.path.join(torn, 'reel.db'))


def check_killed(tap, reelwright, shelf):
    run([reelwright, 'look', os.path.join(shelf, 'harbour'), '--set', 'colour.exposure=0.1'])
    for name in (signal.SIGKILL, signal.SIGTERM):
        process = subprocess.Popen([reelwright, 'batch', shelf, '--size', '640x480'],
                                   stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        time.sleep(0.3)  # somewhere in the middle, or wherever: any moment must do
        process.send_signal(name)
        process.communicate()
        tap.ok(process.returncode in (1, -signal.SIGKILL, 0), f'ended by {name.name}',
               process.returncode)
    done, reels = batch(reelwright, shelf, '--size', '640x480')
    tap.ok(done.returncode == 0 and all(s[2] == 'done' for s in steps(reels).values()),
           'stopped and killed, it goes on', done.stdout + done.stderr)


def check_words(tap, reelwright, folder, shelf):
    for words in (['--until', 'supper'], ['--workers', '0'], ['--codec', 'null']):
        done = run([reelwright, 'batch', shelf, *words])
        tap.ok(done.returncode == 2 and done.stderr.count('\n') == 1, f'wrong use: {words}',
               done.stderr)
    for place in (os.path.join(folder, 'nowhere'), os.path.join(shelf, 'notes')):
        done = run([reelwright, 'batch', place])
        tap.ok(done.returncode == 1 and done.stderr.count('\n') == 1, 'no reels there', done.stderr)
    done = run([reelwright, 'batch', shelf, '--until', 'survey'])
    tap.ok('2 of 2 reels are done up to survey' in done.stdout, 'it ends with a sum', done.stdout)


def main():
    reelwright, tap = sys.argv[1], Tap()
    with tempfile.TemporaryDirectory(prefix='rw-batch-') as folder:
        shelf = os.path.join(folder, 'shelf')
        make_shelf(reelwright, folder, shelf)
        check_steps(tap, reelwright, shelf)
        check_changes(tap, reelwright, shelf)
        check_packages(tap, reelwright, folder, shelf)
        check_faults(tap, reelwright, shelf)
        check_killed(tap, reelwright, shelf)
        check_words(tap, reelwright, folder, shelf)
    tap.done()


if __name__ == '__main__':
    main()
