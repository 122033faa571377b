#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""tools/install-deps asks for what is missing, and only for that; apt-get, sudo and the package
data base are stand-ins that write down how they were called."""
import os
import sys
import tempfile

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
TOOL = os.path.join(ROOT, 'tools/install-deps')
REAL = ('bash', 'sed', 'awk', 'tr', 'env')


class Machine:
    """A PATH of its own, with the given packages and commands."""

    def __init__(self, folder, packages, commands=(), user=0, sudo=True, debian=True):
        self.folder, self.log = folder, os.path.join(folder, 'log')
        for name in REAL:
            os.symlink(run(['which', name]).stdout.strip(), os.path.join(folder, name))
        listing = ''.join(f'ii  {name}\\n' for name in packages) + 'rc  libpng-dev\\n'
        if debian:
            self.stand_in('dpkg-query', f"printf '{listing}'")
        self.stand_in('apt-get', f'echo "apt-get $*" >> {self.log}')
        self.stand_in('id', f'echo {user}')
        if sudo:
            self.stand_in('sudo', f'echo "sudo $1" >> {self.log}; "$@"')
        for name in commands:
            self.stand_in(name, 'true')

    def stand_in(self, name, body):
        path = os.path.join(self.folder, name)
        with open(path, 'w', encoding='utf-8') as out:
            out.write(f'#!{self.folder}/bash\n{body}\n')
        os.chmod(path, 0o755)

    def install(self, *arguments):
        done = run([os.path.join(self.folder, 'bash'), TOOL, *arguments],
                   env={'PATH': self.folder})
        calls = ''
        if os.path.exists(self.log):
            with open(self.log, encoding='utf-8') as log:
                calls = log.read()
        return done, calls


def machine(**more):
    holder = tempfile.TemporaryDirectory(prefix='rw-deps-')
    return holder, Machine(holder.name, **more)


def main():
    tap = Tap()
    every = run([TOOL, '--list']).stdout.split()
    tap.ok(len(every) > 20 and 'libjpeg-dev' in every and 'gcc' in every, 'the list is a list')

    holder, box = machine(packages=every)
    done, calls = box.install()
    tap.ok(done.returncode == 0 and not done.stdout + done.stderr + calls,
           'nothing missing: nothing said or done', done.stdout + done.stderr + calls)

    few = [name for name in every if name not in ('libjpeg-dev', 'meson', 'gcc')]
    holder, box = machine(packages=few, commands=['meson'])
    done, calls = box.install()
    tap.ok(done.returncode == 0 and 'apt-get: gcc libjpeg-dev\n' in done.stdout,
           'says what it installs', done.stdout + done.stderr)
    tap.ok('install -q -y --no-install-recommends gcc libjpeg-dev\n' in calls and
           'meson' not in calls and 'sudo' not in calls,
           'installs that and leaves a command that is there alone', calls)

    holder, box = machine(packages=few, commands=['meson'])
    done, calls = box.install('--check')
    tap.ok(done.returncode == 1 and 'missing: gcc libjpeg-dev' in done.stderr and not calls,
           '--check only tells', done.stderr + calls)

    holder, box = machine(packages=[n for n in every if n != 'libpng-dev'])
    done, calls = box.install()
    tap.ok('libpng-dev' in calls, 'a package that was removed counts as missing', calls)

    holder, box = machine(packages=few, user=1000)
    done, calls = box.install()
    tap.ok(done.returncode == 0 and calls.startswith('sudo apt-get'), 'not root: sudo', calls)

    holder, box = machine(packages=few, user=1000, sudo=False)
    done, calls = box.install()
    tap.ok(done.returncode == 1 and 'As root run: apt-get install' in done.stderr and not calls,
           'not root, no sudo: says what to run', done.stderr + calls)

    holder, box = machine(packages=[], debian=False)
    done, calls = box.install()
    tap.ok(done.returncode == 0 and '  libjpeg-dev\n' in done.stderr and not calls,
           'not Debian: names what it needs', done.stderr + calls)
    tap.done()


if __name__ == '__main__':
    main()
