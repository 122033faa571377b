#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every public header compiles by itself, as C11 and as C++17, without a warning.

    tests/headers/alone.py CC CXX"""
import glob
import os
import shlex
import sys

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
LANGUAGES = (('C11', 'c', '-std=c11'), ('C++17', 'c++', '-std=c++17'))


def glib_flags():
    flags = run(['pkg-config', '--cflags', 'glib-2.0', 'gio-2.0']).stdout
    # as system headers: their warnings are not ours
    return [flag.replace('-I', '-isystem', 1) for flag in shlex.split(flags)]


def main():
    tap = Tap()
    compilers = sys.argv[1:3]
    headers = sorted(glob.glob(os.path.join(ROOT, 'include/reelwright/*.h')))
    tap.ok(len(headers) > 5, 'public headers are found')
    flags = glib_flags()
    for header in headers:
        name = os.path.relpath(header, os.path.join(ROOT, 'include'))
        # twice: the second time its guard must hold
        text = f'#include <{name}>\n#include <{name}>\n'
        for compiler, (title, language, standard) in zip(compilers, LANGUAGES):
            done = run([compiler, standard, '-x', language, '-fsyntax-only', '-Wall', '-Wextra',
                        '-Wpedantic', '-Wshadow', '-Werror', '-I' + os.path.join(ROOT, 'include'),
                        *flags, '-'], source=text)
            tap.ok(done.returncode == 0, f'{name} as {title}', done.stderr)
    tap.done()


if __name__ == '__main__':
    main()
