#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Stills that are shot again: a second card is taken into a surveyed reel, and every still of it goes to
the film frame that it shows (as truth.json has it), a bad one is replaced, a good one never. Again and
again, killed in between, a third card, stills that belong nowhere; and finish makes the whole movie.

    tests/cli/reshot.py REELWRIGHT"""
import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

REELWRIGHT = sys.argv[1]
TAP = Tap()
SEED = int(os.environ.get('REELWRIGHT_TEST_SEED', '20261125'))
FRAMES = 34
# film frames 9, 10 and 22 were not taken, the film moved during frame 27, frame 15 was taken twice
MAKE = ['--frames', str(FRAMES), '--seed', '7', '--pixels', '900x600', '--no-movies', '--no', 'hair', '--no', 'damage',
        '--set', 'missing.count=0', '--set', 'doubled.count=0', '--set', 'smear.count=0']
FAULTS = ['--set', 'missing.at=9,10,22', '--set', 'doubled.at=15', '--set', 'smear.at=27', '--set',
          'smear.travel=0.08']


def reelwright(*arguments, **more):
    return run([REELWRIGHT, *arguments], **more)


def demo(folder, *more):
    done = reelwright('demo', folder, *MAKE, *more, timeout=300)
    if done.returncode:
        sys.exit(done.stderr)
    with open(os.path.join(folder, 'truth', 'truth.json'), encoding='utf-8') as file:
        return json.load(file)


def rows(reel, query):
    database = sqlite3.connect(os.path.join(reel, 'reel.db'))
    found = database.execute(query).fetchall()
    database.close()
    return found


def digest(path):
    with open(path, 'rb') as file:
        return hashlib.sha256(file.read()).hexdigest()


def films(reel, cards):
    """Film frame of every still of the reel by its id: stills are known by their bytes."""
    by_digest = {}
    for folder, truth in cards:
        for still in truth['stills']:
            by_digest[digest(os.path.join(folder, 'card', still['file']))] = still['film']
    return {number: by_digest.get(sha256) for number, sha256 in rows(reel, 'SELECT id, sha256 FROM still')}


def shown(reel, cards):
    """[film frame shown, does it repeat, film frame of the still that it replaced] for each frame."""
    film = films(reel, cards)
    return [[film.get(still), repeat >= 0, film.get(replaced)] for still, repeat, replaced in
            rows(reel, 'SELECT still, doubled_of, replaced FROM frame ORDER BY n')]


def state(reel):
    found = {}
    database = sqlite3.connect(os.path.join(reel, 'reel.db'))
    for (table,) in database.execute("SELECT name FROM sqlite_master WHERE type='table'").fetchall():
        if table != 'journal' and not table.startswith('sqlite_'):
            found[table] = sorted(map(repr, database.execute(f'SELECT * FROM {table}')))
    database.close()
    for name in sorted(os.listdir(os.path.join(reel, 'cache'))):
        found[name] = digest(os.path.join(reel, 'cache', name))
    return found


WHOLE = [[n, False, None] for n in range(16)] + [[15, True, None]] + \
    [[n, False, n if n == 27 else None] for n in range(16, FRAMES)]


def check_placed(folder, spoiled, first):
    """Wound back by some frames before each fault, and on some after."""
    card = os.path.join(folder, 'again')
    truth = demo(card, '--set', 'reshoot.at=7-12,21-23,25-29')
    reel = os.path.join(folder, 'mended')
    shutil.copytree(spoiled, reel)
    before = {path: digest(os.path.join(reel, path)) for (path,) in rows(reel, 'SELECT path FROM still')}
    done = reelwright('intake', os.path.join(card, 'card'), reel, '--json', timeout=300)
    told = json.loads(done.stdout)
    TAP.equal([told[key] for key in ('placed', 'spare', 'unplaced', 'missing_frames')], [4, 10, 0, 0],
              'intake of stills shot again says what became of them')
    cards = [first, (card, truth)]
    TAP.equal(shown(reel, cards), WHOLE, 'every frame of the film has its own still, none has a wrong one')
    TAP.ok(all(digest(os.path.join(reel, path)) == was for path, was in before.items()),
           'the stills that were there are as they were')
    findings = json.loads(reelwright('findings', reel, '--json').stdout)['findings']
    mended = [f for f in findings if f['kind'] in ('missing-frame', 'smeared-frame')]
    TAP.ok(len(mended) == 3 and all(f['severity'] == 'note' and 'shot again' in f['advice'] and
                                    f['evidence']['shot_again'].startswith('stills/') for f in mended),
           'findings that were mended say so', mended)
    TAP.equal(json.loads(reelwright('findings', reel, '--reshoot', '--json').stdout)['reshoot'], [],
              'nothing is left to shoot again')
    return card, reel, cards


def check_geometry(folder, card, reel, truth):
    """The film lies elsewhere, turned by 0.05 degrees, under other light on the second card."""
    placed = {still['file'].split('/')[-1]: still for still in truth['stills']}
    document = json.loads(reelwright('survey', reel, '--json').stdout)
    worst = 0
    for frame in document['frames']:
        if '-2/' not in frame['still']:
            continue
        want = placed[frame['still'].split('/')[-1]]['film_to_still']
        for x, y in ((1.5, -1.5), (5.5, 1.5)):
            worst = max(worst, *(abs(sum(a * b for a, b in zip(got, (x, y, 1))) -
                                     sum(a * b for a, b in zip(wanted, (x, y, 1))))
                                 for got, wanted in zip(frame['film_to_still'], want)))
    TAP.ok(0 < worst < 0.6, 'stills shot again lie where the truth has them', worst)


def check_again(folder, reel):
    want = state(reel)
    reelwright('survey', reel)
    TAP.equal([k for k, v in state(reel).items() if want.get(k) != v], [], 'another survey changes nothing')
    other = os.path.join(folder, 'anew')
    shutil.copytree(reel, other)
    reelwright('survey', other, '--again')
    TAP.equal([k for k, v in state(other).items() if want.get(k) != v], [], 'nor does one that measures all anew')
    shutil.rmtree(other)
    return want


def check_kills(folder, spoiled, card, want):
    rng = random.Random(SEED)
    reel = os.path.join(folder, 'killed')
    shutil.copytree(spoiled, reel)
    begun = time.monotonic()
    process = subprocess.Popen([REELWRIGHT, 'intake', os.path.join(card, 'card'), reel],
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    process.wait()
    took = time.monotonic() - begun
    shutil.rmtree(reel)
    shutil.copytree(spoiled, reel)
    for _ in range(12):
        process = subprocess.Popen([REELWRIGHT, 'intake', os.path.join(card, 'card'), reel],
                                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(rng.uniform(0.02, 0.8) * took)
        process.send_signal(signal.SIGKILL)
        process.wait()
    done = reelwright('intake', os.path.join(card, 'card'), reel, timeout=300)
    TAP.equal(done.returncode, 0, 'after 12 kills intake comes to its end')
    TAP.equal([k for k, v in state(reel).items() if want.get(k) != v], [], 'and the reel is as if undisturbed')
    shutil.rmtree(reel)


def check_third_card(folder, spoiled, first):
    """A second card mends one fault of three and leaves a gap of two half open; a third brings the
    rest, alone, without neighbours."""
    reel = os.path.join(folder, 'third')
    shutil.copytree(spoiled, reel)
    second, third = os.path.join(folder, 'second'), os.path.join(folder, 'third-card')
    cards = [first, (second, demo(second, '--set', 'reshoot.at=8-9,27')),
             (third, demo(third, '--set', 'reshoot.at=10,22'))]
    reelwright('intake', os.path.join(second, 'card'), reel, timeout=300)
    want = json.loads(json.dumps(WHOLE))
    want[10][0] = want[23][0] = None
    TAP.equal(shown(reel, cards), want, 'a card that mends a part leaves the rest open')
    reshoot = json.loads(reelwright('findings', reel, '--reshoot', '--json').stdout)['reshoot']
    TAP.equal([(r['first'], r['last']) for r in reshoot], [(10, 10), (23, 23)], 'and the rest is still asked for')
    reelwright('intake', os.path.join(third, 'card'), reel, timeout=300)
    TAP.equal(shown(reel, cards), WHOLE, 'a third card brings it')
    shutil.rmtree(reel)


def check_strangers(folder, spoiled, first):
    """Frames of another film, and one that is no picture."""
    card = os.path.join(folder, 'strangers')
    done = reelwright('demo', card, '--frames', '6', '--seed', '99', '--pixels', '900x600', '--no-movies', '--no',
                      'faults')
    TAP.equal(done.returncode, 0, 'a card of another film is made')
    names = sorted(os.listdir(os.path.join(card, 'card/DCIM/100REELA')))
    with open(os.path.join(card, 'card/DCIM/100REELA', names[2]), 'r+b') as file:
        file.truncate(5000)
    reel = os.path.join(folder, 'strange')
    shutil.copytree(spoiled, reel)
    before = rows(reel, 'SELECT * FROM frame')
    told = json.loads(reelwright('intake', os.path.join(card, 'card'), reel, '--take', 'all', '--json').stdout)
    TAP.equal([told['placed'], told['spare'], told['unplaced']], [0, 0, 6], 'strangers are not placed')
    TAP.equal(rows(reel, 'SELECT * FROM frame'), before, 'and the film is as it was')
    shutil.rmtree(reel)


def check_dismissed(folder, spoiled, card, first, truth):
    """What a person says is nothing stays as it is."""
    reel = os.path.join(folder, 'dismissed')
    shutil.copytree(spoiled, reel)
    findings = json.loads(reelwright('findings', reel, '--json').stdout)['findings']
    smeared = next(f['id'] for f in findings if f['kind'] == 'smeared-frame')
    reelwright('findings', reel, '--dismiss', str(smeared))
    reelwright('intake', os.path.join(card, 'card'), reel, timeout=300)
    TAP.ok(all(frame[2] is None for frame in shown(reel, [first, (card, truth)])),
           'a still whose finding was dismissed is not replaced')
    reelwright('findings', reel, '--reopen', str(smeared))
    reelwright('survey', reel)
    TAP.equal(shown(reel, [first, (card, truth)]), WHOLE, 'until the finding is opened again')
    shutil.rmtree(reel)


def check_movie(folder, reel):
    out, trace = os.path.join(folder, 'movie.txt'), os.path.join(folder, 'trace.jsonl')
    done = reelwright('finish', reel, '-o', out, '--codec', 'framemd5', '--size', '480x360', '--only', 'register',
                      '--trace', trace, timeout=300)
    TAP.equal(done.returncode, 0, 'finish makes the movie')
    with open(trace, encoding='utf-8') as file:
        made = [json.loads(line) for line in file]
    TAP.ok(len(made) == FRAMES and not any(frame['held'] for frame in made), 'of all frames, none held',
           [frame for frame in made if frame['held']])
    with open(out, encoding='utf-8') as file:
        sums = [line.split(',')[-1].strip() for line in file if not line.startswith('#')]
    TAP.equal(len(set(sums)), FRAMES, 'and no two alike')


def main():
    folder = tempfile.mkdtemp(prefix='rw-reshot-')
    try:
        card = os.path.join(folder, 'first')
        first = (card, demo(card, *FAULTS))
        spoiled = os.path.join(folder, 'spoiled')
        reelwright('intake', os.path.join(card, 'card'), spoiled)
        TAP.equal(reelwright('survey', spoiled, timeout=300).returncode, 0, 'a reel with faults is surveyed')
        again, reel, cards = check_placed(folder, spoiled, first)
        check_geometry(folder, again, reel, cards[1][1])
        want = check_again(folder, reel)
        check_movie(folder, reel)
        check_kills(folder, spoiled, again, want)
        check_third_card(folder, spoiled, first)
        check_strangers(folder, spoiled, first)
        check_dismissed(folder, spoiled, again, first, cards[1][1])
    finally:
        shutil.rmtree(folder)
    TAP.done()


main()
