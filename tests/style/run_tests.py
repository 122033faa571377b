#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""tools/run-tests counts what it should and fails when it should; make, ninja and meson are
stand-ins that leave a log to be counted."""
import json
import os
import sys
import tempfile

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
TOOL = os.path.join(ROOT, 'tools/run-tests')

GOOD = {'name': 'good', 'result': 'OK', 'returncode': 0, 'stdout': '1..2\nok 1 a\nok 2 b\n'}
BAD = {'name': 'bad', 'result': 'FAIL', 'returncode': 1,
       'stdout': 'ok 1 a\nnot ok 2 the reason\nnot ok 3 b\n1..3\n', 'stderr': 'said why\n'}
CRASH = {'name': 'crash', 'result': 'ERROR', 'returncode': -6, 'stdout': '1..9\nok 1 a\n'}
SKIPS = {'name': 'skips', 'result': 'OK', 'returncode': 0,
         'stdout': 'ok 1 # SKIP no encoder\nok 2 b # skip\nok 3\nnot ok 4 # TODO later\n1..4\n'}
ALL_SKIPPED = {'name': 'skipped', 'result': 'SKIP', 'returncode': 0, 'stdout': '1..0 # SKIP\n'}
PLAIN = {'name': 'plain', 'result': 'OK', 'returncode': 0, 'stdout': 'okay, all went well\n'}
PLAIN_BAD = {'name': 'plain-bad', 'result': 'TIMEOUT', 'returncode': -15, 'stdout': ''}
LIES = {'name': 'lies', 'result': 'OK', 'returncode': 0, 'stdout': 'not ok 1 a\n1..1\n'}

# entries, exit code of meson, then last line and exit code of the tool
CASES = [
    ('passing', [GOOD, PLAIN], 0, '3 passed, 0 failed', 0),
    ('failing checks', [GOOD, BAD], 1, '3 passed, 2 failed', 1),
    ('a crash after a good check', [CRASH], 1, '1 passed, 1 failed', 1),
    ('skips', [SKIPS, ALL_SKIPPED], 0, '2 passed, 0 failed', 0),
    ('a plain test that is stopped', [GOOD, PLAIN_BAD], 1, '2 passed, 1 failed', 1),
    ('a failed check behind exit code 0', [GOOD, LIES], 0, '2 passed, 1 failed', 1),
    ('meson fails without a failed test', [GOOD], 1, '2 passed, 1 failed', 1),
    ('nothing ran', [], 0, '0 passed, 0 failed', 1),
    ('all was skipped', [ALL_SKIPPED], 0, '0 passed, 0 failed', 1),
]


def stand_in(folder, name, body):
    path = os.path.join(folder, name)
    with open(path, 'w', encoding='utf-8') as out:
        out.write(f'#!/bin/bash\n{body}\n')
    os.chmod(path, 0o755)


def attempt(stages, entries=(), meson=0, make='true', ninja='true'):
    """The finished tool; every build folder gets the same log."""
    with tempfile.TemporaryDirectory(prefix='rw-run-') as box:
        bin_, logs = os.path.join(box, 'bin'), os.path.join(box, 'log')
        os.mkdir(bin_)
        with open(logs, 'w', encoding='utf-8') as out:
            out.writelines(json.dumps(entry) + '\n' for entry in entries)
        stand_in(bin_, 'make', make)
        stand_in(bin_, 'ninja', ninja)
        copy = f'cp {logs} "$3/meson-logs/testlog.json"' if entries else 'true'
        stand_in(bin_, 'meson', f'echo "$*" >> {box}/calls; mkdir -p "$3/meson-logs"\n{copy}\n'
                                f'exit {meson}')
        stages = [os.path.join(box, stage) for stage in stages]
        done = run([sys.executable, TOOL, *stages],
                   env={**os.environ, 'PATH': bin_ + ':' + os.environ['PATH']})
        calls = ''
        if os.path.exists(os.path.join(box, 'calls')):
            with open(os.path.join(box, 'calls'), encoding='utf-8') as file:
                calls = file.read()
        return done, calls


def last_line(done):
    return (done.stdout.splitlines() or [''])[-1]


def main():
    tap = Tap()
    for name, entries, meson, line, code in CASES:
        done, _ = attempt(['a'], entries, meson)
        tap.ok(last_line(done) == line and done.returncode == code, f'{name}: {line}',
               f'exit code {done.returncode}\n{done.stdout}{done.stderr}')

    done, _ = attempt(['a'], [GOOD, BAD], 1)
    tap.ok('not ok 2 the reason' in done.stdout and 'said why' in done.stdout and
           'bad in' in done.stdout, 'what a failed test said is shown', done.stdout)
    done, calls = attempt(['a', 'b=unit,cli', 'c='], [GOOD])
    tap.ok(last_line(done) == '5 passed, 0 failed', 'folders are added up, a build counts one',
           done.stdout)
    tap.ok(calls.count('\n') == 2 and '--suite unit --suite cli' in calls.splitlines()[1],
           'suites are passed on', calls)
    done, _ = attempt(['a', 'b='], [GOOD], ninja='case $2 in */b) echo broken; exit 1;; esac')
    tap.ok(last_line(done) == '2 passed, 1 failed' and done.returncode == 1 and
           'broken' in done.stdout, 'a build that fails is one failure', done.stdout)
    done, _ = attempt(['a'], [GOOD], make='echo no meson; exit 2')
    tap.ok(last_line(done) == '0 passed, 1 failed' and 'no meson' in done.stdout,
           'a build that cannot be set up is one failure', done.stdout)
    tap.done()


if __name__ == '__main__':
    main()
