#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""reelwright intake on made-up cards: what is taken, in which order, what is told; and that an intake
which is killed, cut off or out of room ends the same when it is run again.

Hashes are checked with Python's hashlib. DCF names after JEITA CP-3461 as device manuals summarise it.

    tests/cli/intake.py REELWRIGHT MAKE_CARD"""
import fcntl
import hashlib
import json
import os
import pty
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

REELWRIGHT, MAKE_CARD = (os.path.abspath(a) for a in sys.argv[1:3])
TAP = Tap()
KILLS = int(os.environ.get('REELWRIGHT_TEST_KILLS', '12'))  # make kill-test: 50


def make_card(card, folder, first, count, *options):
    subprocess.run([MAKE_CARD, card, folder, str(first), str(count), *options], check=True)
    return os.path.join(card, 'DCIM', folder)


def intake(*arguments, **more):
    return run([REELWRIGHT, 'intake', *arguments], **more)


def summary(*arguments):
    done = intake(*arguments, '--json')
    return json.loads(done.stdout)


def one_line(done):
    """Exactly one complaint beside the progress."""
    lines = [line for line in done.stderr.splitlines() if line.startswith('reelwright: ')]
    return len(lines) == 1 and lines[0].endswith('.')


def file_hash(path):
    with open(path, 'rb') as file:
        return hashlib.sha256(file.read()).hexdigest()


def tree(root, database=False):
    """Every folder and every file with its hash; reel.db is compared row by row instead."""
    found = {}
    for folder, folders, files in os.walk(root):
        for name in folders:
            found[os.path.relpath(os.path.join(folder, name), root) + '/'] = ''
        for name in files:
            if database or not name.startswith('reel.db'):
                path = os.path.join(folder, name)
                found[os.path.relpath(path, root)] = file_hash(path)
    return found


def rows(reel, sql):
    with sqlite3.connect(os.path.join(reel, 'reel.db')) as database:
        found = database.execute(sql).fetchall()
    database.close()
    return found


def dump(reel):
    """All rows but the journal's, which holds times of day."""
    tables = [name for name, in rows(reel, "SELECT name FROM sqlite_master WHERE type='table'")
              if name not in ('journal', 'choice_history')]
    return {table: sorted(rows(reel, f'SELECT * FROM {table}'), key=repr) for table in tables}


def state(reel):
    return tree(reel), dump(reel)


def film(reel):
    """Names of the stills in film order."""
    return [os.path.basename(path) for path, in rows(
        reel, 'SELECT path FROM frame JOIN still ON still.id = frame.still ORDER BY n')]


def stamps(root):
    return {path: (os.stat(os.path.join(root, path)).st_mtime_ns,
                   os.stat(os.path.join(root, path)).st_size)
            for path in tree(root)}


def try_mount(folder, options):
    os.makedirs(folder, exist_ok=True)
    return os.geteuid() == 0 and subprocess.run(
        ['mount', '-t', 'tmpfs', '-o', options, 'tmpfs', folder], stderr=subprocess.DEVNULL,
        check=False).returncode == 0


# ---- what is taken --------------------------------------------------------------------------------


def test_plain():
    folder = make_card('plain', '100RWDMO', 1, 30)
    before = stamps('plain')
    done = intake('plain/', 'plain-reel', '--gauge', 'regular8', '--fps', '16.667', '--title', 'Tea')
    TAP.ok(done.returncode == 0 and 'safe to wipe the card: yes' in done.stdout and
           '30 stills;' in done.stdout, 'a plain card is taken in', done.stdout + done.stderr)
    TAP.equal(film('plain-reel'), sorted(os.listdir(folder)), 'film order is the order of numbers')
    TAP.equal(dict(rows('plain-reel', 'SELECT path, sha256 FROM still')),
              {f'stills/100RWDMO/{name}': file_hash(os.path.join(folder, name))
               for name in os.listdir(folder)}, 'the hashes are those of the files on the card')
    TAP.equal(stamps('plain'), before, 'the card is as it was')
    TAP.equal([value for _, value in rows('plain-reel', "SELECT key, value FROM meta WHERE key IN "
                                          "('gauge', 'fps', 'title') ORDER BY key")],
              ['16667/1000', 'regular8', 'Tea'], 'gauge, speed and title are kept')
    checked = subprocess.run(['sha256sum', '-c', '--quiet', 'stills.sha256'], cwd='plain-reel',
                             capture_output=True, text=True, check=False)
    TAP.ok(checked.returncode == 0, 'sha256sum -c agrees with stills.sha256', checked.stdout)

    first, nodes = state('plain-reel'), stamps('plain-reel/stills')
    told = summary('plain', 'plain-reel')
    TAP.ok(told['known'] == 30 and told['taken'] == 0 and told['batch'] == 1,
           'a second run copies nothing', told)
    TAP.equal((state('plain-reel'), stamps('plain-reel/stills')), (first, nodes),
              'a second run changes nothing')

    os.rename('plain', 'plain-elsewhere')  # the same card mounted at another place
    told = summary('plain-elsewhere', 'plain-reel')
    TAP.ok(told['known'] == 30 and told['taken'] == 0, 'a card is known by its content', told)
    os.rename('plain-elsewhere', 'plain')

    wrong = intake('plain', 'plain-reel', '--gauge', 'super8')
    TAP.ok(wrong.returncode == 1 and one_line(wrong) and 'regular8' in wrong.stderr,
           'a reel keeps its gauge', wrong.stderr)


def test_two_cards():
    make_card('late', '101RWDMO', 1, 15, 'start=100')
    make_card('early', '100RWDMO', 9990, 10, 'start=0')
    # a second copy of part of the first card
    shutil.copytree('early/DCIM/100RWDMO', 'late/DCIM/100RWDMO')
    told = summary('late', 'early', 'two-reel')
    TAP.equal(film('two-reel'), [f'RWD_{n:04d}.JPG' for n in (*range(9990, 10000), *range(1, 16))],
              'two cards given the wrong way round go by time and number')
    TAP.ok(told['duplicates'] == 10 and told['taken'] == 25 and told['safe_to_wipe'],
           'the same content on two cards is taken once and said', told)
    TAP.equal(sorted(os.listdir('two-reel/stills')), ['100RWDMO', '101RWDMO'],
              'no empty folder is left')

    make_card('reset-a', '100RWDMO', 1, 5)  # the counter was reset between two cards
    make_card('reset-b', '100RWDMO', 1, 5, 'start=60', 'seed=50')
    intake('reset-a', 'reset-b', 'reset-reel')
    TAP.equal([path for path, in rows('reset-reel', 'SELECT path FROM still ORDER BY id')],
              [f'stills/{folder}/RWD_{n:04d}.JPG' for folder in ('100RWDMO', '100RWDMO-2')
               for n in range(1, 6)], 'equal names of different stills both find a place')


def test_roll_over():
    make_card('roll', '100RWDMO', 9980, 40)
    told = summary('roll', 'roll-reel')
    TAP.equal(film('roll-reel'), [f'RWD_{(n - 1) % 9999 + 1:04d}.JPG' for n in range(9980, 10020)],
              'a counter that rolls over inside one folder goes by time')
    TAP.equal((told['gaps'], told['order_confidence']), (0, 1.0), 'and is no gap')


def test_damage():
    folder = make_card('bad', '100RWDMO', 1, 20)

    def path(n):
        return os.path.join(folder, f'RWD_{n:04d}.JPG')
    with open(path(4), 'wb'):
        pass
    with open(path(8), 'w', encoding='utf-8') as file:
        file.write('no picture at all\n')
    os.truncate(path(12), os.path.getsize(path(12)) * 2 // 3)
    os.truncate(path(16), 30)
    os.unlink(path(18))
    with open(os.path.join(folder, 'RWD_0001.RAW'), 'wb') as file:
        file.write(b'raw ' * 100)
    told = summary('bad', 'bad-reel')
    TAP.equal((told['stills'], told['frames'], len(told['unreadable']), len(told['damaged']),
               told['gaps'], told['companions'], told['safe_to_wipe']), (19, 19, 3, 1, 1, 1, True),
              'empty, text, headless and truncated files are told apart')
    TAP.equal(rows('bad-reel', 'SELECT number, state FROM still WHERE state IN (1, 2) ORDER BY id'),
              [(4, 1), (8, 1), (12, 2), (16, 1)], 'their states are in reel.db')
    TAP.equal([entry['what'] for entry in told['unreadable']],
              ['is empty', 'is not a JPEG, PNG or TIFF', 'is a JPEG that ends inside its header'],
              'each says what is wrong')
    TAP.equal({name: file_hash(f'bad-reel/stills/100RWDMO/{name}') for name in os.listdir(folder)},
              {name: file_hash(os.path.join(folder, name)) for name in os.listdir(folder)},
              'all are copied byte for byte, the raw file too')
    TAP.equal(film('bad-reel'), sorted(n for n in os.listdir(folder) if n.endswith('.JPG')),
              'unreadable stills keep their frame, the raw file has none')


def test_torn_then_whole():
    """A card that was still being filled, or read half: the same command later."""
    folder = make_card('torn', '100RWDMO', 1, 10)
    still = os.path.join(folder, 'RWD_0006.JPG')
    with open(still, 'rb') as file:
        whole = file.read()
    with open(still, 'wb') as file:
        file.write(whole[:len(whole) // 2])
    told = summary('torn', 'torn-reel')
    TAP.equal((told['frames'], len(told['damaged'])), (10, 1), 'a still that ends early is told')
    with open(still, 'wb') as file:
        file.write(whole)
    told = summary('torn', 'torn-reel')
    TAP.equal((told['frames'], told['stills'], len(told['damaged']), told['safe_to_wipe']), (10, 10, 0, True),
              'the whole one takes its frame')
    TAP.equal(rows('torn-reel', 'SELECT count(*) FROM still WHERE number = 6'), [(2,)], 'and both are kept')


def test_others():
    folder = make_card('mixed', '100RWDMO', 1, 6)
    with open(os.path.join(folder, 'RWD_0007.MOV'), 'wb') as file:
        file.write(b'film')
    with open('mixed/index.dat', 'wb') as file:
        file.write(b'rubbish')
    os.rename(os.path.join(folder, 'RWD_0006.JPG'), os.path.join(folder, 'RWD_0008.JPG'))
    told = summary('mixed', 'mixed-reel')
    TAP.ok(told['other_files'] == 1 and not told['safe_to_wipe'] and 'only there' in told['why_not'],
           'a film on the card makes it unsafe to wipe', told)
    TAP.equal((told['gaps'], told['missing_numbers']), (1, 1), 'the number of a film is no gap')
    os.makedirs('raw-only/DCIM/100RWDMO')
    with open('raw-only/DCIM/100RWDMO/RWD_0001.RAW', 'wb') as file:
        file.write(b'raw')
    refused = intake('raw-only', 'raw-reel')
    TAP.ok(refused.returncode == 1 and one_line(refused) and not os.path.exists('raw-reel'),
           'a card without stills is refused', refused.stderr)


# ---- other shoots ---------------------------------------------------------------------------------


def make_mixed_shoots():
    make_card('shoots', '100RWDMO', 1, 4, 'start=-90000', 'step=60')             # a day before
    make_card('shoots', '100RWDMO', 5, 20, 'seed=100')                           # the film
    make_card('shoots', '101OTHER', 1, 3, 'serial=0099', 'start=20', 'seed=200')  # another camera
    make_card('shoots', '102RWDMO', 25, 2, 'size=64x48', 'start=30', 'seed=300')  # another size


def test_shoots():
    make_mixed_shoots()
    refused = intake('shoots', 'shoots-reel')
    TAP.ok(refused.returncode == 2 and one_line(refused) and '4 shoots' in refused.stderr and
           '--take' in refused.stderr and not os.path.exists('shoots-reel'),
           'several shoots are refused when nobody can be asked', refused.stderr)
    told = summary('shoots', 'shoots-reel', '--take', 'largest')
    TAP.ok(told['taken'] == 20 and told['other_stills'] == 9 and told['other_shoots'] == 3 and
           not told['safe_to_wipe'], 'the largest alone is taken', told)
    TAP.equal(film('shoots-reel'), [f'RWD_{n:04d}.JPG' for n in range(5, 25)], 'and nothing else')
    again = summary('shoots', 'shoots-reel')
    TAP.ok(again['known'] == 20 and again['taken'] == 0, 'the choice is remembered', again)
    for take, want in (('1', 4), ('2,3', 23), ('0099', 3), ('all', 29), ('1 4', 6)):
        told = summary('shoots', f'shoots-{take}', '--take', take)
        TAP.equal(told['taken'], want, f'--take {take} takes {want} stills')
    told = summary('shoots', 'since-reel', '--since', '2026-03-14T09:30', '--until',
                   '2026-03-14T09:30:10', '--take', '1')
    TAP.equal(told['taken'], 15, '--since and --until go by the camera\'s clock')
    for wrong in ('5', '0', 'none', ','):
        TAP.equal(intake('shoots', 'x', '--take', wrong).returncode, 2, f'--take {wrong} is refused')
    TAP.ok(not os.path.exists('x'), 'a refusal leaves nothing behind')
    strange = make_card('strange', '100RWDMO', 1, 3, 'serial=77', 'seed=900')
    refused = intake('strange', 'shoots-reel')
    TAP.ok(refused.returncode == 2 and '--take all' in refused.stderr and strange,
           'another camera does not slip into a reel', refused.stderr)


def on_terminal(arguments, answer):
    """Exit code and output of an intake that is asked on a terminal."""
    pid, fd = pty.fork()
    if pid == 0:
        os.execv(REELWRIGHT, [REELWRIGHT, 'intake', *arguments])
    output, answered = b'', False
    while True:
        try:
            piece = os.read(fd, 4096)
        except OSError:
            break
        if not piece:
            break
        output += piece
        if not answered and b'nothing to stop)' in output:
            os.write(fd, answer.encode() + b'\n')
            answered = True
    _, status = os.waitpid(pid, 0)
    os.close(fd)
    return os.waitstatus_to_exitcode(status), output.decode()


def test_asking():
    make_mixed_shoots()
    code, output = on_terminal(['shoots', 'asked-reel'], '2, 4')
    TAP.ok(code == 0 and '0099' in output and len(film('asked-reel')) == 22,
           'on a terminal it asks and takes the answer', output)
    code, output = on_terminal(['shoots', 'refused-reel'], '')
    TAP.ok(code == 1 and not os.path.exists('refused-reel'), 'an empty answer takes nothing', output)


# ---- batches --------------------------------------------------------------------------------------


def test_batches():
    make_card('grow', '100RWDMO', 1, 10)
    intake('grow', 'grow-reel')
    make_card('grow', '100RWDMO', 11, 10, 'start=10', 'seed=70')
    told = summary('grow', 'grow-reel')
    TAP.ok((told['known'], told['taken'], told['batch'], told['frames']) == (10, 10, 2, 20),
           'a card that grew is taken in where it stopped', told)
    TAP.equal(film('grow-reel'), [f'RWD_{n:04d}.JPG' for n in range(1, 21)], 'in one order')
    TAP.equal(rows('grow-reel', "SELECT value, count(*) FROM measurement WHERE measure='batch' "
                   'GROUP BY value'), [(1.0, 10), (2.0, 10)], 'stills know their batch')

    rows('grow-reel', "INSERT INTO scene (first, last, cue) VALUES (0, 19, 'head')")  # surveyed
    make_card('reshot', '100RWDMO', 1, 3, 'start=5000', 'seed=500')
    told = summary('reshot', 'grow-reel')
    TAP.ok(not told['waits_for_survey'] and told['batch'] == 3 and told['stills'] == 23 and
           told['unplaced'] == 3 and len(film('grow-reel')) == 20,
           'after a survey new stills are placed, or not, and the film stays', told)


def test_lost_copies():
    folder = make_card('lost', '100RWDMO', 1, 8)
    intake('lost', 'lost-reel')
    good = state('lost-reel')
    os.unlink('lost-reel/stills/100RWDMO/RWD_0003.JPG')
    told = summary('lost', 'lost-reel')
    TAP.ok(told['taken'] == 1 and state('lost-reel') == good, 'a still that vanished comes back', told)
    with open('lost-reel/stills/100RWDMO/RWD_0005.JPG', 'r+b') as file:
        file.seek(300)
        file.write(b'\0\0\0\0')
    told = summary('lost', 'lost-reel', '--verify')
    TAP.ok(told['taken'] == 1 and state('lost-reel') == good, '--verify finds a copy that rotted', told)
    path = os.path.join(folder, 'RWD_0006.JPG')
    stat = os.stat(path)
    with open(path, 'r+b') as file:
        file.seek(300)
        file.write(b'\0\0\0\0')
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    done = intake('lost', 'lost-reel', '--verify', '--json')
    told = json.loads(done.stdout)
    TAP.ok(done.returncode == 1 and len(told['not_taken']) == 1 and not told['safe_to_wipe'] and
           state('lost-reel') == good, '--verify finds a card that rotted', told)


# ---- wrong uses -----------------------------------------------------------------------------------


def test_refusals():
    make_card('card', '100RWDMO', 1, 5)
    os.makedirs('full')
    with open('full/letter.txt', 'w', encoding='utf-8') as file:
        file.write('dear\n')
    for arguments, code, word in (
            (('card', 'card/reel'), 2, 'lie in one another'), (('card', '.'), 2, 'lie in one another'),
            (('card', 'card', 'reel'), 2, 'lie in one another'), (('nowhere', 'reel'), 1, 'nowhere'),
            (('full/letter.txt', 'reel'), 2, 'not a folder'), (('card', 'full'), 1, 'letter.txt'),
            (('card', 'reel', '--gauge', 'super16'), 2, 'super16'),
            (('card', 'reel', '--fps', 'fast'), 2, 'fast'),
            (('card', 'reel', '--since', 'noon'), 2, 'noon'),
            (('card', 'reel', '--since', '2031-01-01'), 1, 'between the times')):
        done = intake(*arguments)
        TAP.ok(done.returncode == code and one_line(done) and word in done.stderr and
               not os.path.exists('reel'), f'intake {" ".join(arguments)} is one line and exit {code}',
               done.stderr)
    intake('card', 'locked-reel')
    with open('locked-reel/.intake.lock', 'w', encoding='utf-8') as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = intake('card', 'locked-reel')
        TAP.ok(done.returncode == 1 and one_line(done) and 'Another intake' in done.stderr,
               'two intakes into one reel do not fight', done.stderr)


# ---- cut off --------------------------------------------------------------------------------------


class CutOff:
    """One card and the state that an undisturbed intake of it ends in."""

    def __init__(self):
        folder = make_card('long-a', '100RWDMO', 9930, 110, 'step=1')
        make_card('long-b', '101RWDMO', 101, 30, 'start=250', 'step=1', 'seed=400')
        shutil.copy(os.path.join(folder, 'RWD_9950.JPG'), 'long-b/DCIM/101RWDMO/RWD_0200.JPG')
        os.truncate(os.path.join(folder, 'RWD_9960.JPG'), 0)
        with open(os.path.join(folder, 'RWD_9970.RAW'), 'wb') as file:
            file.write(b'raw' * 1000)
        with open(os.path.join(folder, 'RWD_9980.JPG'), 'ab') as file:
            file.write(b'\0' * 400000)  # what some cameras append; larger than the limit below
        start = time.monotonic()
        done = intake('long-a', 'long-b', 'long-reel')
        self.took = time.monotonic() - start
        self.want = state('long-reel')
        TAP.ok(done.returncode == 0 and len(film('long-reel')) == 140, 'the undisturbed intake',
               done.stdout + done.stderr)

    def ends_the_same(self, reel, name):
        done = intake('long-a', 'long-b', reel)
        got = state(reel) if done.returncode == 0 else None
        TAP.ok(got == self.want, name, done.stderr + difference(got, self.want))
        shutil.rmtree(reel)


def difference(got, want):
    if not got:
        return 'no reel'
    lines = [f'{path}: {got[0].get(path)} {want[0].get(path)}'
             for path in sorted({*got[0], *want[0]}) if got[0].get(path) != want[0].get(path)]
    for table in want[1]:
        lines += [f'{table}: {row}' for row in {*got[1].get(table, [])} ^ {*want[1][table]}]
    return '\n'.join(lines[:20])


def start_intake(reel, **more):
    return subprocess.Popen([REELWRIGHT, 'intake', 'long-a', 'long-b', reel],
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


def wait_for_stills(reel, count):
    folder = os.path.join(reel, 'stills/100RWDMO')
    while not os.path.isdir(folder) or len(os.listdir(folder)) < count:
        time.sleep(0.001)


def test_killed(case):
    dice = random.Random(int(os.environ.get('REELWRIGHT_TEST_SEED', '20260314')))
    cut = failed = 0
    detail = ''
    for trial in range(KILLS):
        for _ in range(2 if trial % 4 == 0 else 1):  # some are killed again before they may end
            process = start_intake('killed-reel')
            time.sleep(dice.uniform(0.1, 1.0) * case.took)
            process.kill()
            process.communicate()
            if process.returncode == -signal.SIGKILL:
                cut += 1
            else:
                case.took *= 0.8  # the machine has become less busy
        done = intake('long-a', 'long-b', 'killed-reel')
        got = state('killed-reel') if done.returncode == 0 else None
        if got != case.want:
            failed += 1
            detail = done.stderr + difference(got, case.want)
        shutil.rmtree('killed-reel')
    TAP.ok(failed == 0, f'{KILLS} intakes killed at random moments all end as if undisturbed', detail)
    TAP.ok(cut >= KILLS // 2, f'{cut} kills came before the end')


def test_stopped(case):
    process = start_intake('stopped-reel')
    wait_for_stills('stopped-reel', 40)
    process.send_signal(signal.SIGINT)
    _, complaint = process.communicate()
    TAP.ok(process.returncode == 1 and 'run the same command again' in complaint,
           'interrupted from the keyboard it says how far it came', complaint)
    case.ends_the_same('stopped-reel', 'and goes on from there')


def pull_card(reel):
    """The card goes while intake stands still in the middle of it; None when it was too quick."""
    for count in (40, 20, 8, 3, 1):
        process = start_intake(reel)
        wait_for_stills(reel, count)
        process.send_signal(signal.SIGSTOP)
        os.rename('long-a', 'long-a.pulled')
        process.send_signal(signal.SIGCONT)
        _, complaint = process.communicate()
        os.rename('long-a.pulled', 'long-a')
        if process.returncode == 1:
            return complaint
        shutil.rmtree(reel)
    return None


def test_card_pulled(case):
    complaint = pull_card('pulled-reel')
    if complaint is None:
        TAP.skip('this machine reads the whole card before it can be pulled out')
        return
    TAP.ok('long-a does not answer any more' in complaint and 'run the same command again' in complaint,
           'a card that is pulled out is one line', complaint)
    case.ends_the_same('pulled-reel', 'and nothing is lost')


def test_file_size_limit(case):
    """A write that fails in the middle of a file, on any machine: setrlimit(2)."""
    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (300000, 300000))
    process = start_intake('limit-reel', preexec_fn=limit)
    _, complaint = process.communicate()
    TAP.ok(process.returncode == 1 and complaint.count('reelwright: ') == 1 and
           'run the same command again' in complaint, 'a write that fails is one line', complaint)
    case.ends_the_same('limit-reel', 'and goes on when there is room')


def test_full_disk(case):
    if not try_mount('disk', 'size=64k'):
        TAP.skip('a small disk needs root and mount')
        return
    try:
        done = intake('long-a', 'long-b', 'disk/reel')
        TAP.ok(done.returncode == 1 and one_line(done) and 'make room' in done.stderr and
               not os.path.exists('disk/reel'), 'too little room is seen before anything is copied',
               done.stderr)
    finally:
        subprocess.run(['umount', 'disk'], check=True)
    if not try_mount('disk', 'size=6m'):
        return
    try:
        process = start_intake('disk/reel')
        filler = threading.Thread(target=fill, args=('disk/filler', 'disk/reel/stills'))
        filler.start()
        _, complaint = process.communicate()
        filler.join()
        TAP.ok(process.returncode == 1 and complaint.count('reelwright: ') == 1,
               'a disk that fills up meanwhile is one line', complaint)
        os.unlink('disk/filler')
        case.ends_the_same('disk/reel', 'and goes on when there is room again')
    finally:
        subprocess.run(['umount', 'disk'], check=True)


def fill(path, once):
    while not os.path.exists(once):
        time.sleep(0.001)
    with open(path, 'wb', buffering=0) as file:
        try:
            while True:
                file.write(b'x' * 4096)
        except OSError:
            pass


def test_read_only(case):
    if not try_mount('fixed', 'size=1m'):
        TAP.skip('a read-only disk needs root and mount')
        return
    try:
        subprocess.run(['mount', '-o', 'remount,ro', 'fixed'], check=True)
        done = intake('long-a', 'fixed/reel')
        TAP.ok(done.returncode == 1 and one_line(done), 'a read-only target is one line', done.stderr)
    finally:
        subprocess.run(['umount', 'fixed'], check=True)
    if try_mount('slot', 'size=16m'):  # a card with its lock switch on
        try:
            shutil.copytree('long-a', 'slot/card', copy_function=shutil.copy2)
            subprocess.run(['mount', '-o', 'remount,ro', 'slot'], check=True)
            done = intake('slot/card', 'locked-card-reel')
            TAP.ok(done.returncode == 0 and case, 'a card that is locked can be taken in', done.stderr)
        finally:
            subprocess.run(['umount', 'slot'], check=True)


def main():
    with tempfile.TemporaryDirectory(prefix='intake-') as folder:
        os.chdir(folder)
        for test in (test_plain, test_two_cards, test_roll_over, test_damage, test_torn_then_whole,
                     test_others, test_shoots,
                     test_asking, test_batches, test_lost_copies, test_refusals):
            test()
        case = CutOff()
        for test in (test_stopped, test_card_pulled, test_file_size_limit, test_full_disk,
                     test_read_only, test_killed):
            test(case)
        os.chdir('/')
    TAP.done()


if __name__ == '__main__':
    main()
