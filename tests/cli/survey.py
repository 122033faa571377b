#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""reelwright survey, findings and watch on a small made-up reel whose faults are known: what the
documents look like, that the faults are found, that a survey killed at random moments ends the same as
one left alone, that broken stills are told and do not end the run, and that a watch warns in time.

    tests/cli/survey.py REELWRIGHT"""
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
KILLS = int(os.environ.get('REELWRIGHT_TEST_KILLS', '12'))  # make kill-test: 50
SEED = int(os.environ.get('REELWRIGHT_TEST_SEED', '20261125'))
KINDS = {'missing-frame', 'doubled-frame', 'smeared-frame', 'focus-drift', 'soft-frame', 'exposure-shift',
         'clipped-light', 'gate-hair', 'damaged-perforation', 'lost-registration', 'splice',
         'unreadable-still', 'out-of-order'}


def reelwright(*arguments, **more):
    return run([REELWRIGHT, *arguments], **more)


def make_card(folder):
    """32 stills of Super 8 on a tripod: film frame 9 was not taken, frame 20 was taken twice, the film
    moved during frame 26."""
    done = reelwright('demo', folder, '--frames', '32', '--seed', '7', '--pixels', '900x600', '--no', 'hair',
                      '--no', 'damage', '--set', 'missing.at=9', '--set', 'missing.count=0', '--set',
                      'doubled.at=20', '--set', 'doubled.count=0', '--set', 'smear.at=26', '--set',
                      'smear.count=0', '--set', 'smear.travel=0.08', timeout=300)
    TAP.equal(done.returncode, 0, 'a demo card is made')
    return os.path.join(folder, 'card')


def state(reel):
    """All rows but the journal's, and every small picture's hash."""
    found = {}
    database = sqlite3.connect(os.path.join(reel, 'reel.db'))
    tables = [name for name, in database.execute("SELECT name FROM sqlite_master WHERE type='table'")]
    for table in tables:
        if table != 'journal' and not table.startswith('sqlite_'):
            found[table] = sorted(map(repr, database.execute(f'SELECT * FROM {table}')))
    database.close()
    for name in sorted(os.listdir(os.path.join(reel, 'cache'))):
        with open(os.path.join(reel, 'cache', name), 'rb') as file:
            found[name] = hashlib.sha256(file.read()).hexdigest()
    return found


def differences(a, b):
    return [key for key in sorted(a.keys() | b.keys()) if a.get(key) != b.get(key)]


def check_documents(reel):
    done = reelwright('survey', reel, '--json')
    document = json.loads(done.stdout)
    TAP.equal(list(document), ['reel', 'gauge', 'frames', 'scenes'], 'survey --json has its members')
    frame = document['frames'][3]
    TAP.equal(list(frame), ['n', 'still', 'captured', 'film_to_still', 'method', 'confidence', 'sharpness',
                            'exposure', 'doubled_of'], 'a frame has its members')
    TAP.ok(frame['method'] == 'perforation' and frame['confidence'] > 0.8, 'a frame is placed', frame)
    TAP.equal([f['n'] for f in document['frames']], list(range(len(document['frames']))),
              'frames are numbered without holes')
    TAP.equal([f['n'] for f in document['frames'] if f['still'] is None], [9],
              'the frame that was not taken has a place and no still')
    TAP.equal([(f['n'], f['doubled_of']) for f in document['frames'] if f['doubled_of'] is not None],
              [(21, 20)], 'the repeat names the frame that it repeats')
    TAP.equal(document['scenes'][0][0], 0, 'scenes begin with the first frame')
    TAP.equal(document['scenes'][-1][1], len(document['frames']) - 1, 'and end with the last')

    findings = json.loads(reelwright('findings', reel, '--json').stdout)['findings']
    for finding in findings:
        TAP.ok(finding['kind'] in KINDS and finding['severity'] in ('note', 'look', 'redo') and
               0 <= finding['confidence'] <= 1 and isinstance(finding['evidence'], dict) and
               '\n' not in finding['advice'] and os.path.exists(os.path.join(reel, finding['still'])),
               f'the finding of a {finding["kind"]} is well formed', finding)
        TAP.ok(all(os.path.exists(os.path.join(reel, path)) for path in finding['evidence']['pictures']),
               'its two pictures are there')
    TAP.equal([(f['kind'], f['first']) for f in findings if f['severity'] == 'redo' or
               f['kind'] == 'doubled-frame'],
              [('smeared-frame', 27), ('missing-frame', 9), ('doubled-frame', 21)]
              if findings[0]['kind'] == 'smeared-frame' else
              [('missing-frame', 9), ('smeared-frame', 27), ('doubled-frame', 21)],
              'the three faults are found, and no other')
    reshoot = json.loads(reelwright('findings', reel, '--reshoot', '--json').stdout)['reshoot']
    TAP.equal([(r['first'], r['why']) for r in reshoot], [(9, 'missing-frame'), (27, 'smeared-frame')],
              'both bad frames are to be shot again')
    # 4.234 mm a frame (SMPTE 149-2004 dim. B); the repeat takes no film
    TAP.near(reshoot[1]['first_m'], 26 * 0.004234, 1e-6, 'and their place on the film is right')
    return {f['kind']: f for f in findings}


def check_judging(reel, findings):
    number = str(findings['missing-frame']['id'])
    done = reelwright('findings', reel, '--dismiss', number, '--note', 'the leader')
    TAP.equal(done.returncode, 0, 'a finding is dismissed')
    reelwright('survey', reel)
    frames = json.loads(reelwright('survey', reel, '--json').stdout)['frames']
    TAP.ok(all(f['still'] for f in frames), 'the next survey closes its place in the film')
    kept = [f for f in json.loads(reelwright('findings', reel, '--json').stdout)['findings']
            if f['id'] == int(number)]
    TAP.ok(kept and kept[0]['state'] == 'dismissed' and kept[0]['note'] == 'the leader',
           'what was said stays with it', kept)
    reelwright('findings', reel, '--reopen', number)
    reelwright('survey', reel)
    TAP.equal(reelwright('findings', reel, '--dismiss', '999').returncode, 1, 'an unknown number fails')
    TAP.equal(reelwright('findings', reel, '--note', 'x').returncode, 2, 'a note alone is a slip')


def check_threads(taken, want, folder):
    for threads in ('1', '3'):
        reel = os.path.join(folder, 'threads')
        shutil.copytree(taken, reel)
        reelwright('survey', reel, '--threads', threads)
        TAP.equal(differences(state(reel), want), [], f'{threads} threads measure the same')
        shutil.rmtree(reel)


def kill_once(reel, seconds):
    """True when the survey ended by itself before it was killed."""
    process = subprocess.Popen([REELWRIGHT, 'survey', reel], stdout=subprocess.DEVNULL,
                               stderr=subprocess.DEVNULL)
    try:
        process.wait(seconds)
        return True
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.wait()
        return False


def check_kills(taken, want, length, folder):
    generator = random.Random(SEED)
    print(f'# seed {SEED}')
    kills = rounds = 0
    while kills < KILLS:
        reel = os.path.join(folder, 'killed')
        shutil.copytree(taken, reel)
        while kills < KILLS and not kill_once(reel, generator.uniform(0.005, length)):
            kills += 1
        rounds += 1
        TAP.equal(reelwright('survey', reel).returncode, 0, f'after {kills} kills it ends well')
        TAP.equal(differences(state(reel), want), [], 'and the same as one left alone')
        shutil.rmtree(reel)
        if rounds > 60:
            break
    TAP.ok(kills >= KILLS, f'{kills} kills over {rounds} reels')


def check_broken(card, folder):
    """A still cut short, an empty one, and a text that calls itself a JPEG."""
    broken = os.path.join(folder, 'broken-card')
    shutil.copytree(card, broken)
    stills = sorted(os.path.join(path, name) for path, _, names in os.walk(broken) for name in names)
    with open(stills[5], 'rb+') as file:
        file.truncate(os.path.getsize(stills[5]) // 2)
    with open(stills[12], 'wb') as file:
        file.truncate(0)
    with open(stills[18], 'w', encoding='ascii') as file:
        file.write('a shopping list\n')
    reel = os.path.join(folder, 'broken')
    reelwright('intake', broken, reel)
    done = reelwright('survey', reel)
    TAP.equal(done.returncode, 0, 'broken stills do not end a survey')
    findings = json.loads(reelwright('findings', reel, '--json').stdout)['findings']
    bad = {os.path.basename(f['still']): f['evidence']['reason'] for f in findings
           if f['kind'] == 'unreadable-still'}
    want = {os.path.basename(stills[5]): 'cut short', os.path.basename(stills[12]): 'no picture',
            os.path.basename(stills[18]): 'no picture'}
    TAP.equal(bad, want, 'each of them is a finding')
    TAP.equal(reelwright('survey', os.path.join(folder, 'nowhere')).returncode, 1, 'no reel: exit 1')


def check_watch(card, folder):
    place = os.path.join(folder, 'tethered')
    os.mkdir(place)
    process = subprocess.Popen([REELWRIGHT, 'watch', place, '--idle', '3', '--json', '--reel-feet', '50'],
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    stills = sorted(os.path.join(path, name) for path, _, names in os.walk(card) for name in names)
    deep = os.path.join(place, 'DCIM', '100REELA')
    time.sleep(0.3)
    os.makedirs(deep)
    for still in stills:
        with open(still, 'rb') as source, \
                open(os.path.join(deep, os.path.basename(still)), 'wb') as target:
            data = source.read()
            target.write(data[:len(data) // 2])
            target.flush()
            time.sleep(0.02)
            target.write(data[len(data) // 2:])
        time.sleep(0.05)
    out, errors = process.communicate(timeout=60)
    events = [json.loads(line) for line in out.splitlines()]
    TAP.equal(process.returncode, 0, 'a watch ends when nothing comes')
    seen = [e for e in events if e['type'] == 'still']
    TAP.equal([os.path.basename(e['still']) for e in seen], [os.path.basename(s) for s in stills],
              'every still is seen once, in order, and whole')
    warnings = {(e['kind'], e['first']): e['n'] - e['first'] for e in events if e['type'] == 'warning'}
    for kind, first in (('missing-frame', 9), ('doubled-frame', 20), ('smeared-frame', 26)):
        late = warnings.get((kind, first))
        TAP.ok(late is not None and late <= 3, f'{kind} is told within three stills', warnings)
    TAP.ok(set(warnings) == {('missing-frame', 9), ('doubled-frame', 20), ('smeared-frame', 26)},
           'and nothing else', f'{warnings}\n{errors}')
    TAP.ok(seen[-1]['seconds_left'] > 0 and seen[-1]['free_bytes'] > 0, 'time and room left are told')


def main():
    folder = tempfile.mkdtemp(prefix='rw-survey-')
    try:
        card = make_card(os.path.join(folder, 'demo'))
        taken = os.path.join(folder, 'taken')
        reelwright('intake', card, taken)
        reel = os.path.join(folder, 'reel')
        shutil.copytree(taken, reel)
        start = time.monotonic()
        TAP.equal(reelwright('survey', reel).returncode, 0, 'a survey ends well')
        length = time.monotonic() - start
        want = state(reel)
        findings = check_documents(reel)
        TAP.equal(differences(state(reel), want), [], 'a second survey changes nothing')
        check_judging(reel, findings)
        check_threads(taken, want, folder)
        check_kills(taken, want, length, folder)
        check_broken(card, folder)
        check_watch(card, folder)
    finally:
        shutil.rmtree(folder)
    TAP.done()


main()
